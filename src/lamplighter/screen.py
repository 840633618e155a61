"""What the command line prints about an assessment, fitted to the width of the terminal."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence

from lamplighter.checkins import Account
from lamplighter.results import Assessment, Item
from lamplighter.wording import count, date, known, moment

MOST_ITEMS = 12
MOST_NOTICES = 6
_STATUS_WIDTH, _DUE_WIDTH = 4, 12


def summary(assessment: Assessment, width: int = 80) -> str:
    """Return the ranked items and the row account as text no wider than ``width``."""
    parts = [
        _wrapped(_headline(assessment), width),
        _ranked(assessment.items, width),
        row_account(assessment.account, width),
        notices(assessment.assumptions, width),
    ]
    return "\n\n".join(filter(None, parts))


def _headline(assessment: Assessment) -> str:
    signals = [row.status for row in assessment.nodes]
    judged = [s for s in signals if s]
    words = [f"{signals.count(s)} {s}" for s in ("F", "C", "S", "M") if signals.count(s)]
    states = ", ".join([*words, f"{signals.count('good')} good"])
    apart = f", {len(signals) - len(judged)} cannot be judged" if len(judged) < len(signals) else ""
    return f"{count(len(signals), 'node')} at {moment(assessment.as_of)}: {states}{apart} (NAMUR NE 107 signals)"


def _ranked(items: list[Item], width: int, most: int = MOST_ITEMS) -> str:
    if not items:
        return "Nothing needs a person."
    shown = items[:most]
    name_width = min(max(len(i.subject) for i in shown), max(8, width // 4))
    left = 3 + 1 + _STATUS_WIDTH + name_width + 2 + _DUE_WIDTH
    lines = [f"{'':3} {'NE':{_STATUS_WIDTH}}{'node':{name_width}}  {'due':{_DUE_WIDTH}}what to do"]
    for i in shown:
        words = textwrap.wrap(i.action or i.reason, max(20, width - left)) or [""]
        due = date(i.due) if known(i.due) else ""
        subject = i.subject if len(i.subject) <= name_width else i.subject[: name_width - 1] + "…"
        lines.append(f"{i.rank:3} {i.status:{_STATUS_WIDTH}}{subject:{name_width}}  {due:{_DUE_WIDTH}}{words[0]}")
        lines += [" " * left + w for w in words[1:]]
    if len(items) > most:
        lines.append(f"    and {len(items) - most} more in the report")
    return "\n".join(line.rstrip() for line in lines)


def row_account(account: Account, width: int = 80) -> str:
    """Return where every record went, as text."""
    later = f" Of these, {account.set_aside:,} later than the present were set aside." if account.set_aside else ""
    lines = [
        _wrapped(
            f"Records read {account.records_read:,} = kept {account.kept:,} + duplicates {account.duplicates:,}"
            f" + rejected {account.rejected:,}; {count(account.check_ins, 'check-in')}.{later}",
            width,
        )
    ]
    reasons = sorted(account.reasons.items(), key=lambda r: (-r[1], r[0]))
    lines += [_wrapped(f"rejected {n:,}: {reason}", width, "  ", "    ") for reason, n in reasons]
    problems = [f.problem if f.file in f.problem else f"{f.file}: {f.problem}" for f in account.files if f.problem]
    lines += [_wrapped(problem, width, "  ", "    ") for problem in problems]
    lines += [_wrapped(f"note: {n.text}", width, "  ", "    ") for n in account.notes if n.kind != "problem"]
    return "\n".join(lines)


def notices(said: Sequence[str], width: int = 80, most: int = MOST_NOTICES) -> str:
    """Return what was ignored and assumed, as text; empty when nothing was."""
    lines = [_wrapped(text, width, "  - ") for text in said[:most]]
    more = [f"  and {len(said) - most} more in the report"] if len(said) > most else []
    return "\n".join(["Ignored and assumed:", *lines, *more]) if said else ""


SUMMARY_ITEMS = 10
SUMMARY_CHANGES = 5
CHANGE_WORDS = {
    "new": "New since last week",
    "worse": "Worse",
    "better": "Better",
    "done": "Done",
    "gone": "No longer found",
}
CAUTION = (
    "Nothing here authorises work: site procedure, permits, local codes and licensed practice come first. "
    "The report lists the cautions."
)


def summary_text(
    assessment: Assessment, problems: Sequence[str] = (), visits: Sequence[str] = (), width: int = 78
) -> str:
    """Return the week on one screen of plain text, fit to be mailed."""
    parts = [_wrapped(_headline(assessment), width)]
    if assessment.counted:
        parts.append(_wrapped(assessment.counted, width))
    if problems:
        parts.append("\n".join(["Data problems:", *(_wrapped(p, width, "  - ") for p in problems)]))
    changes = _change_lines(assessment)
    if changes:
        parts.append("\n".join(_wrapped(line, width, bullet) for bullet, line in changes))
    parts.append(_ranked(assessment.items, width, SUMMARY_ITEMS))
    if visits:
        parts.append("\n".join(["Visits of the coming week:", *(_wrapped(v, width, "  - ") for v in visits)]))
    parts.append(_wrapped(CAUTION, width))
    return "\n\n".join(parts) + "\n"


def summary_markdown(assessment: Assessment, problems: Sequence[str] = (), visits: Sequence[str] = ()) -> str:
    """Return the week as Markdown, fit to be mailed or posted."""
    lines = [f"# Lamplighter, {date(assessment.as_of)}", "", _headline(assessment), ""]
    lines += [assessment.counted, ""] if assessment.counted else []
    if problems:
        lines += ["## Data problems", "", *(f"- {_escaped(p)}" for p in problems), ""]
    changes = _change_lines(assessment)
    if changes:
        lines += ["## Changes", "", *(f"{'  ' if b.startswith('  ') else ''}- {_escaped(c)}" for b, c in changes), ""]
    lines += ["## What to do", ""]
    if assessment.items:
        lines += ["| | signal | subject | due | what to do |", "|---|---|---|---|---|"]
        for i in assessment.items[:SUMMARY_ITEMS]:
            due = date(i.due) if known(i.due) else ""
            lines.append(
                f"| {i.rank} | {i.status} | {_escaped(i.subject)} | {due} | {_escaped(i.action or i.reason)} |"
            )
        if len(assessment.items) > SUMMARY_ITEMS:
            lines += ["", f"and {len(assessment.items) - SUMMARY_ITEMS} more in the report"]
    else:
        lines.append("Nothing needs a person.")
    if visits:
        lines += ["", "## Visits of the coming week", "", *(f"- {_escaped(v)}" for v in visits)]
    return "\n".join([*lines, "", CAUTION]) + "\n"


def _change_lines(assessment: Assessment) -> list[tuple[str, str]]:
    """Return changes as (bullet, text): a line a kind with its count, and the first few below it."""
    lines = []
    for kind, words in CHANGE_WORDS.items():
        changes = assessment.changes.get(kind) or []
        if changes:
            lines.append(("", f"{words}: {len(changes)}"))
            lines += [("  - ", f"{c['node'] or 'host'}: {c['text']}") for c in changes[:SUMMARY_CHANGES]]
            if len(changes) > SUMMARY_CHANGES:
                lines.append(("  - ", f"and {len(changes) - SUMMARY_CHANGES} more"))
    quiet = assessment.changes.get("acknowledged") or []
    if quiet:
        lines.append(("", f"Quiet because acknowledged: {len(quiet)}"))
    return lines


def _wrapped(text: str, width: int, bullet: str = "", later: str | None = None) -> str:
    """Text in lines of a width; a path longer than that is not cut."""
    indent = " " * len(bullet) if later is None else later
    return textwrap.fill(
        text, max(width, 20), initial_indent=bullet, subsequent_indent=indent,
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip


def fitted(text: str, width: int) -> str:
    """Return text with every line that is wider than ``width`` wrapped, its indent kept."""
    lines = []
    for line in text.split("\n"):
        indent = line[: len(line) - len(line.lstrip())]
        lines.append(line if len(line) <= width else _wrapped(line.strip(), width, indent, f"{indent}  "))
    return "\n".join(lines)


def _escaped(text: str) -> str:
    """Text that Markdown shows as it is and cannot take for markup."""
    return re.sub(r"([\\`*_{}\[\]<>#|!])", r"\\\1", " ".join(text.split()))
