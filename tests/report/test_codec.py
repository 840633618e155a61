"""Numbers survive the way into the page: packed, unpacked and summed up as the browser does it."""

from __future__ import annotations

import base64
import gzip
import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lamplighter.report.codec import DAY_S, days, deltas, packed
from lamplighter.report.thin import stride, thinned


def unsummed(coded: dict) -> list[float | None]:
    total, out = 0, []
    for step in coded["v"]:
        if step is None:
            out.append(None)
        else:
            total += step
            out.append(total / 10 ** coded["k"])
    return out


@given(
    st.lists(st.none() | st.floats(-1e6, 1e6), max_size=60),
    st.integers(0, 4),
)
def test_differences_sum_back_to_the_values_within_half_a_last_digit(values: list, places: int) -> None:
    back = unsummed(deltas(values, places))
    assert len(back) == len(values)
    for value, again in zip(values, back, strict=True):
        assert (value is None) == (again is None)
        if value is not None:
            assert again == pytest.approx(value, abs=0.5000001 * 10**-places)


@pytest.mark.parametrize("numbers", [[], [5], [5, 6, 7, 8], [5, 8, 11], [5, 6, 9, 20]])
def test_days_come_back(numbers: list[int]) -> None:
    coded = days([n * DAY_S for n in numbers])
    steps = coded["d"] if "d" in coded else [coded["s"]] * (coded["n"] - 1)
    back = [coded["a"]] if numbers else []
    for step in steps[: max(0, len(numbers) - 1)]:
        back.append(back[-1] + step)
    assert back == numbers


def test_packing_is_gzip_in_base64_and_the_same_every_time() -> None:
    data = {"name": "é <&", "v": [1, None]}
    assert json.loads(gzip.decompress(base64.b64decode(packed(data)))) == data
    assert packed(data) == packed(data)


def test_numbers_that_json_cannot_hold_are_refused() -> None:
    with pytest.raises(ValueError, match="JSON compliant"):
        packed([math.nan])


@given(st.integers(1, 3000), st.integers(1, 700))
def test_a_line_is_thinned_to_at_most_so_many_points(n: int, most: int) -> None:
    assert len(thinned(np.arange(n), stride(n, most))) <= most


@given(st.lists(st.none() | st.integers(0, 1000), min_size=1, max_size=80), st.integers(1, 9))
def test_thinning_keeps_what_each_way_promises(values: list, step: int) -> None:
    numbers = np.array([np.nan if v is None else v for v in values], dtype=float)
    assert np.nansum(thinned(values, step, "sum")) == np.nansum(numbers)
    last = thinned(values, step)[-1]
    assert last == numbers[-1] or (np.isnan(last) and np.isnan(numbers[-1]))
    if np.isfinite(numbers).any():
        assert np.nanmax(thinned(values, step, "high")) == np.nanmax(numbers)
        assert np.nanmin(thinned(values, step, "low")) == np.nanmin(numbers)
