"""Features: the same from every position, nothing of a hidden channel, none where nothing fits."""

import numpy as np
import pytest

from ringland.model import (
    AngleSignal,
    ChannelRole,
    CylinderSet,
    EngineSpec,
    Estimate,
    MetricDefinition,
    MetricTable,
    MetricValue,
    Sense,
)
from ringland.reference.features import (
    BLOCKS,
    METRICS,
    WAVE_PARTS,
    Measured,
    hide,
    recording_features,
)

ENGINE = EngineSpec("six", 6, (1, 5, 3, 6, 2, 4), tuple(120.0 * i for i in range(6)))
NOTHING = MetricTable((), ())


def signal(role: ChannelRole, position: int, size: float, seed: int = 0) -> AngleSignal:
    """Six equal pulses, the one of `position` of another size, over eight noisy cycles."""
    angle = np.arange(720.0)
    mean = np.zeros(720)
    for p in range(6):
        away = (angle - 120.0 * p - 60.0 + 360.0) % 720.0 - 360.0
        mean += (size if p == position else 1.0) * np.exp(-0.5 * (away / 20) ** 2)
    noise = np.random.default_rng(seed).standard_normal((8, 1))
    values = mean + 0.01 * noise
    return AngleSignal(
        str(role), role, "Pa", angle, values, mean, mean * 0, mean, mean, tuple(range(8))
    )


def crankcase(position: int, size: float = 0.3) -> CylinderSet:
    return CylinderSet((signal(ChannelRole.CRANKCASE, position, size),), (), (), (), (), ())


def test_a_fault_looks_alike_from_every_position() -> None:
    """The whole cycle turned: a bump at p seen from p is the bump at q seen from q."""
    seen = []
    for p in (0, 2, 5):
        values = recording_features(NOTHING, crankcase(p), ENGINE, speed_rpm=800.0)
        assert values is not None
        assert values.shape == (6, BLOCKS["engine"].stop)
        seen.append(values[p])
    np.testing.assert_allclose(seen[0], seen[1], atol=1e-9)
    np.testing.assert_allclose(seen[0], seen[2], atol=1e-9)


def test_the_unit_of_the_channel_does_not_matter() -> None:
    loud = signal(ChannelRole.CRANKCASE, 3, 0.3)
    louder = AngleSignal(
        loud.channel, loud.role, "mV", loud.angle_deg, 1e3 * loud.values, 1e3 * loud.mean,
        loud.standard_error, loud.low, loud.high, loud.cycle_index,
    )  # fmt: skip
    one, other = (
        recording_features(NOTHING, CylinderSet((s,), (), (), (), (), ()), ENGINE, speed_rpm=800.0)
        for s in (loud, louder)
    )
    assert one is not None and other is not None
    np.testing.assert_allclose(one, other, atol=1e-6)


def test_own_parts_sum_to_nothing_where_they_are_small() -> None:
    """Own part = turned cycle less the mean of all turned cycles, so linear parts cancel."""
    values = recording_features(NOTHING, crankcase(1, 1.0001), ENGINE, speed_rpm=800.0)
    assert values is not None
    start = BLOCKS["crankcase"].start
    own = values[:, start : start + WAVE_PARTS[0]]
    assert np.abs(own).max() < 0.05
    np.testing.assert_allclose(own.sum(axis=0), 0.0, atol=1e-6)


def test_metrics_are_less_the_median_of_the_cylinders() -> None:
    name = "crankcase_push"
    definition = MetricDefinition(
        name, name, "1", ChannelRole.CRANKCASE, Sense.HIGH, -1e9, 1e9, 1, 1.0, 3.0, 6.0, "heuristic"
    )
    rows = tuple(
        MetricValue(name, "c", p, Estimate.from_se(1.0 if p != 3 else 1.5, 0.1, "1"))
        for p in range(1, 7)
    )
    values = recording_features(
        MetricTable((definition,), rows), crankcase(2), ENGINE, speed_rpm=800.0
    )
    assert values is not None
    column = BLOCKS["metrics"].start + list(METRICS).index(name)
    assert values[2, column] == pytest.approx(np.arcsinh(0.5 / METRICS[name]))
    assert (values[[0, 1, 3, 4, 5], column] == 0.0).all()


def test_a_hidden_channel_is_one_that_was_not_recorded() -> None:
    both = CylinderSet(
        (signal(ChannelRole.CRANKCASE, 1, 0.5), signal(ChannelRole.INTAKE, 4, 0.5)),
        (), (), (), (), (),
    )  # fmt: skip
    with_it = recording_features(NOTHING, both, ENGINE, speed_rpm=800.0)
    assert with_it is not None
    hidden = hide(with_it, "crankcase")
    for block in ("crankcase", "crankcase_there"):
        assert not hidden[:, BLOCKS[block].columns].any()
    np.testing.assert_array_equal(
        hidden[:, BLOCKS["intake"].columns], with_it[:, BLOCKS["intake"].columns]
    )


def test_nothing_to_compare_gives_nothing() -> None:
    two_stroke = EngineSpec("2s", 2, (1, 2), (0.0, 180.0), strokes=2)
    single = EngineSpec("one", 1, (1,), (0.0,))
    for engine in (two_stroke, single):
        assert recording_features(NOTHING, crankcase(0), engine, speed_rpm=800.0) is None
    silent = CylinderSet((), (), (), (), (), ())
    assert recording_features(NOTHING, silent, ENGINE, speed_rpm=800.0) is None


def test_against_itself_nothing_is_left_but_what_all_share() -> None:
    """A recording less itself: own parts and metrics vanish, the shared part stays."""
    seen = crankcase(2)
    alone = recording_features(NOTHING, seen, ENGINE, speed_rpm=800.0)
    sound = Measured(NOTHING, seen, 800.0)
    against = recording_features(NOTHING, seen, ENGINE, speed_rpm=800.0, sound=sound)
    assert alone is not None and against is not None
    start = BLOCKS["crankcase"].start
    own = slice(start, start + WAVE_PARTS[0])
    shared = slice(own.stop, own.stop + WAVE_PARTS[1])
    assert np.abs(alone[:, own]).max() > 1.0
    np.testing.assert_allclose(against[:, own], 0.0, atol=1e-12)
    np.testing.assert_array_equal(against[:, shared], alone[:, shared])
    np.testing.assert_array_equal(
        against[:, BLOCKS["others"].columns], alone[:, BLOCKS["others"].columns]
    )


def test_a_channel_that_the_sound_recording_lacks_counts_as_not_measured() -> None:
    seen = crankcase(2)
    nothing = Measured(NOTHING, CylinderSet((), (), (), (), (), ()), 800.0)
    assert recording_features(NOTHING, seen, ENGINE, speed_rpm=800.0, sound=nothing) is None


def test_a_fault_that_came_since_is_seen_beside_what_was_there_before() -> None:
    """Position 1 was weak then and is now; position 4 is weak since."""
    angle = np.arange(720.0)

    def pulses(weak: dict[int, float]) -> CylinderSet:
        mean = np.zeros(720)
        for p in range(6):
            away = (angle - 120.0 * p - 60.0 + 360.0) % 720.0 - 360.0
            mean += weak.get(p, 1.0) * np.exp(-0.5 * (away / 20) ** 2)
        values = np.tile(mean, (8, 1))
        role = ChannelRole.CRANKCASE
        one = AngleSignal(
            "c", role, "Pa", angle, values, mean, mean * 0, mean, mean, tuple(range(8))
        )
        return CylinderSet((one,), (), (), (), (), ())

    then = Measured(NOTHING, pulses({0: 0.5}), 800.0)
    now = recording_features(NOTHING, pulses({0: 0.5, 3: 0.7}), ENGINE, speed_rpm=800.0, sound=then)
    assert now is not None
    own_pulse = now[:, BLOCKS["crankcase"].start : BLOCKS["crankcase"].start + 12].min(axis=1)
    assert int(np.argmin(own_pulse)) == 3
    assert own_pulse[0] > 0.5 * own_pulse[3]
