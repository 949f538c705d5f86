"""Several recordings in one ranking: exact where it can be, never more sure than it may be."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from ringland.diagnosis import diagnose
from ringland.diagnosis.joined import shares_that_count, strength
from ringland.model import (
    Assignment,
    CaseEvidence,
    ChannelRole,
    Condition,
    CylinderSet,
    Diagnosis,
    EngineSpec,
    RecordedEvidence,
    SymptomTable,
)
from ringland.reference.plan import load_settings

FOUR = EngineSpec("four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0))
NOTHING = SymptomTable((), 0.0, 0.0)
BOTH = (ChannelRole.EXHAUST, ChannelRole.CRANKCASE)


def cases(position: int, nats: float, elsewhere: float = -3.0) -> CaseEvidence:
    """A ring leak in one position, everything else unlikely."""
    modes = ("ring_leak", "exhaust_valve_leak", "ignition_misfire")
    ratio: dict[tuple[str, int | None], float] = {
        (m, p): elsewhere for m in modes for p in range(1, 5)
    }
    return CaseEvidence(ratio | {("ring_leak", position): nats}, elsewhere, ())


def one(
    position: int,
    nats: float,
    *,
    rpm: float = 700.0,
    roles: tuple[ChannelRole, ...] = BOTH,
    known: bool = True,
    earlier: bool = False,
    elsewhere: float = -3.0,
) -> RecordedEvidence:
    return RecordedEvidence(
        f"{rpm:.0f}",
        Condition.IDLE if rpm < 1000 else Condition.HELD,
        rpm,
        roles,
        NOTHING,
        FOUR.firing_order if known else (None,) * 4,
        cases(position, nats, elsewhere),
        earlier,
    )


def numbered(known: bool = True) -> CylinderSet:
    return CylinderSet(
        (), (), (),
        tuple(Assignment(p, 0.0, FOUR.firing_order[p - 1] if known else None, 1.0, known, "")
              for p in range(1, 5)), (), (),
    )  # fmt: skip


def ranked(first: RecordedEvidence, *also: RecordedEvidence) -> Diagnosis:
    return diagnose(
        first.symptoms, None, numbered(first.numbered), FOUR,
        likelihoods=first.cases, recording=first, also=also,
    )  # fmt: skip


def leak(found: Diagnosis, position: int = 2) -> float:
    return next(
        c.probability
        for c in found.causes
        if (c.failure_mode, c.firing_position) == ("ring_leak", position)
    )


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.7])
@pytest.mark.parametrize("d", [(2.0, 2.0), (3.0, 2.8, 2.9)])
def test_shares_are_those_of_correlated_normal_errors(rho: float, d: tuple[float, ...]) -> None:
    """Against scipy's multivariate normal density: the log-likelihood ratio of all measurements
    together is the sum of the single ones, each times its share."""
    size = len(d)
    correlation = np.full((size, size), rho) + (1 - rho) * np.eye(size)
    shares = shares_that_count(d, correlation)
    rng = np.random.default_rng(3)
    assert min(shares) > 0.0  # none was cut at 0
    shift = np.array(d)
    for x in rng.normal(size=(20, size)):
        together = multivariate_normal(shift, correlation).logpdf(x) - multivariate_normal(
            np.zeros(size), correlation
        ).logpdf(x)
        single = shift * x - 0.5 * shift**2
        assert np.dot(shares, single) == pytest.approx(together, abs=1e-9)


def test_two_alike_share_and_a_weak_one_beside_a_strong_one_counts_nothing() -> None:
    half = shares_that_count((2.0, 2.0), np.array([[1.0, 0.999999], [0.999999, 1.0]]))
    assert half == pytest.approx((0.5, 0.5), abs=1e-4)
    shares = shares_that_count((4.0, 1.0), np.array([[1.0, 0.5], [0.5, 1.0]]))
    assert shares == pytest.approx((1.0, 0.0), abs=1e-9)
    assert shares_that_count((3.0,), np.eye(1)) == pytest.approx((1.0,))


@pytest.mark.parametrize("d", [0.5, 2.0, 4.0])
def test_strength_finds_the_separation_of_normal_log_ratios(d: float) -> None:
    x = np.random.default_rng(1).normal(size=400_000)
    for ratio in (d * x - d * d / 2, d * (x + d) - d * d / 2):  # sound, faulty
        assert strength(ratio, np.ones(len(x))) == pytest.approx(d, rel=0.01)


def test_the_same_recording_twice_says_little_more_than_once() -> None:
    once, twice = ranked(one(2, 3.0)), ranked(one(2, 3.0), one(2, 3.0))
    other_speed = ranked(one(2, 3.0), one(2, 3.0, rpm=1500.0))
    other_channel = ranked(
        one(2, 3.0, roles=(ChannelRole.EXHAUST,)), one(2, 3.0, roles=(ChannelRole.CRANKCASE,))
    )
    assert leak(once) < leak(twice) < leak(other_speed) < leak(other_channel)
    odds = [leak(d) / (1 - leak(d)) for d in (once, twice)]
    assert odds[1] < 5.0 * odds[0]  # if independent: about exp(3) = 20 times


def test_probabilities_sum_to_one_and_every_recording_is_told() -> None:
    found = ranked(one(2, 3.0), one(2, 2.0, rpm=1500.0), one(3, 0.5, known=False, rpm=250.0))
    total = found.healthy + found.none_of_these + sum(c.probability for c in found.causes)
    assert total == pytest.approx(1.0, abs=1e-12)
    assert [r.turned for r in found.recordings] == [False, False, True]
    assert all(len(r.bits) == len(found.recordings[0].bits) > 0 for r in found.recordings)
    assert found.recordings[0].evidence is None and found.recordings[1].evidence is not None
    assert any(w.evidence == "recording:1" for w in found.causes[0].speaks_for)


def test_a_recording_alone_is_what_it_was() -> None:
    plain = diagnose(NOTHING, None, numbered(), FOUR, likelihoods=cases(2, 3.0))
    assert plain.recordings == ()
    assert leak(ranked(one(2, 3.0))) == leak(plain)


@settings(max_examples=20, deadline=None)
@given(turn=st.integers(0, 3), nats=st.floats(0.0, 8.0))
def test_where_a_recording_without_numbers_starts_counting_does_not_matter(
    turn: int, nats: float
) -> None:
    here = ranked(one(2, 3.0), one(2, nats, known=False, rpm=1500.0))
    there = ranked(one(2, 3.0), one((1 + turn) % 4 + 1, nats, known=False, rpm=1500.0))
    assert [c.probability for c in here.causes] == pytest.approx(
        [c.probability for c in there.causes], abs=1e-12
    )


def test_a_recording_without_numbers_says_what_but_not_where() -> None:
    """By hand: it cannot tell the four positions apart, so their odds to one another stay."""
    nothing = one(2, 0.0, elsewhere=0.0, rpm=1500.0)
    before, after = ranked(nothing), ranked(nothing, one(3, 6.0, known=False))
    assert [leak(after, p) for p in (1, 3, 4)] == pytest.approx(
        [leak(after)] * 3,
        rel=1e-3,  # inner cylinders have two neighbours, outer ones one
    )
    assert leak(after) > 2 * leak(before)


def test_numbers_are_matched_whatever_the_order_of_counting() -> None:
    turned = replace(
        one(4, 4.0, rpm=1500.0), numbers=(4, 2, 1, 3)
    )  # its position 4 is cylinder 3, which is position 2 of the first
    assert leak(ranked(one(2, 3.0), turned)) == pytest.approx(
        leak(ranked(one(2, 3.0), one(2, 4.0, rpm=1500.0)))
    )


def test_an_earlier_visit_that_was_sound_does_not_rule_a_fault_out() -> None:
    sound = ranked(one(2, 5.0), one(2, -9.0, elsewhere=-9.0, earlier=True, rpm=1500.0))
    same_day = ranked(one(2, 5.0), one(2, -9.0, elsewhere=-9.0, rpm=1500.0))
    assert leak(sound) > leak(same_day)


def test_two_recordings_of_the_tooth_wheel_alone_are_not_independent() -> None:
    wheel, pulses = (ChannelRole.CRANK_TOOTH,), (ChannelRole.EXHAUST,)
    alike = ranked(one(2, 3.0, roles=wheel), one(2, 3.0, roles=wheel))
    unlike = ranked(one(2, 3.0, roles=wheel), one(2, 3.0, roles=pulses))
    assert alike.causes[0].probability < unlike.causes[0].probability


def looks(kind: str, position: int) -> CaseEvidence:
    """A recording that shows one simulated kind at one position as clearly as can be."""
    settings = load_settings()
    by_kind = {
        (k, p): 12.0 if (k, p) == (kind, position) else -6.0
        for k in settings.kinds
        for p in range(1, 5)
    }
    ratio: dict[tuple[str, int | None], float] = {
        (look.mode, p): math.log(
            sum(s * math.exp(by_kind[k, p]) for k, s in zip(look.kinds, look.shares, strict=True))
        )
        for look in settings.looks_like
        for p in range(1, 5)
    }
    return CaseEvidence(ratio, -3.0, (), by_kind=by_kind)


def test_how_a_mode_looks_counts_once_in_however_many_recordings() -> None:
    """The engine has one kind of fault: three recordings that look like misfire say three times
    that it is there, and once that ignition always looks so and lean mixture seldom."""

    def odds(*recordings: RecordedEvidence) -> float:
        d = ranked(*recordings)
        share = {c.failure_mode: c.probability for c in d.causes if c.firing_position == 2}
        return share["ignition_misfire"] / share["lean_cylinder"]

    def shown(rpm: float) -> RecordedEvidence:
        return replace(one(2, 0.0, rpm=rpm), cases=looks("misfire", 2))

    once = odds(shown(700.0))
    assert odds(shown(700.0), shown(1500.0)) == pytest.approx(once, rel=0.05)
    assert odds(shown(700.0), shown(1500.0), shown(2400.0)) == pytest.approx(once, rel=0.05)
    # ratios that were kept before kinds were: mixed anew in every recording
    old = replace(looks("misfire", 2), by_kind={})
    before = [replace(one(2, 0.0, rpm=rpm), cases=old) for rpm in (700.0, 1500.0)]
    assert odds(*before) > 2.0 * once
