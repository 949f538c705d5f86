"""What always stands in a report: cautions, how numbers are made, words, where it came from."""

from importlib.metadata import PackageNotFoundError, version

from ringland.figures.labels import channel_title
from ringland.model import Analysis, MetricDefinition, Provenance, Sense
from ringland.report.blocks import Block, Cell, Facts, Group, Paragraph, Points, Section, Table, Warn
from ringland.report.words import sentence

__all__ = ["cautions_section", "glossary_section", "methods_section", "provenance_section"]

# Common workshop practice, no single source; local rules and the maker's manual come first.
CAUTIONS = (
    ("Exhaust gas kills", "Ventilate. Never run an engine indoors without extraction at the tailpipe."),
    ("Hot exhaust", "Tailpipe, hose and sensor burn skin long after the engine is off. Wear gloves."),
    ("Rotating parts", "Keep cables, hoses, sleeves and hair away from belts and fans; tie cables down. An electric fan can start by itself."),
    ("The vehicle can move", "Parking brake on, gearbox in neutral or park, wheels chocked."),
    ("Fuel and ignition", "No naked flame; stop at any smell of fuel. Ignition leads carry voltage that can stop a heart: do not touch them while the engine turns."),
    ("Hybrid and high voltage", "Orange cables are live at several hundred volts and the engine may start by itself. Qualified persons only."),
    ("Cranking", "Keep to the starter limits of the engine maker (commonly 10 to 15 seconds, then a pause) and disable fuel as the maker says."),
    ("Eyes", "Wear eye protection under the hood, and always with compressed air."),
)  # fmt: skip

DEFERENCE = (
    "This report shows what was measured from outside a running engine. It does not replace the "
    "engine maker's procedure, a licensed mechanic's judgement or local rules; where they differ "
    "from anything here, they hold."
)

_METHODS = (
    "Cycles: the crank angle comes from the crank wheel if there is one, else from the trigger, "
    "else from the pulses alone. Every cycle found is kept or dropped with a reason.",
    "Averaged cycle: the signal is resampled at equal crank angles. The line is the median over "
    "cycles; the band holds the middle 90 % of them.",
    "Shared and unshared: equal, evenly spaced cylinders can only make orders that are multiples "
    "of half the cylinder number (of the cylinder number in a two-stroke). All other orders are "
    "imbalance.",
    "Intervals: a 90 % interval is made from the scatter between cycles and is meant to hold the "
    "true value 9 times in 10. It does not cover a sensor that is fitted wrongly.",
    "Comparison: each cylinder is held against the others of the same engine. The limits allow for "
    "the number of values in the table, so that the false-alarm rate named on the first page holds "
    "for the whole table and not for each value.",
    "Rounding: the width of an interval is written to two significant figures and the value to the "
    "same place (GUM, JCGM 100:2008, 7.2.6).",
)

# Terms as the standards use them; the wording is ours, standards named from memory.
_GLOSSARY = (
    ("Alert, alarm", "A difference past the first limit, and past the second. Both are set before the recording is seen.", "ISO 13374"),
    ("Averaged cycle", "What one cycle looks like when many are laid over each other at equal crank angle. Chance goes, what repeats stays.", "ISO 13373-2"),
    ("Baseline", "A recording of this engine when it was sound. The fairest comparison a later recording can have.", "ISO 13372"),
    ("Blow-down", "The rush of gas when the exhaust valve opens. It makes the pulse heard at the tailpipe.", "ISO 7967"),
    ("Crank angle", "How far the crank has turned since the firing top dead centre of cylinder 1. Two turns, 720°, make one four-stroke cycle.", "ISO 2710-1"),
    ("Cycle", "Expansion, exhaust, induction, compression of every cylinder once. Two turns of the crank in a four-stroke, one in a two-stroke.", "ISO 2710-1"),
    ("Failure mode", "What is wrong inside, as opposed to what is measured outside. A cause in this report is a failure mode with a probability.", "ISO 13379-1"),
    ("Firing position", "Place in the firing order, counted from 1. Without a trigger the count starts anywhere and does not give the cylinder number.", "ours"),
    ("Interval", "The range meant to hold the true value; 90 % unless another is named. A wide one means: measure longer or better.", "JCGM 100"),
    ("Misfire", "A cycle in which a cylinder's pulse is missing. Counted one by one, so that a rare one is not averaged away.", "common practice"),
    ("Normal, not judged", "Normal: within its limits. Not judged: no answer, with the reason; it does not mean sound.", "ISO 13374"),
    ("Order", "How often something happens per turn of the crank. Order 0.5 is once per four-stroke cycle.", "ISO 13373-2"),
    ("Path delay", "The time a pulse needs from the valve to the sensor. It hides which cylinder a pulse came from.", "ours"),
    ("Strength", "Size of a cylinder's pulse against the median cylinder of the same engine. 100 % is like the others.", "ours"),
    ("Symptom", "A measured difference from what is expected. It has causes; it is not one.", "ISO 13372"),
)  # fmt: skip

_SENSE_WORDS = {Sense.LOW: "too low", Sense.HIGH: "too high", Sense.BOTH: "too low or too high"}


def cautions_section() -> Section:
    """Where the work can hurt someone. Always present."""
    return Section("cautions", "Before you go near it", (Warn(CAUTIONS), Paragraph(DEFERENCE)))


def methods_section(analysis: Analysis) -> Section:
    """How each number was made, and the declaration of every metric."""
    blocks: list[Block] = [Points(_METHODS)]
    if analysis.metrics is not None and analysis.metrics.definitions:
        head = ("Metric", "From", "A symptom when", "Alert, alarm at", "Between sound cylinders", "Valid range", "Fewest cycles", "Source")
        rows = tuple(_definition_row(d) for d in analysis.metrics.definitions)
        blocks.append(Table("Metrics and their limits", head, (Group("", rows),)))
    return Section("methods", "How each number was made", tuple(blocks))


def _definition_row(definition: MetricDefinition) -> tuple[Cell, ...]:
    factor = 100.0 if definition.unit == "1" else 1.0
    unit = {"1": " %", "deg": "°"}.get(definition.unit, f" {definition.unit}")

    def shown(value: float) -> str:
        return f"{factor * value:.3g}".replace("-", "\N{MINUS SIGN}")

    source = definition.citation
    return (
        Cell(definition.title),
        Cell(channel_title(definition.role)),
        Cell(_SENSE_WORDS[definition.sense]),
        Cell(f"{shown(definition.alert_deviation)}, {shown(definition.alarm_deviation)}{unit}", number=True),
        Cell(f"{shown(definition.healthy_spread)}{unit} (standard deviation)", number=True),
        Cell(f"{shown(definition.valid_low)} to {shown(definition.valid_high)}{unit}", number=True),
        Cell(str(definition.fewest_cycles), number=True),
        Cell("own heuristic, not from a publication" if source == "heuristic" else source),
    )


def glossary_section() -> Section:
    """The words used, two lines each, with the standard that owns the term."""
    rows = tuple((Cell(term), Cell(text), Cell(source)) for term, text, source in _GLOSSARY)
    table = Table("Wording ours; terms as in the standard named", ("Word", "Meaning", "Term of"), (Group("", rows),))
    return Section("words", "Words", (table,))


def provenance_section(analysis: Analysis) -> Section:
    """File, hash, versions, and every step with its settings."""
    source = analysis.recording.source
    size = "not known" if source.size_bytes is None else f"{source.size_bytes:,} bytes".replace(",", " ")
    facts = Facts(
        (
            ("File", source.name),
            ("Format", source.format),
            ("Size", size),
            ("SHA-256", source.sha256 or "not known: a live source has no file"),
            ("Made with", _versions()),
        )
    )
    blocks: list[Block] = [facts]
    notes = (*analysis.recording.notes, *analysis.notes)
    if analysis.cylinders is not None:
        notes = (*notes, *analysis.cylinders.notes)
    if notes:
        blocks.append(Points(tuple(sentence(n) for n in dict.fromkeys(notes)), "Said while working"))
    rows = _step_rows(analysis.recording.provenance) + _step_rows(analysis.provenance)
    if rows:
        numbered = tuple((Cell(str(i), number=True), *r) for i, r in enumerate(dict.fromkeys(rows), 1))
        blocks.append(Table("Steps, in the order they finished", ("", "Step", "Settings"), (Group("", numbered),)))
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
