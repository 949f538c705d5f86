"""From an engine and a condition to the whole hook-up plan."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from ringland.errors import SettingError
from ringland.instruments.plan import numbers
from ringland.instruments.plan.types import (
    CrankingLimits,
    HookUpPlan,
    Phase,
    PlannedChannel,
    PlannedRun,
    PlanStep,
    PrecisionPoint,
)
from ringland.model import ChannelRole, Condition, EngineSpec, Fuel

__all__ = ["CRANKING", "HELD_RPM", "make_plan"]

HELD_RPM = 1500.0
CRANKING = CrankingLimits(longest_s=10.0, rest_s=60.0, attempts=3)

_CRANKING_RPM = 200.0
_IDLE_RPM = 750.0
_SNAP_RATIO = 4.0
_SNAP_S = 10.0
_SHORTEST_S = 10.0
"""Ten seconds: below it the zero line's wandering and AC coupling cannot be judged."""
_LONGEST_S = 120.0
_HARMONICS = 10.0
_LEAST_BANDWIDTH_HZ = 1000.0
_TRIGGER_BANDWIDTH_HZ = 4000.0
_TRIGGER_DEG = 0.5
_TEETH = 60
_SAMPLES_PER_TOOTH = 10.0
_CURVE_CYCLES = (5, 10, 20, 50, 100, 200, 500)
_SAMPLE_BYTES = 4
_ORDER = (Condition.IDLE, Condition.HELD, Condition.SNAP, Condition.CRANKING)
_RUN_WHY = {
    Condition.IDLE: "first: what the engine does by itself, and the check of the hook-up",
    Condition.HELD: "shows what idle hides, and a second speed tells which pulse is whose",
    Condition.SNAP: "short and hard on the engine: only when idle and held speed are in the box",
    Condition.CRANKING: "last: fuel is off, codes may be set, the battery is drained",
}
_OPTIONAL = frozenset({ChannelRole.INTAKE, ChannelRole.CRANK_TOOTH, ChannelRole.IGNITION})


@dataclass(frozen=True)
class _Speed:
    rpm: float
    top_rpm: float
    source: str


def make_plan(
    engine: EngineSpec,
    condition: Condition = Condition.IDLE,
    *,
    speed_rpm: float | None = None,
    half_width: float = 0.05,
) -> HookUpPlan:
    """The plan for one engine; `condition` is the recording the rate and the curve are for.

    `half_width`: half of the 90 % interval wanted for one cylinder's strength, as a share of 1.
    Raises SettingError for a speed or precision that cannot be planned.
    """
    if condition is Condition.UNKNOWN:
        raise SettingError(
            "A plan needs to know how the engine will be run.",
            allowed="idle, held, cranking or snap",
            remedy="Say it with --condition.",
        )
    if speed_rpm is not None and not 10.0 <= speed_rpm <= 20_000.0:
        raise SettingError(
            "The speed cannot be planned for.", got=f"{speed_rpm:g} rpm", allowed="10 to 20000 rpm"
        )
    wanted = numbers.cycles_for(half_width)
    speed = _speed(engine, condition, speed_rpm)
    channels = _channels(engine, condition, speed)
    rate = numbers.round_rate_hz(max(c.least_rate_hz for c in channels))
    runs = tuple(
        _run(engine, c, wanted, chosen=c is condition,
             speed=speed if c is condition else _speed(engine, c, None))
        for c in _ORDER
    )  # fmt: skip
    cycle_hz = numbers.cycle_rate_hz(engine, speed.rpm)
    duration = next(r.duration_s for r in runs if r.chosen)
    return HookUpPlan(
        engine=engine,
        condition=condition,
        speed_rpm=speed.rpm,
        speed_from=speed.source,
        cycle_rate_hz=cycle_hz,
        firing_rate_hz=cycle_hz * engine.cylinders,
        channels=channels,
        rate_hz=rate,
        duration_s=duration,
        wanted_half_width=half_width,
        bytes_expected=round(rate * duration * len(channels) * _SAMPLE_BYTES),
        runs=runs,
        curve=tuple(_point(engine, m, cycle_hz) for m in _CURVE_CYCLES),
        steps=_steps(engine, channels, runs),
        cranking=CRANKING,
        notes=_notes(engine, condition, duration * cycle_hz, wanted),
    )


def _speed(engine: EngineSpec, condition: Condition, given: float | None) -> _Speed:
    idle = engine.idle_speed_rpm
    if condition is Condition.CRANKING:
        rpm, why = _CRANKING_RPM, "usual cranking speed (common practice, no source)"
    elif condition is Condition.HELD:
        rpm, why = HELD_RPM, "the usual held speed"
        if idle is not None and idle >= HELD_RPM / 1.2:
            rpm, why = 2.0 * idle, "twice the idle speed of this engine"
    elif idle is not None:
        rpm, why = idle, "idle speed of the engine description"
    else:
        rpm, why = _IDLE_RPM, "usual idle speed (common practice, no source)"
    if given is not None:
        rpm, why = given, "given"
    top = rpm * (_SNAP_RATIO if condition is Condition.SNAP else 1.2)
    return _Speed(rpm, top, why)


def _run(
    engine: EngineSpec, condition: Condition, wanted: int, *, chosen: bool, speed: _Speed
) -> PlannedRun:
    cycle_hz = numbers.cycle_rate_hz(engine, speed.rpm)
    if condition is Condition.CRANKING:
        duration = CRANKING.longest_s
    elif condition is Condition.SNAP:
        duration = _SNAP_S
    else:
        duration = min(_LONGEST_S, max(_SHORTEST_S, float(-(-wanted // cycle_hz))))
    rate = numbers.round_rate_hz(max(c.least_rate_hz for c in _channels(engine, condition, speed)))
    return PlannedRun(
        condition, speed.rpm, duration, duration * cycle_hz, rate, chosen, _RUN_WHY[condition]
    )


def _point(engine: EngineSpec, cycles: int, cycle_hz: float) -> PrecisionPoint:
    return PrecisionPoint(
        cycles=cycles,
        seconds=cycles / cycle_hz,
        half_width=numbers.half_width(cycles),
        smallest_fault=numbers.smallest_fault(cycles, engine.cylinders),
        misfire_rate=numbers.upper_rate_when_none(cycles),
    )


def _channels(
    engine: EngineSpec, condition: Condition, speed: _Speed
) -> tuple[PlannedChannel, ...]:
    """Sensors in the order they are hooked up, each with the rate it needs alone."""
    roles = [ChannelRole.EXHAUST]
    if engine.outlet_count > 1:
        roles.append(ChannelRole.EXHAUST_2)
    roles.append(ChannelRole.CRANKCASE)
    if condition is Condition.CRANKING:
        roles.append(ChannelRole.STARTER_CURRENT)
    else:
        roles.append(ChannelRole.IGNITION)
    if engine.fuel is not Fuel.DIESEL:
        roles.append(ChannelRole.INTAKE)
    return tuple(_channel(role, engine, speed) for role in roles)


def _channel(role: ChannelRole, engine: EngineSpec, speed: _Speed) -> PlannedChannel:
    words = next(c for c in _words()["channel"] if c["role"] == role.value)
    firing = numbers.cycle_rate_hz(engine, speed.top_rpm) * engine.cylinders
    bandwidth = max(_HARMONICS * firing, _LEAST_BANDWIDTH_HZ)
    rate = numbers.rate_for_bandwidth_hz(bandwidth)
    why = f"{_HARMONICS:.0f} multiples of the firing rate, at least {_LEAST_BANDWIDTH_HZ:.0f} Hz"
    if role is ChannelRole.IGNITION:
        bandwidth = _TRIGGER_BANDWIDTH_HZ
        by_angle = numbers.angle_rate_hz(speed.top_rpm, _TRIGGER_DEG)
        rate = max(by_angle, numbers.rate_for_bandwidth_hz(bandwidth))
        why = f"{_TRIGGER_DEG:g} degree of crank per sample, and a pulse a quarter of a ms long"
    elif role is ChannelRole.CRANK_TOOTH:
        bandwidth = _SAMPLES_PER_TOOTH / 2.56 * speed.top_rpm * _TEETH / 60.0
        rate = _SAMPLES_PER_TOOTH * speed.top_rpm * _TEETH / 60.0
        why = f"{_SAMPLES_PER_TOOTH:.0f} samples per tooth of a wheel with {_TEETH}"
    return PlannedChannel(
        role=role,
        where=_where(role, engine),
        sensor=words["sensor"],
        range_text=words["range_text"],
        bandwidth_hz=bandwidth,
        least_rate_hz=rate,
        why=why,
        optional=role in _OPTIONAL,
    )


def _where(role: ChannelRole, engine: EngineSpec) -> str:
    if role is ChannelRole.EXHAUST:
        return _outlet_words(engine, 0)
    if role is ChannelRole.EXHAUST_2:
        return _outlet_words(engine, 1)
    if role is ChannelRole.IGNITION:
        return _trigger_words(engine)
    return {
        ChannelRole.CRANKCASE: "the dipstick tube, or the oil filler",
        ChannelRole.INTAKE: "a vacuum nipple behind the throttle",
        ChannelRole.STARTER_CURRENT: "the battery lead to the starter",
        ChannelRole.CRANK_TOOTH: "the crank sensor's plug",
    }[role]


def _outlet_words(engine: EngineSpec, index: int) -> str:
    if engine.outlet_count == 1:
        return "the tailpipe"
    outlets = sorted(set(engine.outlets))
    fed = [c for c in range(1, engine.cylinders + 1) if engine.outlets[c - 1] == outlets[index]]
    return f"the tailpipe of outlet {outlets[index]} (cylinders {', '.join(map(str, fed))})"


def _trigger_words(engine: EngineSpec) -> str:
    if engine.trigger_cylinder is not None:
        return f"cylinder {engine.trigger_cylinder}"
    first = 1 if 1 in engine.firing_order else engine.firing_order[0]
    return f"cylinder {first} (write trigger_cylinder = {first} into the engine file)"


def _steps(
    engine: EngineSpec, channels: tuple[PlannedChannel, ...], runs: tuple[PlannedRun, ...]
) -> tuple[PlanStep, ...]:
    roles = {c.role.value for c in channels} | {ChannelRole.STARTER_CURRENT.value}
    duration = {r.condition: f"{r.duration_s:.0f}" for r in runs}
    held = next(r for r in runs if r.condition is Condition.HELD)
    fill = {
        "outlets": _outlet_words(engine, 0),
        "second_outlet": _outlet_words(engine, 1) if engine.outlet_count > 1 else "",
        "trigger": _trigger_words(engine),
        "trigger_pulses": _pulse_words(engine),
        "idle_s": duration[Condition.IDLE],
        "held_s": duration[Condition.HELD],
        "held_rpm": f"{held.speed_rpm:.0f}",
        "crank_s": f"{CRANKING.longest_s:.0f}",
        "rest_s": f"{CRANKING.rest_s:.0f}",
        "attempts": str(CRANKING.attempts),
    }
    steps = []
    for step in _words()["step"]:
        if step.get("channels") and not roles & set(step["channels"]):
            continue
        if step.get("fuels") and engine.fuel.value not in step["fuels"]:
            continue
        text = step["text"].format_map(fill).strip()
        steps.append(PlanStep(Phase(step["phase"]), text, tuple(step.get("cautions", ()))))
    return tuple(steps)


def _pulse_words(engine: EngineSpec) -> str:
    if engine.trigger_pulses_per_cycle == 2:
        return (
            "It will pulse twice per cycle (wasted spark): that fixes the turn, not the cylinder."
        )
    if engine.strokes == 4 and engine.fuel is not Fuel.DIESEL:
        return (
            "Wasted-spark coils pulse twice per cycle: write trigger_pulses_per_cycle = 2 in the "
            "engine description."
        )
    return ""


def _notes(engine: EngineSpec, condition: Condition, cycles: float, wanted: int) -> tuple[str, ...]:
    notes = []
    if engine.idle_speed_rpm is None:
        notes.append("The engine file does not give idle_speed_rpm; 750 rpm is taken.")
    if engine.outlet_count > 2:
        notes.append(
            f"The engine has {engine.outlet_count} outlets; two can be recorded at once. Record "
            "the others in a second round."
        )
    if engine.trigger_cylinder is None:
        notes.append("Without a trigger a cylinder has a firing position and no number.")
    if cycles < wanted and condition in (Condition.CRANKING, Condition.SNAP):
        notes.append(
            f"{cycles:.1f} cycles are fewer than the {wanted} that the precision asked for needs: "
            "record again after the rest, the runs are judged one by one."
        )
    return tuple(notes)


@cache
def _words() -> Mapping[str, Any]:
    import tomllib

    text = files("ringland.instruments.plan").joinpath("words.toml").read_text("utf-8")
    return tomllib.loads(text)
