"""Learn the pulse network from simulated cases. Only needed to make a new one.

Maximum likelihood of the truth among all (kind, position) and "sound", with dropped-out inputs and
hidden units, decoupled weight decay (Loshchilov & Hutter, ICLR 2019) and a step size that rises and
falls once. Channels are hidden at random, so that one network serves any hook-up.
"""

import json
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ringland.model._arrays import BoolArray, FloatArray, IntArray
from ringland.reference.cases import Example
from ringland.reference.evidence import faulty_bits
from ringland.reference.features import BLOCKS, METRICS, WAVE_PARTS, hide
from ringland.reference.network import LAYERS, PulseNetwork
from ringland.reference.plan import CaseSettings
from ringland.reference.said import with_sound_recording

__all__ = [
    "Batch",
    "HiddenSets",
    "LearnSettings",
    "fit_projection",
    "fitted",
    "forward",
    "gradients",
    "inputs_of",
    "join",
    "keep_examples",
    "learn",
    "limits_against_sound",
    "load_examples",
    "make_files",
    "principal_components",
    "ratios_of_example",
    "sound_limits",
]

Array = NDArray[np.floating[Any]]
"""Single precision while learning."""

_RANKS = (40, 12, 16, 16, 8, 16)
_WAVES = ("exhaust", "crankcase", "intake")
_LOSS_FLOOR = -60.0

HiddenSets = tuple[tuple[float, BoolArray], ...]
"""What is hidden in a recording now and then: how often, and which inputs. Of the first two at most
one is hidden at a time."""


def keep_examples(examples: Sequence[Example], path: Path) -> None:
    """Write examples to one file, whole or not at all."""
    told = [
        {
            "seed": e.seed,
            "positions": len(e.values),
            "faults": e.faults,
            "diesel": e.diesel,
            "numbered": e.numbered,
            "idling": e.idling,
            "snr_db": e.snr_db,
        }
        for e in examples
    ]
    rows = np.concatenate([e.values for e in examples]) if examples else np.zeros((0, 0))
    unfinished = path.with_suffix(".part.npz")
    np.savez(unfinished, told=json.dumps(told), rows=rows.astype(np.float16))
    unfinished.replace(path)


def make_files(
    make: Callable[[int], int], firsts: Sequence[int], workers: int, say: Callable[[str], None]
) -> None:
    """`make` for each of the first seeds, in parallel; it writes one file and returns how much is
    in it. A line for each to `say`."""
    began, made = time.monotonic(), 0
    with ProcessPoolExecutor(workers) as pool:
        jobs = [pool.submit(make, first) for first in firsts]
        for done, job in enumerate(as_completed(jobs), start=1):
            made += job.result()
            took = time.monotonic() - began
            say(f"{done} of {len(jobs)} files, {made} in them, {took:.0f} s")


def load_examples(path: Path) -> list[Example]:
    """Examples as kept."""
    with np.load(path, allow_pickle=False) as data:
        told, rows = json.loads(str(data["told"])), data["rows"]
    found, at = [], 0
    for row in told:
        count = row.pop("positions")
        faults = tuple((k, tuple(p), float(s)) for k, p, s in row.pop("faults"))
        found.append(Example(values=rows[at : at + count], faults=faults, **row))
        at += count
    return found


@dataclass(frozen=True, eq=False)
class Batch:
    """Recordings laid end to end.

    `x` (rows, inputs) one row per position; `starts` (recordings + 1,) where each recording begins;
    `target` (rows, kinds) and `sound` (recordings,): what is true, summing to 1 over a recording;
    `step` (rows, kinds): severity where there is a fault, else NaN.
    """

    x: Array
    starts: IntArray
    target: Array
    sound: Array
    step: Array


@dataclass(frozen=True)
class LearnSettings:
    """How to learn."""

    hidden: tuple[int, int] = (192, 96)
    members: int = 4
    workers: int = 1
    passes: int = 40
    batch: int = 192
    rate: float = 3e-3
    decay: float = 0.05
    drop_input: float = 0.05
    drop_hidden: float = 0.3
    noise: float = 0.3
    severity_weight: float = 0.5


def join(examples: Sequence[Example], settings: CaseSettings, projection: Array) -> Batch:
    """All examples as one batch of inputs and targets."""
    kinds = settings.kinds
    counts = np.array([len(e.values) for e in examples])
    starts = np.concatenate([[0], np.cumsum(counts)])
    target = np.zeros((starts[-1], len(kinds)), np.float32)
    step = np.full((starts[-1], len(kinds)), np.nan, np.float32)
    x = np.empty((starts[-1], projection.shape[1]), np.float32)
    small = projection.astype(np.float32)
    for first, example in zip(starts[:-1], examples, strict=True):
        x[first : first + len(example.values)] = example.values.astype(np.float32) @ small
        places = sum(len(p) for _, p, _ in example.faults)
        for kind, positions, severity in example.faults:
            k = kinds.index(kind)
            c = settings.components[k]
            for p in positions:
                target[first + p - 1, k] = 1.0 / places
                step[first + p - 1, k] = np.log(severity / c.least) / np.log(c.most / c.least)
    sound = np.array([not e.faults for e in examples], np.float32)
    return Batch(x, starts, target, sound, step)


def fit_projection(examples: Sequence[Example], limit: int = 40_000) -> Array:
    """(columns, inputs): principal components of every part of every wave, nearly white; all other
    columns over their spread. Nothing is centred, so that a hidden channel is zero."""
    rows = np.concatenate([e.values for e in examples])[:limit].astype(np.float64)
    columns = []
    for wave in _WAVES:
        there = rows[:, BLOCKS[f"{wave}_there"].start] > 0.0
        start = BLOCKS[wave].start
        for size, rank in zip(WAVE_PARTS, _RANKS, strict=True):
            kept = rank if wave != "intake" else max(4, rank // 2)
            part = rows[there, start : start + size]
            made = np.zeros((rows.shape[1], kept))
            if len(part) > size:
                made[start : start + size] = principal_components(part, kept)
            columns.append(made)
            start += size
    for name, block in BLOCKS.items():
        if name in _WAVES:
            continue
        for column in range(block.start, block.stop):
            made = np.zeros((rows.shape[1], 1))
            spread = 1.0 if name.endswith("_there") else rows[:, column].std() + 0.05
            made[column] = 1.0 / spread
            columns.append(made)
    return np.concatenate(columns, axis=1)


def principal_components(part: Array, kept: int) -> Array:
    """(columns, kept): directions of the largest variance in `part` (rows, columns), each over its
    spread."""
    value, vector = np.linalg.eigh(np.cov(part.T))
    value, vector = value[::-1][:kept], vector[:, ::-1][:, :kept]
    white: Array = vector / np.sqrt(value + 0.02 * value[0] + 1e-4)
    return white


def inputs_of(projection: Array, *columns: int) -> BoolArray:
    """Which inputs hang on these feature columns."""
    mask: BoolArray = (projection[list(columns)] != 0.0).any(axis=0)
    return mask


def _hidden_sets(projection: Array) -> HiddenSets:
    """What is hidden in a recording now and then: how often, and which inputs."""

    def block(*names: str) -> list[int]:
        return [c for n in names for c in range(BLOCKS[n].start, BLOCKS[n].stop)]

    def metrics(prefix: str) -> list[int]:
        found = [i for i, name in enumerate(METRICS) if name.startswith(prefix)]
        return [BLOCKS[b].start + i for b in ("metrics", "metrics_there") for i in found]

    exhaust = block("exhaust", "exhaust_there", "arrival") + metrics("exhaust")
    crankcase = block("crankcase", "crankcase_there") + metrics("crankcase")
    intake = block("intake", "intake_there") + metrics("intake")
    crank = metrics("relative_compression") + metrics("crank_torque")
    fuel = [BLOCKS["engine"].stop - 3, BLOCKS["engine"].stop - 2]
    return tuple(
        (share, inputs_of(projection, *columns))
        for share, columns in (
            (0.12, exhaust), (0.20, crankcase), (0.50, intake), (0.40, crank), (0.30, fuel),
        )
    )  # fmt: skip


def forward(
    layers: dict[str, Array], x: Array, masks: tuple[Array, ...] | None
) -> tuple[Array, tuple[Array, ...]]:
    """Outputs (rows, 2 kinds), and what the way back needs."""
    a1 = x @ layers["w1"] + layers["b1"]
    s1 = 1.0 / (1.0 + np.exp(-a1))
    h1 = a1 * s1 if masks is None else a1 * s1 * masks[0]
    a2 = h1 @ layers["w2"] + layers["b2"]
    s2 = 1.0 / (1.0 + np.exp(-a2))
    h2 = a2 * s2 if masks is None else a2 * s2 * masks[1]
    out = h2 @ layers["w3"] + layers["b3"] + x @ layers["skip"]
    return out, (a1, s1, h1, a2, s2, h2)


def gradients(
    layers: dict[str, Array],
    batch: Batch,
    masks: tuple[Array, ...] | None = None,
    severity_weight: float = 0.5,
) -> tuple[float, dict[str, Array]]:
    """Mean loss of the batch and its slope with respect to every array."""
    out, (a1, s1, h1, a2, s2, h2) = forward(layers, batch.x, masks)
    kinds = batch.target.shape[1]
    scores = out[:, :kinds]
    first = batch.starts[:-1]
    recordings = len(first)
    counts = np.diff(batch.starts)
    top = np.maximum(np.maximum.reduceat(scores.max(axis=1), first), 0.0)
    grown = np.exp(scores - np.repeat(top, counts)[:, None])
    total = np.add.reduceat(grown.sum(axis=1), first) + np.exp(-top)
    share = grown / np.repeat(total, counts)[:, None]
    loss = float((np.log(total) + top).sum() - (batch.target * scores).sum()) / recordings
    slope = np.zeros_like(out)
    slope[:, :kinds] = (share - batch.target) / recordings
    known = ~np.isnan(batch.step)
    away = np.where(known, out[:, kinds:] - np.nan_to_num(batch.step), 0.0)
    loss += severity_weight * float((away**2).sum()) / recordings
    slope[:, kinds:] = 2.0 * severity_weight * away / recordings
    found = {"w3": h2.T @ slope, "b3": slope.sum(axis=0), "skip": batch.x.T @ slope}
    back = slope @ layers["w3"].T
    if masks is not None:
        back = back * masks[1]
    back = back * (s2 * (1.0 + a2 * (1.0 - s2)))
    found |= {"w2": h1.T @ back, "b2": back.sum(axis=0)}
    back = back @ layers["w2"].T
    if masks is not None:
        back = back * masks[0]
    back = back * (s1 * (1.0 + a1 * (1.0 - s1)))
    found |= {"w1": batch.x.T @ back, "b1": back.sum(axis=0)}
    return loss, found


def _begin(rng: np.random.Generator, inputs: int, outputs: int, hidden: tuple[int, int]) -> dict[
    str, Array
]:  # fmt: skip
    def drawn(rows: int, columns: int) -> Array:
        limit = 1.0 / np.sqrt(rows)
        return rng.uniform(-limit, limit, (rows, columns)).astype(np.float32)

    one, two = hidden
    return {
        "w1": drawn(inputs, one), "b1": np.zeros(one, np.float32),
        "w2": drawn(one, two), "b2": np.zeros(two, np.float32),
        "w3": drawn(two, outputs), "b3": np.zeros(outputs, np.float32),
        "skip": np.zeros((inputs, outputs), np.float32),
    }  # fmt: skip


def _picked(
    whole: Batch,
    chosen: IntArray,
    rng: np.random.Generator,
    hidden_sets: HiddenSets,
    settings: LearnSettings,
) -> Batch:
    """Some recordings, with channels hidden, inputs dropped and noise added."""
    counts = np.diff(whole.starts)[chosen]
    starts = np.concatenate([[0], np.cumsum(counts)])
    rows = np.repeat(whole.starts[chosen] - starts[:-1], counts) + np.arange(starts[-1])
    x = whole.x[rows]
    keep = np.ones((len(chosen), x.shape[1]), np.float32)
    one_channel = rng.random(len(chosen))  # exhaust or crankcase, never both
    floor = 0.0
    for share, mask in hidden_sets[:2]:
        keep[np.ix_((one_channel >= floor) & (one_channel < floor + share), mask)] = 0.0
        floor += share
    for share, mask in hidden_sets[2:]:
        keep[np.ix_(rng.random(len(chosen)) < share, mask)] = 0.0
    x = x * np.repeat(keep, counts, axis=0)
    dropped = rng.random(x.shape, dtype=np.float32) < settings.drop_input
    x = np.where(dropped, 0.0, x) / (1.0 - settings.drop_input)
    x = x + settings.noise * rng.standard_normal(x.shape, dtype=np.float32)
    return Batch(
        x.astype(np.float32), starts, whole.target[rows], whole.sound[chosen], whole.step[rows]
    )


def _learn_one(
    whole: Batch,
    hidden_sets: HiddenSets,
    settings: LearnSettings,
    say: Callable[[str], None],
    seed: int,
    *,
    start: tuple[dict[str, Array], ...] = (),
) -> dict[str, Array]:
    rng = np.random.default_rng([seed, 77])
    if start:
        layers = {name: np.array(start[seed][name], np.float32) for name in LAYERS}
    else:
        layers = _begin(rng, whole.x.shape[1], 2 * whole.target.shape[1], settings.hidden)
    first = {name: np.zeros_like(layers[name]) for name in LAYERS}
    second = {name: np.zeros_like(layers[name]) for name in LAYERS}
    recordings = len(whole.sound)
    per_pass = max(1, recordings // settings.batch)
    steps, done = settings.passes * per_pass, 0
    keep = 1.0 - settings.drop_hidden
    for number in range(settings.passes):
        order, lost = rng.permutation(recordings), 0.0
        for part in range(per_pass):
            chosen = order[part * settings.batch : (part + 1) * settings.batch]
            batch = _picked(whole, chosen, rng, hidden_sets, settings)
            drops = tuple(
                (rng.random((len(batch.x), n), dtype=np.float32) < keep).astype(np.float32) / keep
                for n in settings.hidden
            )
            loss, slopes = gradients(layers, batch, (drops[0], drops[1]), settings.severity_weight)
            lost += loss
            done += 1
            where = done / steps
            rise = 0.15
            rate = settings.rate * (
                where / rise
                if where < rise
                else 0.5 * (1.0 + np.cos(np.pi * (where - rise) / (1.0 - rise)))
            )
            for name in LAYERS:
                first[name] += 0.1 * (slopes[name] - first[name])
                second[name] += 0.001 * (slopes[name] ** 2 - second[name])
                size = np.sqrt(second[name] / (1.0 - 0.999**done)) + 1e-8
                change = first[name] / (1.0 - 0.9**done) / size
                decay = settings.decay if name[0] in "ws" else 0.0
                layers[name] -= (rate * (change + decay * layers[name])).astype(np.float32)
        say(f"network {seed}, pass {number + 1} of {settings.passes}: loss {lost / per_pass:.3f}")
    return layers


def learn(
    examples: Sequence[Example],
    held_out: Sequence[Example],
    case_settings: CaseSettings,
    settings: LearnSettings,
    say: Callable[[str], None],
    *,
    start: PulseNetwork | None = None,
) -> PulseNetwork:
    """A network from `examples`; temperature, severity errors and `far` from `held_out`.

    `start`: learn on from this network, whose inputs and hidden layers are kept in shape.
    """
    before: tuple[dict[str, Array], ...] = ()
    if start is not None:
        before = tuple({name: layer.astype(np.float32) for name, layer in m.items()}
                       for m in start.members)  # fmt: skip
    if start is not None:
        wide = int(start.members[0]["w1"].shape[1])
        settings = replace(settings, hidden=(wide, wide // 2), members=len(before))
    projection = np.asarray(
        fit_projection(examples) if start is None else start.projection, np.float64
    )
    warm = fitted(
        examples, held_out, case_settings, settings, say,
        projection=projection, hidden_sets=_hidden_sets(projection), start=before,
    )  # fmt: skip
    warm = replace(warm, cases=warm.cases + (0 if start is None else start.cases))
    sound = [e for e in held_out if not e.faults]
    rows = [sound_limits(warm, case_settings, sound, h) for h in (None, "crankcase", "exhaust")]
    return replace(warm, limits=np.array(rows))


def fitted(
    examples: Sequence[Example],
    held_out: Sequence[Example],
    case_settings: CaseSettings,
    settings: LearnSettings,
    say: Callable[[str], None],
    *,
    projection: FloatArray,
    hidden_sets: HiddenSets,
    start: tuple[dict[str, Array], ...] = (),
) -> PulseNetwork:
    """A network from `examples` seen through `projection`, without limits; temperature, severity
    errors and `far` from `held_out`. `start`: arrays of members to learn on from."""
    whole = join(examples, case_settings, projection)
    one = partial(_learn_one, whole, hidden_sets, settings, say, start=start)
    with ProcessPoolExecutor(settings.workers) as pool:
        learnt = list(pool.map(one, range(settings.members)))
    members = tuple({k: np.asarray(v, np.float64) for k, v in m.items()} for m in learnt)
    rest = join(held_out, case_settings, projection)
    kinds = len(case_settings.kinds)
    plain = PulseNetwork(
        kinds=case_settings.kinds,
        projection=projection,
        members=members,
        temperature=1.0,
        severity_error=np.zeros(kinds),
        far=np.inf,
        cases=len(examples),
        limits=np.full((3, 2), np.inf),
        limits_against_sound=np.full((3, 2), np.inf),
    )
    scores, steps = plain.outputs(rest.x.astype(np.float64))
    known = ~np.isnan(rest.step)
    error = np.array(
        [np.sqrt(np.mean((steps - rest.step)[known[:, k], k] ** 2)) if known[:, k].any() else 0.3
         for k in range(kinds)]
    )  # fmt: skip
    return replace(
        plain,
        temperature=_temperature(scores, rest),
        severity_error=error,
        far=float(1.3 * np.quantile((rest.x**2).mean(axis=1), 0.999)),
    )


def limits_against_sound(
    network: PulseNetwork, settings: CaseSettings, pairs: Sequence[tuple[Example, Example]]
) -> FloatArray:
    """(3, 2) as `PulseNetwork.limits_against_sound`, of pairs of recordings of sound engines:
    the later one by itself, and against the earlier one."""
    rows = []
    for hidden in (None, "crankcase", "exhaust"):
        worst = []
        for one, against in pairs:
            alone, share = ratios_of_example(network, settings, one, hidden)
            change, _ = ratios_of_example(network, settings, against, hidden)
            worst.append(float(faulty_bits(with_sound_recording(alone, change), share).max()))
        rows.append(_far_tail(worst))
    return np.array(rows, dtype=np.float64)


def sound_limits(
    network: PulseNetwork,
    settings: CaseSettings,
    sound: Sequence[Example],
    hidden: str | None,
) -> tuple[float, float]:
    """Bits that the worst cylinder of a sound engine reaches in 1 of 20 and 1 of 200 recordings."""
    worst = []
    for example in sound:
        ratios, share = ratios_of_example(network, settings, example, hidden)
        worst.append(float(faulty_bits(ratios, share).max()))
    return _far_tail(worst)


def ratios_of_example(
    network: PulseNetwork, settings: CaseSettings, example: Example, hidden: str | None
) -> tuple[FloatArray, FloatArray]:
    """(positions, kinds) log ratios of one recording, and the shares of the kinds."""
    weights = np.array([c.weight for c in settings.components])
    values = np.asarray(example.values, np.float64)
    values = values if hidden is None else hide(values, hidden)
    fuel = "diesel" if example.diesel else "petrol"
    usable = [not c.fuels or fuel in c.fuels for c in settings.components]
    share = np.where(usable, weights, 0.0)
    share = share / share.sum()
    scores, _ = network.outputs(network.inputs(values))
    odds = (1.0 - settings.sound_share) / settings.sound_share / len(values)
    with np.errstate(divide="ignore"):
        return np.where(share > 0.0, scores - np.log(odds * share), -np.inf), share


def _far_tail(worst: Sequence[float]) -> tuple[float, float]:
    """What 1 in 20 and 1 in 200 exceed; the second from an exponential tail beyond the largest
    tenth: a few hundred recordings do not show it."""
    tenth = float(np.quantile(worst, 0.9))
    beyond = float(np.mean([w - tenth for w in worst if w > tenth]))
    return float(np.quantile(worst, 0.95)), tenth + beyond * float(np.log(0.1 / 0.005))


def _temperature(scores: Array, rest: Batch) -> float:
    """What the scores are to be divided by for the least loss (Guo et al., ICML 2017)."""
    from scipy.optimize import minimize_scalar

    def loss(log_temperature: float) -> float:
        scaled = scores / np.exp(log_temperature)
        first = rest.starts[:-1]
        top = np.maximum(np.maximum.reduceat(scaled.max(axis=1), first), 0.0)
        grown = np.exp(scaled - np.repeat(top, np.diff(rest.starts))[:, None])
        total = np.add.reduceat(grown.sum(axis=1), first) + np.exp(-top)
        told = np.maximum(rest.target * scaled, rest.target * _LOSS_FLOOR)
        return float((np.log(total) + top).sum() - told.sum())

    return float(np.exp(minimize_scalar(loss, bounds=(-1.5, 1.5), method="bounded").x))
