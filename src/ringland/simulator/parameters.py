"""The numbers of one simulated engine, and how they are made from an engine description.

Lengths m, areas m2, pressures Pa, angles degrees after the cylinder's own firing top dead centre.
"""

import math
from dataclasses import dataclass, fields, replace

import numpy as np

from ringland.errors import EngineError
from ringland.model._arrays import FloatArray
from ringland.model.engine import EngineSpec
from ringland.simulator.defaults import cylinder_values, engine_values, size_of
from ringland.simulator.kinematics import top_centre_shift_rad

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
    """Everything the compiled engine needs.

    `cylinders` by cylinder number; `neighbour_leaks`: (cylinder, cylinder, effective area m2);
    `idle_rpm`: the speed idle control holds. `bay_window_m2`: effective area through which the bay
    under `dipstick_cylinder` breathes into the rest of the crankcase; the pressure sensed there
    differs by what that flow needs (0: the crankcase is one open space).
    """

    spec: EngineSpec
    cylinders: tuple[CylinderParameters, ...]
    engine: EngineParameters
    idle_rpm: float
    neighbour_leaks: tuple[tuple[int, int, float], ...] = ()
    bay_window_m2: float = 0.0
    dipstick_cylinder: int = 1
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


def simulated_engine(spec: EngineSpec, **changes: float) -> SimulatedEngine:
    """A sound engine to this description, every cylinder alike.

    `changes` replace single fields of EngineParameters by name. Unknown fuel counts as petrol.
    Raises EngineError for geometry that cannot turn and for an unknown field name.
    """
    unknown = set(changes) - {f.name for f in fields(EngineParameters)}
    if unknown:
        raise EngineError(
            "the simulator has no such engine parameter",
            got=", ".join(sorted(unknown)),
            allowed=", ".join(f.name for f in fields(EngineParameters)),
        )
    size = size_of(spec)
    outlets = sorted(set(spec.outlets))
    same = cylinder_values(spec, size)
    cylinders = tuple(
        CylinderParameters(
            firing_deg=spec.firing_angle_deg(number),
            outlet=float(outlets.index(spec.outlets[number - 1])),
            active=0.0 if number in spec.inactive_cylinders else 1.0,
            **same,
        )
        for number in range(1, spec.cylinders + 1)
    )
    engine = EngineParameters(**{**engine_values(spec, size), **changes})
    return SimulatedEngine(spec, cylinders, engine, size.idle_rpm)


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
