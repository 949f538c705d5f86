"""The six functions of every table, by name: add_vehicle, change_vehicle, ... (see `shelves`)."""

from typing import Any, Protocol, TypeVar, cast

from ringland.history import rows
from ringland.history.shelves import SHELVES, Shelf
from ringland.history.store import Store

R = TypeVar("R", bound=rows.Row)
R_co = TypeVar("R_co", bound=rows.Row, covariant=True)


class Add(Protocol[R_co]):
    """Keep a new row with these fields."""

    def __call__(self, store: Store, /, **fields: object) -> R_co: ...


class Alter(Protocol[R_co]):
    """Change these fields of the row, if it is still at this version."""

    def __call__(self, store: Store, row_id: str, version: int, /, **fields: object) -> R_co: ...


class Delete(Protocol[R_co]):
    """Take the row and what hangs on it out of sight."""

    def __call__(self, store: Store, row_id: str, version: int | None = None, /) -> R_co: ...


class One(Protocol[R_co]):
    """A function of the store and one id."""

    def __call__(self, store: Store, row_id: str, /) -> R_co: ...


class Every(Protocol[R_co]):
    """Rows whose fields equal what is given (a tuple: any of these)."""

    def __call__(
        self,
        store: Store,
        /,
        *,
        deleted: bool = False,
        limit: int | None = None,
        offset: int = 0,
        **equals: Any,
    ) -> tuple[R_co, ...]: ...


Six = tuple[Add[R], Alter[R], Delete[R], One[R], One[R], Every[R]]


def _six(kind: str, row_type: type[R]) -> Six[R]:
    shelf = cast(Shelf[R], SHELVES[kind])
    assert shelf.row_type is row_type
    return shelf.add, shelf.change, shelf.delete, shelf.restore, shelf.get, shelf.all


# fmt: off
(
    add_owner, change_owner, delete_owner,
    restore_owner, get_owner, list_owners,
) = _six("owner", rows.Owner)
(
    add_vehicle, change_vehicle, delete_vehicle,
    restore_vehicle, get_vehicle, list_vehicles,
) = _six("vehicle", rows.Vehicle)
(
    add_engine, change_engine, delete_engine,
    restore_engine, get_engine, list_engines,
) = _six("engine", rows.Engine)
(
    add_visit, change_visit, delete_visit,
    restore_visit, get_visit, list_visits,
) = _six("visit", rows.Visit)
(
    add_recording, change_recording, delete_recording,
    restore_recording, get_recording, list_recordings,
) = _six("recording", rows.RecordingRow)
(
    add_analysis, change_analysis, delete_analysis,
    restore_analysis, get_analysis, list_analyses,
) = _six("analysis", rows.AnalysisRow)
(
    add_reading_set, change_reading_set, delete_reading_set,
    restore_reading_set, get_reading_set, list_reading_sets,
) = _six("reading_set", rows.ReadingSet)
(
    add_test_result, change_test_result, delete_test_result,
    restore_test_result, get_test_result, list_test_results,
) = _six("test_result", rows.TestResult)
(
    add_work, change_work, delete_work,
    restore_work, get_work, list_works,
) = _six("work", rows.Work)
(
    add_outcome, change_outcome, delete_outcome,
    restore_outcome, get_outcome, list_outcomes,
) = _six("outcome", rows.Outcome)
(
    add_report_sent, change_report_sent, delete_report_sent,
    restore_report_sent, get_report_sent, list_reports_sent,
) = _six("report_sent", rows.ReportSent)
(
    add_note, change_note, delete_note,
    restore_note, get_note, list_notes,
) = _six("note", rows.Note)
(
    add_photo, change_photo, delete_photo,
    restore_photo, get_photo, list_photos,
) = _six("photo", rows.Photo)
(
    add_calibration, change_calibration, delete_calibration,
    restore_calibration, get_calibration, list_calibrations,
) = _six("calibration", rows.CalibrationRow)
# fmt: on
