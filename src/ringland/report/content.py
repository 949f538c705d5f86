"""From an analysis to the sections of its report, in the order they are read. Computes nothing."""

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

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
from ringland.report.finish import finish
from ringland.report.firm import Firm
from ringland.report.front import facts_section, headline_section
from ringland.report.language import words_of
from ringland.report.owner import (
    cost_section,
    meaning_section,
    owner_actions_section,
    visit_section,
)
from ringland.report.reasons import actions_section, causes_section, next_tests_section
from ringland.report.reference import (
    cautions_section,
    glossary_section,
    methods_section,
    owner_cautions_section,
    provenance_section,
)
from ringland.report.severity import severity_section
from ringland.report.visit import VisitFacts, is_date, written_date

if TYPE_CHECKING:
    from ringland.report.document import Document

__all__ = ["READERS", "build_document", "build_sections"]

READERS = ("owner", "workshop")


def build_sections(
    analysis: Analysis, visit: VisitFacts | None = None, firm: Firm | None = None
) -> tuple[Section, ...]:
    """All sections of the report in English: first the owner's, then the workshop's."""
    return (
        headline_section(analysis),
        meaning_section(analysis),
        owner_actions_section(analysis),
        cost_section(analysis, firm or Firm()),
        owner_cautions_section(),
        visit_section(visit or VisitFacts()),
        cautions_section(),
        facts_section(analysis),
        cylinder_section(analysis),
        averaged_section(analysis),
        raster_section(analysis),
        orders_section(analysis),
        recording_section(analysis),
        quality_section(analysis),
        causes_section(analysis),
        severity_section(analysis),
        next_tests_section(analysis),
        actions_section(analysis),
        methods_section(analysis),
        glossary_section(),
        provenance_section(analysis),
    )


def build_document(
    analysis: Analysis,
    *,
    visit: VisitFacts | None = None,
    firm: Firm | None = None,
    readers: Sequence[str] = READERS,
    language: str = "en",
    made_on: date | None = None,
) -> "Document":
    """The finished report for these readers, in that language, with all figures drawn.

    `made_on` is the day it is made; today when left out. Raises SettingError for an unknown
    language or reader.
    """
    visit = visit or VisitFacts()
    engine = analysis.engine.name or "Engine"
    recording = analysis.recording.source.name
    return finish(
        build_sections(analysis, visit, firm),
        kind="analysis",
        title=visit.vehicle or engine,
        subtitle=", ".join(filter(None, (_date(visit, language), recording))),
        readers=readers,
        firm=firm,
        recipient=visit.address,
        language=language,
        made_on=made_on,
    )


def _date(visit: VisitFacts, language: str) -> str:
    written = written_date(visit.date)
    return words_of(language)(written) if is_date(written) else written
