"""Write docs/commands.md from the commands themselves. A test fails when it is out of date."""

import os
from pathlib import Path

from typer.testing import CliRunner

from ringland.cli.main import app

PAGE = Path(__file__).resolve().parents[1] / "docs" / "commands.md"
COMMANDS: tuple[tuple[str, ...], ...] = (
    (),
    ("analyse",),
    ("check",),
    ("engines",),
    ("engines", "list"),
    ("engines", "show"),
    ("demo",),
    ("version",),
)
HEAD = """\
# Commands

Made by `python scripts/command_reference.py` from the commands themselves; do not edit.

Exit status: 0 judged, 2 bad input, 3 recording not fit to judge. 1 is a fault in Ringland itself,
130 means stopped from the keyboard. Errors are words on standard error: what was wrong, what was
got, what is allowed, what to do. With `--json` they go there too, in one shape (see
[JSON](json.md)).
"""


def command_reference() -> str:
    """The whole page."""
    parts = [HEAD]
    for words in COMMANDS:
        name = " ".join(("ringland", *words))
        parts.append(f"\n## {name}\n\n```text\n{help_text(words)}\n```\n")
    return "".join(parts)


def help_text(words: tuple[str, ...]) -> str:
    """What `ringland WORDS --help` prints on a terminal 80 columns wide."""
    runner = CliRunner(env={"COLUMNS": "80", "TERMINAL_WIDTH": "80"})
    result = runner.invoke(app, [*words, "--help"], prog_name="ringland")
    if result.exit_code != 0:
        raise SystemExit(f"ringland {' '.join(words)} --help failed: {result.output}")
    return "\n".join(line.rstrip() for line in result.output.strip().splitlines())


if __name__ == "__main__":
    PAGE.write_text(command_reference(), encoding="utf-8", newline="\n")
    print(os.path.relpath(PAGE))
