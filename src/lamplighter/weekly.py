"""The weekly job: collect, assess, compare with last time, plan visits, publish, prune, mail."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date as calendar_date
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd

from lamplighter import mail
from lamplighter.checkins import empty_rejects
from lamplighter.compare import Comparison, note_changes, read_acknowledged
from lamplighter.errors import InputError
from lamplighter.fleet import ASIDE, read_register
from lamplighter.intake.store import History, collect
from lamplighter.intake.store.disk import writing
from lamplighter.outputs import write_outputs
from lamplighter.pipeline import assess
from lamplighter.results import SEVERITIES, Assessment, Item, read_assessment
from lamplighter.screen import summary_markdown, summary_text
from lamplighter.settings import Settings, read_settings
from lamplighter.settings.weekly import WeeklySettings
from lamplighter.triage.papers import attach_plan, write_visits
from lamplighter.triage.visits import VisitPlan
from lamplighter.wording import DAY_S, count, duration, instant, joined, moment, percent

QUIET, NEEDS_A_PERSON, COULD_NOT_RUN, DATA_LACKING = 0, 1, 2, 3
"""Exit codes of the weekly job."""

WEEK_FOLDER = re.compile(r"(\d{4})-W(\d{2})")
WEEK_S = 7 * DAY_S
Progress = Callable[[int, int], None]


@dataclass(frozen=True, kw_only=True)
class Places:
    """Folders and files of a weekly job, resolved; None for a file that is not there."""

    inbox: Path
    history: Path
    reports: Path
    register: Path | None
    worklog: Path | None
    acknowledged: Path | None


@dataclass(frozen=True, kw_only=True)
class WeeklyRun:
    """What one run of the weekly job did.

    Attributes
    ----------
    exit_code : int
        0 quiet, 1 something needs a person, 3 data are stale or incomplete.
    folder : Path
        The published report.
    summary : str
        The text of ``summary.txt``.
    problems : tuple of str
        What was wrong with the exports, in plain words.
    """

    exit_code: int
    folder: Path
    summary: str
    problems: tuple[str, ...] = ()
    pruned: tuple[str, ...] = field(default=())


def run_weekly(settings_file: str | Path, *, now: float, progress: Progress | None = None) -> WeeklyRun:
    """Do the week's work.

    Parameters
    ----------
    settings_file : path
        Its section ``[weekly]`` names the folders, relative to the file itself.
    now : float
        The time by the clock [s since 1970-01-01 UTC]; names the week and tells stale data.
    progress : callable, optional
        Called with the number of nodes done and in all.

    Returns
    -------
    WeeklyRun

    Raises
    ------
    InputError
        When the job cannot run at all: no data ever, a wrong settings file, another run at work.
    """
    settings = read_settings(settings_file)
    places = places_of(settings.weekly, Path(settings_file).resolve().parent)
    places.reports.mkdir(parents=True, exist_ok=True)
    with writing(places.reports, settings.history.wait_s):
        rejects, problems, collected = gather(places, settings)
        source = History(places.history)
        assessment = assess(
            source, places.register, places.worklog, settings, as_of=min(now, source.span()[1]), progress=progress
        )
        week = week_name(now, settings.timezone)
        comparison = against_last(assessment, places, week, settings)
        lacking = lacks(assessment, comparison, now, settings.weekly)
        # Work that was logged and not understood is told to whoever reads only the summary, too.
        aside = [text for text in assessment.assumptions if ASIDE in text]
        notes = (
            *problems,
            *lacking,
            *aside,
            *([] if collected or problems else ["no new export arrived since the last run"]),
        )
        assessment.warnings = [*problems, *lacking]
        # When data are stale the trips still lie ahead of today, not of the last check-in.
        plan = attach_plan(replace(assessment, as_of=max(assessment.as_of, now)), settings)
        trips = next_visits(plan)
        text = summary_text(assessment, notes, trips)
        summaries = {"summary.txt": text, "summary.md": summary_markdown(assessment, notes, trips)}
        folder = publish(assessment, rejects, plan, places.reports, week, summaries)
        pruned = prune(places.reports, week, settings.weekly.keep_weeks)
    code = DATA_LACKING if lacking or problems else NEEDS_A_PERSON if needed(assessment, settings.weekly) else QUIET
    failed = post(settings, week, assessment, text)
    return WeeklyRun(exit_code=code, folder=folder, summary=text, problems=(*notes, *failed), pruned=pruned)


def places_of(weekly: WeeklySettings, base: Path) -> Places:
    """Resolve the paths of ``[weekly]``; a file named other than the default must be there.

    Raises
    ------
    InputError
        When a file that the settings name is missing.
    """

    def file(name: str) -> Path | None:
        path = base / getattr(weekly, name)
        if path.exists():
            return path
        if getattr(weekly, name) != getattr(WeeklySettings(), name):
            raise InputError(f"the {name} of [weekly] is not there", file=path, remedy="correct the path")
        return None

    return Places(
        inbox=base / weekly.inbox,
        history=base / weekly.history,
        reports=base / weekly.reports,
        register=file("register"),
        worklog=file("worklog"),
        acknowledged=file("acknowledged"),
    )


def gather(places: Places, settings: Settings) -> tuple[pd.DataFrame, list[str], int]:
    """Collect what the inbox holds into the history; a broken file is reported and does not stop the others.

    Returns
    -------
    tuple of DataFrame, list of str and int
        Rejected records of this week, problems in plain words, and how many exports were new.

    Raises
    ------
    InputError
        When there is no export and no history either.
    """
    files = sorted(p for p in places.inbox.rglob("*") if p.is_file() and not p.name.startswith("."))
    units = {}
    if places.register is not None:
        units = {n: e.unit for n, e in read_register(places.register, settings.timezone)[0].items()}
    problems: list[str] = []
    rejects, collected = empty_rejects(), 0
    if files:
        try:
            # The folder, not its files one by one: a broken one is then noted and does not stop the others.
            result = collect([places.inbox], places.history, settings, units=units)
            rejects, collected = result.rejects, len(result.files)
            problems += [f"not collected: {f.file}: {f.problem}" for f in result.account.files if f.problem]
        except InputError as bad:
            problems.append(f"not collected: {bad}")
    if not (places.history / "manifest.json").exists():
        reason = f"none of {count(len(files), 'file')} could be read" if files else "the inbox is empty"
        raise InputError(f"there is no data: {reason}", file=places.inbox, remedy="put an export there")
    return rejects, problems, collected


def against_last(assessment: Assessment, places: Places, week: str, settings: Settings) -> Comparison | None:
    """Compare with the newest earlier week's assessment, and write the changes into this one."""
    known = read_acknowledged(places.acknowledged, settings.timezone)
    earlier = [w for w in published(places.reports) if w < week]
    old = None
    if earlier:
        with suppress(InputError):  # written by another version: this week starts anew
            old = read_assessment(places.reports / earlier[-1])
    return note_changes(assessment, old, settings, known)


def lacks(assessment: Assessment, comparison: Comparison | None, now: float, weekly: WeeklySettings) -> list[str]:
    """Say in plain words whether the data are stale or incomplete."""
    said = []
    age = now - assessment.end
    if age > weekly.stale_hours * 3600:
        said.append(f"data are stale: the last check-in came {moment(assessment.end)}, {duration(age)} ago")
    said += [f"data are incomplete: {f.evidence}" for f in assessment.findings if f.kind == "export_partial"]
    before = comparison.since if comparison else assessment.as_of - WEEK_S
    rows = [r for r in assessment.nodes if r.first_seen is not None and r.last_seen is not None]
    then = [r for r in rows if r.first_seen <= before and r.last_seen > before - WEEK_S]  # type: ignore[operator]
    fresh = [r for r in then if r.last_seen > before]  # type: ignore[operator]
    if then and assessment.as_of > before and len(fresh) < weekly.fresh_nodes_share * len(then):
        silent = sorted(r.node for r in then if r not in fresh)
        said.append(
            f"data are incomplete: only {percent(len(fresh) / len(then))} of last week's nodes are in this week's; "
            f"missing are {joined(silent)}"
        )
    return said


def needed(assessment: Assessment, weekly: WeeklySettings) -> list[Item]:
    """Return the items at the notify level or worse that nobody has acknowledged."""
    quiet = {a["id"] for a in assessment.changes.get("acknowledged", ())}
    levels = SEVERITIES[: SEVERITIES.index(weekly.notify_at) + 1]
    return [i for i in assessment.items if i.status in levels and (not i.findings or set(i.findings) - quiet)]


def week_name(now: float, timezone: str) -> str:
    """Return the ISO 8601 week of an instant in a zone: ``2026-W48``."""
    year, week, _ = instant(now).astimezone(ZoneInfo(timezone)).isocalendar()
    return f"{year}-W{week:02d}"


def published(reports: Path) -> list[str]:
    """Return the names of the weeks that are published, oldest first."""
    if not reports.is_dir():
        return []
    return sorted(p.name for p in reports.iterdir() if p.is_dir() and WEEK_FOLDER.fullmatch(p.name))


def next_visits(plan: VisitPlan) -> list[str]:
    """Return the visits of the coming week, one line each."""
    until = instant(plan.as_of + WEEK_S).date()
    return [
        f"{v.day:%a} {v.day.day} {v.day:%b}, {v.place}: {joined([j.subject for j in v.jobs])} ({v.crew})"
        for v in plan.visits
        if v.day <= until
    ]


def publish(
    assessment: Assessment,
    rejects: pd.DataFrame,
    plan: VisitPlan,
    reports: Path,
    week: str,
    summaries: Mapping[str, str],
) -> Path:
    """Write the week's folder aside and move it into place at once, then move the pointer ``latest``.

    Raises
    ------
    InputError
        When the folder cannot be written; the published weeks are left as they were.
    """
    aside, target = reports / f".{week}.new", reports / week
    try:
        shutil.rmtree(aside, ignore_errors=True)
        write_outputs(assessment, rejects, aside)
        earlier = [w for w in published(reports) if w < week]
        write_visits(plan, aside, previous=reports / earlier[-1] if earlier else None)
        for name, text in summaries.items():
            (aside / name).write_text(text, encoding="utf-8")
        _replace_folder(aside, target)
        _point_to(reports, week)
    except OSError as bad:
        raise InputError(f"cannot publish: {bad.strerror}", file=target, remedy="check the disk and rights") from bad
    return target


def _replace_folder(aside: Path, target: Path) -> None:
    old = target.with_name(f".{target.name}.old")
    shutil.rmtree(old, ignore_errors=True)
    if target.exists():
        os.replace(target, old)
    os.replace(aside, target)
    shutil.rmtree(old, ignore_errors=True)


def _point_to(reports: Path, week: str) -> None:
    """Make ``latest`` a link to the week where links are allowed, and name the week in latest.txt everywhere."""
    aside = reports / ".latest.new"
    aside.write_text(week + "\n", encoding="utf-8")
    os.replace(aside, reports / "latest.txt")
    try:
        aside.unlink(missing_ok=True)
        aside.symlink_to(week, target_is_directory=True)
        os.replace(aside, reports / "latest")
    except OSError:  # a system without links: latest.txt is the pointer
        aside.unlink(missing_ok=True)


def prune(reports: Path, week: str, keep_weeks: int) -> tuple[str, ...]:
    """Delete published weeks older than ``keep_weeks``; return their names."""
    oldest = _monday(week) - timedelta(weeks=keep_weeks)
    old = [w for w in published(reports) if _monday(w) < oldest]
    for name in old:
        shutil.rmtree(reports / name, ignore_errors=True)
    return tuple(old)


def _monday(week: str) -> calendar_date:
    year, number = WEEK_FOLDER.fullmatch(week).groups()  # type: ignore[union-attr]
    try:
        return calendar_date.fromisocalendar(int(year), int(number), 1)
    except ValueError:  # a folder named for a week that no year has: leave it alone
        return calendar_date.max


def post(settings: Settings, week: str, assessment: Assessment, text: str) -> list[str]:
    """Mail the summary when the settings ask for it; a failure is reported, never fatal."""
    if not mail.wanted(settings):
        return []
    people = needed(assessment, settings.weekly)
    subject = (
        f"Lamplighter {week}: {count(len(people), 'item')} for a person" if people else f"Lamplighter {week}: quiet"
    )
    try:
        mail.send(settings, subject, text)
    except InputError as bad:
        return [str(bad)]
    return []


def clock() -> float:
    """Return the time by the clock [s since 1970-01-01 UTC]."""
    return datetime.now().timestamp()
