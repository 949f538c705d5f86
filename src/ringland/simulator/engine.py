"""The integrator: second-order steps in time, events of the cycle, controller, recording."""

import math

import numpy as np
from numba import njit

from ringland.model._arrays import FloatArray
from ringland.simulator import layout as at
from ringland.simulator.combustion import residual_speed_ratio, wiebe
from ringland.simulator.rates import rates

__all__ = ["advance"]

_DEG = 180.0 / math.pi


@njit(cache=True, error_model="numpy")
def burned_share(angle_deg: float, i: int, c: FloatArray, e: FloatArray, plan: FloatArray) -> float:
    """Share of the cycle's fuel burned at this angle after firing top centre (eqs 29 to 31)."""
    after = angle_deg - plan[i, at.PLAN_START_DEG]
    if after <= 0.0:
        return 0.0
    a = e[at.WIEBE_A]
    premixed, late = c[i, at.PREMIXED_SHARE], c[i, at.DRIBBLE_SHARE]
    main = (after - c[i, at.MAIN_DELAY_DEG]) / plan[i, at.PLAN_DURATION_DEG]
    done = (1.0 - premixed - late) * wiebe(main, a, c[i, at.BURN_FORM])
    if premixed > 0.0:
        done += premixed * wiebe(after / c[i, at.PREMIXED_DURATION_DEG], a, c[i, at.PREMIXED_FORM])
    if late > 0.0:
        done += late * wiebe((after - 30.0) / 80.0, a, 1.0)
    return float(done)


@njit(cache=True, error_model="numpy")
def _plan_burn(
    i: int, n: int, draws: FloatArray, combustion_on: float, c: FloatArray, e: FloatArray,
    gas: FloatArray, y: FloatArray, plan: FloatArray, ctl: FloatArray,
) -> bool:  # fmt: skip
    """At inlet valve closing: fuel, timing and speed of this cycle's burn (eqs 32 to 37).

    `draws`: one uniform number and four standard normal ones. Returns True for a misfire.
    """
    extra = 3 * gas.shape[0] + at.PER_CYLINDER * i
    ledger = 3 * gas.shape[0] + at.PER_CYLINDER * n
    mass, burned = y[3 * i], gas[i, at.BURNED]
    air = max(mass - y[3 * i + 2], 0.0)
    plan[i, at.PLAN_DONE] = 0.0
    volume, p, t = gas[i, at.VOLUME], gas[i, at.PRESSURE], gas[i, at.TEMPERATURE]
    plan[i, at.PLAN_GAS_SPEED] = t / (p * volume)
    plan[i, at.PLAN_MOTORED] = p * math.exp(1.3 * math.log(volume))
    leak = y[extra + at.LEAK_AIR_KG] - plan[i, at.PLAN_LEAK_MARK]
    plan[i, at.PLAN_LEAK_MARK] = y[extra + at.LEAK_AIR_KG]
    unmetered = y[ledger + at.UNMETERED_KG]
    shared = (unmetered - plan[i, at.PLAN_UNMETERED_MARK]) / n
    plan[i, at.PLAN_UNMETERED_MARK] = unmetered
    plan[i, at.PLAN_FUEL_KG] = 0.0
    if combustion_on == 0.0 or c[i, at.ACTIVE] == 0.0:
        return False
    stoichiometric = air / e[at.AIR_FUEL_RATIO]
    scatter = 1.0 + e[at.MIXTURE_SCATTER] * draws[4]
    if e[at.DIESEL] > 0.0:
        fuel = min(ctl[at.CTL_FUEL] * scatter / c[i, at.LAMBDA_RATIO], stoichiometric / 1.1)
        slowing = 1.0
        fails = False
    else:
        ratio = c[i, at.LAMBDA_RATIO] * scatter
        ratio *= 1.0 + min(max(leak, 0.0) / max(air - leak, 1e-9), 3.0)
        # air that no meter saw: mixture control makes up for it as far as its authority goes
        excess = min(max(shared, 0.0) / max(air - shared, 1e-9), 3.0)
        ratio *= 1.0 + max(excess - e[at.MIXTURE_AUTHORITY], 0.0)
        fuel = min(stoichiometric / ratio, stoichiometric)
        slowing = residual_speed_ratio(e[at.RESIDUAL_REFERENCE]) / residual_speed_ratio(burned)
        slowing = math.exp(e[at.RESIDUAL_EFFECT] * math.log(slowing))
        off = ratio - 0.93
        slowing *= 1.0 + (5.0 if off > 0.0 else 2.5) * off * off
        fails = ratio > 1.7 or ratio < 0.5 or burned > 0.5
    if fails or draws[0] < c[i, at.MISFIRE_RATE]:
        return True
    heat_share = c[i, at.HEAT_SHARE] * (1.0 + e[at.HEAT_SCATTER] * draws[3])
    plan[i, at.PLAN_FUEL_KG] = fuel * max(heat_share, 0.0)
    start = c[i, at.BURN_START_DEG] - ctl[at.CTL_ADVANCE]
    plan[i, at.PLAN_START_DEG] = start + e[at.START_SCATTER_DEG] * draws[2]
    stretch = min(slowing, 3.0) * math.exp(e[at.DURATION_SCATTER] * draws[1])
    plan[i, at.PLAN_DURATION_DEG] = c[i, at.BURN_DURATION_DEG] * stretch
    longest = c[i, at.MAIN_DELAY_DEG] + plan[i, at.PLAN_DURATION_DEG]
    if c[i, at.PREMIXED_SHARE] > 0.0:
        longest = max(longest, c[i, at.PREMIXED_DURATION_DEG])
    if c[i, at.DRIBBLE_SHARE] > 0.0:
        longest = max(longest, 110.0)
    plan[i, at.PLAN_END_DEG] = plan[i, at.PLAN_START_DEG] + longest + 5.0
    return False


@njit(cache=True, error_model="numpy", inline="always")
def _burn(
    n: int, step_s: float, ledger: int, c: FloatArray, e: FloatArray, geo: FloatArray,
    plan: FloatArray, y: FloatArray, now: FloatArray,
) -> None:  # fmt: skip
    """Add to the rates what burning does now: fuel in, heat out of it, air into products.

    The rate is the difference of the Wiebe curve half a step ahead and half a step behind: second
    order, and over the cycle it sums to the curve exactly. No more burns than there is air for.
    """
    cycle = e[at.CYCLE_DEG]
    half_turn = 0.5 * y[ledger + at.SPEED_RAD_S] * step_s * _DEG
    air_per_fuel = e[at.BURNED_PER_FUEL] - e[at.FUEL_MASS_SHARE]
    for i in range(n):
        if plan[i, at.PLAN_FUEL_KG] > 0.0:
            phase = geo[i, at.CYL_PHASE]
            angle = (phase if phase < cycle - 180.0 else phase - cycle) + half_turn
            if angle > plan[i, at.PLAN_END_DEG]:
                plan[i, at.PLAN_FUEL_KG] = 0.0
            elif angle > plan[i, at.PLAN_START_DEG]:
                done = burned_share(angle, i, c, e, plan)
                rate = plan[i, at.PLAN_FUEL_KG] * (done - plan[i, at.PLAN_DONE]) / step_s
                plan[i, at.PLAN_DONE] = done
                if air_per_fuel > 0.0:
                    air = max(y[3 * i] - y[3 * i + 2], 0.0)
                    rate = min(rate, 0.6 * air / (air_per_fuel * step_s))
                now[3 * i] += rate * e[at.FUEL_MASS_SHARE]
                now[3 * i + 1] += rate * e[at.FUEL_J_KG]
                now[3 * i + 2] += rate * e[at.BURNED_PER_FUEL]
                now[ledger + at.FUEL_KG] += rate * e[at.FUEL_MASS_SHARE]
                now[ledger + at.HEAT_J] += rate * e[at.FUEL_J_KG]


@njit(cache=True, error_model="numpy")
def _control(
    step_s: float, rpm: float, command: FloatArray, e: FloatArray, ctl: FloatArray
) -> float:
    """Idle or held-speed control by air (spark ignition) or fuel (diesel); returns the throttle
    area (eqs 38 to 40)."""
    ctl[at.CTL_SPEED] += min(step_s / 0.06, 1.0) * (rpm - ctl[at.CTL_SPEED])
    share = command[at.THROTTLE_SHARE]
    diesel = e[at.DIESEL] > 0.0
    error = (command[at.TARGET_RPM] - ctl[at.CTL_SPEED]) / command[at.TARGET_RPM]
    if share < 0.0:
        step = e[at.CONTROL_RATE_HZ] * step_s * max(min(error, 0.3), -0.3)
        ctl[at.CTL_INTEGRAL] = min(max(ctl[at.CTL_INTEGRAL] + step, -1.5), 3.0)
    correction = max(1.0 + e[at.CONTROL_GAIN] * error, 0.1)
    demand = math.exp(ctl[at.CTL_INTEGRAL]) * correction
    # fuel is cut on overrun: throttle closed, far above the speed asked for
    ctl[at.CTL_CUT] = 1.0 if share < 0.0 and error < -0.6 else 0.0
    # timing follows speed as the distributor or the map does, from 700 rpm up
    timing = e[at.ADVANCE_PER_RPM_DEG] * min(max(ctl[at.CTL_SPEED] - 700.0, 0.0), 2000.0)
    quick = min(max(e[at.ADVANCE_GAIN_DEG] * error, -8.0), 8.0)
    ctl[at.CTL_ADVANCE] = timing + (quick if share < 0.0 else 0.0)
    if diesel:
        ctl[at.CTL_FUEL] = e[at.IDLE_FUEL_KG] * (demand if share < 0.0 else 12.0 * share)
        return float(e[at.FULL_THROTTLE_M2])
    if share >= 0.0:
        return max(float(share * e[at.FULL_THROTTLE_M2]), 1e-7)
    return min(float(e[at.IDLE_THROTTLE_M2] * demand), float(e[at.FULL_THROTTLE_M2]))


@njit(cache=True, error_model="numpy")
def _events(
    now_s: float, step_s: float, combustion_on: float, draws: FloatArray,
    c: FloatArray, e: FloatArray, geo: FloatArray, gas: FloatArray, y: FloatArray,
    plan: FloatArray, ctl: FloatArray, marks: FloatArray, truth: FloatArray,
) -> None:  # fmt: skip
    """What happens once a cycle: inlet closing, firing top dead centre, end of the cycle.

    `marks` (cylinders, 4): work and blow-by at the start of the cycle, highest pressure so far, and
    the phase one step ago (NaN at the very start).
    """
    n = c.shape[0]
    cycle = e[at.CYCLE_DEG]
    angle = y[3 * gas.shape[0] + at.PER_CYLINDER * n + at.ANGLE_RAD] * _DEG
    rows = truth.shape[0]
    for i in range(n):
        phase, old = geo[i, at.CYL_PHASE], marks[i, 3]
        marks[i, 3] = phase
        marks[i, 2] = max(marks[i, 2], gas[i, at.PRESSURE])
        wrapped = phase < old - 0.5 * cycle
        reached = phase + cycle if wrapped else phase
        traps = max(c[i, at.INLET_CLOSES_DEG], c[i, at.EXHAUST_CLOSES_DEG])
        closes = old < traps <= reached
        ends = old < cycle - 180.0 <= reached
        if not (wrapped or closes or ends):
            continue
        extra = 3 * gas.shape[0] + at.PER_CYLINDER * i
        local = (angle - c[i, at.FIRING_DEG]) / cycle
        k = min(max(math.floor(local), 0), rows - 1)
        if closes:
            k = min(max(math.ceil(local), 0), rows - 1)
            missed = _plan_burn(i, n, draws[k, i], combustion_on, c, e, gas, y, plan, ctl)
            truth[k, i, at.TRUE_MISFIRED] = 1.0 if missed else 0.0
            truth[k, i, at.TRUE_HEAT] = plan[i, at.PLAN_FUEL_KG] * e[at.FUEL_J_KG]
            truth[k, i, at.TRUE_RESIDUAL] = gas[i, at.BURNED]
            truth[k, i, at.TRUE_TRAPPED] = y[3 * i]
        elif wrapped:
            truth[k, i, at.TRUE_FIRING_S] = now_s - step_s * phase / (reached - old)
        else:
            truth[k, i, at.TRUE_IMEP] = (y[extra + at.WORK_J] - marks[i, 0]) / e[at.SWEPT_M3]
            truth[k, i, at.TRUE_BLOW_BY] = y[extra + at.BLOW_BY_KG] - marks[i, 1]
            truth[k, i, at.TRUE_PEAK] = marks[i, 2]
            marks[i, 0] = y[extra + at.WORK_J]
            marks[i, 1] = y[extra + at.BLOW_BY_KG]
            marks[i, 2] = 0.0


@njit(cache=True, error_model="numpy")
def advance(
    y: FloatArray, slope: FloatArray, gas: FloatArray, plan: FloatArray, ctl: FloatArray,
    marks: FloatArray, first: int, commands: FloatArray, rate_hz: float, substeps: int,
    c: FloatArray, e: FloatArray, pairs: FloatArray, phase: FloatArray, air: FloatArray,
    draws: FloatArray, truth: FloatArray, signals: FloatArray, pressures: FloatArray,
) -> None:  # fmt: skip
    """Carry the state `y` over every row of `commands` and fill `signals` and `pressures`.

    `slope` is the rate of change one step ago (NaN at the very start): the two-step
    Adams-Bashforth rule, second order with one evaluation per step (eqs 41, 42).

    `signals` (samples, 7 + 3 * outlets): angle rad, speed rad/s, crankcase Pa, crankcase flow,
    plenum Pa, starter A, throttle m2, then flow, pressure, temperature per outlet. `pressures`
    (samples, cylinders) or (0, 0). Arrays other than those of constants are changed in place.
    """
    n = c.shape[0]
    volumes = gas.shape[0]
    ledger = 3 * volumes + at.PER_CYLINDER * n
    outlets = (signals.shape[1] - 7) // 3
    tail = volumes - outlets
    step_s = 1.0 / (rate_hz * substeps)
    now = np.zeros_like(y)
    geo = np.zeros((n, 5))
    out_flow = np.zeros(outlets + 1)
    wave = np.zeros(outlets)
    for s in range(commands.shape[0]):
        command = commands[s]
        rpm = y[ledger + at.SPEED_RAD_S] * 30.0 / math.pi
        throttle = _control(1.0 / rate_hz, rpm, command, e, ctl)
        combustion_on = command[at.COMBUSTION_ON] * (1.0 - ctl[at.CTL_CUT])
        for part in range(substeps):
            current = rates(
                y, now, s * substeps + part, step_s, throttle, command, wave, c, e, pairs, phase,
                air, geo, gas, plan, out_flow,
            )  # fmt: skip
            if part == 0:
                row = signals[s]
                row[0], row[1] = y[ledger + at.ANGLE_RAD], y[ledger + at.SPEED_RAD_S]
                row[2], row[3] = gas[n + 1, at.PRESSURE], out_flow[outlets]
                row[4], row[5], row[6] = gas[n, at.PRESSURE], current, throttle
                for o in range(outlets):
                    row[7 + 3 * o] = out_flow[o]
                    row[8 + 3 * o] = gas[tail + o, at.PRESSURE]
                    row[9 + 3 * o] = gas[tail + o, at.TEMPERATURE]
                if pressures.shape[0] > 0:
                    for i in range(n):
                        pressures[s, i] = gas[i, at.PRESSURE]
            now_s = (first + s) / rate_hz + part * step_s
            _events(
                now_s, step_s, combustion_on, draws, c, e, geo, gas, y, plan, ctl,
                marks, truth,
            )  # fmt: skip
            _burn(n, step_s, ledger, c, e, geo, plan, y, now)
            if math.isnan(slope[0]):
                slope[:] = now
            for j in range(y.shape[0]):
                y[j] += step_s * (1.5 * now[j] - 0.5 * slope[j])
                slope[j] = now[j]
