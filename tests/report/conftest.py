"""Analyses made by hand from synthetic arrays, for every shape a report must cope with."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from ringland.model import (
    Action,
    Analysis,
    AngleSignal,
    Assignment,
    Cause,
    Channel,
    ChannelRole,
    Condition,
    CycleSet,
    CycleUse,
    CylinderSet,
    CylinderShare,
    Diagnosis,
    EdgeTrain,
    EngineSpec,
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
    Provenance,
    QualityFinding,
    QualityReport,
    Recording,
    Reference,
    Sense,
    SourceInfo,
    State,
    Symptom,
    SymptomTable,
    Verdict,
    unknown,
)
from ringland.model._arrays import FloatArray

RATE_HZ = 4000.0
ANGLES = 720
ARRIVAL_DEG = 205.0

MakeAnalysis = Callable[..., Analysis]

DEFINITIONS = (
    MetricDefinition(
        "exhaust_strength",
        "Pulse strength",
        "1",
        ChannelRole.EXHAUST,
        Sense.LOW,
        0.0,
        3.0,
        20,
        0.04,
        0.12,
        0.25,
        "heuristic",
    ),
    MetricDefinition(
        "exhaust_arrival",
        "Pulse arrival against the others",
        "deg",
        ChannelRole.EXHAUST,
        Sense.BOTH,
        -60.0,
        60.0,
        20,
        2.0,
        8.0,
        15.0,
        "heuristic",
    ),
    MetricDefinition(
        "crankcase_push",
        "Push in compression and expansion",
        "Pa",
        ChannelRole.CRANKCASE,
        Sense.HIGH,
        -500.0,
        500.0,
        20,
        3.0,
        12.0,
        25.0,
        "heuristic",
    ),
    MetricDefinition(
        "misfire_rate",
        "Cycles without a pulse",
        "1",
        ChannelRole.EXHAUST,
        Sense.HIGH,
        0.0,
        1.0,
        20,
        0.005,
        0.03,
        0.10,
        "heuristic",
    ),
)


def _engine(cylinders: int, name: str) -> EngineSpec:
    known = {4: (1, 3, 4, 2), 6: (1, 5, 3, 6, 2, 4)}
    order = known.get(cylinders, tuple(range(1, cylinders + 1)))
    return EngineSpec(
        name=name,
        cylinders=cylinders,
        firing_order=order,
        firing_angles_deg=tuple(720.0 / cylinders * k for k in range(cylinders)),
        trigger_cylinder=1 if cylinders == 4 else None,
    )


def _exhaust(strength: FloatArray, rng: np.random.Generator) -> FloatArray:
    """(cycles, ANGLES): one skewed pulse per position, arriving ARRIVAL_DEG after firing."""
    angle = np.arange(ANGLES)
    count = strength.shape[1]
    signal = np.zeros((strength.shape[0], ANGLES))
    for position in range(count):
        since = (angle - position * 720.0 / count - ARRIVAL_DEG) % 720.0
        pulse = (since / 22.0) * np.exp(1 - since / 22.0) - 0.3 * np.exp(
            -(((since - 110) / 45) ** 2)
        )
        signal += 180.0 * strength[:, position : position + 1] * pulse
    return signal + rng.normal(0, 7.0, signal.shape)


def _crankcase(leaky: int | None, cycles: int, count: int, rng: np.random.Generator) -> FloatArray:
    angle = np.deg2rad(np.arange(ANGLES))
    signal = 25.0 * np.cos(count / 2 * angle)[None, :] + rng.normal(0, 6.0, (cycles, ANGLES))
    if leaky is not None:
        since = (np.arange(ANGLES) - leaky * 720.0 / count) % 720.0
        signal += 22.0 * (np.exp(-((since / 60) ** 2)) + np.exp(-(((since - 720) / 60) ** 2)))
    return signal


def _angle_signal(
    name: str, role: ChannelRole, values: FloatArray, index: list[int]
) -> AngleSignal:
    return AngleSignal(
        channel=name,
        role=role,
        unit="Pa",
        angle_deg=np.arange(ANGLES, dtype=np.float64),
        values=values,
        mean=values.mean(axis=0),
        standard_error=values.std(axis=0) / np.sqrt(len(values)),
        low=np.percentile(values, 5, axis=0),
        high=np.percentile(values, 95, axis=0),
        cycle_index=tuple(index),
    )


def _cycles(count: int, speed_rpm: float, reference: Reference) -> CycleSet:
    cycle_s = 120.0 / speed_rpm
    time_s = np.arange(count + 1, dtype=np.float64) * cycle_s + 0.05
    wobble = 4.0 * np.sin(2 * np.pi * 0.4 * time_s)
    uses = []
    for k in range(count):
        reason = "speed changed by more than 3 % within the cycle" if k in (41, 42) else None
        uses.append(CycleUse(float(time_s[k]), float(time_s[k + 1]), reason))
    triggered = reference is Reference.CYLINDER
    return CycleSet(
        cycle_deg=720.0,
        phase_source=PhaseSource.TRIGGER if triggered else PhaseSource.PULSES,
        reference=reference,
        reference_reason="ignition trigger on cylinder 1" if triggered else "no trigger",
        time_s=time_s,
        angle_deg=720.0 * np.arange(count + 1, dtype=np.float64),
        speed_rpm=speed_rpm + wobble,
        speed_se_rpm=np.full(count + 1, 0.6),
        angle_se_deg=0.4,
        mean_speed_rpm=Estimate.from_se(speed_rpm, 0.31, "rpm"),
        cycles=tuple(uses),
    )


def _spectrum(signal: AngleSignal, cylinders: int) -> OrderSpectrum:
    lines = np.fft.rfft(signal.mean) / ANGLES * 2
    noise = float(np.sqrt(np.mean(signal.standard_error**2) * 4 / ANGLES))
    return OrderSpectrum(
        signal.channel,
        "Pa",
        tuple(
            OrderLine(k / 2, float(abs(lines[k])), 0.0, noise, k % cylinders == 0)
            for k in range(1, 25)
        ),
        Estimate(0.21, 0.18, 0.24, "1"),
        1e-6,
    )


def _rate(position: int, count: int, *, off: bool) -> Estimate:
    if position == count:
        return unknown("1", "fewer than 20 cycles kept")
    return Estimate(0.05, 0.02, 0.11, "1") if off else Estimate(0.0, 0.0, 0.03, "1")


def _metrics(count: int, weak: int | None) -> tuple[MetricTable, SymptomTable]:
    values, symptoms = [], []
    for position in range(1, count + 1):
        off = position == weak
        drift = 0.01 * position
        strength = 0.664 if off else 0.98 + drift
        arrival_deg = 9.4 if off else 40 * drift - 1
        push_pa = 38.7 if off else 90 * drift - 3
        cells = (
            ("exhaust_strength", "exhaust", Estimate.from_se(strength, 0.02, "1")),
            ("exhaust_arrival", "exhaust", Estimate.from_se(arrival_deg, 1.1, "deg")),
            ("crankcase_push", "crankcase", Estimate.from_se(push_pa, 2.2, "Pa")),
            (
                "misfire_rate",
                "exhaust",
                _rate(position, count, off=off),
            ),
        )
        for (metric, channel, estimate), definition in zip(cells, DEFINITIONS, strict=True):
            values.append(MetricValue(metric, channel, position, estimate))
            symptoms.append(_symptom(definition, position, estimate, off))
    return MetricTable(DEFINITIONS, tuple(values)), SymptomTable(tuple(symptoms), 0.01, 0.05)


def _symptom(definition: MetricDefinition, position: int, estimate: Estimate, off: bool) -> Symptom:
    if estimate.value is None:
        return Symptom(
            definition.id,
            position,
            State.NOT_JUDGED,
            unknown(definition.unit, estimate.reason or ""),
            None,
            None,
            None,
            "own cylinders",
            "",
            estimate.reason or "",
        )
    comparison = 1.02 if definition.id == "exhaust_strength" else 0.0
    low, high = estimate.low or 0.0, estimate.high or 0.0
    deviation = Estimate(
        estimate.value - comparison, low - comparison, high - comparison, definition.unit
    )
    state = State.NORMAL
    sentence = f"{definition.title}: like the other cylinders."
    if off:
        state = State.ALERT if definition.id in ("exhaust_arrival", "misfire_rate") else State.ALARM
        sentence = {
            "exhaust_strength": "its exhaust pulse is a third smaller than the others (33 to 39 %)",
            "exhaust_arrival": "its pulse comes 9° later than the others expect",
            "crankcase_push": "pushes 39 Pa into the crankcase where the others push none",
            "misfire_rate": "5 in 100 cycles have no pulse",
        }[definition.id]
    return Symptom(
        definition.id,
        position,
        state,
        deviation,
        definition.alert_deviation,
        definition.alarm_deviation,
        1e-6 if off else 0.4,
        "own cylinders",
        sentence,
    )


def _quality(exhaust_name: str) -> QualityReport:
    return QualityReport(
        (
            QualityFinding(
                "clipping",
                exhaust_name,
                Verdict.OK,
                "No flat tops.",
                measured=Estimate(0.0, 0.0, 0.001, "1"),
                limit=0.001,
            ),
            QualityFinding(
                "hum",
                "crankcase",
                Verdict.SUSPECT,
                "Mains hum at 50 Hz is 8 % of the signal.",
                "Move the cable away from the charger and record again if the crankcase matters.",
                Estimate(0.08, 0.07, 0.09, "1"),
                0.05,
                ((0.0, 4.0), (9.5, 12.0)),
            ),
            QualityFinding(
                "full_scale",
                "crankcase",
                Verdict.NOT_CHECKED,
                "The recorder's range is not stored in the file.",
            ),
        )
    )


def _diagnosis() -> Diagnosis:
    rings = Cause(
        "ring_leak",
        "Leaking rings",
        2,
        3,
        0.78,
        Estimate(3.1, 2.2, 4.4, "mm2"),
        (
            EvidenceWeight(
                "crankcase_push",
                3.4,
                "Cylinder 3 pushes into the crankcase, compression and expansion.",
            ),
            EvidenceWeight("exhaust_strength", 1.1, "Its exhaust pulse is about a third weaker."),
        ),
        (
            EvidenceWeight(
                "misfire_rate", -0.6, "Some cycles have no pulse; rings do not come and go."
            ),
        ),
        ("Blue smoke after a long idle",),
    )
    inlet = Cause("inlet_leak", "Leaking inlet valve", 2, 3, 0.11, unknown("mm2", "not fitted"))
    ranking = (("Leaking rings", 0.95), ("Leaking inlet valve", 0.02), ("none of these", 0.03))
    test = NextTest(
        "leakdown",
        "Leak-down test with your ear at the filler",
        2,
        3,
        0.9,
        15.0,
        0.06,
        ("leak-down tester", "compressed air"),
        ("Lock the crank: the air turns the engine.",),
        (
            PossibleAnswer("filler", "Air heard at the oil filler", 0.75, ranking),
            PossibleAnswer(
                "inlet",
                "Air heard in the inlet",
                0.12,
                (("Leaking inlet valve", 0.9), ("none of these", 0.1)),
            ),
            PossibleAnswer(
                "tight",
                "Little leak, no sound",
                0.13,
                (("none of these", 0.5), ("Leaking rings", 0.3)),
            ),
        ),
    )
    return Diagnosis(
        causes=(rings, inlet),
        healthy=0.01,
        none_of_these=0.10,
        next_tests=(test,),
        actions=(
            Action(
                "repair",
                "within two weeks",
                "Cylinder 3 leaks inside. It can finish the week but should not go on a long trip.",
                "Confirm by leak-down before the head comes off.",
                ("The leak washes the oil off the wall.",),
                ("Hot oil mist at the filler.",),
            ),
        ),
    )


def build_analysis(
    *,
    cylinders: int = 4,
    weak_position: int | None = 2,
    trigger: bool = True,
    cycle_count: int = 90,
    engine_name: str = "Marrow Valley Transit bus 12 (invented)",
    exhaust_name: str = "exhaust",
    diagnosis: bool = False,
) -> Analysis:
    """A whole analysis as the pipeline would hand it over."""
    rng = np.random.default_rng(20261124)
    engine = _engine(cylinders, engine_name)
    reference = Reference.CYLINDER if trigger else Reference.ARBITRARY
    cycles = _cycles(cycle_count, 780.0, reference)
    kept = [k for k, c in enumerate(cycles.cycles) if c.kept]
    strength = rng.normal(1.0, 0.04, (len(kept), cylinders))
    missed = [5, 30, 31, 60]
    if weak_position is not None:
        strength[:, weak_position - 1] *= 0.66
        strength[missed, weak_position - 1] = 0.02
    exhaust = _angle_signal(exhaust_name, ChannelRole.EXHAUST, _exhaust(strength, rng), kept)
    leaky = None if weak_position is None else weak_position - 1
    crankcase = _angle_signal(
        "crankcase", ChannelRole.CRANKCASE, _crankcase(leaky, len(kept), cylinders, rng), kept
    )
    assignments = tuple(
        Assignment(
            p,
            720.0 / cylinders * (p - 1),
            engine.firing_order[p - 1] if trigger else None,
            0.99 if trigger else 1.0 / cylinders,
            trigger,
            "counted from the trigger" if trigger else "no trigger",
        )
        for p in range(1, cylinders + 1)
    )
    delay = (
        Estimate(ARRIVAL_DEG, 201.0, 209.0, "deg")
        if trigger
        else unknown("deg", "no reference for the crank angle")
    )
    positions = tuple(range(1, cylinders + 1))
    width = 720 // cylinders
    share = CylinderShare(
        exhaust_name,
        ChannelRole.EXHAUST,
        positions,
        np.arange(width, dtype=np.float64),
        np.zeros((cylinders, width)),
        np.ones((cylinders, width)),
        np.zeros(width),
        strength,
    )
    misfires = tuple(
        MisfireCount(
            exhaust_name,
            p,
            4 if p == weak_position else 0,
            len(kept),
            Estimate(0.0455, 0.018, 0.111, "1", coverage=0.95)
            if p == weak_position
            else Estimate(0.0, 0.0, 0.042, "1", coverage=0.95),
            2 if p == weak_position else 0,
            unknown("1", "too few misfires"),
            tuple(kept[m] for m in missed) if p == weak_position else (),
        )
        for p in positions
    )
    time_s = np.arange(int(cycles.time_s[-1] * RATE_HZ) + 400) / RATE_HZ
    angle = np.nan_to_num(cycles.angle_at(time_s))
    in_order = [exhaust.values.mean(axis=0), crankcase.values.mean(axis=0)]
    sampled = [
        np.interp(angle % 720.0, np.arange(ANGLES), mean) + rng.normal(0, 8, angle.size)
        for mean in in_order
    ]
    table, symptoms = _metrics(cylinders, weak_position)
    return Analysis(
        recording=Recording(
            channels=(
                Channel(exhaust_name, ChannelRole.EXHAUST, sampled[0], RATE_HZ, "Pa"),
                Channel("crankcase", ChannelRole.CRANKCASE, sampled[1], RATE_HZ, "Pa"),
            ),
            edges=(
                EdgeTrain(
                    "coil 1",
                    ChannelRole.IGNITION,
                    cycles.time_s[:-1],
                    np.ones(cycle_count, dtype=np.int64),
                    0.0,
                    float(time_s[-1]),
                ),
            )
            if trigger
            else (),
            source=SourceInfo("bus-412-idle.csv", "csv", 1_234_567, "ab" * 32),
            condition=Condition.IDLE,
            notes=("Channel roles taken from the column names.",),
        ),
        engine=engine,
        quality=_quality(exhaust_name),
        cycles=cycles,
        cylinders=CylinderSet(
            signals=(exhaust, crankcase),
            spectra=(_spectrum(exhaust, cylinders), _spectrum(crankcase, cylinders)),
            delays=(
                PathDelay(exhaust_name, delay, unknown("deg", "path length not given"), (), "fit"),
            ),
            assignments=assignments,
            shares=(share,),
            misfires=misfires,
        ),
        metrics=table,
        symptoms=symptoms,
        diagnosis=_diagnosis() if diagnosis else None,
        provenance=Provenance()
        .then("read csv", rate_hz=RATE_HZ)
        .then("cycles from trigger", edges=cycle_count),
    )


def build_unusable() -> Analysis:
    """A recording in which nothing could be found."""
    whole = build_analysis()
    return replace(
        whole,
        quality=QualityReport(
            (
                QualityFinding(
                    "silent",
                    "exhaust",
                    Verdict.UNUSABLE,
                    "The exhaust channel does not move: 0.2 Pa from end to end.",
                    "Check the sensor plug and that the hose is not pinched, then record again.",
                    Estimate(0.2, 0.1, 0.3, "Pa"),
                    5.0,
                    ((0.0, 13.8),),
                ),
            )
        ),
        cycles=None,
        cylinders=None,
        metrics=None,
        symptoms=None,
        not_judged="the exhaust channel is silent, so no engine cycle could be found",
    )


@pytest.fixture(scope="session")
def make_analysis() -> MakeAnalysis:
    """The builder of whole analyses."""
    return build_analysis


@pytest.fixture(scope="session")
def four() -> Analysis:
    """Four in line with a trigger, cylinder 3 weak, with causes."""
    return build_analysis(diagnosis=True)


@pytest.fixture(scope="session")
def six() -> Analysis:
    """Six in line without a trigger, nothing wrong, no causes."""
    return build_analysis(cylinders=6, weak_position=None, trigger=False)


@pytest.fixture(scope="session")
def unusable() -> Analysis:
    """A recording that is not fit to judge."""
    return build_unusable()
