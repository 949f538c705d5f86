"""Scores by hand and by identity, and priors by the conjugate rule."""

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.errors import SettingError
from ringland.history.track_record import (
    Call,
    brier,
    by_mode,
    hit_rate,
    reliability,
    updated_weights,
)


def test_brier_by_hand() -> None:
    # (0.9 - 1)^2 = 0.01, (0.2 - 0)^2 = 0.04, (0.6 - 1)^2 = 0.16, (0.4 - 0)^2 = 0.16
    found = brier([0.9, 0.2, 0.6, 0.4], [True, False, True, False])
    assert found.score == pytest.approx(0.37 / 4)
    assert found.uncertainty == 0.25
    assert found.skill == pytest.approx(1.0 - 0.0925 / 0.25)


def test_murphy_by_hand() -> None:
    # 10 calls at 0.8 of which 6 happened, 10 at 0.1 of which 2: rate 0.4
    p = [0.8] * 10 + [0.1] * 10
    o = [True] * 6 + [False] * 4 + [True] * 2 + [False] * 8
    found = brier(p, o)
    assert found.reliability == pytest.approx(0.5 * 0.2**2 + 0.5 * 0.1**2)
    assert found.resolution == pytest.approx(0.5 * 0.2**2 + 0.5 * 0.2**2)
    assert found.uncertainty == pytest.approx(0.24)
    assert found.within_bins == pytest.approx(0.0, abs=1e-15)
    assert found.score == pytest.approx(0.025 - 0.04 + 0.24)


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.0, 1.0), st.booleans()), min_size=1, max_size=60),
    st.integers(1, 20),
)
def test_the_parts_always_sum_to_the_score(calls: list[tuple[float, bool]], bins: int) -> None:
    found = brier([p for p, _ in calls], [o for _, o in calls], bins=bins)
    parts = found.reliability - found.resolution + found.uncertainty + found.within_bins
    assert parts == pytest.approx(found.score, abs=1e-12)
    diagram = reliability([p for p, _ in calls], [o for _, o in calls], bins=bins)
    assert sum(b.count for b in diagram) == len(calls)


def test_calibrated_calls_lie_within_their_intervals() -> None:
    rng = np.random.default_rng(4)
    p = rng.uniform(0.0, 1.0, 4000)
    o = rng.uniform(0.0, 1.0, 4000) < p
    diagram = reliability(p.tolist(), o.tolist())
    assert len(diagram) == 10
    inside = [(b.observed.low or 0.0) <= b.predicted <= (b.observed.high or 1.0) for b in diagram]
    assert sum(inside) >= 8


CALLS = [
    Call({"ring_leak": 0.7, "healthy": 0.2, "none_of_these": 0.1}, "ring_leak", "o1", True),
    Call({"ring_leak": 0.2, "ignition_misfire": 0.7, "healthy": 0.1}, "ignition_misfire", "o2"),
    Call({"ring_leak": 0.6, "healthy": 0.4}, "healthy", "o3"),
    Call({"ring_leak": 0.6, "healthy": 0.4}, "worn_out_in_a_way_nobody_listed", "o4"),
]


def test_each_mode_has_its_score() -> None:
    scores = by_mode(CALLS)
    assert scores["ring_leak"].score == pytest.approx((0.09 + 0.04 + 0.36 + 0.36) / 4)
    assert scores["ignition_misfire"].score == pytest.approx(0.09 / 4)
    assert hit_rate(CALLS).value == 0.5
    assert not hit_rate([]).known


def test_beta_interval_against_a_published_example() -> None:
    # 437 girls among 980 births with placenta previa, uniform prior: posterior mean 0.446, 95 %
    # interval 0.415 to 0.477 (Gelman et al., Bayesian Data Analysis, sec. 2.4; from memory)
    calls = [Call({}, "girl", f"g{i}") for i in range(437)]
    calls += [Call({}, "boy", f"b{i}") for i in range(543)]
    found = updated_weights({"girl": 1.0, "boy": 1.0}, calls, made_utc="2026-01-01T00:00:00Z",
                            prior_weight=2.0)  # fmt: skip
    assert found.after["girl"] == pytest.approx(0.446, abs=5e-4)
    reference = scipy.stats.beta(438, 544)
    assert reference.interval(0.95) == pytest.approx((0.415, 0.477), abs=1e-3)
    girl = found.intervals["girl"]
    assert (girl.low, girl.high) == pytest.approx(reference.interval(0.90), rel=1e-9)


WEIGHTS = {"ring_leak": 0.3, "ignition_misfire": 0.6, "exhaust_valve_leak": 0.1}


def test_dirichlet_by_hand_and_its_record() -> None:
    found = updated_weights(WEIGHTS, CALLS, made_utc="2026-03-09T10:00:00Z", prior_weight=10.0)
    assert found.after["ring_leak"] == pytest.approx((3 + 1) / 12)
    assert found.after["ignition_misfire"] == pytest.approx((6 + 1) / 12)
    assert found.after["exhaust_valve_leak"] == pytest.approx(1 / 12)
    assert found.counts == {"ring_leak": 1, "ignition_misfire": 1}
    assert found.outcome_ids == ("o1", "o2")
    assert found.left_out == ("healthy", "worn_out_in_a_way_nobody_listed")
    assert "2 confirmed outcomes" in found.sentence


def test_switched_off_nothing_moves() -> None:
    found = updated_weights(WEIGHTS, CALLS, made_utc="2026-03-09T10:00:00Z", enabled=False)
    assert found.after == found.before
    assert "switched off" in found.sentence


def test_an_outcome_counts_once() -> None:
    once = updated_weights(WEIGHTS, CALLS, made_utc="t")
    twice = updated_weights(WEIGHTS, [*CALLS, *CALLS], made_utc="t")
    assert once.after == twice.after


@settings(max_examples=40, deadline=None)
@given(st.lists(st.sampled_from(sorted(WEIGHTS)), max_size=40), st.floats(0.5, 500.0))
def test_shares_sum_to_one_and_order_does_not_matter(found: list[str], weight: float) -> None:
    calls = [Call({}, f, f"o{i}") for i, f in enumerate(found)]
    one = updated_weights(WEIGHTS, calls, made_utc="t", prior_weight=weight)
    two = updated_weights(WEIGHTS, calls[::-1], made_utc="t", prior_weight=weight)
    assert sum(one.after.values()) == pytest.approx(1.0, abs=1e-12)
    assert one.after == two.after


def test_nonsense_is_refused() -> None:
    with pytest.raises(SettingError, match="no probability"):
        Call({"ring_leak": 1.5}, "ring_leak")
    with pytest.raises(SettingError, match="at least one"):
        brier([], [])
    with pytest.raises(SettingError, match="prior weight"):
        updated_weights(WEIGHTS, [], made_utc="t", prior_weight=0.0)
