"""Exhaust line from the collector to the tailpipe sensor; dipstick tube and sensor hose.

Built on the travelling-wave lines of `waveguide`, whose names are passed on here. Equations:
docs/theory/gas_path.md.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray

from ringland.errors import SettingError
from ringland.simulator.waveguide import (
    AIR_GAS_CONSTANT,
    AMBIENT_PA,
    END_CORRECTION,
    MIN_DELAY_SAMPLES,
    End,
    Line,
    LineState,
    PipeSection,
    build_line,
    drive_flow,
    drive_pressure,
    exhaust_gamma,
    gas_at,
    line_arrivals,
    line_push,
    new_state,
    sound_speed_m_s,
)

__all__ = [
    "AMBIENT_PA",
    "END_CORRECTION",
    "End",
    "ExhaustPath",
    "Line",
    "LineState",
    "PipeSection",
    "Tube",
    "build_line",
    "drive_flow",
    "drive_pressure",
    "exhaust_gamma",
    "exhaust_line",
    "line_arrivals",
    "line_push",
    "new_state",
    "sound_speed_m_s",
    "tailpipe_pressure",
    "tube_pressure",
]

Array = NDArray[np.float64]

_MIN_RATE_HZ = 20_000.0


@dataclass(frozen=True)
class ExhaustPath:
    """From the collector of one outlet to the open air.

    `sensor_inside_m`: how far inside the outlet the pressure is taken. `cooling_length_m`: distance
    in which the gas gives up 63 % of its excess over ambient. `primary_lengths_m`: port to
    collector, one per firing position on this outlet in firing order (only differences matter to
    what is heard; empty: equal). `losses` False switches attenuation off (for comparison with
    closed forms).
    """

    sections: tuple[PipeSection, ...]
    collector_volume_m3: float = 1.0e-3
    sensor_inside_m: float = 0.10
    cooling_length_m: float = math.inf
    ambient_k: float = 293.0
    ambient_pa: float = AMBIENT_PA
    primary_lengths_m: tuple[float, ...] = ()
    losses: bool = True
    end: End = End.RADIATING

    def __post_init__(self) -> None:
        if not self.sections:
            raise SettingError(
                "an exhaust path has no pipe", allowed="at least one section", remedy="add a pipe"
            )
        if not 0.0 <= self.sensor_inside_m < self.length_m:
            raise SettingError(
                "the tailpipe sensor is not inside the pipe",
                got=f"{self.sensor_inside_m} m inside the outlet of a {self.length_m} m path",
                allowed="0 up to the length of the path",
            )

    @property
    def length_m(self) -> float:
        """Collector to outlet."""
        return sum(s.length_m for s in self.sections)


@dataclass(frozen=True)
class Tube:
    """A narrow tube from a gas space to a sensor: dipstick tube, filler adaptor, sensor hose.

    `dead_volume_m3`: what the sensor adds at the far end. `end` RADIATING: the tube is left open.
    """

    length_m: float
    diameter_m: float
    dead_volume_m3: float = 0.2e-6
    temperature_k: float = 330.0
    end: End = End.VOLUME
    losses: bool = True


def _cooled(path: ExhaustPath, temperature_k: float) -> tuple[PipeSection, ...]:
    """Sections with a temperature each: at mid-length, falling exponentially towards ambient."""
    done, cooled = 0.0, []
    for section in path.sections:
        middle = done + section.length_m / 2.0
        excess = (temperature_k - path.ambient_k) * math.exp(-middle / path.cooling_length_m)
        own = section.temperature_k or path.ambient_k + excess
        cooled.append(replace(section, temperature_k=own))
        done += section.length_m
    return tuple(cooled)


def _split_at_sensor(
    sections: tuple[PipeSection, ...], inside_m: float
) -> tuple[tuple[PipeSection, ...], int]:
    """Put a joint where the sensor is; returns the sections and the index before that joint."""
    if inside_m == 0.0:
        return sections, len(sections) - 1
    remaining = inside_m
    for i in range(len(sections) - 1, -1, -1):
        section = sections[i]
        if math.isclose(remaining, section.length_m) and i > 0:
            return sections, i - 1
        if remaining < section.length_m:
            head = replace(
                section,
                length_m=section.length_m - remaining,
                resistance_pa_s_m3=0.0,
                hole_diameter_m=0.0,
            )
            tail = replace(section, length_m=remaining)
            return (*sections[:i], head, tail, *sections[i + 1 :]), i
        remaining -= section.length_m
    raise SettingError(
        "the tailpipe sensor is not inside the pipe",
        got=f"{inside_m} m inside the outlet",
        allowed="less than the length of the path",
    )


def exhaust_line(
    path: ExhaustPath, temperature_k: float, rate_hz: float
) -> tuple[Line, int, int, float]:
    """The line of a path for gas leaving the collector at `temperature_k`.

    Returns (line, station, factor, compliance): the line runs at `factor` * `rate_hz`, the sensor
    is after section `station`, and `compliance` is that of the collector, m3/Pa.
    """
    sections, station = _split_at_sensor(_cooled(path, temperature_k), path.sensor_inside_m)
    shortest_s = min(
        s.length_m / sound_speed_m_s(s.temperature_k or temperature_k) for s in sections
    )
    needed = max(_MIN_RATE_HZ, 1.001 * MIN_DELAY_SAMPLES / shortest_s)
    factor = max(1, math.ceil(needed / rate_hz))
    line = build_line(
        sections,
        factor * rate_hz,
        temperature_k=temperature_k,
        losses=path.losses,
        end=path.end,
        ambient_pa=path.ambient_pa,
    )
    compliance = path.collector_volume_m3 / (exhaust_gamma(temperature_k) * path.ambient_pa)
    return line, station, factor, compliance


@njit(cache=True, error_model="numpy")
def _finer(values: Array, factor: int) -> Array:
    """Third-order interpolation onto a grid `factor` times finer, up to the last value."""
    count = values.shape[0]
    out = np.empty((count - 1) * factor + 1)
    for k in range(count - 1):
        first, last = max(k - 1, 0), min(k + 2, count - 1)
        a, b, c, d = values[first], values[k], values[k + 1], values[last]
        for j in range(factor):
            t = j / factor
            out[k * factor + j] = (
                -t * (t - 1.0) * (t - 2.0) / 6.0 * a
                + (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0 * b
                - (t + 1.0) * t * (t - 2.0) / 2.0 * c
                + (t + 1.0) * t * (t - 1.0) / 6.0 * d
            )
    out[(count - 1) * factor] = values[count - 1]
    return out


def tailpipe_pressure(
    flow_kg_s: Array, temperature_k: float, rate_hz: float, path: ExhaustPath
) -> Array:
    """Gauge pressure, Pa, at the tailpipe sensor for a mass flow into the collector.

    `flow_kg_s` (n,) at `rate_hz`; `temperature_k` of the gas in the collector. One way: the flow is
    given and the pipe does not act back on the valves. The line starts at rest, so the first few
    round trips (some tens of milliseconds) are settling.
    """
    flow = np.ascontiguousarray(flow_kg_s, dtype=np.float64)
    line, station, factor, compliance = exhaust_line(path, temperature_k, rate_hz)
    density = gas_at(temperature_k, path.ambient_pa, burned=True).density_kg_m3
    _, heard = drive_flow(
        line, new_state(line), _finer(flow, factor) / density, compliance, station
    )
    return np.ascontiguousarray(heard[::factor])


def tube_pressure(pressure_pa: Array, rate_hz: float, tube: Tube) -> Array:
    """Gauge pressure, Pa, at the sensor end of a tube when `pressure_pa` (gauge) acts at its mouth.

    The mouth takes the inner end correction of a flanged opening, 0.8217 radii (Norris and Sheng
    1989, from memory). A tube left open (`End.RADIATING`) is heard in its middle.
    """
    pressure = np.ascontiguousarray(pressure_pa, dtype=np.float64)
    length = tube.length_m + 0.8217 * tube.diameter_m / 2.0
    half = PipeSection(length / 2.0, tube.diameter_m, "tube", temperature_k=tube.temperature_k)
    travel_s = half.length_m / sound_speed_m_s(tube.temperature_k, 1.40, AIR_GAS_CONSTANT)
    needed = max(_MIN_RATE_HZ, 1.001 * MIN_DELAY_SAMPLES / travel_s)
    factor = max(1, math.ceil(needed / rate_hz))
    line = build_line(
        (half, half),
        factor * rate_hz,
        temperature_k=tube.temperature_k,
        burned=False,
        losses=tube.losses,
        end=tube.end,
        end_volume_m3=tube.dead_volume_m3,
    )
    station = 0 if tube.end is End.RADIATING else 1
    heard = drive_pressure(line, new_state(line), _finer(pressure, factor), station)
    return np.ascontiguousarray(heard[::factor])
