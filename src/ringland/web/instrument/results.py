"""Everything after the cycles once more, with stretches left out. The recording is not touched."""

from collections.abc import Sequence
from dataclasses import replace

from ringland.model import Analysis, CycleUse

__all__ = ["EXCLUDED", "without_stretches"]

EXCLUDED = "left out by hand"
_FEWEST_CYCLES = 3


def without_stretches(analysis: Analysis, stretches_s: Sequence[tuple[float, float]]) -> Analysis:
    """The analysis as it would be had these stretches not counted.

    Cycles that touch one of them are dropped; the crank angle stays as it was found. Answers of
    follow-up tests are not taken into account again.
    """
    from ringland.pipeline import judge_cycles

    if not stretches_s or analysis.cycles is None:
        return analysis
    cycles = replace(
        analysis.cycles,
        cycles=tuple(_kept_or_not(cycle, stretches_s) for cycle in analysis.cycles.cycles),
    )
    nothing = replace(
        analysis, cycles=cycles, cylinders=None, metrics=None, symptoms=None, diagnosis=None
    )
    if len(cycles.kept) < _FEWEST_CYCLES:
        return replace(
            nothing,
            not_judged=f"Only {len(cycles.kept)} of {cycles.found} engine cycles are left; at "
            f"least {_FEWEST_CYCLES} are needed. Leave out less.",
        )
    judged = judge_cycles(replace(nothing, not_judged=None))
    held = _held_against(analysis)
    if held and judged.diagnosis is not None:
        notes = (*judged.diagnosis.notes, f"Judged by itself here, not held against {held}.")
        judged = replace(judged, diagnosis=replace(judged.diagnosis, notes=notes))
    return replace(
        judged,
        provenance=judged.provenance.then(
            "web.without_stretches",
            stretches_s="; ".join(f"{a:.4f} to {b:.4f}" for a, b in stretches_s),
            cycles_kept=len(cycles.kept),
        ),
    )


def _held_against(analysis: Analysis) -> str:
    """The recording of the sound engine that the causes were held against; "" for none."""
    found = analysis.diagnosis
    return "" if found is None or found.cases is None else found.cases.against


def _kept_or_not(cycle: CycleUse, stretches_s: Sequence[tuple[float, float]]) -> CycleUse:
    touched = any(a < cycle.stop_s and cycle.start_s < b for a, b in stretches_s)
    return replace(cycle, dropped=EXCLUDED) if touched and cycle.kept else cycle
