"""Units in headings, and what turns one into another."""

from __future__ import annotations

PSI_PA = 6894.757293168361
"""Pascal a psi, from the pound-force and the inch (NIST SP 811, appendix B: 6.894 757 E+03)."""
MH2O_PA = 9806.65
"""Pascal a metre of conventional water (definition)."""
FOOT_M = 0.3048
INCH_M = 0.0254

_SCALES: dict[str, tuple[str, float, float]] = {
    # unit: (kind, factor, offset); value in the kind's base unit = value * factor + offset
    "pa": ("pressure", 1.0, 0.0),
    "hpa": ("pressure", 100.0, 0.0),
    "kpa": ("pressure", 1e3, 0.0),
    "mpa": ("pressure", 1e6, 0.0),
    "bar": ("pressure", 1e5, 0.0),
    "mbar": ("pressure", 100.0, 0.0),
    "psi": ("pressure", PSI_PA, 0.0),
    "atm": ("pressure", 101325.0, 0.0),
    "mh2o": ("pressure", MH2O_PA, 0.0),
    "inh2o": ("pressure", MH2O_PA * INCH_M, 0.0),
    "fth2o": ("pressure", MH2O_PA * FOOT_M, 0.0),
    "m": ("length", 1.0, 0.0),
    "cm": ("length", 0.01, 0.0),
    "mm": ("length", 0.001, 0.0),
    "ft": ("length", FOOT_M, 0.0),
    "in": ("length", INCH_M, 0.0),
    "degc": ("temperature", 1.0, 0.0),
    "degf": ("temperature", 5 / 9, -160 / 9),
    "k": ("temperature", 1.0, -273.15),
    "v": ("voltage", 1.0, 0.0),
    "mv": ("voltage", 0.001, 0.0),
    "ma": ("current", 0.001, 0.0),
    "a": ("current", 1.0, 0.0),
    "l/s": ("flow", 0.001, 0.0),
    "l/min": ("flow", 0.001 / 60, 0.0),
    "m3/s": ("flow", 1.0, 0.0),
    "m3/h": ("flow", 1 / 3600, 0.0),
    "gpm": ("flow", 231 * INCH_M**3 / 60, 0.0),
    "cfs": ("flow", FOOT_M**3, 0.0),
    "%": ("share", 1.0, 0.0),
    "dbm": ("power level", 1.0, 0.0),
}

_SPELLINGS = {
    "psig": "psi", "psia": "psi", "lbf/in2": "psi", "bars": "bar", "barg": "bar", "bara": "bar", "millibar": "mbar",
    "kilopascal": "kpa", "metre": "m", "meter": "m", "metres": "m", "meters": "m", "feet": "ft", "foot": "ft",
    "inch": "in", "inches": "in", "c": "degc", "°c": "degc", "deg c": "degc", "celsius": "degc", "degree c": "degc",
    "f": "degf", "°f": "degf", "deg f": "degf", "fahrenheit": "degf", "kelvin": "k", "volt": "v", "volts": "v",
    "vdc": "v", "v dc": "v", "millivolt": "mv", "millivolts": "mv", "percent": "%", "pct": "%", "prozent": "%",
    "db m": "dbm", "m h2o": "mh2o", "mwc": "mh2o", "in h2o": "inh2o", "inwc": "inh2o", "inh20": "inh2o",
    "ft h2o": "fth2o", "m³/h": "m3/h", "m^3/h": "m3/h", "m³/s": "m3/s", "m^3/s": "m3/s", "cms": "m3/s", "lps": "l/s",
    "ft3/s": "cfs", "ft³/s": "cfs", "usgpm": "gpm",
}  # fmt: skip


def unit_of(text: str) -> str:
    """Return a unit in its one spelling here, empty when it is not known."""
    plain = " ".join(text.strip().strip("[]()").lower().split())
    plain = _SPELLINGS.get(plain, plain)
    return plain if plain in _SCALES else ""


def conversion(source: str, target: str) -> tuple[float, float] | None:
    """Return (factor, offset) that turn a value in one unit into another, None when they measure different things.

    Gauge and absolute pressure are not told apart: the factor is the same, the zero is the site's to know.
    """
    a, b = _SCALES.get(unit_of(source)), _SCALES.get(unit_of(target))
    if a is None or b is None or a[0] != b[0]:
        return None
    return (1.0, 0.0) if a == b else (a[1] / b[1], (a[2] - b[2]) / b[1])
