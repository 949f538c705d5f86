"""Reference cases: planning, the likelihood on invented features with known truth, keeping."""

from pathlib import Path

import numpy as np
import pytest
from scipy.stats import multivariate_t

import ringland.reference.build as build
from ringland.diagnosis import load_knowledge
from ringland.errors import SettingError
from ringland.model import (
    ChannelRole,
    EngineSpec,
    Estimate,
    Fuel,
    MetricDefinition,
    MetricTable,
    MetricValue,
    Recording,
    Sense,
)
from ringland.model._arrays import FloatArray
from ringland.reference.likelihood import (
    CaseFeatures,
    CaseModel,
    _student_log,
    evaluate,
    features_of,
    fit_cases,
)
from ringland.reference.plan import CaseSettings, PlannedCase, load_settings, plan_cases
from ringland.simulator.faults import FAULT_KINDS

ENGINE = EngineSpec("six", 6, (1, 5, 3, 6, 2, 4), tuple(120.0 * i for i in range(6)))
METRICS = ("alpha", "beta", "gamma")
SHIFT = {0: (-8.0, 0.0, 2.0), 5: (0.0, 9.0, 0.0), 8: (-4.0, 0.0, 8.0)}
"""Component number -> full-severity shift of the invented metrics, in sound spreads."""


def definition(metric: str) -> MetricDefinition:
    return MetricDefinition(
        metric, metric, "1", ChannelRole.EXHAUST, Sense.BOTH, -1e9, 1e9, 1, 1.0, 3.0, 6.0,
        "heuristic",
    )  # fmt: skip


def table_of(values: FloatArray) -> MetricTable:
    """(positions, metrics) as a table."""
    rows = [
        MetricValue(m, "exhaust", p + 1, Estimate.from_se(float(values[p, k]), 0.1, "1"))
        for p in range(len(values))
        for k, m in enumerate(METRICS)
        if np.isfinite(values[p, k])
    ]
    return MetricTable(tuple(definition(m) for m in METRICS), tuple(rows))


def invented(seed: int, component: int | None, step: float, position: int = 2) -> FloatArray:
    """Six cylinders, unit sound spread about a common level; one shifted by severity."""
    rng = np.random.default_rng(seed)
    values = 10.0 + rng.standard_normal((6, 3))
    if component is not None:
        values[position] += np.array(SHIFT[component]) * (0.3 + 0.7 * step)
    return values


def invented_cases(per_component: int = 30, sound: int = 30) -> CaseFeatures:
    rows, components, steps, cases = [], [], [], []
    plan: list[int | None] = [None] * sound + [c for c in SHIFT for _ in range(per_component)]
    for number, component in enumerate(plan):
        step = (number * 0.618) % 1.0
        position = number % 6
        values = invented(1000 + number, component, step, position)
        rows.append(features_of(table_of(values), METRICS, 6))
        labels = np.full(6, -1)
        if component is not None:
            labels[position] = component
        components.append(labels)
        steps.append(np.where(labels >= 0, step, 0.0))
        cases.append(np.full(6, number))
    return CaseFeatures(
        METRICS,
        np.concatenate(rows),
        np.concatenate(components),
        np.concatenate(steps),
        np.concatenate(cases),
    )


@pytest.fixture(scope="module")
def model() -> CaseModel:
    return fit_cases(invented_cases(), load_settings())


def test_settings_name_known_kinds_and_modes() -> None:
    settings = load_settings()
    modes = {m.id for m in load_knowledge().modes}
    for component in settings.components:
        assert component.kind in FAULT_KINDS
        assert component.mode in modes


def test_plan_is_a_fair_mixture() -> None:
    settings = load_settings()
    cases = plan_cases(ENGINE, settings)
    petrol = [c for c in settings.components if "diesel" not in c.fuels]
    assert len(cases) == settings.sound + settings.per_component * len(petrol)
    assert cases == plan_cases(ENGINE, settings)
    assert len({c.seed for c in cases}) == len(cases)
    first = {c.component for c in cases[: len(cases) // 2]}
    assert len(first) == len(petrol) + 1
    for index, component in enumerate(settings.components):
        severities = [c.fault.severity for c in cases if c.component == index and c.fault]
        if severities:
            assert component.least <= min(severities) <= max(severities) <= component.most
    diesel = EngineSpec("d", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0), fuel=Fuel.DIESEL)
    kinds = {c.fault.kind for c in plan_cases(diesel, settings) if c.fault}
    assert "misfire" not in kinds
    assert "injector_dribble" in kinds


def test_features_are_free_of_level_and_need_three_cylinders() -> None:
    values = invented(1, None, 0.0)
    a = features_of(table_of(values), METRICS, 6)
    b = features_of(table_of(values + 100.0), METRICS, 6)
    np.testing.assert_allclose(a, b, atol=1e-9)
    assert np.abs(np.median(a, axis=0)).max() < 1e-12
    values[2:] = np.nan
    assert np.isnan(features_of(table_of(values), METRICS, 6)).all()


def test_student_density_is_the_published_one() -> None:
    """Multivariate t against scipy.stats.multivariate_t."""
    covariance = np.array([[2.0, 0.5], [0.5, 1.0]])
    y = np.array([0.7, -1.2])
    log, distance = _student_log(y[None], np.zeros((1, 2)), covariance, 5.0)
    exact = multivariate_t(np.zeros(2), covariance, df=5).logpdf(y)
    assert log[0, 0] == pytest.approx(exact)
    assert distance[0, 0] == pytest.approx(y @ np.linalg.solve(covariance, y))


@pytest.mark.parametrize("component", list(SHIFT))
def test_the_right_mode_and_cylinder_lead(model: CaseModel, component: int) -> None:
    """New cases with known truth: the true mode at the true position has the largest ratio."""
    mode = model.settings.components[component].mode
    right = 0
    for seed in range(40):
        position = seed % 6
        values = invented(50_000 + 100 * component + seed, component, 0.7, position)
        evidence = evaluate(model, table_of(values), 6)
        assert evidence is not None
        best = max(evidence.log_ratio, key=lambda k: evidence.log_ratio[k])
        right += best == (mode, position + 1)
    assert right >= 38


def test_sound_engines_stay_sound(model: CaseModel) -> None:
    high = 0
    for seed in range(60):
        evidence = evaluate(model, table_of(invented(90_000 + seed, None, 0.0)), 6)
        assert evidence is not None
        high += max(evidence.log_ratio.values()) > 4.0
    assert high <= 3


def test_severity_is_found_again(model: CaseModel) -> None:
    component = 5
    of = model.settings.components[component]
    inside = 0
    for seed in range(60):
        step = (seed + 0.5) / 60
        values = invented(70_000 + seed, component, step, 3)
        evidence = evaluate(model, table_of(values), 6)
        assert evidence is not None
        estimate = evidence.severity[of.mode, 4]
        assert estimate.low is not None and estimate.high is not None
        true = of.least * (of.most / of.least) ** step
        inside += estimate.low <= true <= estimate.high
        assert estimate.unit == FAULT_KINDS[of.kind].unit
    assert inside >= 45


def test_missing_channels_are_left_out(model: CaseModel) -> None:
    values = invented(3, 5, 0.8, 1)
    values[:, 0] = np.nan
    evidence = evaluate(model, table_of(values), 6)
    assert evidence is not None
    mode = model.settings.components[5].mode
    assert max(evidence.log_ratio, key=lambda k: evidence.log_ratio[k]) == (mode, 2)
    values[:] = np.nan
    assert evaluate(model, table_of(values), 6) is None


def test_what_resembles_nothing_says_so(model: CaseModel) -> None:
    values = invented(4, None, 0.0)
    values[1] += np.array([300.0, -300.0, -300.0])
    evidence = evaluate(model, table_of(values), 6)
    assert evidence is not None
    assert evidence.resembles_nothing is not None
    assert "2" in evidence.resembles_nothing
    usual = evaluate(model, table_of(invented(5, 0, 0.5)), 6)
    assert usual is not None
    assert usual.resembles_nothing is None


def _stub_case(
    engine: EngineSpec, case: PlannedCase, settings: CaseSettings, **_: object
) -> tuple[Recording, EngineSpec]:
    return Recording((), notes=(str(case.seed),)), engine


def test_kept_cases_are_not_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same engine again costs nothing; a broken run goes on where it stopped."""
    monkeypatch.setattr(build, "simulate_case", _stub_case)
    made: list[int] = []

    def measure(recording: Recording, engine: EngineSpec) -> MetricTable:
        made.append(1)
        if len(made) == 150:
            raise KeyboardInterrupt
        return table_of(invented(int(recording.notes[0]) % 10_000, None, 0.0))

    told: list[tuple[int, int]] = []
    with pytest.raises(KeyboardInterrupt):
        build.build_reference(ENGINE, measure, version="1", folder=tmp_path)
    first = build.build_reference(
        ENGINE, measure, version="1", folder=tmp_path, progress=lambda d, n: told.append((d, n))
    )
    total = len(plan_cases(ENGINE, load_settings()))
    assert told[0][0] == 141
    assert told[-1] == (total, total)
    count = len(made)
    again = build.build_reference(ENGINE, measure, version="1", folder=tmp_path)
    assert len(made) == count
    np.testing.assert_array_equal(first.coefficients, again.coefficients)
    build.build_reference(ENGINE, measure, version="2", folder=tmp_path, scale=0.3)
    assert len(made) > count


def test_nothing_measured_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(build, "simulate_case", _stub_case)
    with pytest.raises(SettingError, match="Not one simulated case"):
        build.build_reference(ENGINE, lambda r, e: None, version="1")


def test_a_real_simulated_case_is_a_recording_of_the_fault() -> None:
    """One case through the simulator: channels, label and description fit together."""
    settings = load_settings()
    case = next(c for c in plan_cases(ENGINE, settings) if c.fault is not None)
    short = CaseSettings(**{**settings.__dict__, "seconds": 1.0, "settle_s": 0.5})
    recording, described = build.simulate_case(ENGINE, case, short)
    assert {c.role for c in recording.channels} >= {ChannelRole.EXHAUST, ChannelRole.CRANKCASE}
    assert described.trigger_cylinder in ENGINE.firing_order
    assert "Simulated recording: invented data." in recording.notes
