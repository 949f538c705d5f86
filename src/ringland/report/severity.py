"""How large the leading cause is: the size in plain words, and measured over simulated cycles."""

import math
from functools import partial

from ringland.diagnosis import load_knowledge
from ringland.figures import overlay
from ringland.figures.labels import channel_title
from ringland.model import Analysis, Cause, CycleOverlay, Estimate, SeverityFit
from ringland.report.blocks import Block, Paragraph, Picture, Points, Section
from ringland.report.numbers import write_estimate, write_number
from ringland.report.words import because, capital, cause_of, numbering, sentence

__all__ = ["severity_section"]

_TITLE = "How large it is"
_NOT_ASKED = (
    "it was not asked for: a simulation finds it (analyse with --severity, or the button on the "
    "page Why)"
)


def severity_section(analysis: Analysis) -> Section:
    """Sizes that were fitted or counted, or that nobody asked for one."""
    blocks: list[Block] = []
    if not analysis.fits:
        blocks.append(Paragraph(because(_NOT_ASKED)))
    for number, fit in enumerate(analysis.fits):
        blocks += _blocks(analysis, fit, number)
    return Section("severity", _TITLE, tuple(blocks))


def _blocks(analysis: Analysis, fit: SeverityFit, number: int) -> list[Block]:
    mode = load_knowledge().mode(fit.failure_mode)
    causes = () if analysis.diagnosis is None else analysis.diagnosis.causes
    own = (c for c in causes if _key(c) == _key(fit))
    heading = next((cause_of(analysis, c) for c in own), mode.name)
    said: list[str] = [*_size(fit, mode.severity_quantity), *(sentence(n) for n in fit.notes)]
    blocks: list[Block] = [Points(tuple(said), heading)]
    if not fit.overlays:
        return blocks
    blocks.append(
        Paragraph(
            "Does the simulated engine with this fault look like the recording? Where the dashed "
            "curve follows the black one and the dotted one does not, the fault explains it."
        )
    )
    pictures = [_picture(analysis, fit, one, f"{number}-{i}") for i, one in enumerate(fit.overlays)]
    return [*blocks, *(p for p in pictures if p is not None)]


def _key(one: Cause | SeverityFit) -> tuple[str, int | None]:
    return one.failure_mode, one.firing_position


def _size(fit: SeverityFit, quantity: str) -> list[str]:
    """The size and its interval as sentences."""
    if not fit.estimate.known:
        return [f"How large it is could not be found: {fit.estimate.reason}."]
    written = write_estimate(fit.estimate)
    low, high = _ends(fit.estimate)
    said = [
        f"{capital(quantity)}, if this is the fault: {written.with_unit(written.value)}.",
        f"The true size lies between {written.with_unit(low)} and {written.with_unit(high)} in "
        f"{round(10 * fit.estimate.coverage)} of 10 such cases.",
    ]
    if fit.method == "counted":
        said.append("Counted from the missing pulses, not fitted.")
    if fit.estimate.unit == "mm2" and fit.estimate.value is not None:
        across = 2.0 * math.sqrt(fit.estimate.value / math.pi)
        said.append(f"As large as a round hole {write_number(across, 1)} mm across.")
    return said


def _ends(estimate: Estimate) -> tuple[str, str]:
    low, _, high = write_estimate(estimate).interval.partition(" to ")
    return low, high or low


def _picture(
    analysis: Analysis, fit: SeverityFit, shown: CycleOverlay, number: str
) -> Picture | None:
    if analysis.cylinders is None or analysis.cycles is None or fit.firing_position is None:
        return None
    prepared = overlay.prepare(
        shown,
        analysis.cylinders,
        faulty=(fit.firing_position,),
        reference=analysis.cycles.reference,
        cycle_deg=analysis.cycles.cycle_deg,
    )
    return Picture(
        f"severity-{number}",
        f"Measured and simulated cycle of {shown.channel}",
        "Black: the mean measured cycle, in sand where 90 % of the cycles lie. Dashed: simulated "
        "with the fault at this size, hatched what sound cylinders differ by. Dotted: simulated "
        f"without it. Only the first {shown.harmonics} harmonics of the cycle are compared."
        + numbering(analysis),
        overlay.size_in(prepared),
        partial(overlay.compose, prepared=prepared),
        channel_title(shown.role),
    )
