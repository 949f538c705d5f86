"""A hook-up plan as text, and its card as a file."""

import textwrap
from pathlib import Path

import typer

from ringland.cli._results import written_or_told
from ringland.cli._text import plain
from ringland.instruments.plan import HookUpPlan, PrecisionPoint
from ringland.instruments.plan.card import PHASE_TITLES, render_card
from ringland.instruments.plan.types import Phase

__all__ = ["print_plan", "write_card"]

_WIDTH = 98


def print_plan(plan: HookUpPlan) -> None:
    """The plan on standard output: what, how fast, how long, then the checklists."""
    engine = plan.engine
    order = "-".join(map(str, engine.firing_order))
    _say(f"Hook-up plan for {engine.name or 'the engine'}, {plan.condition}. Firing order {order}.")
    _say(
        f"Record {len(plan.channels)} channels at {plan.rate_hz:.0f} samples per second for "
        f"{plan.duration_s:.0f} s: {plan.duration_s * plan.cycle_rate_hz:.0f} engine cycles at "
        f"{plan.speed_rpm:.0f} rpm ({plan.speed_from}), {plan.bytes_expected / 1e6:.1f} MB."
    )
    for note in plan.notes:
        _say(note)
    _head("Sensors")
    for c in plan.channels:
        optional = " (optional)" if c.optional else ""
        _say(f"{c.role}{optional}: {c.sensor}, on {c.where}.", hang=2)
        _say(f"  Range: {c.range_text}. Alone needs {c.least_rate_hz:.0f}/s: {c.why}.", hang=4)
    for phase in Phase:
        _head(PHASE_TITLES[phase])
        for step in plan.steps_of(phase):
            _say(f"[ ] {step.text}", hang=4)
            for caution in step.cautions:
                _say(f"    CAUTION: {caution}", hang=6)
    _head("Recordings, in this order")
    for run in plan.runs:
        _say(
            f"{run.condition}: {run.speed_rpm:.0f} rpm, {run.duration_s:.0f} s, "
            f"{run.cycles:.0f} cycles, {run.rate_hz:.0f}/s. {run.why[:1].upper()}{run.why[1:]}.",
            hang=2,
        )
    limits = plan.cranking
    _say(
        f"Cranking: at most {limits.longest_s:.0f} s, then {limits.rest_s:.0f} s of rest, at most "
        f"{limits.attempts} attempts (common practice, no source). The engine maker's limits come "
        "first."
    )
    _curve(plan.curve)
    _head("Caution")
    _say(
        "Exhaust gas kills. Local rules, the engine maker's procedure and licensed practice come "
        "before anything here."
    )


def write_card(plan: HookUpPlan, path: Path) -> None:
    """The printable card. Raises SettingError when the file cannot be written."""
    with written_or_told(path, "card"):
        path.write_text(render_card(plan), encoding="utf-8", newline="\n")


def _curve(points: tuple[PrecisionPoint, ...]) -> None:
    _head("What a longer recording buys")
    typer.echo("cycles  seconds  one cylinder  smallest fault      misfire surely")
    typer.echo("                 known to      seen 9 times in 10  met from")
    for p in points:
        fault = p.smallest_fault.value
        seen = "cannot compare" if fault is None else f"{100.0 * fault:.0f} %"
        typer.echo(
            f"{p.cycles:6d}  {p.seconds:7.1f}  +-{100.0 * p.half_width:4.1f} %      {seen:18}  "
            f"{100.0 * p.misfire_rate:4.1f} %"
        )


def _head(text: str) -> None:
    typer.echo("")
    typer.echo(text)


def _say(text: str, hang: int = 0) -> None:
    lead = len(text) - len(text.lstrip())
    typer.echo(
        textwrap.fill(
            plain(text.strip()),
            _WIDTH,
            initial_indent=" " * lead,
            subsequent_indent=" " * hang,
        )
    )
