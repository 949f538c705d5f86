"""An instrument's own faults, measured once and kept with their date.

Noise: inputs short-circuited or caps on the hoses. Skew: one signal on all inputs. Polarity: a puff
into each hose. Equations: docs/instruments.md. Kept per instrument in one JSON file of the user.
"""

import json
import os
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ringland.errors import SettingError
from ringland.model import Channel, Recording

__all__ = [
    "ChannelCheck",
    "InstrumentCheck",
    "corrected",
    "measure_noise",
    "measure_polarity",
    "measure_skew",
    "read_checks",
    "store_path",
    "write_check",
]

FloatArray = NDArray[np.float64]

_STEP_OVER_NOISE = 8.0
_SEGMENTS = 8
_LEAST_COHERENCE = 0.95


@dataclass(frozen=True)
class ChannelCheck:
    """What is known of one input; None where not measured.

    `noise_rms` in its unit; `mains_share` of the noise power near 50 and 60 Hz and their third
    multiples; `skew_s` how late against the first input, `skew_se_s` its standard error;
    `polarity` +1 or -1.
    """

    name: str
    noise_rms: float | None = None
    mains_share: float | None = None
    skew_s: float | None = None
    skew_se_s: float | None = None
    polarity: int | None = None


@dataclass(frozen=True)
class InstrumentCheck:
    """All inputs of one instrument. Dates are ISO 8601, by what was measured."""

    instrument: str
    channels: tuple[ChannelCheck, ...]
    dates: tuple[tuple[str, str], ...] = ()


def measure_noise(recording: Recording) -> tuple[ChannelCheck, ...]:
    """Noise of every channel, with nothing at the inputs."""
    return tuple(
        ChannelCheck(c.name, noise_rms=float(np.nanstd(c.samples)), mains_share=_mains_share(c))
        for c in recording.channels
    )


def _mains_share(channel: Channel) -> float:
    values = np.nan_to_num(channel.samples - np.nanmean(channel.samples))
    power = np.abs(np.fft.rfft(values * np.hanning(len(values)))) ** 2
    frequency = np.fft.rfftfreq(len(values), 1.0 / channel.rate_hz)
    near = np.zeros(len(power), dtype=bool)
    for line in (50.0, 60.0, 150.0, 180.0):
        near |= np.abs(frequency - line) < max(1.0, 2.0 * channel.rate_hz / len(values))
    total = float(power[1:].sum())
    return float(power[near].sum()) / total if total > 0.0 else 0.0


def measure_skew(recording: Recording) -> tuple[ChannelCheck, ...]:
    """Delay of every channel against the first, one and the same signal on all.

    Slope of the phase of the cross-spectrum over frequency, weighted by coherence, in pieces whose
    scatter gives the standard error. Raises SettingError where a channel does not follow the first.
    """
    first = recording.channels[0]
    out = [ChannelCheck(first.name, skew_s=0.0, skew_se_s=0.0)]
    for channel in recording.channels[1:]:
        delays, coherence = _delays_s(first.samples, channel.samples, first.rate_hz)
        if coherence < _LEAST_COHERENCE:
            raise SettingError(
                f"{channel.name} does not see the signal that {first.name} sees.",
                got=f"{100.0 * coherence:.0f} % in common",
                allowed=f"{100.0 * _LEAST_COHERENCE:.0f} % or more",
                remedy="Put one lively signal on all inputs, none clipping, and record again.",
            )
        error = float(np.std(delays, ddof=1)) / np.sqrt(len(delays))
        out.append(
            ChannelCheck(channel.name, skew_s=float(np.mean(delays)), skew_se_s=float(error))
        )
    return tuple(out)


def _delays_s(a: FloatArray, b: FloatArray, rate_hz: float) -> tuple[FloatArray, float]:
    length = len(a) // _SEGMENTS
    if length < 64:
        raise SettingError(
            "The recording is too short to measure the skew.",
            got=f"{len(a)} samples",
            allowed=f"{64 * _SEGMENTS} or more",
        )
    window = np.hanning(length)
    pairs = []
    for k in range(_SEGMENTS):
        x = np.nan_to_num(a[k * length : (k + 1) * length] - np.nanmean(a))
        y = np.nan_to_num(b[k * length : (k + 1) * length] - np.nanmean(b))
        pairs.append((np.fft.rfft(x * window), np.fft.rfft(y * window)))
    cross = np.sum([np.conj(x) * y for x, y in pairs], axis=0)
    power_x = np.sum([np.abs(x) ** 2 for x, _ in pairs], axis=0)
    power_y = np.sum([np.abs(y) ** 2 for _, y in pairs], axis=0)
    coherence = np.abs(cross) ** 2 / np.maximum(power_x * power_y, 1e-300)
    strong = (power_x > 1e-4 * np.max(power_x)) & (coherence > 0.5)
    strong[0] = False
    share = float(np.abs(cross)[1:].sum() / np.sqrt(power_x[1:].sum() * power_y[1:].sum()))
    omega = 2.0 * np.pi * np.fft.rfftfreq(length, 1.0 / rate_hz)
    delays = []
    for x, y in pairs:
        piece = np.conj(x) * y
        weight = np.where(strong, np.abs(piece), 0.0) + 1e-300
        phase = np.angle(piece)
        near = np.abs(omega) * 1.0 / rate_hz < np.pi  # a delay below one sample does not wrap
        use = strong & near
        top = float(np.sum(weight[use] * omega[use] * phase[use]))
        delays.append(-top / float(np.sum(weight[use] * omega[use] ** 2)) if use.any() else 0.0)
    return np.asarray(delays), share


def measure_polarity(recording: Recording) -> tuple[ChannelCheck, ...]:
    """Sign of the first clear movement of each channel when pressure is put on it.

    The first quarter of the recording must be quiet. Raises SettingError where nothing moves.
    """
    out = []
    for channel in recording.channels:
        values = channel.samples - np.nanmedian(channel.samples[: len(channel.samples) // 4])
        quiet = float(np.nanstd(values[: len(values) // 4]))
        moved = np.flatnonzero(np.abs(values) > max(_STEP_OVER_NOISE * quiet, 1e-12))
        if not len(moved):
            raise SettingError(
                f"{channel.name} did not move.",
                allowed=f"a puff {_STEP_OVER_NOISE:.0f} times above the noise",
                remedy="Wait two seconds, then blow or tap into the hose once.",
            )
        first = moved[0]
        width = max(3, round(0.005 * channel.rate_hz))
        out.append(
            ChannelCheck(
                channel.name, polarity=1 if values[first : first + width].mean() > 0 else -1
            )
        )
    return tuple(out)


def corrected(recording: Recording, check: InstrumentCheck) -> Recording:
    """The recording with skew and polarity of its instrument taken out; notes say so."""
    known = {c.name: c for c in check.channels}
    channels, notes = [], list(recording.notes)
    for channel in recording.channels:
        found = known.get(channel.name)
        samples, span = channel.samples, channel.full_scale
        if found is not None and found.skew_s:
            samples = _earlier(samples, found.skew_s * channel.rate_hz)
            notes.append(f"{channel.name}: {1e6 * found.skew_s:.3g} us of skew taken out")
        if found is not None and found.polarity == -1:
            samples = -samples
            span = None if span is None else (-span[1], -span[0])
            notes.append(f"{channel.name}: turned over, as its sensor's check found")
        channels.append(replace(channel, samples=samples, full_scale=span))
    return replace(recording, channels=tuple(channels), notes=tuple(notes))


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


def store_path() -> Path:
    """The user's file of instrument checks; RINGLAND_DATA names another folder."""
    folder = os.environ.get("RINGLAND_DATA", "")
    if not folder or "://" in folder:
        from platformdirs import user_data_path

        return user_data_path("ringland", appauthor=False) / "instruments.json"
    return Path(folder) / "instruments.json"


def read_checks(path: Path) -> dict[str, InstrumentCheck]:
    """Checks by instrument; an unreadable file counts as none only when it is not there."""
    if not path.exists():
        return {}
    try:
        told: dict[str, Any] = json.loads(path.read_text("utf-8"))
        return {
            str(name): InstrumentCheck(
                str(name),
                tuple(ChannelCheck(**c) for c in entry["channels"]),
                tuple((str(k), str(v)) for k, v in entry["dates"].items()),
            )
            for name, entry in told["instruments"].items()
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise SettingError(
            "The file of instrument checks cannot be read.",
            got=f"{path}: {error}",
            remedy="Move it away and check the instruments again.",
        ) from error


def write_check(
    path: Path, instrument: str, what: str, channels: tuple[ChannelCheck, ...]
) -> InstrumentCheck:
    """Add what was measured to what is known of the instrument; written beside, then moved."""
    known = read_checks(path)
    old = known.get(instrument, InstrumentCheck(instrument, ()))
    merged = {c.name: c for c in old.channels}
    for channel in channels:
        news = {k: v for k, v in asdict(channel).items() if v is not None and k != "name"}
        merged[channel.name] = replace(merged.get(channel.name, ChannelCheck(channel.name)), **news)
    dates = {**dict(old.dates), what: datetime.now(UTC).isoformat(timespec="seconds")}
    check = InstrumentCheck(instrument, tuple(merged.values()), tuple(dates.items()))
    known[instrument] = check
    content = {
        "schema": "ringland.instrument-checks/1",
        "instruments": {
            name: {"channels": [asdict(c) for c in entry.channels], "dates": dict(entry.dates)}
            for name, entry in known.items()
        },
    }
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = path.with_suffix(".unfinished")
        beside.write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8", newline="\n")
        beside.replace(path)
    except OSError as error:
        raise SettingError(
            "The file of instrument checks cannot be written.",
            got=f"{path}: {error.strerror or error}",
        ) from error
    return check
