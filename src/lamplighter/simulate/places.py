"""Invented places: gateways, sites and names of measuring points."""

from __future__ import annotations

import numpy as np

AREAS = (
    "Upper Weir", "Long Lateral", "Saltgrass Drain", "Orchard Bench", "Ferry Flat", "Old Ditch", "Magpie Reach",
    "North Siphon", "Basalt Cut", "Reedmace", "Quarry Line", "Sandhill", "Tule Basin", "Windmill", "Gravel Bar",
)  # fmt: skip
CODES = ("UW", "LL", "SD", "OB", "FF", "OD", "MR", "NS", "BC", "RM", "QL", "SH", "TB", "WM", "GB")
SPOTS = (
    "Headgate", "Check", "Turnout", "Spill", "Crossing", "Pump House", "Booster", "Outfall", "Weir Pool", "Flume",
    "Siphon Inlet", "Siphon Outlet", "Bench", "Reservoir", "Culvert", "Wasteway",
)  # fmt: skip
LABELS = {
    "pump_line": "pump discharge",
    "drained_line": "drained discharge",
    "lateral": "lateral pressure",
    "flow": "turnout flow",
    "tank": "tank level",
    "sump": "sump level",
    "canal": "canal level",
    "shut_in": "closed line pressure",
    "well": "well level",
    "humidity": "pump house humidity",
    "gate": "gate position",
}


def gateway_names(count: int) -> list[str]:
    """Names of gateways: GW-UW, and so on, numbered when the areas run out."""
    return [f"GW-{CODES[k % len(CODES)]}{k // len(CODES) + 1 if k >= len(CODES) else ''}" for k in range(count)]


def area_of(gateway: str) -> str:
    """Area in words of a gateway."""
    code = gateway.removeprefix("GW-").rstrip("0123456789")
    return AREAS[CODES.index(code)]


def node_name(gateway: str, number: int) -> str:
    """Name of a node: UW-001."""
    return f"{gateway.removeprefix('GW-')}-{number:03d}"


def site_name(gateway: str, number: int) -> str:
    """Name of the site that a node of a gateway stands at; four nodes share one."""
    place = number // 4
    turn = place // len(SPOTS)
    return f"{area_of(gateway)} {SPOTS[place % len(SPOTS)]}{f' {turn + 1}' if turn else ''}"


def point_name(gateway: str, number: int, kind_name: str) -> str:
    """Name of a measuring point in words: Pump House tank level."""
    spot = site_name(gateway, number).removeprefix(area_of(gateway)).strip()
    return f"{spot} {LABELS[kind_name]}"


def position(rng: np.random.Generator, distance_m: float) -> tuple[float, float]:
    """Invented latitude and longitude offset of a node from its gateway [degrees]."""
    angle = rng.uniform(0, 2 * np.pi)
    return distance_m * np.cos(angle) / 111_320, distance_m * np.sin(angle) / 80_000
