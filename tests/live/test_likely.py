"""Hook-ups told apart by the lines of the averaged cycle, on synthetic pulses and closed forms."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from ringland.engines import layout
from ringland.live import _exhaust_answers as exhaust
from ringland.live._by_angle import _best_explained
from ringland.live._crankcase_answers import crankcase_answers
from ringland.live._kinds import HookUpKind
from ringland.live._likely import Explained, explain
from ringland.model import AngleSignal, ChannelRole, EngineSpec, Fuel

EXHAUST, SECOND, CRANKCASE = ChannelRole.EXHAUST, ChannelRole.EXHAUST_2, ChannelRole.CRANKCASE
CYCLE_S = 0.16  # 750 rpm
ORDERS = np.arange(1, 25)


def signal(role: ChannelRole, one: NDArray[np.complex128], angles: list[float]) -> AngleSignal:
    """Thirty nearly equal cycles of pulses with these lines at these angles."""
    rng = np.random.default_rng(len(angles))
    line = np.zeros(361, dtype=np.complex128)
    for angle in angles:
        line[ORDERS] += one * np.exp(-2j * np.pi * ORDERS * angle / 720.0)
    mean = np.fft.irfft(line, 720)
    values = mean + 0.01 * mean.std() * rng.standard_normal((30, 720))
    error = values.std(axis=0) / np.sqrt(30.0)
    columns = np.arange(720.0)
    return AngleSignal(
        role.value, role, "V", columns, values, values.mean(axis=0), error,
        values.min(axis=0), values.max(axis=0), tuple(range(30)),
    )  # fmt: skip


def engine(name: str) -> EngineSpec:
    return replace(layout(name).engine, fuel=Fuel.PETROL)


def pulse(draw: int = 17, *, damp: bool = False) -> NDArray[np.complex128]:
    """What one of the drawn hook-ups gives, through a hose with its corner at 5 Hz or none."""
    hz = ORDERS / CYCLE_S
    lines = exhaust.exhaust_answers(ORDERS, hz, False)[draw]
    return np.asarray(lines * (1.0 + 1j * hz / 5.0) ** -2 if damp else lines)


def angles_of(spec: EngineSpec, outlet: int) -> list[float]:
    return [spec.firing_angles_deg[p - 1] for p in spec.positions_on_outlet(outlet)]


@pytest.mark.parametrize("layout_id", ["I4-1342", "I6-153624"])
def test_a_blocked_hose_is_mostly_told_from_an_open_one(layout_id: str) -> None:
    # a silencer can do what a hose does, so not every draw is told
    spec, told = engine(layout_id), np.zeros((2, 20))
    for draw in range(20):
        for damp in (False, True):
            heard = signal(EXHAUST, pulse(draw, damp=damp), list(spec.firing_angles_deg))
            ratio = explain({EXHAUST: heard}, spec, CYCLE_S).hoses.get("exhaust", -100.0)
            told[int(damp), draw] = ratio
    assert np.mean(told[1] > told[0]) >= 0.9
    assert np.mean(told[0] > 0.5) <= 0.1
    assert np.mean(told[1] > 0.5) >= 0.6


def test_crossed_leads_are_told() -> None:
    spec = engine("I4-1342")
    angles = list(spec.firing_angles_deg)
    case = crankcase_answers(ORDERS, ORDERS / CYCLE_S, False)[40]
    right = {EXHAUST: signal(EXHAUST, pulse(), angles), CRANKCASE: signal(CRANKCASE, case, angles)}
    crossed = {
        EXHAUST: signal(EXHAUST, case, angles), CRANKCASE: signal(CRANKCASE, pulse(), angles),
    }  # fmt: skip
    named, swapped = (explain(s, spec, CYCLE_S).swapped for s in (right, crossed))
    assert named is not None and swapped is not None
    assert named < 0.0 < 5.0 < swapped


def test_even_firing_into_one_pipe_leaves_no_trace_of_the_trigger() -> None:
    # every pulse given to the next cylinder is the same train: nothing may be said
    spec = engine("I4-1342")
    found = explain(
        {EXHAUST: signal(EXHAUST, pulse(), list(spec.firing_angles_deg))}, spec, CYCLE_S
    )
    assert found.places == {}


@pytest.mark.parametrize("late", [1, 3])
def test_a_late_trigger_is_told_with_two_outlets(late: int) -> None:
    spec = engine("F4-1324-dual")
    shift = spec.firing_angles_deg[late]
    signals = {
        role: signal(role, pulse(draw), [a - shift for a in angles_of(spec, outlet)])
        for role, outlet, draw in ((EXHAUST, 1, 17), (SECOND, 2, 101))
    }
    places = explain(signals, spec, CYCLE_S).places
    assert max(places, key=lambda k: places[k]) == (late, False)
    assert places[late, False] > 2.0


def test_exchanged_outlets_of_a_boxer_look_like_a_trigger_half_a_cycle_late() -> None:
    spec = engine("F4-1324-dual")
    signals = {
        EXHAUST: signal(EXHAUST, pulse(17), angles_of(spec, 2)),
        SECOND: signal(SECOND, pulse(101), angles_of(spec, 1)),
    }
    places = explain(signals, spec, CYCLE_S).places
    assert places[0, True] > 2.0
    assert places[0, True] == pytest.approx(places[2, False], abs=1e-6)
    assert max(places.values()) == pytest.approx(places[0, True], abs=1e-6)


def test_two_mistakes_that_look_alike_are_both_named_and_the_unknown_is_not() -> None:
    seen = Explained(True, -3.0, {"exhaust": 0.7}, {(2, False): 9.0, (0, True): 9.0})
    named = {f.kind for f in _best_explained(seen)}
    assert named == {HookUpKind.WRONG_OUTLET, HookUpKind.WRONG_CYLINDER}
    assert not any(f.certain for f in _best_explained(seen))
    assert _best_explained(replace(seen, known=False)) == []
    assert _best_explained(Explained(True, 1.0, {"exhaust": 0.2}, {(1, False): 1.5})) == []


def test_the_hose_is_two_low_passes() -> None:
    # |1 / (1 + j f / f_h)^2| = 1 / 2 and -90 degrees at the corner (closed form)
    corner = exhaust._lines().corner_hz
    answer = exhaust.hose_answers(np.array([corner[7]]))[7, 0]
    assert abs(answer) == pytest.approx(0.5)
    assert np.degrees(np.angle(answer)) == pytest.approx(-90.0)


def test_the_drawn_lines_answer_as_the_wave_model_does() -> None:
    # against the time-domain lines of the simulator (own code, itself held to closed forms)
    from ringland.simulator.pipes import ExhaustPath, PipeSection, tailpipe_pressure

    lines = exhaust._lines()
    draw = int(np.flatnonzero(lines.last == 0)[0])  # one plain pipe
    length, bore = float(lines.length_m[draw, 0]), float(lines.diameter_m[draw, 0])
    path = ExhaustPath(
        (PipeSection(length, bore, temperature_k=float(lines.temperature_k[draw, 0])),),
        collector_volume_m3=float(lines.collector_m3[draw]),
        sensor_inside_m=float(lines.inside_m[draw]),
    )
    rate, hz = 20_000.0, np.array([30.0, 60.0])
    time_s = np.arange(40_000) / rate
    density = 101_325.0 / (290.64 * float(lines.temperature_k[draw, 0]))
    size, flow = 1e-3, np.zeros_like(time_s)
    for f in hz:
        flow += size * density * np.cos(2.0 * np.pi * f * time_s)
    heard = tailpipe_pressure(flow, float(lines.temperature_k[draw, 0]), rate, path)[-20_000:]
    late = time_s[-20_000:]
    got = np.array([2.0 * np.mean(heard * np.exp(-2j * np.pi * f * late)) / size for f in hz])
    want = exhaust._transfer(hz, lines)[draw]
    assert np.abs(np.log(np.abs(got / want))).max() < 0.15
    assert np.abs(np.angle(got / want)).max() < 0.15
