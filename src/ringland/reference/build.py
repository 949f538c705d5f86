"""Build the reference cases of one engine: simulate, measure as any recording, fit, keep."""

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TypeAlias
from zipfile import BadZipFile

import numpy as np

from ringland.errors import SettingError
from ringland.model import CylinderSet, EngineSpec, MetricTable, Recording
from ringland.model._arrays import FloatArray
from ringland.reference.features import recording_features
from ringland.reference.likelihood import (
    CaseFeatures,
    CaseModel,
    fit_cases,
    keep_model,
    load_model,
)
from ringland.reference.plan import CaseSettings, PlannedCase, load_settings, plan_cases

__all__ = ["Measure", "build_reference", "cache_name", "measure_cases", "simulate_case"]

Measure: TypeAlias = Callable[[Recording, EngineSpec], tuple[MetricTable, CylinderSet] | None]
"""The pipeline's own way from a recording to its metrics and cylinders (None: not fit to judge). To
run in several processes it must be a function of a module."""

_KEPT_EVERY = 20


@dataclass(frozen=True, eq=False)
class _Measured:
    """Features of one case: names, (positions, features), and which positions are faulty."""

    names: tuple[str, ...]
    values: FloatArray
    faulty: tuple[int, ...]


def simulate_case(
    engine: EngineSpec,
    case: PlannedCase,
    settings: CaseSettings,
    *,
    condition: str = "idle",
    held_rpm: float | None = None,
) -> tuple[Recording, EngineSpec]:
    """The recording of one case with a hook-up drawn anew, and the engine as it is described.

    Imported late: the simulator is compiled on first use.
    """
    from ringland.simulator.hookup import described, record
    from ringland.simulator.hookup_random import random_hookup, random_recorder
    from ringland.simulator.parameters import simulated_engine, with_healthy_spread
    from ringland.simulator.run import simulate

    rng = np.random.default_rng([case.seed, 271])
    spread = float(rng.uniform(settings.healthy_scale_low, settings.healthy_scale_high))
    parameters = with_healthy_spread(simulated_engine(engine), seed=case.seed, scale=spread)
    result = simulate(
        parameters,
        condition=condition,
        seconds=settings.seconds,
        settle_s=settings.settle_s,
        faults=() if case.fault is None else (case.fault,),
        seed=case.seed,
        held_rpm=held_rpm,
    )
    hookup = random_hookup(rng, engine, with_trigger=True)
    recording = record(result, hookup, recorder=random_recorder(rng), seed=case.seed)
    return recording, described(engine, hookup)


def _measured(
    case: PlannedCase,
    *,
    engine: EngineSpec,
    settings: CaseSettings,
    measure: Measure,
    condition: str,
    held_rpm: float | None,
) -> _Measured | None:
    """One case from plan to numbers; None when its recording is not fit to judge."""
    recording, described = simulate_case(
        engine, case, settings, condition=condition, held_rpm=held_rpm
    )
    measured = measure(recording, described)
    if measured is None:
        return None
    names, values = recording_features(*measured, engine)
    cylinders = case.fault.cylinders if case.fault is not None else ()
    faulty = tuple(engine.firing_order.index(c) for c in cylinders)
    return _Measured(names, values, faulty)


def _each(
    run: Callable[[PlannedCase], _Measured | None], cases: Iterable[PlannedCase], workers: int
) -> Iterator[_Measured | None]:
    if workers <= 1:
        yield from map(run, cases)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from pool.map(run, cases)


def cache_name(
    engine: EngineSpec,
    settings: CaseSettings,
    *,
    condition: str,
    held_rpm: float | None,
    version: str,
    scale: float,
    seed: int,
) -> str:
    """File name that says what the cases were made from: any change makes another name."""
    content = repr((engine, settings, condition, held_rpm, version, scale, seed))
    return f"reference-{hashlib.sha256(content.encode()).hexdigest()[:24]}.npz"


def measure_cases(
    engine: EngineSpec,
    measure: Measure,
    *,
    condition: str = "idle",
    held_rpm: float | None = None,
    settings: CaseSettings | None = None,
    scale: float = 1.0,
    seed: int = 0,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
    kept: Path | None = None,
) -> CaseFeatures:
    """Features of all planned cases.

    `progress` is called with (done, all). With `kept` a file is written on the way and gone on
    from when it is there. Raises SettingError when not one case could be measured.
    """
    settings = settings or load_settings()
    cases = plan_cases(engine, settings, seed=seed, scale=scale)
    done, features = _load(kept) if kept is not None else (0, None)
    run = partial(
        _measured,
        engine=engine,
        settings=settings,
        measure=measure,
        condition=condition,
        held_rpm=held_rpm,
    )
    for number, measured in enumerate(_each(run, cases[done:], workers), start=done):
        if measured is not None:
            rows = _rows(measured, cases[number], settings)
            features = rows if features is None else _joined(features, rows)
        if progress is not None:
            progress(number + 1, len(cases))
        if kept is not None and ((number + 1) % _KEPT_EVERY == 0 or number + 1 == len(cases)):
            _keep(kept, number + 1, features)
    if features is None:
        raise SettingError(
            "Not one simulated case could be measured.",
            got=f"{len(cases)} cases of {engine.name}",
            remedy="Check the engine description; the ranking works from the tables meanwhile.",
        )
    return features


def _rows(measured: _Measured, case: PlannedCase, settings: CaseSettings) -> CaseFeatures:
    positions = len(measured.values)
    component = np.full(positions, -1, dtype=np.int64)
    step = np.zeros(positions)
    if case.fault is not None and case.component is not None:
        chosen = settings.components[case.component]
        share = np.log(case.fault.severity / chosen.least) / np.log(chosen.most / chosen.least)
        component[list(measured.faulty)] = case.component
        step[list(measured.faulty)] = share
    return CaseFeatures(measured.names, measured.values[None], component[None], step[None])


def _joined(first: CaseFeatures, second: CaseFeatures) -> CaseFeatures:
    """Both, with features that one of them lacks as NaN."""
    names = tuple(dict.fromkeys((*first.names, *second.names)))

    def widened(features: CaseFeatures) -> FloatArray:
        if features.names == names:
            return features.values
        wide = np.full((*features.values.shape[:2], len(names)), np.nan)
        wide[:, :, [names.index(n) for n in features.names]] = features.values
        return wide

    return CaseFeatures(
        names,
        np.concatenate([widened(first), widened(second)]),
        np.concatenate([first.component, second.component]),
        np.concatenate([first.step, second.step]),
    )


def _keep(path: Path, done: int, features: CaseFeatures | None) -> None:
    if features is None:
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_suffix(".part.npz")
    np.savez(
        unfinished,
        done=done,
        names=json.dumps(features.names),
        values=features.values,
        component=features.component,
        step=features.step,
    )
    unfinished.replace(path)


def _load(path: Path) -> tuple[int, CaseFeatures | None]:
    """What an earlier run left; a file that cannot be read is begun anew."""
    if not path.is_file():
        return 0, None
    try:
        with np.load(path, allow_pickle=False) as data:
            features = CaseFeatures(
                tuple(json.loads(str(data["names"]))),
                data["values"],
                data["component"],
                data["step"],
            )
            return int(data["done"]), features
    except (OSError, ValueError, KeyError, BadZipFile):
        return 0, None


def build_reference(
    engine: EngineSpec,
    measure: Measure,
    *,
    version: str,
    folder: Path | None = None,
    condition: str = "idle",
    held_rpm: float | None = None,
    settings: CaseSettings | None = None,
    scale: float = 1.0,
    seed: int = 0,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> CaseModel:
    """The likelihood of this engine under this condition, from cases kept in `folder` if there.

    `version`: of the code that measures; another version makes other cases.
    """
    settings = settings or load_settings()
    kept = None
    if folder is not None:
        kept = folder / cache_name(
            engine,
            settings,
            condition=condition,
            held_rpm=held_rpm,
            version=version,
            scale=scale,
            seed=seed,
        )
        model = load_model(kept.with_suffix(".model.npz"), settings)
        if model is not None:
            return model
    features = measure_cases(
        engine,
        measure,
        condition=condition,
        held_rpm=held_rpm,
        settings=settings,
        scale=scale,
        seed=seed,
        workers=workers,
        progress=progress,
        kept=kept,
    )
    model = fit_cases(features, settings)
    if kept is not None:
        keep_model(model, kept.with_suffix(".model.npz"))
    return model
