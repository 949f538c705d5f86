"""Two recordings of one engine held against each other; all of it is done in `ringland.verify`."""

from typing import Any

from ringland.errors import BadInput
from ringland.history import document_of, get_visit, list_visits
from ringland.report.before_after import sections_of
from ringland.verify.before_after import Comparison, compare
from ringland.verify.normal import PlaceNormal, back_to_normal
from ringland.verify.readings import Measured, measured_from_json
from ringland.verify.words import summary
from ringland.web.blocks import plain_section
from ringland.web.context import Context
from ringland.web.judgement import Judged, judged

__all__ = ["compare_recordings", "compared", "judged_of_vehicle", "row_of"]


def judged_of_vehicle(app: Context, vehicle_id: str) -> list[tuple[Any, Judged]]:
    """(visit, recording) of every judged recording of a vehicle, newest visit first."""
    from ringland.history import list_recordings

    found = []
    for visit in list_visits(app.store, vehicle_id=vehicle_id):
        for row in list_recordings(app.store, visit_id=visit.id):
            one = judged(app, row)
            if one.analysis is not None and one.analysis.not_judged is None:
                found.append((visit, one))
    return found


def _measured(app: Context, one: Judged) -> Measured:
    if one.analysis is None:
        raise BadInput("This recording has not been judged.", got=one.recording.file_name)
    visit = get_visit(app.store, one.recording.visit_id)
    return measured_from_json(
        document_of(app.store, one.analysis),
        name=f"{visit.visited_on}, {one.recording.file_name}",
        temperature_k=visit.coolant_k,
    )


def compared(
    app: Context, before: Judged, after: Judged, baseline: Judged | None
) -> tuple[Comparison, tuple[PlaceNormal, ...]]:
    """What changed, and what is back to normal. Raises BadInput, FileFormatError."""
    one, two = _measured(app, before), _measured(app, after)
    sound = None if baseline is None else _measured(app, baseline)
    comparison = compare(one, two)
    return comparison, () if comparison.refused else back_to_normal(two, baseline=sound)


def compare_recordings(
    app: Context, before: Judged, after: Judged, baseline: Judged | None
) -> dict[str, Any]:
    """The same in words and as plain sections. Raises BadInput, FileFormatError."""
    comparison, normal = compared(app, before, after, baseline)
    return {
        "refused": comparison.refused,
        "said": summary(comparison, normal),
        "sections": [plain_section(s) for s in sections_of(comparison, normal)],
    }


def row_of(pairs: list[tuple[Any, Judged]], recording_id: str | None) -> Judged | None:
    """The judged recording with this id, or None."""
    return next((j for _, j in pairs if j.recording.id == recording_id), None)
