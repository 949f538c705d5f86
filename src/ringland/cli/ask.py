"""`ringland ask`: the causes as they stand, and which check to do next."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._text import plain

if TYPE_CHECKING:
    from ringland.model import Diagnosis, NextTest

__all__ = ["ask_command", "print_diagnosis"]

_SHOWN_CAUSES = 4


def ask_command(
    analysis: Annotated[
        Path | None,
        typer.Argument(
            help="A saved analysis (JSON) or a folder with one; the newest here if left out."
        ),
    ] = None,
    minutes: Annotated[
        float | None, typer.Option("--minutes", help="Leave out checks that take longer.", min=1)
    ] = None,
    hour_cost: Annotated[
        float | None,
        typer.Option("--hour-cost", help="Cost of an hour of labour: order by expected saving."),
    ] = None,
    currency: Annotated[str, typer.Option("--currency", help="Its currency.")] = "EUR",
    procedure: Annotated[
        str | None, typer.Option("--how", metavar="TEST", help="Show how a check is done.")
    ] = None,
) -> None:
    """Say which check to do next, and what each answer would mean."""
    with told_to_the_user():
        if procedure is not None:
            _print_procedure(procedure)
            return
        from ringland.advice import Costs
        from ringland.cli._saved import find_analysis, read_saved, rediagnose

        path = find_analysis(analysis)
        saved = read_saved(path)
        costs = None if hour_cost is None else Costs(hour_cost, currency)
        diagnosis = rediagnose(saved, costs=costs, minutes=minutes)
        typer.echo(f"Analysis {path.name}, {len(saved.answers)} answers so far.")
        if saved.priors is not None:
            typer.echo(
                f"Priors learned from {saved.priors.outcomes} confirmed outcomes "
                f"({saved.priors.made_utc[:10]}, set {saved.priors.sha256[:8]})."
            )
        print_diagnosis(diagnosis)


def print_diagnosis(diagnosis: "Diagnosis") -> None:
    """Causes, what to do, and the next checks."""
    from ringland.model import natural_frequency

    def say(text: str = "") -> None:
        typer.echo(plain(text))

    say()
    if diagnosis.resembles_nothing:
        say(diagnosis.resembles_nothing)
    say(f"  Nothing wrong: {natural_frequency(diagnosis.healthy)}")
    for cause in diagnosis.causes[:_SHOWN_CAUSES]:
        if cause.probability < 0.02:
            break
        percent = f"{100 * cause.probability:.0f} %"
        say(f"  {cause.titled}: {natural_frequency(cause.probability)} ({percent})")
        for weight in cause.speaks_for[:2]:
            say(f"      for:     {weight.sentence} ({weight.bits:+.1f} bits)")
        for weight in cause.speaks_against[:1]:
            say(f"      against: {weight.sentence} ({weight.bits:+.1f} bits)")
    say(f"  Something not in the list: {natural_frequency(diagnosis.none_of_these)}")
    for note in diagnosis.notes:
        say(f"  {note}")
    _print_recordings(diagnosis)
    say()
    for action in diagnosis.actions:
        say(f"To do {action.urgency}: {action.workshop_words}")
        say(f"  Owner: {action.owner_words}")
        for reason in action.reasons:
            say(f"  Because: {reason}")
        for caution in action.cautions:
            say(f"  Caution: {caution}")
    if diagnosis.next_tests:
        say()
        say("Checks that would tell most, best first:")
        for test in diagnosis.next_tests:
            _print_test(test)


def _print_recordings(diagnosis: "Diagnosis") -> None:
    if not diagnosis.recordings:
        return
    from ringland.diagnosis import recordings_in_words

    typer.echo("  What each recording said:")
    for line in recordings_in_words(diagnosis):
        typer.echo(plain(f"      {line}"))


def _print_test(test: "NextTest") -> None:
    from ringland.model import natural_frequency

    where = ""
    if any(a.cylinder is not None for a in test.outcomes):
        where = " --cylinder N, where one stands out"
    elif any(a.firing_position is not None for a in test.outcomes):
        where = " --position N, where one stands out"
    elif test.cylinder is not None:
        where = f" --cylinder {test.cylinder}"
    elif test.firing_position is not None:
        where = f" --position {test.firing_position}"
    saving = ""
    if test.expected_saving is not None and test.expected_saving.value is not None:
        saving = f", saves about {test.expected_saving.value:.0f} {test.expected_saving.unit}"
    typer.echo(
        plain(
            f"  {test.title}: {test.minutes:.0f} minutes, {test.information_bits:.2f} bits{saving}"
            f"  (ringland answer {test.test} OUTCOME{where})"
        )
    )
    for answer in test.outcomes:
        name, probability = answer.ranking[0]
        typer.echo(
            plain(
                f"      {answer.outcome}: {answer.titled} ({natural_frequency(answer.probability)})"
                f" -> {name} {natural_frequency(probability)}"
            )
        )


def _print_procedure(name: str) -> None:
    from ringland.diagnosis import load_knowledge

    test = load_knowledge().test(name)
    lines = [
        f"{test.title} ({test.minutes:.0f} minutes; {test.invasiveness})",
        *(f"  Need: {e}" for e in test.equipment),
        *(f"  Caution: {c}" for c in test.cautions),
        *(f"  {i}. {step}" for i, step in enumerate(test.procedure, start=1)),
        "  Answers:",
        *(f"    {o.id}: {o.title}" for o in test.outcomes),
        f"  Source: {test.source}",
    ]
    for line in lines:
        typer.echo(plain(line))
