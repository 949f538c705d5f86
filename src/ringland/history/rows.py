"""What the workshop remembers: one frozen type per table.

Every row has `id`, `created_utc`, `changed_utc` (ISO 8601, UTC), `version` (1, 2, ...; raised by
every change, so that two writers cannot overwrite each other unseen) and `deleted_utc` (None while
the row counts). Text that was not given is "", a number that is not known is None. Dates are
"YYYY-MM-DD".
"""

from dataclasses import dataclass
from enum import StrEnum

__all__ = [
    "AnalysisRow",
    "CalibrationRow",
    "Change",
    "Engine",
    "Note",
    "Outcome",
    "Owner",
    "Photo",
    "Purpose",
    "ReadingSet",
    "RecordingRow",
    "ReportSent",
    "Row",
    "TestResult",
    "Vehicle",
    "Visit",
    "Work",
]


class Purpose(StrEnum):
    """Why a vehicle was visited."""

    BASELINE = "baseline"
    FAULT_FINDING = "fault-finding"
    BEFORE = "before"
    AFTER = "after"
    FOLLOW_UP = "follow-up"


@dataclass(frozen=True, kw_only=True)
class Row:
    """What every row has."""

    id: str
    created_utc: str
    changed_utc: str
    version: int
    deleted_utc: str | None = None


@dataclass(frozen=True, kw_only=True)
class Owner(Row):
    """Whose vehicles they are. `costs` is a JSON object of what waiting costs this owner."""

    name: str
    contact: str = ""
    email: str = ""
    phone: str = ""
    address: str = ""
    costs: str = "{}"
    remark: str = ""


@dataclass(frozen=True, kw_only=True)
class Vehicle(Row):
    """A vehicle, boat, pump or genset. `vin` as given; its check digit is only ever a warning."""

    owner_id: str | None = None
    name: str
    fleet_number: str = ""
    plate: str = ""
    vin: str = ""
    kind: str = ""
    service_due_on: str | None = None
    service_due_km: float | None = None
    remark: str = ""


@dataclass(frozen=True, kw_only=True)
class Engine(Row):
    """An engine while it is in a vehicle. `description` is the text of an engine file (TOML);
    `engine_type` names the population of like engines."""

    vehicle_id: str
    name: str
    serial: str = ""
    engine_type: str = ""
    description: str = ""
    fitted_on: str | None = None
    fitted_km: float | None = None
    removed_on: str | None = None
    remark: str = ""


@dataclass(frozen=True, kw_only=True)
class Visit(Row):
    """One time the technician was at the vehicle. Temperatures in kelvin."""

    vehicle_id: str
    engine_id: str | None = None
    visited_on: str
    purpose: Purpose
    place: str = ""
    technician: str = ""
    odometer_km: float | None = None
    running_hours: float | None = None
    fuel: str = ""
    oil: str = ""
    coolant_k: float | None = None
    air_k: float | None = None
    altitude_m: float | None = None
    weather: str = ""
    complaint: str = ""
    remark: str = ""


@dataclass(frozen=True, kw_only=True)
class RecordingRow(Row):
    """An original recording file. `sha256` finds it; `roles` is a JSON object role -> channel."""

    visit_id: str
    sha256: str
    file_name: str
    size_bytes: int
    condition: str = "unknown"
    speed_hint_rpm: float | None = None
    rate_hz: float | None = None
    roles: str = "{}"
    duration_s: float | None = None
    remark: str = ""


@dataclass(frozen=True, kw_only=True)
class AnalysisRow(Row):
    """One analysis of a recording. `sha256` finds the whole JSON document.

    `state` is the worst state of any cylinder; `causes` a JSON list of {failure_mode, cylinder,
    firing_position, probability}, most probable first, then what is left of each failure mode with
    "rest": true. `shares` is the same by failure mode in a form that is read fast (see
    `shares.py`). `asked` is a hash of the engine and the
    settings: the same recording asked the same way by the same software is the same row.
    """

    recording_id: str
    sha256: str
    size_bytes: int
    software: str
    schema: str
    asked: str = ""
    state: str = "not judged"
    not_judged: str | None = None
    speed_rpm: float | None = None
    cycles_kept: int | None = None
    healthy: float | None = None
    none_of_these: float | None = None
    causes: str = "[]"
    shares: str = ""


@dataclass(frozen=True, kw_only=True)
class ReadingSet(Row):
    """The metric values of one analysis (its id is that of the analysis), for trends.

    `readings` is a JSON list of [metric, role, firing_position, cylinder, value, low, high, state].
    """

    analysis_id: str
    readings: str = "[]"


@dataclass(frozen=True, kw_only=True)
class TestResult(Row):
    """The answer to a follow-up test. `readings` is a JSON object name -> number."""

    __test__ = False  # not a test case, whatever the name

    visit_id: str
    analysis_id: str | None = None
    test: str
    outcome: str
    cylinder: int | None = None
    firing_position: int | None = None
    readings: str = "{}"
    done_on: str | None = None
    minutes: float | None = None
    remark: str = ""


@dataclass(frozen=True, kw_only=True)
class Work(Row):
    """What was done to the vehicle. `code` is the workshop's own; `parts` free text."""

    visit_id: str
    done_on: str | None = None
    code: str = ""
    text: str = ""
    parts: str = ""
    failure_mode: str = ""
    cylinder: int | None = None
    odometer_km: float | None = None
    minutes: float | None = None
    cost: float | None = None
    currency: str = ""


@dataclass(frozen=True, kw_only=True)
class Outcome(Row):
    """What was really found. `failure_mode` "" means: looked, and nothing was wrong.

    `analysis_id` names the call it confirms or refutes; None: any of the visit.
    """

    visit_id: str
    analysis_id: str | None = None
    failure_mode: str = ""
    cylinder: int | None = None
    firing_position: int | None = None
    severity: float | None = None
    severity_unit: str = ""
    found_on: str | None = None
    how: str = ""
    text: str = ""


@dataclass(frozen=True, kw_only=True)
class ReportSent(Row):
    """A document that left the house. `state` is queued, sent or failed, with the reason."""

    visit_id: str
    kind: str = ""
    recipient: str = ""
    subject: str = ""
    sha256: str | None = None
    state: str = "queued"
    reason: str = ""
    sent_utc: str | None = None


@dataclass(frozen=True, kw_only=True)
class Note(Row):
    """Free text on a vehicle, or on one of its visits."""

    vehicle_id: str
    visit_id: str | None = None
    text: str
    written_by: str = ""


@dataclass(frozen=True, kw_only=True)
class Photo(Row):
    """A picture, kept like an original."""

    vehicle_id: str
    visit_id: str | None = None
    sha256: str
    file_name: str
    size_bytes: int
    media_type: str = ""
    caption: str = ""


@dataclass(frozen=True, kw_only=True)
class CalibrationRow(Row):
    """One quantity of one input of an instrument, as in `ringland.instruments.calibration`.
    `readings` is a JSON object."""

    what: str
    instrument: str
    address: str = ""
    input: str
    role: str = ""
    measured_utc: str
    rate_hz: float
    value: float
    standard_error: float | None = None
    unit: str = ""
    reference: str = ""
    readings: str = "{}"
    remark: str = ""
    which: str = ""


@dataclass(frozen=True, kw_only=True)
class Change:
    """One line of the audit log. `fields` is a JSON object field -> [before, after]."""

    id: str
    utc: str
    who: str
    action: str
    kind: str
    row_id: str
    fields: str
