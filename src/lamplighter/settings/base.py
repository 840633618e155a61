"""What a setting is: a default, a unit, a reason, and the range it may take."""

from __future__ import annotations

from dataclasses import MISSING, dataclass, field, fields
from typing import Any

from lamplighter.errors import SettingsError


def setting(
    default: Any,
    unit: str,
    reason: str,
    *,
    source: str = "common practice, no source",
    low: float | None = None,
    high: float | None = None,
    choices: tuple[Any, ...] | None = None,
) -> Any:
    """Declare one setting of a section.

    Parameters
    ----------
    default : scalar, tuple or dict
        The value used when the settings file says nothing.
    unit : str
        Unit of the value; ``"-"`` for none.
    reason : str
        Why this default, in one sentence.
    source : str
        Where the value comes from.
    low, high : float, optional
        Smallest and largest value allowed, both included.
    choices : tuple, optional
        The only values allowed.
    """
    metadata = {"unit": unit, "reason": reason, "source": source, "low": low, "high": high, "choices": choices}
    if isinstance(default, dict):
        return field(default_factory=lambda: dict(default), metadata=metadata)
    return field(default=default, metadata=metadata)


@dataclass(frozen=True, kw_only=True)
class Section:
    """A group of settings; checks types and ranges when made.

    Raises
    ------
    SettingsError
        When a value has the wrong type or lies outside its range.
    """

    def __post_init__(self) -> None:
        for f in fields(self):
            value = _coerced(f.name, getattr(self, f.name), self._default(f))
            object.__setattr__(self, f.name, value)
            _check_range(f.name, value, f.metadata)

    @staticmethod
    def _default(f: Any) -> Any:
        # Mutable defaults come from their factory.
        return f.default if f.default_factory is MISSING else f.default_factory()


def _coerced(name: str, value: Any, default: Any) -> Any:
    """Value in the default's type: whole numbers pass for floats, lists for tuples."""
    if default is None or value is None:
        return tuple(value) if isinstance(value, list) else value
    if isinstance(default, bool) or isinstance(value, bool):
        if isinstance(value, bool) and isinstance(default, bool):
            return value
    elif isinstance(default, float) and isinstance(value, (int, float)):
        return float(value)
    elif isinstance(default, tuple) and isinstance(value, (list, tuple)):
        return tuple(value)
    elif isinstance(value, type(default)):
        return value
    wanted = {"str": "text", "float": "a number", "int": "a whole number", "bool": "true or false", "tuple": "a list"}
    kind = wanted.get(type(default).__name__, type(default).__name__)
    raise SettingsError(f"setting {name} must be {kind}, not {value!r}")


def _check_range(name: str, value: Any, metadata: Any) -> None:
    choices, low, high = metadata.get("choices"), metadata.get("low"), metadata.get("high")
    if choices is not None and value not in choices:
        raise SettingsError(f"setting {name} is {value!r}", remedy=f"use one of {', '.join(map(str, choices))}")
    for number in value if isinstance(value, tuple) else (value,):
        if not isinstance(number, (int, float)) or isinstance(number, bool):
            continue
        if not ((low is None or number >= low) and (high is None or number <= high)):
            span = f"from {'any' if low is None else low} to {'any' if high is None else high}"
            raise SettingsError(f"setting {name} is {number}, outside its range {span}")
