"""Which curves may describe a battery: of its chemistry, of all that fit its voltage, or learned from the fleet."""

from __future__ import annotations

import numpy as np

from lamplighter.checks.battery.cells import CHEMISTRIES, UNKNOWN, Cell, cells_in_series, discharge_curves
from lamplighter.checks.battery.estimators import Shape

WARPS = ((0.65, 0.15), (0.8, 0.22), (1.0, 0.22), (1.25, 0.15), (1.7, 0.15), (2.4, 0.11))
"""Powers by which what is left of the discharge is bent, with prior weights: real knees are wider or sharper."""
LEVEL_SD, SCALE_SD = 0.025, 0.35
"""Spread of a battery's plateau (share of its voltage) and of its fall about the stored curve."""
LEARNED_LEVEL_SD, LEARNED_SCALE_SD = 0.012, 0.12


FEW_WARPS = ((0.7, 0.35), (1.0, 0.35), (1.8, 0.3))
"""The same where many chemistries or starting depths are tried: fewer, farther apart."""


def stored_shapes(
    chemistry: str, series: int, prior: float = 1.0, warps: tuple[tuple[float, float], ...] = WARPS
) -> list[Shape]:
    """Return the stored curves of a chemistry for cells in series, each with its bent forms."""
    curves = {k: v for k, v in discharge_curves().items() if k[0] == chemistry}
    out = []
    for (_, variant), (depth, volts) in curves.items():
        for power, share in warps:
            out.append(
                Shape(
                    f"{chemistry} {variant}", 1.0 - (1.0 - depth) ** power, volts * series, prior * share / len(curves),
                    LEVEL_SD * CHEMISTRIES[chemistry].nominal_v * series, SCALE_SD,
                )
            )  # fmt: skip
    return out


def generic_shapes(fresh_v: float, cutoff_v: float, prior: float = 1.0) -> list[Shape]:
    """Return curves that know no chemistry: straight, bowed and kneed declines from fresh to beyond the cut-off."""
    depth = np.linspace(0.0, 1.0, 41)
    depth = np.sort(np.concatenate([depth, [0.985, 0.995]]))
    fall = 1.15 * max(fresh_v - cutoff_v, 0.02 * fresh_v)
    forms = [
        ("straight", depth),
        ("bowed", 0.5 * depth + 0.5 * depth**4),
        ("kneed", 0.3 * depth + 0.7 * depth**12),
        ("flat", 0.08 * depth + 0.92 * depth**30),
    ]
    return [Shape(f"unknown {n}", depth, fresh_v - fall * f, prior / len(forms), 0.04 * fresh_v, 0.4) for n, f in forms]


def shapes_for(
    cell: Cell, fresh_v: float, cutoff_v: float, learned: list[Shape], *, start_known: bool = True
) -> list[Shape]:
    """Return the curves to try for one battery.

    Parameters
    ----------
    cell : Cell
        What the register says; the chemistry may be unknown.
    fresh_v : float
        Highest level seen in the battery's life, or in its class [V].
    cutoff_v : float
    learned : list of Shape
        Curves learned from completed lives of its class; they weigh as much as all stored ones together.
    start_known : bool
        Without it every curve is tried from many starting depths, which bend it too; fewer bent forms will do.
    """
    if cell.chemistry != UNKNOWN:
        series = cell.series or cells_in_series(cell.chemistry, fresh_v)
        if not 0.6 < fresh_v / (series * CHEMISTRIES[cell.chemistry].fresh_v) < 1.25:
            series = cells_in_series(cell.chemistry, fresh_v)
        warps = WARPS if start_known else FEW_WARPS
        return [*stored_shapes(cell.chemistry, series, 0.8, warps), *generic_shapes(fresh_v, cutoff_v, 0.2), *learned]
    out = generic_shapes(fresh_v, cutoff_v, 0.5)
    for name, chemistry in CHEMISTRIES.items():
        if chemistry.forecast and (n := plausible_series(name, fresh_v)):
            out += stored_shapes(name, n, 0.15, FEW_WARPS)
    return [*out, *learned]


def plausible_series(chemistry: str, fresh_v: float) -> int | None:
    """Return the cells in series whose fresh voltage lies within 12 % of the highest one seen; None when none does."""
    c = CHEMISTRIES[chemistry]
    n = cells_in_series(chemistry, fresh_v)
    return n if 0.85 * c.nominal_v * n < fresh_v < 1.06 * c.fresh_v * n else None


def learn_shape(lives: list[tuple[np.ndarray, np.ndarray]], name: str, prior: float = 1.0) -> Shape | None:
    """Return the median curve of completed lives, each (depth of discharge 0..1 at its cut-off, volts).

    Voltages are compared on a common grid of depth; the spread between lives sets how freely the curve may shift.
    """
    grid = np.concatenate([np.linspace(0.0, 0.8, 33), np.linspace(0.82, 1.0, 19)])
    rows = [np.interp(grid, d, v, left=np.nan) for d, v in lives if len(d) >= 8 and d[0] < 0.5]
    if not rows:
        return None
    table = np.array(rows)
    enough = np.isfinite(table).sum(axis=0) >= max(1, 0.5 * len(rows))
    if enough.sum() < 20:
        return None
    middle = np.nanmedian(table[:, enough], axis=0)
    level = float(np.nanmedian(np.abs(np.nanmedian(table[:, enough] - middle, axis=1)))) * 1.4826
    smooth = np.minimum.accumulate(middle)
    depth = grid[enough]
    volts = smooth - 1e-6 * np.arange(len(smooth))
    base = LEARNED_LEVEL_SD * float(middle.mean())
    return Shape(name, depth, volts, prior, max(level, base / 2), LEARNED_SCALE_SD)
