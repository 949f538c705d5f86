"""What to say to a SCPI instrument, as data: a TOML file checked before anything is sent."""

import tomllib
from pathlib import Path
from string import Formatter
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from ringland.errors import SettingError

__all__ = ["Profile", "load_profile"]

_LARGEST_BYTES = 1 << 18
_NAMES = {
    "setup": {"rate", "count"},
    "setup_input": {"rate", "count", "input", "low", "high"},
    "fetch": {"input", "count"},
    "gain_query": {"input"},
    "offset_query": {"input"},
}
Command = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[\x20-\x7e]+$")]


class Profile(BaseModel):
    """Commands of one kind of instrument.

    `inputs` are the instrument's own words for its inputs, `input_names` what a person calls them.
    A value becomes gain * value + offset in `unit`; `gain_query` and `offset_query` ask for them.
    `datatype`: b, B, h, H, i, I, f or d as in Python's struct. In commands {rate}, {count},
    {input}, {low} and {high} are filled in where they make sense.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Annotated[str, Field(max_length=80)]
    inputs: Annotated[tuple[Command, ...], Field(min_length=1, max_length=64)]
    input_names: tuple[str, ...] = ()
    unit: Literal["V", "Pa", "A", "1"] = "V"
    note: Annotated[str, Field(max_length=200)] = ""
    termination: Literal["\n", "\r\n", "\r"] = "\n"
    rates_hz: tuple[float, float] | None = None
    full_scale: tuple[float, float] | None = None
    ac_corner_hz: Annotated[float, Field(gt=0.0, lt=1e6)] | None = None
    setup: tuple[Command, ...] = ()
    setup_input: tuple[Command, ...] = ()
    rate_query: Command | None = None
    arm: tuple[Command, ...] = ()
    ready_query: Command | None = None
    ready_answers: tuple[str, ...] = ("1",)
    fetch: Command
    position_query: Command | None = None
    after_block: tuple[Command, ...] = ()
    stop: tuple[Command, ...] = ()
    datatype: Literal["b", "B", "h", "H", "i", "I", "f", "d"] = "h"
    big_endian: bool = False
    block_ends_with_termination: bool = True
    block_samples: Annotated[int, Field(ge=1, le=10_000_000)] = 10_000
    gain: float = 1.0
    offset: float = 0.0
    gain_query: Command | None = None
    offset_query: Command | None = None
    continuous: bool = False

    @field_validator(*_NAMES)
    @classmethod
    def _known_names(cls, value: object, info: object) -> object:
        allowed = _NAMES[str(getattr(info, "field_name", ""))]
        commands = (value,) if isinstance(value, str) else value if isinstance(value, tuple) else ()
        for command in commands:
            for _, name, spec, conversion in Formatter().parse(str(command)):
                if name is not None and (name not in allowed or spec or conversion):
                    known = ", ".join("{" + n + "}" for n in sorted(allowed))
                    raise ValueError(f"{{{name}}} is not known here; known: {known}")
        return value

    def model_post_init(self, _context: object) -> None:
        """Names for people default to the instrument's own."""
        if not self.input_names:
            object.__setattr__(self, "input_names", self.inputs)
        elif len(self.input_names) != len(self.inputs):
            raise ValueError("input_names and inputs differ in length")


def load_profile(path: Path) -> Profile:
    """Read and check a profile. Raises SettingError that names the field."""
    try:
        with path.open("rb") as file:
            text = file.read(_LARGEST_BYTES + 1)
        if len(text) > _LARGEST_BYTES:
            raise ValueError("the file is too large for a profile")
        return Profile.model_validate(tomllib.loads(text.decode("utf-8")))
    except OSError as error:
        raise SettingError(
            f"The profile '{path.name}' cannot be read.",
            got=error.strerror or str(error),
            remedy="Give the TOML file with the instrument's commands: visa:ADDRESS?profile=FILE",
        ) from error
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"]) or "the file"
        raise SettingError(
            f"The profile '{path.name}' is wrong in {field}.",
            got=first["msg"],
            allowed=", ".join(Profile.model_fields),
            remedy="The page docs/instruments.md shows a whole profile.",
        ) from error
    except ValueError as error:
        raise SettingError(f"The profile '{path.name}' is not TOML.", got=str(error)) from error
