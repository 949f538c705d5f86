"""Documentation pages made from the knowledge files: one per failure mode, one per test."""

from pathlib import Path

import numpy as np

from ringland.data.knowledge import read_knowledge_file
from ringland.diagnosis.knowledge import (
    EvidenceItem,
    FailureMode,
    FollowUpTest,
    Knowledge,
    Reach,
    Scope,
    load_knowledge,
)

__all__ = ["failure_mode_page", "follow_up_test_page", "pages", "write_pages"]

_NOTE = "<!-- made from src/ringland/data/knowledge by ringland.diagnosis.pages; edit there -->"
_SCOPE = {
    Scope.CYLINDER: "one cylinder",
    Scope.NEIGHBOURS: "two neighbouring cylinders",
    Scope.ENGINE: "the engine as a whole",
    Scope.HOOK_UP: "the hook-up, not the engine",
}
_DONE_ON = {
    Scope.CYLINDER: "one cylinder",
    Scope.EVERY_CYLINDER: "every cylinder in one go",
    Scope.ENGINE: "the engine as a whole",
}
_REACH = {
    Reach.CYLINDER: "",
    Reach.NEIGHBOURS: "; of this cylinder and one beside it",
    Reach.ENGINE: "; of the engine as a whole",
}
_URGENCY = {
    "now": "before the engine is used again",
    "days": "within days",
    "weeks": "within weeks",
    "watch": "watch; at the next service",
}
_CHANNEL = {
    "exhaust": "Exhaust pulse",
    "crankcase": "Crankcase pulse",
    "intake": "Intake vacuum",
    "starter": "Starter current",
    "crank": "Crank speed",
}


def failure_mode_page(knowledge: Knowledge, mode: FailureMode) -> str:
    """The page of one failure mode."""
    telling = [i for i in knowledge.items if mode.id in i.likelihood]
    telling.sort(key=lambda i: -abs(_log_ratio(i, mode.id)))
    lines = [
        f"# {mode.name}",
        "",
        _NOTE,
        "",
        f"`{mode.id}`. Concerns {_SCOPE[mode.scope]}. Urgency: {_URGENCY[mode.urgency]}.",
        "",
        "## What it is",
        "",
        mode.mechanism,
        "",
        "## What it does to each channel",
        "",
        *(f"- **{_CHANNEL[c]}**: {text}" for c, text in mode.channels.items()),
        "",
        "## Usual history",
        "",
        mode.history,
        "",
        "## How bad",
        "",
        f"Severity is the {mode.severity_quantity}, in {_unit(mode.severity_unit)}: it starts to "
        f"matter at {mode.severity_mild:g} and needs action at {mode.severity_serious:g}.",
        "",
        f"If run on: {mode.consequences}",
        "",
        f"Repair about {mode.repair_hours:g} hours; running on costs about {mode.run_on_hours:g} "
        "hours of labour on average (common practice, no source).",
        "",
        "## What looks like it",
        "",
        *_lookalikes(knowledge, mode),
        "",
        "## Evidence",
        "",
        "| seen | with this fault | on a sound engine |",
        "|---|---|---|",
        *(
            f"| {_capital(i.would_show)} (`{i.id}`) | {i.likelihood[mode.id]:g} | {i.sound:g} |"
            for i in telling
        ),
        "",
        "## Tests that tell most",
        "",
        *_best_tests(knowledge, mode),
        "",
        "## What to do",
        "",
        *_to_do(mode),
        "",
        "## Sources",
        "",
        *(f"- {s}" for s in mode.sources),
        "- Probabilities in the table: common practice, no source; +-0.15",
        "",
    ]
    return "\n".join(lines)


def follow_up_test_page(knowledge: Knowledge, test: FollowUpTest) -> str:
    """The page of one follow-up test."""
    shown = [m for m in knowledge.modes if m.id in test.likelihood]
    head = " | ".join(o.title for o in test.outcomes)
    local = test.scope is not Scope.ENGINE
    lines = [
        f"# {test.title}",
        "",
        _NOTE,
        "",
        f"`{test.id}`. {test.minutes:g} minutes, {test.invasiveness}; done on "
        f"{_DONE_ON[test.scope]}"
        f"{'' if not test.fuels else '; ' + ', '.join(test.fuels) + ' engines'}.",
        "",
        "## Cautions",
        "",
        *(f"- {c}" for c in test.cautions or ("None beyond the usual ones.",)),
        "- The engine maker's procedure and local rules come first.",
        "",
        "## You need",
        "",
        *(f"- {e}" for e in test.equipment),
        "",
        "## How",
        "",
        *(f"{n}. {step}" for n, step in enumerate(test.procedure, start=1)),
        "",
        "## Answers",
        "",
        *(
            f"- `{o.id}`: {o.title} ({'abnormal' if o.shows else 'normal'}{_REACH[o.reach]})"
            for o in test.outcomes
        ),
        "",
        "## How likely each answer is",
        "",
        f"| cause | {head} |",
        "|---|" + "---|" * len(test.outcomes),
        f"| Sound engine, and every cause not listed | {_row(test.row('default'))} |",
        *(f"| {m.name} | {_row(test.row(m.id))} |" for m in shown),
        "",
        f"Answers depend on other evidence of the group `{test.group}` "
        f"({knowledge.group(test.group).reason}; correlation "
        f"{knowledge.group(test.group).correlation:g} given the cause).",
        "",
        "## Telling Ringland",
        "",
        f"`ringland answer {test.id} {test.outcomes[-1].id}"
        f"{' --cylinder 3' if test.outcomes[-1].reach is not Reach.ENGINE and local else ''}`",
        "",
        "## Source",
        "",
        test.source,
        "",
    ]
    return "\n".join(lines)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _unit(unit: str) -> str:
    return "a share of 1" if unit == "1" else unit


def _row(row: tuple[float, ...]) -> str:
    return " | ".join(f"{p:.2g}" for p in row)


def _log_ratio(item: EvidenceItem, mode: str) -> float:
    p = item.likelihood.get(mode, item.sound)
    return float(max(abs(np.log(p / item.sound)), abs(np.log((1 - p) / (1 - item.sound)))))


def _distance(knowledge: Knowledge, one: str, other: str) -> float:
    """Bhattacharyya distance over all items, as if independent: small means much alike."""
    total = 0.0
    for item in knowledge.items:
        p, q = item.likelihood.get(one, item.sound), item.likelihood.get(other, item.sound)
        total -= float(np.log(np.sqrt(p * q) + np.sqrt((1 - p) * (1 - q))))
    return total


def _lookalikes(knowledge: Knowledge, mode: FailureMode) -> list[str]:
    others = [m for m in knowledge.modes if m.id != mode.id]
    others.sort(key=lambda m: _distance(knowledge, mode.id, m.id))
    lines = []
    for other in others[:3]:
        family = " (same family: the channels alone often cannot tell)" * (
            other.family == mode.family
        )
        lines.append(f"- [{other.name}]({other.id}.md){family}")
    return lines


def _best_tests(knowledge: Knowledge, mode: FailureMode) -> list[str]:
    """Tests whose answers differ most, per minute, between this mode and its look-alikes."""
    others = sorted(
        (m for m in knowledge.modes if m.id != mode.id),
        key=lambda m: _distance(knowledge, mode.id, m.id),
    )[:3]

    def worth(test: FollowUpTest) -> float:
        p = np.array(test.row(mode.id))
        return sum(float(p @ np.log2(p / np.array(test.row(m.id)))) for m in others) / test.minutes

    tests = sorted(knowledge.tests, key=lambda t: -worth(t))[:4]
    return [
        f"- [{t.title}](../follow_up_tests/{t.id}.md), {t.minutes:g} minutes"
        for t in tests
        if worth(t) > 0
    ]


def _to_do(mode: FailureMode) -> list[str]:
    for table in read_knowledge_file("actions.toml").tables("action", name="mode"):
        if table.text("mode") == mode.id:
            lines = [f"- Owner: {table.text('owner')}"]
            if table.has("clean"):
                lines.append(f"- Clean first: {table.text('clean')}")
            return [
                *lines,
                f"- Repair: {table.text('repair')}",
                f"- Caution: {table.text('caution')}",
            ]
    return []


def pages(knowledge: Knowledge | None = None) -> dict[str, str]:
    """All pages by their path below the docs folder."""
    knowledge = knowledge or load_knowledge()
    found = {f"failure_modes/{m.id}.md": failure_mode_page(knowledge, m) for m in knowledge.modes}
    found |= {
        f"follow_up_tests/{t.id}.md": follow_up_test_page(knowledge, t) for t in knowledge.tests
    }
    return found


def write_pages(docs: Path) -> int:
    """Write all pages below the docs folder; returns how many."""
    made = pages()
    for name, text in made.items():
        path = docs / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    return len(made)


if __name__ == "__main__":
    import sys

    write_pages(Path(sys.argv[1]))
