"""What was given on the command line, as values of the library."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from ringland.errors import SettingError

if TYPE_CHECKING:
    from ringland.model import Condition, EngineSpec, Recording

__all__ = ["LONG_S", "engine_named", "parse_roles", "said_of"]

LONG_S = 120.0
"""Above this a recording is read window by window instead of all at once."""


def parse_roles(pairs: list[str]) -> dict[str, str]:
    """ROLE=NAME settings as role -> channel name; the reader checks both. Raises SettingError."""
    roles: dict[str, str] = {}
    for pair in pairs:
        role, equals, name = (part.strip() for part in pair.partition("="))
        if not (role and equals and name):
            raise SettingError(
                "A --channel setting cannot be read.",
                got=repr(pair),
                allowed="ROLE=NAME",
                remedy="For example: --channel exhaust='Channel A'",
            )
        if role in roles:
            raise SettingError(
                f"Two channels were named for the role {role!r}.",
                got=f"{roles[role]!r} and {name!r}",
                remedy="Name one. A second tailpipe has the role exhaust_2.",
            )
        roles[role] = name
    return roles


def engine_named(given: str) -> "EngineSpec":
    """The engine in a TOML file, or a layout of the library by its id. Raises EngineError."""
    from ringland.engines import layout, load_engine

    path = Path(given)
    if path.suffix.casefold() == ".toml" or path.exists():
        return load_engine(path)
    return layout(given).engine


def said_of(
    recording: "Recording", condition: "Condition | None", speed_hint_rpm: float | None
) -> "Recording":
    """The recording with what was said of it; what was not said stays as the file has it."""
    return replace(
        recording,
        condition=recording.condition if condition is None else condition,
        speed_hint_rpm=recording.speed_hint_rpm if speed_hint_rpm is None else speed_hint_rpm,
    )
