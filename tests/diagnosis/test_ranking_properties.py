"""Whatever the symptoms and answers, the ranking stays a distribution."""

import math

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ringland.advice import actions, next_tests
from ringland.advice.value import answer_probability
from ringland.diagnosis import diagnose, load_knowledge
from ringland.diagnosis.knowledge import Scope
from ringland.model import EngineSpec, Estimate, GivenAnswer, State, Symptom, SymptomTable

KNOWLEDGE = load_knowledge()
METRICS = [*sorted({m for i in KNOWLEDGE.items for m, _ in i.metrics}), "not_a_known_metric"]
ENGINE = EngineSpec("three", 3, (1, 3, 2), (0.0, 240.0, 480.0))

number = st.floats(-1e6, 1e6)
symptom = st.builds(
    lambda metric, position, value, error, limit, state: Symptom(
        metric, position, state, Estimate.from_se(value, error, "1"), limit, None, None, "own", ""
    ),
    st.sampled_from(METRICS),
    st.sampled_from([None, 1, 2, 3]),
    number,
    st.floats(0.0, 1e6),
    st.sampled_from([None, 0.0, -0.15, 0.3, 1e-9, 1e9]),
    st.sampled_from(list(State)),
)


@st.composite
def answers(draw: st.DrawFn) -> GivenAnswer:
    """Any outcome of any test at any position."""
    test = draw(st.sampled_from(KNOWLEDGE.tests))
    outcome = draw(st.sampled_from(test.outcomes))
    place = draw(st.integers(1, 3)) if test.scope is not Scope.ENGINE else None
    readings = draw(st.sampled_from([(), (("excess", 0.4),), (("excess", 80.0),)]))
    return GivenAnswer(test.id, outcome.id, place, None, readings)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(symptom, max_size=12), st.lists(answers(), max_size=5))
def test_the_ranking_is_a_distribution(found: list[Symptom], given: list[GivenAnswer]) -> None:
    d = diagnose(SymptomTable(tuple(found), 0.01, 0.05), None, None, ENGINE, answers=given)
    probabilities = [c.probability for c in d.causes] + [d.healthy, d.none_of_these]
    assert all(math.isfinite(p) and -1e-15 <= p <= 1 + 1e-12 for p in probabilities)
    assert abs(math.fsum(probabilities) - 1.0) < 1e-12
    shares = [c.probability for c in d.causes]
    assert shares == sorted(shares, reverse=True)
    for cause in d.causes:
        assert cause.present is not None and cause.present >= cause.probability - 1e-12
        assert all(w.bits > 0 and math.isfinite(w.bits) for w in cause.speaks_for)
        assert all(w.bits < 0 and math.isfinite(w.bits) for w in cause.speaks_against)
    for test in next_tests(d):
        total = sum(o.probability for o in test.outcomes)
        if KNOWLEDGE.test(test.test).scope is Scope.EVERY_CYLINDER:
            # two that stand out at once are not among the answers: they are what is left
            assert d.outlook is not None
            asked = next(t for t in d.outlook.tests if t.test == test.test)
            every = dict(
                zip(
                    asked.outcomes,
                    answer_probability(d.outlook.probability, asked.likelihood).tolist(),
                    strict=True,
                )
            )
            total += every[""]
        assert abs(total - 1.0) < 1e-9
        assert test.information_bits >= 0
    assert actions(d)
