"""Blocks put together to a recording: gaps kept as missing values, AC coupling corrected."""

import itertools
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ringland.instruments.protocol import Block, SetUp
from ringland.model import Channel, Condition, Provenance, Recording, SourceInfo

__all__ = ["ac_corrected", "as_recording", "lost_spans"]

FloatArray = NDArray[np.float64]

_LONGEST_GAP_SHARE = 4.0
"""A gap may be at most this many times what was recorded; beyond it the count itself is broken."""


def lost_spans(blocks: Sequence[Block]) -> tuple[tuple[int, int], ...]:
    """Sample numbers [first, stop) that never came, between blocks."""
    return tuple((a.stop, b.first) for a, b in itertools.pairwise(blocks) if b.first > a.stop)


def as_recording(
    blocks: Sequence[Block],
    set_up: SetUp,
    *,
    condition: Condition = Condition.UNKNOWN,
    correct_ac: bool = True,
    name: str | None = None,
    notes: Sequence[str] = (),
) -> Recording:
    """One recording from the blocks of one arming.

    Lost samples are NaN, so that no later step takes them for signal. A count that goes back (the
    instrument restarted) ends the recording there, and a note says so. `correct_ac` undoes the
    declared AC coupling.
    """
    used, remarks = _one_run(blocks)
    spans = lost_spans(used)
    first = used[0].first if used else 0
    count = used[-1].stop - first if used else 0
    table = np.full((count, len(set_up.channels)), np.nan)
    for block in used:
        table[block.first - first : block.stop - first] = block.samples
    if spans:
        lost = sum(b - a for a, b in spans)
        remarks.append(f"{lost} samples in {len(spans)} gaps never came from the instrument")
    channels = []
    for column, live in enumerate(set_up.channels):
        samples, full_scale = table[:, column], live.full_scale
        if live.ac_corner_hz is not None:
            if correct_ac:
                samples = ac_corrected(samples, set_up.rate_hz, live.ac_corner_hz)
                full_scale = None  # the restored signal may leave the span of the input
                remarks.append(f"{live.name}: AC coupling of {live.ac_corner_hz:g} Hz undone")
            else:
                remarks.append(f"{live.name}: AC coupled, {live.ac_corner_hz:g} Hz, as declared")
        channels.append(
            Channel(
                name=live.name,
                role=live.role,
                samples=samples,
                rate_hz=set_up.rate_hz,
                unit=live.unit,
                start_s=0.0,
                full_scale=full_scale,
                resolution=live.resolution,
                role_reason="said when recording",
            )
        )
    return Recording(
        channels=tuple(channels),
        source=SourceInfo(name or set_up.instrument, "live"),
        condition=condition,
        notes=(*set_up.notes, *remarks, *notes),
        provenance=Provenance().then(
            "instruments.as_recording",
            instrument=set_up.instrument,
            rate_hz=set_up.rate_hz,
            blocks=len(used),
            lost_samples=sum(b - a for a, b in spans),
        ),
    )


def _one_run(blocks: Sequence[Block]) -> tuple[list[Block], list[str]]:
    used: list[Block] = []
    have = 0
    for block in blocks:
        if not len(block.samples):
            continue
        if used and block.first < used[-1].stop:
            rest = sum(len(b.samples) for b in blocks) - have
            return used, [f"the instrument started anew; {rest} samples after that are left out"]
        gap = block.first - used[-1].stop if used else 0
        if gap > _LONGEST_GAP_SHARE * max(have, 1):
            return used, ["the instrument's count jumped; what came after that is left out"]
        used.append(block)
        have += len(block.samples)
    return used, []


def ac_corrected(samples: FloatArray, rate_hz: float, corner_hz: float) -> FloatArray:
    """Undo a first-order high pass: y' + w y = x' gives x = y + w * integral of y.

    The mean stays unknown and is set to zero over the good samples; a slow drift that the integral
    of the input's own offset makes is taken off as a straight line. NaN stay NaN.
    """
    values = np.asarray(samples, dtype=np.float64)
    good = np.isfinite(values)
    if np.count_nonzero(good) < 2:
        return values.copy()
    filled = np.where(good, values, 0.0)
    step = np.zeros(len(filled))
    step[1:] = 0.5 * (filled[1:] + filled[:-1]) / rate_hz
    restored = filled + 2.0 * np.pi * corner_hz * np.cumsum(step)
    at = np.flatnonzero(good)
    slope, level = np.polyfit(at, restored[at], 1)
    restored -= slope * np.arange(len(restored)) + level
    restored[~good] = np.nan
    return np.asarray(restored)
