"""The table of kinds of instrument: how each is addressed, opened, and looked for."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from ringland.errors import RinglandError, SettingError
from ringland.instruments.labelled import LABEL, Labelled
from ringland.instruments.protocol import Instrument

__all__ = [
    "KINDS",
    "Found",
    "Kind",
    "find_instruments",
    "only_options",
    "open_instrument",
    "option_number",
    "split_address",
]


@dataclass(frozen=True)
class Found:
    """One line of what is there. `usable` False with the reason in `says`."""

    address: str
    says: str
    usable: bool


@dataclass(frozen=True)
class Kind:
    """A row of the table. `find` looks without changing anything; `open` takes what stands after
    "kind:" and the options after "?"."""

    name: str
    title: str
    example: str
    find: Callable[[], list[Found]]
    open: Callable[[str, dict[str, str]], Instrument]


def split_address(address: str) -> tuple[str, str, dict[str, str]]:
    """ "kind:rest?key=value&key=value" in parts. Raises SettingError."""
    shape = re.fullmatch(r"([a-z]+)(?::([^?]*))?(?:\?(.*))?", address)
    if shape is None:
        raise SettingError(
            "The instrument's address cannot be read.",
            got=address,
            allowed="KIND:ADDRESS?option=value, for example sound:1?ac_hz=3",
            remedy="See what is there: ringland instruments",
        )
    kind, body, tail = shape.group(1), shape.group(2) or "", shape.group(3) or ""
    options = {}
    for pair in filter(None, tail.split("&")):
        key, equals, value = pair.partition("=")
        if not equals:
            raise SettingError(
                "An option of the instrument cannot be read.",
                got=pair,
                allowed="key=value, several joined by &",
            )
        options[key] = value
    return kind, body, options


def option_number(options: dict[str, str], key: str) -> float | None:
    if key not in options:
        return None
    try:
        value = float(options[key])
    except ValueError:
        value = -1.0
    if not 0.0 < value < 1e9:
        raise SettingError(f"The option {key} is no usable number.", got=options[key])
    return value


def only_options(options: dict[str, str], *allowed: str) -> None:
    """Raises SettingError for an option that is not allowed."""
    extra = set(options) - set(allowed)
    if extra:
        raise SettingError(
            "The instrument has no such option.",
            got=", ".join(sorted(extra)),
            allowed=", ".join(allowed) or "none",
        )


def _open_sound(body: str, options: dict[str, str]) -> Instrument:
    from ringland.instruments.sound import SoundInstrument

    only_options(options, "ac_hz")
    return SoundInstrument(body, ac_hz=option_number(options, "ac_hz"))


def _open_sigrok(body: str, options: dict[str, str]) -> Instrument:
    from ringland.instruments.sigrok import SigrokInstrument

    only_options(options)
    return SigrokInstrument(body)


def _open_visa(body: str, options: dict[str, str]) -> Instrument:
    from ringland.instruments.visa import VisaInstrument

    only_options(options, "profile", "library")
    if "profile" not in options:
        raise SettingError(
            "A VISA instrument needs a profile with its commands.",
            got=f"visa:{body}",
            allowed="visa:ADDRESS?profile=FILE.toml",
            remedy="The page docs/instruments.md shows a whole profile.",
        )
    return VisaInstrument(body, Path(options["profile"]), library=options.get("library", "@py"))


def _open_stream(body: str, options: dict[str, str]) -> Instrument:
    from ringland.instruments.stream import StreamInstrument

    only_options(options)
    return StreamInstrument(body)


def _find_sound() -> list[Found]:
    from ringland.instruments.sound import sound_inputs

    found = [
        Found(f"sound:{n}", f"{name}, {inputs} inputs, usually {rate:g} per second", True)
        for n, name, inputs, rate in sound_inputs()
    ]
    return found or [Found("sound:", "no sound input is connected", False)]


def _find_sigrok() -> list[Found]:
    from ringland.instruments.sigrok import sigrok_devices

    found = [Found(f"sigrok:{d.split(' - ')[0]}", d, True) for d in sigrok_devices()]
    return found or [Found("sigrok:", "sigrok-cli finds no device", False)]


def _find_visa() -> list[Found]:
    from ringland.instruments.visa import visa_resources

    found = [Found(f"visa:{r}", "needs a profile: ?profile=FILE.toml", True)
             for r in visa_resources()]  # fmt: skip
    return found or [
        Found(
            "visa:",
            "none found by itself; a LAN instrument is given by address: "
            "visa:TCPIP0::HOST::PORT::SOCKET?profile=FILE.toml",
            False,
        )
    ]


def _find_stream() -> list[Found]:
    return [Found("tcp:HOST:PORT", "connects to a recorder that sends blocks", True)]


KINDS: tuple[Kind, ...] = (
    Kind("sound", "Sound interface", "sound:1?ac_hz=3", _find_sound, _open_sound),
    Kind("sigrok", "Oscilloscopes and loggers by sigrok", "sigrok:demo", _find_sigrok,
         _open_sigrok),
    Kind("visa", "VISA and SCPI instruments",
         "visa:TCPIP0::192.168.0.9::5025::SOCKET?profile=scope.toml", _find_visa, _open_visa),
    Kind("tcp", "Stream of blocks over TCP", "tcp:192.168.0.9:5555", _find_stream, _open_stream),
)  # fmt: skip
"""Kinds in the order they are listed. The simulator and a watched folder are added above this
layer, because they need the simulator and the readers."""


def open_instrument(address: str, kinds: tuple[Kind, ...] = KINDS) -> Instrument:
    """The instrument at an address such as "sound:1" or "sound:1?label=bay 2". Nothing is sent yet.
    Raises SettingError."""
    name, body, options = split_address(address)
    label = options.pop(LABEL, None)
    for kind in kinds:
        if kind.name == name:
            opened = kind.open(body, options)
            return opened if label is None else Labelled(opened, label)
    raise SettingError(
        "There is no such kind of instrument.",
        got=address,
        allowed=", ".join(k.example for k in kinds),
        remedy="See what is there: ringland instruments",
    )


def find_instruments(kinds: tuple[Kind, ...] = KINDS) -> list[tuple[Kind, list[Found]]]:
    """Every kind with what is there, or why it cannot be used."""
    out = []
    for kind in kinds:
        try:
            out.append((kind, kind.find()))
        except RinglandError as error:
            says = " ".join(filter(None, (error.wrong, error.got, error.remedy)))
            out.append((kind, [Found(f"{kind.name}:", says, False)]))
    return out
