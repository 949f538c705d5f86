"""What a simulated engine is when its description does not say.

Usual values of the trade for that kind of engine, scaled with its size (common practice, no
source). Names and units are those of the fields in parameters.py.
"""

import math
from dataclasses import dataclass, replace

from ringland.errors import EngineError
from ringland.model.engine import Aspiration, EngineSpec, Fuel, Geometry, ValveTiming
from ringland.simulator.kinematics import crank_radius_m

__all__ = ["Size", "cylinder_values", "engine_values", "size_of"]


@dataclass(frozen=True)
class Size:
    """What everything else is scaled with. `swept_m3` of one cylinder, `total_m3` of all."""

    geometry: Geometry
    diesel: bool
    swept_m3: float
    total_m3: float
    idle_rpm: float

    @property
    def of_two_litres(self) -> float:
        """Displacement over 2 L."""
        return self.total_m3 / 2e-3


def size_of(spec: EngineSpec) -> Size:
    """Geometry as described, else of the displacement described, else 0.5 L (petrol) or 1 L
    (diesel) per cylinder.

    Raises EngineError for geometry that cannot turn.
    """
    diesel = spec.fuel is Fuel.DIESEL
    geometry = spec.geometry
    if geometry is None:
        geometry = (
            Geometry(bore_m=0.104, stroke_m=0.118, rod_m=0.19, compression_ratio=17.5)
            if diesel
            else Geometry(bore_m=0.086, stroke_m=0.086, rod_m=0.143, compression_ratio=10.0)
        )
        if spec.displacement_m3 is not None:
            geometry = _scaled(geometry, spec.displacement_m3 / spec.cylinders)
    if geometry.rod_m <= geometry.stroke_m / 2 + abs(geometry.pin_offset_m):
        raise EngineError(
            "the connecting rod is too short for this stroke",
            got=f"rod {geometry.rod_m} m, stroke {geometry.stroke_m} m",
            allowed="a rod longer than half the stroke plus the pin offset",
            remedy="check the geometry in the engine description (lengths in m)",
        )
    if geometry.compression_ratio <= 1.0:
        raise EngineError(
            "the compression ratio must be above 1", got=str(geometry.compression_ratio)
        )
    swept = math.pi / 4 * geometry.bore_m**2 * geometry.stroke_m
    idle = spec.idle_speed_rpm or (700.0 if diesel else 750.0)
    return Size(geometry, diesel, swept, swept * spec.cylinders, idle)


def _scaled(geometry: Geometry, swept_m3: float) -> Geometry:
    """The same shape with this swept volume of one cylinder."""
    usual = math.pi / 4 * geometry.bore_m**2 * geometry.stroke_m
    factor = (swept_m3 / usual) ** (1.0 / 3.0)
    return replace(
        geometry,
        bore_m=geometry.bore_m * factor,
        stroke_m=geometry.stroke_m * factor,
        rod_m=geometry.rod_m * factor,
    )


def _timing(spec: EngineSpec, diesel: bool) -> ValveTiming:
    """Valve events; a two-stroke is taken as blown through ports with exhaust valves."""
    if spec.valve_timing is not None:
        return spec.valve_timing
    if spec.strokes == 2:
        return ValveTiming(95.0, 240.0, 122.0, 238.0)
    if diesel:
        return ValveTiming(130.0, 370.0, 350.0, 588.0)
    return ValveTiming(130.0, 374.0, 344.0, 616.0)


def cylinder_values(spec: EngineSpec, size: Size) -> dict[str, float]:
    """Fields of CylinderParameters that are alike in every cylinder."""
    timing, bore, diesel = _timing(spec, size.diesel), size.geometry.bore_m, size.diesel
    scale = bore / 0.086
    values = {
        "clearance_m3": size.swept_m3 / (size.geometry.compression_ratio - 1.0),
        "exhaust_opens_deg": timing.exhaust_opens_deg,
        "exhaust_closes_deg": timing.exhaust_closes_deg,
        "inlet_opens_deg": timing.inlet_opens_deg,
        "inlet_closes_deg": timing.inlet_closes_deg,
        "exhaust_lift_m": 0.098 * bore,
        "inlet_lift_m": 0.105 * bore,
        "top_gap_m2": (0.12e-6 if diesel else 0.35e-6) * scale,
        "second_gap_m2": (0.16e-6 if diesel else 0.45e-6) * scale,
        "land_m3": 0.4e-6 * scale**2,
        "score_to_m": size.geometry.stroke_m,
        "burn_start_deg": 1.0 if diesel else -3.0,
        "burn_duration_deg": 45.0 if diesel else 60.0,
        "burn_form": 1.0 if diesel else 2.0,
    }
    if diesel:
        values |= {"premixed_share": 0.55, "premixed_duration_deg": 12.0}
    return values


def engine_values(spec: EngineSpec, size: Size) -> dict[str, float]:
    """Every field of EngineParameters."""
    return {
        **_mechanics(spec, size),
        **_gas_spaces(spec, size),
        **_burning(size),
        **_control(spec, size),
        **_starter(size),
    }


def _friction_pa(size: Size) -> tuple[float, float, float]:
    """Constant, linear and square part of the friction pressure against speed in rpm."""
    return (1.10e5 if size.diesel else 0.95e5), 15.0, 5.0e-3


def _mechanics(spec: EngineSpec, size: Size) -> dict[str, float]:
    g, bore = size.geometry, size.geometry.bore_m
    constant, linear, square = _friction_pa(size)
    return {
        "cycle_deg": spec.cycle_deg,
        "bore_m": bore,
        "crank_radius_m": crank_radius_m(g.stroke_m, g.rod_m, g.pin_offset_m),
        "rod_m": g.rod_m,
        "pin_offset_m": g.pin_offset_m,
        "piston_area_m2": math.pi / 4 * bore**2,
        "swept_m3": size.swept_m3,
        "reciprocating_kg": (0.75 if size.diesel else 0.5) * (bore / 0.086) ** 3,
        "inertia_kg_m2": (0.50 if size.diesel else 0.32) * size.of_two_litres,
        "friction_pa": constant,
        "friction_per_rpm_pa": linear,
        "friction_per_rpm2_pa": square,
        "exhaust_valve_m": 0.31 * bore,
        "exhaust_valves": 2.0,
        "inlet_valve_m": 0.36 * bore,
        "inlet_valves": 2.0,
    }


def _gas_spaces(spec: EngineSpec, size: Size) -> dict[str, float]:
    turbo = spec.aspiration is Aspiration.TURBO
    blown = spec.strokes == 2  # a two-stroke is scavenged by a blower, unthrottled
    outlets, scale, total = spec.outlet_count, size.of_two_litres, size.total_m3
    return {
        "plenum_m3": 1.5 * total,
        "supply_pa": 118e3 if blown else (103e3 if turbo else 101325.0),
        "supply_k": 310.0 if turbo or blown else 298.15,
        "plenum_leak_m2": 0.0,
        "crankcase_m3": 3.0 * total,
        "breather_m2": (60e-6 if size.diesel else 25e-6) * scale,
        "ventilation_m2": 0.0 if size.diesel else 1.6e-6 * scale,
        "crankcase_wall_k": 360.0,
        "crankcase_w_k": 10.0 * scale,
        "collector_m3": 1.0 * total / outlets,
        "turbine_m2": 2.5e-4 * scale / outlets if turbo else 0.0,
        "rear_m3": 1.0 * total / outlets,
        "tail_loss": 3.0e5 * (outlets / scale) ** 2,
        "tail_impedance": 0.0,
        "exhaust_leak_m2_engine": 0.0,
        "exhaust_wall_k": 480.0,
        "exhaust_w_k": 5.0 * scale / outlets,
        "wall_k": 430.0,
        "heat_model": 1.0 if size.diesel else 0.0,
        "heat_scale": 1.0,
        "land_k": 420.0,
        "ambient_pa": 101325.0,
        "ambient_k": 298.15,
    }


def _fuel(size: Size) -> tuple[float, float]:
    """Heat released per kilogram (less what does not burn), and stoichiometric air per fuel."""
    return (42.3e6, 14.40) if size.diesel else (42.5e6, 14.50)


def _burning(size: Size) -> dict[str, float]:
    heat_j_kg, ratio = _fuel(size)
    return {
        "diesel": 1.0 if size.diesel else 0.0,
        "fuel_j_kg": heat_j_kg,
        "air_fuel_ratio": ratio,
        "burned_per_fuel": 1.0 + ratio,
        "fuel_mass_share": 1.0,
        "wiebe_a": 5.0,
        "residual_reference": 0.20,
        "residual_effect": 0.6,
        "duration_scatter": 0.03 if size.diesel else 0.09,
        "start_scatter_deg": 0.2 if size.diesel else 1.0,
        "heat_scatter": 0.01,
        "mixture_scatter": 0.01 if size.diesel else 0.02,
    }


def _control(spec: EngineSpec, size: Size) -> dict[str, float]:
    """Throttle and fuel at idle are first guesses (efficiency 0.40 diesel, 0.28 petrol; 290 kg/s
    choked through a square metre of throttle); the controller does the rest."""
    diesel, total = size.diesel, size.total_m3
    blown = spec.strokes == 2
    constant, linear, square = _friction_pa(size)
    rpm = size.idle_rpm
    needed_pa = constant + rpm * (linear + rpm * square) + (0.15e5 if diesel else 0.65e5)
    heat_j_kg, ratio = _fuel(size)
    fuel_kg = needed_pa * size.swept_m3 / (0.40 if diesel else 0.28) / heat_j_kg
    full = (1.2 if diesel or blown else 0.9) * total
    air_kg_s = fuel_kg * ratio * spec.cylinders * rpm * 6.0 / spec.cycle_deg
    return {
        "full_throttle_m2": full,
        "idle_throttle_m2": full if diesel or blown else air_kg_s / 290.0,
        "idle_fuel_kg": fuel_kg,
        "control_gain": 3.0 if diesel else 1.0,
        "control_rate_hz": 1.5 if diesel else 0.8,
        "advance_gain_deg": 0.0 if diesel else 60.0,
        "advance_per_rpm_deg": 0.003 if diesel else 0.010,
        "mixture_authority": 0.30,
    }


def _starter(size: Size) -> dict[str, float]:
    """Big enough for the engine, and for the first compression of one cylinder from rest."""
    scale = max(size.of_two_litres, 2.0 * size.swept_m3 / 1e-3) ** 0.8
    return {
        "starter_emf_v": 12.4,
        "starter_stall_a": (1100.0 if size.diesel else 700.0) * scale,
        "starter_free_rad_s": 27.0 if size.diesel else 30.0,
        "starter_efficiency": 0.65,
        "battery_ohm": 0.006 / scale,
    }
