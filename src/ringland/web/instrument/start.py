"""Where what if begins: at the leading cause of the visit, in its place and at its size."""

from dataclasses import dataclass
from typing import Any

from ringland.history import RecordingRow, document_of, get_visit
from ringland.model import natural_frequency
from ringland.web.context import Context
from ringland.web.judgement import judged
from ringland.web.path import leading, standing_of
from ringland.web.sizing import sized

__all__ = ["Start", "start_of"]

_FALLBACK = "ring_leak"


@dataclass(frozen=True)
class Start:
    """Kind of the simulator, cylinder numbers (one, or two for a leak between neighbours), size in
    the kind's unit (None: what fits best), and why, in words."""

    kind: str
    cylinders: tuple[int, ...]
    size: float | None
    said: str


def start_of(app: Context, recording: RecordingRow, order: tuple[int, ...]) -> Start:
    """What the page is set to. `order`: cylinder numbers in firing order.

    Causes are those of this recording with all that count beside it; when it has none, those of the
    recording that tells most.
    """
    from ringland.severity import SHOWN_AS

    asked, document = _ranked(app, recording)
    causes = [] if document is None else document["causes"]
    shown = next((c for c in causes if c["failure_mode"] in SHOWN_AS), None)
    if shown is None:
        first = tuple(sorted(order)[:2])
        if not causes:
            said = "No cause has been ranked for this visit yet, so any fault may be chosen."
        else:
            said = f"{_titled(causes[0])} leads, and cannot be simulated. Choose another fault."
        return Start(_FALLBACK, first, None, said)
    size = _size(app, recording, asked, shown)
    return Start(
        SHOWN_AS[shown["failure_mode"]], _cylinders(shown, order), size, _said(document, shown)
    )


def _ranked(app: Context, recording: RecordingRow) -> tuple[str, dict[str, Any] | None]:
    """What was asked, and the analysis that holds the ranking."""
    own = judged(app, recording).analysis
    if own is not None:
        document = document_of(app.store, own)
        if document["causes"]:
            return own.asked, document
    standing = standing_of(app, get_visit(app.store, recording.visit_id))
    return "", standing.document


def _titled(cause: dict[str, Any]) -> str:
    """The cause with its place."""
    name = str(cause["name"])
    if cause["firing_position"] is None or len(cause.get("firing_positions", ())) > 1:
        return name
    if cause["cylinder"] is not None:
        return f"{name}, cylinder {cause['cylinder']}"
    return f"{name}, firing position {cause['firing_position']}"


def _said(document: dict[str, Any] | None, shown: dict[str, Any]) -> str:
    """Why the page begins where it does."""
    assert document is not None
    causes = document["causes"]
    often = natural_frequency(shown["probability"])
    best = leading(document)
    first = f"Set to the leading cause of this visit: {_titled(shown)} ({often})."
    if shown is not causes[0]:
        first = (
            f"{_titled(causes[0])} leads, and cannot be simulated. "
            f"Set to the next cause that can: {_titled(shown)} ({often})."
        )
    elif best is not None and best[1] > shown["probability"]:
        first = (
            f"{best[0].capitalize()} explains this visit best "
            f"({natural_frequency(best[1])}). Set to the first of the causes: "
            f"{_titled(shown)} ({often})."
        )
    if shown["cylinder"] is None and shown["firing_position"] is not None:
        first += " Cylinder numbers are not known here: counted from the first firing position."
    return first


def _cylinders(cause: dict[str, Any], order: tuple[int, ...]) -> tuple[int, ...]:
    """Cylinder numbers as the simulation counts them."""

    def at(position: int) -> int:
        return order[(position - 1) % len(order)]

    positions = cause.get("firing_positions", ())
    if len(positions) > 1:
        return tuple(cause["cylinders"]) or tuple(map(at, positions))
    position, cylinder = cause["firing_position"], cause["cylinder"]
    if cylinder is None and position is None:
        return tuple(sorted(order)[:2])
    one = int(cylinder) if cylinder is not None else at(int(position))
    other = min((c for c in sorted(order) if c != one), default=one)
    return (one, other)


def _size(app: Context, recording: RecordingRow, asked: str, cause: dict[str, Any]) -> float | None:
    """The size that was found for it, when it is measured as the simulation measures it."""
    from ringland.severity import KIND_OF_MODE, SHOWN_AS
    from ringland.simulator.faults import FAULT_KINDS

    mode = cause["failure_mode"]
    if mode not in KIND_OF_MODE and mode != "ignition_misfire":
        return None
    found = sized(app, recording.id, asked) if asked else None
    fits = [] if found is None else found["fits"]
    estimates = [
        f["estimate"]
        for f in fits
        if f["failure_mode"] == mode and f["firing_position"] == cause["firing_position"]
    ]
    kind = FAULT_KINDS[SHOWN_AS[mode]]
    for one in (*estimates, cause["severity"]):
        if one["value"] is not None and one["unit"] == kind.unit:
            return float(min(max(one["value"], min(0.0, kind.least)), kind.most))
    return None
