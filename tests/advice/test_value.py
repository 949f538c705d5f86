"""Value of information against a published decision problem and brute force."""

import numpy as np
import pytest

from ringland.advice.value import (
    answer_probability,
    entropy_bits,
    expected_information_bits,
    posterior_given_answer,
    value_of_perfect_information,
    value_of_test,
)

# Oil wildcatter, Raiffa, Decision Analysis (1968), numbers from memory: dry, wet, soaking
PRIOR = np.array([0.5, 0.3, 0.2])
PAYOFF = np.array([[-70.0, 50.0, 200.0], [0.0, 0.0, 0.0]])
SEISMIC = np.array([[0.6, 0.3, 0.1], [0.3, 0.4, 0.4], [0.1, 0.3, 0.5]])
COST = 10.0


def test_oil_wildcatter() -> None:
    without = float((PAYOFF @ PRIOR).max())
    gain = value_of_test(PRIOR, SEISMIC, PAYOFF)
    assert without == pytest.approx(20.0, abs=1e-6)
    assert value_of_perfect_information(PRIOR, PAYOFF) == pytest.approx(35.0, abs=1e-6)
    assert without + gain == pytest.approx(32.5, abs=1e-6)
    assert gain == pytest.approx(12.5, abs=1e-6)
    assert gain - COST == pytest.approx(2.5, abs=1e-6)


def test_oil_wildcatter_answers() -> None:
    np.testing.assert_allclose(answer_probability(PRIOR, SEISMIC), [0.41, 0.35, 0.24], atol=1e-12)
    np.testing.assert_allclose(
        posterior_given_answer(PRIOR, SEISMIC),
        [
            [0.731707, 0.219512, 0.04878],
            [0.428571, 0.342857, 0.228571],
            [0.208333, 0.375, 0.416667],
        ],
        atol=1e-6,
    )
    assert entropy_bits(PRIOR) == pytest.approx(1.485475, abs=1e-6)
    assert expected_information_bits(PRIOR, SEISMIC) == pytest.approx(0.160411, abs=1e-6)


def test_against_enumeration() -> None:
    """200 random problems: every strategy (a decision for each answer) tried in turn, and mutual
    information from the joint table."""
    for seed in range(200):
        rng = np.random.default_rng(seed)
        n, answers, decisions = (int(k) for k in rng.integers(2, 5, 3))
        prior = rng.dirichlet(np.ones(n))
        likelihood = rng.dirichlet(np.ones(answers), n).T
        payoff = rng.normal(size=(decisions, n))
        best = max(
            sum(
                prior[s] * likelihood[a, s] * payoff[strategy[a], s]
                for s in range(n)
                for a in range(answers)
            )
            for strategy in np.ndindex(*(decisions,) * answers)
        )
        now = max(sum(prior[s] * payoff[d, s] for s in range(n)) for d in range(decisions))
        assert value_of_test(prior, likelihood, payoff) == pytest.approx(best - now, abs=1e-12)
        joint = likelihood * prior
        table = joint * np.log2(joint / (joint.sum(1, keepdims=True) * joint.sum(0)))
        assert expected_information_bits(prior, likelihood) == pytest.approx(table.sum(), abs=1e-12)


def test_a_test_that_cannot_tell_is_worth_nothing() -> None:
    useless = np.full((2, 3), 0.5)
    assert value_of_test(PRIOR, useless, PAYOFF) == pytest.approx(0.0, abs=1e-12)
    assert expected_information_bits(PRIOR, useless) == pytest.approx(0.0, abs=1e-12)
    certain = np.eye(3)
    assert value_of_test(PRIOR, certain, PAYOFF) == pytest.approx(35.0)
    assert expected_information_bits(PRIOR, certain) == pytest.approx(entropy_bits(PRIOR))
