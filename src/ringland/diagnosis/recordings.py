"""What each recording of a joint ranking said, and how much it moved the leading causes."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ringland.diagnosis.belief import Belief, log_odds, shares
from ringland.diagnosis.joined import Joint
from ringland.diagnosis.knowledge import Knowledge
from ringland.diagnosis.words import fault_name
from ringland.model import (
    Condition,
    Diagnosis,
    JoinedRecording,
    RecordedEvidence,
    natural_frequency,
)
from ringland.model._arrays import BoolArray

__all__ = ["joined_recordings", "recordings_in_words", "said_by"]

_HOW = {
    Condition.IDLE: "at idle",
    Condition.HELD: "at a held speed",
    Condition.CRANKING: "cranking",
    Condition.SNAP: "in a snap of the throttle",
    Condition.UNKNOWN: "",
}


def joined_recordings(
    knowledge: Knowledge,
    joint: Joint,
    whole: Belief,
    recordings: Sequence[RecordedEvidence],
    *,
    leading: Sequence[int],
) -> tuple[JoinedRecording, ...]:
    """One entry for each recording, the first one first. `leading`: indices of faults."""
    everything = range(len(recordings))
    weights = joint.weights(everything)
    members = whole.hypotheses.members
    masks: BoolArray = np.array([(members == f).any(1) for f in leading], dtype=np.bool_)
    with_all = log_odds(masks, whole.probability)
    found = []
    for number, one in enumerate(recordings):
        rest = joint.together([k for k in everything if k != number])
        bits = with_all - log_odds(masks, rest.probability)
        turned = number > 0 and len(joint.ways[number - 1]) > 1
        alone = _alone(joint, number)
        title, probability = _leading(knowledge, alone, recordings[0] if not turned else one)
        found.append(
            JoinedRecording(
                name=one.name,
                condition=one.condition,
                speed_rpm=one.speed_rpm,
                roles=one.roles,
                healthy=float(alone.probability[0]),
                leading=title,
                leading_probability=probability,
                weight=weights[number],
                turned=turned,
                earlier=one.earlier,
                bits=tuple(float(b) for b in bits),
                evidence=one if number else None,
            )
        )
    return tuple(found)


def _alone(joint: Joint, number: int) -> Belief:
    """The belief from one recording and no answers."""
    one = joint.first if number == 0 else joint.ways[number - 1][0]
    return replace(one, log_weight=one.hypotheses.log_prior + one.own)


def _leading(
    knowledge: Knowledge, alone: Belief, counted_as: RecordedEvidence
) -> tuple[str, float]:
    """The likeliest listed cause and its probability; places as this recording counts them."""
    share, _ = shares(alone)
    h = alone.hypotheses
    listed = np.array([f.mode not in h.unknown for f in h.faults])
    best = int(np.argmax(np.where(listed, share, -1.0)))
    fault = h.faults[best]
    mode = knowledge.modes[fault.mode - 1]
    return fault_name(mode, fault.positions, counted_as.numbers), float(share[best])


def said_by(one: JoinedRecording) -> str:
    """What one recording says by itself, as a sentence without its full stop."""
    speed = "" if one.speed_rpm is None else f"{one.speed_rpm:.0f} rpm"
    how = ", ".join(
        part for part in (_HOW[one.condition], speed, "an earlier visit" * one.earlier) if part
    )
    start = f"Recording {one.name} ({how})" if how else f"Recording {one.name}"
    if one.left_out is not None:
        return f"{start}: left out. {one.left_out}"
    if one.healthy is None or one.leading_probability is None:
        return start
    if one.healthy >= one.leading_probability:
        return f"{start}, by itself: nothing wrong, {natural_frequency(one.healthy)}"
    counted = ", in its own count" if one.turned and "position" in one.leading else ""
    return (
        f"{start}, by itself: {one.leading}{counted}, {natural_frequency(one.leading_probability)}"
    )


def recordings_in_words(diagnosis: Diagnosis) -> list[str]:
    """A sentence for each recording of a joint ranking: what it said, and what that moved."""
    lines = []
    for one in diagnosis.recordings:
        said = said_by(one)
        if one.left_out is None and one.bits:
            leading = diagnosis.causes[0].titled
            said += f". It moves {leading} by {one.bits[0]:+.1f} bits"
        lines.append(said if said.endswith(".") else f"{said}.")
    return lines
