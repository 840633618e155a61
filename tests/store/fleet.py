"""Small exports with known content, and a plain reader for them, so that the store is tested by itself."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from lamplighter.checkins import MEASURES, FileAccount, empty_rejects
from lamplighter.intake.rows import BITS, WHOLE, Names, make_rows
from lamplighter.intake.store.found import Found, Sink

START = pd.Timestamp("2026-01-01", tz="UTC")


def check_ins(
    nodes: list[str], days: float, *, start: pd.Timestamp = START, step_s: int = 3600, seed: int = 0
) -> pd.DataFrame:
    """A check-in table whose values follow from node, time and seed alone."""
    tables = []
    for node in nodes:
        time = start + pd.to_timedelta(np.arange(0, days * 86_400, step_s), unit="s")
        n = np.asarray((time - START).total_seconds() // step_s, dtype=float)
        tables.append(
            pd.DataFrame(
                {
                    "node": node,
                    "time": time.as_unit("us"),
                    "reading": np.round(20 + 3 * np.sin(n / 9 + seed + len(node)), 3),
                    "battery_v": np.round(3.6 - n * 1e-5, 4),
                    "rssi_dbm": -80.0 + n % 7,
                    "temperature_c": np.where(n % 5 == 0, np.nan, 12.5),
                    "quality": (n % 11 == 0).astype(np.int8),
                    "sequence": n,
                }
            )
        )
    return in_order(pd.concat(tables, ignore_index=True))


def in_order(table: pd.DataFrame) -> pd.DataFrame:
    table = table.sort_values(["node", "time"], ignore_index=True)
    return table.assign(node=pd.Categorical(table["node"], categories=sorted(table["node"].unique())))


def write_export(path: Path, table: pd.DataFrame) -> Path:
    table.assign(time=table["time"].dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ")).to_csv(path, index=False)
    return path


def read_export(paths: Sequence[Path], names: Names, first: int, sink: Sink) -> Iterator[Found]:
    """Read what :func:`write_export` wrote, without the care of the real reader."""
    types = {"node": str, "quality": "int8", "reading": float, "sequence": float}
    for number, path in enumerate(paths, start=first):
        raw = pd.read_csv(path, dtype=types, keep_default_na=False, na_values=[""])
        time = pd.to_datetime(raw["time"], utc=True).astype("datetime64[us, UTC]").astype("int64")
        columns = {c: raw[c].to_numpy() for c in raw.columns if c not in ("node", "time")}
        has = np.full(len(raw), WHOLE, dtype=np.uint8)
        for name in (*MEASURES, "sequence"):
            has |= np.where(np.isfinite(columns[name]), BITS[name], 0).astype(np.uint8)
        node = np.array([names.code(n) for n in raw["node"]], dtype=np.int32)
        sink(make_rows(len(raw), node=node, time=time, has=has, file=number, **columns), names)
        account = FileAccount(file=path.name, layout="plain", records_read=len(raw))
        yield Found(accounts=(account,), rejects=empty_rejects())


read_export.registered = ()
