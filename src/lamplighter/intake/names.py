"""Which heading or tag means which column: the table of synonyms.

A heading is taken to lower case, its unit in brackets or as its last word is split off, and what is left is looked
up in :data:`SYNONYMS`. A tag such as ``NORTH.PT-101.PRESSURE`` is split from its end: the longest run of last words
that is a synonym of a measure names the measure, the part before it the node. The settings ``[columns]`` and ``[tags]``
come before the table.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache

from lamplighter.intake.units import unit_of

SYNONYMS: dict[str, tuple[str, ...]] = {
    "node": (
        "node", "node id", "node name", "node no", "node number", "device", "device id", "device name", "transmitter",
        "transmitter id", "transmitter name", "sensor", "sensor id", "sensor name", "mote", "mote id", "station",
        "station id", "asset", "instrument", "equipment", "address", "serial", "serial number", "serial no", "id",
        "knoten", "geraet", "gerät", "messstelle", "sender", "dispositivo", "nodo",
    ),
    "time": (
        "time", "timestamp", "time stamp", "date time", "datetime", "date and time", "time utc", "utc", "utc time",
        "utc timestamp", "timestamp utc", "local time", "time local", "timestamp local", "local timestamp", "received",
        "received at", "receive time", "recorded", "recorded at", "record time", "sample time", "sampled at", "ts",
        "epoch", "epoch s", "epoch ms", "epoch seconds", "epoch time", "unix time", "unix", "event time", "check in",
        "check in time", "checkin", "checkin time", "check in at", "time of check in", "zeit", "zeitstempel",
        "datum uhrzeit", "datum zeit", "fecha hora", "fecha y hora", "time ms", "time s", "date",
    ),
    "date": ("date", "day", "local date", "date local", "date utc", "utc date", "datum", "fecha"),
    "clock": ("time", "time of day", "clock", "clock time", "hour", "local time", "time local", "time utc", "utc time",
              "uhrzeit", "zeit", "hora"),
    "reading": (
        "reading", "value", "measurement", "measured value", "process value", "process variable", "pv", "primary",
        "primary value", "primary variable", "sensor value", "sensor reading", "pressure", "press", "level", "flow",
        "flow rate", "discharge", "stage", "depth", "head", "density", "position", "wert", "messwert", "druck", "pegel",
        "durchfluss", "valor", "val", "data value",
    ),
    "battery_v": (
        "battery", "batt", "bat", "battery voltage", "battery volts", "battery level", "battery percent", "batt volts",
        "batt voltage", "bat voltage", "vbat", "vbatt", "v bat", "v batt", "cell voltage", "supply voltage", "voltage",
        "volts", "batterie", "batteriespannung", "battery charge", "bateria", "batería", "battery mv", "battery v",
    ),
    "rssi_dbm": (
        "rssi", "signal", "signal strength", "signal level", "received signal strength", "rx level", "rx power",
        "rx rssi", "receive level", "received power", "radio signal", "link rssi", "uplink rssi", "rf level",
        "empfangspegel", "signalstaerke", "signalstärke",
    ),
    "temperature_c": (
        "temperature", "temp", "ambient temperature", "ambient temp", "air temperature", "device temperature",
        "device temp", "internal temperature", "internal temp", "board temperature", "board temp", "node temperature",
        "electronics temperature", "housing temperature", "enclosure temperature", "temperatur", "temperatura",
    ),
    "quality": (
        "quality", "qual", "q", "quality code", "opc quality", "status", "status code", "value status", "value quality",
        "sample quality", "data quality", "qualitaet", "qualität", "calidad",
    ),
    "sequence": (
        "sequence", "seq", "sequence number", "sequence no", "seq no", "seq number", "message counter",
        "message number", "message no", "msg no", "frame counter", "frame number", "packet number", "packet no",
        "packet counter",
        "counter", "check in number", "check in counter",
    ),
    "tag": (
        "tag", "tag name", "tagname", "point", "point name", "point id", "item", "item id", "item name", "name",
        "signal name", "series", "path", "measuring point", "tagbezeichnung", "etiqueta",
    ),
    "measure": ("measure", "measure name", "parameter", "variable", "channel", "channel name", "metric", "quantity",
                "measurement name", "attribute"),
    "unit": ("unit", "units", "uom", "eu", "engineering unit", "engineering units", "einheit", "unidad"),
}  # fmt: skip

MEASURES_IN_TAGS = ("reading", "battery_v", "rssi_dbm", "temperature_c", "quality", "sequence")
_LOOKUP = {role: frozenset(words) for role, words in SYNONYMS.items()}
_ALL = frozenset().union(*_LOOKUP.values())
_TAG_WORDS = {word: role for role in reversed(MEASURES_IN_TAGS) for word in SYNONYMS[role]}
_ENDINGS = frozenset({"value", "val", "pv", "present value", "current value", "cv", "raw"})
HIERARCHY = re.compile(r"[./\\|:]+")
_WORDS = re.compile(r"[\s._/\\|:,\-]+")
_NO_WORD = re.compile(r"[^\w%°³^/]+|_")
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_ZONES = {"utc": "UTC", "gmt": "UTC", "z": "UTC", "zulu": "UTC"}


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading taken apart: its words, its unit if any, its zone if any."""

    words: str
    unit: str = ""
    zone: str = ""


def _plain_words(text: str) -> str:
    return " ".join(_NO_WORD.sub(" ", text).lower().split())


@lru_cache(maxsize=65536)
def heading_of(text: str) -> Heading:
    """Take a heading apart: ``Battery (mV)`` is the words ``battery`` and the unit ``mv``."""
    text = text.strip().strip('"').strip()
    unit = zone = ""
    bracket = re.search(r"[(\[]([^()\[\]]*)[)\]]\s*$", text)
    if bracket:
        inner = bracket.group(1)
        unit, zone = unit_of(inner), _ZONES.get(inner.strip().lower(), "") or (inner.strip() if "/" in inner else "")
        text = text[: bracket.start()]
    words = _plain_words(text)
    if words not in _ALL and words.rpartition(" ")[0] not in _ALL:
        words = _plain_words(_CAMEL.sub(" ", text))
    if "%" in words and not unit:
        unit, words = "%", " ".join(words.replace("%", " ").split())
    head, _, last = words.rpartition(" ")
    if not unit and unit_of(last) and head in _ALL:
        unit, words = unit_of(last), head
    if not zone and last in _ZONES and head:
        zone, words = _ZONES[last], head
    if words in _ZONES:
        zone = _ZONES[words]
    return Heading(words, unit, zone if not unit else "")


def means(heading: str, role: str) -> bool:
    """Whether a heading is a synonym of a role."""
    return heading_of(heading).words in _LOOKUP[role]


@dataclass(frozen=True, slots=True)
class Tag:
    """A tag taken apart: node, measure (a column of the check-in table, empty when not known) and unit."""

    node: str
    measure: str
    unit: str = ""
    path: str = ""
    """The node with everything that stands before it in the tag, to tell equal names of two areas apart."""
    guessed: bool = False
    """Whether no part of the tag names the measure."""

    def with_unit(self, unit: str) -> Tag:
        """Return the tag with the unit that a column of its own gives, where that is known."""
        return replace(self, unit=unit_of(unit) or self.unit)


def measure_of(text: str, overrides: dict[str, str]) -> str:
    """Return the column that a measure's name means, empty when it is not known."""
    word = heading_of(text).words
    for name, role in overrides.items():
        if heading_of(name).words == word:
            return role
    return _TAG_WORDS.get(word, "")


def split_tag(tag: str, overrides: dict[str, str] | None = None) -> Tag:
    """Take a tag apart from its end.

    Parameters
    ----------
    tag : str
        For example ``NORTH.PT-101.PRESSURE``, ``PT-101 battery (mV)`` or ``site/PT-101/rssi/value``.
    overrides : dict, optional
        Names of measures and the columns they mean, looked up before the synonyms.

    Returns
    -------
    Tag
        With an empty measure when the last part is no known one.
    """
    overrides = overrides or {}
    unit, text = _unit_at_end(tag.strip())
    pieces = [(m.start(), m.end()) for m in _WORDS.finditer(text)]
    best = None
    for start, end in reversed(pieces[-4:]):
        if start == 0:
            continue
        measure = measure_of(text[end:], overrides)
        if measure:
            best = (start, end, measure)
    if best is None:
        measure = measure_of(text, overrides)
        if measure:
            return Tag("", measure, unit or heading_of(text).unit)
        return Tag(*_node_without_measure(text), unit=unit, path=text, guessed=True)
    start, end, measure = best
    unit = unit or heading_of(text[end:]).unit
    before = text[:start]
    if text[end:].lower() in _ENDINGS:
        deeper = split_tag(before, overrides)
        if deeper.measure and deeper.node:
            return Tag(deeper.node, deeper.measure, unit or deeper.unit, deeper.path)
    if measure == "quality":
        deeper = split_tag(before, overrides)
        if deeper.node and deeper.measure:
            kept = "quality" if deeper.measure == "reading" else "quality of another"
            return Tag(deeper.node, kept, "", deeper.path)
    return Tag(_last_part(before), measure, unit, before)


@dataclass(frozen=True)
class TagRules:
    """How tags are taken apart: names of measures and a pattern from the settings, then the synonyms.

    ``pattern`` is text such as ``{area}.{node}.{measure}``; what it does not fit is split by the synonyms alone.
    """

    overrides: dict[str, str]
    pattern: re.Pattern[str] | None = None

    def split(self, tag: str) -> Tag:
        """Take a tag apart."""
        found = self.pattern.fullmatch(tag.strip()) if self.pattern else None
        if found is None:
            return split_tag(tag, self.overrides)
        part = found.groupdict()
        name = part.get("measure")
        measure = measure_of(name, self.overrides) if name is not None else "reading"
        return Tag(part["node"], measure, heading_of(name or "").unit, part["node"])

    def of_measure(self, node: str, measure: str) -> Tag:
        """Return the tag of a node and measure that stand in columns of their own."""
        return Tag(node, measure_of(measure, self.overrides), heading_of(measure).unit, node)


def pattern_of(text: str) -> re.Pattern[str]:
    """Return the pattern that a text such as ``{area}.{node}.{measure}`` stands for.

    Raises
    ------
    ValueError
        When it names no node, or a part twice.
    """
    pieces = re.split(r"\{(\w+)\}", text)
    names = pieces[1::2]
    if "node" not in names or len(set(names)) != len(names):
        raise ValueError("a pattern names {node} once, and {measure} and others as needed")
    out = "".join(f"(?P<{p}>.+?)" if i % 2 else re.escape(p) for i, p in enumerate(pieces))
    return re.compile(out)


def _unit_at_end(text: str) -> tuple[str, str]:
    bracket = re.search(r"\s*[(\[]([^()\[\]]*)[)\]]\s*$", text)
    if bracket and unit_of(bracket.group(1)):
        return unit_of(bracket.group(1)), text[: bracket.start()]
    return "", text


def _last_part(text: str) -> str:
    return HIERARCHY.split(text.strip())[-1].strip() or text.strip()


def _node_without_measure(text: str) -> tuple[str, str]:
    """Return node and measure: a last part with a digit is a node and the tag its reading, else an unknown measure."""
    parts = [p for p in HIERARCHY.split(text) if p.strip()]
    if len(parts) < 2 or any(c.isdigit() for c in parts[-1]):
        return (parts[-1].strip() if parts else text), "reading"
    return parts[-2].strip(), ""
