"""The pulse network: slopes against finite differences, loss against the definition, ratios."""

import numpy as np
import pytest
from scipy.optimize import approx_fprime
from scipy.special import log_softmax

from ringland.diagnosis import load_knowledge
from ringland.diagnosis.knowledge import Scope
from ringland.model import EngineSpec, Fuel
from ringland.reference.evidence import log_ratios, simulated_share
from ringland.reference.features import BLOCKS, hide
from ringland.reference.learn import Batch, forward, gradients
from ringland.reference.network import LAYERS, load_network
from ringland.reference.plan import load_settings
from ringland.simulator.faults import FAULT_KINDS

ENGINE = EngineSpec("four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0), fuel=Fuel.PETROL)


def small(rng: np.random.Generator) -> tuple[dict[str, np.ndarray], Batch]:
    shapes = {"w1": (5, 4), "b1": (4,), "w2": (4, 3), "b2": (3,), "w3": (3, 6), "b3": (6,),
              "skip": (5, 6)}  # fmt: skip
    layers = {name: rng.standard_normal(shape) for name, shape in shapes.items()}
    target = np.zeros((7, 3))
    target[1, 2] = 1.0
    target[4, 0] = target[6, 0] = 0.5
    step = np.full((7, 3), np.nan)
    step[1, 2], step[4, 0], step[6, 0] = 0.3, 0.9, 0.1
    starts = np.array([0, 2, 4, 7])
    return layers, Batch(
        rng.standard_normal((7, 5)), starts, target, np.array([0.0, 1.0, 0.0]), step
    )


def test_loss_is_the_log_softmax_of_the_truth() -> None:
    """Against scipy.special.log_softmax, recording by recording, with a sound engine at 0."""
    layers, batch = small(np.random.default_rng(1))
    loss, _ = gradients(layers, batch, severity_weight=0.0)
    out, _ = forward(layers, batch.x, None)
    expected = 0.0
    for first, last, sound in zip(batch.starts[:-1], batch.starts[1:], batch.sound, strict=True):
        scores = np.concatenate([[0.0], out[first:last, :3].ravel()])
        truth = np.concatenate([[sound], batch.target[first:last].ravel()])
        expected -= float(truth @ log_softmax(scores))
    assert loss == pytest.approx(expected / 3)


@pytest.mark.parametrize("name", LAYERS)
def test_slopes_are_those_of_finite_differences(name: str) -> None:
    """Against scipy.optimize.approx_fprime."""
    layers, batch = small(np.random.default_rng(2))
    masks = (np.array([[1.0, 0.0, 2.0, 1.0]] * 7), np.array([[1.5, 1.0, 0.0]] * 7))
    _, slopes = gradients(layers, batch, masks)

    def loss(flat: np.ndarray) -> float:
        changed = layers | {name: flat.reshape(layers[name].shape)}
        return gradients(changed, batch, masks)[0]

    numeric = approx_fprime(layers[name].ravel(), loss, 1e-6)
    np.testing.assert_allclose(slopes[name].ravel(), numeric, atol=2e-5)


def test_settings_name_known_kinds_modes_and_units() -> None:
    settings = load_settings()
    modes = {m.id: m for m in load_knowledge().modes}
    for component in settings.components:
        kind = FAULT_KINDS[component.kind]
        assert kind.unit == component.unit
        assert component.most <= kind.most
    for background in settings.background:
        assert background.kind in FAULT_KINDS
    covered = {look.mode for look in settings.looks_like}
    local = {i for i, m in modes.items() if m.scope in (Scope.CYLINDER, Scope.NEIGHBOURS)}
    assert covered == local, "every failure mode of a cylinder needs its looks"


def test_the_network_that_comes_along_fits() -> None:
    network, settings = load_network(), load_settings()
    assert network.kinds == settings.kinds
    assert network.projection.shape[0] == BLOCKS["engine"].stop
    assert 0.3 < network.temperature < 3.0
    assert (network.severity_error > 0.0).all()
    assert network.cases > 1000


def test_shares_of_the_cases_are_taken_out() -> None:
    """Ratio = score - log(simulated here / simulated sound); kinds of the other fuel are out."""
    network, settings = load_network(), load_settings()
    share = simulated_share(settings, ENGINE)
    total = (1.0 - settings.sound_share) / settings.sound_share
    assert share.sum() * ENGINE.cylinders == pytest.approx(total)
    values = np.zeros((4, BLOCKS["engine"].stop))
    ratios, _ = log_ratios(network, settings, network.inputs(values), ENGINE)
    scores, _ = network.outputs(network.inputs(values))
    misfire, dribble = (network.kinds.index(k) for k in ("misfire", "injector_dribble"))
    np.testing.assert_allclose(ratios[:, misfire], scores[:, misfire] - np.log(share[misfire]))
    assert np.isneginf(ratios[:, dribble]).all()


def test_a_hidden_channel_is_hidden_before_or_after_the_projection() -> None:
    network = load_network()
    values = np.random.default_rng(4).standard_normal((4, BLOCKS["engine"].stop))
    for channel in ("exhaust", "crankcase"):
        np.testing.assert_allclose(
            network.hidden_inputs(network.inputs(values), channel),
            network.inputs(hide(values, channel)),
            atol=1e-9,
        )
