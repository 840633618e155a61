"""The data-quality account, the settings used, and when not to trust the page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from lamplighter.report.common import Source
from lamplighter.report.model import DataAccount, Fact, SettingLine
from lamplighter.report.wording import CAUSES_OF_GAPS, CHECKS
from lamplighter.settings import Section, Settings
from lamplighter.wording import count, date, duration, joined, known, moment

MOST_OUTAGES = 40


def data_account(source: Source) -> DataAccount:
    """Return where every record went, in words."""
    a = source.assessment
    account = a.account
    sentence = (
        f"{account.records_read:,} records read = {account.kept:,} kept + {account.duplicates:,} duplicates"
        f" + {account.rejected:,} rejected. They make {count(account.check_ins, 'check-in')}."
    )
    if account.set_aside:
        sentence += f" Set aside as later than the present: {count(account.set_aside, 'check-in')}."
    outages = sorted(a.outages, key=lambda o: (-o.start, o.subject))
    return DataAccount(
        sentence=sentence,
        balanced=account.balanced,
        files=tuple(
            (
                f.file,
                f.problem or f.layout,
                f"{f.records_read:,}",
                f"{f.kept:,}",
                f"{f.duplicates:,}",
                f"{f.rejected:,}",
                f.reading_notes,
            )
            for f in account.files
        ),
        reasons=tuple(
            Fact(label=reason, value=f"{n:,}")
            for reason, n in sorted(account.reasons.items(), key=lambda r: (-r[1], r[0]))
        ),
        notes=tuple(_note(n) for n in account.notes),
        outages=tuple(
            (
                o.subject or "all",
                {"gateway": "Gateway", "group": "Several gateways", "host": "Host or historian"}.get(o.level, o.level),
                moment(o.start),
                "still going on" if o.open else duration(o.end - o.start),
                f"{o.nodes:,}",
            )
            for o in outages[:MOST_OUTAGES]
        ),
        outages_more=max(0, len(outages) - MOST_OUTAGES),
        gaps=_gap_facts(source),
    )


def _note(note: Any) -> str:
    return f"{note.text} ({joined(note.nodes, 6)})" if note.nodes else note.text


def _gap_facts(source: Source) -> tuple[Fact, ...]:
    missed: dict[str, list[int]] = {}
    for gap in source.assessment.gaps:
        entry = missed.setdefault(gap.cause, [0, 0])
        entry[0] += 1
        entry[1] += gap.missed
    return tuple(
        Fact(
            label=f"Put down to {words}",
            value=f"{count(missed[cause][1], 'check-in')} in {count(missed[cause][0], 'gap')}",
        )
        for cause, words in CAUSES_OF_GAPS.items()
        if cause in missed
    )


def settings_used(used: Mapping[str, Any]) -> tuple[SettingLine, ...]:
    """Return every setting of a run with its unit and reason, those changed from their default first."""
    lines = []
    for f in fields(Settings):
        value = used.get(f.name)
        default = f.default_factory() if callable(f.default_factory) else f.default
        if isinstance(default, Section) and isinstance(value, Mapping):
            for g in fields(default):
                if g.name in value:
                    lines.append(_setting(f.name, g.name, value[g.name], getattr(default, g.name), g.metadata))
        elif value is not None:
            lines.append(_setting("", f.name, value, default, f.metadata))
    return tuple(sorted(lines, key=lambda s: not s.changed))


def _setting(section: str, name: str, value: Any, default: Any, metadata: Mapping[str, Any]) -> SettingLine:
    as_list = list(value) if isinstance(value, (list, tuple)) else value
    usual = list(default) if isinstance(default, (list, tuple)) else default
    return SettingLine(
        section=section,
        name=name,
        value=_shown(value),
        unit="" if metadata.get("unit") == "-" else str(metadata.get("unit", "")),
        reason=str(metadata.get("reason", "")),
        source=str(metadata.get("source", "")),
        changed=as_list != usual,
    )


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        return ", ".join(f"{k} = {v}" for k, v in value.items()) or "none"
    if isinstance(value, (list, tuple)):
        return ", ".join(map(str, value)) or "none"
    return "none" if value is None or value == "" else str(value)


def when_not_to_trust(source: Source) -> tuple[str, ...]:
    """Return what limits the page: what holds of these data first, then what always holds."""
    a = source.assessment
    own = []
    if known(a.end) and known(a.start) and a.end - a.start < 90 * 86_400:
        own.append(
            f"The record is short ({duration(a.end - a.start)}): a slow drift cannot be told from the season, "
            "and the longest silence a node is used to is not known yet."
        )
    if known(a.end) and a.as_of - a.end > 2 * 86_400:
        own.append(
            f"The last check-in is from {date(a.end)}, {duration(a.as_of - a.end)} before the present: "
            "what happened since is unseen."
        )
    if not a.account.balanced:
        own.append(
            "The records do not add up: some that were read are neither kept nor rejected. Treat every count with care."
        )
    problems = [f.file for f in a.account.files if f.problem]
    if problems:
        own.append(f"{count(len(problems), 'file')} could not be read: {joined(problems, 4)}.")
    return (*own, *_not_evaluated(source), *ALWAYS)


ALWAYS = (
    "A date is a forecast from the past of this battery or signal. A new load, a cold spell, a new obstacle or another "
    "cell type makes it wrong at once; the interval covers the spread seen so far, not a change of circumstances.",
    "A node that says nothing and a node that cannot be heard look the same from here. The causes and their "
    "probabilities are judgement by rule, not a diagnosis by someone who stood there.",
    "A flat reading can be the truth: a full tank, a shut valve. The run is called stuck only when the node's own past "
    "makes it improbable, and that past may hold too few calm spells.",
    "Exports that leave out repeated values, or fill them in, hide missed check-ins. Where that is seen it is said; "
    "where it is not seen, delivery is too rosy or too dark.",
    "Where something here and something on site disagree, believe the site, and log it: the next run will use it.",
)


def _not_evaluated(source: Source) -> list[str]:
    """Return one line a check that could not judge many nodes."""
    verdicts = source.assessment.verdicts
    lines = []
    for check, label in CHECKS.items():
        asked = [v[check] for v in verdicts.values() if check in v]
        unknown = [v for v in asked if v.state == "not evaluated"]
        if unknown and len(unknown) >= max(2, 0.1 * len(asked)):
            reasons: dict[str, int] = {}
            for v in unknown:
                reasons[v.reason] = reasons.get(v.reason, 0) + 1
            most = max(sorted(reasons), key=lambda r: reasons[r])
            lines.append(
                f"{label}: not evaluated for {len(unknown):,} of {count(len(asked), 'node')}. Most often: {most}"
            )
    return lines
