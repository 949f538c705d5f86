"""What comparing needs of an analysis: one small frozen type, made from either form of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import cast

import numpy as np
from scipy.special import ndtri

from ringland import __version__
from ringland.errors import FileFormatError
from ringland.model import Analysis, ChannelRole, CylinderSet, Estimate, MetricValue, unknown
from ringland.model._arrays import FloatArray
from ringland.verify.within import ASSUMED_INFLATION, inflation

__all__ = ["Measured", "Reading", "measured_from_analysis", "measured_from_json"]

_SCHEMA_START = "ringland.analysis/1"
_HEARD = ("exhaust", "intake")


@dataclass(frozen=True)
class Reading:
    """One metric at one firing position (None: the engine as a whole).

    `standard_error` is that of the value if cycles were independent, in the unit of the metric;
    `inflation` the factor for their not being so. `value` None: not measured, `reason` says why.
    """

    metric: str
    role: str
    firing_position: int | None
    cylinder: int | None
    value: float | None = None
    standard_error: float = 0.0
    inflation: float = 1.0
    reason: str = ""

    @property
    def error(self) -> float:
        """Standard error with the correlation between cycles in it."""
        return self.standard_error * self.inflation


@dataclass(frozen=True)
class Measured:
    """One analysed recording, as far as comparing needs it.

    `numbering` is a value of ringland.model.Reference. `channels` are (role, unit). `delays_s`
    (role, Estimate): how late each channel hears a cylinder. `software` is the version that
    analysed it. `temperature_k`: coolant or oil, None when nobody said.
    """

    name: str
    engine: str
    cylinders: int
    firing_order: tuple[int, ...]
    condition: str
    speed_rpm: Estimate
    cycles_kept: int
    phase_source: str
    numbering: str
    numbering_reason: str
    least_assignment: float
    channels: tuple[tuple[str, str], ...]
    delays_s: tuple[tuple[str, Estimate], ...]
    software: str
    readings: tuple[Reading, ...]
    temperature_k: float | None = None
    sha256: str | None = None
    not_judged: str | None = None

    def reading(self, metric: str, role: str, position: int | None) -> Reading | None:
        """The reading of this metric, channel role and firing position, or None."""
        return next(
            (
                r
                for r in self.readings
                if (r.metric, r.role, r.firing_position) == (metric, role, position)
            ),
            None,
        )


def measured_from_analysis(analysis: Analysis, *, temperature_k: float | None = None) -> Measured:
    """From an analysis in memory; correlation between cycles is measured where cycles are there."""
    found, cycles = analysis.cylinders, analysis.cycles
    speed = cycles.mean_speed_rpm if cycles else unknown("rpm", "the engine cycle was not found")
    numbers = {a.firing_position: a.cylinder for a in found.assignments} if found else {}
    roles = {c.name: str(c.role) for c in analysis.recording.channels}
    roles |= {e.name: str(e.role) for e in analysis.recording.edges}
    units = [(str(c.role), c.unit) for c in analysis.recording.channels]
    units += [(str(e.role), "edges") for e in analysis.recording.edges]
    readings = []
    for value in analysis.metrics.values if analysis.metrics else ():
        assert found is not None  # metrics are made from it
        factor = _inflation_of(value, found, roles.get(value.channel, ""))
        readings.append(
            _reading(
                Reading(
                    value.metric,
                    roles.get(value.channel, value.channel),
                    value.firing_position,
                    numbers.get(value.firing_position) if value.firing_position else None,
                ),
                value.estimate,
                value.standard_error,
                factor,
            )
        )
    return Measured(
        name=analysis.recording.source.name,
        engine=analysis.engine.name,
        cylinders=analysis.engine.cylinders,
        firing_order=analysis.engine.firing_order,
        condition=str(analysis.recording.condition),
        speed_rpm=speed,
        cycles_kept=len(cycles.kept) if cycles else 0,
        phase_source=str(cycles.phase_source) if cycles else "",
        numbering=str(cycles.reference) if cycles else "",
        numbering_reason=cycles.reference_reason if cycles else "",
        least_assignment=min((a.probability for a in found.assignments), default=0.0)
        if found
        else 0.0,
        channels=tuple(units),
        delays_s=tuple(
            (roles.get(d.channel, d.channel), _in_seconds(d.pulse_angle_deg, speed))
            for d in (found.delays if found else ())
        ),
        software=__version__,
        readings=tuple(readings),
        temperature_k=temperature_k,
        sha256=analysis.recording.source.sha256,
        not_judged=analysis.not_judged,
    )


def _reading(
    at: Reading, estimate: Estimate, standard_error: float | None, factor: float
) -> Reading:
    """`at` says which metric of which place; its numbers are replaced."""
    if estimate.value is None or estimate.low is None or estimate.high is None:
        return replace(at, reason=estimate.reason or "no value")
    if standard_error is None:
        # from the width of the interval: for a rate near 0 its upper side is what is not known
        quantile = float(ndtri(0.5 + 0.5 * estimate.coverage))
        standard_error = (estimate.high - estimate.low) / (2.0 * quantile)
    return replace(
        at, value=estimate.value, standard_error=float(standard_error), inflation=float(factor)
    )


def _in_seconds(angle: Estimate, speed_rpm: Estimate) -> Estimate:
    if angle.value is None or angle.low is None or angle.high is None or not speed_rpm.value:
        return unknown("s", angle.reason or "speed not known")
    per_deg = 1.0 / (6.0 * speed_rpm.value)
    return Estimate(
        angle.value * per_deg, angle.low * per_deg, angle.high * per_deg, "s", angle.coverage
    )


def _inflation_of(value: MetricValue, found: CylinderSet, role: str) -> float:
    """From the values of single cycles behind a metric; from the pulse strength for the others."""
    cycles = _cycles_behind(value, found, role)
    return inflation(cycles) if cycles is not None else ASSUMED_INFLATION


def _cycles_behind(value: MetricValue, found: CylinderSet, role: str) -> FloatArray | None:
    position = value.firing_position
    if position is None:
        return None
    if value.metric.startswith("crankcase_") and found.stroke_terms is not None:
        terms = found.stroke_terms.push if "push" in value.metric else found.stroke_terms.pull
        return terms[:, position - 1]
    if value.metric == "exhaust_misfire_rate":
        return _missed(value, found)
    share = next((s for s in found.shares if s.channel == value.channel), None)
    if share is None or position not in share.positions or not role.startswith(_HEARD):
        return None
    strength = share.strength[:, share.positions.index(position)]
    if value.metric == "exhaust_cycle_scatter":
        return (strength - np.nanmean(strength)) ** 2  # the scatter is a mean of squares
    # early pressure and suction come from the averaged cycle: the pulse of the same position
    # tells how its cycles hang together, as long as nothing better is known
    return strength


def _missed(value: MetricValue, found: CylinderSet) -> FloatArray | None:
    count = next(
        (
            m
            for m in found.misfires
            if m.channel == value.channel and m.firing_position == value.firing_position
        ),
        None,
    )
    signal = next((s for s in found.signals if s.channel == value.channel), None)
    if count is None or signal is None:
        return None
    return np.isin(np.asarray(signal.cycle_index), np.asarray(count.events)).astype(np.float64)


# From the JSON document. Everything in it is untrusted.


def measured_from_json(
    document: Mapping[str, object], *, name: str = "", temperature_k: float | None = None
) -> Measured:
    """From the versioned JSON document of an analysis (docs/analysis.schema.json).

    Single cycles are not in it, so the correlation between them is assumed. Raises
    FileFormatError when it is no such document or a part is missing.
    """
    if not isinstance(document, Mapping) or not str(document.get("schema", "")).startswith(
        _SCHEMA_START
    ):
        raise FileFormatError(
            f"{name or 'The document'} is not an analysis.",
            got=repr(document.get("schema")) if isinstance(document, Mapping) else "no object",
            allowed=f"JSON with schema {_SCHEMA_START}",
            remedy="Make one: ringland analyse RECORDING --engine ENGINE --json FILE.json",
        )
    try:
        return _from_json(document, name, temperature_k)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise FileFormatError(
            f"{name or 'The document'} is damaged or from another version.",
            got=f"{type(error).__name__}: {error}",
            remedy="Analyse the recording again.",
        ) from error


def _from_json(document: Mapping[str, object], name: str, temperature_k: float | None) -> Measured:
    recording, engine = _map(document["recording"]), _map(document["engine"])
    cycles, provenance = _map(document["cycles"]), _map(document["provenance"])
    entries = [_map(e) for e in _list(document["cylinders"])]
    channels = [_map(c) for c in _list(recording["channels"])]
    roles = {str(c["name"]): str(ChannelRole(str(c["role"]))) for c in channels}
    trains = [_map(e) for e in _list(recording["edge_trains"])]
    roles |= {str(e["name"]): str(ChannelRole(str(e["role"]))) for e in trains}
    speed = _estimate(document["speed_rpm"])
    readings: list[Reading] = []
    for entry in entries:
        position = int(cast(int, entry["firing_position"]))
        cylinder = None if entry["cylinder"] is None else int(cast(int, entry["cylinder"]))
        readings.extend(_readings_from(entry["metrics"], roles, position, cylinder))
    readings.extend(_readings_from(document["engine_metrics"], roles, None, None))
    return Measured(
        name=name or str(recording["name"]),
        engine=str(engine["name"]),
        cylinders=int(cast(int, engine["cylinders"])),
        firing_order=tuple(int(cast(int, c)) for c in _list(engine["firing_order"])),
        condition=str(recording["condition"]),
        speed_rpm=speed,
        cycles_kept=int(cast(int, cycles["kept"] or 0)),
        phase_source=str(cycles["phase_source"] or ""),
        numbering=str(cycles.get("reference") or ""),
        numbering_reason=str(cycles.get("reference_reason") or ""),
        least_assignment=min(
            (float(cast(float, e["assignment_probability"] or 0.0)) for e in entries), default=0.0
        ),
        channels=tuple((str(c["role"]), str(c["unit"])) for c in channels)
        + tuple((str(e["role"]), "edges") for e in trains),
        delays_s=tuple(
            (
                roles.get(str(_map(d)["channel"]), str(_map(d)["channel"])),
                _in_seconds(_estimate(_map(d)["pulse_angle_deg"]), speed),
            )
            for d in _list(document["path_delays"])
        ),
        software=str(provenance["ringland"]),
        readings=tuple(readings),
        temperature_k=temperature_k,
        sha256=None if recording["sha256"] is None else str(recording["sha256"]),
        not_judged=None if document["not_judged"] is None else str(document["not_judged"]),
    )


def _readings_from(
    metrics: object, roles: Mapping[str, str], position: int | None, cylinder: int | None
) -> list[Reading]:
    return [
        _reading(
            Reading(
                key.partition("@")[0],
                roles.get(str(_map(entry)["channel"]), str(_map(entry)["channel"])),
                position,
                cylinder,
            ),
            _estimate(entry),
            None,
            ASSUMED_INFLATION,
        )
        for key, entry in _map(metrics).items()
    ]


def _estimate(value: object) -> Estimate:
    entry = _map(value)
    unit = str(entry.get("unit", "1"))
    if entry["value"] is None or entry["low"] is None or entry["high"] is None:
        return unknown(unit, str(entry.get("reason") or "no reason was recorded"))
    value, low, high = (float(cast(float, entry[k])) for k in ("value", "low", "high"))
    coverage = float(cast(float, entry.get("coverage", 0.9)))
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"a coverage lies between 0 and 1, got {coverage}")
    return Estimate(value, low, high, unit, coverage=coverage)


def _map(value: object) -> Mapping[str, object]:
    if not isinstance(value, Mapping):
        raise TypeError(f"an object was expected, got {type(value).__name__}")
    return value


def _list(value: object) -> Sequence[object]:
    if not isinstance(value, list):
        raise TypeError(f"a list was expected, got {type(value).__name__}")
    return value
