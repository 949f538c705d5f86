"""Marrow Valley Transit's store: 24 invented vehicles, two years of visits, some with a story.

All of it is made up, and every row that a person reads says so. No recording stands behind these
visits, only the numbers; the original of each is the invented result itself.
"""

import json
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from importlib.resources import files
from statistics import median
from typing import Any

from ringland import __version__
from ringland.history.keep import document_text, keep_analysis, keep_recording_row
from ringland.history.rows import Vehicle, Visit
from ringland.history.shelves import SHELVES
from ringland.history.store import Store

__all__ = ["ASKED_INVENTED", "INVENTED", "fill_demo_store"]

INVENTED = "INVENTED: Marrow Valley Transit, its vehicles and these visits do not exist."
ASKED_INVENTED = "invented"
"""`asked` of these analyses: nothing was asked of a recording, so it cannot be asked again."""
_ORDERS = {4: (1, 3, 4, 2), 6: (1, 5, 3, 6, 2, 4)}
_METRICS: dict[str, tuple[float, float, float, int]] = {
    "exhaust_pulse_strength": (1.0, 0.2, 0.4, -1),
    "exhaust_misfire_rate": (0.0, 0.01, 0.04, 1),
    "exhaust_cycle_scatter": (0.05, 0.2, 0.4, 1),
    "exhaust_early_pressure": (0.0, 0.3, 0.5, 1),
    "crankcase_push": (0.0, 0.7, 1.1, 1),
}
"""Level of a sound cylinder, deviation for alert and alarm, and the side that is trouble."""


_UNKNOWN = {"value": None, "low": None, "high": None, "unit": "1", "coverage": 0.9,
            "reason": "invented"}  # fmt: skip


@dataclass(frozen=True)
class Step:
    """One visit of a story: days before today, purpose, size of the fault, and the words."""

    days_ago: int
    purpose: str
    size: float
    complaint: str = ""
    work: str = ""
    found: str | None = None
    how: str = ""


@dataclass(frozen=True)
class Story:
    """What happens to one vehicle. `shape`: metric -> its deviation at size 1."""

    mode: str
    cylinder: int
    shape: Mapping[str, float]
    steps: tuple[Step, ...]


RING = Story(
    "ring_leak", 2, {"crankcase_push": 2.0, "exhaust_pulse_strength": -0.15},
    (
        Step(420, "follow-up", 0.20),
        Step(330, "follow-up", 0.34),
        Step(240, "follow-up", 0.60, "Uses a little oil."),
        Step(170, "fault-finding", 1.55, "Uses oil, smells of it at the filler.", "", "ring_leak",
             "leak-down, heard at the filler"),
        Step(166, "before", 1.60, "", "Rings of cylinder 2 freed with piston cleaner, oil changed"),
        Step(159, "after", 0.10, "Cleaned 300 km ago."),
        Step(80, "follow-up", 0.08),
        Step(20, "follow-up", 0.09),
    ),
)  # fmt: skip
VALVE = Story(
    "exhaust_valve_leak", 5, {"exhaust_early_pressure": 1.0, "exhaust_pulse_strength": -0.3},
    (
        Step(500, "follow-up", 0.05),
        Step(400, "follow-up", 0.12),
        Step(300, "follow-up", 0.22),
        Step(210, "follow-up", 0.33, "None, but keep an eye on it."),
        Step(120, "follow-up", 0.44, "A little rough at idle."),
        Step(40, "fault-finding", 0.58, "Puffing at the tailpipe, little power on the pass.", "",
             "exhaust_valve_leak", "leak-down, heard at the tailpipe"),
        Step(8, "follow-up", 0.63, "Waiting for the head to be taken off."),
    ),
)  # fmt: skip
FALSE_ALARM = Story(
    "ignition_misfire", 3, {"exhaust_misfire_rate": 0.3, "exhaust_cycle_scatter": 0.6},
    (
        Step(200, "fault-finding", 0.9, "Routine visit; it idled as always.",
             "Plugs and coils looked at, nothing found; water drained from the sensor hose", "",
             "coil and plug swapped, scope: nothing wrong"),
        Step(199, "follow-up", 0.0, "Recorded again with a dry hose: sound."),
        Step(90, "follow-up", 0.0),
    ),
)  # fmt: skip
NO_HELP = Story(
    "ignition_misfire", 4, {"exhaust_misfire_rate": 0.25, "exhaust_pulse_strength": -0.25},
    (
        Step(95, "fault-finding", 0.8, "Shakes at the stop."),
        Step(92, "before", 0.8, "", "Coil of cylinder 4 renewed"),
        Step(91, "after", 0.78, "Shakes as before."),
        Step(60, "fault-finding", 0.85, "Still shakes.", "Intake gasket at cylinder 4 renewed",
             "intake_leak_cylinder", "smoke at the intake joint of cylinder 4"),
        Step(59, "after", 0.0, "Idles smoothly."),
    ),
)  # fmt: skip

_FLEET: tuple[tuple[str, str, int, str, Story | None], ...] = (
    ("van 21", "van", 4, "van.toml", RING),
    ("rural bus 12", "bus", 6, "rural_bus.toml", VALVE),
    ("minibus 7", "minibus", 4, "minibus.toml", FALSE_ALARM),
    ("minibus 9", "minibus", 4, "minibus.toml", NO_HELP),
    *((f"minibus {n}", "minibus", 4, "minibus.toml", None) for n in range(1, 7)),
    *((f"van {n}", "van", 4, "van.toml", None) for n in range(22, 29)),
    *((f"rural bus {n}", "bus", 6, "rural_bus.toml", None) for n in range(13, 20)),
)


def fill_demo_store(store: Store, *, today: date | None = None) -> int:
    """Fill an empty store with the invented fleet; how many visits were made (0: not empty).

    The two years end before `today` (default: this day); all else is the same every time.
    """
    day = today or date.today()
    with store.transaction():
        if SHELVES["vehicle"].all(store, deleted=True, limit=1):
            return 0
        owner = SHELVES["owner"].add(
            store,
            name="Marrow Valley Transit",
            contact="M. Example",
            costs=json.dumps({"labour_rate_per_hour": 85, "extra_visit_cost": 60}),
            remark=INVENTED,
        )
        return sum(
            _vehicle(store, owner.id, day, (number, *entry))
            for number, entry in enumerate(_FLEET, start=1)
        )


def _vehicle(
    store: Store,
    owner_id: str,
    today: date,
    entry: tuple[int, str, str, int, str, Story | None],
) -> int:
    number, name, kind, cylinders, engine_file, story = entry
    rng = random.Random(number)  # noqa: S311 - invented numbers, the same every time
    vehicle: Vehicle = SHELVES["vehicle"].add(
        store,
        owner_id=owner_id,
        name=name,
        fleet_number=name.rsplit(" ", 1)[1],
        plate=f"MVT {100 + number}",
        kind=kind,
        service_due_on=(today + timedelta(days=rng.randint(5, 80))).isoformat(),
        remark=INVENTED,
    )
    text = files("ringland").joinpath("data", "demo", engine_file).read_text("utf-8")
    SHELVES["engine"].add(
        store, vehicle_id=vehicle.id, name=f"{kind} engine", engine_type=kind, description=text
    )
    first = Step(730 - rng.randint(0, 30), "baseline", 0.0, "First recording of a sound engine.")
    routine = tuple(Step(d + rng.randint(-9, 9), "follow-up", 0.0) for d in range(640, 9, -90))
    steps = (first, *(story.steps if story else routine))
    if story:
        oldest = story.steps[0].days_ago
        early = [s for s in routine if s.days_ago > oldest + 30]
        steps = (first, *early, *story.steps)
    own = {m: [rng.gauss(0.0, 0.25 * _METRICS[m][1]) for _ in range(cylinders)] for m in _METRICS}
    own["exhaust_misfire_rate"] = [0.0] * cylinders
    start_km, per_day = rng.uniform(60_000, 400_000), rng.uniform(60, 180)
    for step in steps:
        km = round(start_km + per_day * (740 - step.days_ago))
        day = today - timedelta(days=step.days_ago)
        _visit(store, vehicle, (day, cylinders, story, own, km), step, rng)
    return len(steps)


def _visit(
    store: Store,
    vehicle: Vehicle,
    about: tuple[date, int, Story | None, Mapping[str, list[float]], int],
    step: Step,
    rng: random.Random,
) -> None:
    visited, cylinders, story, own, km = about
    day = visited.isoformat()
    visit: Visit = SHELVES["visit"].add(
        store, vehicle_id=vehicle.id, visited_on=day, purpose=step.purpose, odometer_km=float(km),
        technician="R. Invented", place="Depot", complaint=step.complaint, coolant_k=358.0,
        remark=INVENTED,
    )  # fmt: skip
    document = _document(f"{vehicle.name}, {day}", cylinders, _values(story, own, step, rng), step,
                         story)  # fmt: skip
    original = document_text({"notice": INVENTED, "result": document})
    sha256 = store.files.put_bytes(original.encode("ascii"))
    recording = keep_recording_row(
        store, visit.id, sha256, len(original),
        {"file_name": "invented.json", "condition": "idle", "remark": INVENTED},
    )  # fmt: skip
    analysis = keep_analysis(store, recording.id, document, asked=ASKED_INVENTED)
    if step.work and story:
        SHELVES["work"].add(
            store, visit_id=visit.id, done_on=day, text=step.work, failure_mode=story.mode,
            cylinder=story.cylinder, odometer_km=float(km),
        )  # fmt: skip
    if step.found is not None and story:
        SHELVES["outcome"].add(
            store, visit_id=visit.id, analysis_id=analysis.id, failure_mode=step.found,
            cylinder=story.cylinder if step.found else None, found_on=day, how=step.how,
        )  # fmt: skip


def _values(
    story: Story | None, own: Mapping[str, list[float]], step: Step, rng: random.Random
) -> dict[str, list[float]]:
    """Each metric of each cylinder: what is its own, the story, and the wobble of a hook-up."""
    values = {}
    for metric, (level, alert, _, _) in _METRICS.items():
        row = [level + shift + rng.gauss(0.0, 0.12 * alert) for shift in own[metric]]
        if metric == "exhaust_misfire_rate":
            row = [0.0] * len(row)
        if story and metric in story.shape:
            row[story.cylinder - 1] += step.size * story.shape[metric]
        lowest = 0.0 if metric in ("exhaust_misfire_rate", "exhaust_cycle_scatter") else -9.0
        values[metric] = [max(lowest, v) for v in row]
    return values


def _estimate(value: float, half: float) -> dict[str, Any]:
    low, high = round(value - half, 6), round(value + half, 6)
    return {"value": round(value, 6), "low": low, "high": high, "unit": "1", "coverage": 0.9,
            "reason": None}  # fmt: skip


def _document(
    name: str,
    cylinders: int,
    values: Mapping[str, Sequence[float]],
    step: Step,
    story: Story | None,
) -> dict[str, Any]:
    """An analysis in the shape that `ringland.output.as_json` makes."""
    symptoms, entries, worst = [], [], "normal"
    for position, cylinder in enumerate(_ORDERS[cylinders], start=1):
        metrics, states = {}, []
        for metric, row in values.items():
            _, alert, alarm, side = _METRICS[metric]
            deviation = row[cylinder - 1] - median(row)
            beyond = side * deviation
            state = "alarm" if beyond > alarm else "alert" if beyond > alert else "normal"
            states.append(state)
            channel = "crankcase" if metric.startswith("crankcase") else "exhaust"
            metrics[metric] = {**_estimate(row[cylinder - 1], 0.15 * alert), "state": state,
                               "state_reason": None, "channel": channel}  # fmt: skip
            if state != "normal":
                symptoms.append(_symptom(metric, position, cylinder, state, deviation))
        state = next((s for s in ("alarm", "alert") if s in states), "normal")
        worst = state if state == "alarm" or worst == "normal" else worst
        entries.append(
            {
                "cylinder": cylinder, "firing_position": position,
                "firing_angle_deg": 720.0 * (position - 1) / cylinders,
                "assignment_probability": 0.99, "position_known": True,
                "assignment_reason": "invented", "heard": True, "state": state,
                "metrics": metrics, "misfires": [],
            }
        )  # fmt: skip
    causes, healthy = _causes(worst, step, story)
    return {
        "schema": "ringland.analysis/1",
        "recording": _recording(name),
        "engine": {"name": "invented", "cylinders": cylinders, "strokes": 4,
                   "firing_order": list(_ORDERS[cylinders]),
                   "firing_angles_deg": [720.0 * i / cylinders for i in range(cylinders)],
                   "outlets": [1] * cylinders, "inactive_cylinders": [], "fuel": "unknown",
                   "aspiration": "unknown"},
        "not_judged": None, "notes": [INVENTED], "quality": {"channels": []},
        "speed_rpm": {**_estimate(780.0, 1.0), "unit": "rpm"},
        "cycles": {"found": 78, "kept": 78, "dropped": [], "dropped_by_reason": {},
                   "phase_source": "trigger", "reference": "cylinder",
                   "reference_reason": "invented", "cycle_deg": 720.0, "tooth_wheel": None,
                   "reason": None, "notes": []},
        "cylinders": entries, "engine_metrics": {}, "imbalance": [], "path_delays": [],
        "crank_ripple": [], "symptoms": symptoms,
        "symptom_rates": {"alarm": 0.01, "alert": 0.05}, "causes": causes, "healthy": healthy,
        "none_of_these": 0.03, "resembles_nothing": None, "next_tests": [], "actions": [],
        "provenance": {"ringland": __version__, "steps": [{"name": "invented", "settings": {}}]},
    }  # fmt: skip


def _recording(name: str) -> dict[str, Any]:
    channels = [
        {"name": role, "role": role, "role_reason": "invented", "unit": "V", "rate_hz": 5000.0,
         "samples": 60_000}
        for role in ("exhaust", "crankcase")
    ]  # fmt: skip
    return {"name": name, "format": "invented", "size_bytes": None, "sha256": None,
            "condition": "idle", "speed_hint_rpm": None, "start_s": 0.0, "duration_s": 12.0,
            "channels": channels, "edge_trains": [], "notes": [INVENTED]}  # fmt: skip


def _symptom(
    metric: str, position: int, cylinder: int, state: str, deviation: float
) -> dict[str, Any]:
    _, alert, alarm, side = _METRICS[metric]
    return {
        "metric": metric, "firing_position": position, "cylinder": cylinder, "state": state,
        "deviation": _estimate(deviation, 0.15 * alert), "alert_limit": side * alert,
        "alarm_limit": side * alarm, "p_value": 0.001, "compared_with": "the other cylinders",
        "sentence": f"Cylinder {cylinder}: {metric.replace('_', ' ')} is off by {deviation:+.2f}.",
        "reason": None,
    }  # fmt: skip


def _causes(worst: str, step: Step, story: Story | None) -> tuple[list[dict[str, Any]], float]:
    """A believable ranking; what is sound, what is left and the causes sum to 1."""
    healthy = {"normal": 0.87, "alert": 0.40, "alarm": 0.08}[worst]
    left = 1.0 - healthy - 0.03
    shares: tuple[tuple[str, int | None, float], ...]
    if story is None or step.size == 0.0:
        shares = (("lean_mixture", None, 0.4), ("valve_guides_worn", None, 0.3),
                  ("ignition_late", None, 0.3))  # fmt: skip
    else:
        shares = ((story.mode, story.cylinder, 0.78), ("inlet_valve_leak", story.cylinder, 0.12),
                  ("lean_cylinder", story.cylinder, 0.10))  # fmt: skip
    causes: list[dict[str, Any]] = [
        {
            "failure_mode": mode, "name": mode.replace("_", " ").capitalize(),
            "cylinder": cylinder, "firing_position": None, "probability": left * share,
            "present": left * share, "severity": _UNKNOWN, "speaks_for": [], "speaks_against": [],
            "would_also_show": [],
        }
        for mode, cylinder, share in shares
    ]  # fmt: skip
    return causes, healthy
