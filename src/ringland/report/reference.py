"""What always stands in a report: cautions, how numbers are made, words, where it came from."""

import tomllib
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files

from ringland.figures.labels import as_percent, channel_title
from ringland.model import Analysis, LearnedPriors, MetricDefinition, Provenance, Sense
from ringland.report.blocks import (
    Block,
    Cell,
    Facts,
    Group,
    Paragraph,
    Points,
    Section,
    Table,
    Warn,
)
from ringland.report.numbers import write_plain
from ringland.report.words import sentence

__all__ = [
    "cautions_section",
    "glossary_section",
    "methods_section",
    "owner_cautions_section",
    "provenance_section",
]

_SENSE_WORDS = {Sense.LOW: "too low", Sense.HIGH: "too high", Sense.BOTH: "too low or too high"}


@cache
def _texts(kind: str) -> tuple[dict[str, str], ...]:
    """The entries of one kind in texts.toml, in order."""
    text = files("ringland.report").joinpath("texts.toml").read_text(encoding="utf-8")
    return tuple(tomllib.loads(text)[kind])


def owner_cautions_section() -> Section:
    """What an owner must know, and who decides in the end. Always present."""
    warn = Warn(tuple((c["what"], c["do"]) for c in _texts("owner_cautions")))
    deference = (Paragraph(d["text"]) for d in _texts("deference"))
    return Section("owner-cautions", "Take care", (warn, *deference), reader="owner")


def cautions_section() -> Section:
    """Where the work can hurt someone. Always present."""
    warn = Warn(tuple((c["what"], c["do"]) for c in _texts("cautions")))
    return Section("cautions", "Before anyone goes near the engine", (warn,))


def methods_section(analysis: Analysis) -> Section:
    """How each number was made, and the declaration of every metric."""
    blocks: list[Block] = [Points(tuple(m["text"] for m in _texts("methods")))]
    if analysis.diagnosis is not None:
        blocks.append(Paragraph(_priors_words(analysis.diagnosis.priors)))
    if analysis.metrics is not None and analysis.metrics.definitions:
        head = (
            "Metric",
            "A symptom when",
            "Alert, alarm at",
            "Spread of sound cylinders (standard deviation)",
            "Valid range",
            "Fewest cycles",
            "Source",
        )
        rows = tuple(_definition_row(d) for d in analysis.metrics.definitions)
        blocks.append(Table("Metrics and their limits", head, (Group("", rows),)))
    return Section("methods", "How each number was made", tuple(blocks))


def _priors_words(priors: LearnedPriors | None) -> str:
    """Where the belief before anything was measured comes from."""
    if priors is None:
        return (
            "How common each failure mode is among faults was taken as it comes with Ringland, "
            "not learned from this workshop's outcomes."
        )
    return (
        f"How common each failure mode is among faults was learned from {priors.outcomes} "
        f"confirmed outcomes of this workshop, on {priors.made_utc[:10]}; set {priors.sha256[:16]}."
    )


def _definition_row(definition: MetricDefinition) -> tuple[Cell, ...]:
    factor = 100.0 if as_percent(definition) else 1.0
    plain = "°" if definition.unit == "deg" else f" {definition.unit}"
    unit = plain if definition.unit != "1" else " %" if as_percent(definition) else ""

    def shown(value: float) -> str:
        return write_plain(factor * value)

    source = definition.citation
    return (
        Cell(definition.title),
        Cell(f"{channel_title(definition.role)}, {_SENSE_WORDS[definition.sense]}"),
        Cell(
            f"{shown(definition.alert_deviation)}, {shown(definition.alarm_deviation)}{unit}",
            number=True,
        ),
        Cell(f"{shown(definition.healthy_spread)}{unit}", number=True),
        Cell(f"{shown(definition.valid_low)} to {shown(definition.valid_high)}{unit}"),
        Cell(str(definition.fewest_cycles), number=True),
        Cell("own heuristic, not from a publication" if source == "heuristic" else source),
    )


def glossary_section() -> Section:
    """The words used, two lines each, with the standard that owns the term."""
    rows = tuple(
        (Cell(g["word"]), Cell(g["meaning"]), Cell(g["term_of"])) for g in _texts("glossary")
    )
    caption = "Wording ours; terms as in the standard named, which is cited from memory"
    table = Table(caption, ("Word", "Meaning", "Term of"), (Group("", rows),))
    return Section("words", "Words", (table,))


def provenance_section(analysis: Analysis) -> Section:
    """File, hash, versions, and every step with its settings."""
    source = analysis.recording.source
    size = (
        "not known"
        if source.size_bytes is None
        else f"{source.size_bytes:,} bytes".replace(",", " ")
    )
    facts = Facts(
        (
            ("File", source.name),
            ("Format", source.format),
            ("Size", size),
            ("SHA-256", source.sha256 or "not known: a live source has no file"),
            ("Made with", _versions()),
        ),
        own_words=True,
    )
    blocks: list[Block] = [facts]
    notes = (*analysis.recording.notes, *analysis.notes)
    if analysis.cylinders is not None:
        notes = (*notes, *analysis.cylinders.notes)
    if notes:
        blocks.append(
            Points(tuple(sentence(n) for n in dict.fromkeys(notes)), "Said while working")
        )
    rows = _step_rows(analysis.recording.provenance) + _step_rows(analysis.provenance)
    if rows:
        numbered = tuple(
            (Cell(str(i), number=True), *r) for i, r in enumerate(dict.fromkeys(rows), 1)
        )
        blocks.append(
            Table(
                "Steps, in the order they finished",
                ("", "Step", "Settings"),
                (Group("", numbered),),
            )
        )
    else:
        blocks.append(Paragraph("No steps were recorded."))
    return Section("provenance", "Where this came from", tuple(blocks))


def _step_rows(provenance: Provenance) -> list[tuple[Cell, ...]]:
    return [
        (Cell(s.name), Cell(", ".join(f"{k} {v}" for k, v in s.settings.items()) or "–"))
        for s in provenance.steps
    ]


def _versions() -> str:
    named = []
    for package in ("ringland", "numpy", "scipy"):
        try:
            named.append(f"{package} {version(package)}")
        except PackageNotFoundError:
            named.append(f"{package} (version not known)")
    return ", ".join(named)
