"""What the simulated cases say of one recording: a ratio per failure mode and position.

Equations (7) and (9) of docs/theory/reference.md.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ringland.model import (
    CaseEvidence,
    CycleSet,
    CylinderSet,
    EngineSpec,
    Estimate,
    MetricTable,
    Reference,
    unknown,
)
from ringland.model._arrays import FloatArray
from ringland.model.engine import Fuel
from ringland.reference.crank import crank_features, load_crank_network
from ringland.reference.features import BLOCKS, Measured, recording_features
from ringland.reference.network import PulseNetwork, load_network
from ringland.reference.plan import CaseSettings, load_settings
from ringland.reference.said import CRANK, Said, against_sound, over_share, said_by, together

__all__ = [
    "case_evidence",
    "faulty_bits",
    "log_ratios",
    "simulated_share",
]

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
    sound: Measured | None = None,
) -> CaseEvidence | None:
    """Ratios of one recording; None where nothing was simulated that it could be held against.

    `sound`: a recording of the same engine, run the same way, numbered the same way, that passes
    for sound. None too where the two have no channel in common.
    """
    network = network or load_network()
    settings = settings or load_settings()
    share = simulated_share(settings, engine)
    speed_rpm = float(np.median(cycles.speed_rpm))
    crank = _crank_says(cylinders, cycles, engine, share)
    left_out = () if crank is None else _BY_CRANK

    def pulses_say(then: Measured | None) -> Said | None:
        values = recording_features(
            table, cylinders, engine, speed_rpm=speed_rpm, sound=then, left_out=left_out
        )
        return None if values is None else said_by(network, values, share, _heard(values))

    said = together(pulses_say(None), crank)
    limits = network.limits
    if said is not None and sound is not None:
        changed = None if crank is None else _crank_says(cylinders, cycles, engine, share, sound)
        pulses_changed = pulses_say(sound)
        if changed is None and pulses_changed is None:
            return None
        # what was not recorded then says today what it says
        change = together(pulses_changed or pulses_say(None), changed or crank)
        assert change is not None
        said = replace(against_sound(said, change), channels=change.channels)
        if pulses_changed is not None:
            limits = network.limits_against_sound
    if said is None:
        return None
    unused = [p for p, c in enumerate(engine.firing_order) if c in engine.inactive_cylinders]
    ratios, *without = (_switched_off(r, unused) for r in (said.ratios, *said.without.values()))
    strange = [int(p) + 1 for p in np.flatnonzero(said.strange)]
    numbered = any(a.cylinder is not None for a in cylinders.assignments)
    heard = [c for c in said.channels if c != CRANK]
    alert, alarm = _limits(limits, heard, crank=crank is not None)
    active = ratios[[p for p in range(len(ratios)) if p not in unused]]
    return CaseEvidence(
        log_ratio=_keyed(settings, _by_mode(settings, network, ratios)),
        # something that is not in the list looks like the average of what is
        none_of_these=float(_log_sum(active.ravel()) - np.log(active.size))
        + _STRANGE * bool(strange),
        metrics=tuple(d.id for d in table.definitions) if heard else _BY_CRANK,
        resembles_nothing=_strange(network if heard else load_crank_network(), strange),
        severity=_severities(settings, network.kinds, ratios, said),
        without_channel={
            channel: _keyed(settings, _by_mode(settings, network, one))
            for channel, one in zip(said.without, without, strict=True)
        },
        faulty=_faulty(ratios, said.members, share),
        # without a cylinder reference the turn of the cycle is a guess: no alarm rests on it
        limits=(alert, alarm + _LEFT_OUT_BITS if numbered else float("inf")),
        channels=said.channels,
        by_kind={
            (kind, position): float(value)
            for position, row in enumerate(ratios, start=1)
            for kind, value in zip(network.kinds, row, strict=True)
            if np.isfinite(value)
        },
    )


def _limits(limits: FloatArray, heard: Sequence[str], *, crank: bool) -> tuple[float, float]:
    """Bits that a sound engine exceeds in 1 of 20 and in 1 of 200 recordings: of the pulses that
    were heard and of the crank's speed, the larger where both were."""
    found = []
    if heard:
        found.append(limits[0 if len(heard) > 1 else 1 + _HIDEABLE.index(heard[0])])
    if crank:
        found.append(load_crank_network().limits[0])
    most = np.max(found, axis=0)
    return float(most[0]), float(most[1])


_BY_CRANK = ("crank_torque_pulse",)
"""Metrics that the network of the crank's speed judges in its own way."""


def _crank_says(
    cylinders: CylinderSet,
    cycles: CycleSet,
    engine: EngineSpec,
    share: FloatArray,
    sound: Measured | None = None,
) -> Said | None:
    """What the crank's speed says, where there is a tooth wheel, a cylinder's firing angle is known
    and none is switched off."""
    # a cylinder that is switched off looks like one at fault: no case has such
    if cycles.reference is not Reference.CYLINDER or engine.inactive_cylinders:
        return None
    values = crank_features(
        cylinders,
        engine,
        speed_rpm=float(np.median(cycles.speed_rpm)),
        sound=None if sound is None else sound.cylinders,
    )
    return None if values is None else said_by(load_crank_network(), values, share, (CRANK,))


def _switched_off(ratios: FloatArray, unused: list[int]) -> FloatArray:
    """Nothing can be wrong with the burn of a cylinder that is switched off."""
    found = ratios.copy()
    found[unused] = -np.inf
    return found


def _heard(values: FloatArray) -> list[str]:
    """Which of exhaust and crankcase are in these features."""
    return [c for c in _HIDEABLE if values[:, BLOCKS[f"{c}_there"].start].any()]


def faulty_bits(ratios: FloatArray, share: FloatArray) -> FloatArray:
    """(..., positions) log2 of p(recording | some fault here) over p(recording | sound), of
    `ratios` (..., positions, kinds): kinds mixed as they were simulated (`share`, any scale)."""
    with np.errstate(divide="ignore"):
        mixed: FloatArray = _log_sum(ratios + np.log(share / share.sum())) / np.log(2.0)
    return mixed


def _log_sum(values: FloatArray) -> FloatArray:
    """Logarithm of the sum of the exponentials over the last axis."""
    top = values.max(axis=-1, keepdims=True)
    top[~np.isfinite(top)] = 0.0
    with np.errstate(divide="ignore"):
        summed: FloatArray = np.log(np.exp(values - top).sum(axis=-1)) + top[..., 0]
    return summed


def _faulty(ratios: FloatArray, members: FloatArray, share: FloatArray) -> tuple[Estimate, ...]:
    """Bits for every position; the interval is how far the members of the network disagree.

    `members`: (members, positions, kinds) ratios of each.
    """
    every = faulty_bits(np.concatenate([ratios[None], members]), share)
    bits, each = every[0], every[1:]
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
    return over_share(scores, simulated_share(settings, engine)), steps


def _by_mode(settings: CaseSettings, network: PulseNetwork, ratios: FloatArray) -> FloatArray:
    """(positions, modes) mixtures of kinds; modes none of whose kinds occurs here are unlikely, not
    impossible."""
    shares = np.zeros((len(network.kinds), len(settings.looks_like)))
    for column, columns in enumerate(_columns(settings, network.kinds)):
        shares[columns, column] = settings.looks_like[column].shares
    top = ratios.max(axis=1, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        mixed: FloatArray = np.maximum(np.log(np.exp(ratios - top) @ shares) + top, -30.0)
    return mixed


def _keyed(settings: CaseSettings, mixed: FloatArray) -> dict[tuple[str, int | None], float]:
    rows = mixed.T.tolist()
    return {
        (look.mode, position): value
        for look, row in zip(settings.looks_like, rows, strict=True)
        for position, value in enumerate(row, start=1)
    }


def _columns(settings: CaseSettings, kinds: Sequence[str]) -> list[list[int]]:
    """Numbers of the kinds that each mode looks like."""
    number = {kind: n for n, kind in enumerate(kinds)}
    return [[number[k] for k in look.kinds] for look in settings.looks_like]


def _severities(
    settings: CaseSettings, kinds: Sequence[str], ratios: FloatArray, said: Said
) -> dict[tuple[str, int | None], Estimate]:
    """Severity of the likeliest kind of each mode, 90 % interval, in that kind's unit."""
    least = np.array([c.least for c in settings.components])
    reach = np.log(np.array([c.most for c in settings.components]) / least)
    half = 1.645 * said.step_error
    bounds = np.stack([said.steps - half, said.steps, said.steps + half], axis=-1)
    sizes = least[:, None] * np.exp(reach[:, None] * np.clip(bounds, 0.0, 1.0))
    found: dict[tuple[str, int | None], Estimate] = {}
    for look, columns in zip(settings.looks_like, _columns(settings, kinds), strict=True):
        likeliest = np.array(columns)[ratios[:, columns].argmax(axis=1)]
        chosen = sizes[np.arange(len(ratios)), likeliest].tolist()
        for position, (k, (low, value, high)) in enumerate(
            zip(likeliest.tolist(), chosen, strict=True), start=1
        ):
            unit = settings.components[k].unit
            found[look.mode, position] = Estimate(value, low, high, unit, 0.90)
    return found


def _strange(network: PulseNetwork, positions: list[int]) -> str | None:
    if not positions:
        return None
    where = ", ".join(str(p) for p in positions)
    return (
        f"Firing position {where} resembles none of the {network.cases} simulated recordings, "
        "sound or faulty: check the hook-up and the engine description first."
    )
