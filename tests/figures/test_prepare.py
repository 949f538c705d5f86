"""Prepared arrays against cases that can be counted by hand."""

import numpy as np
import pytest

from ringland.figures import (
    averaged_cycle,
    before_after,
    causes,
    intervals,
    misfires,
    next_test,
    orders,
    raster,
    recording,
    speed,
    trend,
)
from ringland.model import (
    AngleSignal,
    Assignment,
    Cause,
    Channel,
    ChannelRole,
    CycleSet,
    CycleUse,
    CylinderSet,
    Diagnosis,
    EdgeTrain,
    Estimate,
    EvidenceWeight,
    MetricDefinition,
    MetricTable,
    MetricValue,
    MisfireCount,
    NextTest,
    OrderLine,
    OrderSpectrum,
    PathDelay,
    PhaseSource,
    PossibleAnswer,
    Recording,
    Reference,
    Sense,
    State,
    Symptom,
    SymptomTable,
    unknown,
)
from ringland.model._arrays import FloatArray

TWIN = (
    Assignment(1, 0.0, 1, 0.99, True, "trigger"),
    Assignment(2, 360.0, 2, 0.99, True, "trigger"),
)


def _cycles(dropped: tuple[int, ...] = (), found: int = 4) -> CycleSet:
    time_s = np.arange(found + 1, dtype=np.float64)
    return CycleSet(
        cycle_deg=720.0,
        phase_source=PhaseSource.TRIGGER,
        reference=Reference.CYLINDER,
        reference_reason="trigger",
        time_s=time_s,
        angle_deg=720.0 * time_s,
        speed_rpm=np.full(found + 1, 120.0),
        speed_se_rpm=np.full(found + 1, 1.0),
        angle_se_deg=0.1,
        mean_speed_rpm=Estimate(120.0, 119.0, 121.0, "rpm"),
        cycles=tuple(
            CycleUse(float(k), float(k + 1), "too noisy" if k in dropped else None)
            for k in range(found)
        ),
    )


def _signal(values: FloatArray, index: tuple[int, ...]) -> AngleSignal:
    angles = values.shape[1]
    return AngleSignal(
        channel="exhaust",
        role=ChannelRole.EXHAUST,
        unit="Pa",
        angle_deg=np.arange(angles) * 720.0 / angles,
        values=values,
        mean=values.mean(axis=0),
        standard_error=np.zeros(angles),
        low=np.percentile(values, 5, axis=0),
        high=np.percentile(values, 95, axis=0),
        cycle_index=index,
    )


def _cylinders(arrival_deg: float | None = None) -> CylinderSet:
    pulse = (
        unknown("deg", "no reference")
        if arrival_deg is None
        else Estimate(arrival_deg, arrival_deg - 5, arrival_deg + 5, "deg")
    )
    delay = PathDelay("exhaust", pulse, unknown("deg", "not known"), (), "")
    return CylinderSet((), (), (delay,), TWIN, (), ())


# The averaged cycle ---------------------------------------------------------------------------


def test_strips_are_turned_to_each_cylinders_own_firing_top_dead_centre() -> None:
    # Cylinder 1 makes a bump of 4 at 90 deg, cylinder 2 one of 2 at 360 + 90 deg.
    cycle = np.zeros(8)
    cycle[1], cycle[5] = 4.0, 2.0
    signal = _signal(np.tile(cycle, (3, 1)), (0, 1, 2))
    prepared = averaged_cycle.prepare(
        signal, _cylinders(), reference=Reference.CYLINDER, cycle_deg=720.0
    )
    level = 6.0 / 8.0
    at_90 = int(np.argmin(np.abs(prepared.angle_deg - 90.0)))
    first, second = prepared.strips
    assert (first.label, second.label) == ("cyl 1", "cyl 2")
    assert first.median[at_90] == pytest.approx(4.0 - level)
    assert second.median[at_90] == pytest.approx(2.0 - level)
    assert prepared.shared[at_90] == pytest.approx(3.0 - level)


def test_the_line_is_a_median_and_the_band_the_5_to_95_per_cent_range() -> None:
    values = np.repeat(np.arange(101.0)[:, None], 8, axis=1)  # cycle k has the value k everywhere
    prepared = averaged_cycle.prepare(
        _signal(values, tuple(range(101))),
        _cylinders(),
        reference=Reference.CYLINDER,
        cycle_deg=720.0,
    )
    strip = prepared.strips[0]
    np.testing.assert_allclose(strip.median, 0.0)
    np.testing.assert_allclose(strip.low, -45.0)
    np.testing.assert_allclose(strip.high, 45.0)


def test_own_part_is_one_firing_interval_from_just_before_the_arrival() -> None:
    prepared = averaged_cycle.prepare(
        _signal(np.zeros((2, 8)), (0, 1)),
        _cylinders(arrival_deg=200.0),
        reference=Reference.CYLINDER,
        cycle_deg=720.0,
    )
    own = prepared.angle_deg[prepared.strips[0].own]
    # 0.15 of the interval of 360 deg before 200 deg.
    assert own.min() >= 146.0
    assert own.max() < 506.0
    assert np.count_nonzero(prepared.strips[0].own) * 2 == prepared.angle_deg.size


@pytest.mark.parametrize(
    ("reference", "first"),
    [
        (Reference.CYLINDER, "expansion"),
        (Reference.REVOLUTION, "expansion or induction"),
    ],
)
def test_stroke_names_say_only_what_is_known(reference: Reference, first: str) -> None:
    assert averaged_cycle.stroke_names(720.0, reference)[0] == (0.0, first)
    assert averaged_cycle.stroke_names(720.0, Reference.ARBITRARY) == ()
    names = [n for _, n in averaged_cycle.stroke_names(720.0, Reference.CYLINDER)]
    assert names == ["expansion", "exhaust", "induction", "compression"]


# The raster -----------------------------------------------------------------------------------


def test_raster_keeps_dropped_cycles_as_empty_rows_oldest_first() -> None:
    values = np.array([[1.0] * 4, [2.0] * 4, [3.0] * 4])
    prepared = raster.prepare(
        _signal(values, (0, 2, 3)), _cycles(dropped=(1,)), _cylinders(), arbitrary=False
    )
    assert prepared.row_cycle == (1, 2, 3, 4)
    assert prepared.dropped_rows == (1,)
    np.testing.assert_allclose(prepared.values[[0, 2, 3], 0], [-1.0, 0.0, 1.0])
    assert np.isnan(prepared.values[1]).all()
    for own in (prepared.mean, prepared.low, prepared.high):
        assert own.shape == prepared.angle_deg.shape


def test_raster_of_many_cycles_keeps_the_odd_one() -> None:
    values = np.zeros((1000, 4))
    values[777] = 9.0
    prepared = raster.prepare(
        _signal(values, tuple(range(1000))), _cycles(found=1000), _cylinders(), arbitrary=False
    )
    assert prepared.thinned
    assert prepared.values.shape[0] == 320
    assert 778 in prepared.row_cycle
    assert np.nanmax(prepared.values) == pytest.approx(9.0)


def test_raster_marks_the_arrival_of_each_pulse() -> None:
    prepared = raster.prepare(
        _signal(np.zeros((4, 8)), (0, 1, 2, 3)), _cycles(), _cylinders(400.0), arbitrary=False
    )
    assert prepared.marks == ((400.0, "cyl 1"), (40.0, "cyl 2"))


# Intervals ------------------------------------------------------------------------------------


def _definition(sense: Sense) -> MetricDefinition:
    return MetricDefinition(
        "m", "M", "1", ChannelRole.EXHAUST, sense, 0, 2, 5, 0.1, 0.2, 0.4, "heuristic"
    )


def _panels(sense: Sense) -> tuple[intervals.IntervalPanel, ...]:
    values = (
        MetricValue("m", "exhaust", 1, Estimate(1.0, 0.9, 1.1, "1")),
        MetricValue("m", "exhaust", 2, Estimate(0.5, 0.4, 0.6, "1")),
        MetricValue("m", "exhaust", 3, unknown("1", "too few cycles")),
    )
    symptoms = (
        Symptom("m", 1, State.NORMAL, Estimate(0.0, -0.1, 0.1, "1"), 0.2, 0.4, 1, "", ""),
        Symptom("m", 2, State.ALARM, Estimate(-0.5, -0.6, -0.4, "1"), 0.2, 0.4, 0, "", ""),
    )
    return intervals.prepare(
        MetricTable((_definition(sense),), values), SymptomTable(symptoms, 0.01, 0.05), TWIN
    )


def test_interval_rows_in_per_cent_with_limits_around_the_comparison() -> None:
    first, second, third = _panels(Sense.LOW)[0].rows
    assert (first.value, first.low, first.high) == pytest.approx((100.0, 90.0, 110.0))
    assert first.alert_at == pytest.approx((80.0,))
    assert second.alarm_at == pytest.approx((60.0,))
    assert second.state is State.ALARM
    assert (third.value, third.state, third.reason) == (None, State.NOT_JUDGED, "too few cycles")
    assert third.label == "pos 3"


def test_the_band_of_the_others_leaves_out_those_in_alarm() -> None:
    first, second, _ = _panels(Sense.LOW)[0].rows
    assert (first.others_low, first.others_high) == (None, None)
    assert (second.others_low, second.others_high) == (100.0, 100.0)


def test_both_sides_have_limits_when_both_matter() -> None:
    assert _panels(Sense.BOTH)[0].rows[0].alert_at == pytest.approx((80.0, 120.0))


# The others -----------------------------------------------------------------------------------


def test_recording_envelope_holds_every_extreme_and_the_cycle_spans() -> None:
    samples = np.zeros(10_000)
    samples[1234], samples[5678] = 3.0, -1.0
    edges = EdgeTrain(
        "coil", ChannelRole.IGNITION, np.array([0.1, 0.2, 0.3]), np.array([1, 0, 1]), 0.0, 10.0
    )
    prepared = recording.prepare(
        Recording((Channel("p", ChannelRole.EXHAUST, samples, 1000.0, "Pa"),), (edges,)),
        _cycles(dropped=(1,)),
    )
    trace, train = prepared.traces
    assert trace.note == "\N{MINUS SIGN}1 to 3 Pa"
    assert (trace.low.min(), trace.high.max()) == (0.0, 1.0)
    assert trace.time_s[np.argmax(trace.high)] == pytest.approx(1.234, abs=0.006)
    assert train.time_s.tolist() == [0.1, 0.3]
    assert prepared.kept_s.tolist() == [[0, 1], [2, 3], [3, 4]]
    assert prepared.dropped_s.tolist() == [[1, 2]]


def test_recording_survives_nothing_but_nan_and_no_samples() -> None:
    bad = Channel("p", ChannelRole.EXHAUST, np.full(50, np.nan), 100.0)
    empty = Channel("q", ChannelRole.CRANKCASE, np.zeros(0), 100.0)
    prepared = recording.prepare(Recording((bad, empty)), None)
    assert [t.note for t in prepared.traces] == ["no samples", "no samples"]


def test_orders_sorted_and_cut() -> None:
    lines = (
        OrderLine(2.0, 5.0, 0.0, 0.1, True),
        OrderLine(0.5, 1.0, 0.0, 0.1, False),
        OrderLine(20.0, 9.0, 0.0, 0.1, True),
    )
    spectrum = OrderSpectrum("exhaust", "Pa", lines, Estimate(0.2, 0.1, 0.3, "1"), 0.5)
    prepared = orders.prepare(spectrum, highest_order=6.0)
    assert prepared.order.tolist() == [0.5, 2.0]
    assert prepared.shared.tolist() == [False, True]


def test_speed_interval_is_90_per_cent() -> None:
    prepared = speed.prepare(_cycles(dropped=(3,)))
    # Normal quantile 1.645 at 95 %, from any table of the normal distribution.
    np.testing.assert_allclose(prepared.high_rpm - prepared.speed_rpm, 1.645, atol=5e-4)
    assert prepared.dropped_s.tolist() == [[3.0, 4.0]]


def test_misfire_rows_in_firing_order_counting_cycles_from_one() -> None:
    rate = Estimate(0.1, 0.0, 0.2, "1")
    counts = (
        MisfireCount("exhaust", 2, 2, 20, rate, 1, rate, (0, 7)),
        MisfireCount("exhaust", 1, 0, 20, rate, 0, rate, ()),
    )
    prepared = misfires.prepare(counts, TWIN, cycles_found=20)
    assert [r.label for r in prepared.rows] == ["cyl 1", "cyl 2"]
    assert prepared.rows[1].missed_cycle.tolist() == [1.0, 8.0]


def test_cause_bars_hold_the_whole_probability_and_always_none_of_these() -> None:
    listed = tuple(
        Cause(f"m{k}", f"Mode {k}", 1, 1, 0.1, unknown("mm2", "not fitted")) for k in range(8)
    )
    bars = causes.prepare(Diagnosis(listed, 0.15, 0.05), TWIN)
    assert sum(b.probability for b in bars) == pytest.approx(1.0)
    assert bars[-1].label == "none of these"
    assert bars[6].label == "2 other causes together"


def test_evidence_strongest_first_whichever_way() -> None:
    cause = Cause(
        "m", "M", 1, 1, 0.5, unknown("mm2", "not fitted"),
        (EvidenceWeight("a", 1.0, "for"),), (EvidenceWeight("b", -2.0, "against"),),
    )  # fmt: skip
    assert [b.bits for b in causes.prepare_evidence(cause)] == [-2.0, 1.0]


def test_tree_branches_most_likely_first_with_leading_causes() -> None:
    ranking = (("a", 0.1), ("b", 0.6), ("c", 0.2), ("d", 0.1))
    test = NextTest(
        "t", "T", 1, 1, 0.5, 10, 0.05, (), (),
        (PossibleAnswer("x", "X", 0.3, ranking), PossibleAnswer("y", "Y", 0.7, ranking)),
    )  # fmt: skip
    tree = next_test.prepare(test)
    assert [b.title for b in tree.branches] == ["Y", "X"]
    assert tree.branches[0].ranking[:2] == (("b", 0.6), ("c", 0.2))


def test_before_and_after_keep_the_reason_of_what_is_missing() -> None:
    gone = unknown("Pa", "not recorded after")
    row = ("cyl 1", Estimate(1, 0, 2, "Pa"), gone, gone)
    prepared = before_after.prepare((row,), title="Push", unit="Pa", smallest_change=0.5)
    assert prepared.rows[0].before == (1, 0, 2)
    assert prepared.rows[0].after is None
    assert prepared.rows[0].reason == "not recorded after"


def test_trend_in_rising_order_with_reasons_for_gaps() -> None:
    prepared = trend.prepare(
        (
            trend.TrendPoint(20.0, Estimate(2, 1, 3, "Pa")),
            trend.TrendPoint(10.0, Estimate(1, 0, 2, "Pa")),
            trend.TrendPoint(15.0, unknown("Pa", "sensor wet")),
        ),
        x_label="Odometer, km",
        y_label="Push, Pa",
        verdict="No trend: the slope may be zero.",
        fan=((20.0, 1, 2, 3), (30.0, 0, 2.5, 5)),
        repairs=((12.0, "rings"),),
        limit=8.0,
    )
    assert prepared.x.tolist() == [10.0, 20.0]
    assert prepared.high.tolist() == [2.0, 3.0]
    assert prepared.missing == ((15.0, "sensor wet"),)
    widths = prepared.fan[:, 3] - prepared.fan[:, 1]
    assert widths[1] > widths[0]


def test_one_bad_cylinder_does_not_bend_the_shared_pulse() -> None:
    # Three cylinders 240 deg apart with bumps of 4, 4 and 1 at 90 deg after their firing.
    cycle = np.zeros(24)
    cycle[3], cycle[11], cycle[19] = 4.0, 4.0, 1.0
    triple = tuple(Assignment(p + 1, 240.0 * p, p + 1, 0.99, True, "trigger") for p in range(3))
    prepared = averaged_cycle.prepare(
        _signal(np.tile(cycle, (3, 1)), (0, 1, 2)),
        CylinderSet((), (), (), triple, (), ()),
        reference=Reference.CYLINDER,
        cycle_deg=720.0,
    )
    at_90 = int(np.argmin(np.abs(prepared.angle_deg - 90.0)))
    assert prepared.shared[at_90] == pytest.approx(4.0 - 9.0 / 24.0)


def test_names_of_repairs_lie_inside_and_apart() -> None:
    """Five repairs in a short time at the right end: rows of names, none over another."""
    prepared = trend.prepare(
        tuple(trend.TrendPoint(float(x), Estimate(1, 0, 2, "Pa")) for x in range(0, 100, 10)),
        x_label="Odometer, km", y_label="Pa", verdict="No trend.",
        repairs=tuple((x, f"Coils renewed at {x:.0f}") for x in (3.0, 86.0, 88.0, 89.0, 90.0)),
    )  # fmt: skip
    labels = trend.repair_labels(prepared)
    assert {label.row for label in labels} == {0, 1, 2}
    assert all(0.0 <= label.left < label.right <= 1.0 for label in labels)
    for one in labels:
        for other in labels:
            if one is not other and one.row == other.row:
                assert one.right < other.left or other.right < one.left
    named = {label.x for label in labels}
    assert {3.0, 88.0, 89.0, 90.0} <= named  # the newest come first, a lone one has room
    plain = trend.prepare(
        (trend.TrendPoint(1.0, Estimate(1, 0, 2, "Pa")),),
        x_label="h",
        y_label="Pa",
        verdict="None.",
    )
    assert trend.repair_labels(plain) == ()
    assert trend.size_in(prepared)[1] > trend.size_in(plain)[1]
