"""The numbers of one simulated engine, and how they are made from an engine description.

Where the description says nothing, usual values of the trade for that kind of engine are taken and
scaled with its size (common practice, no source). Lengths m, areas m2, pressures Pa, angles degrees
after the cylinder's own firing top dead centre.
"""

import math
from dataclasses import dataclass, fields, replace

import numpy as np

from ringland.errors import EngineError
from ringland.model._arrays import FloatArray
from ringland.model.engine import Aspiration, EngineSpec, Fuel, Geometry, ValveTiming
from ringland.simulator.kinematics import crank_radius_m, top_centre_shift_rad

__all__ = [
    "CylinderParameters",
    "EngineParameters",
    "SimulatedEngine",
    "simulated_engine",
    "with_healthy_spread",
]


@dataclass(frozen=True)
class CylinderParameters:
    """One cylinder. Areas are effective (discharge coefficient included). Order as in layout.py.

    `lambda_ratio`: air-fuel ratio over stoichiometric (diesel: divides the fuel). `heat_share`:
    share of the fuel that burns. `main_delay_deg`: by how much the main burn starts after the
    premixed one (a pilot injection). `score_*`: a groove in the bore, uncovered by the piston
    between two travels from the top. `active` 0: valves stay closed and no fuel (cylinder
    deactivation).
    """

    firing_deg: float
    outlet: float
    clearance_m3: float
    exhaust_opens_deg: float
    exhaust_closes_deg: float
    inlet_opens_deg: float
    inlet_closes_deg: float
    exhaust_lift_m: float
    inlet_lift_m: float
    exhaust_lash_m: float = 0.0
    inlet_lash_m: float = 0.0
    exhaust_leak_m2: float = 0.0
    inlet_leak_m2: float = 0.0
    top_gap_m2: float = 0.35e-6
    second_gap_m2: float = 0.45e-6
    land_m3: float = 0.4e-6
    ring_leak_m2: float = 0.0
    score_m2: float = 0.0
    score_from_m: float = 0.0
    score_to_m: float = 1.0
    lambda_ratio: float = 1.0
    heat_share: float = 1.0
    burn_start_deg: float = -8.0
    burn_duration_deg: float = 55.0
    burn_form: float = 2.0
    premixed_share: float = 0.0
    premixed_duration_deg: float = 10.0
    premixed_form: float = 2.0
    main_delay_deg: float = 0.0
    dribble_share: float = 0.0
    misfire_rate: float = 0.0
    intake_leak_m2: float = 0.0
    active: float = 1.0


@dataclass(frozen=True)
class EngineParameters:
    """The engine around the cylinders. Order as in layout.py.

    `supply_*`: air before the throttle (behind the compressor of a charged engine).
    `crankcase_m3`: free volume with every piston at its top. `tail_loss`: pressure drop per volume
    flow squared, Pa s2/m6, and `tail_impedance`: wave impedance of the pipe, Pa s/m3 (0: none), per
    outlet. `turbine_m2` 0: no turbine. `heat_model` 0 Woschni, 1 Hohenberg; `heat_scale` 0: no heat
    loss. `*_w_k`: heat conductance to the wall, W/K. `starter_stall_a`: current at standstill;
    `starter_free_rad_s`: crank speed at which the starter gives nothing.
    """

    cycle_deg: float
    bore_m: float
    crank_radius_m: float
    rod_m: float
    pin_offset_m: float
    piston_area_m2: float
    swept_m3: float
    reciprocating_kg: float
    inertia_kg_m2: float
    friction_pa: float
    friction_per_rpm_pa: float
    friction_per_rpm2_pa: float
    exhaust_valve_m: float
    exhaust_valves: float
    inlet_valve_m: float
    inlet_valves: float
    plenum_m3: float
    supply_pa: float
    supply_k: float
    plenum_leak_m2: float
    crankcase_m3: float
    breather_m2: float
    ventilation_m2: float
    crankcase_wall_k: float
    crankcase_w_k: float
    collector_m3: float
    turbine_m2: float
    rear_m3: float
    tail_loss: float
    tail_impedance: float
    exhaust_leak_m2_engine: float
    exhaust_wall_k: float
    exhaust_w_k: float
    wall_k: float
    heat_model: float
    heat_scale: float
    land_k: float
    ambient_pa: float
    ambient_k: float
    diesel: float
    fuel_j_kg: float
    air_fuel_ratio: float
    burned_per_fuel: float
    fuel_mass_share: float
    wiebe_a: float
    residual_reference: float
    residual_effect: float
    duration_scatter: float
    start_scatter_deg: float
    heat_scatter: float
    mixture_scatter: float
    full_throttle_m2: float
    idle_throttle_m2: float
    idle_fuel_kg: float
    control_gain: float
    control_rate_hz: float
    advance_gain_deg: float
    advance_per_rpm_deg: float
    mixture_authority: float
    starter_emf_v: float
    starter_stall_a: float
    starter_free_rad_s: float
    starter_efficiency: float
    battery_ohm: float
    imposed_speed: float = 0.0


@dataclass(frozen=True)
class SimulatedEngine:
    """Everything the compiled engine needs. `cylinders` by cylinder number; `neighbour_leaks`:
    (cylinder, cylinder, effective area m2); `idle_rpm`: the speed idle control holds."""

    spec: EngineSpec
    cylinders: tuple[CylinderParameters, ...]
    engine: EngineParameters
    idle_rpm: float
    neighbour_leaks: tuple[tuple[int, int, float], ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def swept_m3(self) -> float:
        """Displacement of the whole engine."""
        return self.engine.swept_m3 * len(self.cylinders)

    @property
    def volumes(self) -> int:
        """Number of gas volumes: cylinders, plenum, crankcase, collectors, and behind turbines."""
        per_outlet = 2 if self.engine.turbine_m2 > 0.0 else 1
        return len(self.cylinders) + 2 + per_outlet * self.spec.outlet_count

    def cylinder_table(self) -> FloatArray:
        """(cylinders, columns of layout.py)."""
        names = [f.name for f in fields(CylinderParameters)]
        return np.array([[getattr(c, n) for n in names] for c in self.cylinders], dtype=np.float64)

    def engine_vector(self) -> FloatArray:
        """(columns of layout.py,)."""
        names = [f.name for f in fields(EngineParameters)]
        return np.array([getattr(self.engine, n) for n in names], dtype=np.float64)

    def pair_table(self) -> FloatArray:
        """(leaks, 3): two cylinder indices and the area."""
        table = [(a - 1.0, b - 1.0, area) for a, b, area in self.neighbour_leaks]
        return np.array(table, dtype=np.float64).reshape(len(table), 3)

    def phase_table(self) -> FloatArray:
        """(cylinders, 2): cosine and sine of the crank angle at which each piston is highest."""
        e = self.engine
        shift = top_centre_shift_rad(e.crank_radius_m, e.rod_m, e.pin_offset_m)
        angle = np.radians([c.firing_deg for c in self.cylinders]) - shift
        return np.column_stack([np.cos(angle), np.sin(angle)])


def _default_geometry(spec: EngineSpec, diesel: bool) -> Geometry:
    """The usual size when the description gives none: 0.5 L petrol, 1 L diesel per cylinder."""
    if spec.geometry is not None:
        return spec.geometry
    if diesel:
        return Geometry(bore_m=0.104, stroke_m=0.118, rod_m=0.19, compression_ratio=17.5)
    return Geometry(bore_m=0.086, stroke_m=0.086, rod_m=0.143, compression_ratio=10.0)


def _default_timing(spec: EngineSpec, diesel: bool) -> ValveTiming:
    if spec.valve_timing is not None:
        return spec.valve_timing
    if spec.strokes == 2:
        return ValveTiming(95.0, 240.0, 122.0, 238.0)
    if diesel:
        return ValveTiming(130.0, 370.0, 350.0, 588.0)
    return ValveTiming(130.0, 374.0, 344.0, 616.0)


def _checked(geometry: Geometry) -> Geometry:
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
    return geometry


def _cylinders(
    spec: EngineSpec, geometry: Geometry, diesel: bool
) -> tuple[CylinderParameters, ...]:
    timing = _default_timing(spec, diesel)
    bore = geometry.bore_m
    swept = math.pi / 4 * bore**2 * geometry.stroke_m
    size = bore / 0.086
    outlets = sorted(set(spec.outlets))
    if diesel:
        burn = {
            "burn_start_deg": 1.0,
            "burn_duration_deg": 45.0,
            "burn_form": 1.0,
            "premixed_share": 0.55,
            "premixed_duration_deg": 12.0,
        }
    else:
        burn = {"burn_start_deg": -3.0, "burn_duration_deg": 60.0, "burn_form": 2.0}
    return tuple(
        CylinderParameters(
            firing_deg=spec.firing_angle_deg(number),
            outlet=float(outlets.index(spec.outlets[number - 1])),
            clearance_m3=swept / (geometry.compression_ratio - 1.0),
            exhaust_opens_deg=timing.exhaust_opens_deg,
            exhaust_closes_deg=timing.exhaust_closes_deg,
            inlet_opens_deg=timing.inlet_opens_deg,
            inlet_closes_deg=timing.inlet_closes_deg,
            exhaust_lift_m=0.098 * bore,
            inlet_lift_m=0.105 * bore,
            top_gap_m2=(0.12e-6 if diesel else 0.35e-6) * size,
            second_gap_m2=(0.16e-6 if diesel else 0.45e-6) * size,
            land_m3=0.4e-6 * size**2,
            score_to_m=geometry.stroke_m,
            active=0.0 if number in spec.inactive_cylinders else 1.0,
            **burn,
        )
        for number in range(1, spec.cylinders + 1)
    )


def _friction(rpm: float, diesel: bool) -> tuple[float, float, float, float]:
    """Constant, linear and square part of the friction pressure, and its value at this speed."""
    constant = 1.10e5 if diesel else 0.95e5
    linear, square = 15.0, 5.0e-3
    return constant, linear, square, constant + rpm * (linear + rpm * square)


def simulated_engine(spec: EngineSpec, **changes: float) -> SimulatedEngine:
    """A sound engine to this description, every cylinder alike.

    `changes` replace single fields of EngineParameters by name. Unknown fuel counts as petrol.
    Raises EngineError for geometry that cannot turn and for an unknown field name.
    """
    diesel = spec.fuel is Fuel.DIESEL
    geometry = _checked(_default_geometry(spec, diesel))
    bore = geometry.bore_m
    area = math.pi / 4 * bore**2
    swept = area * geometry.stroke_m
    total = swept * spec.cylinders
    litres2 = total / 2e-3
    idle = spec.idle_speed_rpm or (700.0 if diesel else 750.0)
    constant, linear, square, friction = _friction(idle, diesel)
    if diesel:
        fuel_j_kg, ratio = 42.3e6, 14.40
        idle_fuel = (friction + 0.15e5) * swept / 0.40 / fuel_j_kg
        idle_throttle = 1.2 * total
    else:
        fuel_j_kg, ratio = 42.5e6, 14.50
        idle_fuel = (friction + 0.65e5) * swept / 0.28 / fuel_j_kg
        cycles_s = idle * 6.0 / spec.cycle_deg
        idle_throttle = idle_fuel * ratio * spec.cylinders * cycles_s / 290.0
    # big enough for the engine, and for the first compression of one cylinder from rest
    starter = max(litres2, 2.0 * swept / 1e-3) ** 0.8
    turbo = spec.aspiration is Aspiration.TURBO
    outlets = spec.outlet_count
    # a two-stroke is scavenged by a blower: supply above ambient, and no throttling
    blown = spec.strokes == 2
    values = {
        "cycle_deg": spec.cycle_deg,
        "bore_m": bore,
        "crank_radius_m": crank_radius_m(geometry.stroke_m, geometry.rod_m, geometry.pin_offset_m),
        "rod_m": geometry.rod_m,
        "pin_offset_m": geometry.pin_offset_m,
        "piston_area_m2": area,
        "swept_m3": swept,
        "reciprocating_kg": (0.75 if diesel else 0.5) * (bore / 0.086) ** 3,
        "inertia_kg_m2": (0.50 if diesel else 0.32) * litres2,
        "friction_pa": constant,
        "friction_per_rpm_pa": linear,
        "friction_per_rpm2_pa": square,
        "exhaust_valve_m": 0.31 * bore,
        "exhaust_valves": 2.0,
        "inlet_valve_m": 0.36 * bore,
        "inlet_valves": 2.0,
        "plenum_m3": 1.5 * total,
        "supply_pa": 118e3 if blown else (103e3 if turbo else 101325.0),
        "supply_k": 310.0 if turbo or blown else 298.15,
        "plenum_leak_m2": 0.0,
        "crankcase_m3": 3.0 * total,
        "breather_m2": (60e-6 if diesel else 25e-6) * litres2,
        "ventilation_m2": 0.0 if diesel else 1.6e-6 * litres2,
        "crankcase_wall_k": 360.0,
        "crankcase_w_k": 10.0 * litres2,
        "collector_m3": 1.0 * total / outlets,
        "turbine_m2": 2.5e-4 * litres2 / outlets if turbo else 0.0,
        "rear_m3": 1.0 * total / outlets,
        "tail_loss": 3.0e5 * (outlets / litres2) ** 2,
        "tail_impedance": 0.0,
        "exhaust_leak_m2_engine": 0.0,
        "exhaust_wall_k": 480.0,
        "exhaust_w_k": 5.0 * litres2 / outlets,
        "wall_k": 430.0,
        "heat_model": 1.0 if diesel else 0.0,
        "heat_scale": 1.0,
        "land_k": 420.0,
        "ambient_pa": 101325.0,
        "ambient_k": 298.15,
        "diesel": 1.0 if diesel else 0.0,
        "fuel_j_kg": fuel_j_kg,
        "air_fuel_ratio": ratio,
        "burned_per_fuel": 1.0 + ratio,
        "fuel_mass_share": 1.0,
        "wiebe_a": 5.0,
        "residual_reference": 0.20,
        "residual_effect": 0.6,
        "duration_scatter": 0.03 if diesel else 0.09,
        "start_scatter_deg": 0.2 if diesel else 1.0,
        "heat_scatter": 0.01,
        "mixture_scatter": 0.01 if diesel else 0.02,
        "full_throttle_m2": (1.2 if diesel or blown else 0.9) * total,
        "idle_throttle_m2": idle_throttle if not blown else 1.2 * total,
        "idle_fuel_kg": idle_fuel,
        "control_gain": 3.0 if diesel else 1.0,
        "control_rate_hz": 1.5 if diesel else 0.8,
        "advance_gain_deg": 0.0 if diesel else 60.0,
        "advance_per_rpm_deg": 0.003 if diesel else 0.010,
        "mixture_authority": 0.30,
        "starter_emf_v": 12.4,
        "starter_stall_a": (1100.0 if diesel else 700.0) * starter,
        "starter_free_rad_s": 27.0 if diesel else 30.0,
        "starter_efficiency": 0.65,
        "battery_ohm": 0.006 / starter,
    }
    unknown = set(changes) - {f.name for f in fields(EngineParameters)}
    if unknown:
        raise EngineError(
            "the simulator has no such engine parameter",
            got=", ".join(sorted(unknown)),
            allowed=", ".join(f.name for f in fields(EngineParameters)),
        )
    engine = EngineParameters(**{**values, **changes})
    return SimulatedEngine(spec, _cylinders(spec, geometry, diesel), engine, idle)


def with_healthy_spread(
    parameters: SimulatedEngine, *, seed: int, scale: float = 1.0
) -> SimulatedEngine:
    """The same engine with the cylinder-to-cylinder differences sound engines have.

    Standard deviations at `scale` 1 (common practice, no source): mixture or fuel 2 %, burn
    duration 4 %, burn start 0.7 deg, compression ratio 0.7 %, ring gaps 20 %, lift 1 %, timing
    0.7 deg.
    """
    rng = np.random.default_rng([seed, 7919])
    cylinders = []
    for c in parameters.cylinders:
        z = np.clip(rng.standard_normal(9), -2.5, 2.5) * scale
        cylinders.append(
            replace(
                c,
                lambda_ratio=c.lambda_ratio * math.exp(0.02 * z[0]),
                burn_duration_deg=c.burn_duration_deg * math.exp(0.04 * z[1]),
                burn_start_deg=c.burn_start_deg + 0.7 * z[2],
                clearance_m3=c.clearance_m3 * math.exp(0.007 * z[3]),
                top_gap_m2=c.top_gap_m2 * math.exp(0.2 * z[4]),
                second_gap_m2=c.second_gap_m2 * math.exp(0.2 * z[5]),
                exhaust_lift_m=c.exhaust_lift_m * math.exp(0.01 * z[6]),
                inlet_lift_m=c.inlet_lift_m * math.exp(0.01 * z[6]),
                exhaust_opens_deg=c.exhaust_opens_deg + 0.7 * z[7],
                inlet_closes_deg=c.inlet_closes_deg + 0.7 * z[8],
            )
        )
    return replace(parameters, cylinders=tuple(cylinders))
