"""Rates of change of every mass, energy and composition in the engine, and of the crank.

One open system per cylinder, plenum, crankcase and exhaust volume. Each stream is booked once,
out of one volume and into the other, so mass and energy are conserved to rounding whatever the step.
Equation numbers refer to docs/theory/simulator.md.
"""

import math

import numpy as np
from numba import njit

from ringland.model._arrays import FloatArray
from ringland.simulator import layout as at
from ringland.simulator.gas import (
    R_AIR,
    R_BURNED,
    gas_constant,
    gas_heat_capacity,
    gas_internal_energy,
)
from ringland.simulator.heat import hohenberg_w_m2k, woschni_speed_m_s, woschni_w_m2k
from ringland.simulator.kinematics import piston_travel
from ringland.simulator.orifice import stable_flow_kg_s
from ringland.simulator.valves import valve_area_m2, valve_lift_m

__all__ = ["crank_state", "gas_states", "rates"]

_DEG = 180.0 / math.pi
_RAD = math.pi / 180.0

# Columns and offsets as plain integers: the compiled code folds them in
PLENUM, CRANKCASE, COLLECTOR = 0, 1, 2


@njit(cache=True)
def gas_states(y: FloatArray, gas: FloatArray) -> None:
    """Temperature, pressure, RT, burned fraction, enthalpy and gamma of every volume (eqs 1 to 4).

    `gas` (volumes, 7) holds the volumes and, as a first guess, the last temperatures.
    """
    for v in range(gas.shape[0]):
        mass = y[3 * v]
        burned = min(max(y[3 * v + 2] / mass, 0.0), 1.0)
        energy = y[3 * v + 1] / mass
        t = gas[v, at.TEMPERATURE]
        r = R_AIR + burned * (R_BURNED - R_AIR)
        cv = gas_heat_capacity(t, burned) - r
        step = (gas_internal_energy(t, burned) - energy) / cv
        t -= step
        if abs(step) > 3.0:
            cv = gas_heat_capacity(t, burned) - r
            t -= (gas_internal_energy(t, burned) - energy) / cv
        rt = r * t
        gas[v, at.TEMPERATURE] = t
        gas[v, at.GAS_RT] = rt
        gas[v, at.PRESSURE] = mass * rt / gas[v, at.VOLUME]
        gas[v, at.BURNED] = burned
        gas[v, at.ENTHALPY] = energy + rt
        gas[v, at.GAMMA] = 1.0 + r / cv


@njit(cache=True)
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


@njit(cache=True)
def _stream(a: int, b: int, area: float, step_s: float, gas: FloatArray, dy: FloatArray) -> float:
    """Book the flow from volume a to volume b through an effective area (eqs 9 to 11)."""
    pa, pb = gas[a, at.PRESSURE], gas[b, at.PRESSURE]
    per_volume = 1.0 / gas[a, at.VOLUME] + 1.0 / gas[b, at.VOLUME]
    up = a if pa >= pb else b
    flow = stable_flow_kg_s(
        area, max(pa, pb), gas[up, at.GAS_RT], gas[up, at.GAMMA], min(pa, pb), per_volume, step_s
    )
    if up == b:
        flow = -flow
    dy[3 * a] -= flow
    dy[3 * b] += flow
    dy[3 * a + 1] -= flow * gas[up, at.ENTHALPY]
    dy[3 * b + 1] += flow * gas[up, at.ENTHALPY]
    dy[3 * a + 2] -= flow * gas[up, at.BURNED]
    dy[3 * b + 2] += flow * gas[up, at.BURNED]
    return flow


@njit(cache=True)
def _outside(
    v: int, area: float, outside: tuple[float, float, float], step_s: float, gas: FloatArray,
    dy: FloatArray, ledger: int,
) -> float:  # fmt: skip
    """Book the flow from volume v to the open air (pressure, RT, enthalpy); returns it."""
    p_out, rt_out, h_out = outside
    p = gas[v, at.PRESSURE]
    per_volume = 1.0 / gas[v, at.VOLUME]
    if p >= p_out:
        flow = stable_flow_kg_s(
            area, p, gas[v, at.GAS_RT], gas[v, at.GAMMA], p_out, per_volume, step_s
        )
        h, burned = gas[v, at.ENTHALPY], gas[v, at.BURNED]
    else:
        flow = -stable_flow_kg_s(area, p_out, rt_out, 1.4, p, per_volume, step_s)
        h, burned = h_out, 0.0
    dy[3 * v] -= flow
    dy[3 * v + 1] -= flow * h
    dy[3 * v + 2] -= flow * burned
    dy[ledger + at.MASS_IN_KG] -= flow
    dy[ledger + at.ENERGY_IN_J] -= flow * h
    return flow


@njit(cache=True)
def _wall_heat_w(
    i: int, phase: float, speed: float, c: FloatArray, e: FloatArray, gas: FloatArray,
    plan: FloatArray,
) -> float:  # fmt: skip
    """Heat from the gas of cylinder i to its walls (eqs 16 to 18)."""
    t, p, volume = gas[i, at.TEMPERATURE], gas[i, at.PRESSURE], gas[i, at.VOLUME]
    piston_speed = 2.0 * e[at.CRANK_RADIUS_M] * abs(speed) / math.pi
    if e[at.HEAT_MODEL] == 0.0:
        closed = phase < c[i, at.EXHAUST_OPENS_DEG] or phase > c[i, at.INLET_CLOSES_DEG]
        excess = 0.0
        if phase < c[i, at.EXHAUST_OPENS_DEG] and plan[i, at.PLAN_DONE] > 0.0:
            excess = p - plan[i, at.PLAN_PM_CONSTANT] * math.exp(-1.3 * math.log(volume))
        c2 = 3.24e-3 * e[at.SWEPT_M3] * plan[i, at.PLAN_MASS_KG]
        w = woschni_speed_m_s(max(piston_speed, 0.1), closed, c2, excess)
        h = woschni_w_m2k(e[at.BORE_M], p * 1e-3, t, w)
    else:
        h = hohenberg_w_m2k(volume, p * 1e-5, t, piston_speed)
    area = 2.2 * e[at.PISTON_AREA_M2] + math.pi * e[at.BORE_M] * volume / e[at.PISTON_AREA_M2]
    return e[at.HEAT_SCALE] * h * area * (t - e[at.WALL_K])


@njit(cache=True)
def _rings(
    i: int, n: int, step_s: float, c: FloatArray, e: FloatArray, geo: FloatArray, gas: FloatArray,
    y: FloatArray, dy: FloatArray,
) -> float:  # fmt: skip
    """Flow past the rings: top gap, land between the rings, second gap, and leaks (eqs 12 to 15).

    The land is held at the metal's temperature. Returns the heat its gas gives to the metal, W.
    """
    extra = 3 * gas.shape[0] + at.PER_CYLINDER * i
    case = n + 1
    land_kg = y[extra + at.LAND_KG]
    burned = min(max(y[extra + at.LAND_BURNED_KG] / land_kg, 0.0), 1.0)
    t = e[at.LAND_K]
    rt = gas_constant(burned) * t
    u = gas_internal_energy(t, burned)
    p = land_kg * rt / c[i, at.LAND_M3]
    h = u + rt
    gamma = 1.38
    heat = 0.0
    for side in range(2):
        v = i if side == 0 else case
        area = c[i, at.TOP_GAP_M2] if side == 0 else c[i, at.SECOND_GAP_M2]
        if area <= 0.0:
            continue
        pv = gas[v, at.PRESSURE]
        per = 1.0 / c[i, at.LAND_M3]
        if pv >= p:
            flow = stable_flow_kg_s(area, pv, gas[v, at.GAS_RT], gas[v, at.GAMMA], p, per, step_s)
            hs, bs = gas[v, at.ENTHALPY], gas[v, at.BURNED]
        else:
            flow = -stable_flow_kg_s(area, p, rt, gamma, pv, per, step_s)
            hs, bs = h, burned
        dy[3 * v] -= flow
        dy[3 * v + 1] -= flow * hs
        dy[3 * v + 2] -= flow * bs
        dy[extra + at.LAND_KG] += flow
        dy[extra + at.LAND_BURNED_KG] += flow * bs
        # what the stream brings, less what stays as internal energy at the metal's temperature
        heat += flow * hs
        if side == 1:
            dy[extra + at.BLOW_BY_KG] -= flow
    u_air = gas_internal_energy(t, 0.0)
    u_products = gas_internal_energy(t, 1.0)
    d_burned = dy[extra + at.LAND_BURNED_KG]
    heat -= dy[extra + at.LAND_KG] * u_air + d_burned * (u_products - u_air)
    direct = c[i, at.RING_LEAK_M2]
    x = geo[i, at.CYL_TRAVEL]
    if c[i, at.SCORE_M2] > 0.0 and c[i, at.SCORE_FROM_M] < x < c[i, at.SCORE_TO_M]:
        middle = (x - c[i, at.SCORE_FROM_M]) / (c[i, at.SCORE_TO_M] - c[i, at.SCORE_FROM_M])
        direct += c[i, at.SCORE_M2] * 4.0 * middle * (1.0 - middle)
    if direct > 0.0:
        dy[extra + at.BLOW_BY_KG] += _stream(i, case, direct, step_s, gas, dy)
    return heat


@njit(cache=True)
def _cylinder(
    i: int, n: int, step_s: float, speed: float, c: FloatArray, e: FloatArray, geo: FloatArray,
    gas: FloatArray, plan: FloatArray, y: FloatArray, dy: FloatArray,
) -> None:  # fmt: skip
    """One cylinder: valves, leaks, rings, wall heat, burning and work on the piston."""
    extra = 3 * gas.shape[0] + at.PER_CYLINDER * i
    ledger = 3 * gas.shape[0] + at.PER_CYLINDER * n
    phase = geo[i, at.CYL_PHASE]
    active = c[i, at.ACTIVE] > 0.0
    inlet = c[i, at.INLET_LEAK_M2]
    exhaust = c[i, at.EXHAUST_LEAK_M2]
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
    if inlet > 0.0:
        _stream(i, n + PLENUM, inlet, step_s, gas, dy)
    if exhaust > 0.0:
        _stream(i, n + COLLECTOR + int(c[i, at.OUTLET]), exhaust, step_s, gas, dy)
    heat = _rings(i, n, step_s, c, e, geo, gas, y, dy)
    wall = 0.0
    if e[at.HEAT_SCALE] > 0.0:
        wall = _wall_heat_w(i, phase, speed, c, e, gas, plan)
        dy[extra + at.WALL_HEAT_J] += wall
    work = (gas[i, at.PRESSURE] - gas[n + CRANKCASE, at.PRESSURE]) * geo[i, at.CYL_DVDA] * speed
    gas_work = gas[i, at.PRESSURE] * geo[i, at.CYL_DVDA] * speed
    fuel = plan[i, at.PLAN_FUEL_RATE]
    dy[3 * i] += fuel * e[at.FUEL_MASS_SHARE]
    dy[3 * i + 1] += fuel * plan[i, at.PLAN_HEAT_J_KG] - wall - gas_work
    dy[3 * i + 2] += fuel * plan[i, at.PLAN_BURNED_KG_KG]
    dy[3 * (n + CRANKCASE) + 1] += gas_work - work
    dy[extra + at.WORK_J] += gas_work
    dy[ledger + at.FUEL_KG] += fuel * e[at.FUEL_MASS_SHARE]
    dy[ledger + at.HEAT_J] += fuel * plan[i, at.PLAN_HEAT_J_KG]
    dy[ledger + at.LOSS_J] += wall + heat
    dy[ledger + at.WORK_OUT_J] += work


@njit(cache=True)
def _induction(
    n: int, step_s: float, throttle_m2: float, c: FloatArray, e: FloatArray, gas: FloatArray,
    air: FloatArray, dy: FloatArray,
) -> None:  # fmt: skip
    """Throttle, intake leaks and crankcase ventilation (eqs 19 to 21)."""
    plenum = n + PLENUM
    ledger = 3 * gas.shape[0] + at.PER_CYLINDER * n
    supply = (e[at.SUPPLY_PA], air[2], air[3])
    outside = (air[0], air[1], air[4])
    _outside(plenum, throttle_m2, supply, step_s, gas, dy, ledger)
    if e[at.PLENUM_LEAK_M2] > 0.0:
        _outside(plenum, e[at.PLENUM_LEAK_M2], outside, step_s, gas, dy, ledger)
    for i in range(n):
        if c[i, at.INTAKE_LEAK_M2] > 0.0:
            flow = _outside(plenum, c[i, at.INTAKE_LEAK_M2], outside, step_s, gas, dy, ledger)
            extra = 3 * gas.shape[0] + at.PER_CYLINDER * i
            dy[extra + at.LEAK_AIR_KG] -= flow
    if e[at.VENTILATION_M2] > 0.0 and gas[n + 1, at.PRESSURE] > gas[plenum, at.PRESSURE]:
        _stream(n + CRANKCASE, plenum, e[at.VENTILATION_M2], step_s, gas, dy)


@njit(cache=True)
def _exhaust(
    n: int, step_s: float, wave: FloatArray, e: FloatArray, gas: FloatArray, air: FloatArray,
    dy: FloatArray, out_flow: FloatArray,
) -> None:  # fmt: skip
    """Collector, turbine, leak, heat loss and the way into the tailpipe (eqs 22 to 24)."""
    outlets = out_flow.shape[0]
    turbo = e[at.TURBINE_M2] > 0.0
    ledger = 3 * gas.shape[0] + at.PER_CYLINDER * n
    outside = (air[0], air[1], air[4])
    for o in range(outlets):
        first = n + COLLECTOR + o
        last = first
        if turbo:
            last = first + outlets
            _stream(first, last, e[at.TURBINE_M2], step_s, gas, dy)
        if e[at.EXHAUST_LEAK_M2_ENGINE] > 0.0:
            _outside(first, e[at.EXHAUST_LEAK_M2_ENGINE], outside, step_s, gas, dy, ledger)
        loss = e[at.EXHAUST_W_K] * (gas[first, at.TEMPERATURE] - e[at.EXHAUST_WALL_K])
        dy[3 * first + 1] -= loss
        dy[ledger + at.LOSS_J] += loss
        difference = gas[last, at.PRESSURE] - air[0] - 2.0 * wave[o]
        z, k = e[at.TAIL_IMPEDANCE], e[at.TAIL_LOSS]
        # linear below the difference that one step could equalise (as eq 11)
        least = gas[last, at.GAMMA] * gas[last, at.PRESSURE] * step_s / gas[last, at.VOLUME]
        root = math.sqrt(z * z + 4.0 * least * least + 4.0 * k * abs(difference))
        q = 2.0 * difference / (z + root)
        flow = q * gas[last, at.PRESSURE] / gas[last, at.GAS_RT]
        dy[3 * last] -= flow
        dy[3 * last + 1] -= flow * gas[last, at.ENTHALPY]
        dy[3 * last + 2] -= flow * gas[last, at.BURNED]
        dy[ledger + at.MASS_IN_KG] -= flow
        dy[ledger + at.ENERGY_IN_J] -= flow * gas[last, at.ENTHALPY]
        out_flow[o] = flow


@njit(cache=True)
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


@njit(cache=True)
def rates(
    y: FloatArray, dy: FloatArray, step_s: float, throttle_m2: float, command: FloatArray,
    wave: FloatArray, c: FloatArray, e: FloatArray, pairs: FloatArray, phase: FloatArray,
    air: FloatArray, geo: FloatArray, gas: FloatArray, plan: FloatArray, out_flow: FloatArray,
) -> float:  # fmt: skip
    """Fill `dy` with the rate of change of the whole state; returns the starter current, A."""
    n = c.shape[0]
    ledger = 3 * gas.shape[0] + at.PER_CYLINDER * n
    dy[:] = 0.0
    speed = y[ledger + at.SPEED_RAD_S]
    crank_state(y[ledger + at.ANGLE_RAD], phase, c, e, geo, gas)
    gas_states(y, gas)
    for i in range(n):
        _cylinder(i, n, step_s, speed, c, e, geo, gas, plan, y, dy)
    for k in range(pairs.shape[0]):
        _stream(int(pairs[k, 0]), int(pairs[k, 1]), pairs[k, 2], step_s, gas, dy)
    _induction(n, step_s, throttle_m2, c, e, gas, air, dy)
    case = n + CRANKCASE
    flow = _outside(case, e[at.BREATHER_M2], (air[0], air[1], air[4]), step_s, gas, dy, ledger)
    out_flow[out_flow.shape[0] - 1] = flow
    loss = e[at.CRANKCASE_W_K] * (gas[case, at.TEMPERATURE] - e[at.CRANKCASE_WALL_K])
    dy[3 * case + 1] -= loss
    dy[ledger + at.LOSS_J] += loss
    _exhaust(n, step_s, wave, e, gas, air, dy, out_flow[: out_flow.shape[0] - 1])
    return _crank(n, speed, command[at.STARTER_ON], command[at.LOAD_NM], c, e, geo, gas, dy)


def initial_guess(volumes: int) -> FloatArray:
    """A gas table with starting temperatures for the first Newton step."""
    gas = np.zeros((volumes, 7))
    gas[:, at.TEMPERATURE] = 400.0
    return gas
