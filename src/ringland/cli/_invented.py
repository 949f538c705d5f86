"""An invented recording for the demonstration. Shapes only: no physics is claimed for it."""

from importlib.resources import files
from pathlib import Path

import numpy as np

from ringland.model._arrays import FloatArray

__all__ = ["SCENARIO", "WEAK_CYLINDER", "write_invented"]

SCENARIO = (
    "INVENTED DATA. Marrow Valley Transit, a rural bus and van operator that does not exist, has "
    "a minibus whose four-cylinder petrol engine shakes at idle. The recording was made up, with "
    "cylinder 3 weaker than the others; see whether it is found."
)
WEAK_CYLINDER = 3
ENGINE = "minibus.toml"
FIRING_ORDER = (1, 3, 4, 2)
TRIGGER_ADVANCE_DEG = 10.0
RATE_HZ = 5000.0
DURATION_S = 12.0
SPEED_RPM = 780.0
OPENING_DEG = 130.0
DELAY_S = 0.006


def write_invented(folder: Path) -> tuple[Path, Path]:
    """Write recording.csv and engine.toml; returns their paths. Raises OSError."""
    recording, engine = folder / "recording.csv", folder / "engine.toml"
    with recording.open("w", encoding="ascii", newline="\n") as file:
        file.write("time,exhaust,crankcase,ignition\ns,V,V,V\n")
        np.savetxt(
            file, np.column_stack(_columns()), fmt=("%.4f", "%.5f", "%.5f", "%.3f"), delimiter=","
        )
    described = files("ringland").joinpath("data", "demo", ENGINE).read_text("utf-8")
    engine.write_text(described, encoding="utf-8", newline="\n")
    return recording, engine


def _columns() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Time in seconds, and exhaust, crankcase and ignition in volts, each (n,)."""
    random = np.random.default_rng(20260711)
    time_s = np.arange(round(RATE_HZ * DURATION_S)) / RATE_HZ
    wander = 0.012 * np.sin(2 * np.pi * 0.31 * time_s) + 0.006 * np.sin(2 * np.pi * 0.83 * time_s)
    angle_deg = np.cumsum(SPEED_RPM * 6.0 * (1.0 + wander)) / RATE_HZ
    heard_deg = np.interp(time_s - DELAY_S, time_s, angle_deg)
    cycles = int(angle_deg[-1] // 720) + 2
    exhaust = np.zeros_like(time_s)
    crankcase = np.zeros_like(time_s)
    for position, cylinder in enumerate(FIRING_ORDER):
        strength = 0.62 if cylinder == WEAK_CYLINDER else 1.0
        fires_deg = 720.0 * position / len(FIRING_ORDER)
        per_cycle = strength * (1.0 + 0.04 * random.standard_normal(cycles))
        exhaust += _pulse(heard_deg - fires_deg - OPENING_DEG, per_cycle)
        crankcase += 0.02 * np.cos(np.radians(2 * (angle_deg - fires_deg)))
        crankcase += 0.01 * strength * _pulse(angle_deg - fires_deg + 10.0, np.ones(cycles))
    ignition = np.where((angle_deg + TRIGGER_ADVANCE_DEG) % 720.0 < 8.0, 5.0, 0.0)
    exhaust += 0.02 * random.standard_normal(time_s.size)
    crankcase += 0.004 * random.standard_normal(time_s.size)
    return time_s, exhaust - exhaust.mean(), crankcase, ignition


def _pulse(after_deg: FloatArray, per_cycle: FloatArray) -> FloatArray:
    """A sharp rise and a slower fall after each multiple of 720 deg, sized cycle by cycle."""
    cycle = np.clip(np.floor(after_deg / 720.0).astype(int) + 1, 0, len(per_cycle) - 1)
    within = after_deg % 720.0
    rise = np.exp(1.0 - within / 22.0) * within / 22.0
    rebound = 0.25 * np.exp(-(((within - 110.0) / 35.0) ** 2))
    sized: FloatArray = per_cycle[cycle] * (rise - rebound)
    return sized
