"""Write the pages of docs that are made from the program itself. A test fails when one is old."""

from collections.abc import Callable, Iterator
from pathlib import Path

from typer.main import get_command
from typer.testing import CliRunner

from ringland.cli._layouts import layout_lines
from ringland.cli.main import app
from ringland.diagnosis.knowledge import load_knowledge
from ringland.diagnosis.pages import write_pages
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

{MADE_BY}

What can be wrong, each on a page of its own: what it does to each channel, from what size on it
matters, and what tells it from the others.

| failure mode | id | where |
|---|---|---|
"""
TESTS_HEAD = f"""\
# Follow-up tests

{MADE_BY}

What can be checked next, each on a page of its own: how, what it can say, and what that means. Read
the [cautions](../cautions.md) first. The engine maker's procedure and local rules come before
anything here.

| test | id | minutes | how invasive |
|---|---|---|---|
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
    """All failure modes, with links to their pages."""
    rows = [
        f"| [{mode.name}]({mode.id}.md) | `{mode.id}` | {mode.scope.value.replace('_', ' ')} |\n"
        for mode in load_knowledge().modes
    ]
    return MODES_HEAD + "".join(rows)


def follow_up_tests_page() -> str:
    """All follow-up tests, with links to their pages."""
    rows = [
        f"| [{test.title}]({test.id}.md) | `{test.id}` | {test.minutes:g} | {test.invasiveness} |\n"
        for test in load_knowledge().tests
    ]
    return TESTS_HEAD + "".join(rows)


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
    write_pages(DOCS)
