"""Value of information: how much a test can be expected to tell, and to save.

States are causes (n,), answers are rows of a likelihood (answers, n), decisions are rows of a
payoff (decisions, n). Raiffa, Decision Analysis (1968), for the value of sample information.
"""

from collections.abc import Sequence

import numpy as np

from ringland.model._arrays import FloatArray

__all__ = [
    "answer_probability",
    "entropy_bits",
    "expected_information_bits",
    "information_table",
    "posterior_given_answer",
    "value_of_perfect_information",
    "value_of_test",
]


def entropy_bits(probability: FloatArray) -> float:
    """Shannon entropy of a distribution (n,), bits."""
    p = probability[probability > 0]
    return float(-(p * np.log2(p)).sum())


def answer_probability(prior: FloatArray, likelihood: FloatArray) -> FloatArray:
    """(answers,) probability of each answer before the test is done."""
    expected: FloatArray = likelihood @ prior
    return expected


def posterior_given_answer(prior: FloatArray, likelihood: FloatArray) -> FloatArray:
    """(answers, n) distribution over the states after each answer; the prior when the answer
    cannot happen."""
    joint = likelihood * prior
    total = joint.sum(1, keepdims=True)
    updated: FloatArray = np.where(total > 0, joint / np.where(total > 0, total, 1.0), prior)
    return updated


def expected_information_bits(prior: FloatArray, likelihood: FloatArray) -> float:
    """Mutual information between state and answer, bits; never below 0."""
    expected = answer_probability(prior, likelihood)
    return max(0.0, entropy_bits(expected) - float(_answer_entropy(likelihood) @ prior))


def _answer_entropy(likelihood: FloatArray) -> FloatArray:
    """(n,) entropy of the answer under each state, bits."""
    entropy: FloatArray = -(likelihood * np.log2(np.maximum(likelihood, 1e-300))).sum(0)
    return entropy


def information_table(priors: FloatArray, likelihoods: Sequence[FloatArray]) -> FloatArray:
    """(tests, priors) `expected_information_bits` of several tests under several distributions
    (priors, n), all at once."""
    answers = np.concatenate(likelihoods) @ priors.T
    bits = -answers * np.log2(np.maximum(answers, 1e-300))
    starts = np.cumsum([0, *(len(one) for one in likelihoods[:-1])])
    conditional = np.array([_answer_entropy(one) for one in likelihoods]) @ priors.T
    table: FloatArray = np.maximum(0.0, np.add.reduceat(bits, starts, axis=0) - conditional)
    return table


def value_of_perfect_information(prior: FloatArray, payoff: FloatArray) -> float:
    """What knowing the state for certain is worth, in the unit of `payoff`."""
    return float(payoff.max(0) @ prior - (payoff @ prior).max())


def value_of_test(prior: FloatArray, likelihood: FloatArray, payoff: FloatArray) -> float:
    """Expected gain from deciding after the answer instead of now, before the cost of the test."""
    after = (payoff @ (likelihood * prior).T).max(0).sum()
    return float(after - (payoff @ prior).max())
