"""Push on the crankcase: made of displacement and known flows, counted in flows again."""

import numpy as np
import pytest

from ringland.cylinders.crankcase import crankcase_terms
from ringland.engines import layout
from ringland.model import AngleSignal, ChannelRole, EngineSpec

POINTS = 720
RATIO, ROD_OVER_CRANK = 10.0, 3.3


def travel(turn_deg: np.ndarray) -> np.ndarray:
    """Piston travel over stroke (Heywood, Internal Combustion Engine Fundamentals, eq. 2.4 to
    2.6), from top dead centre."""
    turn = np.radians(turn_deg)
    s = np.cos(turn) + np.sqrt(ROD_OVER_CRANK**2 - np.sin(turn) ** 2)
    return np.asarray(0.5 * (1.0 + ROD_OVER_CRANK - s))


def flow(angle_deg: np.ndarray) -> np.ndarray:
    """Gas past the rings of one cylinder: follows its pressure, polytropic, higher after firing."""
    offset = (angle_deg + 360.0) % 720.0 - 360.0
    pressure = ((1.0 + 1.0 / (RATIO - 1.0)) / (travel(offset) + 1.0 / (RATIO - 1.0))) ** 1.3 - 1.0
    shape = pressure * np.where(offset > 0.0, 1.5, 1.0)
    return np.where(np.abs(offset) < 137.0, shape, 0.0)


def signal(engine: EngineSpec, flows: list[float], displaced: float) -> AngleSignal:
    """Pressure: the flows added up, less what leaks out of the vent evenly, and displacement."""
    angle = np.arange(POINTS) * 720.0 / POINTS
    rate = sum(f * flow(angle - a) for f, a in zip(flows, engine.firing_angles_deg, strict=True))
    assert isinstance(rate, np.ndarray)
    pressure = np.cumsum(rate - rate.mean()) * 720.0 / POINTS
    pressure += displaced * sum(travel(angle - a) for a in engine.firing_angles_deg)
    values = np.tile(pressure, (6, 1))
    return AngleSignal(
        "crankcase",
        ChannelRole.CRANKCASE,
        "Pa",
        angle,
        values,
        values.mean(axis=0),
        np.zeros(POINTS),
        values.min(axis=0),
        values.max(axis=0),
        tuple(range(6)),
    )


@pytest.mark.parametrize("layout_id", ["I3-132", "I4-1342", "I5-12453", "I6-153624"])
@pytest.mark.parametrize("displaced", [0.0, 300.0])
def test_a_leak_is_counted_in_the_usual_cylinder_s_gas(layout_id: str, displaced: float) -> None:
    """One cylinder with four times the others' flow stands (4 - 1) / (mean flow) above them.

    Not to a few percent: the flow here has another polytropic exponent than is assumed, and with
    four cylinders displacement hides half of the shared orders.
    """
    engine = layout(layout_id).engine
    flows = [1.0] * engine.cylinders
    flows[2] = 4.0
    terms = crankcase_terms(signal(engine, flows, displaced), engine)
    push = terms.push.mean(axis=0) / terms.scale
    above = push - np.median(np.delete(push, 2))
    assert np.argmax(above) == 2
    assert above[2] == pytest.approx(3.0 / np.mean(flows), rel=0.15)
    assert np.abs(np.delete(above, 2)).max() < 0.15 * above[2]


@pytest.mark.parametrize("layout_id", ["I3-132", "I4-1342", "I6-153624", "V8-90-18436572"])
def test_even_flows_push_evenly_whatever_is_displaced(layout_id: str) -> None:
    engine = layout(layout_id).engine
    terms = crankcase_terms(signal(engine, [1.0] * engine.cylinders, 1000.0), engine)
    assert np.ptp(terms.push.mean(axis=0) / terms.scale) < 0.02
