"""Where each number sits in the arrays of the compiled engine.

The compiled functions take plain arrays; these names are their columns, so that an equation in the
theory page can be found in the code by name. `CylinderParameters` and `EngineParameters` in
parameters.py list the same names in the same order (a test holds them together).
"""

__all__: list[str] = []

# One row per cylinder: CylinderParameters
(
    FIRING_DEG,
    OUTLET,
    CLEARANCE_M3,
    EXHAUST_OPENS_DEG,
    EXHAUST_CLOSES_DEG,
    INLET_OPENS_DEG,
    INLET_CLOSES_DEG,
    EXHAUST_LIFT_M,
    INLET_LIFT_M,
    EXHAUST_LASH_M,
    INLET_LASH_M,
    EXHAUST_LEAK_M2,
    INLET_LEAK_M2,
    TOP_GAP_M2,
    SECOND_GAP_M2,
    LAND_M3,
    RING_LEAK_M2,
    SCORE_M2,
    SCORE_FROM_M,
    SCORE_TO_M,
    LAMBDA_RATIO,
    HEAT_SHARE,
    BURN_START_DEG,
    BURN_DURATION_DEG,
    BURN_FORM,
    PREMIXED_SHARE,
    PREMIXED_DURATION_DEG,
    PREMIXED_FORM,
    MAIN_DELAY_DEG,
    DRIBBLE_SHARE,
    MISFIRE_RATE,
    INTAKE_LEAK_M2,
    ACTIVE,
) = range(33)

# One vector per engine: EngineParameters
(
    CYCLE_DEG,
    BORE_M,
    CRANK_RADIUS_M,
    ROD_M,
    PIN_OFFSET_M,
    PISTON_AREA_M2,
    SWEPT_M3,
    RECIPROCATING_KG,
    INERTIA_KG_M2,
    FRICTION_PA,
    FRICTION_PER_RPM_PA,
    FRICTION_PER_RPM2_PA,
    EXHAUST_VALVE_M,
    EXHAUST_VALVES,
    INLET_VALVE_M,
    INLET_VALVES,
    PLENUM_M3,
    SUPPLY_PA,
    SUPPLY_K,
    PLENUM_LEAK_M2,
    CRANKCASE_M3,
    BREATHER_M2,
    VENTILATION_M2,
    CRANKCASE_WALL_K,
    CRANKCASE_W_K,
    COLLECTOR_M3,
    TURBINE_M2,
    REAR_M3,
    TAIL_LOSS,
    TAIL_IMPEDANCE,
    EXHAUST_LEAK_M2_ENGINE,
    EXHAUST_WALL_K,
    EXHAUST_W_K,
    WALL_K,
    HEAT_MODEL,
    HEAT_SCALE,
    LAND_K,
    AMBIENT_PA,
    AMBIENT_K,
    DIESEL,
    FUEL_J_KG,
    AIR_FUEL_RATIO,
    BURNED_PER_FUEL,
    FUEL_MASS_SHARE,
    WIEBE_A,
    RESIDUAL_REFERENCE,
    RESIDUAL_EFFECT,
    DURATION_SCATTER,
    START_SCATTER_DEG,
    HEAT_SCATTER,
    MIXTURE_SCATTER,
    FULL_THROTTLE_M2,
    IDLE_THROTTLE_M2,
    IDLE_FUEL_KG,
    CONTROL_GAIN,
    CONTROL_RATE_HZ,
    ADVANCE_GAIN_DEG,
    ADVANCE_PER_RPM_DEG,
    MIXTURE_AUTHORITY,
    STARTER_EMF_V,
    STARTER_STALL_A,
    STARTER_FREE_RAD_S,
    STARTER_EFFICIENCY,
    BATTERY_OHM,
    IMPOSED_SPEED,
) = range(65)

# Commands, one row per output sample
TARGET_RPM, THROTTLE_SHARE, COMBUSTION_ON, STARTER_ON, LOAD_NM = range(5)

# Gas state of one volume
TEMPERATURE, PRESSURE, GAS_RT, BURNED, ENTHALPY, GAMMA, VOLUME, PER_VOLUME_M3 = range(8)

# Per-cylinder geometry of one moment
CYL_DVDA, CYL_TRAVEL, CYL_ACCELERATION, CYL_PHASE, CYL_DXDA = range(5)

# State vector: three numbers per volume (mass kg, internal energy J, burned mass kg), then six
# per cylinder, then the crank and the ledger of what crossed the boundary.
PER_VOLUME = 3
LAND_KG, LAND_BURNED_KG, WORK_J, BLOW_BY_KG, LEAK_AIR_KG, WALL_HEAT_J = range(6)
PER_CYLINDER = 6
(
    ANGLE_RAD,
    SPEED_RAD_S,
    MASS_IN_KG,
    ENERGY_IN_J,
    FUEL_KG,
    HEAT_J,
    LOSS_J,
    WORK_OUT_J,
    CRANK_WORK_J,
    UNMETERED_KG,
) = range(10)
SCALARS = 10

# Burn plan of one cylinder for one cycle
(
    PLAN_FUEL_KG,
    PLAN_START_DEG,
    PLAN_DURATION_DEG,
    PLAN_DONE,
    PLAN_GAS_SPEED,
    PLAN_MOTORED,
    PLAN_LEAK_MARK,
    PLAN_WALL_W_K,
    PLAN_WALL_SLOPE,
    PLAN_END_DEG,
    PLAN_UNMETERED_MARK,
) = range(11)
PLAN_SIZE = 11

# Memory of the controller
CTL_SPEED, CTL_INTEGRAL, CTL_CUT, CTL_FUEL, CTL_ADVANCE = range(5)

# Truth per cycle and cylinder
(
    TRUE_FIRING_S,
    TRUE_MISFIRED,
    TRUE_IMEP,
    TRUE_HEAT,
    TRUE_RESIDUAL,
    TRUE_TRAPPED,
    TRUE_BLOW_BY,
    TRUE_PEAK,
) = range(8)
TRUE_SIZE = 8
