"""What the simulated cases say of one recording: a ratio per failure mode and position.

Equations (7) and (9) of docs/theory/reference.md.
"""

from dataclasses import dataclass

import numpy as np

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
from ringland.reference.features import BLOCKS, Measured, recording_features
from ringland.reference.network import PulseNetwork, load_network
from ringland.reference.plan import CaseSettings, load_settings

__all__ = [
    "case_evidence",
    "faulty_bits",
    "log_ratios",
    "simulated_share",
    "with_sound_recording",
]

_DIESEL_SHARE = 0.4  # of the cases, where the fuel is not said
_STRANGE = 4.0  # added to "something else" where nothing simulated looks like this
_HIDEABLE = ("exhaust", "crankcase")
_LEFT_OUT_BITS = 1.5  # on the alarm limit, for what the simulator leaves out
_CAME_SINCE = 0.9
"""Probability that a fault that is there now was not there yet in the recording that passes for
sound. Own judgement, no source."""
_SINCE, _BEFORE = float(np.log(_CAME_SINCE)), float(np.log(1.0 - _CAME_SINCE))


@dataclass(frozen=True, eq=False)
class _Said:
    """What the network says of one picture: rows for it as it is and without each hidden channel.

    `ratios` (pictures, positions, kinds); `members` (members, positions, kinds) and `steps`
    (positions, kinds) of the first picture.
    """

    ratios: FloatArray
    members: FloatArray
    steps: FloatArray


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
    for sound. None too where the two have neither exhaust nor crankcase in common.
    """
    network = network or load_network()
    settings = settings or load_settings()
    speed = float(np.median(cycles.speed_rpm))
    values = recording_features(table, cylinders, engine, speed_rpm=speed)
    if values is None:
        return None
    there = _heard(values)
    hidden = there if len(there) > 1 else []
    share = simulated_share(settings, engine)
    inputs = network.inputs(values)
    said = _said(network, inputs, hidden, share)
    limits, size = network.limits, _mean_square(inputs)
    if sound is not None:
        changes = recording_features(table, cylinders, engine, speed_rpm=speed, sound=sound)
        if changes is None:
            return None
        both = _heard(changes)
        seen = network.inputs(changes)
        said = _against_sound(
            said,
            _said(network, seen, hidden, share),
            empty=[n for n, c in enumerate(hidden, start=1) if both == [c]],
        )
        limits, there = network.limits_against_sound, both
        size = np.maximum(size, _mean_square(seen))
    unused = [p for p, c in enumerate(engine.firing_order) if c in engine.inactive_cylinders]
    said.ratios[:, unused] = -np.inf
    ratios = said.ratios[0]
    by_mode = [_by_mode(settings, network, one) for one in said.ratios]
    strange = [int(p) + 1 for p in np.flatnonzero(size > network.far)]
    numbered = any(a.cylinder is not None for a in cylinders.assignments)
    row = 0 if len(there) > 1 else 1 + _HIDEABLE.index(there[0])
    active = ratios[[p for p in range(len(ratios)) if p not in unused]]
    return CaseEvidence(
        log_ratio=_keyed(settings, by_mode[0]),
        # something that is not in the list looks like the average of what is
        none_of_these=float(_log_sum(active.ravel()) - np.log(active.size))
        + _STRANGE * bool(strange),
        metrics=tuple(d.id for d in table.definitions),
        resembles_nothing=_strange(network, strange),
        severity=_severities(settings, network, ratios, said.steps),
        without_channel={
            channel: _keyed(settings, one) for channel, one in zip(hidden, by_mode[1:], strict=True)
        },
        faulty=_faulty(ratios, said.members, share),
        # without a cylinder reference the turn of the cycle is a guess: no alarm rests on it
        limits=(
            float(limits[row, 0]),
            float(limits[row, 1]) + _LEFT_OUT_BITS if numbered else float("inf"),
        ),
    )


def _mean_square(inputs: FloatArray) -> FloatArray:
    """(positions,) how large the inputs are."""
    size: FloatArray = np.round((inputs**2).mean(axis=1), 8)
    return size


def _heard(values: FloatArray) -> list[str]:
    """Which of exhaust and crankcase are in these features."""
    return [c for c in _HIDEABLE if values[:, BLOCKS[f"{c}_there"].start].any()]


def _said(network: PulseNetwork, inputs: FloatArray, hidden: list[str], share: FloatArray) -> _Said:
    """The inputs as recorded, and as without each channel: looked at in one go."""
    seen = np.concatenate([inputs, *(network.hidden_inputs(inputs, c) for c in hidden)])
    scores, steps, members = network.all_outputs(seen)
    count = len(inputs)
    return _Said(
        _over_share(scores, share).reshape(1 + len(hidden), count, -1),
        _over_share(members[:, :count], share),
        steps[:count],
    )


def _against_sound(alone: _Said, change: _Said, empty: list[int]) -> _Said:
    """Both together: the fault came since the sound recording was made and shows in the change, or
    it was there already and shows only by itself. Equation (9). `empty`: pictures in which nothing
    is left of the change."""
    change.ratios[empty] = alone.ratios[empty]
    newer = _SINCE + change.ratios[0] > _BEFORE + alone.ratios[0]
    return _Said(
        with_sound_recording(alone.ratios, change.ratios),
        with_sound_recording(alone.members, change.members),
        np.where(newer, change.steps, alone.steps),
    )


def with_sound_recording(alone: FloatArray, change: FloatArray) -> FloatArray:
    """Log ratios of a recording with what changed since a sound one, of those of the recording
    `alone` and of the `change` (any shape, the same)."""
    together: FloatArray = np.logaddexp(_SINCE + change, _BEFORE + alone)
    return together


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
    return _over_share(scores, simulated_share(settings, engine)), steps


def _over_share(scores: FloatArray, share: FloatArray) -> FloatArray:
    """Scores less how often each kind was simulated; -inf for what never was."""
    with np.errstate(divide="ignore"):
        return np.where(share > 0.0, scores - np.log(share), -np.inf)


def _by_mode(settings: CaseSettings, network: PulseNetwork, ratios: FloatArray) -> FloatArray:
    """(positions, modes) mixtures of kinds; modes none of whose kinds occurs here are unlikely, not
    impossible."""
    shares = np.zeros((len(network.kinds), len(settings.looks_like)))
    for column, columns in enumerate(_columns(settings, network)):
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


def _columns(settings: CaseSettings, network: PulseNetwork) -> list[list[int]]:
    """Numbers of the kinds that each mode looks like."""
    number = {kind: n for n, kind in enumerate(network.kinds)}
    return [[number[k] for k in look.kinds] for look in settings.looks_like]


def _severities(
    settings: CaseSettings, network: PulseNetwork, ratios: FloatArray, steps: FloatArray
) -> dict[tuple[str, int | None], Estimate]:
    """Severity of the likeliest kind of each mode, 90 % interval, in that kind's unit."""
    least = np.array([c.least for c in settings.components])
    reach = np.log(np.array([c.most for c in settings.components]) / least)
    half = 1.645 * network.severity_error
    bounds = np.stack([steps - half, steps, steps + half], axis=-1)
    sizes = least[:, None] * np.exp(reach[:, None] * np.clip(bounds, 0.0, 1.0))
    found: dict[tuple[str, int | None], Estimate] = {}
    for look, columns in zip(settings.looks_like, _columns(settings, network), strict=True):
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
