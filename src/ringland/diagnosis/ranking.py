"""diagnose(): ranked causes with probabilities, and what speaks for and against each."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from ringland.diagnosis.at_speed import what_speed_hides
from ringland.diagnosis.belief import Belief, believe, log_odds, shares
from ringland.diagnosis.evidence import (
    answer_observations,
    position_of,
    recorded_observations,
)
from ringland.diagnosis.hypotheses import Fault, hypotheses_for, neighbours_of
from ringland.diagnosis.joined import joint_of
from ringland.diagnosis.knowledge import FailureMode, Knowledge, Scope, knowledge_with
from ringland.diagnosis.likelihood import Observation
from ringland.diagnosis.outlook import make_outlook
from ringland.diagnosis.recordings import joined_recordings, said_by
from ringland.diagnosis.words import fault_name
from ringland.model import (
    COMPRESSION_METRICS,
    CaseEvidence,
    Cause,
    Condition,
    CylinderSet,
    Diagnosis,
    EngineSpec,
    Estimate,
    EvidenceWeight,
    GivenAnswer,
    JoinedRecording,
    LearnedPriors,
    MetricTable,
    Provenance,
    RecordedEvidence,
    State,
    SymptomTable,
    natural_frequency,
    unknown,
)
from ringland.model._arrays import BoolArray, FloatArray, IntArray
from ringland.symptoms import AGAINST_SIMULATED

__all__ = ["diagnose"]

_EXPLAINED = 6
"""Causes that get their evidence spelt out."""
_WORTH_SAYING_BITS = 0.1
_BY_RECORDING = {
    "relative_compression": (
        COMPRESSION_METRICS,
        "The answer of relative compression is not counted: a recording of the starter shows the "
        "same.",
    ),
    "crank_speed": (
        ("crank_torque_pulse",),
        "The answer of crank speed is not counted: a recording of the tooth wheel shows the same.",
    ),
}
"""Follow-up tests that are a recording: the metrics that it shows, and what is said where an answer
comes beside one."""
_NEGLIGIBLE = 1e-9
"""Hypotheses below this are left out when one piece of evidence is taken away."""


def diagnose(
    symptoms: SymptomTable,
    metrics: MetricTable | None,
    cylinders: CylinderSet | None,
    engine: EngineSpec,
    *,
    answers: Sequence[GivenAnswer] = (),
    likelihoods: CaseEvidence | None = None,
    recording: RecordedEvidence | None = None,
    also: Sequence[RecordedEvidence] = (),
    speed_rpm: float | None = None,
    complaint: bool = False,
    priors: LearnedPriors | None = None,
    knowledge: Knowledge | None = None,
) -> Diagnosis:
    """Rank the causes of what was recorded and answered.

    `answers`: what follow-up tests said. `likelihoods`: what simulated reference cases say of the
    same recording; without them the tables of the knowledge files are used alone. `recording`
    and `also`: how this recording was made, and other recordings of the same engine (another speed,
    other channels, an earlier visit), which count for what they add to it. `speed_rpm`: mean speed,
    where `recording` does not tell it.
    `complaint`: somebody complained about this engine, so that a fault is likelier beforehand.
    `priors`: shares of the failure modes learned from confirmed outcomes (default: those that come
    with the package); not together with a `knowledge` of one's own.

    Probabilities of all causes, `healthy` and `none_of_these` sum to 1 within 1e-12. Raises
    BadInput for answers that name unknown tests, outcomes or cylinders.
    """
    knowledge = knowledge or knowledge_with(priors)
    numbers = _numbers(cylinders, engine)
    observations = recorded_observations(knowledge, symptoms, metrics, engine.cylinders)
    today = (symptoms, *(one.symptoms for one in also if not one.earlier))
    recorded = {
        test
        for test, (metrics_of_it, _) in _BY_RECORDING.items()
        if any(_shows(one, metrics_of_it) for one in today)
    }
    by_wheel = any(
        cases is not None and "crank" in cases.channels
        for cases in (likelihoods, *(one.cases for one in also if not one.earlier))
    )
    if by_wheel:
        recorded.add("crank_speed")
    counted = [a for a in answers if a.test not in recorded]
    observations += answer_observations(knowledge, counted, numbers, engine.cylinders)
    hypotheses = hypotheses_for(
        knowledge,
        knowledge.prior_with_complaint if complaint else knowledge.prior,
        positions=engine.cylinders,
        neighbours=neighbours_of(engine, numbers),
        fuel=engine.fuel,
        aspiration=engine.aspiration,
    )
    belief = believe(knowledge, hypotheses, observations, likelihoods)
    recordings: tuple[JoinedRecording, ...] = ()
    if also:
        first = recording or _evidence(symptoms, numbers, likelihoods)
        joint = joint_of(knowledge, belief, first, also)
        belief = joint.together()
        recordings = joined_recordings(
            knowledge, joint, belief, (first, *also), leading=_ordered(belief)[:_EXPLAINED]
        )
    done = frozenset(
        (a.test, None if a.firing_position is None and a.cylinder is None else place)
        for a in answers
        for place in (position_of(a, numbers, engine.cylinders), None)
    )
    done |= {(test, None) for test in recorded}
    causes = _causes(knowledge, belief, numbers=numbers, metrics=metrics, cases=likelihoods)
    causes = _with_recordings(causes, recordings)
    healthy = float(belief.probability[0])
    nothing_listed = _unknown_share(belief)
    notes = _notes(knowledge, belief, causes, numbers)
    likeliest = max((c.probability for c in causes), default=0.0)
    answered = {a.test for a in answers}
    notes = (*notes, *(_BY_RECORDING[t][1] for t in _BY_RECORDING if t in recorded & answered))
    looks_sound = healthy > max(nothing_listed, likeliest)
    if looks_sound:
        notes = (*notes, *_still_in_alarm(symptoms))
    # what speed hides was counted on simulated cases: it is said only where these had a say
    if likelihoods is not None and looks_sound:
        own_rpm = speed_rpm if recording is None else recording.speed_rpm
        hidden = what_speed_hides([own_rpm, *(one.speed_rpm for one in also)], crank_speed=by_wheel)
        notes = notes if hidden is None else (*notes, hidden)
    if likelihoods is not None:
        notes = (*notes, *likelihoods.sound_notes)
    return Diagnosis(
        causes=causes,
        healthy=healthy,
        none_of_these=nothing_listed,
        resembles_nothing=_resembles_nothing(causes, healthy, nothing_listed, likelihoods),
        answers=tuple(answers),
        notes=notes,
        provenance=Provenance().then(
            "diagnosis",
            hypotheses=len(hypotheses.log_prior),
            observations=len(observations),
            answers=len(answers),
            simulated_cases=likelihoods is not None,
            recordings=1 + len(also),
            complaint=complaint,
        ),
        cases=likelihoods,
        recordings=recordings,
        priors=priors,
        outlook=make_outlook(knowledge, belief, numbers=numbers, engine=engine, done=done),
    )


def _still_in_alarm(symptoms: SymptomTable) -> tuple[str, ...]:
    """A measured alarm beside a ranking that calls the engine sound: one of them is wrong."""
    measured = (
        s.sentence
        for s in symptoms.symptoms
        if s.state is State.ALARM
        and s.firing_position is not None
        and s.metric != AGAINST_SIMULATED
    )
    return tuple(
        f"No cause explains this alarm well: {sentence} Do not take the engine for sound before "
        "it is settled."
        for sentence in list(measured)[:1]
    )


def _shows(symptoms: SymptomTable, metrics: Collection[str]) -> bool:
    """Whether some of these were judged, so that there is no need to ask for them."""
    return any(s.metric in metrics and s.state is not State.NOT_JUDGED for s in symptoms.symptoms)


def _numbers(cylinders: CylinderSet | None, engine: EngineSpec) -> tuple[int | None, ...] | None:
    """Cylinder number of each firing position, as far as it is known."""
    if cylinders is None or not cylinders.assignments:
        return None
    known = {a.firing_position: a.cylinder for a in cylinders.assignments}
    return tuple(known.get(p) for p in range(1, engine.cylinders + 1))


def _evidence(
    symptoms: SymptomTable,
    numbers: tuple[int | None, ...] | None,
    cases: CaseEvidence | None,
) -> RecordedEvidence:
    """The recording of which nothing more is known than what it showed."""
    return RecordedEvidence("", Condition.UNKNOWN, None, (), symptoms, numbers, cases)


def _with_recordings(
    causes: Sequence[Cause], recordings: Sequence[JoinedRecording]
) -> tuple[Cause, ...]:
    """The leading causes with what the other recordings say, one piece of evidence each."""
    if not recordings:
        return tuple(causes)
    found = []
    for rank, cause in enumerate(causes):
        moved = [
            EvidenceWeight(f"recording:{number}", one.bits[rank], said_by(one))
            for number, one in enumerate(recordings)
            if number and rank < len(one.bits) and abs(one.bits[rank]) >= _WORTH_SAYING_BITS
        ]
        for_it = (*cause.speaks_for, *(w for w in moved if w.bits > 0))
        against = (*cause.speaks_against, *(w for w in moved if w.bits < 0))
        found.append(
            replace(
                cause,
                speaks_for=tuple(sorted(for_it, key=lambda w: -w.bits)),
                speaks_against=tuple(sorted(against, key=lambda w: w.bits)),
            )
        )
    return tuple(found)


def _unknown_share(belief: Belief) -> float:
    share, _ = shares(belief)
    unknown_modes = belief.hypotheses.unknown
    unknown_faults = [f.mode in unknown_modes for f in belief.hypotheses.faults]
    return float(share[np.array(unknown_faults)].sum())


def _causes(
    knowledge: Knowledge,
    belief: Belief,
    *,
    numbers: Sequence[int | None] | None,
    metrics: MetricTable | None,
    cases: CaseEvidence | None,
) -> tuple[Cause, ...]:
    """All known faults, most probable first; the leading ones with their evidence."""
    share, present = shares(belief)
    h = belief.hypotheses
    order = _ordered(belief)
    leading = order[:_EXPLAINED]
    weights = _evidence_weights(belief, leading, cases)
    measured, abnormal = _measured_severities(knowledge, metrics), _most_abnormal(belief)
    causes = []
    for rank, index in enumerate(order):
        fault = h.faults[index]
        mode = knowledge.modes[fault.mode - 1]
        position = fault.positions[0] if fault.positions else None
        known = [] if numbers is None else [numbers[p - 1] for p in fault.positions]
        moved = weights[rank] if rank < len(leading) else ()
        causes.append(
            Cause(
                failure_mode=mode.id,
                name=mode.name
                if len(fault.positions) < 2
                else fault_name(mode, fault.positions, numbers),
                firing_position=position,
                cylinder=known[0] if known else None,
                probability=float(share[index]),
                severity=_severity(mode, position, measured, cases),
                speaks_for=tuple(w for w in moved if w.bits > 0),
                speaks_against=tuple(reversed([w for w in moved if w.bits < 0])),
                would_also_show=_would_also_show(knowledge, abnormal, mode, position)
                if rank < len(leading)
                else (),
                present=float(present[index]),
                firing_positions=tuple(fault.positions),
                cylinders=() if None in known else tuple(n for n in known if n is not None),
            )
        )
    return tuple(causes)


def _ordered(belief: Belief) -> list[int]:
    """Indices of the listed faults, most probable first."""
    share, _ = shares(belief)
    faults, unknown_modes = belief.hypotheses.faults, belief.hypotheses.unknown
    order = np.argsort(-share, kind="stable").tolist()
    return [i for i in order if faults[i].mode not in unknown_modes]


def _evidence_weights(
    belief: Belief, leading: Sequence[int], cases: CaseEvidence | None
) -> list[tuple[EvidenceWeight, ...]]:
    """Weight of each piece of evidence for each leading fault: log2 of the odds that the fault is
    there with everything, over the odds without that one piece."""
    counts = np.flatnonzero(belief.probability > _NEGLIGIBLE)
    members = belief.hypotheses.members[counts]
    masks: BoolArray = np.array([(members == f).any(1) for f in leading], dtype=np.bool_)
    with_all = log_odds(masks, belief.probability[counts])
    found: list[list[EvidenceWeight]] = [[] for _ in leading]
    for seen in belief.observations:
        if seen.judged_by(cases):
            continue  # part of what the cases say
        bits = with_all - log_odds(masks, belief.without(seen, counts))
        for row, value in enumerate(bits):
            if abs(value) >= _WORTH_SAYING_BITS:
                found[row].append(EvidenceWeight(_evidence_id(seen), float(value), seen.sentence))
    if cases is not None:
        for row, weights in enumerate(
            _case_weights(belief, masks, counts, with_all, alone=cases.by_crank_alone)
        ):
            fault = belief.hypotheses.faults[leading[row]]
            found[row] += [
                EvidenceWeight(
                    f"simulated_{name}", bits, _case_sentence(belief, fault, name, cases.against)
                )
                for name, bits in weights
            ]
    return [tuple(sorted(row, key=lambda w: -w.bits)) for row in found]


def _case_weights(
    belief: Belief, masks: BoolArray, counts: IntArray, with_all: FloatArray, *, alone: bool
) -> list[list[tuple[str, float]]]:
    """Per leading fault: the bits of each channel, which sum to what the cases say.

    With two channels each has the mean of what it says alone and what it adds to the other (its
    Shapley value; Shapley 1953), so that nothing they say alike is counted twice or lost. The
    crank's speed beside two pulse channels has what it adds to both. `alone`: nothing but the
    crank's speed was judged.
    """
    none = log_odds(masks, belief.without_cases(counts))
    added = {
        channel: with_all - log_odds(masks, belief.without_channel(channel, counts))
        for channel in belief.case_parts
    }
    shares: dict[str, FloatArray] = {}
    rest = with_all - none
    if len(added) > 2:
        shares["crank"] = added.pop("crank")
        rest = rest - shares["crank"]
    if len(added) == 2:
        (first, one), (second, other) = added.items()
        shares |= {first: 0.5 * (one + rest - other), second: 0.5 * (other + rest - one)}
    else:
        shares["crank" if alone else "pulses"] = rest
    return [
        [(channel, float(bits[row])) for channel, bits in shares.items()]
        for row in range(len(masks))
    ]


_HEARD = {
    "exhaust": "The exhaust pulses",
    "crankcase": "The crankcase pulses",
    "crank": "The crank's speed",
    "pulses": "The recorded pulses",
}


def _case_sentence(belief: Belief, fault: Fault, channel: str, against: str) -> str:
    """What was held against the simulated cases, with what is most unusual in it."""
    seen = [
        o
        for o in belief.observations
        if o.of_pulses
        and o.firing_position in fault.positions
        and o.abnormal >= 0.5
        and (o.key.startswith(_PREFIX.get(channel, "")))
    ]
    start = f"{_HEARD[channel]}, held against simulated engines"
    if against:
        start += " and against this engine when it passed for sound"
    if not seen:
        return start
    strongest = max(seen, key=lambda o: o.abnormal)
    return f"{start}. {strongest.sentence}"


_PREFIX = {"exhaust": "EX_", "crankcase": "CC_", "crank": "CK_"}


def _evidence_id(seen: Observation) -> str:
    return seen.key if seen.firing_position is None else f"{seen.key}:{seen.firing_position}"


def _measured_severities(
    knowledge: Knowledge, metrics: MetricTable | None
) -> dict[tuple[str, int | None], Estimate]:
    """First measured size of each metric that is the severity of some mode, by metric and place."""
    wanted = {m.severity_metric for m in knowledge.modes}
    found: dict[tuple[str, int | None], Estimate] = {}
    for value in () if metrics is None else metrics.values:
        # nothing counted is no size of a fault that is thought to be there
        if value.metric in wanted and value.estimate.value:
            found.setdefault((value.metric, value.firing_position), value.estimate)
    return found


def _severity(
    mode: FailureMode,
    position: int | None,
    measured: Mapping[tuple[str, int | None], Estimate],
    cases: CaseEvidence | None,
) -> Estimate:
    if mode.severity_metric is not None and (mode.severity_metric, position) in measured:
        return measured[mode.severity_metric, position]
    if cases is not None:
        found = cases.severity.get((mode.id, position))
        if found is not None and found.unit == mode.severity_unit:
            return found
    return unknown(
        mode.severity_unit,
        f"{mode.severity_quantity}: not measured by this recording alone",
    )


def _most_abnormal(belief: Belief) -> dict[tuple[str, int | None], float]:
    """Largest probability of being abnormal of each item and place that was observed."""
    found: dict[tuple[str, int | None], float] = {}
    for seen in belief.observations:
        place = (seen.key, seen.firing_position)
        found[place] = max(seen.abnormal, found.get(place, seen.abnormal))
    return found


def _would_also_show(
    knowledge: Knowledge,
    abnormal: Mapping[tuple[str, int | None], float],
    mode: FailureMode,
    position: int | None,
) -> tuple[str, ...]:
    """What is usual with this fault and was not seen, or not looked at."""
    sentences = []
    for item in knowledge.items:
        if item.likelihood.get(mode.id, item.sound) < 0.5:
            continue
        seen = abnormal.get((item.id, position if item.scope is Scope.CYLINDER else None))
        if seen is None:
            sentences.append(
                f"{item.would_show[:1].upper()}{item.would_show[1:]}: not looked at yet"
            )
        elif seen < 0.3:
            sentences.append(f"{item.would_show[:1].upper()}{item.would_show[1:]}: not seen")
    return tuple(sorted(sentences, key=lambda s: s.endswith("yet")))


def _resembles_nothing(
    causes: Sequence[Cause], healthy: float, nothing_listed: float, cases: CaseEvidence | None
) -> str | None:
    if cases is not None and cases.resembles_nothing is not None:
        return cases.resembles_nothing
    best = max((c.probability for c in causes), default=0.0)
    if nothing_listed > max(best, healthy, 0.25):
        return (
            "This does not look like any fault in the list "
            f"({natural_frequency(nothing_listed)} that it is something else)."
        )
    return None


def _notes(
    knowledge: Knowledge,
    belief: Belief,
    causes: Sequence[Cause],
    numbers: Sequence[int | None] | None,
) -> tuple[str, ...]:
    notes = []
    h = belief.hypotheses
    two = np.flatnonzero(h.members[:, 1] >= 0)
    if len(two):
        chance = float(belief.probability[two].sum())
        best = int(two[np.argmax(belief.probability[two])])
        if chance >= 0.05:
            names = [
                fault_name(knowledge.modes[h.faults[m].mode - 1], h.faults[m].positions, numbers)
                for m in h.members[best]
            ]
            notes.append(
                f"Two faults at once: {natural_frequency(chance)}; likeliest: "
                f"{names[0]} together with {names[1]}."
            )
    alike = _same_family(knowledge, causes)
    if alike is not None:
        notes.append(alike)
    return tuple(notes)


def _same_family(knowledge: Knowledge, causes: Sequence[Cause]) -> str | None:
    """A sentence when the two leading causes are of one family in the same place."""
    if len(causes) < 2 or causes[1].probability < 0.1:
        return None
    first, second = causes[0], causes[1]
    same_place = first.firing_position == second.firing_position
    if not same_place or (
        knowledge.mode(first.failure_mode).family != knowledge.mode(second.failure_mode).family
    ):
        return None
    other = second.titled[:1].lower() + second.titled[1:]
    return f"{first.titled} and {other} look alike from outside; a follow-up test tells them apart."
