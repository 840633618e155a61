"""A fleet as the files a site would hold: exports in one of three layouts, register, work log, truth."""

from __future__ import annotations

import gzip
import io
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from lamplighter.simulate.build import SimulatedFleet

LAYOUTS = ("plain", "tags", "wide")
TAG_OF = {"reading": "PV", "battery_v": "VBAT", "rssi_dbm": "RSSI", "temperature_c": "TEMP", "sequence": "SEQ"}
"""Last part of the tags, AREA.NODE.MEASURE; the scheme is invented."""
QUALITY = np.array([192, 64, 0])
"""Good, uncertain and bad as OPC Classic numbers."""
WIDE_NODES = 8
"""Nodes in one file of the layout with a column a tag."""
INSTANTS = ("start", "end", "eol_date", "first_below", "time", "battery_installed")


def write_fleet(
    fleet: SimulatedFleet, folder: str | Path, layout: str = "plain", *, compress: bool = True, flaws: bool = True
) -> list[Path]:
    """Write a fleet into a folder.

    Parameters
    ----------
    fleet : SimulatedFleet
    folder : path
        Made when missing; gets ``exports/``, or ``exports-LAYOUT/`` for each layout when all are asked for,
        and ``register.csv``, ``worklog.csv``, ``truth.csv``, ``counts.csv``.
    layout : str
        ``plain``, ``tags``, ``wide`` or ``all``.
    compress : bool
        Write .csv.gz, the same bytes for the same fleet.
    flaws : bool
        With rows that come late and rows that come twice, as historians have them.

    Returns
    -------
    list of Path
        The files written.
    """
    return write_parts([fleet], folder, layout, compress=compress, flaws=flaws)


def write_parts(
    parts: Iterable[SimulatedFleet],
    folder: str | Path,
    layout: str = "plain",
    *,
    compress: bool = True,
    flaws: bool = True,
) -> list[Path]:
    """Write a fleet that comes in parts, from :func:`simulate_parts`; see :func:`write_fleet`."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    written, frames = [], {name: [] for name in ("register", "worklog", "truth", "counts")}
    for fleet in parts:
        for name in LAYOUTS if layout == "all" else (layout,):
            into = folder / (f"exports-{name}" if layout == "all" else "exports")
            into.mkdir(exist_ok=True)
            for stem, text in export_texts(fleet, name, flaws=flaws):
                written.append(_write(into / f"{stem}{fleet.part and '-part' + fleet.part}", text, compress))
        for name, held in frames.items():
            held.append(getattr(fleet, name))
    for name, held in frames.items():
        by = ["time", "node"] if name == "worklog" else ["node"]
        whole = pd.concat(held) if len(held) > 1 else held[0]
        whole = whole.sort_values(by, kind="stable") if len(held) > 1 else whole
        written.append(_write(folder / name, frame_csv(whole), compress=False))
    return written


def _write(stem: Path, text: str, compress: bool) -> Path:
    data = text.encode()
    path = stem.with_name(f"{stem.name}.csv{'.gz' if compress else ''}")
    path.write_bytes(gzip.compress(data, 9, mtime=0) if compress else data)
    return path


def frame_csv(frame: pd.DataFrame) -> str:
    """Return a frame of the fleet as CSV, instants as ISO 8601 UTC."""
    out = frame.copy()
    for name in out.columns:
        if name in INSTANTS:
            out[name] = [iso(v) for v in out[name]]
        elif name == "rests_at_zero":
            out[name] = [{True: "yes", False: "no"}.get(v, "") for v in out[name]]
        elif out[name].dtype == float:
            out[name] = [_short(v) for v in out[name]]
    return out.to_csv(index=False, lineterminator="\n")


def iso(seconds: float) -> str:
    """Return an instant as ISO 8601 UTC, empty for NaN."""
    return "" if not np.isfinite(seconds) else str(np.datetime64(round(seconds), "s")) + "Z"


def _short(value: float) -> str:
    return "" if value != value else f"{value:.6g}" if abs(value) < 1e6 else f"{value:.0f}"


def export_texts(fleet: SimulatedFleet, layout: str, *, flaws: bool = True) -> Iterator[tuple[str, str]]:
    """Yield file stem and text of every export of a layout, one file a month (and a group of nodes when wide)."""
    table = fleet.checkins.table
    month = table["time"].dt.strftime("%Y-%m")
    for name in sorted(month.unique()):
        part = table[(month == name).to_numpy()]
        if layout == "plain":
            yield f"checkins-{name}", plain_text(_flawed(part, fleet, name) if flaws else part)
        elif layout == "tags":
            yield f"tags-{name}", tags_text(part, fleet)
        elif layout == "wide":
            nodes = [n for n in table["node"].cat.categories if n in set(part["node"])]
            for k in range(0, len(nodes), WIDE_NODES):
                group = part[part["node"].isin(nodes[k : k + WIDE_NODES])]
                yield f"wide-{name}-{k // WIDE_NODES + 1:02d}", wide_text(group, fleet)
        else:
            raise ValueError(f"layout {layout!r} is not one of {', '.join(LAYOUTS)}, all")


def _flawed(part: pd.DataFrame, fleet: SimulatedFleet, month: str) -> pd.DataFrame:
    """Sorted by time as it arrived: a few rows late by hours, a few twice."""
    rng = fleet.options.rng("flaws", month, *filter(None, [fleet.part]))
    n = len(part)
    late = np.where(rng.random(n) < 0.003, rng.exponential(6 * 3_600, n), 0.0)
    arrived = part["time"].astype("int64").to_numpy() / 1e6 + late
    order = np.argsort(arrived, kind="stable")
    return part.iloc[np.repeat(order, np.where(rng.random(n) < 0.001, 2, 1))]


def _stamps(part: pd.DataFrame, unit: str = "s") -> np.ndarray:
    seconds = part["time"].dt.tz_localize(None).to_numpy().astype(f"datetime64[{unit}]")
    return np.char.add(np.datetime_as_string(seconds), "Z")


def _texts(values: np.ndarray) -> np.ndarray:
    """Numbers as short text, empty for NaN."""
    known, place = np.unique(values, return_inverse=True)
    return np.array(["" if v != v else f"{v:.6g}" for v in known], dtype=object)[place]


def plain_text(part: pd.DataFrame) -> str:
    """One row a check-in."""
    columns = {"node": part["node"].astype(str).to_numpy(), "time": _stamps(part)}
    columns |= {name: _texts(part[name].to_numpy()) for name in ("reading", "battery_v", "rssi_dbm", "temperature_c")}
    columns["quality"] = np.array(["good", "uncertain", "bad"], dtype=object)[part["quality"].to_numpy()]
    if part["sequence"].notna().any():
        columns["sequence"] = _texts(part["sequence"].to_numpy())
    return _csv(columns)


def _csv(columns: dict[str, np.ndarray]) -> str:
    out = io.StringIO()
    out.write(",".join(columns) + "\n")
    out.writelines(",".join(row) + "\n" for row in zip(*(c.tolist() for c in columns.values()), strict=True))
    return out.getvalue()


def _area(gateway: str) -> str:
    return gateway.replace("GW-", "QV-")


def tag_prefixes(fleet: SimulatedFleet) -> dict[str, str]:
    """AREA.NODE of every node seen."""
    counts = fleet.counts
    return {n: f"{_area(g)}.{n}" for n, g in zip(counts["node"], counts["gateway"], strict=True)}


def tags_text(part: pd.DataFrame, fleet: SimulatedFleet) -> str:
    """One row a tag and time."""
    prefix = part["node"].astype(str).map(tag_prefixes(fleet)).to_numpy(dtype=object)
    stamp, quality = _stamps(part), QUALITY[part["quality"].to_numpy()].astype(str)
    blocks = []
    for name, tag in TAG_OF.items():
        values = part[name].to_numpy()
        known = np.isfinite(values)
        blocks.append(
            (prefix[known] + f".{tag}", stamp[known], _texts(values[known]), quality[known], np.flatnonzero(known))
        )
    order = np.argsort(np.concatenate([b[4] for b in blocks]), kind="stable")
    tag, time, value, good = (np.concatenate([b[k] for b in blocks])[order] for k in range(4))
    return _csv({"tag": tag, "time": time, "value": value, "quality": good})


def wide_text(part: pd.DataFrame, fleet: SimulatedFleet) -> str:
    """Time, then one column a tag; stamps to the minute."""
    prefix = tag_prefixes(fleet)
    stamp = _stamps(part, "m")
    times, row = np.unique(stamp, return_inverse=True)
    columns: dict[str, np.ndarray] = {"time": times}
    for node in sorted(part["node"].astype(str).unique()):
        mine = (part["node"] == node).to_numpy()
        for name, tag in TAG_OF.items():
            values = part[name].to_numpy()[mine]
            if np.isfinite(values).any():
                cells = np.full(len(times), "", dtype=object)
                cells[row[mine]] = _texts(values)
                columns[f"{prefix[node]}.{tag}"] = cells
    return _csv(columns)
