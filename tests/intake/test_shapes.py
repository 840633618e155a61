"""Exports that mislead: filled forward, compressed, doubled, renamed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lamplighter.checkins import COMPRESSED, FORWARD_FILLED
from lamplighter.intake import read_exports
from tests.intake.helpers import assert_sound, settings_of

START = 1_767_225_600  # 2026-01-01T00:00:00Z


def node(
    name: str,
    seed: int,
    days: float = 14,
    interval: int = 900,
    sequence: int | None = None,
    delivery: float = 1.0,
    start: int = START,
    **level: float,
) -> pd.DataFrame:
    """Check-ins of a sound node: a process, a battery, a path that fades."""
    rng = np.random.default_rng(seed)
    n = int(days * 86400 / interval)
    hours = np.arange(n) * interval / 3600
    frame = pd.DataFrame(
        {
            "node": name,
            "time": start + np.arange(n) * interval + rng.integers(0, interval),
            "reading": np.round(level.get("reading", 50) + 3 * np.sin(hours / 5) + rng.normal(0, 0.3, n), 2),
            "battery_v": np.round(level.get("battery", 3.6) - hours * 1e-5 + rng.normal(0, 0.005, n), 2),
            "rssi_dbm": np.round(level.get("rssi", -80) + rng.normal(0, 3, n)),
            "temperature_c": np.round(10 + 5 * np.sin(hours / 24 * 2 * np.pi) + rng.normal(0, 0.2, n), 1),
        }
    )
    if sequence is not None:
        frame["sequence"] = sequence + np.arange(n)
    return frame[rng.random(n) < delivery]


def filled(frame: pd.DataFrame, step: int, until: int) -> pd.DataFrame:
    """The same node as a historian gives it that samples the last value on a grid."""
    grid = np.arange(frame["time"].iloc[0] // step * step + step, until, step)
    place = np.searchsorted(frame["time"].to_numpy(), grid, side="right") - 1
    return frame.iloc[place].assign(time=grid)


def by_exception(frame: pd.DataFrame, deviation: float, longest: int = 8 * 3600) -> pd.DataFrame:
    """The same node as a historian gives it that stores a value only when it has moved by the exception deviation."""
    kept, last, at = [], -np.inf, -np.inf
    for i, (t, x) in enumerate(zip(frame["time"], frame["reading"], strict=True)):
        if abs(x - last) >= deviation or t - at >= longest:
            kept.append(i)
            last, at = x, t
    return frame.iloc[kept]


def read_frames(tmp_path, *frames: pd.DataFrame, by: str = "time", **sections):
    table = pd.concat(frames).sort_values([by, "node"], kind="stable")
    path = tmp_path / "e.csv"
    table.assign(time=pd.to_datetime(table["time"], unit="s").dt.strftime("%Y-%m-%dT%H:%M:%SZ")).to_csv(
        path, index=False
    )
    got = read_exports(path, settings_of(**sections))
    assert_sound(got)
    return got


def kinds(got) -> list[str]:
    return [n.kind for n in got.account.notes]


# --- filled forward --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("step", [60, 300, 450])
@pytest.mark.parametrize("delivery", [1.0, 0.9])
@pytest.mark.parametrize("sequence", [None, 100])
def test_a_forward_filled_export_is_recognised_and_undone(tmp_path, step, delivery, sequence):
    sound = [node(f"N{k}", k, delivery=delivery, sequence=sequence) for k in range(4)]
    until = START + 14 * 86400
    got = read_frames(tmp_path, *[filled(f, step, until) for f in sound])
    assert all(got.traits[n] == {FORWARD_FILLED} for n in got.nodes())
    for k, frame in enumerate(sound):
        changes = (frame[["reading", "battery_v", "rssi_dbm", "temperature_c"]].diff().abs().sum(axis=1) > 0).sum()
        assert len(got.arrays(f"N{k}").time) == pytest.approx(len(frame) if sequence else changes + 1, abs=3)
    assert got.account.duplicates > 0.3 * got.account.records_read
    assert FORWARD_FILLED in kinds(got)


def test_a_node_that_fell_silent_in_a_filled_export_is_seen_to_be_silent(tmp_path):
    until = START + 14 * 86400
    frames = [node(f"N{k}", k) for k in range(4)] + [node("DEAD", 9, days=1), node("LATE", 10, days=0.02)]
    got = read_frames(tmp_path, *[filled(f, 300, until) for f in frames])
    assert got.arrays("DEAD").time[-1] < START + 1.02 * 86400
    assert len(got.arrays("LATE").time) <= 2
    assert "LATE" in got.traits


@pytest.mark.parametrize("seed", range(5))
def test_sound_nodes_are_not_called_filled(tmp_path, seed):
    frames = [node(f"N{k}", 100 * seed + k, delivery=0.8) for k in range(5)]
    quiet = node("REST", 7).assign(reading=0.0)
    frozen = node("FROZEN", 8)
    frozen.iloc[600:, 2:] = frozen.iloc[600, 2:].to_numpy()
    plain = node("PLAIN", 11)[["node", "time", "reading"]]
    got = read_frames(tmp_path, *frames, quiet, frozen, plain)
    assert got.traits == {}
    assert got.account.duplicates == 0


def test_readings_alone_cannot_tell(tmp_path):
    cycle = node("N1", 1)[["node", "time"]].assign(reading=np.tile(np.repeat([0.0, 5.0], 4), 168))
    assert read_frames(tmp_path, cycle).traits == {}


def test_a_counter_shows_repeats_whatever_their_spacing(tmp_path):
    rng = np.random.default_rng(4)
    frames = []
    for k in range(3):
        sound = node(f"N{k}", k, sequence=100)
        sound["time"] = START + np.sort(rng.integers(0, 14 * 86400, len(sound)))
        frames.append(filled(sound.drop_duplicates("time"), 120, START + 14 * 86400))
    got = read_frames(tmp_path, *frames)
    assert set(got.traits) == {"N0", "N1", "N2"}
    assert got.table.groupby("node", observed=True)["sequence"].apply(lambda s: s.is_unique).all()


def test_storage_can_be_declared(tmp_path):
    frames = [node(f"N{k}", k, days=0.1) for k in range(2)]
    got = read_frames(tmp_path, *[filled(f, 300, START + 8640) for f in frames], intake={"storage": "forward filled"})
    assert len(got.traits) == 2
    got = read_frames(
        tmp_path,
        *[filled(node(f"N{k}", k), 300, START + 14 * 86400) for k in range(2)],
        intake={"storage": "every check-in"},
    )
    assert got.traits == {}


# --- compressed ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("deviation", [0.5, 1.0, 2.0])
def test_storage_by_exception_is_recognised(tmp_path, deviation):
    got = read_frames(tmp_path, *[by_exception(node(f"N{k}", k, days=30), deviation) for k in range(4)])
    assert [got.traits.get(f"N{k}") for k in range(4)] == [{COMPRESSED}] * 4
    assert COMPRESSED in kinds(got)
    assert got.account.duplicates == 0


@pytest.mark.parametrize("delivery", [0.3, 0.5, 0.7, 1.0])
@pytest.mark.parametrize("resolution", [0.01, 0.5])
def test_a_lossy_path_is_not_compression(tmp_path, delivery, resolution):
    frames = [node(f"N{k}", 50 + k, days=30, delivery=delivery) for k in range(6)]
    frames = [f.assign(reading=np.round(f["reading"] / resolution) * resolution) for f in frames]
    assert read_frames(tmp_path, *frames).traits == {}


def test_one_odd_node_among_many_is_chance(tmp_path):
    frames = [node(f"N{k}", k, days=30) for k in range(6)] + [by_exception(node("ODD", 9, days=30), 1.0)]
    assert read_frames(tmp_path, *frames).traits == {}


def test_compression_can_be_declared(tmp_path):
    assert read_frames(tmp_path, node("N1", 1), intake={"storage": "compressed"}).traits == {
        "N1": frozenset({COMPRESSED})
    }


# --- doubled ---------------------------------------------------------------------------------------------------


def test_overlapping_exports_count_once(tmp_path):
    whole = node("N1", 1)
    for k, part in enumerate((whole[:800], whole[500:], whole)):
        part.to_csv(tmp_path / f"{k}.csv", index=False)
    got = read_exports(tmp_path)
    assert_sound(got)
    assert len(got.table) == len(whole)
    assert got.account.duplicates == 800 + (len(whole) - 500)
    assert kinds(got) == ["duplicates"]


def test_a_retry_with_other_values_is_dropped_whichever_file_it_stands_in(tmp_path):
    heading = "node,time,reading,battery_v\n"
    tables = []
    for a, b in (("1.5,3.6", "1.7,3.6"), ("1.7,3.6", "1.5,3.6")):
        (tmp_path / "a.csv").write_text(f"{heading}N1,2026-01-05T08:00:00Z,{a}\n")
        (tmp_path / "b.csv").write_text(f"{heading}N1,2026-01-05T08:00:00Z,{b}\n")
        got = read_exports(tmp_path)
        assert (got.account.kept, got.account.duplicates) == (1, 1)
        tables.append(got.table)
    assert tables[0].equals(tables[1])


def test_exports_of_different_columns_make_one_check_in(tmp_path):
    (tmp_path / "a.csv").write_text("node,time,reading\nN1,2026-01-05T08:00:00Z,1.5\nN1,2026-01-05T09:00:00Z,1.6\n")
    (tmp_path / "b.csv").write_text(
        "node,time,reading,rssi\nN1,2026-01-05T08:00:00Z,1.5,-80\nN1,2026-01-05T09:00:00Z,9.9,-81\n"
    )
    got = read_exports(tmp_path)
    assert_sound(got)
    assert list(got.table["reading"]) == [1.5, 9.9]
    assert list(got.table["rssi_dbm"]) == [-80, -81]
    assert (got.account.kept, got.account.duplicates) == (2, 2)


def test_very_many_rows_of_one_instant_are_no_trap(tmp_path):
    """A time column with days only, or a joke: the work must not grow with the square of the rows."""
    lines = [f"N1,2026-01-05,{k % 500},{k % 7}.5\n" for k in range(40_000)] + [
        "N2,2026-01-05,,3.5\n",
        "N2,2026-01-05,4,\n",
    ]
    path = tmp_path / "e.csv"
    path.write_text("node,time,reading,battery_v\n" + "".join(lines))
    got = read_exports(path)
    assert_sound(got)
    assert (got.account.kept, got.account.duplicates) == (3, 39_999)
    assert list(got.table["reading"]) == [0.0, 4.0]


# --- renamed ---------------------------------------------------------------------------------------------------


def others(n: int = 4, **kw) -> list[pd.DataFrame]:
    return [node(f"N{k}", k, sequence=1000 * k, **kw) for k in range(n)]


def test_a_renamed_node_keeps_its_history_when_its_counter_goes_on(tmp_path):
    one = node("OLD-7", 77, sequence=5000)
    one.loc[one.index[700:], "node"] = "NEW-7"
    got = read_frames(tmp_path, *others(), one)
    assert got.nodes() == ["N0", "N1", "N2", "N3", "NEW-7"]
    assert len(got.arrays("NEW-7").time) == len(one)
    (note,) = [n for n in got.account.notes if n.kind == "renamed"]
    assert note.nodes == ("OLD-7", "NEW-7")


def test_without_a_counter_a_rename_is_only_suggested(tmp_path):
    one = node("OLD-7", 77).drop(columns=[])
    one.loc[one.index[700:], "node"] = "NEW-7"
    got = read_frames(tmp_path, *[node(f"N{k}", k) for k in range(4)], one)
    assert {"OLD-7", "NEW-7"} <= set(got.nodes())
    (note,) = [n for n in got.account.notes if n.kind == "renamed"]
    assert 'renames = { "OLD-7" = "NEW-7" }' in note.text
    got = read_frames(tmp_path, *[node(f"N{k}", k) for k in range(4)], one, intake={"renames": {"OLD-7": "NEW-7"}})
    assert len(got.arrays("NEW-7").time) == len(one)
    assert "renamed" not in kinds(got)


def test_a_replacement_is_not_a_rename(tmp_path):
    gone = node("GONE", 5, days=7, sequence=5000)
    new = node("FRESH", 6, days=7, sequence=0, start=START + 7 * 86400, battery=3.66, rssi=-70)
    got = read_frames(tmp_path, *others(), gone, new)
    assert {"GONE", "FRESH"} <= set(got.nodes())
    assert "renamed" not in kinds(got)


@pytest.mark.parametrize("sequence", [True, False])
@pytest.mark.parametrize("delivery", [1.0, 0.93])
def test_two_nodes_under_one_name_are_noted_and_stay_together(tmp_path, sequence, delivery):
    a = node("A", 1, sequence=100 if sequence else None, delivery=delivery, battery=3.6, rssi=-75, reading=50)
    b = node("B", 2, sequence=90_000 if sequence else None, delivery=delivery, battery=3.3, rssi=-95, reading=10)
    got = read_frames(tmp_path, *others(), a.assign(node="X"), b.assign(node="X"))
    assert len(got.arrays("X").time) == pytest.approx(len(a) + len(b), rel=0.02)
    (note,) = [n for n in got.account.notes if n.kind == "mixed"]
    assert note.nodes == ("X",)


def test_two_nodes_renamed_to_one_are_joined_with_neither(tmp_path):
    a = node("A", 1, sequence=100, battery=3.6, rssi=-75, reading=50)
    b = node("B", 2, sequence=90_000, battery=3.3, rssi=-95, reading=10)
    for frame in (a, b):
        frame.loc[frame.index[600:], "node"] = "X"
    got = read_frames(tmp_path, *others(), a, b)
    assert [n for n in got.nodes() if n[0] != "N"] == ["A", "B", "X"]
    assert "mixed" in kinds(got)


@pytest.mark.parametrize("delivery", [1.0, 0.95])
def test_the_day_on_which_a_second_node_joins_under_a_name_is_said(tmp_path, delivery):
    owner = node("X", 1, delivery=delivery, battery=3.6, rssi=-85)
    guest = node("X", 2, days=6, start=START + 8 * 86400, delivery=delivery, battery=2.9, rssi=-70, reading=10)
    got = read_frames(tmp_path, *[node(f"N{k}", k) for k in range(4)], owner, guest)
    (note,) = [n for n in got.account.notes if n.kind == "mixed"]
    assert "9 Jan 2026" in note.text


def test_sound_nodes_are_not_called_two(tmp_path):
    frames = [node(f"N{k}", 300 + k, days=30, delivery=0.9, sequence=10 * k) for k in range(6)]
    pump = node("PUMP", 5).assign(reading=np.tile([0.0, 5.0], 672))
    got = read_frames(tmp_path, *frames, pump)
    assert "mixed" not in kinds(got)
    assert len(got.nodes()) == 7
