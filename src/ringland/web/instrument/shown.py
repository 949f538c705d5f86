"""What the pages show of an analysis, as plain data. Runs in the process of `process`."""

import base64
import threading
from collections import OrderedDict
from typing import TYPE_CHECKING, Any

import numpy as np

from ringland.errors import RinglandError, SettingError, UnusableRecording
from ringland.web.worker import Plain, fault

if TYPE_CHECKING:
    from ringland.model import Analysis, AngleSignal
    from ringland.severity import WhatIf

__all__ = ["answer"]

_POINTS_PER_CYCLE = 24
_REMEMBERED = 6
_excluded: OrderedDict[str, "Analysis"] = OrderedDict()
_prepared: OrderedDict[str, "WhatIf"] = OrderedDict()
_one_at_a_time = threading.Lock()


def answer(what: str, task: Plain) -> tuple[str, Plain]:
    """("done", content) or ("failed", error in the one shape).

    `task`: what `judgement.task_of` gives, with path, and excluded (stretches in seconds); channel
    for a raster; kind, cylinders and severity for what if.
    """
    make = {
        "cycles": _cycles,
        "raster": _raster,
        "figures": _figures,
        "results": _results,
        "what_if": _what_if,
        "what_if_cycle": _what_if_cycle,
    }[what]
    try:
        with _one_at_a_time:
            return "done", make(_analysis(task), task)
    except RinglandError as error:
        return "failed", error.as_dict()
    except Exception as error:  # told in the one shape; the process lives on
        return "failed", fault(error)


def _analysis(task: Plain) -> "Analysis":
    from ringland.web.instrument.results import without_stretches
    from ringland.web.worker import analysed

    stretches = [tuple(pair) for pair in task["excluded"]]
    whole = analysed(task, lambda *_: None)
    if not stretches:
        return whole
    key = f"{task['key']} {stretches}"
    if key not in _excluded:
        _excluded[key] = without_stretches(whole, stretches)
    found: Analysis = _recent(_excluded, key)
    return found


def _recent(kept: "OrderedDict[str, Any]", key: str) -> Any:
    kept.move_to_end(key)
    while len(kept) > _REMEMBERED:
        kept.popitem(last=False)
    return kept[key]


def _cycles(analysis: "Analysis", _: Plain) -> Plain:
    """Cycles with the crank angle inside each, and where each position fires."""
    from ringland.figures.labels import position_tag
    from ringland.model import Reference

    found = analysis.cycles
    if found is None:
        return {"not_judged": analysis.not_judged, "cycles": [], "firing": [], "arbitrary": True}
    step = found.cycle_deg / _POINTS_PER_CYCLE
    cycles = []
    for cycle in found.cycles:
        middle = found.angle_at(np.array([(cycle.start_s + cycle.stop_s) / 2.0]))[0]
        first = found.cycle_deg * np.floor(middle / found.cycle_deg)
        times = found.time_at(first + step * np.arange(_POINTS_PER_CYCLE + 1))
        even = np.linspace(cycle.start_s, cycle.stop_s, _POINTS_PER_CYCLE + 1)
        times = np.where(np.isfinite(times), times, even)
        cycles.append({
            "start_s": cycle.start_s,
            "stop_s": cycle.stop_s,
            "dropped": cycle.dropped,
            "times_s": [round(float(t), 7) for t in times],
        })  # fmt: skip
    assignments = () if analysis.cylinders is None else analysis.cylinders.assignments
    return {
        "not_judged": analysis.not_judged,
        "cycle_deg": found.cycle_deg,
        "phase_source": str(found.phase_source),
        "arbitrary": found.reference is Reference.ARBITRARY,
        "reference_reason": found.reference_reason,
        "speed_rpm": found.mean_speed_rpm.value,
        "judged_s": [analysis.recording.start_s, analysis.recording.stop_s],
        "cycles": cycles,
        "firing": [
            {
                "position": a.firing_position,
                "angle_deg": a.firing_angle_deg,
                "label": position_tag(assignments, a.firing_position),
                "position_known": a.position_known,
            }
            for a in assignments
        ],
        "signals": [s.channel for s in (analysis.cylinders.signals if analysis.cylinders else ())],
    }


def _signal(analysis: "Analysis", channel: str) -> "AngleSignal":
    signals = analysis.cylinders.signals if analysis.cylinders is not None else ()
    found = next((s for s in signals if s.channel == channel), None)
    if found is None:
        raise UnusableRecording(
            "There is no crank angle for this channel.",
            got=analysis.not_judged or channel,
            allowed=", ".join(s.channel for s in signals) or None,
        )
    return found


def _raster(analysis: "Analysis", task: Plain) -> Plain:
    """Rows of cycles, NaN for a dropped one, and what all kept cycles do together."""
    from matplotlib import colormaps

    from ringland.figures import raster
    from ringland.model import Reference

    signal = _signal(analysis, task["channel"])
    assert analysis.cycles is not None and analysis.cylinders is not None
    arbitrary = analysis.cycles.reference is Reference.ARBITRARY
    made = raster.prepare(signal, analysis.cycles, analysis.cylinders, arbitrary=arbitrary)
    finite = made.values[np.isfinite(made.values)]
    low, high = np.percentile(finite, [1, 99]) if finite.size else (0.0, 1.0)
    colours = (255 * colormaps["cividis"](np.linspace(0, 1, 255))[:, :3]).round()
    return {
        "channel": signal.channel,
        "rows": made.values.shape[0],
        "columns": made.values.shape[1],
        "values": _base64(made.values.astype("<f4")),
        "mean": _or_none(made.mean),
        "mean_low": _or_none(made.low),
        "mean_high": _or_none(made.high),
        "angle_deg": made.angle_deg.tolist(),
        "colours": _base64(colours.astype(np.uint8)),
        "low": float(low),
        "high": float(high),
        "unit": made.unit,
        "row_cycle": list(made.row_cycle),
        "thinned": made.thinned,
        "marks": [list(mark) for mark in made.marks],
        "marks_are": made.marks_are,
        "cycle_deg": made.cycle_deg,
        "arbitrary": made.arbitrary,
    }


def _or_none(values: "np.ndarray[Any, Any]") -> list[float | None]:
    return [float(v) if np.isfinite(v) else None for v in values]


def _base64(values: "np.ndarray[Any, Any]") -> str:
    return base64.b64encode(values.tobytes()).decode("ascii")


def _figures(analysis: "Analysis", _: Plain) -> Plain:
    """Averaged cycle and order spectrum of every channel, as in the report."""
    from ringland.report.evidence import averaged_section, orders_section
    from ringland.web.blocks import plain_section

    return {
        "sections": [plain_section(make(analysis)) for make in (averaged_section, orders_section)]
    }


def _results(analysis: "Analysis", task: Plain) -> Plain:
    """States and strengths with the stretches and without them, side by side."""
    before = _summary(_analysis({**task, "excluded": []}))
    return {"before": before, "after": _summary(analysis), "changed": bool(task["excluded"])}


def _summary(analysis: "Analysis") -> Plain:
    from ringland.figures.labels import cause_name, position_tag
    from ringland.model import natural_frequency

    cycles, table, cylinders = analysis.cycles, analysis.symptoms, analysis.cylinders
    said: Plain = {
        "not_judged": analysis.not_judged,
        "found": 0 if cycles is None else cycles.found,
        "kept": 0 if cycles is None else len(cycles.kept),
        "positions": [],
        "causes": [],
    }
    if cylinders is None or table is None:
        return said
    said["positions"] = [
        {
            "label": position_tag(cylinders.assignments, a.firing_position),
            "state": str(table.state_of(a.firing_position)),
            "strength": [
                _strength(analysis, s.channel, a.firing_position) for s in cylinders.shares
            ],
        }
        for a in cylinders.assignments
    ]
    said["channels"] = [s.channel for s in cylinders.shares]
    causes = () if analysis.diagnosis is None else analysis.diagnosis.causes
    said["causes"] = [
        {
            "name": cause_name(c, cylinders.assignments),
            "probability": c.probability,
            "often": natural_frequency(c.probability),
        }
        for c in sorted(causes, key=lambda c: -c.probability)[:3]
    ]
    return said


def _strength(analysis: "Analysis", channel: str, position: int) -> list[float] | None:
    """Mean strength over the cycles with its 90 % interval (normal, over cycles)."""
    assert analysis.cylinders is not None
    share = next(s for s in analysis.cylinders.shares if s.channel == channel)
    if position not in share.positions or share.strength.size == 0:
        return None
    values = share.strength[:, share.positions.index(position)]
    values = values[np.isfinite(values)]
    if values.size < 2:
        return None
    half = 1.645 * float(values.std(ddof=1)) / float(np.sqrt(values.size))
    mean = float(values.mean())
    return [mean, mean - half, mean + half]


def _what_if_of(analysis: "Analysis", task: Plain) -> "WhatIf":
    from ringland.severity import prepare_what_if
    from ringland.simulator.faults import FAULT_KINDS, Fault

    kind = FAULT_KINDS.get(task["kind"])
    if kind is None:
        raise SettingError(
            "There is no such fault to simulate.",
            got=task["kind"],
            allowed=", ".join(FAULT_KINDS),
        )
    key = f"{task['key']} {task['excluded']} {kind.id} {task['cylinders']}"
    if key not in _prepared:
        fault_ = Fault(kind.id, tuple(task["cylinders"]), kind.most)
        _prepared[key] = prepare_what_if(analysis, fault_)
    found: WhatIf = _recent(_prepared, key)
    return found


def _what_if(analysis: "Analysis", task: Plain) -> Plain:
    """The overlay at the severity that fits best, and the range of the slider."""
    from ringland.figures.labels import channel_title
    from ringland.severity import what_if
    from ringland.simulator.faults import FAULT_KINDS

    prepared = _what_if_of(analysis, task)
    kind, best = FAULT_KINDS[prepared.kind], prepared.estimate
    at = best.value if best.value is not None else kind.least
    names = ("measured", "measured_low", "measured_high", "sound", "simulated")
    return {
        "kind": kind.id,
        "name": kind.name,
        "meaning": kind.meaning,
        "unit": kind.unit,
        "least": min(0.0, kind.least),
        "most": prepared.most,
        "at": at,
        "best": {"value": best.value, "low": best.low, "high": best.high, "reason": best.reason},
        "geometry_known": prepared.cycles.engine.geometry is not None,
        "cycle_deg": prepared.cycles.engine.cycle_deg,
        "channels": [
            {
                "channel": one.channel,
                "title": channel_title(one.role),
                "unit": one.unit,
                "harmonics": one.harmonics,
                "angle_deg": one.angle_deg.tolist(),
                "band": ((one.simulated_high - one.simulated_low) / 2.0).tolist(),
                **{name: getattr(one, name).tolist() for name in names},
            }
            for one in what_if(prepared, at)
        ],
    }


def _what_if_cycle(analysis: "Analysis", task: Plain) -> Plain:
    """The simulated curves at one severity."""
    from ringland.severity import what_if_cycles

    prepared = _what_if_of(analysis, task)
    low, most = -prepared.most, prepared.most
    if not low <= task["severity"] <= most:
        raise SettingError(
            "The size of the fault is out of range.",
            got=f"{task['severity']:g}",
            allowed=f"up to {most:g} {prepared.unit}",
        )
    return {"severity": task["severity"], "simulated": what_if_cycles(prepared, task["severity"])}
