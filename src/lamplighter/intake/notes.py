"""What was noticed while reading, in plain words for the data-quality account."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from lamplighter.checkins import FileAccount, Note
from lamplighter.intake.convert import Job
from lamplighter.wording import count, joined


def notes_of_jobs(jobs: Sequence[tuple[str, Job]]) -> list[Note]:
    """Return what was noticed in the exports, like things from several exports together."""
    out: list[Note] = []
    for text, files in _grouped((n, name) for name, job in jobs for n in job.plan.notes):
        out.append(Note(kind="assumed", text=f"{_files(files)}: {text}."))
    for text, files in _grouped((joined(job.plan.ignored), name) for name, job in jobs if job.plan.ignored):
        out.append(Note(kind="ignored_columns", text=f"{_files(files)}: columns not used: {text}."))
    noticed = [job.noticed for _, job in jobs]
    out += _zone_notes(jobs)
    out += _value_notes(jobs)
    strange = sum((n.strange for n in noticed), Counter())
    if strange:
        shown = joined([f"{t!r} ({c:,})" for t, c in sorted(strange.items(), key=lambda s: (-s[1], s[0]))])
        out.append(Note(kind="strange_text", text=f"Texts in place of numbers were taken as missing: {shown}."))
    codes = sorted(set().union(*(n.unknown_codes for n in noticed)))
    if codes:
        out.append(Note(kind="unknown_quality", text=f"Quality codes not understood, taken as good: {joined(codes)}."))
    tags = sum((n.unknown_tags for n in noticed), Counter())
    if tags:
        shown = joined(sorted(tags))
        hint = 'say what they are in the settings, for example [tags] reading = "PRES"'
        out.append(Note(kind="unknown_tags", text=f"Tags that name no known measure: {shown}; {hint}."))
    return out


def _zone_notes(jobs: Sequence[tuple[str, Job]]) -> list[Note]:
    out = []
    skipped = sum(job.noticed.skipped_hour for _, job in jobs)
    repeated = sum(job.noticed.repeated_hour for _, job in jobs)
    zones = joined(sorted({job.plan.zone for _, job in jobs if not job.plan.form.offset and job.plan.zone != "UTC"}))
    if repeated:
        text = f"{count(repeated, 'time')} in the hour that the clocks repeat were put in order of arrival ({zones})."
        out.append(Note(kind="repeated_hour", text=text))
    if skipped:
        text = (
            f"{count(skipped, 'time')} fall in the hour that the clocks skip ({zones}) and were read as standard time; "
            "if the export never changes its clock, set timezone to a fixed one."
        )
        out.append(Note(kind="skipped_hour", text=text))
    return out


def _value_notes(jobs: Sequence[tuple[str, Job]]) -> list[Note]:
    out = []
    noticed = [job.noticed for _, job in jobs]
    millivolts = sum(n.millivolts for n in noticed)
    if millivolts:
        out.append(
            Note(kind="millivolts", text=f"{count(millivolts, 'battery value')} in millivolts turned into volts.")
        )
    if any(n.percent for n in noticed):
        out.append(Note(kind="battery_percent", text=PERCENT))
    if any(n.rssi_percent for n in noticed):
        out.append(Note(kind="rssi_percent", text="Signal strength is in percent, not dBm: it was left out."))
    converted: dict[tuple[str, str], set[str]] = {}
    clash: dict[tuple[str, str], set[str]] = {}
    for n in noticed:
        for store, found in ((converted, n.converted), (clash, n.clash)):
            for node, pair in found.items():
                store.setdefault(pair, set()).add(node)
    for (a, b), nodes in sorted(converted.items()):
        text = f"Readings in {a} were turned into {b}, the register's unit, for {joined(sorted(nodes))}."
        out.append(Note(kind="converted", text=text, nodes=tuple(sorted(nodes))))
    for (a, b), nodes in sorted(clash.items()):
        text = f"The export says {a} and the register {b} for {joined(sorted(nodes))}: readings were left as they are."
        out.append(Note(kind="unit_clash", text=text, nodes=tuple(sorted(nodes))))
    return out


def duplicate_notes(files: Sequence[FileAccount], duplicates: int) -> list[Note]:
    """Return a note on records that stood in the exports more than once, and one on exports that break off."""
    out = []
    if duplicates:
        among = sum(f.duplicates > 0 for f in files)
        where = count(among, "file")
        text = f"{count(duplicates, 'record')} of the same node and time as another, in {where}: counted once."
        out.append(Note(kind="duplicates", text=text))
    for f in files:
        if f.problem:
            out.append(Note(kind="problem", text=f"{f.problem if f.file in f.problem else f'{f.file}: {f.problem}'}."))
    return out


PERCENT = (
    "Battery charge is in percent, which is no voltage: it was left out, and battery end dates cannot be told from it."
)


def _grouped(pairs: Iterable[tuple[str, str]]) -> list[tuple[str, list[str]]]:
    groups: dict[str, list[str]] = {}
    for text, name in pairs:
        groups.setdefault(text, []).append(name)
    return sorted(groups.items())


def _files(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{len(names)} files"
