"""Ratios of the units that readings come in."""

from __future__ import annotations

import numpy as np

PSI = 6_894.757293168361
"""Pascals in a pound-force a square inch (BIPM SI brochure, international foot and pound)."""
FOOT, INCH, US_GALLON = 0.3048, 0.0254, 3.785411784e-3
WATER = 9_806.65
"""Pascals in a metre of water (conventional)."""

UNIT_RATIOS: dict[str, float] = {
    "psi and kPa": PSI / 1e3,
    "psi and feet of water": PSI / (WATER * FOOT),
    "bar and psi": 1e5 / PSI,
    "psi and inches of water": PSI / (WATER * INCH),
    "bar and metres of water": 1e5 / WATER,
    "metres and feet": 1 / FOOT,
    "inches and centimetres": INCH * 100,
    "inches and millimetres": INCH * 1000,
    "feet and inches": FOOT / INCH,
    "US gallons and litres": US_GALLON * 1000,
    "m3/h and US gallons a minute": 1 / (US_GALLON * 60),
    "L/s and m3/h": 3.6,
    "L/s and US gallons a minute": 1 / (US_GALLON * 1000) * 60,
    "units ten times apart": 10.0,
    "units a hundred times apart": 100.0,
    "units a thousand times apart": 1000.0,
}
"""Ratios of units that measuring points of one kind are read in."""
LOG_RATIOS, RATIO_NAMES = np.log(list(UNIT_RATIOS.values())), list(UNIT_RATIOS)
ROUNDING = 1e-7
"""Spacing below this share of the largest reading is one of rounding."""
