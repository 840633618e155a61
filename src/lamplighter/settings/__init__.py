"""Every threshold, with its unit and reason, read from and written to TOML."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, is_dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from lamplighter.errors import SettingsError
from lamplighter.settings.arrivals import ArrivalsSettings
from lamplighter.settings.base import Section, setting
from lamplighter.settings.battery import BatterySettings
from lamplighter.settings.data import DataSettings
from lamplighter.settings.history import HistorySettings
from lamplighter.settings.intake import IntakeSettings
from lamplighter.settings.radio import RadioSettings
from lamplighter.settings.report import ReportSettings
from lamplighter.settings.stuck import StuckSettings
from lamplighter.settings.triage import TriageSettings
from lamplighter.settings.weekly import WeeklySettings
from lamplighter.settings.zero import ZeroSettings

__all__ = ["Section", "Settings", "load_settings", "read_settings", "setting", "settings_toml"]


@dataclass(frozen=True, kw_only=True)
class Settings:
    """All settings of a run; every section has defaults.

    ``columns`` maps the names of the check-in table to the headings of an export,
    ``tags`` says how a tag splits into node and measure.
    """

    timezone: str = setting("UTC", "IANA zone", "Zone of times that carry no offset, and of hours of the day.")
    columns: dict[str, str] = field(
        default_factory=dict, metadata={"unit": "-", "reason": "Overrides of the synonyms."}
    )
    tags: dict[str, str] = field(default_factory=dict, metadata={"unit": "-", "reason": "Overrides of the tag rules."})
    intake: IntakeSettings = field(default_factory=IntakeSettings)
    history: HistorySettings = field(default_factory=HistorySettings)
    arrivals: ArrivalsSettings = field(default_factory=ArrivalsSettings)
    radio: RadioSettings = field(default_factory=RadioSettings)
    zero: ZeroSettings = field(default_factory=ZeroSettings)
    stuck: StuckSettings = field(default_factory=StuckSettings)
    data: DataSettings = field(default_factory=DataSettings)
    battery: BatterySettings = field(default_factory=BatterySettings)
    triage: TriageSettings = field(default_factory=TriageSettings)
    report: ReportSettings = field(default_factory=ReportSettings)
    weekly: WeeklySettings = field(default_factory=WeeklySettings)

    def __post_init__(self) -> None:
        try:
            ZoneInfo(self.timezone)
        except (KeyError, ValueError, OSError, TypeError) as bad:
            raise SettingsError(
                f"time zone {self.timezone!r} is not known", remedy='use an IANA name such as "Europe/Berlin"'
            ) from bad
        for name in ("columns", "tags"):
            for key, value in getattr(self, name).items():
                if not isinstance(value, str):
                    raise SettingsError(f"[{name}] {key} must be text, not {value!r}")

    def as_dict(self) -> dict[str, Any]:
        """Return the settings as nested plain dictionaries, as a settings file has them."""
        return asdict(self)


def load_settings(data: Mapping[str, Any]) -> Settings:
    """Make settings from nested dictionaries, refusing unknown names.

    Raises
    ------
    SettingsError
        When a name is unknown (the nearest known one is offered) or a value is out of range.
    """
    known = {f.name: f for f in fields(Settings)}
    values: dict[str, Any] = {}
    for name, value in data.items():
        if name not in known:
            raise SettingsError(f"unknown setting {name!r}", remedy=_home_of(name, known) or _nearest(name, known))
        factory = known[name].default_factory
        if is_dataclass(factory):
            values[name] = _load_section(name, factory, value)
        elif isinstance(value, Mapping) == callable(factory):
            values[name] = value
        else:
            raise SettingsError(f"setting {name} has the wrong shape: {value!r}")
    return Settings(**values)


def _load_section(name: str, factory: Any, value: Any) -> Any:
    if not isinstance(value, Mapping):
        raise SettingsError(f"[{name}] must be a section, not {value!r}")
    names = [f.name for f in fields(factory)]
    for key in value:
        if key not in names:
            raise SettingsError(f"unknown setting {key!r} in [{name}]", remedy=_nearest(key, names))
    try:
        return factory(**value)
    except SettingsError as bad:
        raise SettingsError(f"[{name}] {bad.problem}", remedy=bad.remedy) from bad


def _home_of(name: str, known: Mapping[str, Any]) -> str:
    """Say in which section a setting belongs that stands outside of all; empty when in none."""
    sections = {n: f.default_factory for n, f in known.items() if is_dataclass(f.default_factory)}
    homes = [f"[{n}]" for n, section in sections.items() if any(g.name == name for g in fields(section))]
    return f"write it below the line {' or '.join(homes)}" if homes else ""


def _nearest(name: str, known: Any) -> str:
    near = difflib.get_close_matches(name, list(known), n=1)
    return f"did you mean {near[0]}?" if near else f"known names: {', '.join(known)}"


def read_settings(path: str | Path | None) -> Settings:
    """Read a settings file; ``None`` gives the defaults.

    Raises
    ------
    SettingsError
        When the file cannot be read, is not TOML, or holds a wrong setting.
    """
    if path is None:
        return Settings()
    try:
        data = tomllib.loads(Path(path).read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError) as bad:
        reason = getattr(bad, "strerror", None) or "not UTF-8 text"
        raise SettingsError(
            f"cannot read the settings file: {reason}",
            file=path,
            remedy="check the path; lamplighter init writes a commented one",
        ) from bad
    except tomllib.TOMLDecodeError as bad:
        place = re.search(r" \(at line (\d+), column \d+\)", str(bad))
        said = str(bad).replace(place.group(0), "") if place else str(bad)
        raise SettingsError(
            f"not a valid settings file: {said}",
            file=path,
            line=int(place.group(1)) if place else None,
            remedy="correct it; lamplighter init writes a commented one",
        ) from bad
    try:
        return load_settings(data)
    except SettingsError as bad:
        raise SettingsError(bad.problem, file=path, remedy=bad.remedy) from bad


def settings_toml(settings: Settings) -> str:
    """Return settings as a commented TOML file: unit, reason and source above each value."""
    top, sections = [], []
    for f in fields(settings):
        value = getattr(settings, f.name)
        if isinstance(value, Section):
            lines = [f"[{f.name}]"]
            for g in fields(value):
                if getattr(value, g.name) is None:
                    continue
                lines += [_comment(g.metadata), f"{g.name} = {_toml(getattr(value, g.name))}"]
            sections.append("\n".join(lines))
        elif isinstance(value, dict):
            lines = [f"[{f.name}]", *(f"{_key(k)} = {_toml(v)}" for k, v in value.items())]
            sections.append("\n".join(lines))
        else:
            top += [_comment(f.metadata), f"{f.name} = {_toml(value)}"]
    return "\n".join(top) + "\n\n" + "\n\n".join(sections) + "\n"


def _comment(metadata: Any) -> str:
    unit = "" if metadata["unit"] == "-" else f" [{metadata['unit']}]"
    source = metadata.get("source", "common practice, no source")
    return f"# {metadata['reason']}{unit} Source: {source}."


def _key(name: str) -> str:
    return name if name.replace("_", "").replace("-", "").isalnum() and name.isascii() else _toml(name)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = "".join(
            {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}.get(
                c, c if c >= " " else f"\\u{ord(c):04x}"
            )
            for c in value
        )
        return f'"{escaped}"'
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_toml(v)}" for k, v in value.items()) + " }" if value else "{}"
    return repr(value)
