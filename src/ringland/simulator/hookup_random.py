"""Hook-ups and recorders drawn at random, wide enough to hold what a workshop meets.

Ranges are priors of our own, set wide on purpose: what a method cannot stand here it must not be
trusted with outside.
"""

from dataclasses import dataclass

import numpy as np

from ringland.model import EngineSpec, Fuel
from ringland.simulator.hookup import HookUp
from ringland.simulator.hookup_wired import Trigger
from ringland.simulator.pipes import ExhaustPath, PipeSection, Tube
from ringland.simulator.recorder import Recorder
from ringland.simulator.sensors import PulseSensor

__all__ = ["HookUpPrior", "random_hookup", "random_path", "random_recorder"]

Span = tuple[float, float]


@dataclass(frozen=True)
class HookUpPrior:
    """Ranges, uniform unless said otherwise.

    `trigger`: None draws no trigger, else its pulses per cycle. `hum_fraction` is of the signal's
    RMS; `silencers` counts expansion chambers.
    """

    length_m: Span = (1.5, 6.0)
    temperature_k: Span = (350.0, 800.0)
    cooling_length_m: Span = (4.0, 40.0)
    diameter_m: Span = (0.035, 0.075)
    collector_volume_m3: Span = (0.2e-3, 2.0e-3)
    catalyst_probability: float = 0.7
    silencers: tuple[int, int] = (0, 2)
    sensor_inside_m: Span = (0.06, 0.40)
    primary_spread_m: float = 0.15
    spectral_slope: Span = (0.0, 1.0)
    low_corner_hz: Span = (0.1, 2.0)
    tube_length_m: Span = (0.3, 1.0)
    tube_diameter_m: Span = (0.006, 0.012)
    snr_db: Span = (10.0, 30.0)
    hum_fraction: Span = (0.0, 0.03)
    rate_hz: tuple[float, ...] = (5_000.0, 10_000.0, 20_000.0)
    bits: tuple[int, ...] = (12, 14, 16)


def _draw(rng: np.random.Generator, span: Span) -> float:
    return float(rng.uniform(*span))


def random_path(
    rng: np.random.Generator, primaries: int, prior: HookUpPrior | None = None
) -> ExhaustPath:
    """One outlet's exhaust path with `primaries` cylinders feeding it."""
    prior = prior or HookUpPrior()
    length = _draw(rng, prior.length_m)
    bore = _draw(rng, prior.diameter_m)
    boxes: list[PipeSection] = []
    if rng.random() < prior.catalyst_probability:
        resistance = float(10.0 ** rng.uniform(3.5, 5.0))
        boxes.append(PipeSection(0.15, 2.2 * bore, "catalyst", resistance_pa_s_m3=resistance))
    for _ in range(int(rng.integers(prior.silencers[0], prior.silencers[1] + 1))):
        chamber = float(rng.uniform(0.20, 0.45))
        boxes.append(PipeSection(chamber, bore * float(rng.uniform(2.0, 4.0)), "silencer"))
    while sum(b.length_m for b in boxes) > 0.5 * length:
        boxes.pop()
    straight = length - sum(b.length_m for b in boxes)
    shares = rng.dirichlet(np.full(len(boxes) + 1, 4.0))
    runs = 0.15 + shares * (straight - 0.15 * len(shares))
    runs[-1] = max(float(runs[-1]), 0.45)  # the tailpipe takes the sensor
    sections = [PipeSection(float(runs[0]), bore, "pipe")]
    for box, run in zip(boxes, runs[1:], strict=True):
        sections += [box, PipeSection(float(run), bore, "pipe")]
    spread = prior.primary_spread_m * rng.standard_normal(primaries)
    return ExhaustPath(
        sections=tuple(sections),
        collector_volume_m3=_draw(rng, prior.collector_volume_m3),
        sensor_inside_m=min(_draw(rng, prior.sensor_inside_m), 0.9 * sections[-1].length_m),
        cooling_length_m=_draw(rng, prior.cooling_length_m),
        primary_lengths_m=tuple(float(x) for x in np.clip(0.45 + spread, 0.1, 1.2)),
    )


def random_hookup(
    rng: np.random.Generator,
    engine: EngineSpec,
    prior: HookUpPrior | None = None,
    *,
    with_trigger: bool = True,
) -> HookUp:
    """A hook-up without faults: tailpipe and crankcase, and a trigger when asked for.

    All outlets differ; both exhaust sensors are of one make.
    """
    prior = prior or HookUpPrior()
    outlets = sorted(set(engine.outlets))
    paths = tuple(random_path(rng, len(engine.positions_on_outlet(n)), prior) for n in outlets)
    diesel = engine.fuel is Fuel.DIESEL
    trigger = Trigger(
        cylinder=int(rng.choice(engine.firing_order)),
        advance_deg=float(rng.uniform(2.0, 12.0) if diesel else rng.uniform(5.0, 20.0)),
        as_edges=bool(rng.random() < 0.3),
    )
    low_corner = _draw(rng, prior.low_corner_hz)
    exhaust = PulseSensor(
        sensitivity=float(10.0 ** rng.uniform(-3.5, -2.5)),
        low_corner_hz=low_corner,
        resonance_hz=float(rng.uniform(400.0, 3000.0)),
        damping_ratio=float(rng.uniform(0.1, 0.7)),
        spectral_slope=_draw(rng, prior.spectral_slope),
    )
    crankcase = PulseSensor(
        sensitivity=float(10.0 ** rng.uniform(-3.5, -2.5)),
        low_corner_hz=low_corner,
        spectral_slope=0.3 * _draw(rng, prior.spectral_slope),
    )
    tube = Tube(
        length_m=_draw(rng, prior.tube_length_m),
        diameter_m=_draw(rng, prior.tube_diameter_m),
        dead_volume_m3=float(10.0 ** rng.uniform(-6.7, -5.5)),
    )
    return HookUp(
        paths=paths,
        exhaust_sensor=exhaust,
        exhaust_temperature_k=_draw(rng, prior.temperature_k),
        crankcase_sensor=crankcase,
        crankcase_tube=tube,
        trigger=trigger if with_trigger else None,
    )


def random_recorder(rng: np.random.Generator, prior: HookUpPrior | None = None) -> Recorder:
    """A recorder that works, in surroundings of some kind."""
    prior = prior or HookUpPrior()
    return Recorder(
        rate_hz=float(rng.choice(prior.rate_hz)),
        bits=int(rng.choice(prior.bits)),
        snr_db=_draw(rng, prior.snr_db),
        hum_fraction=_draw(rng, prior.hum_fraction),
        hum_hz=float(rng.choice((50.0, 60.0))),
        offset_fraction=float(rng.uniform(-0.05, 0.05)),
        noise_slope=float(rng.uniform(0.0, 1.0)),
        jitter_s=float(rng.uniform(0.0, 3.0e-6)),
    )
