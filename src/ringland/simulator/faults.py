"""Failure modes with a severity in physical units, and what each changes in the engine."""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from types import MappingProxyType

from ringland.errors import SettingError
from ringland.simulator.parameters import CylinderParameters, EngineParameters, SimulatedEngine
from ringland.simulator.result import FaultTruth

__all__ = ["FAULT_KINDS", "Fault", "FaultKind", "Scope", "apply_faults", "parse_fault"]


class Scope:
    """What a fault is in: one cylinder at a time, a pair of neighbours, or the whole engine."""

    CYLINDER = "cylinder"
    PAIR = "pair"
    ENGINE = "engine"


_CylinderChange = Callable[[CylinderParameters, EngineParameters, float], CylinderParameters]
_EngineChange = Callable[[EngineParameters, float], EngineParameters]


@dataclass(frozen=True)
class FaultKind:
    """One failure mode. Severity is in `unit` ("mm2", "deg", or "1" for a share) between `least`
    (barely felt) and `most`; `meaning` says what the number is."""

    id: str
    name: str
    scope: str
    unit: str
    least: float
    most: float
    meaning: str
    change_cylinder: _CylinderChange | None = None
    change_engine: _EngineChange | None = None
    change_every: _CylinderChange | None = None


@dataclass(frozen=True)
class Fault:
    """A failure mode put in: cylinder numbers (empty for the whole engine), severity in the kind's
    unit, and when it is there (seconds of the recording)."""

    kind: str
    cylinders: tuple[int, ...]
    severity: float
    onset_s: float = 0.0
    offset_s: float = math.inf

    def truth(self) -> FaultTruth:
        """The same as a record of what was put in."""
        unit = FAULT_KINDS[self.kind].unit
        return FaultTruth(
            self.kind, self.cylinders, self.severity, unit, self.onset_s, self.offset_s
        )

    def text(self) -> str:
        """The fault as it is written on the command line."""
        unit = "" if FAULT_KINDS[self.kind].unit == "1" else FAULT_KINDS[self.kind].unit
        where = ",".join(str(c) for c in self.cylinders)
        if FAULT_KINDS[self.kind].scope == Scope.PAIR:
            where = where.replace(",", "+")
        parts = [self.kind, where, f"{self.severity:g}{unit}"]
        text = ":".join(p for p in parts if p)
        if self.onset_s > 0.0 or math.isfinite(self.offset_s):
            end = "" if math.isinf(self.offset_s) else f"{self.offset_s:g}"
            text += f"@{self.onset_s:g}-{end}s"
        return text


def _set(**formulas: Callable[[CylinderParameters, float], float]) -> _CylinderChange:
    def change(c: CylinderParameters, _e: EngineParameters, s: float) -> CylinderParameters:
        return replace(c, **{name: rule(c, s) for name, rule in formulas.items()})

    return change


def _engine(**formulas: Callable[[EngineParameters, float], float]) -> _EngineChange:
    def change(e: EngineParameters, s: float) -> EngineParameters:
        return replace(e, **{name: rule(e, s) for name, rule in formulas.items()})

    return change


def _scored(c: CylinderParameters, e: EngineParameters, s: float) -> CylinderParameters:
    """A groove from 6 % to 70 % of the stroke: below the place the rings reach at top centre."""
    stroke = 2.0 * e.crank_radius_m
    return replace(
        c,
        score_m2=s * 1e-6,
        score_from_m=0.06 * stroke,
        score_to_m=0.70 * stroke,
        ring_leak_m2=c.ring_leak_m2 + 0.1e-6 * s,
    )


def _low_compression(c: CylinderParameters, e: EngineParameters, s: float) -> CylinderParameters:
    ratio = 1.0 + e.swept_m3 / c.clearance_m3
    return replace(c, clearance_m3=e.swept_m3 / max(ratio - s - 1.0, 1.0))


def _restricted(e: EngineParameters, s: float) -> EngineParameters:
    return replace(e, tail_loss=e.tail_loss / (1.0 - s) ** 2)


# A worn lobe loses height on its flanks as well: opens late and closes early
_RAMP = 0.06

_CYL, _PAIR, _ENG = Scope.CYLINDER, Scope.PAIR, Scope.ENGINE

_KINDS: tuple[FaultKind, ...] = (
    FaultKind("misfire", "ignition misfire", _CYL, "1", 0.02, 1.0,
              "share of the cycles in which the charge does not light",
              _set(misfire_rate=lambda c, s: max(c.misfire_rate, s))),
    FaultKind("weak_burn", "weak combustion", _CYL, "1", 0.05, 0.8,
              "share of the fuel that does not burn",
              _set(heat_share=lambda c, s: c.heat_share * (1.0 - s))),
    FaultKind("late_burn", "late combustion", _CYL, "deg", 4.0, 40.0,
              "crank degrees by which burning starts late",
              _set(burn_start_deg=lambda c, s: c.burn_start_deg + s)),
    FaultKind("rich", "rich cylinder", _CYL, "1", 0.05, 0.5,
              "excess of fuel over the sound cylinder",
              _set(lambda_ratio=lambda c, s: c.lambda_ratio / (1.0 + s))),
    FaultKind("lean", "lean cylinder", _CYL, "1", 0.05, 0.6,
              "lack of fuel against the sound cylinder",
              _set(lambda_ratio=lambda c, s: c.lambda_ratio / (1.0 - s))),
    FaultKind("injector_dribble", "dribbling injector", _CYL, "1", 0.05, 0.6,
              "share of the fuel that drips in and burns late",
              _set(dribble_share=lambda _c, s: s,
                   heat_share=lambda c, s: c.heat_share * (1.0 + s / 2.0))),
    FaultKind("ring_leak", "leak past the rings", _CYL, "mm2", 0.3, 12.0,
              "effective leak area from the cylinder to the crankcase",
              _set(ring_leak_m2=lambda c, s: c.ring_leak_m2 + s * 1e-6)),
    FaultKind("stuck_ring", "stuck top ring", _CYL, "mm2", 0.5, 12.0,
              "effective gap of the top ring; the second ring still seals at three tenths of it",
              _set(top_gap_m2=lambda c, s: c.top_gap_m2 + s * 1e-6,
                   second_gap_m2=lambda c, s: c.second_gap_m2 + 0.3e-6 * s,
                   land_m3=lambda c, _s: 2.0 * c.land_m3)),
    FaultKind("scored_bore", "scored bore", _CYL, "mm2", 1.0, 30.0,
              "effective area of the score at its deepest, between 6 and 70 % of the stroke",
              _scored),
    FaultKind("exhaust_valve_leak", "leaking exhaust valve", _CYL, "mm2", 0.3, 20.0,
              "effective leak area of the closed valve",
              _set(exhaust_leak_m2=lambda c, s: c.exhaust_leak_m2 + s * 1e-6)),
    FaultKind("inlet_valve_leak", "leaking inlet valve", _CYL, "mm2", 0.3, 20.0,
              "effective leak area of the closed valve",
              _set(inlet_leak_m2=lambda c, s: c.inlet_leak_m2 + s * 1e-6)),
    FaultKind("worn_exhaust_lobe", "worn exhaust cam lobe", _CYL, "1", 0.1, 0.9,
              "share of the valve lift that is lost",
              _set(exhaust_lift_m=lambda c, s: c.exhaust_lift_m * (1.0 - s),
                   exhaust_lash_m=lambda c, s: c.exhaust_lash_m + _RAMP * s * c.exhaust_lift_m)),
    FaultKind("worn_inlet_lobe", "worn inlet cam lobe", _CYL, "1", 0.1, 0.9,
              "share of the valve lift that is lost",
              _set(inlet_lift_m=lambda c, s: c.inlet_lift_m * (1.0 - s),
                   inlet_lash_m=lambda c, s: c.inlet_lash_m + _RAMP * s * c.inlet_lift_m)),
    FaultKind("broken_exhaust_spring", "broken exhaust valve spring", _CYL, "deg", 5.0, 60.0,
              "crank degrees by which the valve closes late",
              _set(exhaust_closes_deg=lambda c, s: c.exhaust_closes_deg + s)),
    FaultKind("broken_inlet_spring", "broken inlet valve spring", _CYL, "deg", 5.0, 60.0,
              "crank degrees by which the valve closes late",
              _set(inlet_closes_deg=lambda c, s: c.inlet_closes_deg + s)),
    FaultKind("intake_leak_cylinder", "intake leak at one cylinder", _CYL, "mm2", 0.5, 20.0,
              "effective area through which air gets in at that cylinder's port",
              _set(intake_leak_m2=lambda c, s: c.intake_leak_m2 + s * 1e-6)),
    FaultKind("low_compression", "low compression ratio", _CYL, "1", 0.5, 5.0,
              "units by which the compression ratio is too low",
              _low_compression),
    FaultKind("neighbour_leak", "leak between two cylinders", _PAIR, "mm2", 0.5, 20.0,
              "effective area of the leak between the two"),
    FaultKind("valve_timing_shift", "valve timing shift", _ENG, "deg", -40.0, 40.0,
              "crank degrees by which all valves are late (negative: early)",
              change_every=_set(
                  exhaust_opens_deg=lambda c, s: c.exhaust_opens_deg + s,
                  exhaust_closes_deg=lambda c, s: c.exhaust_closes_deg + s,
                  inlet_opens_deg=lambda c, s: c.inlet_opens_deg + s,
                  inlet_closes_deg=lambda c, s: c.inlet_closes_deg + s)),
    FaultKind("worn_rings", "rings worn in every cylinder", _ENG, "mm2", 0.2, 6.0,
              "effective leak area of each cylinder to the crankcase",
              change_every=_set(ring_leak_m2=lambda c, s: c.ring_leak_m2 + s * 1e-6)),
    FaultKind("crankcase_vent_blocked", "blocked crankcase ventilation", _ENG, "1", 0.5, 0.995,
              "share of the breather and of the ventilation valve that is closed",
              change_engine=_engine(breather_m2=lambda e, s: e.breather_m2 * (1.0 - s),
                                    ventilation_m2=lambda e, s: e.ventilation_m2 * (1.0 - s))),
    FaultKind("crankcase_vent_leak", "leaking crankcase ventilation", _ENG, "mm2", 1.0, 40.0,
              "area by which the ventilation valve to the intake is too wide open",
              change_engine=_engine(ventilation_m2=lambda e, s: e.ventilation_m2 + s * 1e-6)),
    FaultKind("exhaust_restriction", "restricted exhaust", _ENG, "1", 0.5, 0.98,
              "share of the flow area of the exhaust that is closed",
              change_engine=_restricted),
    FaultKind("exhaust_leak", "exhaust leak before the sensor", _ENG, "mm2", 5.0, 400.0,
              "area of the hole in each outlet's exhaust",
              change_engine=_engine(
                  exhaust_leak_m2_engine=lambda e, s: e.exhaust_leak_m2_engine + s * 1e-6)),
    FaultKind("intake_leak_plenum", "intake leak at the plenum", _ENG, "mm2", 1.0, 20.0,
              "effective area through which air gets in behind the throttle",
              change_engine=_engine(plenum_leak_m2=lambda e, s: e.plenum_leak_m2 + s * 1e-6)),
)  # fmt: skip

FAULT_KINDS: MappingProxyType[str, FaultKind] = MappingProxyType({k.id: k for k in _KINDS})

_NUMBER = re.compile(r"^([-+]?[0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*(mm2|mm²|deg|°|%)?$")
_UNITS = {"mm2": "mm2", "mm²": "mm2", "deg": "deg", "°": "deg", "%": "%", None: None}


def _severity(text: str, kind: FaultKind, whole: str) -> float:
    match = _NUMBER.match(text.strip())
    unit = _UNITS[match.group(2)] if match else None
    fits = unit is None or unit == kind.unit or (unit == "%" and kind.unit == "1")
    if match is None or not fits:
        shown = "a share such as 0.3 or 30%" if kind.unit == "1" else f"a number in {kind.unit}"
        raise SettingError(
            f"the severity of the fault {kind.id} cannot be read",
            got=whole,
            allowed=f"{shown}: {kind.meaning}",
        )
    value = float(match.group(1)) / (100.0 if unit == "%" else 1.0)
    low = min(0.0, kind.least)
    if not low <= value <= kind.most:
        raise SettingError(
            f"the severity of the fault {kind.id} is out of range",
            got=whole,
            allowed=f"{low:g} to {kind.most:g} {kind.unit} ({kind.meaning})",
        )
    return value


def _cylinders(text: str, whole: str) -> tuple[int, ...]:
    try:
        return tuple(int(part) for part in re.split(r"[,+]", text))
    except ValueError:
        raise SettingError(
            "the cylinders of a fault cannot be read",
            got=whole,
            allowed="cylinder numbers separated by commas, or two with + for a leak between them",
        ) from None


def parse_fault(text: str) -> Fault:
    """A fault from `kind:cylinders:severity[@onset-offset s]`.

    "ring_leak:3:4mm2", "misfire:1,4:20%", "neighbour_leak:2+3:4mm2", "exhaust_restriction:0.9",
    "misfire:2:1@1.5-3s". Raises SettingError saying what is allowed.
    """
    body, _, window = text.partition("@")
    parts = [p.strip() for p in body.split(":")]
    kind = FAULT_KINDS.get(parts[0])
    if kind is None:
        raise SettingError("there is no such fault", got=text, allowed=", ".join(FAULT_KINDS))
    wanted = 2 if kind.scope == Scope.ENGINE else 3
    if len(parts) != wanted:
        form = f"{kind.id}:severity" if wanted == 2 else f"{kind.id}:cylinder:severity"
        raise SettingError("a fault has the wrong number of parts", got=text, allowed=form)
    cylinders = () if wanted == 2 else _cylinders(parts[1], text)
    onset, offset = 0.0, math.inf
    if window:
        match = re.match(r"^([0-9.]+)-([0-9.]*)s?$", window.strip())
        if match is None:
            raise SettingError(
                "the time of a fault cannot be read", got=text, allowed="@1.5-3s or @1.5-"
            )
        onset = float(match.group(1))
        offset = float(match.group(2)) if match.group(2) else math.inf
    return Fault(kind.id, cylinders, _severity(parts[-1], kind, text), onset, offset)


def check_faults(faults: tuple[Fault, ...], cylinders: int) -> None:
    """Raise SettingError when a fault names a cylinder the engine does not have."""
    for fault in faults:
        kind = FAULT_KINDS.get(fault.kind)
        if kind is None:
            raise SettingError(
                "there is no such fault", got=fault.kind, allowed=", ".join(FAULT_KINDS)
            )
        wrong = [c for c in fault.cylinders if not 1 <= c <= cylinders]
        if wrong:
            raise SettingError(
                f"the engine has no cylinder {wrong[0]}",
                got=fault.text(),
                allowed=f"cylinders 1 to {cylinders}",
            )
        if kind.scope == Scope.PAIR and len(set(fault.cylinders)) != 2:
            raise SettingError(
                "a leak between cylinders needs two of them",
                got=fault.text(),
                allowed=f"{kind.id}:2+3:4mm2",
            )
        if kind.scope == Scope.CYLINDER and not fault.cylinders:
            raise SettingError(
                f"the fault {kind.id} needs a cylinder", got=fault.text(),
                allowed=f"{kind.id}:cylinder:severity",
            )  # fmt: skip


def apply_faults(sound: SimulatedEngine, faults: tuple[Fault, ...]) -> SimulatedEngine:
    """The engine with every one of these faults in it, whatever their times."""
    check_faults(faults, len(sound.cylinders))
    cylinders, engine = list(sound.cylinders), sound.engine
    leaks = list(sound.neighbour_leaks)
    for fault in faults:
        kind = FAULT_KINDS[fault.kind]
        if kind.scope == Scope.PAIR:
            a, b = fault.cylinders
            leaks.append((a, b, fault.severity * 1e-6))
        if kind.change_engine is not None:
            engine = kind.change_engine(engine, fault.severity)
        for index in range(len(cylinders)):
            if kind.change_cylinder is not None and index + 1 in fault.cylinders:
                cylinders[index] = kind.change_cylinder(cylinders[index], engine, fault.severity)
            if kind.change_every is not None:
                cylinders[index] = kind.change_every(cylinders[index], engine, fault.severity)
    return replace(sound, cylinders=tuple(cylinders), engine=engine, neighbour_leaks=tuple(leaks))
