"""What a good analyst would write with pandas, scipy and pymannkendall for the same five questions.

Daily medians, the Mann-Kendall test, a straight line through the voltage, the longest run of equal
values, and gaps. Vectorised where such a script would be; one table of answers, no report.

Run as ``python -m tests.bench.conventional OUT.csv EXPORT...``.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pymannkendall
from scipy import stats

CUTOFF_V = 3.0


def read(paths: list[str]) -> pd.DataFrame:
    table = pd.concat(
        [pd.read_csv(p, parse_dates=["time"], dtype={"node": "category"}) for p in paths], ignore_index=True
    )
    table["node"] = table["node"].astype("category")
    return table.drop_duplicates(["node", "time"]).sort_values(["node", "time"], ignore_index=True)


def trend(daily: pd.Series) -> tuple[float, float, float, float]:
    """Mann-Kendall p, Theil-Sen slope a year and its 95 % interval."""
    daily = daily.dropna()
    if len(daily) < 30:
        return (np.nan,) * 4
    day = (daily.index - daily.index[0]).days.to_numpy()
    slope, _, low, high = stats.theilslopes(daily.to_numpy(), day, 0.95)
    return pymannkendall.original_test(daily.to_numpy()).p, *(365.25 * v for v in (slope, low, high))


def answers(node: str, rows: pd.DataFrame) -> dict[str, object]:
    rows = rows.set_index("time")
    daily = rows[["reading", "battery_v", "rssi_dbm"]].resample("1D").median()
    spacing = rows.index.to_series().diff().dt.total_seconds().to_numpy()[1:]
    interval = np.median(spacing)
    at_rest = rows["reading"][rows["reading"].abs() < 2].resample("1D").median()
    rssi_p, *rssi = trend(daily["rssi_dbm"])
    zero_p, *zero = trend(at_rest)
    volts = daily["battery_v"].dropna()
    slope, level = np.polyfit((volts.index - volts.index[0]).days, volts, 1)
    days_left = (CUTOFF_V - level) / slope if slope < 0 else np.inf
    changed = rows["reading"].ne(rows["reading"].shift()).cumsum()
    longest = changed.value_counts().iloc[0]
    return {
        "node": node,
        "received": len(rows),
        "interval_s": interval,
        "missed": int(np.round(spacing / interval - 1).clip(0).sum()),
        "gaps": int((spacing > 3 * interval).sum()),
        "longest_gap_s": spacing.max(),
        "rssi": (rssi_p, *rssi),
        "zero": (zero_p, *zero),
        "empty": volts.index[0] + pd.Timedelta(days=min(days_left, 36_500)),
        "longest_run": int(longest),
    }


def main(out: str, paths: list[str]) -> None:
    table = read(paths)
    rows = [answers(str(node), part) for node, part in table.groupby("node", observed=True)]
    pd.DataFrame(rows).sort_values("empty").to_csv(Path(out), index=False)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2:])
