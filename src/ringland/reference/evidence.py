"""What the simulated cases say of one recording: a ratio per failure mode and position."""

import numpy as np
from scipy.special import logsumexp

from ringland.model import (
    CaseEvidence,
    CycleSet,
    CylinderSet,
    EngineSpec,
    Estimate,
    MetricTable,
    unknown,
)
from ringland.model._arrays import FloatArray
from ringland.model.engine import Fuel
from ringland.reference.features import BLOCKS, recording_features
from ringland.reference.network import PulseNetwork, load_network
from ringland.reference.plan import CaseSettings, load_settings

__all__ = ["case_evidence", "faulty_bits", "log_ratios", "simulated_share"]

_DIESEL_SHARE = 0.4  # of the cases, where the fuel is not said
_STRANGE = 4.0  # added to "something else" where nothing simulated looks like this
_HIDEABLE = ("exhaust", "crankcase")
_LEFT_OUT_BITS = 1.5  # on the alarm limit, for what the simulator leaves out


def case_evidence(
    table: MetricTable,
    cylinders: CylinderSet,
    cycles: CycleSet,
    engine: EngineSpec,
    *,
    network: PulseNetwork | None = None,
    settings: CaseSettings | None = None,
) -> CaseEvidence | None:
    """Ratios of one recording; None where nothing was simulated that it could be held against."""
    network = network or load_network()
    settings = settings or load_settings()
    speed = float(np.median(cycles.speed_rpm))
    values = recording_features(table, cylinders, engine, speed_rpm=speed)
    if values is None:
        return None
    inputs = network.inputs(values)
    ratios, steps = log_ratios(network, settings, inputs, engine)
    unused = [p for p, c in enumerate(engine.firing_order) if c in engine.inactive_cylinders]
    ratios[unused] = -np.inf
    size = np.round((inputs**2).mean(axis=1), 8)
    strange = [int(p) + 1 for p in np.flatnonzero(size > network.far)]
    there = [c for c in _HIDEABLE if values[:, BLOCKS[f"{c}_there"].start].any()]
    without = {}
    if len(there) > 1:
        for channel in there:
            other, _ = log_ratios(network, settings, network.hidden_inputs(inputs, channel), engine)
            other[unused] = -np.inf
            without[channel] = _by_mode(settings, network, other)
    numbered = any(a.cylinder is not None for a in cylinders.assignments)
    row = 0 if len(there) > 1 else 1 + _HIDEABLE.index(there[0])
    active = ratios[[p for p in range(len(ratios)) if p not in unused]]
    return CaseEvidence(
        log_ratio=_by_mode(settings, network, ratios),
        # something that is not in the list looks like the average of what is
        none_of_these=float(logsumexp(active) - np.log(active.size)) + _STRANGE * bool(strange),
        metrics=tuple(d.id for d in table.definitions),
        resembles_nothing=_strange(network, strange),
        severity=_severities(settings, network, ratios, steps),
        without_channel=without,
        faulty=_faulty(network, settings, inputs, ratios, engine),
        # without a cylinder reference the turn of the cycle is a guess: no alarm rests on it
        limits=(
            float(network.limits[row, 0]),
            float(network.limits[row, 1]) + _LEFT_OUT_BITS if numbered else float("inf"),
        ),
    )


def faulty_bits(ratios: FloatArray, share: FloatArray) -> FloatArray:
    """(positions,) log2 of p(recording | some fault here) over p(recording | sound): kinds mixed as
    they were simulated (`share`, any scale)."""
    with np.errstate(divide="ignore"):
        mixed: FloatArray = logsumexp(ratios + np.log(share / share.sum()), axis=1) / np.log(2.0)
    return mixed


def _faulty(
    network: PulseNetwork,
    settings: CaseSettings,
    inputs: FloatArray,
    ratios: FloatArray,
    engine: EngineSpec,
) -> tuple[Estimate, ...]:
    """Bits for every position; the interval is how far the members of the network disagree."""
    share = simulated_share(settings, engine)
    bits = faulty_bits(ratios, share)
    with np.errstate(divide="ignore"):
        usual = np.log(share)
    scores = network.member_scores(inputs)
    apart = np.where(share > 0.0, scores - np.where(share > 0.0, usual, 0.0), -np.inf)
    each = np.stack([faulty_bits(one, share) for one in apart])
    half = 0.5 * (each.max(axis=0) - each.min(axis=0))
    return tuple(
        Estimate(float(b), float(b - h), float(b + h), "bit")
        if np.isfinite(b)
        else unknown("bit", "this cylinder is switched off")
        for b, h in zip(bits, half, strict=True)
    )


def simulated_share(settings: CaseSettings, engine: EngineSpec) -> FloatArray:
    """(kinds,) how often each kind was simulated at one position, over how often a sound engine."""
    shares = []
    for fuel in ("petrol", "diesel"):
        weight = np.array(
            [c.weight if fuel in c.fuels or not c.fuels else 0.0 for c in settings.components]
        )
        shares.append(weight / weight.sum())
    petrol, diesel = shares
    mixed = {
        Fuel.DIESEL: diesel,
        Fuel.UNKNOWN: _DIESEL_SHARE * diesel + (1.0 - _DIESEL_SHARE) * petrol,
    }.get(engine.fuel, petrol)
    share: FloatArray = (
        (1.0 - settings.sound_share) / settings.sound_share * mixed / engine.cylinders
    )
    return share


def log_ratios(
    network: PulseNetwork, settings: CaseSettings, inputs: FloatArray, engine: EngineSpec
) -> tuple[FloatArray, FloatArray]:
    """(positions, kinds) log of p(recording | kind at position) over p(recording | sound), and the
    severities. Kinds that do not occur with this fuel are -inf. Equation (7)."""
    scores, steps = network.outputs(inputs)
    share = simulated_share(settings, engine)
    with np.errstate(divide="ignore"):
        ratios = np.where(share > 0.0, scores - np.log(share), -np.inf)
    return ratios, steps


def _by_mode(
    settings: CaseSettings, network: PulseNetwork, ratios: FloatArray
) -> dict[tuple[str, int | None], float]:
    """Mixtures of kinds; modes none of whose kinds occurs here are unlikely, not impossible."""
    shares = np.zeros((len(network.kinds), len(settings.looks_like)))
    for column, look in enumerate(settings.looks_like):
        shares[[network.kinds.index(k) for k in look.kinds], column] = look.shares
    top = ratios.max(axis=1, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        mixed = np.maximum(np.log(np.exp(ratios - top) @ shares) + top, -30.0)
    return {
        (look.mode, position + 1): float(mixed[position, column])
        for column, look in enumerate(settings.looks_like)
        for position in range(len(mixed))
    }


def _severities(
    settings: CaseSettings, network: PulseNetwork, ratios: FloatArray, steps: FloatArray
) -> dict[tuple[str, int | None], Estimate]:
    """Severity of the likeliest kind of each mode, 90 % interval, in that kind's unit."""
    found: dict[tuple[str, int | None], Estimate] = {}
    for look in settings.looks_like:
        columns = [network.kinds.index(k) for k in look.kinds]
        for position in range(len(ratios)):
            k = columns[int(np.argmax(ratios[position, columns]))]
            component = settings.components[k]
            reach = np.log(component.most / component.least)
            middle, half = float(steps[position, k]), 1.645 * float(network.severity_error[k])
            low, value, high = (
                float(component.least * np.exp(reach * min(max(s, 0.0), 1.0)))
                for s in (middle - half, middle, middle + half)
            )
            found[look.mode, position + 1] = Estimate(value, low, high, component.unit, 0.90)
    return found


def _strange(network: PulseNetwork, positions: list[int]) -> str | None:
    if not positions:
        return None
    where = ", ".join(str(p) for p in positions)
    return (
        f"Firing position {where} resembles none of the {network.cases} simulated recordings, "
        "sound or faulty: check the hook-up and the engine description first."
    )
