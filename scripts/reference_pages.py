"""Write the pages of docs that are made from the program itself. A test fails when one is old."""

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from typer.main import get_command
from typer.testing import CliRunner

from ringland.cli._layouts import layout_lines
from ringland.cli.main import app
from ringland.diagnosis.knowledge import FailureMode, FollowUpTest, load_knowledge
from ringland.engines import layouts
from ringland.engines._schema import FIELD_HELP

DOCS = Path(__file__).resolve().parents[1] / "docs"
MADE_BY = "Made by `python scripts/reference_pages.py`; do not edit."
COMMANDS_HEAD = f"""\
# Commands

{MADE_BY}

Exit status: 0 judged, 2 bad input, 3 recording not fit to judge. 1 is a fault in Ringland itself,
130 means stopped from the keyboard. Errors are words on standard error: what was wrong, what was
got, what is allowed, what to do. With `--json` they go there too, in one shape (see
[JSON](json.md)).
"""
MODES_HEAD = f"""\
# Failure modes

{MADE_BY} The source is `src/ringland/data/knowledge/failure_modes.toml`.

What can be wrong, what it does to each channel, and from what size on it matters. How common a
mode is, the hours and the likelihoods are common practice with no source unless one is named;
change them for your own workshop.
"""
TESTS_HEAD = f"""\
# Follow-up tests

{MADE_BY} The source is `src/ringland/data/knowledge/tests.toml`.

What can be checked next, how, and what it can say. Read the [cautions](../cautions.md) first. The
engine maker's procedure and local rules come before anything here.
"""


def commands_page() -> str:
    """Help of every command."""
    parts = [COMMANDS_HEAD]
    for words in _command_paths(get_command(app)):
        name = " ".join(("ringland", *words))
        parts.append(f"\n## {name}\n\n```text\n{_help_text(words)}\n```\n")
    return "".join(parts)


def _command_paths(command: object, words: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Every command and group, as words after the program's name."""
    yield words
    for name, child in getattr(command, "commands", {}).items():
        yield from _command_paths(child, (*words, name))


def _help_text(words: tuple[str, ...]) -> str:
    """What `ringland WORDS --help` prints on a terminal 80 columns wide."""
    runner = CliRunner(env={"COLUMNS": "80", "TERMINAL_WIDTH": "80"})
    result = runner.invoke(app, [*words, "--help"], prog_name="ringland")
    if result.exit_code != 0:
        raise SystemExit(f"ringland {' '.join(words)} --help failed: {result.output}")
    return "\n".join(line.rstrip() for line in result.output.strip().splitlines())


def failure_modes_page() -> str:
    """All failure modes."""
    return MODES_HEAD + "".join(_mode(mode) for mode in load_knowledge().modes)


_URGENCY = {"now": "now", "days": "within days", "weeks": "within weeks", "watch": "watch it"}


def _mode(mode: FailureMode) -> str:
    unit = {"1": "", "m2": " m²"}.get(mode.severity_unit, f" {mode.severity_unit}")
    fits = ", ".join((*mode.fuels, *mode.aspirations)) or "any engine"
    shows = [f"{channel}: {text}" for channel, text in mode.channels.items()]
    return (
        f"\n## {mode.name}\n\n`{mode.id}`, {mode.scope.value.replace('_', ' ')}, {fits}.\n\n"
        f"{mode.mechanism}\n\n{_points(shows)}\n\n"
        f"History: {mode.history}\n\n"
        f"Severity: {mode.severity_quantity}; from {mode.severity_mild:g}{unit} it starts to "
        f"matter, from {mode.severity_serious:g}{unit} it needs action.\n\n"
        f"If left alone: {mode.consequences} Act: {_URGENCY[mode.urgency]}.\n\n"
        f"Sources: {'; '.join(mode.sources)}.\n"
    )


def follow_up_tests_page() -> str:
    """All follow-up tests."""
    return TESTS_HEAD + "".join(_test(test) for test in load_knowledge().tests)


def _test(test: FollowUpTest) -> str:
    fuels = ", ".join(test.fuels) or "any fuel"
    steps = "\n".join(f"{i}. {step}" for i, step in enumerate(test.procedure, 1))
    equipment = ", ".join(test.equipment) or "nothing"
    cautions = _points(f"**{caution}**" for caution in test.cautions)
    return (
        f"\n## {test.title}\n\n`{test.id}`, {test.minutes:g} minutes, {test.invasiveness}, "
        f"{fuels}. Needs: {equipment}.\n\n{cautions or '- No caution beyond the usual ones.'}\n\n"
        f"{steps}\n\nAnswers:\n\n{_points(f'`{o.id}`: {o.title}' for o in test.outcomes)}\n\n"
        f"Source: {test.source}.\n"
    )


ENGINE_HEAD = f"""\
# Engine file

{MADE_BY}

A text file in TOML. It needs no more than `cylinders` and `firing_order`, or the `layout` of a
common engine; everything else is optional and makes the answer better. Take the firing order from
the engine maker's data: makers number cylinders differently.

```toml
name = "Bus 12"
cylinders = 6
firing_order = [1, 5, 3, 6, 2, 4]
fuel = "diesel"
```

| field | what is allowed |
|---|---|
"""


def engine_page() -> str:
    """All fields of an engine file, and the layouts."""
    rows = [f"| `{field}` | {allowed} |\n" for field, allowed in FIELD_HELP.items()]
    lines = "\n".join(line.rstrip() for line in layout_lines(layouts()))
    listed = (
        "\n## Layouts\n\nUse an id in place of a file (`--engine I4-1342`) or as `layout` in one. "
        f"`ringland engines show ID` prints one as a file.\n\n```text\n{lines}\n```\n"
    )
    return ENGINE_HEAD + "".join(rows) + listed


def _points(texts: Iterable[str]) -> str:
    return "\n".join(f"- {text}" for text in texts)


PAGES: dict[str, Callable[[], str]] = {
    "commands.md": commands_page,
    "engine-file.md": engine_page,
    "failure_modes/README.md": failure_modes_page,
    "follow_up_tests/README.md": follow_up_tests_page,
}
"""Page in docs -> what makes it."""


if __name__ == "__main__":
    for name, make in PAGES.items():
        (DOCS / name).parent.mkdir(exist_ok=True)
        (DOCS / name).write_text(make(), encoding="utf-8", newline="\n")
        print(f"docs/{name}")
