"""The small map file: which channel is what, and its scale.

TOML or JSON. Each key is a role; its value a channel name or number, or a table:

    rate_hz = 100000            # when the file does not say
    exhaust = "CH1"
    [crankcase]
    channel = "CH2"
    scale = 0.25                # value * scale + offset gives `unit`
    offset = 0.0
    unit = "kPa"
"""

import json
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ringland.errors import SettingError
from ringland.model import ChannelRole
from ringland.readers._roles import parse_role

__all__ = ["ChannelMap", "load_map"]

_FIELDS = ("channel", "scale", "offset", "unit")


@dataclass(frozen=True)
class ChannelMap:
    """What the map file says. `units` holds (unit or None, scale, offset) by role."""

    names: Mapping[ChannelRole, str] = field(default_factory=dict)
    units: Mapping[ChannelRole, tuple[str | None, float, float]] = field(default_factory=dict)
    rate_hz: float | None = None

    def scaling(self, role: ChannelRole | None, unit: str) -> tuple[str, float, float]:
        """(unit, scale, offset) for a channel with this role and unit text in the file."""
        if role is None or role not in self.units:
            return unit, 1.0, 0.0
        mapped, scale, offset = self.units[role]
        return (unit if mapped is None else mapped), scale, offset


def load_map(path: Path) -> ChannelMap:
    """Read a map file; SettingError when it is missing or wrong."""
    try:
        text = path.read_text(encoding="utf-8-sig")
        data = json.loads(text) if path.suffix.lower() == ".json" else tomllib.loads(text)
    except (OSError, UnicodeDecodeError, ValueError) as error:
        raise SettingError(
            f"The channel map '{path.name}' cannot be read.",
            got=str(error),
            allowed='TOML or JSON such as exhaust = "CH1"',
            remedy="Correct the file, or leave it out and use --channel ROLE=NAME.",
        ) from error
    if not isinstance(data, dict):
        raise _wrong(path, "the whole file", data, 'keys such as exhaust = "CH1"')
    names: dict[ChannelRole, str] = {}
    units: dict[ChannelRole, tuple[str | None, float, float]] = {}
    rate_hz: float | None = None
    for key, value in data.items():
        if key == "rate_hz":
            rate_hz = _number(path, key, value)
            continue
        role = parse_role(key)
        if isinstance(value, str | int) and not isinstance(value, bool):
            names[role] = str(value)
        elif isinstance(value, dict) and "channel" in value and set(value) <= set(_FIELDS):
            names[role] = str(value["channel"])
            unit = value.get("unit")
            if unit is not None and not isinstance(unit, str):
                raise _wrong(path, f"{key}.unit", unit, "a unit such as kPa")
            scale = _number(path, f"{key}.scale", value.get("scale", 1.0))
            offset = _number(path, f"{key}.offset", value.get("offset", 0.0))
            units[role] = (unit, scale, offset)
        else:
            allowed = f"a channel name, or a table with {', '.join(_FIELDS)}"
            raise _wrong(path, key, value, allowed)
    return ChannelMap(names, units, rate_hz)


def _number(path: Path, key: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise _wrong(path, key, value, "a number")
    return float(value)


def _wrong(path: Path, key: str, got: Any, allowed: str) -> SettingError:
    return SettingError(
        f"In the channel map '{path.name}', {key} is wrong.",
        got=repr(got)[:200],
        allowed=allowed,
        remedy="Correct that line.",
    )
