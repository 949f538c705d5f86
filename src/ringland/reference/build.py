"""Fit the reference to one engine: simulate it, and learn the last layer anew from what comes out.

Kept by content: any change of engine, condition, settings or network makes another file. Broken
off, it goes on where it stopped. Equation (8) of docs/theory/reference.md.
"""

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING
from zipfile import BadZipFile

import numpy as np

from ringland.errors import SettingError
from ringland.model import EngineSpec
from ringland.model._arrays import FloatArray, IntArray
from ringland.reference.network import PulseNetwork, load_network
from ringland.reference.plan import CaseSettings, load_settings

if TYPE_CHECKING:
    from ringland.reference.cases import Example

__all__ = [
    "EngineReference",
    "KindFound",
    "build_reference",
    "find_reference",
    "fit_head",
    "reference_folder",
]

_PER_FILE = 15
_PENALTIES = (100.0, 1000.0)  # on the squared change of every weight of the last layer
_FEWEST = 40  # recordings below which the general network is kept
_ANY_SPEED_SHARE = 0.2  # a reference serves held speeds within this share of its own


@dataclass(frozen=True, eq=False)
class EngineReference:
    """A network fitted to one engine, and what was gained: mean log loss per recording on cases
    left out in turn, before and after, in bits. `found`: how each kind of fault fares on it."""

    network: PulseNetwork
    loss_before_bits: float
    loss_after_bits: float
    recordings: int
    found: tuple["KindFound", ...]


@dataclass(frozen=True)
class KindFound:
    """Of the `recordings` with this kind of fault in one cylinder: in how many its position and its
    kind lead, and the kind it is most often taken for otherwise (None: never)."""

    kind: str
    recordings: int
    position_right: int
    kind_right: int
    taken_for: str | None


def _digest(engine: EngineSpec, settings: CaseSettings, held_rpm: float | None) -> str:
    network = load_network()
    described = replace(
        engine,
        name="",
        trigger_cylinder=None,
        trigger_advance_deg=None,
        trigger_pulses_per_cycle=None,
    )
    content = repr((described, settings, held_rpm, network.cases, network.temperature))
    return hashlib.sha256(content.encode()).hexdigest()[:24]


def reference_folder() -> Path:
    """Where references of single engines are kept: the user's cache, or RINGLAND_CACHE."""
    import os

    from platformdirs import user_cache_path

    given = os.environ.get("RINGLAND_CACHE")
    return Path(given) if given else user_cache_path("ringland", appauthor=False) / "reference"


def find_reference(
    engine: EngineSpec, folder: Path, *, speed_rpm: float | None = None
) -> PulseNetwork | None:
    """The network fitted to this engine nearest to a speed (None: idle), or None without one.

    Held speeds further than a fifth away do not serve.
    """
    best: tuple[float, PulseNetwork] | None = None
    for path in sorted(folder.glob("reference-*.npz")):
        kept = _load(path)
        if kept is None or kept[0]["digest"] != _digest(
            engine, load_settings(), _number(kept[0]["held_rpm"])
        ):
            continue
        held = _number(kept[0]["held_rpm"])
        usual = held if held is not None else engine.idle_speed_rpm or 750.0
        away = abs((speed_rpm or usual) / usual - 1.0)
        limit = _ANY_SPEED_SHARE if held is not None else 0.35
        if away <= limit and (best is None or away < best[0]):
            best = (away, kept[1].network)
    return None if best is None else best[1]


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _load(path: Path) -> tuple[dict[str, object], EngineReference] | None:
    try:
        with np.load(path, allow_pickle=False) as data:
            told = json.loads(str(data["told"]))
            network = replace(load_network(), head=data["head"])
    except (OSError, ValueError, KeyError, BadZipFile):
        return None
    found = tuple(KindFound(**row) for row in told["found"])
    reference = EngineReference(network, told["before"], told["after"], told["recordings"], found)
    return told, reference


def build_reference(
    engine: EngineSpec,
    folder: Path,
    *,
    held_rpm: float | None = None,
    cases: int | None = None,
    seed: int = 0,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> EngineReference:
    """The reference of one engine idling, or held at `held_rpm`.

    `cases` runs are simulated (default: the settings' number), two recordings of each. `progress`
    is called with (done, all). Raises SettingError for an engine that the simulator does not cover.
    """
    if engine.strokes != 4 or engine.cylinders < 2:
        raise SettingError(
            "No reference can be made for this engine.",
            got=f"{engine.strokes}-stroke with {engine.cylinders} cylinder(s)",
            allowed="a four-stroke engine with two cylinders or more",
            remedy="Recordings of it are judged without one.",
        )
    settings = load_settings()
    digest = _digest(engine, settings, held_rpm)
    path = folder / f"reference-{digest}.npz"
    kept = _load(path)
    if kept is not None:
        return kept[1]
    folder.mkdir(parents=True, exist_ok=True)
    count = cases or settings.engine_cases
    firsts = [seed * 1_000_003 + n for n in range(0, count, _PER_FILE)]
    made = partial(_make, engine=engine, held_rpm=held_rpm, folder=folder, digest=digest)
    for done, _ in enumerate(_each(made, firsts, workers), start=1):
        if progress is not None:
            progress(min(done * _PER_FILE, count), count)
    reference = _fitted(engine, settings, folder, digest)
    told = {
        "digest": digest,
        "held_rpm": held_rpm,
        "before": reference.loss_before_bits,
        "after": reference.loss_after_bits,
        "recordings": reference.recordings,
        "found": [asdict(row) for row in reference.found],
    }
    unfinished = path.with_suffix(".part.npz")
    np.savez(unfinished, told=json.dumps(told), head=np.asarray(reference.network.head))
    unfinished.replace(path)
    for part in folder.glob(f"part-{digest}-*.npz"):
        part.unlink()
    return reference


def _each(made: Callable[[int], None], firsts: list[int], workers: int) -> Iterator[None]:
    if workers <= 1:
        yield from map(made, firsts)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        try:
            yield from pool.map(made, firsts)
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise


def _make(
    first: int, *, engine: EngineSpec, held_rpm: float | None, folder: Path, digest: str
) -> None:
    """Simulate some cases into one file, unless it is there. Imported late: slow to import."""
    from ringland.reference.cases import simulated_examples
    from ringland.reference.learn import keep_examples

    path = folder / f"part-{digest}-{first:07d}.npz"
    if not path.is_file():
        seeds = range(first, first + _PER_FILE)
        found = [e for s in seeds for e in simulated_examples(s, engine, held_rpm=held_rpm)]
        keep_examples(found, path)


def _fitted(
    engine: EngineSpec, settings: CaseSettings, folder: Path, digest: str
) -> EngineReference:
    from ringland.reference.learn import join, load_examples

    network = load_network()
    parts = sorted(folder.glob(f"part-{digest}-*.npz"))
    examples = [e for part in parts for e in load_examples(part) if len(e.values)]
    if len(examples) < _FEWEST:
        raise SettingError(
            "Too few simulated recordings of this engine could be judged.",
            got=f"{len(examples)} recordings of {engine.name}",
            allowed=f"at least {_FEWEST}",
            remedy="Check the engine description; recordings are judged without it meanwhile.",
        )
    batch = join(examples, settings, network.projection)
    hidden = network.hidden(np.asarray(batch.x, np.float64))
    target = np.asarray(batch.target, np.float64)
    fold = np.array([e.seed % 3 for e in examples])
    counts = np.diff(batch.starts)
    lost = {None: 0.0} | dict.fromkeys(_PENALTIES, 0.0)
    for part in range(3):
        rows = np.repeat(fold != part, counts)
        for penalty in lost:
            head = network.general_head
            if penalty is not None:
                head = fit_head(head, hidden[rows], target[rows], counts[fold != part], penalty)
            lost[penalty] += _loss(head, hidden[~rows], target[~rows], counts[fold == part])[0]
    best = min(lost, key=lambda p: lost[p])
    head = network.general_head
    if best is not None:
        head = fit_head(head, hidden, target, counts, best)
    scale = len(examples) * np.log(2.0)
    return EngineReference(
        replace(network, head=head),
        lost[None] / scale,
        lost[best] / scale,
        len(examples),
        _found(network, examples, hidden, counts),
    )


def _found(
    network: PulseNetwork, examples: "Sequence[Example]", hidden: FloatArray, counts: IntArray
) -> tuple[KindFound, ...]:
    """How the general network, which has not seen them, does on the recordings of this engine."""
    scores = hidden @ network.general_head
    starts = np.concatenate([[0], np.cumsum(counts)])
    seen: dict[str, list[tuple[bool, str]]] = {}
    for n, example in enumerate(examples):
        if len(example.faults) != 1 or len(example.faults[0][1]) != 1:
            continue
        kind, (position,), _ = example.faults[0]
        grown = np.exp(scores[starts[n] : starts[n + 1]])
        where = int(np.argmax(grown.sum(axis=1))) + 1
        what = network.kinds[int(np.argmax(grown.sum(axis=0)))]
        seen.setdefault(kind, []).append((where == position, what))
    rows = []
    for kind in network.kinds:
        if kind not in seen:
            continue
        others = Counter(what for _, what in seen[kind] if what != kind)
        rows.append(
            KindFound(
                kind=kind,
                recordings=len(seen[kind]),
                position_right=sum(right for right, _ in seen[kind]),
                kind_right=sum(what == kind for _, what in seen[kind]),
                taken_for=others.most_common(1)[0][0] if others else None,
            )
        )
    return tuple(rows)


def _loss(
    head: FloatArray, hidden: FloatArray, target: FloatArray, counts: IntArray
) -> tuple[float, FloatArray]:
    """Sum of log losses in nats, and the slope (hidden, kinds) of it."""
    scores = hidden @ head
    first = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int64)
    top = np.maximum(np.maximum.reduceat(scores.max(axis=1), first), 0.0)
    grown = np.exp(scores - np.repeat(top, counts)[:, None])
    total = np.add.reduceat(grown.sum(axis=1), first) + np.exp(-top)
    loss = float((np.log(total) + top).sum() - (target * scores).sum())
    wrong = grown / np.repeat(total, counts)[:, None] - target
    return loss, hidden.T @ wrong


def fit_head(
    general: FloatArray,
    hidden: FloatArray,
    target: FloatArray,
    counts: IntArray,
    penalty: float,
) -> FloatArray:
    """Last layer (hidden + 1, kinds) with the least loss plus a penalty on leaving the general one.

    `hidden` (rows, hidden + 1) with a column of ones, rows of one recording together, `counts` of
    them (recordings,). Convex; L-BFGS.
    """
    from scipy.optimize import minimize

    def penalised(flat: FloatArray) -> tuple[float, FloatArray]:
        change = flat.reshape(general.shape)
        loss, slope = _loss(general + change, hidden, target, counts)
        return (
            loss + 0.5 * penalty * float((change**2).sum()),
            (slope + penalty * change).ravel(),
        )

    found = minimize(
        penalised,
        np.zeros(general.size),
        jac=True,
        method="L-BFGS-B",
        options={"maxiter": 150},
    )
    head: FloatArray = general + np.asarray(found.x).reshape(general.shape)
    return head
