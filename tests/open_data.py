"""The bundled real logs, as tables and as exports; sources and licences in tests/data/README.md."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pandas as pd

DATA = Path(__file__).parent / "data"
MOTES = ("01", "06", "19", "23", "45")


@cache
def _read(name: str) -> pd.DataFrame:
    return pd.read_parquet(DATA / f"{name}.parquet")


def open_log(*names: str) -> pd.DataFrame:
    """Return real logs as one table with ``time`` in seconds since 1970-01-01 UTC."""
    return pd.concat([_read(name) for name in names], ignore_index=True)


def motes(*numbers: str) -> pd.DataFrame:
    """Return lab motes by number; all five when none is named."""
    return open_log(*(f"lab_mote_{n}" for n in numbers or MOTES))


def write_export(table: pd.DataFrame, path: Path, columns: tuple[str, ...] | None = None) -> Path:
    """Write a log as a plain export, one row a check-in, times as ISO 8601 UTC."""
    out = table[list(columns)] if columns else table
    stamped = out.assign(time=pd.to_datetime(out["time"], unit="s").dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
    stamped.to_csv(path, index=False, lineterminator="\n")
    return path
