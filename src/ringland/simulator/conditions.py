"""How the engine is run: commands against time for each condition."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from ringland.errors import SettingError
from ringland.model._arrays import FloatArray
from ringland.model.recording import Condition
from ringland.simulator import layout as at

__all__ = ["RunCondition", "RunPlan", "run_condition", "run_plan"]


class RunCondition(StrEnum):
    """How the engine is run. The first four are those a recording can claim."""

    IDLE = "idle"
    HELD = "held"
    CRANKING = "cranking"
    SNAP = "snap"
    RUN_UP = "run_up"
    COAST_DOWN = "coast_down"

    @property
    def recorded_as(self) -> Condition:
        """The condition a technician would write down."""
        known = {c.value for c in Condition}
        return Condition(self.value) if self.value in known else Condition.UNKNOWN


def run_condition(name: str) -> RunCondition:
    """The condition of this name. Raises SettingError naming the ones there are."""
    try:
        return RunCondition(name)
    except ValueError:
        raise SettingError(
            "the simulator has no such condition",
            got=name,
            allowed=", ".join(c.value for c in RunCondition),
        ) from None


@dataclass(frozen=True, eq=False)
class RunPlan:
    """Commands, one row per output sample (columns in layout.py), the settling time included.

    `settle_s` is run before the recording starts. `top_rpm` sets the step.
    """

    commands: FloatArray
    settle_s: float
    initial_rpm: float
    top_rpm: float


def run_plan(
    condition: RunCondition,
    *,
    seconds: float,
    rate_hz: float,
    idle_rpm: float,
    held_rpm: float | None = None,
    load_nm: float = 0.0,
    settle_s: float | None = None,
) -> RunPlan:
    """The commands for one condition.

    held: speed control at `held_rpm` (default 1500). cranking: starter on, ignition or fuel off,
    begun from rest 1.2 s before the recording. snap: from idle the throttle is thrown open at 20 %
    of the recording for 0.5 s, then idle control has it back. run_up: the speed asked for rises
    from idle to `held_rpm` (default 2500). coast_down: fuel off and throttle closed from
    `held_rpm` (default 2000) at 20 %. Raises SettingError for a duration that is not positive.
    """
    if seconds <= 0.0:
        raise SettingError("the simulated time must be positive", got=f"{seconds} s")
    if settle_s is None:
        settle_s = 1.2 if condition is RunCondition.CRANKING else 3.0
    before = round(settle_s * rate_hz)
    n = before + round(seconds * rate_hz)
    time = (np.arange(n) - before) / rate_hz
    commands = np.zeros((n, 5))
    commands[:, at.TARGET_RPM] = idle_rpm
    commands[:, at.THROTTLE_SHARE] = -1.0
    commands[:, at.COMBUSTION_ON] = 1.0
    commands[:, at.LOAD_NM] = load_nm
    initial, top = idle_rpm, 1.25 * idle_rpm
    if condition is RunCondition.HELD:
        initial = held_rpm or 1500.0
        commands[:, at.TARGET_RPM] = initial
        top = 1.1 * initial
    elif condition is RunCondition.CRANKING:
        commands[:, at.COMBUSTION_ON] = 0.0
        commands[:, at.STARTER_ON] = 1.0
        commands[:, at.THROTTLE_SHARE] = 0.05
        initial, top = 0.0, 400.0
    elif condition is RunCondition.SNAP:
        opened = 0.2 * seconds
        commands[:, at.THROTTLE_SHARE] = np.where(
            (time >= opened) & (time < opened + 0.5), np.clip((time - opened) / 0.1, 0, 1), -1.0
        )
        top = 5.0 * idle_rpm
    elif condition is RunCondition.RUN_UP:
        top = held_rpm or 2500.0
        rise = np.clip((time - 0.1 * seconds) / (0.7 * seconds), 0.0, 1.0)
        commands[:, at.TARGET_RPM] = idle_rpm + rise * (top - idle_rpm)
        top *= 1.1
    elif condition is RunCondition.COAST_DOWN:
        initial = held_rpm or 2000.0
        commands[:, at.TARGET_RPM] = initial
        off = time >= 0.2 * seconds
        commands[off, at.COMBUSTION_ON] = 0.0
        commands[off, at.THROTTLE_SHARE] = 0.005
        top = 1.1 * initial
    return RunPlan(commands, settle_s, initial, top)
