"""Reference cases: planning, the likelihood on invented features with known truth, keeping."""

from pathlib import Path

import numpy as np
import pytest

import ringland.reference.build as build
from ringland.diagnosis import load_knowledge
from ringland.errors import SettingError
from ringland.model import (
    AngleSignal,
    ChannelRole,
    CylinderSet,
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
from ringland.reference.features import recording_features
from ringland.reference.likelihood import (
    CaseFeatures,
    CaseModel,
    evaluate_features,
    fit_cases,
    keep_model,
    load_model,
)
from ringland.reference.plan import CaseSettings, PlannedCase, load_settings, plan_cases
from ringland.simulator.faults import FAULT_KINDS

ENGINE = EngineSpec("six", 6, (1, 5, 3, 6, 2, 4), tuple(120.0 * i for i in range(6)))
NAMES = ("alpha", "beta", "gamma")
SHIFT = {0: (-8.0, 0.0, 2.0), 5: (0.0, 9.0, 0.0), 8: (-4.0, 0.0, 8.0)}
"""Component number -> full-severity shift of the invented features, in sound spreads."""


def invented(seed: int, component: int | None, step: float, position: int = 2) -> FloatArray:
    """Six cylinders, each with its own level, unit spread; one shifted by severity."""
    rng = np.random.default_rng(seed)
    values = 10.0 + 3.0 * np.arange(6)[:, None] + rng.standard_normal((6, 3))
    if component is not None:
        values[position] += np.array(SHIFT[component]) * (0.3 + 0.7 * step)
    return values


def invented_cases(per_component: int = 40, sound: int = 40) -> CaseFeatures:
    rows, components, steps = [], [], []
    plan: list[int | None] = [None] * sound + [c for c in SHIFT for _ in range(per_component)]
    for number, component in enumerate(plan):
        step = (number * 0.618) % 1.0
        position = number % 6
        rows.append(invented(1000 + number, component, step, position))
        labels = np.full(6, -1)
        if component is not None:
            labels[position] = component
        components.append(labels)
        steps.append(np.where(labels >= 0, step, 0.0))
    order = np.random.default_rng(0).permutation(len(rows))
    return CaseFeatures(
        NAMES, np.array(rows)[order], np.array(components)[order], np.array(steps)[order]
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


def signal(role: ChannelRole, bump_deg: float, size: float) -> AngleSignal:
    """Six equal pulses, the one at `bump_deg` of another size, over eight cycles."""
    angle = np.arange(720.0)
    mean = np.zeros(720)
    for p in range(6):
        away = (angle - 120.0 * p - 60.0 + 360.0) % 720.0 - 360.0
        mean += (size if abs(120.0 * p - bump_deg) < 1 else 1.0) * np.exp(-0.5 * (away / 20) ** 2)
    values = np.tile(mean, (8, 1))
    return AngleSignal(
        str(role), role, "Pa", angle, values, mean, mean * 0, mean, mean, tuple(range(8))
    )


def test_features_look_alike_from_every_position() -> None:
    """A bump at one position, seen from there, is the bump at another seen from there."""
    empty = MetricTable((), ())
    seen = []
    for p in (0, 2, 5):
        cylinders = CylinderSet(
            (signal(ChannelRole.CRANKCASE, 120.0 * p, 0.3),), (), (), (), (), ()
        )
        names, values = recording_features(empty, cylinders, ENGINE)
        assert values.shape == (6, len(names))
        seen.append(values[p])
    np.testing.assert_allclose(seen[0], seen[1], atol=1e-9)
    np.testing.assert_allclose(seen[0], seen[2], atol=1e-9)


def test_metrics_are_among_the_features() -> None:
    definition = MetricDefinition(
        "alpha", "alpha", "1", ChannelRole.EXHAUST, Sense.BOTH, -1e9, 1e9, 1, 1.0, 3.0, 6.0,
        "heuristic",
    )  # fmt: skip
    row = MetricValue("alpha", "exhaust", 3, Estimate.from_se(0.7, 0.1, "1"))
    names, values = recording_features(
        MetricTable((definition,), (row,)), CylinderSet((), (), (), (), (), ()), ENGINE
    )
    assert names == ("alpha",)
    assert values[2, 0] == pytest.approx(0.7)
    assert np.isnan(values[[0, 1, 3, 4, 5], 0]).all()


def test_probabilities_are_calibrated_on_new_cases(model: CaseModel) -> None:
    """Softmax of the ratios with the simulated shares: mean probability of the truth is what a
    calibrated judge reaches (expected calibration error of the top cause at most 0.1)."""
    said, right = [], []
    modes = {c: model.settings.components[c].mode for c in SHIFT}
    for seed in range(240):
        component = list(SHIFT)[seed % 3]
        values = invented(40_000 + seed, component, (seed * 0.37) % 1.0, seed % 6)
        evidence = evaluate_features(model, values)
        keys = list(evidence.log_ratio)
        weights = np.array([evidence.log_ratio[k] for k in keys])
        p = np.exp(weights - weights.max())
        p /= p.sum()
        best = int(np.argmax(p))
        said.append(p[best])
        right.append(keys[best] == (modes[component], seed % 6 + 1))
    assert abs(np.mean(said) - np.mean(right)) < 0.1
    assert np.mean(right) > 0.9


@pytest.mark.parametrize("component", list(SHIFT))
def test_the_right_mode_and_cylinder_lead(model: CaseModel, component: int) -> None:
    """New cases with known truth: the true mode at the true position has the largest ratio."""
    mode = model.settings.components[component].mode
    right = 0
    for seed in range(40):
        position = seed % 6
        values = invented(50_000 + 100 * component + seed, component, 0.7, position)
        evidence = evaluate_features(model, values)
        best = max(evidence.log_ratio, key=lambda k: evidence.log_ratio[k])
        right += best == (mode, position + 1)
    assert right >= 38


def test_sound_engines_stay_sound(model: CaseModel) -> None:
    high = 0
    for seed in range(60):
        evidence = evaluate_features(model, invented(90_000 + seed, None, 0.0))
        high += max(evidence.log_ratio.values()) > 4.0
    assert high <= 3


def test_severity_is_found_again(model: CaseModel) -> None:
    component = 5
    of = model.settings.components[component]
    inside = 0
    for seed in range(60):
        step = (seed + 0.5) / 60
        values = invented(70_000 + seed, component, step, 3)
        evidence = evaluate_features(model, values)
        estimate = evidence.severity[of.mode, 4]
        assert estimate.low is not None and estimate.high is not None
        true = of.least * (of.most / of.least) ** step
        inside += estimate.low <= true <= estimate.high
        assert estimate.unit == FAULT_KINDS[of.kind].unit
    assert inside >= 45


def test_missing_channels_are_left_out(model: CaseModel) -> None:
    values = invented(3, 5, 0.8, 1)
    values[:, 0] = np.nan
    evidence = evaluate_features(model, values)
    mode = model.settings.components[5].mode
    assert max(evidence.log_ratio, key=lambda k: evidence.log_ratio[k]) == (mode, 2)


def test_what_resembles_nothing_says_so(model: CaseModel) -> None:
    values = invented(4, None, 0.0)
    values[1] += np.array([300.0, -300.0, -300.0])
    evidence = evaluate_features(model, values)
    assert evidence.resembles_nothing is not None
    assert "2" in evidence.resembles_nothing
    assert evaluate_features(model, invented(5, 0, 0.5)).resembles_nothing is None


def _stub_case(
    engine: EngineSpec, case: PlannedCase, settings: CaseSettings, **_: object
) -> tuple[Recording, EngineSpec]:
    return Recording((), notes=(str(case.seed),)), engine


def test_kept_cases_are_not_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same engine again costs nothing; a broken run goes on where it stopped."""
    monkeypatch.setattr(build, "simulate_case", _stub_case)
    made: list[int] = []

    def measure(recording: Recording, engine: EngineSpec) -> tuple[MetricTable, CylinderSet]:
        made.append(1)
        if len(made) == 50:
            raise KeyboardInterrupt
        bump = signal(ChannelRole.CRANKCASE, 120.0 * (len(made) % 6), 0.5)
        return MetricTable((), ()), CylinderSet((bump,), (), (), (), (), ())

    told: list[tuple[int, int]] = []
    kept = tmp_path / "cases.npz"
    with pytest.raises(KeyboardInterrupt):
        build.measure_cases(ENGINE, measure, kept=kept, scale=0.3)
    first = build.measure_cases(
        ENGINE, measure, kept=kept, scale=0.3, progress=lambda d, n: told.append((d, n))
    )
    total = len(plan_cases(ENGINE, load_settings(), scale=0.3))
    assert told[0] == (41, total)
    assert told[-1] == (total, total)
    count = len(made)
    again = build.measure_cases(ENGINE, measure, kept=kept, scale=0.3)
    assert len(made) == count
    np.testing.assert_array_equal(first.values, again.values)
    kept.write_bytes(b"spoilt")
    build.measure_cases(ENGINE, measure, kept=kept, scale=0.3)
    assert len(made) == count + total


def test_a_kept_likelihood_is_the_same(model: CaseModel, tmp_path: Path) -> None:
    path = tmp_path / "one.model.npz"
    assert load_model(path, load_settings()) is None
    keep_model(model, path)
    back = load_model(path, load_settings())
    assert back is not None
    values = invented(3, 5, 0.8, 1)
    assert evaluate_features(back, values).log_ratio == evaluate_features(model, values).log_ratio
    path.write_bytes(b"spoilt")
    assert load_model(path, load_settings()) is None


def test_the_file_name_says_what_the_cases_were_made_from() -> None:
    def name(**changes: object) -> str:
        usual = {"condition": "idle", "held_rpm": None, "version": "1", "scale": 1.0, "seed": 0}
        given = {**usual, **changes}
        return build.cache_name(ENGINE, load_settings(), **given)  # type: ignore[arg-type]

    assert name() == name()
    assert len({name(), name(condition="held"), name(version="2"), name(seed=1)}) == 4


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
