"""A recording or a saved analysis, named on the command line, as what comparing needs."""

import json
from pathlib import Path
from typing import TYPE_CHECKING

from ringland.errors import BadInput, FileFormatError, SettingError

if TYPE_CHECKING:
    from ringland.model import Condition, EngineSpec
    from ringland.verify.readings import Measured

__all__ = ["LARGEST_JSON_BYTES", "json_object", "kelvin", "measured_of"]

LARGEST_JSON_BYTES = 200_000_000


def measured_of(
    path: Path,
    engine: "EngineSpec | None",
    *,
    condition: "Condition | None" = None,
    temperature: str | None = None,
    roles: dict[str, str] | None = None,
) -> "Measured":
    """A saved analysis (.json) as it is; any other file is read and analysed now.

    Raises the errors of ringland.errors.
    """
    from ringland.verify.readings import measured_from_analysis, measured_from_json

    if not path.is_file():
        raise BadInput("There is no such file.", got=str(path))
    warm = kelvin(temperature)
    if path.suffix.casefold() == ".json":
        return measured_from_json(json_object(path), name=path.name, temperature_k=warm)
    if engine is None:
        raise SettingError(
            "A recording needs the engine to be analysed.",
            got=path.name,
            remedy="Add --engine ENGINE.toml, or give the analysis saved with --json.",
        )
    from ringland.cli._given import said_of
    from ringland.pipeline import analyse
    from ringland.readers import read_recording

    recording = said_of(read_recording(path, roles=roles or {}), condition, None)
    return measured_from_analysis(analyse(recording, engine, diagnose=False), temperature_k=warm)


def json_object(path: Path) -> dict[str, object]:
    """The object in a JSON file. Raises FileFormatError."""
    try:
        if path.stat().st_size > LARGEST_JSON_BYTES:
            raise FileFormatError(f"{path.name} is too large for a saved analysis.")
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise FileFormatError(f"{path.name} cannot be read as JSON.", got=str(error)) from error
    if not isinstance(content, dict):
        raise FileFormatError(f"{path.name} holds no object.", got=type(content).__name__)
    return content


def kelvin(given: str | None) -> float | None:
    """A temperature such as "85degC" in kelvin, None when nothing was given."""
    if given is None:
        return None
    from ringland.units import parse_quantity

    return parse_quantity(given, "temperature")[0]
