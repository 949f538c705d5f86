"""When the tailpipe should hear a cylinder's blow-down, as far as the engine is described."""

import math
from dataclasses import dataclass

from ringland.model.engine import EngineSpec

__all__ = ["ArrivalPrior", "arrival_prior"]

# Exhaust opening 40 to 60 deg before bottom dead centre is usual (Heywood, Internal Combustion
# Engine Fundamentals, sec. 6.2; from memory); two-stroke ports open earlier. The blow-down, or the
# suction in its place, is at its height some 30 deg later (own heuristic, simulated engines).
_OPENS_DEG, _OPENS_SD_DEG = 133.0, 8.0
_OPENS_TWO_STROKE_DEG, _OPENS_TWO_STROKE_SD_DEG = 95.0, 10.0
_DESCRIBED_SD_DEG = 4.0
_HEIGHT_DEG = 32.0
_FIND_SD_DEG = 8.0  # how well the height of the event marks the arrival
# Paths of 1.5 to 6 m and gas at 350 to 800 K (375 to 560 m/s), uniform over both.
_DELAY_S, _DELAY_SD_S = 0.0087, 0.0032
_SPEED_OF_SOUND_M_S, _SPEED_SD_SHARE = 450.0, 0.13


@dataclass(frozen=True)
class ArrivalPrior:
    """Crank degrees after firing top dead centre: `opens_deg` the exhaust opening, `rise_deg` when
    its pulse should begin at the sensor, `height_deg` when the blow-down should be at its height
    there, `sd_deg` the standard deviation of that; `height_at_valve_deg` the same without path."""

    opens_deg: float
    rise_deg: float
    height_deg: float
    height_at_valve_deg: float
    sd_deg: float


def arrival_prior(engine: EngineSpec, speed_rpm: float) -> ArrivalPrior:
    """Expected arrival at one speed; see docs/theory/path_delay.md, equations (1) and (2)."""
    if engine.valve_timing is not None:
        opens, opens_sd = engine.valve_timing.exhaust_opens_deg, _DESCRIBED_SD_DEG
    elif engine.strokes == 2:
        opens, opens_sd = _OPENS_TWO_STROKE_DEG, _OPENS_TWO_STROKE_SD_DEG
    else:
        opens, opens_sd = _OPENS_DEG, _OPENS_SD_DEG
    delay_s, delay_sd_s = _DELAY_S, _DELAY_SD_S
    if engine.exhaust_path_m is not None:
        delay_s = engine.exhaust_path_m / _SPEED_OF_SOUND_M_S
        delay_sd_s = delay_s * _SPEED_SD_SHARE
    turn = 6.0 * speed_rpm
    return ArrivalPrior(
        opens,
        opens + turn * delay_s,
        opens + _HEIGHT_DEG + turn * delay_s,
        opens + _HEIGHT_DEG,
        math.sqrt(opens_sd**2 + _FIND_SD_DEG**2 + (turn * delay_sd_s) ** 2),
    )
