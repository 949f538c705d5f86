"""`ringland fleet` and `ringland search`: which one first, how often right, and where is it."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._results import written_or_told
from ringland.cli._store import StoreOption, opened
from ringland.cli._text import plain
from ringland.errors import BadInput, SettingError

if TYPE_CHECKING:
    from datetime import date

    from ringland.history import Owner, Store

__all__ = ["app", "search_command"]

app = typer.Typer(help="Which vehicle first, and how often past calls were right.",
                  no_args_is_help=True)  # fmt: skip

OwnerName = Annotated[
    str | None, typer.Option("--owner", help="Only this owner's, with this owner's costs.")
]
Today = Annotated[
    str | None, typer.Option("--today", metavar="DATE", help="Reckon from this day on.")
]


def search_command(
    words: Annotated[list[str], typer.Argument(help="Words, or how they begin.")],
    limit: Annotated[int, typer.Option("--limit", min=1, max=1000, help="Most hits.")] = 20,
    store: StoreOption = None,
) -> None:
    """Find vehicles, visits, work and notes by words."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history import search

        found = search(kept, " ".join(words), limit=limit)
        for hit in found:
            typer.echo(plain(f"{hit.kind:12} {hit.row_id}  {hit.text[:200]}"))
        if not found:
            typer.echo("Nothing has all of these words.", err=True)


@app.command("order")
def order(
    owner: OwnerName = None,
    today: Today = None,
    limit: Annotated[int, typer.Option("--limit", min=1, max=10_000, help="Most lines.")] = 30,
    store: StoreOption = None,
) -> None:
    """Vehicles by what waiting costs, dearest first; each line says why."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history.insight import costs_of, fleet_top

        whose = _owner(kept, owner)
        costs = costs_of(whose)
        rows = fleet_top(
            kept, costs, limit=limit, owner_id=whose.id if whose else None, today=_day(today)
        )
        for number, row in enumerate(rows, start=1):
            typer.echo(plain(f"{number:3}. {row.name}: {row.sentence}"))
        if costs.assumed:
            assumed = ", ".join(name.replace("_", " ") for name in costs.assumed)
            typer.echo(f"Assumed, because nobody stated them: {assumed}.")


@app.command("summary")
def summary(
    path: Annotated[Path, typer.Argument(metavar="FILE", help="Where it goes: .pdf or .html.")],
    owner: OwnerName = None,
    today: Today = None,
    firm: Annotated[
        Path | None, typer.Option("--firm", metavar="FIRM.toml", help="Your own firm.")
    ] = None,
    language: Annotated[str, typer.Option("--language", help="en or de.")] = "en",
    paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "a4",
    store: StoreOption = None,
) -> None:
    """The order as a document to hand out, with the trends of those that should come in."""
    with told_to_the_user():
        from ringland.cli.report import data_folder
        from ringland.history.summary import fleet_summary
        from ringland.report import load_firm, render_document, render_pdf
        from ringland.report.kept import keep_report

        known = None if firm is None else load_firm(firm)
        with opened(store) as kept:
            document = fleet_summary(
                kept,
                _owner(kept, owner),
                firm=known,
                language=language,
                currency="EUR" if known is None else known.currency,
                today=_day(today),
            )
        if path.suffix.casefold() == ".pdf":
            content = render_pdf(document, paper=paper)
        else:
            content = render_document(document, paper=paper).encode("utf-8")
        keep_report(document, data_folder())
        with written_or_told(path, "summary"):
            path.write_bytes(content)
        typer.echo(plain(f"Summary: {path}"))


@app.command("plan")
def plan(
    bay_hours: Annotated[
        list[float], typer.Argument(metavar="HOURS...", help="Bay hours of each day to come.")
    ],
    owner: OwnerName = None,
    today: Today = None,
    store: StoreOption = None,
) -> None:
    """The visits that save most and fit the bay hours of the next days."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history.fleet import plan_visits
        from ringland.history.insight import costs_of, fleet_cases

        whose = _owner(kept, owner)
        cases = fleet_cases(kept, owner_id=whose.id if whose else None, today=_day(today))
        found = plan_visits(cases, costs_of(whose), bay_hours=bay_hours)
        for visit in found.visits:
            typer.echo(plain(f"day {visit.day + 1}: {visit.name}: {visit.sentence}"))
        for name, reason in found.left_out[:20]:
            typer.echo(plain(f"not planned: {name}: {reason}"))


@app.command("record")
def record(owner: OwnerName = None, store: StoreOption = None) -> None:
    """How often past calls were right, by what was found afterwards."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.history.insight import calls
        from ringland.history.track_record import by_mode, hit_rate, reliability

        whose = _owner(kept, owner)
        known = calls(kept, owner_id=whose.id if whose else None)
        rate = hit_rate(known)
        if rate.value is None or rate.low is None or rate.high is None:
            typer.echo(f"Not known: {rate.reason}.")
            return
        typer.echo(
            f"{len(known)} confirmed. The likeliest was found in {100 * rate.value:.0f} % "
            f"({100 * rate.low:.0f} to {100 * rate.high:.0f} %)."
        )
        happened = [(call.probability(m), call.found == m) for call in known
                    for m in {*call.predicted, call.found}]  # fmt: skip
        typer.echo("Predicted, found, cases:")
        pairs = reliability([min(1.0, max(0.0, p)) for p, _ in happened], [h for _, h in happened])
        for one in pairs:
            seen = one.observed
            typer.echo(
                f"  {100 * one.predicted:4.0f} %  {100 * (seen.value or 0):4.0f} % "
                f"({100 * (seen.low or 0):.0f} to {100 * (seen.high or 0):.0f})  {one.count}"
            )
        typer.echo("Brier score by what was found (0 is best):")
        for mode in sorted({call.found for call in known}):
            score = by_mode(known)[mode]
            typer.echo(f"  {mode.replace('_', ' '):28} {score.score:.3f}")


@app.command("priors")
def priors(
    switch: Annotated[
        Literal["on", "off"] | None,
        typer.Argument(help="on: learn from what was confirmed so far; off: as they came."),
    ] = None,
    store: StoreOption = None,
) -> None:
    """How common each failure mode is taken to be; learn it from confirmed outcomes, or not."""
    with told_to_the_user(), opened(store) as kept:
        from ringland.diagnosis import load_knowledge
        from ringland.history.learned import newest_update, outcomes_since, priors_of, switch_priors

        update = newest_update(kept) if switch is None else switch_priors(kept, on=switch == "on")
        since = outcomes_since(kept)
        used = priors_of(kept)
        if update is None or not update.enabled:
            typer.echo("Off: analyses use the priors that come with Ringland.")
            if since:
                typer.echo(f"{since} confirmed outcomes could be learned from.")
            return
        typer.echo(f"On since {update.made_utc[:10]}. {update.sentence}")
        if used is not None:
            typer.echo(f"Analyses made from now on use set {used.sha256[:16]}.")
        if since and switch is None:
            typer.echo(f"{since} outcomes are not counted yet: ringland fleet priors on")
        typer.echo("Share of faults: as it came, learned (90 % interval), confirmed:")
        for mode in sorted(load_knowledge().modes, key=lambda m: -update.after[m.id]):
            now = update.intervals[mode.id]
            typer.echo(
                f"  {mode.name:44} {100 * update.before[mode.id]:5.1f} %  "
                f"{100 * update.after[mode.id]:5.1f} % ({100 * (now.low or 0):.1f} to "
                f"{100 * (now.high or 0):.1f})  {update.counts.get(mode.id, 0)}"
            )


def _owner(store: "Store", name: str | None) -> "Owner | None":
    if name is None:
        return None
    from ringland.history import list_owners

    found = list_owners(store, name=name)
    if not found:
        raise BadInput(
            "There is no owner of that name.", got=name,
            allowed=", ".join(o.name for o in list_owners(store, limit=20)) or "none is kept yet",
        )  # fmt: skip
    return found[0]


def _day(text: str | None) -> "date | None":
    if text is None:
        return None
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError as error:
        raise SettingError("That is no day.", got=text, allowed="YYYY-MM-DD") from error
