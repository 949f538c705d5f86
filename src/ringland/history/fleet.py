"""Which vehicle first: expected cost of waiting, and a plan that fits the hours of the bays.

Pure functions over frozen rows; see docs/theory/fleet.md.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ringland.errors import SettingError
from ringland.history.waiting import UNLISTED, ModeCost, OwnerCosts, load_waiting
from ringland.model import Estimate, natural_frequency
from ringland.units import grouped

__all__ = ["FleetRow", "Plan", "PlannedVisit", "VehicleCase", "fleet_order", "plan_visits"]

_LOOK_AHEAD_DAYS = 30.0  # without a service date
_TOLD = 0.05  # a cause less likely than this is not named


@dataclass(frozen=True)
class VehicleCase:
    """One vehicle as the newest diagnosis leaves it.

    `causes`: (failure mode, cylinder or None, probability); with `healthy` and `none_of_these`
    they sum to 1. `service_in_days`: when it is in the workshop anyway, None when not planned.
    `days_since`: age of the recording it rests on, made `seen_on`. `use_share`: days of use per
    calendar day. `state`: the worst of any cylinder.
    """

    vehicle: str
    name: str
    causes: tuple[tuple[str, int | None, float], ...]
    healthy: float
    none_of_these: float
    service_in_days: float | None = None
    days_since: float = 0.0
    use_share: float = 1.0
    state: str = "not judged"
    seen_on: str = ""


@dataclass(frozen=True)
class FleetRow:
    """One line of the order. Costs in the owner's currency with intervals that carry how well
    consequences are known; `per_day` is the cost of the next day of waiting, `until_service` that
    of waiting for the service (or 30 days). `visit_hours`: expected work when it comes in."""

    vehicle: str
    name: str
    per_day: Estimate
    until_service: Estimate
    wait_days: float
    visit_hours: float
    bring_in: bool
    sentence: str
    leading: str | None


def _damage(mode: ModeCost, costs: OwnerCosts) -> float:
    """What running on costs when it comes to the end: the damage, and the breakdown."""
    return mode.run_on_hours * costs.labour_rate_per_hour + mode.breakdown_share * (
        costs.breakdown_cost + costs.day_off_road_cost
    )


def _weights(case: VehicleCase) -> list[tuple[ModeCost, int | None, float]]:
    modes = load_waiting().modes
    found = []
    for mode, cylinder, probability in case.causes:
        if mode not in modes:
            raise SettingError(
                "A diagnosis names a failure mode that is not in the knowledge.",
                got=mode,
                remedy="Analyse the recording again with this version.",
            )
        found.append((modes[mode], cylinder, probability))
    found.append((modes[UNLISTED], None, case.none_of_these))
    total = case.healthy + sum(p for _, _, p in found)
    if not 0.99 <= total <= 1.01 or min(case.healthy, *(p for _, _, p in found)) < 0.0:
        raise SettingError(f"The probabilities of {case.name} do not sum to 1.", got=f"{total:.3f}")
    return found


def waiting_cost(case: VehicleCase, costs: OwnerCosts, days: float) -> float:
    """Expected cost of `days` more calendar days of use before it is looked at."""
    total = 0.0
    for mode, _, probability in _weights(case):
        used, more = case.days_since * case.use_share, days * case.use_share
        # the fault was there at the recording; part of the damage may already be done
        done = math.exp(-used / mode.days)
        total += probability * _damage(mode, costs) * done * -math.expm1(-more / mode.days)
    return total


def _wait_days(service_in_days: float | None) -> float:
    """Days until it is in the workshop anyway; a service that was missed is no date to count on."""
    if service_in_days is None or service_in_days < 0.0:
        return _LOOK_AHEAD_DAYS
    return service_in_days


def _row(case: VehicleCase, costs: OwnerCosts) -> FleetRow:
    wait = _wait_days(case.service_in_days)
    per_day, until = waiting_cost(case, costs, 1.0), waiting_cost(case, costs, wait)
    parts = _weights(case)
    hours = sum(p * m.repair_hours for m, _, p in parts)
    bring_in = until > costs.extra_visit_cost
    ranked = sorted(parts, key=lambda part: -part[2] * _damage(part[0], costs))
    mode, cylinder, probability = ranked[0]
    leading = mode.name if probability >= _TOLD else None
    return FleetRow(
        case.vehicle,
        case.name,
        _money(per_day),
        _money(until),
        wait,
        hours,
        bring_in,
        _sentence(case, (mode, cylinder, probability), until, wait, costs),
        leading,
    )


def _money(value: float) -> Estimate:
    share = load_waiting().uncertainty
    return Estimate(value, value * (1.0 - share), value * (1.0 + share), "currency")


def _sentence(
    case: VehicleCase,
    leading: tuple[ModeCost, int | None, float],
    until: float,
    wait: float,
    costs: OwnerCosts,
) -> str:
    mode, cylinder, probability = leading
    due = case.service_in_days
    if due is None:
        service = f"{wait:.0f} days"
    elif due < 0.0:
        service = f"another {wait:.0f} days (its service was due {-due:.0f} days ago)"
    else:
        service = f"its service in {wait:.0f} days"
    share = load_waiting().uncertainty
    amount = f"{grouped(until * (1 - share))} to {grouped(until * (1 + share))}"
    assumed = " Costs are assumed, not the owner's." if len(costs.stated) == 0 else ""
    if probability < _TOLD:
        return (
            f"{case.name}: nothing wrong is likely ({natural_frequency(case.healthy)} sound); "
            f"waiting for {service} costs about {amount}.{assumed}"
        )
    place = f" in cylinder {cylinder}" if cylinder is not None else ""
    verdict = (
        f"that is more than an extra visit ({grouped(costs.extra_visit_cost)}), so bring it in"
        if until > costs.extra_visit_cost
        else f"an extra visit costs {grouped(costs.extra_visit_cost)}, so it can wait"
    )
    aged = f" The recording is {case.days_since:.0f} days old." if case.days_since > 30 else ""
    return (
        f"{case.name}: {mode.name.lower()}{place} is {natural_frequency(probability)} likely. "
        f"{mode.consequences} Waiting for {service} costs about {amount}; {verdict}.{aged}{assumed}"
    )


def fleet_order(cases: Sequence[VehicleCase], costs: OwnerCosts) -> tuple[FleetRow, ...]:
    """Vehicles by what waiting costs, dearest first; a tie keeps the order given."""
    rows = [_row(case, costs) for case in cases]
    return tuple(sorted(rows, key=lambda row: -(row.until_service.value or 0.0)))


@dataclass(frozen=True)
class PlannedVisit:
    """A vehicle on a day (0: the first), with the bay hours it is given and why."""

    vehicle: str
    name: str
    day: int
    hours: float
    saves: float
    sentence: str


@dataclass(frozen=True)
class Plan:
    """What fits. `saves`: cost of waiting avoided, less extra visits. `left_out` (name, reason)."""

    visits: tuple[PlannedVisit, ...]
    saves: float
    left_out: tuple[tuple[str, str], ...]
    exact: bool


def plan_visits(
    cases: Sequence[VehicleCase],
    costs: OwnerCosts,
    *,
    bay_hours: Sequence[float],
    least_hours: float = 1.0,
) -> Plan:
    """The visits of the next days that save most and fit the bay hours of each day.

    A vehicle's work is done in one day, at most once. Solved exactly as a mixed-integer linear
    programme (HiGHS, by scipy). Raises SettingError for hours that are no hours.
    """
    if not bay_hours or not all(math.isfinite(h) and 0.0 <= h <= 1000.0 for h in bay_hours):
        raise SettingError(
            "The bay hours are wrong.",
            got=str(list(bay_hours)),
            allowed="one number from 0 to 1000 for each day",
        )
    rows = [_row(case, costs) for case in cases]
    hours = np.array([max(least_hours, r.visit_hours) for r in rows])
    days = len(bay_hours)
    saves = np.array(
        [
            [_saved(case, row, costs, day) for day in range(days)]
            for case, row in zip(cases, rows, strict=True)
        ]
    ).reshape(len(rows), days)
    chosen, exact = _best(saves, hours, np.asarray(bay_hours, dtype=np.float64))
    visits = [
        PlannedVisit(
            rows[i].vehicle,
            rows[i].name,
            day,
            float(hours[i]),
            float(saves[i, day]),
            f"Day {day + 1}: {rows[i].name}, {hours[i]:.1f} h expected; coming in now saves about "
            f"{grouped(saves[i, day])}. {rows[i].sentence}",
        )
        for i, day in sorted(chosen, key=lambda pair: (pair[1], -saves[pair[0], pair[1]]))
    ]
    planned = {v.vehicle for v in visits}
    left_out = tuple(
        (row.name, _why_left_out(saves[i], float(hours[i]), bay_hours))
        for i, row in enumerate(rows)
        if row.vehicle not in planned
    )
    return Plan(tuple(visits), float(sum(v.saves for v in visits)), left_out, exact)


def _saved(case: VehicleCase, row: FleetRow, costs: OwnerCosts, day: int) -> float:
    """Cost of waiting that coming in on this day avoids, less the extra visit."""
    if day >= row.wait_days and case.service_in_days is not None and case.service_in_days >= 0.0:
        return 0.0  # it is in for its service anyway
    left = waiting_cost(case, costs, row.wait_days) - waiting_cost(case, costs, float(day))
    return left - costs.extra_visit_cost


def _why_left_out(saves: np.ndarray, hours: float, bay_hours: Sequence[float]) -> str:
    if saves.max(initial=-math.inf) <= 0.0:
        return "waiting costs less than an extra visit"
    if hours > max(bay_hours):
        return f"{hours:.1f} h of work fit into no day"
    return "others save more in the hours there are"


def _best(
    saves: np.ndarray, hours: np.ndarray, bay_hours: np.ndarray
) -> tuple[list[tuple[int, int]], bool]:
    """(vehicle, day) pairs with the largest total saving, and whether that is proven."""
    count, days = saves.shape
    use = [(i, d) for i in range(count) for d in range(days) if saves[i, d] > 0.0]
    use = [(i, d) for i, d in use if hours[i] <= bay_hours[d]]
    if not use:
        return [], True
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import lil_array

    limits = lil_array((count + days, len(use)))
    for column, (i, d) in enumerate(use):
        limits[i, column] = 1.0
        limits[count + d, column] = hours[i]
    upper = np.concatenate([np.ones(count), bay_hours])
    found = milp(
        c=-np.array([saves[i, d] for i, d in use]),
        constraints=LinearConstraint(limits.tocsr(), -np.inf, upper),
        integrality=np.ones(len(use), dtype=np.int64),
        bounds=Bounds(0.0, 1.0),
        options={"time_limit": 20.0, "mip_rel_gap": 1e-4},
    )
    if found.x is None:
        return [], False
    return [pair for pair, x in zip(use, found.x, strict=True) if x > 0.5], bool(found.status == 0)
