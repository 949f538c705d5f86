"""What was measured of an instrument itself, and how it is taken out of its recordings.

A calibration belongs to one input of one instrument. It goes into the head of the kept file when a
recording begins, so that whatever becomes of the recording later, the same one is used.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from enum import StrEnum
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ringland.instruments.labelled import named
from ringland.instruments.protocol import LiveChannel, SetUp
from ringland.model import Channel, Recording
from ringland.model.provenance import Scalar

__all__ = [
    "OLD_AFTER_DAYS",
    "Calibration",
    "CalibrationKind",
    "Correction",
    "age_days",
    "as_plain",
    "calibrated",
    "corrections",
    "from_plain",
    "in_force",
    "said_age",
    "said_value",
]

FloatArray = NDArray[np.float64]

OLD_AFTER_DAYS = 365.0
"""Older than this is said to be old (own heuristic, not validated); it is used all the same."""
_SAME_RATE = 0.01
_DAY_S = 86_400.0


class CalibrationKind(StrEnum):
    """What was measured."""

    NOISE = "noise"
    SKEW = "skew"
    POLARITY = "polarity"
    STEP = "step"


@dataclass(frozen=True)
class Calibration:
    """One quantity of one input.

    `instrument` what it calls itself, `which` its serial number or label, `address` where it was,
    `input` its own name for the input, `role` what was connected. `value`: RMS in `unit` (noise),
    seconds late against the input `reference` (skew), +1 or -1 (polarity), height in `unit` (step).
    `readings`: what else was measured. `measured_utc` ISO 8601.
    """

    what: CalibrationKind
    instrument: str
    address: str
    input: str
    role: str
    measured_utc: str
    rate_hz: float
    value: float
    standard_error: float | None = None
    unit: str = "1"
    reference: str = ""
    readings: Mapping[str, float] = field(default_factory=dict)
    which: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "readings", MappingProxyType(dict(self.readings)))


def as_plain(calibration: Calibration) -> dict[str, Any]:
    """For JSON."""
    return {
        **vars(calibration),
        "what": calibration.what.value,
        "readings": dict(calibration.readings),
    }


def from_plain(told: Mapping[str, Any]) -> Calibration:
    """Back from JSON. Raises KeyError, TypeError or ValueError for what makes no sense."""
    error = told.get("standard_error")
    made = Calibration(
        what=CalibrationKind(told["what"]),
        instrument=str(told["instrument"]),
        address=str(told["address"]),
        input=str(told["input"]),
        role=str(told["role"]),
        measured_utc=str(told["measured_utc"]),
        rate_hz=float(told["rate_hz"]),
        value=float(told["value"]),
        standard_error=None if error is None else float(error),
        unit=str(told.get("unit", "1")),
        reference=str(told.get("reference", "")),
        readings={str(k): float(v) for k, v in dict(told.get("readings", {})).items()},
        which=str(told.get("which", "")),
    )
    _moment(made.measured_utc)
    known = (made.rate_hz, made.value, made.standard_error or 0.0, *made.readings.values())
    if not all(math.isfinite(v) for v in known):
        raise ValueError("a number that is not finite")
    return made


def in_force(known: Iterable[Calibration], set_up: SetUp) -> tuple[Calibration, ...]:
    """The newest of each quantity for the inputs that are recorded. Skew depends on how an
    instrument takes its samples, so that of the same rate comes before a newer one of another."""
    inputs = {c.input for c in set_up.channels}
    newest: dict[tuple[str, str], tuple[bool, datetime, Calibration]] = {}
    for one in known:
        if not _same_instrument(one, set_up) or one.input not in inputs:
            continue
        fits = one.what is not CalibrationKind.SKEW or _same_rate(one, set_up)
        rank = (fits, _moment(one.measured_utc))
        key = (one.what.value, one.input)
        if key not in newest or rank > newest[key][:2]:
            newest[key] = (*rank, one)
    return tuple(newest[key][2] for key in sorted(newest))


def _same_instrument(one: Calibration, set_up: SetUp) -> bool:
    """By what it calls itself and which one of that name it is: the number of a device changes when
    it is plugged in again. One without a serial counts where the name has the serial in it."""
    kind, _, _ = set_up.instrument.partition(":")
    same = one.which == set_up.which or (not one.which and set_up.which in set_up.title)
    return same and one.instrument == set_up.title and one.address.partition(":")[0] == kind


def _same_rate(one: Calibration, set_up: SetUp) -> bool:
    return abs(one.rate_hz - set_up.rate_hz) <= _SAME_RATE * set_up.rate_hz


def age_days(calibration: Calibration, at: datetime | None = None) -> float:
    """Days from the measurement to `at` (now); negative when the clock was set back."""
    moment = datetime.now(UTC) if at is None else at
    return (moment - _moment(calibration.measured_utc)).total_seconds() / _DAY_S


def said_age(calibration: Calibration, at: datetime | None = None) -> str:
    """ "3 days ago", with what follows when it is old or from the future."""
    days = age_days(calibration, at)
    if days < -1.0:
        return "dated later than now: a clock is or was wrong; measure it again"
    said = "today" if days < 1.0 else f"{days:.0f} day{'' if days < 1.5 else 's'} ago"
    if days > OLD_AFTER_DAYS:
        return f"{said}, older than {OLD_AFTER_DAYS:.0f} days: measure it again"
    return said


def said_value(one: Calibration) -> str:
    """What was found, in one line. Intervals hold 9 times in 10."""
    if one.what is CalibrationKind.NOISE:
        share = one.readings.get("mains_share")
        mains = "" if share is None else f", {100.0 * share:.0f} % of its power mains"
        return f"noise {one.value:.3g} {_unit(one)}RMS{mains}"
    if one.what is CalibrationKind.SKEW:
        if one.input == one.reference:
            return "skew: the others are measured against it"
        half = "" if one.standard_error is None else f" +- {1.645e6 * one.standard_error:.2f}"
        return (
            f"skew {1e6 * one.value:.2f}{half} us late against {one.reference}, "
            f"at {one.rate_hz:g} samples per second"
        )
    if one.what is CalibrationKind.POLARITY:
        return (
            f"polarity {'as it should be' if one.value > 0.0 else 'turned over'}, with {one.role}"
        )
    said = [f"step {one.value:.3g} {_unit(one)}".rstrip()]
    readings = one.readings
    if "rise_s" in readings:
        said.append(f"rise (10 to 90 %) {1e3 * readings['rise_s']:.3g} ms")
    if "corner_hz" in readings:
        said.append(f"lower corner {readings['corner_hz']:.2g} Hz")
    if "per_pa" in readings:
        said.append(f"{readings['per_pa']:.3g} {_unit(one)}per Pa")
    return ", ".join(said) + f", with {one.role}"


def _unit(one: Calibration) -> str:
    return "" if one.unit in ("", "1") else f"{one.unit} "


@dataclass(frozen=True)
class Correction:
    """What is done to one channel: samples taken `earlier_s` and turned over or not. `says` it, and
    what is known but not used and why; `settings` for the provenance, empty when nothing is
    known."""

    channel: str
    earlier_s: float
    turned: bool
    says: tuple[str, ...]
    settings: Mapping[str, Scalar]


def corrections(
    set_up: SetUp, known: Sequence[Calibration], started_utc: str
) -> tuple[Correction, ...]:
    """What the calibrations in force make of each channel of a recording begun then."""
    at = _moment(started_utc) if known else datetime.now(UTC)
    by_input = {(c.what, c.input): c for c in known}
    skews = _usable_skews(set_up, known)
    out = []
    for live in set_up.channels:
        earlier_s, turned = 0.0, False
        says: list[str] = []
        settings: dict[str, Scalar] = {}
        for kind in CalibrationKind:
            one = by_input.get((kind, live.input))
            if one is None:
                continue
            used = False
            if kind is CalibrationKind.SKEW:
                used, said = not skews[live.input], skews[live.input]
                if used and one.value:
                    earlier_s = one.value
                    said = f"{1e6 * one.value:.3g} us of skew taken out"
            elif kind is CalibrationKind.POLARITY:
                used, said = one.role == live.role.value, ""
                turned = used and one.value < 0.0
                if not used:
                    said = f"polarity not used: it was measured here with {one.role} connected"
                elif turned:
                    said = "turned over, as its sensor's polarity was found"
            else:
                said = ""
            if said:
                says.append(f"{live.name}: {said} (measured {said_age(one, at)})")
            settings |= _told(live, one, used=used)
        out.append(Correction(live.name, earlier_s, turned, tuple(says), settings))
    return tuple(out)


def calibrated(
    recording: Recording, set_up: SetUp, known: Sequence[Calibration], started_utc: str
) -> Recording:
    """Skew and polarity taken out of a recording whose channels are those of `set_up`; notes and
    provenance say so (see `corrections`)."""
    planned = corrections(set_up, known, started_utc)
    settings = {k: v for one in planned for k, v in one.settings.items()}
    if not settings:
        return recording
    channels = [_changed(c, one) for c, one in zip(recording.channels, planned, strict=True)]
    return replace(
        recording,
        channels=tuple(channels),
        notes=(*recording.notes, *(text for one in planned for text in one.says)),
        provenance=recording.provenance.then(
            "instruments.calibrated", instrument=named(set_up.title, set_up.which), **settings
        ),
    )


def _changed(channel: Channel, one: Correction) -> Channel:
    samples, span = channel.samples, channel.full_scale
    if one.earlier_s:
        samples = _earlier(samples, one.earlier_s * channel.rate_hz)
    if one.turned:
        samples = -samples
        span = None if span is None else (-span[1], -span[0])
    return replace(channel, samples=samples, full_scale=span)


def _told(live: LiveChannel, one: Calibration, *, used: bool) -> dict[str, Scalar]:
    """What provenance keeps: value, date, input, and whether the samples were changed by it."""
    start = f"{live.name}.{one.what.value}"
    return {
        start: one.value,
        f"{start}.unit": one.unit,
        f"{start}.measured_utc": one.measured_utc,
        f"{start}.input": one.input,
        f"{start}.applied": used,
    }


def _usable_skews(set_up: SetUp, known: Sequence[Calibration]) -> dict[str, str]:
    """Input -> why its skew cannot be used ("" when it can)."""
    found = [c for c in known if c.what is CalibrationKind.SKEW]
    good = [c for c in found if _same_rate(c, set_up)]
    references = {c.reference for c in good}
    out = {}
    for one in found:
        why = ""
        if one not in good:
            why = (
                f"skew not taken out: it was measured at {one.rate_hz:g} samples per second; "
                f"measure it at {set_up.rate_hz:g}"
            )
        elif len(references) > 1:
            why = (
                "skew not taken out: inputs were measured against different ones "
                f"({', '.join(sorted(references))})"
            )
        out[one.input] = why
    return out


def _earlier(samples: FloatArray, by: float) -> FloatArray:
    """Samples read `by` samples later, by cubic Lagrange interpolation."""
    whole = int(np.floor(by))
    t = by - whole
    weights = (
        -t * (t - 1.0) * (t - 2.0) / 6.0,
        (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
        -(t + 1.0) * t * (t - 2.0) / 2.0,
        (t + 1.0) * t * (t - 1.0) / 6.0,
    )
    index = np.arange(len(samples)) + whole
    out = np.zeros(len(samples))
    for offset, weight in zip((-1, 0, 1, 2), weights, strict=True):
        out += weight * samples[np.clip(index + offset, 0, len(samples) - 1)]
    return out


def _moment(text: str) -> datetime:
    moment = datetime.fromisoformat(text)
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment
