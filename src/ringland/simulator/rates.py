"""Rates of change of every mass, energy and composition in the engine, and of the crank.

One open system per cylinder, plenum, crankcase and exhaust volume. Each stream is booked once,
out of one volume and into the other: mass and energy are conserved to rounding whatever the step.
Equation numbers refer to docs/theory/simulator.md.
"""

import math

import numpy as np
from numba import njit

from ringland.model._arrays import FloatArray
from ringland.simulator import layout as at
from ringland.simulator.gas import R_AIR, R_BURNED, energy_and_heat_capacity
from ringland.simulator.heat import hohenberg_w_m2k, woschni_core, woschni_speed_m_s
from ringland.simulator.kinematics import piston_travel
from ringland.simulator.orifice import RELAXATION, linear_range_pa, stable_flow_kg_s
from ringland.simulator.valves import valve_area_m2, valve_lift_m

__all__ = ["crank_state", "gas_states", "rates"]

_DEG = 180.0 / math.pi
_RAD = math.pi / 180.0

# Columns and offsets as plain integers: the compiled code folds them in
PLENUM, CRANKCASE, COLLECTOR = 0, 1, 2
# Steps between two evaluations of the wall heat conductance of one cylinder
REFRESH = 4
# The charge still moves when the piston hardly does (cranking): floor of the speed in eq 17
LEAST_PISTON_SPEED_M_S = 1.4


@njit(cache=True, error_model="numpy", inline="always")
def gas_states(y: FloatArray, gas: FloatArray) -> None:
    """Temperature, pressure, RT, burned fraction, enthalpy and gamma of every volume (eqs 1 to 4).

    `gas` (volumes, 8) holds the volumes and, as a first guess, the last temperatures.
    """
    for v in range(gas.shape[0]):
        mass = y[3 * v]
        burned = min(max(y[3 * v + 2] / mass, 0.0), 1.0)
        energy = y[3 * v + 1] / mass
        t = gas[v, at.TEMPERATURE]
        r = R_AIR + burned * (R_BURNED - R_AIR)
        u, cp = energy_and_heat_capacity(t, burned)
        step = (u - energy) / (cp - r)
        t -= step
        if abs(step) > 30.0:
            u, cp = energy_and_heat_capacity(t, burned)
            t -= (u - energy) / (cp - r)
        rt = r * t
        gas[v, at.TEMPERATURE] = t
        gas[v, at.GAS_RT] = rt
        per_volume = 1.0 / gas[v, at.VOLUME]
        gas[v, at.PER_VOLUME_M3] = per_volume
        gas[v, at.PRESSURE] = mass * rt * per_volume
        gas[v, at.BURNED] = burned
        gas[v, at.ENTHALPY] = energy + rt
        gas[v, at.GAMMA] = cp / (cp - r)


@njit(cache=True, error_model="numpy", inline="always")
def crank_state(
    angle_rad: float, phase: FloatArray, c: FloatArray, e: FloatArray, geo: FloatArray,
    gas: FloatArray,
) -> None:  # fmt: skip
    """Piston position of every cylinder, and the volumes that follow from it (eqs 5 to 8).

    `phase` (cylinders, 2): cosine and sine of the crank angle at which each piston is highest.
    """
    n = c.shape[0]
    sin_a, cos_a = math.sin(angle_rad), math.cos(angle_rad)
    cycle = e[at.CYCLE_DEG]
    displaced = 0.0
    for i in range(n):
        sin_i = sin_a * phase[i, 0] - cos_a * phase[i, 1]
        cos_i = cos_a * phase[i, 0] + sin_a * phase[i, 1]
        x, dx, d2x = piston_travel(
            sin_i, cos_i, e[at.CRANK_RADIUS_M], e[at.ROD_M], e[at.PIN_OFFSET_M]
        )
        area = e[at.PISTON_AREA_M2]
        geo[i, at.CYL_TRAVEL] = x
        geo[i, at.CYL_DXDA] = dx
        geo[i, at.CYL_DVDA] = dx * area
        geo[i, at.CYL_ACCELERATION] = d2x
        local = angle_rad * _DEG - c[i, at.FIRING_DEG]
        geo[i, at.CYL_PHASE] = local - cycle * math.floor(local / cycle)
        gas[i, at.VOLUME] = c[i, at.CLEARANCE_M3] + area * x
        displaced += area * x
    gas[n + 1, at.VOLUME] = e[at.CRANKCASE_M3] - displaced


@njit(cache=True, error_model="numpy", inline="always")
def _stream(
    a: int, b: int, area: float, drift_pa_s: float, step_s: float, gas: FloatArray, dy: FloatArray
) -> float:
    """Book the flow from volume a to volume b through an effective area (eqs 9 to 11).

    `drift_pa_s`: how fast the piston alone would change the pressure difference. Where the law is
    linear, one time constant of it is added, so that a cylinder in equilibrium with its port is not
    held away from it by the step.
    """
    pa, pb = gas[a, at.PRESSURE], gas[b, at.PRESSURE]
    difference = pa - pb
    up = a if difference >= 0.0 else b
    per_volume = gas[a, at.PER_VOLUME_M3] + gas[b, at.PER_VOLUME_M3]
    gamma = gas[up, at.GAMMA]
    linear = linear_range_pa(
        area, gas[up, at.PRESSURE], gas[up, at.GAS_RT], gamma, per_volume, step_s
    )
    if drift_pa_s != 0.0:
        share = linear / (abs(difference) + linear)
        difference += share * drift_pa_s * step_s / RELAXATION
        up = a if difference >= 0.0 else b
        gamma = gas[up, at.GAMMA]
    flow = stable_flow_kg_s(
        area, gas[up, at.PRESSURE], gas[up, at.GAS_RT], gamma, abs(difference), linear
    )
    if up == b:
        flow = -flow
    h, burned = flow * gas[up, at.ENTHALPY], flow * gas[up, at.BURNED]
    dy[3 * a] -= flow
    dy[3 * b] += flow
    dy[3 * a + 1] -= h
    dy[3 * b + 1] += h
    dy[3 * a + 2] -= burned
    dy[3 * b + 2] += burned
    return flow


@njit(cache=True, error_model="numpy", inline="always")
def _outside(
    v: int, area: float, p_out: float, rt_out: float, h_out: float, step_s: float,
    gas: FloatArray, dy: FloatArray, ledger: int,
) -> float:  # fmt: skip
    """Book the flow from volume v to the open air (pressure, RT, enthalpy); returns it."""
    p, rt, gamma = gas[v, at.PRESSURE], gas[v, at.GAS_RT], gas[v, at.GAMMA]
    h, burned, sign = gas[v, at.ENTHALPY], gas[v, at.BURNED], 1.0
    difference = p - p_out
    if difference < 0.0:
        p, rt, gamma, h, burned, sign = p_out, rt_out, 1.4, h_out, 0.0, -1.0
    linear = linear_range_pa(area, p, rt, gamma, gas[v, at.PER_VOLUME_M3], step_s)
    flow = sign * stable_flow_kg_s(area, p, rt, gamma, abs(difference), linear)
    dy[3 * v] -= flow
    dy[3 * v + 1] -= flow * h
    dy[3 * v + 2] -= flow * burned
    dy[ledger + at.MASS_IN_KG] -= flow
    dy[ledger + at.ENERGY_IN_J] -= flow * h
    return flow


@njit(cache=True, error_model="numpy")
def _wall_w_k(
    i: int, phase: float, speed: float, c: FloatArray, e: FloatArray, gas: FloatArray,
    plan: FloatArray, woschni_bore: float,
) -> float:  # fmt: skip
    """Conductance from the gas of cylinder i to its walls, h A (eqs 16 to 18)."""
    t, p, volume = gas[i, at.TEMPERATURE], gas[i, at.PRESSURE], gas[i, at.VOLUME]
    piston_speed = 2.0 * e[at.CRANK_RADIUS_M] * abs(speed) / math.pi
    if e[at.HEAT_MODEL] == 0.0:
        # the gas speed changes over 20 deg of valve opening and closing, not in one step
        after = (phase - c[i, at.EXHAUST_OPENS_DEG]) / 20.0
        before = (c[i, at.INLET_CLOSES_DEG] - phase) / 20.0
        flowing = min(max(min(after, before), 0.0), 1.0)
        excess = 0.0
        if after < 1.0 and plan[i, at.PLAN_DONE] > 0.0:
            excess = p - plan[i, at.PLAN_MOTORED] * math.exp(-1.3 * math.log(volume))
        c2 = 3.24e-3 * e[at.SWEPT_M3] * plan[i, at.PLAN_GAS_SPEED]
        w = woschni_speed_m_s(max(piston_speed, LEAST_PISTON_SPEED_M_S), flowing, c2, excess)
        h = woschni_bore * woschni_core(p * 1e-3, t, w)
    else:
        h = hohenberg_w_m2k(volume, p * 1e-5, t, piston_speed)
    area = 2.2 * e[at.PISTON_AREA_M2] + math.pi * e[at.BORE_M] * volume / e[at.PISTON_AREA_M2]
    return float(e[at.HEAT_SCALE] * h * area)


@njit(cache=True, error_model="numpy", inline="always")
def _gap(
    v: int, area: float, extra: int, land: tuple[float, float, float, float], per_land_m3: float,
    step_s: float, gas: FloatArray, dy: FloatArray,
) -> tuple[float, float]:  # fmt: skip
    """Flow from volume v through a ring gap into the land; returns it and the enthalpy it brings.

    `land`: pressure, RT, burned fraction and enthalpy of the gas between the rings.
    """
    p, rt, gamma = gas[v, at.PRESSURE], gas[v, at.GAS_RT], gas[v, at.GAMMA]
    h, burned, sign = gas[v, at.ENTHALPY], gas[v, at.BURNED], 1.0
    difference = p - land[0]
    if difference < 0.0:
        p, rt, burned, h = land
        gamma, sign = 1.38, -1.0
    linear = linear_range_pa(area, p, rt, gamma, per_land_m3, step_s)
    flow = sign * stable_flow_kg_s(area, p, rt, gamma, abs(difference), linear)
    dy[3 * v] -= flow
    dy[3 * v + 1] -= flow * h
    dy[3 * v + 2] -= flow * burned
    dy[extra + at.LAND_KG] += flow
    dy[extra + at.LAND_BURNED_KG] += flow * burned
    return flow, flow * h


@njit(cache=True, error_model="numpy", inline="always")
def _rings(
    n: int, step_s: float, c: FloatArray, e: FloatArray, geo: FloatArray, gas: FloatArray,
    y: FloatArray, dy: FloatArray, air: FloatArray,
) -> None:  # fmt: skip
    """Flow past the rings: top gap, land between the rings, second gap, and leaks (eqs 12 to 15).

    The land is held at the metal's temperature; the heat its gas gives to the metal is a loss.
    """
    case = n + CRANKCASE
    ledger = 3 * gas.shape[0] + at.PER_CYLINDER * n
    u_air, u_products = air[5], air[6]
    heat = 0.0
    for i in range(n):
        extra = 3 * gas.shape[0] + at.PER_CYLINDER * i
        if c[i, at.TOP_GAP_M2] > 0.0:
            land_kg = y[extra + at.LAND_KG]
            burned = min(max(y[extra + at.LAND_BURNED_KG] / land_kg, 0.0), 1.0)
            rt = (R_AIR + burned * (R_BURNED - R_AIR)) * e[at.LAND_K]
            h = u_air + burned * (u_products - u_air) + rt
            per_land = 1.0 / c[i, at.LAND_M3]
            land = (land_kg * rt * per_land, rt, burned, h)
            top, second = c[i, at.TOP_GAP_M2], c[i, at.SECOND_GAP_M2]
            _, above = _gap(i, top, extra, land, per_land, step_s, gas, dy)
            past, below = _gap(case, second, extra, land, per_land, step_s, gas, dy)
            dy[extra + at.BLOW_BY_KG] -= past
            # what the streams bring, less what stays as internal energy at the metal's temperature
            kept = dy[extra + at.LAND_KG] * u_air
            kept += dy[extra + at.LAND_BURNED_KG] * (u_products - u_air)
            heat += above + below - kept
        direct = c[i, at.RING_LEAK_M2]
        x = geo[i, at.CYL_TRAVEL]
        if c[i, at.SCORE_M2] > 0.0 and c[i, at.SCORE_FROM_M] < x < c[i, at.SCORE_TO_M]:
            middle = (x - c[i, at.SCORE_FROM_M]) / (c[i, at.SCORE_TO_M] - c[i, at.SCORE_FROM_M])
            direct += c[i, at.SCORE_M2] * 4.0 * middle * (1.0 - middle)
        if direct > 0.0:
            dy[extra + at.BLOW_BY_KG] += _stream(i, case, direct, 0.0, step_s, gas, dy)
    dy[ledger + at.LOSS_J] += heat


@njit(cache=True, error_model="numpy", inline="always")
def _valves(
    n: int, step_s: float, speed: float, c: FloatArray, e: FloatArray, geo: FloatArray,
    gas: FloatArray, dy: FloatArray,
) -> None:  # fmt: skip
    """Flow through the valves of every cylinder, closed ones leaking as far as they do."""
    for i in range(n):
        phase = geo[i, at.CYL_PHASE]
        active = c[i, at.ACTIVE] > 0.0
        inlet, exhaust = c[i, at.INLET_LEAK_M2], c[i, at.EXHAUST_LEAK_M2]
        if active and c[i, at.INLET_OPENS_DEG] < phase < c[i, at.INLET_CLOSES_DEG]:
            lift = valve_lift_m(
                phase, c[i, at.INLET_OPENS_DEG], c[i, at.INLET_CLOSES_DEG],
                c[i, at.INLET_LIFT_M], c[i, at.INLET_LASH_M],
            )  # fmt: skip
            inlet += valve_area_m2(lift, e[at.INLET_VALVE_M], e[at.INLET_VALVES])
        if active and c[i, at.EXHAUST_OPENS_DEG] < phase < c[i, at.EXHAUST_CLOSES_DEG]:
            lift = valve_lift_m(
                phase, c[i, at.EXHAUST_OPENS_DEG], c[i, at.EXHAUST_CLOSES_DEG],
                c[i, at.EXHAUST_LIFT_M], c[i, at.EXHAUST_LASH_M],
            )  # fmt: skip
            exhaust += valve_area_m2(lift, e[at.EXHAUST_VALVE_M], e[at.EXHAUST_VALVES])
        drift = -gas[i, at.GAMMA] * gas[i, at.PRESSURE] * gas[i, at.PER_VOLUME_M3]
        drift *= geo[i, at.CYL_DVDA] * speed
        if inlet > 0.0:
            _stream(i, n + PLENUM, inlet, drift, step_s, gas, dy)
        if exhaust > 0.0:
            _stream(i, n + COLLECTOR + int(c[i, at.OUTLET]), exhaust, drift, step_s, gas, dy)


@njit(cache=True, error_model="numpy", inline="always")
def _work_and_heat(
    n: int, beat: int, speed: float, c: FloatArray, e: FloatArray, geo: FloatArray,
    gas: FloatArray, plan: FloatArray, dy: FloatArray, woschni_bore: float,
) -> None:  # fmt: skip
    """Work on every piston from both sides, and heat to the cylinder walls (eqs 2 and 3).

    The conductance to the wall is worked out afresh every fourth step of a cylinder and carried on
    along a straight line between, which keeps the order of the scheme at a quarter of the cost.
    """
    case = n + CRANKCASE
    ledger = 3 * gas.shape[0] + at.PER_CYLINDER * n
    for i in range(n):
        extra = 3 * gas.shape[0] + at.PER_CYLINDER * i
        expansion = geo[i, at.CYL_DVDA] * speed
        below = gas[case, at.PRESSURE] * expansion
        work = gas[i, at.PRESSURE] * expansion
        wall = 0.0
        if e[at.HEAT_SCALE] > 0.0:
            age = (beat + i) % REFRESH
            if age == 0 or plan[i, at.PLAN_WALL_W_K] == 0.0:
                fresh = _wall_w_k(i, geo[i, at.CYL_PHASE], speed, c, e, gas, plan, woschni_bore)
                last = plan[i, at.PLAN_WALL_W_K]
                smooth = 0.7 * last < fresh < 1.4 * last
                plan[i, at.PLAN_WALL_SLOPE] = (fresh - last) / REFRESH if smooth else 0.0
                plan[i, at.PLAN_WALL_W_K] = fresh
            conductance = plan[i, at.PLAN_WALL_W_K] + age * plan[i, at.PLAN_WALL_SLOPE]
            wall = conductance * (gas[i, at.TEMPERATURE] - e[at.WALL_K])
        dy[3 * i + 1] -= wall + work
        dy[3 * case + 1] += below
        dy[extra + at.WORK_J] += work
        dy[extra + at.WALL_HEAT_J] += wall
        dy[ledger + at.LOSS_J] += wall
        dy[ledger + at.WORK_OUT_J] += work - below


@njit(cache=True, error_model="numpy", inline="always")
def _induction(
    n: int, step_s: float, throttle_m2: float, c: FloatArray, e: FloatArray, gas: FloatArray,
    air: FloatArray, dy: FloatArray,
) -> None:  # fmt: skip
    """Throttle, intake leaks and crankcase ventilation (eqs 19 to 21)."""
    plenum = n + PLENUM
    ledger = 3 * gas.shape[0] + at.PER_CYLINDER * n
    p, rt, h = air[0], air[1], air[4]
    _outside(plenum, throttle_m2, e[at.SUPPLY_PA], air[2], air[3], step_s, gas, dy, ledger)
    if e[at.PLENUM_LEAK_M2] > 0.0:
        flow = _outside(plenum, e[at.PLENUM_LEAK_M2], p, rt, h, step_s, gas, dy, ledger)
        dy[ledger + at.UNMETERED_KG] -= flow
    for i in range(n):
        if c[i, at.INTAKE_LEAK_M2] > 0.0:
            flow = _outside(plenum, c[i, at.INTAKE_LEAK_M2], p, rt, h, step_s, gas, dy, ledger)
            extra = 3 * gas.shape[0] + at.PER_CYLINDER * i
            dy[extra + at.LEAK_AIR_KG] -= flow
    if e[at.VENTILATION_M2] > 0.0 and gas[n + 1, at.PRESSURE] > gas[plenum, at.PRESSURE]:
        _stream(n + CRANKCASE, plenum, e[at.VENTILATION_M2], 0.0, step_s, gas, dy)


@njit(cache=True, error_model="numpy", inline="always")
def _exhaust(
    n: int, step_s: float, wave: FloatArray, e: FloatArray, gas: FloatArray, air: FloatArray,
    dy: FloatArray, out_flow: FloatArray,
) -> None:  # fmt: skip
    """Collector, turbine, leak, heat loss and the way into the tailpipe (eqs 22 to 24)."""
    outlets = out_flow.shape[0]
    turbo = e[at.TURBINE_M2] > 0.0
    ledger = 3 * gas.shape[0] + at.PER_CYLINDER * n
    for o in range(outlets):
        first = n + COLLECTOR + o
        last = first
        if turbo:
            last = first + outlets
            _stream(first, last, e[at.TURBINE_M2], 0.0, step_s, gas, dy)
        if e[at.EXHAUST_LEAK_M2_ENGINE] > 0.0:
            hole = e[at.EXHAUST_LEAK_M2_ENGINE]
            _outside(first, hole, air[0], air[1], air[4], step_s, gas, dy, ledger)
        loss = e[at.EXHAUST_W_K] * (gas[first, at.TEMPERATURE] - e[at.EXHAUST_WALL_K])
        dy[3 * first + 1] -= loss
        dy[ledger + at.LOSS_J] += loss
        difference = gas[last, at.PRESSURE] - air[0] - 2.0 * wave[o]
        z, k = e[at.TAIL_IMPEDANCE], e[at.TAIL_LOSS]
        # linear below the difference that one step could equalise (as eq 11)
        least = gas[last, at.GAMMA] * gas[last, at.PRESSURE] * step_s * gas[last, at.PER_VOLUME_M3]
        least /= RELAXATION
        root = math.sqrt(z * z + 4.0 * least * least + 4.0 * k * abs(difference))
        q = 2.0 * difference / (z + root)
        flow = q * gas[last, at.PRESSURE] / gas[last, at.GAS_RT]
        dy[3 * last] -= flow
        dy[3 * last + 1] -= flow * gas[last, at.ENTHALPY]
        dy[3 * last + 2] -= flow * gas[last, at.BURNED]
        dy[ledger + at.MASS_IN_KG] -= flow
        dy[ledger + at.ENERGY_IN_J] -= flow * gas[last, at.ENTHALPY]
        out_flow[o] = flow


@njit(cache=True, error_model="numpy", inline="always")
def _crank(
    n: int, speed: float, starter_on: float, load_nm: float, c: FloatArray, e: FloatArray,
    geo: FloatArray, gas: FloatArray, dy: FloatArray,
) -> float:  # fmt: skip
    """Crank acceleration from gas, inertia, friction, load and starter (eqs 25 to 28).

    Returns the starter current, A.
    """
    ledger = 3 * gas.shape[0] + at.PER_CYLINDER * n
    dy[ledger + at.ANGLE_RAD] = speed
    rpm = abs(speed) * 30.0 / math.pi
    torque = 0.0
    inertia = e[at.INERTIA_KG_M2]
    mass = e[at.RECIPROCATING_KG]
    for i in range(n):
        dx = geo[i, at.CYL_DXDA]
        excess = gas[i, at.PRESSURE] - gas[n + CRANKCASE, at.PRESSURE]
        torque += excess * geo[i, at.CYL_DVDA]
        torque -= mass * dx * geo[i, at.CYL_ACCELERATION] * speed * speed
        inertia += mass * dx * dx
    friction_pa = e[at.FRICTION_PA] + rpm * (
        e[at.FRICTION_PER_RPM_PA] + rpm * e[at.FRICTION_PER_RPM2_PA]
    )
    friction = friction_pa * e[at.SWEPT_M3] * n / (e[at.CYCLE_DEG] * _RAD)
    torque -= (friction + load_nm) * math.tanh(speed)
    current = 0.0
    if starter_on > 0.0:
        drop = 1.0 - speed / e[at.STARTER_FREE_RAD_S]
        current = max(e[at.STARTER_STALL_A] * drop, 0.0)
        volts_s = e[at.STARTER_EMF_V] / e[at.STARTER_FREE_RAD_S]
        torque += e[at.STARTER_EFFICIENCY] * volts_s * current
    if e[at.IMPOSED_SPEED] == 0.0:
        dy[ledger + at.SPEED_RAD_S] = torque / inertia
    dy[ledger + at.CRANK_WORK_J] = torque * speed
    return current


@njit(cache=True, error_model="numpy", inline="always")
def rates(
    y: FloatArray, dy: FloatArray, beat: int, step_s: float, throttle_m2: float,
    command: FloatArray, wave: FloatArray, c: FloatArray, e: FloatArray, pairs: FloatArray,
    phase: FloatArray, air: FloatArray, geo: FloatArray, gas: FloatArray, plan: FloatArray,
    out_flow: FloatArray,
) -> float:  # fmt: skip
    """Fill `dy` with the rate of change of the whole state; returns the starter current, A.

    `beat` counts the steps: some slow quantities are renewed every few of them.
    """
    n = c.shape[0]
    ledger = 3 * gas.shape[0] + at.PER_CYLINDER * n
    dy[:] = 0.0
    speed = y[ledger + at.SPEED_RAD_S]
    crank_state(y[ledger + at.ANGLE_RAD], phase, c, e, geo, gas)
    gas_states(y, gas)
    _valves(n, step_s, speed, c, e, geo, gas, dy)
    _rings(n, step_s, c, e, geo, gas, y, dy, air)
    _work_and_heat(n, beat, speed, c, e, geo, gas, plan, dy, air[7])
    for k in range(pairs.shape[0]):
        _stream(int(pairs[k, 0]), int(pairs[k, 1]), pairs[k, 2], 0.0, step_s, gas, dy)
    _induction(n, step_s, throttle_m2, c, e, gas, air, dy)
    case = n + CRANKCASE
    flow = _outside(case, e[at.BREATHER_M2], air[0], air[1], air[4], step_s, gas, dy, ledger)
    out_flow[out_flow.shape[0] - 1] = flow
    loss = e[at.CRANKCASE_W_K] * (gas[case, at.TEMPERATURE] - e[at.CRANKCASE_WALL_K])
    dy[3 * case + 1] -= loss
    dy[ledger + at.LOSS_J] += loss
    _exhaust(n, step_s, wave, e, gas, air, dy, out_flow[: out_flow.shape[0] - 1])
    return _crank(n, speed, command[at.STARTER_ON], command[at.LOAD_NM], c, e, geo, gas, dy)


def initial_guess(volumes: int) -> FloatArray:
    """A gas table with starting temperatures for the first Newton step."""
    gas = np.zeros((volumes, 8))
    gas[:, at.TEMPERATURE] = 400.0
    return gas
