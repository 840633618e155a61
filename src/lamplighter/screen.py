"""What the command line prints about an assessment, fitted to the width of the terminal."""

from __future__ import annotations

import textwrap

from lamplighter.checkins import Account
from lamplighter.results import Assessment, Item
from lamplighter.wording import count, date, known, moment

MOST_ITEMS = 12
_STATUS_WIDTH, _DUE_WIDTH = 4, 12


def summary(assessment: Assessment, width: int = 80) -> str:
    """Return the ranked items and the row account as text no wider than ``width``."""
    parts = [_headline(assessment), _ranked(assessment.items, width), row_account(assessment.account)]
    return "\n\n".join(filter(None, parts))


def _headline(assessment: Assessment) -> str:
    signals = [row.status for row in assessment.nodes]
    judged = [s for s in signals if s]
    words = [f"{signals.count(s)} {s}" for s in ("F", "C", "S", "M") if signals.count(s)]
    states = ", ".join([*words, f"{signals.count('good')} good"])
    apart = f", {len(signals) - len(judged)} cannot be judged" if len(judged) < len(signals) else ""
    return f"{count(len(signals), 'node')} at {moment(assessment.as_of)}: {states}{apart} (NAMUR NE 107 signals)"


def _ranked(items: list[Item], width: int) -> str:
    if not items:
        return "Nothing needs a person."
    shown = items[:MOST_ITEMS]
    name_width = min(max(len(i.subject) for i in shown), max(8, width // 4))
    left = 3 + 1 + _STATUS_WIDTH + name_width + 2 + _DUE_WIDTH
    lines = [f"{'':3} {'NE':{_STATUS_WIDTH}}{'node':{name_width}}  {'due':{_DUE_WIDTH}}what to do"]
    for i in shown:
        words = textwrap.wrap(i.action or i.reason, max(20, width - left)) or [""]
        due = date(i.due) if known(i.due) else ""
        subject = i.subject if len(i.subject) <= name_width else i.subject[: name_width - 1] + "…"
        lines.append(f"{i.rank:3} {i.status:{_STATUS_WIDTH}}{subject:{name_width}}  {due:{_DUE_WIDTH}}{words[0]}")
        lines += [" " * left + w for w in words[1:]]
    if len(items) > MOST_ITEMS:
        lines.append(f"    and {len(items) - MOST_ITEMS} more in the report")
    return "\n".join(line.rstrip() for line in lines)


def row_account(account: Account) -> str:
    """Return where every record went, as text."""
    lines = [
        f"Records read {account.records_read:,} = kept {account.kept:,} + duplicates {account.duplicates:,}"
        f" + rejected {account.rejected:,}; {count(account.check_ins, 'check-in')}."
    ]
    lines += [
        f"  rejected {n:,}: {reason}" for reason, n in sorted(account.reasons.items(), key=lambda r: (-r[1], r[0]))
    ]
    if account.set_aside:
        lines.append(f"  set aside {account.set_aside:,}: later than the present")
    lines += [f"  {f.file}: {f.problem}" for f in account.files if f.problem]
    lines += [f"  note: {n.text}" for n in account.notes]
    return "\n".join(lines)
