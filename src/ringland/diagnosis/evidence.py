"""From symptoms and answers to observations that the likelihood understands."""

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

from scipy.special import ndtr, ndtri

from ringland.diagnosis.every_cylinder import parts_of
from ringland.diagnosis.knowledge import EvidenceItem, FollowUpTest, Knowledge, Reach, Scope
from ringland.diagnosis.likelihood import Observation, answer_observation, item_observation
from ringland.errors import BadInput
from ringland.model import GivenAnswer, MetricTable, State, Symptom, SymptomTable

__all__ = ["abnormal_probability", "answer_observations", "position_of", "recorded_observations"]

_SOFTNESS = 0.25
"""Width of the limit itself, as a share of the limit: nobody believes a limit to the last digit."""
_SURE = 0.997
"""No single measurement is believed further than this (a wrong channel, a slipped clamp)."""


def abnormal_probability(
    deviation: float, standard_error: float, limit: float, direction: str
) -> float:
    """Probability that the true deviation is beyond the limit, given the measured one.

    Phi((d - limit) / sqrt(standard_error^2 + (0.25 limit)^2)), cut to 0.003 .. 0.997; d is the
    deviation in the direction that counts ("low" or "high"). Unit of all three: that of the metric.
    """
    towards = -deviation if direction == "low" else deviation
    size = abs(limit)
    width = math.hypot(standard_error, _SOFTNESS * size)
    if width == 0.0:
        return _SURE if towards > 0 else 1.0 - _SURE
    return min(max(float(ndtr((towards - size) / width)), 1.0 - _SURE), _SURE)


def _limit(symptom: Symptom, metrics: MetricTable | None) -> float | None:
    if symptom.alert_limit is not None:
        return symptom.alert_limit
    try:
        return None if metrics is None else metrics.definition(symptom.metric).alert_deviation
    except KeyError:
        return None


def _standard_error(symptom: Symptom) -> float:
    deviation = symptom.deviation
    if deviation.low is None or deviation.high is None:
        return 0.0
    return (deviation.high - deviation.low) / (2.0 * _quantile(deviation.coverage))


@lru_cache(maxsize=64)
def _quantile(coverage: float) -> float:
    """Half width of the normal interval of this coverage, in standard errors."""
    return float(ndtri(0.5 + 0.5 * min(coverage, 0.999)))


def _sound_spread(symptom: Symptom, limit: float) -> float:
    """Standard deviation of sound cylinders on this engine, in units of the limit, as the p-value
    implies it: deviation over the normal quantile of the same p-value. 0 when it cannot be told."""
    p, deviation = symptom.p_value, symptom.deviation.value
    if p is None or deviation is None or not 0.0 < p < 0.4:
        return 0.0
    return abs(deviation) / float(-ndtri(p)) / abs(limit)


def _preferred(symptoms: Sequence[Symptom]) -> list[Symptom]:
    """One symptom per metric and place: against the engine's own history where there is one."""
    best: dict[tuple[str, int | None], Symptom] = {}
    for symptom in symptoms:
        if symptom.state is State.NOT_JUDGED or symptom.deviation.value is None:
            continue
        key = (symptom.metric, symptom.firing_position)
        if key not in best or symptom.compared_with == "own history":
            best[key] = symptom
    return list(best.values())


@lru_cache(maxsize=16)
def _items_by_metric(knowledge: Knowledge) -> Mapping[str, Sequence[tuple[EvidenceItem, str]]]:
    found: dict[str, list[tuple[EvidenceItem, str]]] = {}
    for item in knowledge.items:
        for metric, direction in item.metrics:
            found.setdefault(metric, []).append((item, direction))
    return found


def recorded_observations(
    knowledge: Knowledge,
    symptoms: SymptomTable,
    metrics: MetricTable | None,
    positions: int,
) -> list[Observation]:
    """One observation for every judged symptom whose metric the knowledge files mention."""
    observations = []
    by_metric = _items_by_metric(knowledge)
    for symptom in _preferred(symptoms.symptoms):
        limit = _limit(symptom, metrics)
        if limit is None or limit == 0.0 or symptom.deviation.value is None:
            continue
        for item, direction in by_metric.get(symptom.metric, ()):
            wants_position = item.scope is Scope.CYLINDER
            if wants_position != (symptom.firing_position is not None):
                continue
            error = _standard_error(symptom)
            abnormal = abnormal_probability(symptom.deviation.value, error, limit, direction)
            sign = -1.0 if direction == "low" else 1.0
            observations.append(
                item_observation(
                    knowledge,
                    item,
                    positions=positions,
                    firing_position=symptom.firing_position,
                    deviation=sign * symptom.deviation.value / abs(limit),
                    error=error / abs(limit),
                    sentence=_sentence(item, symptom, abnormal),
                    abnormal=abnormal,
                    sound_spread=_sound_spread(symptom, limit),
                )
            )
    return observations


def _sentence(item: EvidenceItem, symptom: Symptom, abnormal: float) -> str:
    where = (
        "" if symptom.firing_position is None else f"Firing position {symptom.firing_position}: "
    )
    if abnormal >= 0.5 and symptom.sentence and symptom.state is not State.NORMAL:
        return symptom.sentence
    words = item.seen if abnormal >= 0.5 else item.not_seen
    return where + words if where else words[:1].upper() + words[1:]


def position_of(
    answer: GivenAnswer, numbers: Sequence[int | None] | None, positions: int
) -> int | None:
    """Firing position of an answer; BadInput when its cylinder has no known position."""
    if answer.firing_position is not None:
        if not 1 <= answer.firing_position <= positions:
            raise BadInput(
                "There is no such firing position.",
                got=str(answer.firing_position),
                allowed=f"1 to {positions}",
            )
        return answer.firing_position
    if answer.cylinder is None:
        return None
    if numbers is None or answer.cylinder not in numbers:
        raise BadInput(
            f"The firing position of cylinder {answer.cylinder} is not known in this recording.",
            allowed="a firing position, or a recording with a trigger",
            remedy="Record again with a trigger on a known cylinder, or give the firing position.",
        )
    return list(numbers).index(answer.cylinder) + 1


def answer_observations(
    knowledge: Knowledge,
    answers: Sequence[GivenAnswer],
    numbers: Sequence[int | None] | None,
    positions: int,
) -> list[Observation]:
    """What the answers say; BadInput for unknown tests, outcomes and positions.

    One observation for every answer; for a test that is done on every cylinder one for each
    cylinder and, where it may speak of the engine as a whole, one for that. Its answers count
    together, so that a second one does not count what the first said of the others again.
    """
    observations = []
    together: dict[str, list[_Placed]] = {}
    for answer in answers:
        test = knowledge.test(answer.test)
        outcome = test.outcome_index(answer.outcome)
        placed = _Placed(answer, outcome, position_of(answer, numbers, positions))
        if placed.place is None and test.needs_place(answer.outcome):
            raise BadInput(
                f"{test.title}: which cylinder was it done on?"
                if test.scope is Scope.CYLINDER
                else f"{test.title}: which cylinder stood out?",
                allowed="a cylinder number or a firing position",
            )
        if test.scope is Scope.EVERY_CYLINDER:
            together.setdefault(test.id, []).append(placed)
        else:
            observations.append(_observation(knowledge, test, outcome, placed))
    known = numbers or (None,) * positions
    for name, found in together.items():
        observations += _of_every_cylinder(knowledge, knowledge.test(name), found, known)
    return observations


class _Placed(NamedTuple):
    """An answer with the number of its outcome and its firing position."""

    answer: GivenAnswer
    outcome: int
    place: int | None


def _of_every_cylinder(
    knowledge: Knowledge,
    test: FollowUpTest,
    found: Sequence[_Placed],
    numbers: Sequence[int | None],
) -> list[Observation]:
    """One result for all cylinders: what stood out where it did, the normal answer elsewhere.

    Of the answers in the order given a normal one of all cylinders ends what was said before. A
    normal one that names a cylinder is of that one alone. Beside an answer that speaks of the
    engine as a whole nothing is known of cylinders that are not named; beside one that speaks of a
    cylinder and its neighbour neither, for it does not say which of them it is.
    """
    parts = parts_of(test)
    whole: _Placed | None = None
    told: dict[int, _Placed] = {}
    stood_out, others_known = False, False
    for one in found:
        outcome = test.outcomes[one.outcome]
        if outcome.reach is Reach.ENGINE:
            whole = one
        elif one.place is not None:
            told[one.place] = one
            stood_out |= outcome.shows
            others_known |= outcome.reach is Reach.CYLINDER and outcome.shows
        else:
            whole, told, stood_out, others_known = None, {}, False, True
    observations = []
    if parts.whole is not None and (whole is not None or stood_out or others_known):
        number = 0 if whole is None else parts.whole.outcome_index(whole.answer.outcome)
        observations.append(_observation(knowledge, parts.whole, number, whole))
    if whole is not None or any(
        test.outcomes[one.outcome].reach is Reach.NEIGHBOURS for one in told.values()
    ):
        others_known = False
    for place, cylinder in enumerate(numbers, start=1):
        if place in told:
            number = parts.one.outcome_index(told[place].answer.outcome)
            observations.append(_observation(knowledge, parts.one, number, told[place]))
        elif others_known:
            usual = GivenAnswer(test.id, parts.one.outcomes[parts.usual].id, place, cylinder)
            placed = _Placed(usual, parts.usual, place)
            observations.append(_observation(knowledge, parts.one, parts.usual, placed))
    return observations


def _observation(
    knowledge: Knowledge, test: FollowUpTest, outcome: int, placed: _Placed | None
) -> Observation:
    """Outcome number `outcome` of a test in words, as the likelihood understands it."""
    title = test.outcomes[outcome].title
    answer, place = (None, None) if placed is None else (placed.answer, placed.place)
    where = ""
    if answer is not None and answer.cylinder is not None and test.scope is Scope.CYLINDER:
        where = f" on cylinder {answer.cylinder}"
    elif place is not None and test.scope is Scope.CYLINDER:
        where = f" on firing position {place}"
    return answer_observation(
        knowledge,
        test,
        place,
        outcome,
        sentence=f"{test.title}{where}: {_lower(title)}",
        excess=None if answer is None else dict(answer.readings).get("excess"),
    )


def _lower(text: str) -> str:
    """First letter small, unless the word is a code such as P0300."""
    return text if text[1:2].isdigit() or text[1:2].isupper() else text[:1].lower() + text[1:]
