"""Analyses made by hand, so that what is shown and written can be checked without computing."""

from dataclasses import replace

import numpy as np
import pytest

from ringland.model import (
    Action,
    Analysis,
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

FIRING_ORDER = (1, 3, 4, 2)


def ratio(value: float, half: float) -> Estimate:
    """A ratio with an interval of +- half."""
    return Estimate(value, value - half, value + half, "1")


@pytest.fixture
def recording() -> Recording:
    """Two sampled channels and a trigger, ten seconds."""
    return Recording(
        channels=(
            Channel("Ch A", ChannelRole.EXHAUST, np.zeros(1000), 100.0, "V", role_reason="said so"),
            Channel("Ch B", ChannelRole.CRANKCASE, np.zeros(1000), 100.0, "Pa"),
        ),
        edges=(
            EdgeTrain(
                "Ch C", ChannelRole.IGNITION, np.array([1.0, 1.1]), np.array([1, 0]), 0.0, 10.0
            ),
        ),
        source=SourceInfo("van.csv", "csv", 12345, "ab" * 32),
        condition=Condition.IDLE,
        notes=("Ch A is taken as exhaust because it was said so.",),
    )


@pytest.fixture
def engine() -> EngineSpec:
    """Four cylinders, even firing."""
    return EngineSpec("Hand-made four", 4, FIRING_ORDER, (0.0, 180.0, 360.0, 540.0))


@pytest.fixture
def quality() -> QualityReport:
    """One good channel, one suspect, and a finding on the whole."""
    return QualityReport(
        (
            QualityFinding("noise", "Ch A", Verdict.OK, "The pulses stand well above the noise."),
            QualityFinding(
                "clipping",
                "Ch B",
                Verdict.SUSPECT,
                "Tops are flat.",
                "Choose a larger range.",
                ratio(0.02, 0.01),
                0.01,
                ((1.0, 1.2), (3.0, 3.1)),
            ),
            QualityFinding("steady_speed", "", Verdict.OK, "The speed held still."),
        )
    )


@pytest.fixture
def cycles() -> CycleSet:
    """Four cycles at 801 rpm, one dropped."""
    period_s = 120.0 / 801.0
    uses = [CycleUse(i * period_s, (i + 1) * period_s) for i in range(4)]
    uses[2] = replace(uses[2], dropped="speed jumped")
    time_s = np.linspace(0.0, 4 * period_s, 5)
    return CycleSet(
        cycle_deg=720.0,
        phase_source=PhaseSource.PULSES,
        reference=Reference.ARBITRARY,
        reference_reason="there is no trigger",
        time_s=time_s,
        angle_deg=np.linspace(0.0, 4 * 720.0, 5),
        speed_rpm=np.full(5, 801.0),
        speed_se_rpm=np.full(5, 0.5),
        angle_se_deg=0.8,
        mean_speed_rpm=Estimate(801.0, 800.2, 801.8, "rpm"),
        cycles=tuple(uses),
    )


@pytest.fixture
def cylinders() -> CylinderSet:
    """Positions counted from an arbitrary start; the third weak and misfiring."""
    return CylinderSet(
        signals=(),
        spectra=(OrderSpectrum("Ch A", "V", (), ratio(0.2, 0.05), 1e-6),),
        delays=(
            PathDelay(
                "Ch A",
                Estimate(190.0, 180.0, 200.0, "deg"),
                unknown("deg", "no trigger"),
                ((0, 0.25), (1, 0.75)),
                "no trigger",
            ),
        ),
        assignments=tuple(
            Assignment(p, 180.0 * (p - 1), None, 0.25, False, "no trigger fixes the numbering")
            for p in (2, 1, 3, 4)
        ),
        shares=(
            CylinderShare(
                "Ch A",
                ChannelRole.EXHAUST,
                (1, 2, 3, 4),
                np.arange(3.0),
                np.zeros((4, 3)),
                np.zeros((4, 3)),
                np.zeros(3),
                np.ones((3, 4)),
            ),
        ),
        misfires=(
            MisfireCount(
                "Ch A",
                3,
                1,
                3,
                Estimate(1 / 3, 0.06, 0.79, "1", 0.95),
                1,
                unknown("1", "one"),
                (1,),
            ),
        ),
    )


@pytest.fixture
def metrics() -> MetricTable:
    """One metric per cylinder, one on the engine, one unknown value, one on two channels."""
    strength = MetricDefinition(
        "pulse_strength", "Pulse strength", "1", ChannelRole.EXHAUST, Sense.LOW, 0.0, 5.0, 10,
        0.03, 0.1, 0.2, "heuristic",
    )  # fmt: skip
    imbalance = replace(strength, id="imbalance", title="Imbalance", per_cylinder=False)
    values = [
        MetricValue("pulse_strength", "Ch A", p, ratio(v, 0.03))
        for p, v in ((1, 1.01), (2, 0.99), (3, 0.66))
    ]
    values += [
        MetricValue("pulse_strength", "Ch A", 4, unknown("1", "too few cycles")),
        MetricValue("pulse_strength", "Ch B", 1, ratio(1.2, 0.3)),
        MetricValue("imbalance", "Ch A", None, ratio(0.2, 0.05)),
    ]
    return MetricTable((strength, imbalance), tuple(values))


@pytest.fixture
def symptoms() -> SymptomTable:
    """The third position in alarm, the fourth not judged."""

    def symptom(position: int, state: State, deviation: Estimate, sentence: str) -> Symptom:
        return Symptom(
            "pulse_strength", position, state, deviation, -0.1, -0.2, 0.5, "own cylinders", sentence
        )

    return SymptomTable(
        (
            symptom(1, State.NORMAL, ratio(0.01, 0.03), ""),
            symptom(2, State.NORMAL, ratio(-0.01, 0.03), ""),
            symptom(3, State.ALARM, ratio(-0.34, 0.03), "Position 3 is a third weaker."),
            replace(
                symptom(4, State.NOT_JUDGED, unknown("1", "too few cycles"), ""),
                reason="too few cycles",
                p_value=None,
            ),
        ),
        alarm_rate=0.01,
        alert_rate=0.05,
    )


@pytest.fixture
def diagnosis() -> Diagnosis:
    """One cause, one test, one action."""
    leak = Estimate(2e-6, 1e-6, 3e-6, "m2")
    for_it = (EvidenceWeight("pulse_strength", 3.2, "A third weaker than the others."),)
    answers = (
        PossibleAnswer("hiss_at_filler", "Hiss at the filler", 0.8, (("ring_leak", 0.97),)),
        PossibleAnswer("tight", "No leak", 0.2, (("ring_leak", 0.1),)),
    )
    return Diagnosis(
        causes=(
            Cause("ring_leak", "Leaking rings", 3, None, 0.8, leak, for_it),
            Cause("inlet_leak", "Leaking inlet valve", 3, None, 0.1, unknown("m2", "not fitted")),
        ),
        healthy=0.03,
        none_of_these=0.07,
        next_tests=(
            NextTest(
                "leak_down", "Leak-down test", 3, None, 0.6, 15.0, 0.04, ("leak-down tester",),
                ("Remove the key: the crank may turn.",), answers, unknown("1", "costs not given"),
            ),
        ),
        actions=(Action("check_leak", "this week", "Come in.", "Leak-down at position 3."),),
    )  # fmt: skip


@pytest.fixture
def whole(
    recording: Recording,
    engine: EngineSpec,
    quality: QualityReport,
    cycles: CycleSet,
    cylinders: CylinderSet,
    metrics: MetricTable,
    symptoms: SymptomTable,
    diagnosis: Diagnosis,
) -> Analysis:
    """Everything found."""
    return Analysis(
        recording, engine, quality, cycles, cylinders, metrics, symptoms, diagnosis,
        notes=("The condition was said, not measured.",),
        provenance=Provenance().then("read csv", header=2).then("cycles", nan=np.nan),
    )  # fmt: skip


@pytest.fixture
def unusable(recording: Recording, engine: EngineSpec) -> Analysis:
    """Nothing found, and why."""
    report = QualityReport(
        (
            QualityFinding(
                "silent", "Ch A", Verdict.UNUSABLE, "Nothing but noise.", "Check the hose.",
                unknown("1", "no pulse"), None, ((0.0, 10.0),),
            ),
        )
    )  # fmt: skip
    return Analysis(recording, engine, report, not_judged="The exhaust channel is silent.")
