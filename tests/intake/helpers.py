"""Small exports, and what is asked of every reading."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pandas as pd

from lamplighter import CheckIns, Settings
from lamplighter.checkins import COLUMNS
from lamplighter.intake import read_exports
from lamplighter.settings import load_settings

PLAIN = """node,time,reading,battery_v,rssi_dbm,temperature_c,quality,sequence
PT-101,2026-01-05T08:00:00Z,52.1,3.61,-81,4.5,192,1
PT-101,2026-01-05T08:15:00Z,52.4,3.61,-82,4.6,192,2
PT-102,2026-01-05T08:00:10Z,17.0,3.58,-95,4.1,192,11
PT-102,2026-01-05T08:15:10Z,17.2,3.58,-96,4.2,192,12
"""


def settings_of(**sections: object) -> Settings:
    """Settings from sections as a settings file has them."""
    return load_settings(sections)


def read(folder: Path, content: str | bytes, name: str = "export.csv", **sections: object) -> CheckIns:
    """Write one export and read it; what must hold of every reading is asserted."""
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    got = read_exports(path, settings_of(**sections))
    assert_sound(got)
    return got


def assert_sound(got: CheckIns) -> None:
    """What must hold of every reading: every record accounted for, columns typed, sorted, each node and time once."""
    a = got.account
    assert a.balanced
    assert a.records_read == sum(f.records_read for f in a.files)
    assert a.rejected == len(got.rejects) == sum(a.reasons.values())
    assert a.reasons == dict(Counter(got.rejects["reason"]))
    assert a.check_ins == len(got.table)
    for f in a.files:
        assert f.records_read == f.kept + f.duplicates + f.rejected
        assert min(f.records_read, f.kept, f.duplicates, f.rejected) >= 0
    table = got.table
    assert tuple(table.columns) == COLUMNS
    assert str(table["time"].dtype) == "datetime64[us, UTC]"
    assert str(table["quality"].dtype) == "int8"
    assert isinstance(table["node"].dtype, pd.CategoricalDtype)
    order = table[["node", "time"]].astype({"node": str})
    assert not order.duplicated().any()
    pd.testing.assert_frame_equal(order, order.sort_values(["node", "time"], ignore_index=True))
    assert set(got.traits) <= set(got.nodes())


def times_of(got: CheckIns) -> list[str]:
    """The instants of a reading as ISO 8601."""
    return [t.strftime("%Y-%m-%dT%H:%M:%S") + "Z" for t in got.table["time"]]


def rows_of(got: CheckIns) -> list[tuple]:
    """The rows of a reading as plain tuples, missing as None."""
    frame = got.table.astype(object).where(got.table.notna(), None)
    return [(str(r[0]), r[1].isoformat(), *r[2:]) for r in frame.itertuples(index=False)]
