"""Further recordings of the same engine on the command line: FILE,SETTING=VALUE,..."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from ringland.errors import SettingError

if TYPE_CHECKING:
    from ringland.readers._source import FileSource

__all__ = ["FurtherFile", "further_source", "parse_further"]

_CONDITIONS = ("idle", "held", "cranking", "snap")
_SETTINGS = ("condition", "speed-hint", "rate", "map")


@dataclass(frozen=True)
class FurtherFile:
    """A further recording; what was not given stays as its file has it."""

    path: Path
    condition: str | None = None
    speed_hint_rpm: float | None = None
    rate_hz: float | None = None
    map_file: Path | None = None
    roles: dict[str, str] = field(default_factory=dict)


def parse_further(text: str) -> FurtherFile:
    """FILE,condition=held,map=fast.toml: settings from the right, so that commas and equals signs
    in the name of the file do no harm. Raises SettingError."""
    from ringland.model import ChannelRole

    roles = {r.value for r in ChannelRole if r is not ChannelRole.UNASSIGNED}
    pieces = text.split(",")
    given: dict[str, str] = {}
    while len(pieces) > 1:
        name, equals, value = (part.strip() for part in pieces[-1].partition("="))
        if not equals or not value or name not in {*_SETTINGS, *roles}:
            break
        if name in given:
            raise SettingError(f"The setting {name!r} is given twice.", got=repr(text))
        given[name] = value
        pieces.pop()
    path = Path(",".join(pieces))
    if len(pieces) > 1 and "=" in pieces[-1] and not path.exists():
        raise SettingError(
            "A setting of a further recording is not known.",
            got=repr(pieces[-1].strip()),
            allowed=", ".join([*_SETTINGS, *sorted(roles)]),
            remedy="For example: fast.csv,condition=held,map=fast.toml",
        )
    condition = given.get("condition")
    if condition is not None and condition not in _CONDITIONS:
        raise SettingError(
            "How the engine was run is not known by this word.",
            got=repr(condition),
            allowed=", ".join(_CONDITIONS),
        )
    return FurtherFile(
        path=path,
        condition=condition,
        speed_hint_rpm=_positive("speed-hint", given),
        rate_hz=_positive("rate", given),
        map_file=Path(given["map"]) if "map" in given else None,
        roles={name: value for name, value in given.items() if name in roles},
    )


def _positive(name: str, given: dict[str, str]) -> float | None:
    if name not in given:
        return None
    try:
        value = float(given[name])
    except ValueError:
        value = -1.0
    if not 0.0 < value < 1e9:
        raise SettingError(f"The setting {name!r} must be a number above 0.", got=repr(given[name]))
    return value


def further_source(further: FurtherFile) -> "FileSource":
    """The recording, ready to be read. Raises RinglandError."""
    from ringland.readers import open_recording

    return open_recording(
        further.path,
        roles=further.roles,
        map_file=further.map_file,
        rate_hz=further.rate_hz,
    )
