"""Fleets for the benchmark, made quickly: weather, radio noise, slowly emptying batteries, lost check-ins."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv

START = np.datetime64("2021-01-01", "s")
DAY = 86_400
MEASURES = ("reading", "battery_v", "rssi_dbm", "temperature_c")
TAG_OF = {"reading": "value", "battery_v": "battery", "rssi_dbm": "rssi", "temperature_c": "temperature"}


def node_name(k: int) -> str:
    """Return the name of a node by number."""
    return f"QV-{k:05d}"


def node_columns(k: int, first_day: int, days: int, interval_s: int = 900) -> dict[str, np.ndarray]:
    """Return some days of one node: ``time`` [s since 1970-01-01 UTC] and measures.

    Four nodes in ten are at fault: fading, near the end of the battery, drifting or stuck.
    """
    rng = np.random.default_rng((k, first_day))
    slot = np.arange(first_day * DAY // interval_s, (first_day + days) * DAY // interval_s)
    t = slot * float(interval_s)
    year, hour = t / (365.25 * DAY), t / 3600
    temperature = (
        12 - 11 * np.cos(2 * np.pi * year) - 6 * np.cos(2 * np.pi * (hour - 3) / 24) + rng.normal(0, 1, len(t))
    )
    fault = k % 10
    fade = 6.0 * year if fault == 1 else 0.0
    rssi = -78 - k % 17 - 0.1 * temperature - fade + rng.normal(0, 3, len(t))
    slope = 0.25 if fault == 2 else 0.02
    volts = 3.62 - slope * year + 0.001 * (temperature - 20) + rng.normal(0, 0.004, len(t))
    running = (hour % 24 > 6) & (hour % 24 < 18)
    reading = np.where(running, 40 + 8 * np.sin(hour / 50) + rng.normal(0, 0.3, len(t)), rng.normal(0, 0.05, len(t)))
    reading = reading + (0.6 * year if fault == 3 else 0.0)
    if fault == 4:
        reading[t > 60 * DAY] = 37.25
    jitter = rng.integers(-3, 4, len(t))
    heard = rng.random(len(t)) > 0.02
    columns = {
        "time": (START.astype("int64") + t + jitter + (k * 37) % interval_s).astype("int64"),
        "reading": np.round(reading, 2),
        "battery_v": np.round(volts, 3),
        "rssi_dbm": np.round(rssi),
        "temperature_c": np.round(temperature, 1),
    }
    return {name: column[heard] for name, column in columns.items()}


def month_days(months: int) -> Iterator[tuple[int, int]]:
    """Yield first day and number of days of each month, counted from the start."""
    edges = (START.astype("datetime64[M]") + np.arange(months + 1)).astype("datetime64[D]").astype("int64")
    for a, b in pairwise(edges):
        yield int(a - edges[0]), int(b - a)


def month_table(nodes: int, first_day: int, days: int) -> pa.Table:
    """Return a month of all nodes in the order of arrival, times as text."""
    parts = [node_columns(k, first_day, days) for k in range(nodes)]
    columns = {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}
    order = np.argsort(columns["time"], kind="stable")
    codes = np.repeat(np.arange(nodes, dtype=np.int32), [len(p["time"]) for p in parts])[order]
    names = pa.DictionaryArray.from_arrays(codes, [node_name(k) for k in range(nodes)]).cast(pa.string())
    stamps = np.char.add(np.datetime_as_string(columns.pop("time")[order].astype("datetime64[s]")), "Z")
    arrays = {"node": names, "time": pa.array(stamps)} | {n: pa.array(c[order]) for n, c in columns.items()}
    return pa.table(arrays)


def write_plain(folder: Path, nodes: int, months: int) -> list[Path]:
    """Write one row a check-in, one file a month."""
    return _write(folder, "plain", (month_table(nodes, a, n) for a, n in month_days(months)))


def write_tags(folder: Path, nodes: int, months: int) -> list[Path]:
    """Write one row a tag and time, one file a month."""
    return _write(folder, "tags", (_as_tags(month_table(nodes, a, n)) for a, n in month_days(months)))


def _as_tags(table: pa.Table) -> pa.Table:
    names = np.asarray(table["node"]).astype(object)
    blocks = [(names + f".{TAG_OF[m]}", np.asarray(table["time"]), table[m].to_numpy()) for m in MEASURES]
    order = np.arange(len(names) * len(MEASURES)).reshape(len(MEASURES), -1).T.ravel()
    tag, time, value = (np.concatenate([b[k] for b in blocks])[order] for k in range(3))
    return pa.table(
        {"tag": pa.array(tag, pa.string()), "time": pa.array(time), "value": value, "quality": np.full(len(tag), 192)}
    )


def write_wide(folder: Path, nodes: int, months: int) -> list[Path]:
    """Write one column a tag, on a grid of 15 minutes, one file a month."""
    return _write(folder, "wide", (_as_wide(month_table(nodes, a, n)) for a, n in month_days(months)))


WRITERS = {"plain": write_plain, "tags": write_tags, "wide": write_wide}


def _as_wide(table: pa.Table) -> pa.Table:
    seconds = np.asarray(table["time"]).astype("U19").astype("datetime64[s]").astype("int64")
    grid, row = np.unique(seconds // 900, return_inverse=True)
    times = np.datetime_as_string((grid * 900).astype("datetime64[s]"))
    names = np.asarray(table["node"]).astype(object)
    columns: dict[str, object] = {"time": times}
    for node in sorted(set(names)):
        mine = names == node
        for measure in MEASURES:
            cells = np.full(len(times), np.nan)
            cells[row[mine]] = table[measure].to_numpy()[mine]
            columns[f"{node}.{TAG_OF[measure]}"] = pa.array(cells, from_pandas=True)
    return pa.table(columns)


def _write(folder: Path, stem: str, tables: Iterator[pa.Table]) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for k, table in enumerate(tables):
        paths.append(folder / f"{stem}-{k:02d}.csv")
        pa.csv.write_csv(table, paths[-1], pa.csv.WriteOptions(quoting_style="none"))
    return paths


REGISTER = {
    "unit": "m3/h", "lrl": 0, "url": 100, "interval_s": 900, "battery_chemistry": "Li-SOCl2", "battery_capacity_ah": 19,
    "cutoff_v": 3.0, "rests_at_zero": "yes", "sensitivity_dbm": -105,
}  # fmt: skip


def write_register(path: Path, nodes: int) -> Path:
    """Write a register: gateways of 40 nodes, ranges, batteries."""
    with open(path, "w", newline="", encoding="utf-8") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["node", "site", "gateway", "criticality", *REGISTER])
        for k in range(nodes):
            writer.writerow([node_name(k), f"Site {k // 40}", f"GW-{k // 40:02d}", 1 + k % 5, *REGISTER.values()])
    return path
