"""What the networks say of one recording, and what they say together.

Equations (7), (9) and (12) of docs/theory/reference.md.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ringland.model._arrays import BoolArray, FloatArray
from ringland.reference.network import PulseNetwork

__all__ = [
    "CRANK",
    "Said",
    "against_sound",
    "over_share",
    "said_by",
    "together",
    "with_sound_recording",
]

CRANK = "crank"
"""Name of the crank's speed among the channels."""
_CAME_SINCE = 0.9
"""Probability that a fault that is there now was not there yet in the recording that passes for
sound. Own judgement, no source."""
_SINCE, _BEFORE = float(np.log(_CAME_SINCE)), float(np.log(1.0 - _CAME_SINCE))


@dataclass(frozen=True, eq=False)
class Said:
    """Log-likelihood ratios against a sound engine, and how large each fault would be.

    `ratios` (positions, kinds) from all `channels`; `without`: the same as if one of them had not
    been recorded, where something is left. `members` (members, positions, kinds): ratios of each
    member of the network. `steps` (positions, kinds) severities, 0 least to 1 most in the
    logarithm, with standard errors `step_error` (kinds,). `strange` (positions,): unlike all cases.
    """

    channels: tuple[str, ...]
    ratios: FloatArray
    members: FloatArray
    steps: FloatArray
    step_error: FloatArray
    strange: BoolArray
    without: dict[str, FloatArray] = field(default_factory=dict)

    def lacking(self, channel: str) -> FloatArray | None:
        """`ratios` without one channel; None where nothing is left."""
        return self.ratios if channel not in self.channels else self.without.get(channel)


def said_by(
    network: PulseNetwork, values: FloatArray, share: FloatArray, channels: Sequence[str]
) -> Said:
    """What a network says of features (positions, columns) of these channels. `share` (kinds,): how
    often each kind was simulated at one position, over how often a sound engine."""
    inputs = network.inputs(values)
    hidden = tuple(channels) if len(channels) > 1 else ()
    seen = np.concatenate([inputs, *(network.hidden_inputs(inputs, c) for c in hidden)])
    scores, steps, members = network.all_outputs(seen)
    count = len(inputs)
    pictures = over_share(scores, share).reshape(1 + len(hidden), count, -1)
    size = np.round((inputs**2).mean(axis=1), 8)
    return Said(
        channels=tuple(channels),
        ratios=pictures[0],
        members=over_share(members[:, :count], share),
        steps=steps[:count],
        step_error=network.severity_error,
        strange=size > network.far,
        without=dict(zip(hidden, pictures[1:], strict=True)),
    )


def over_share(scores: FloatArray, share: FloatArray) -> FloatArray:
    """Scores less how often each kind was simulated; -inf for what never was."""
    with np.errstate(divide="ignore"):
        return np.where(share > 0.0, scores - np.log(share), -np.inf)


def together(pulses: Said | None, crank: Said | None) -> Said | None:
    """What the pulses and the crank's speed say, their errors taken as independent (eq 12); of
    each severity what the surer of the two says."""
    if pulses is None or crank is None:
        return crank if pulses is None else pulses
    without = {c: crank.ratios + pulses.without.get(c, 0.0) for c in pulses.channels}
    members = min(len(pulses.members), len(crank.members))
    surer = crank.step_error < pulses.step_error
    return Said(
        channels=(*pulses.channels, *crank.channels),
        ratios=pulses.ratios + crank.ratios,
        members=pulses.members[:members] + crank.members[:members],
        steps=np.where(surer, crank.steps, pulses.steps),
        step_error=np.where(surer, crank.step_error, pulses.step_error),
        strange=pulses.strange | crank.strange,
        without=without | {CRANK: pulses.ratios},
    )


def against_sound(alone: Said, change: Said) -> Said:
    """Both together: the fault came since the sound recording was made and shows in the change, or
    it was there already and shows only by itself. Equation (9)."""
    newer = _SINCE + change.ratios > _BEFORE + alone.ratios
    without = {}
    for channel, ratios in alone.without.items():
        left = change.lacking(channel)
        without[channel] = with_sound_recording(ratios, ratios if left is None else left)
    members = min(len(alone.members), len(change.members))
    return replace(
        alone,
        ratios=with_sound_recording(alone.ratios, change.ratios),
        members=with_sound_recording(alone.members[:members], change.members[:members]),
        steps=np.where(newer, change.steps, alone.steps),
        strange=alone.strange | change.strange,
        without=without,
    )


def with_sound_recording(alone: FloatArray, change: FloatArray) -> FloatArray:
    """Log ratios of a recording with what changed since a sound one, of those of the recording
    `alone` and of the `change` (any shape, the same)."""
    both: FloatArray = np.logaddexp(_SINCE + change, _BEFORE + alone)
    return both
