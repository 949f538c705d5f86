"""From an analysis to the sections of its report, in the order they are read. Computes nothing."""

from collections.abc import Sequence

from ringland.model import Analysis
from ringland.report.blocks import Section
from ringland.report.evidence import (
    averaged_section,
    cylinder_section,
    orders_section,
    quality_section,
    raster_section,
    recording_section,
)
from ringland.report.front import facts_section, headline_section
from ringland.report.reasons import actions_section, causes_section, next_tests_section
from ringland.report.reference import (
    cautions_section,
    glossary_section,
    methods_section,
    provenance_section,
)

__all__ = ["build_sections"]


def build_sections(
    analysis: Analysis, about: Sequence[tuple[str, str]] = ()
) -> tuple[Section, ...]:
    """All sections of the report. `about` are facts of the visit (vehicle, owner, odometer ...)."""
    return (
        headline_section(analysis),
        facts_section(analysis, about),
        cylinder_section(analysis),
        averaged_section(analysis),
        raster_section(analysis),
        orders_section(analysis),
        recording_section(analysis),
        quality_section(analysis),
        causes_section(analysis),
        next_tests_section(analysis),
        actions_section(analysis),
        cautions_section(),
        methods_section(analysis),
        glossary_section(),
        provenance_section(analysis),
    )
