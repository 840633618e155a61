"""How exports would be read, without reading all of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from lamplighter.checkins import CheckIns, Note
from lamplighter.errors import InputError
from lamplighter.intake.files import Broken, Export, find_exports
from lamplighter.intake.names import heading_of
from lamplighter.intake.plan import TAGS, WIDE, Plan
from lamplighter.intake.planning import plan_all
from lamplighter.intake.read import Run, finished, read_one
from lamplighter.intake.recognise import tag_rules
from lamplighter.settings import Settings, settings_toml

MEANINGS = {
    "node": "node",
    "time": "time",
    "date": "date",
    "clock": "time of day",
    "reading": "reading",
    "battery_v": "battery voltage",
    "rssi_dbm": "signal strength (RSSI)",
    "temperature_c": "temperature",
    "quality": "quality",
    "sequence": "sequence number",
    "tag": "tag: node and measure",
    "measure": "measure",
    "unit": "unit",
    "": "not used",
}


@dataclass(frozen=True, kw_only=True)
class ColumnView:
    """One column of an export: its heading, the column of the check-in table it means, its unit, a cell of it."""

    heading: str
    meaning: str
    unit: str = ""
    example: str = ""


@dataclass(frozen=True, kw_only=True)
class FilePreview:
    """How one export, and those like it, would be read.

    Attributes
    ----------
    files : tuple of str
        The export looked at, then those with the same headings and form.
    layout, text, time, zone, quality : str
        In plain words.
    columns : tuple of ColumnView
    nodes : int
    interval_s : float
        Typical spacing of a node's check-ins [s]; NaN when there are too few.
    start, end : float
        First and last check-in looked at [s since 1970-01-01 UTC].
    first_rows : DataFrame
        The first check-ins as they would be read.
    records, rejected, duplicates : int
        Of the part looked at.
    partial : bool
        Whether only the first part of the file was looked at.
    reasons : dict of str to int
    rejects : DataFrame
        The first records that would be rejected.
    notes : tuple of Note
    settings : str
        Lines of a settings file that pin this reading down.
    problem : str
        Why it cannot be read; then the rest is empty.
    """

    files: tuple[str, ...]
    layout: str = ""
    text: str = ""
    time: str = ""
    zone: str = ""
    quality: str = ""
    columns: tuple[ColumnView, ...] = ()
    nodes: int = 0
    interval_s: float = float("nan")
    start: float = float("nan")
    end: float = float("nan")
    first_rows: pd.DataFrame = field(default_factory=pd.DataFrame)
    records: int = 0
    rejected: int = 0
    duplicates: int = 0
    partial: bool = False
    reasons: dict[str, int] = field(default_factory=dict)
    rejects: pd.DataFrame = field(default_factory=pd.DataFrame)
    notes: tuple[Note, ...] = ()
    settings: str = ""
    problem: str = ""


@dataclass(frozen=True)
class Preview:
    """How exports would be read; like ones together."""

    files: tuple[FilePreview, ...]

    @property
    def readable(self) -> bool:
        """Whether any of them can be read."""
        return any(not f.problem for f in self.files)


def preview(
    paths: str | Path | Iterable[str | Path],
    settings: Settings | None = None,
    *,
    units: Mapping[str, str] | None = None,
) -> Preview:
    """Show how exports would be read, from the first part of one of each kind.

    Parameters
    ----------
    paths : path or iterable of paths
        Files, folders or globs.
    settings : Settings, optional
    units : mapping of node to unit, optional
        Unit of each node's reading in the register.

    Returns
    -------
    Preview
        Files that cannot be read are in it, with the reason.

    Raises
    ------
    InputError
        When the paths name nothing.
    """
    settings = settings or Settings()
    planned = plan_all(find_exports(paths, settings.intake.max_expansion), settings)
    groups: dict[object, list[tuple[Export | Broken, Plan | InputError]]] = {}
    for export, plan in planned:
        groups.setdefault(_kind(plan), []).append((export, plan))
    return Preview(tuple(_look(group, settings, dict(units or {})) for group in groups.values()))


def _kind(plan: Plan | InputError) -> object:
    if isinstance(plan, InputError):
        return plan.problem
    heading = tuple(sorted({t.measure for t in plan.tags.values()})) if plan.layout == WIDE else plan.heading
    return plan.layout, plan.encoding, plan.delimiter, heading, plan.heading_line, plan.form, plan.decimal, plan.codes


def _look(
    group: list[tuple[Export | Broken, Plan | InputError]], settings: Settings, units: dict[str, str]
) -> FilePreview:
    files = tuple(export.name for export, _ in group)
    export, plan = group[0]
    if isinstance(plan, InputError) or isinstance(export, Broken):
        return FilePreview(files=files, problem=str(plan))
    run = Run()
    try:
        whole = read_one(export, plan, 0, run, settings, units, most_blocks=1)
        got = finished(run, settings, units, 1)
    except InputError as bad:
        return FilePreview(files=files, problem=str(bad))
    start, end = got.span()
    account = got.account
    return FilePreview(
        files=files,
        layout=plan.layout,
        text=plan.text_words,
        time=plan.time_words,
        zone="" if plan.form.offset else plan.zone,
        quality=_quality(plan),
        columns=_columns(plan),
        nodes=len(got.nodes()),
        interval_s=typical_interval(got),
        start=start,
        end=end,
        first_rows=got.table.sort_values(["time", "node"], kind="stable").head(5).reset_index(drop=True),
        records=account.records_read,
        rejected=account.rejected,
        duplicates=account.duplicates,
        partial=not whole,
        reasons=account.reasons,
        rejects=got.rejects.head(5),
        notes=account.notes,
        settings=pinned(plan, settings),
    )


def typical_interval(got: CheckIns) -> float:
    """Return the median over nodes of the median spacing of check-ins [s]; NaN when no node has two."""
    spacings = [float(np.median(np.diff(t))) for n in got.nodes() for t in (got.arrays(n).time,) if len(t) > 1]
    return float(np.median(spacings)) if spacings else float("nan")


def _quality(plan: Plan) -> str:
    if "quality" not in plan.columns:
        return "none"
    known = {
        "classic": "OPC Classic numbers",
        "ua": "OPC UA status codes",
        "words": "words",
        "one is good": "1 is good, others bad",
    }
    return known.get(plan.codes, "not understood, ignored")


def _columns(plan: Plan) -> tuple[ColumnView, ...]:
    role_of = {c: r for r, c in plan.columns.items()}
    views = []
    for i, heading in enumerate(plan.heading):
        example = next((r[i].strip() for r in plan.sample if i < len(r) and r[i].strip()), "")
        tag = plan.tags.get(i)
        if tag is not None:
            meaning = f"{MEANINGS.get(tag.measure, tag.measure)} of {tag.node}"
            views.append(ColumnView(heading=heading, meaning=meaning, unit=tag.unit, example=example))
        elif heading or i in role_of:
            unit = plan.units.get(role_of.get(i, ""), heading_of(heading).unit if i in role_of else "")
            views.append(ColumnView(heading=heading, meaning=MEANINGS[role_of.get(i, "")], unit=unit, example=example))
    return tuple(views)


def pinned(plan: Plan, settings: Settings) -> str:
    """Return the lines of a settings file that pin a reading down."""
    columns = {r: plan.heading[c] for r, c in plan.columns.items()}
    changes: dict[str, object] = {"delimiter": plan.delimiter, "decimal": plan.decimal, "encoding": plan.encoding}
    if plan.form.kind == "text" and plan.form.order in ("day first", "month first"):
        changes["date_order"] = plan.form.order
    if "quality" in plan.columns and plan.codes in ("classic", "ua", "one is good", "none"):
        changes["quality_codes"] = plan.codes
    lines = [] if plan.form.offset or plan.form.kind.startswith("epoch") else [f'timezone = "{plan.zone}"']
    lines += ["[columns]", *(_line(k, v) for k, v in columns.items())]
    tags = tag_names(plan, settings)
    if tags:
        lines += ["[tags]", *(_line(k, v) for k, v in tags.items())]
    lines += ["[intake]", *(_line(k, str(v)) for k, v in changes.items())]
    return "\n".join(lines)


def tag_names(plan: Plan, settings: Settings) -> dict[str, str]:
    """Return the names of measures in an export's tags and the columns they mean."""
    rules = tag_rules(settings)
    if plan.layout == WIDE:
        texts = [plan.heading[i] for i in plan.tags]
    elif plan.layout == TAGS and "tag" in plan.columns:
        texts = [r[plan.columns["tag"]] for r in plan.sample if plan.columns["tag"] < len(r)]
    else:
        return {}
    out = {}
    for text in texts:
        tag = rules.split(text)
        rest = (
            text.strip()[len(tag.path) :].strip(" ._/\\|:-") if tag.path and text.strip().startswith(tag.path) else ""
        )
        if (
            tag.measure in ("reading", "battery_v", "rssi_dbm", "temperature_c", "quality", "sequence")
            and rest
            and not tag.guessed
        ):
            out[rest] = tag.measure
    return dict(sorted(out.items()))


def _line(key: str, value: str) -> str:
    section = settings_toml(Settings(columns={key: value})).split("[columns]\n")[1]
    return section.splitlines()[0]
