"""Documents to hand out beside the report of a visit: before and after, and the fleet summary."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from ringland.history import Owner
from ringland.history.summary import fleet_summary
from ringland.report import Firm, render_document, render_pdf
from ringland.report.before_after import before_after_document
from ringland.report.document import Document
from ringland.report.kept import keep_report
from ringland.report.language import words_of
from ringland.web.blocks import DRAWING
from ringland.web.comparing import compared
from ringland.web.context import Context
from ringland.web.judgement import Judged

__all__ = [
    "BEFORE_AFTER",
    "FLEET",
    "LOGO_FILE",
    "MEDIA",
    "Handout",
    "Kind",
    "before_after_file",
    "firm_of",
    "fleet_file",
    "logo_version",
    "proposed_letter",
]

Kind = Literal["pdf", "html"]
MEDIA = {"pdf": "application/pdf", "html": "text/html"}
BEFORE_AFTER = "before and after"
FLEET = "fleet summary"
"""`kind` of what was sent, see `ReportSent`."""
_LETTERS = {
    BEFORE_AFTER: ("Before and after", "What changed between the two recordings is attached."),
    FLEET: ("Fleet summary", "The fleet summary is attached."),
}
LOGO_FILE = "web-logo"


@dataclass(frozen=True)
class Handout:
    """A document as a file, and the hash of what it says."""

    content: bytes
    digest: str


def proposed_letter(app: Context, what: str, name: str) -> tuple[str, str]:
    """Subject and words of a letter about a vehicle or an owner, in the language of documents."""
    words = words_of(app.settings.language)
    subject, text = _LETTERS[what]
    return f"{words(subject)}, {name}", words(text)


def firm_of(app: Context) -> Firm:
    """The user's own firm as documents name it."""
    from ringland.report.firm import logo_of

    settings = app.settings
    path = app.folder / LOGO_FILE
    logo = logo_of(path) if path.is_file() else ("", "", (0, 0))
    lines = [line.strip() for line in settings.firm_address.splitlines() if line.strip()]
    return Firm(
        name=settings.firm_name,
        address=tuple(lines[:8]),
        telephone=settings.firm_telephone,
        email=settings.firm_email,
        logo=logo[0],
        logo_type=logo[1],
        logo_size=logo[2],
        labour_per_hour=settings.hour_cost,
        currency=settings.currency,
    )


def logo_version(app: Context) -> str:
    """What tells this logo from another one; "" when there is none."""
    path = app.folder / LOGO_FILE
    return str(path.stat().st_mtime_ns) if path.is_file() else ""


def before_after_file(
    app: Context, before: Judged, after: Judged, baseline: Judged | None, kind: Kind
) -> Handout:
    """What changed between two recordings. Raises BadInput, FileFormatError."""
    comparison, normal = compared(app, before, after, baseline)
    return _file(
        app,
        lambda firm: before_after_document(
            comparison, normal, firm=firm, language=app.settings.language
        ),
        kind,
    )


def fleet_file(app: Context, owner: Owner | None, kind: Kind) -> Handout:
    """Which vehicle of an owner first, and why. Raises SettingError."""
    return _file(
        app,
        lambda firm: fleet_summary(
            app.store,
            owner,
            firm=firm,
            language=app.settings.language,
            currency=app.settings.currency,
        ),
        kind,
    )


def _file(app: Context, make: Callable[[Firm], Document], kind: Kind) -> Handout:
    """The document as a file; its content is kept, so that a printed page can be checked."""
    paper = app.settings.paper.lower()
    with DRAWING:
        document = make(firm_of(app))
    digest = keep_report(document, app.folder)
    if kind == "pdf":
        return Handout(render_pdf(document, paper=paper), digest)
    return Handout(render_document(document, paper=paper).encode("utf-8"), digest)
