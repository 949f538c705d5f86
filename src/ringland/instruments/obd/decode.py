"""What the bytes of an answer mean, as published.

Scaling of service 01: SAE J1979 / ISO 15031-5. Codes: SAE J2012 / ISO 15031-6. Service 06 on CAN
(monitors A2 to AD are cylinders 1 to 12, test 0B the average of ten driving cycles, 0C this or the
last one, unit 24 counts): maker texts, Honda 2012 and Ford 2005, after SAE J1979 App. D-G.
"""

from dataclasses import dataclass

from ringland.errors import SettingError

__all__ = [
    "FUEL_SYSTEM",
    "PARAMETERS",
    "MonitorTest",
    "Parameter",
    "code_meaning",
    "code_of",
    "codes_in",
    "misfire_code",
    "monitor_tests",
    "obd_value",
    "supported",
]


@dataclass(frozen=True)
class Parameter:
    """A number of service 01: `gain` * (big-endian integer of `size` bytes) + `offset`."""

    pid: int
    id: str
    title: str
    unit: str
    size: int
    gain: float
    offset: float = 0.0


def _trim(pid: int, term: str, bank: int) -> Parameter:
    title = f"{term.capitalize()} term fuel trim, bank {bank}"
    return Parameter(pid, f"{term}_trim_{bank}", title, "%", 1, 100.0 / 128.0, -100.0)


PARAMETERS: dict[int, Parameter] = {
    p.pid: p
    for p in (
        Parameter(0x04, "load", "Calculated load", "%", 1, 100.0 / 255.0),
        Parameter(0x05, "coolant", "Coolant temperature", "degC", 1, 1.0, -40.0),
        _trim(0x06, "short", 1),
        _trim(0x07, "long", 1),
        _trim(0x08, "short", 2),
        _trim(0x09, "long", 2),
        Parameter(0x0B, "manifold_pressure", "Manifold pressure, absolute", "kPa", 1, 1.0),
        Parameter(0x0C, "speed", "Engine speed", "rpm", 2, 0.25),
        Parameter(0x0E, "timing", "Timing advance", "deg", 1, 0.5, -64.0),
        Parameter(0x0F, "intake_air", "Intake air temperature", "degC", 1, 1.0, -40.0),
        Parameter(0x10, "air_flow", "Air mass flow", "g/s", 2, 0.01),
        Parameter(0x11, "throttle", "Throttle position", "%", 1, 100.0 / 255.0),
        Parameter(0x30, "warm_ups", "Warm-ups since codes were cleared", "1", 1, 1.0),
        Parameter(0x31, "distance", "Distance since codes were cleared", "km", 2, 1.0),
        Parameter(0x43, "absolute_load", "Absolute load", "%", 2, 100.0 / 255.0),
        Parameter(0x44, "lambda", "Commanded air-fuel ratio, lambda", "1", 2, 2.0 / 65536.0),
    )
}
"""By number. 30, 31, 43 and 44 from memory."""

FUEL_SYSTEM: dict[int, tuple[bool, str]] = {
    0x01: (False, "open loop: not warm enough yet"),
    0x02: (True, "closed loop"),
    0x04: (False, "open loop: load or deceleration"),
    0x08: (False, "open loop: a fault in the system"),
    0x10: (True, "closed loop, with a fault of one oxygen sensor"),
}
"""Service 01 number 03, first byte: is it closed loop, and in words."""

_COUNTS = 0x24
_TEST_BYTES = 9


def obd_value(pid: int, data: bytes) -> tuple[float, str]:
    """A service 01 answer, without service and number, as (value, unit). Raises SettingError."""
    if pid not in PARAMETERS:
        raise SettingError(
            "This parameter is not decoded here.",
            got=f"{pid:02X}",
            allowed=", ".join(f"{p:02X}" for p in PARAMETERS),
        )
    found = PARAMETERS[pid]
    if len(data) != found.size:
        raise SettingError(
            f"{found.title}: the answer has the wrong length.",
            got=f"{len(data)} bytes",
            allowed=str(found.size),
        )
    return found.gain * int.from_bytes(data, "big") + found.offset, found.unit


def supported(first: int, bits: bytes) -> frozenset[int]:
    """Numbers marked in the four bytes that answer 00, 20, 40 ...; the first bit is `first` + 1."""
    if len(bits) != 4:
        raise SettingError("A list of what is supported has four bytes.", got=f"{len(bits)} bytes")
    word = int.from_bytes(bits, "big")
    return frozenset(first + 1 + i for i in range(32) if word >> (31 - i) & 1)


def code_of(high: int, low: int) -> str:
    """A trouble code from its two bytes: two bits letter, two bits digit, three hexadecimals."""
    return f"{'PCBU'[high >> 6]}{high >> 4 & 3:d}{high & 15:X}{low:02X}"


def codes_in(data: bytes) -> tuple[str, ...]:
    """Codes in pairs of bytes; pairs of zeros fill up. Raises SettingError for half a pair."""
    if len(data) % 2:
        raise SettingError("A list of codes has two bytes for each.", got=f"{len(data)} bytes")
    pairs = zip(data[::2], data[1::2], strict=True)
    return tuple(code_of(high, low) for high, low in pairs if high or low)


@dataclass(frozen=True)
class MonitorTest:
    """One result of service 06 on CAN. `value` None with `why` when it says nothing."""

    monitor: int
    test: int
    value: int | None
    why: str = ""


def monitor_tests(data: bytes) -> tuple[MonitorTest, ...]:
    """Results in an answer of service 06 on CAN, from the first monitor's number on.

    Nine bytes each: monitor, test, unit, then value, lowest and highest of two bytes. All three
    zero: not completed since the codes were cleared. Only counts (unit 24) are read; raises
    SettingError for a wrong length.
    """
    if not data or len(data) % _TEST_BYTES:
        raise SettingError(
            "Monitor results have nine bytes each.", got=f"{len(data)} bytes"
        )  # fmt: skip
    out = []
    for at in range(0, len(data), _TEST_BYTES):
        monitor, test, unit = data[at : at + 3]
        value, lowest, highest = (
            int.from_bytes(data[at + k : at + k + 2], "big") for k in (3, 5, 7)
        )
        if unit != _COUNTS:
            out.append(MonitorTest(monitor, test, None, f"its unit {unit:02X} is not a count"))
        elif not (value or lowest or highest):
            why = "not completed since the codes were cleared or the battery was off"
            out.append(MonitorTest(monitor, test, None, why))
        else:
            out.append(MonitorTest(monitor, test, value))
    return tuple(out)


def misfire_code(code: str) -> str | None:
    """Published meaning of a misfire trouble code (SAE J2012 / ISO 15031-6), None for others.

    P0313, P0314 and P0316 are from memory. The cylinder is the engine maker's number.
    """
    code = code.strip().upper()
    named = {
        "P0300": "Random/multiple cylinder misfire detected",
        "P0313": "Misfire detected with low fuel",
        "P0314": "Single cylinder misfire (cylinder not specified)",
        "P0316": "Misfire detected on start-up (first 1000 revolutions)",
    }
    if code in named:
        return named[code]
    if (
        len(code) == 5
        and code.startswith("P03")
        and code[3:].isdecimal()
        and 1 <= int(code[3:]) <= 12
    ):
        return f"Cylinder {int(code[3:])} misfire detected"
    return None


def code_meaning(code: str) -> str | None:
    """Meaning of the codes that a follow-up test uses (mixture codes from memory), else None."""
    mixture = {
        "P0171": "System too lean (bank 1)",
        "P0172": "System too rich (bank 1)",
        "P0174": "System too lean (bank 2)",
        "P0175": "System too rich (bank 2)",
    }
    return misfire_code(code) or mixture.get(code.strip().upper())
