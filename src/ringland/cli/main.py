"""The command `ringland`: puts the commands together and turns errors into exit statuses."""

import gc
import os
import sys

import typer

from ringland.cli import (
    analyse,
    answer,
    ask,
    batch,
    check,
    compare,
    demo,
    engines,
    fleet,
    instruments,
    obd,
    outbox,
    plan,
    record,
    reference,
    report,
    self_check,
    serve,
    simulate,
    store,
    vehicle,
    version,
    visit,
    whatif,
)

__all__ = ["app", "main"]

app = typer.Typer(
    name="ringland",
    help="Judge each cylinder of a running piston engine from pressure pulses.",
    epilog="Exit status: 0 judged, 2 bad input, 3 recording not fit to judge.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
app.command("analyse")(analyse.analyse)
app.command("check")(check.check)
app.command("ask")(ask.ask_command)
app.command("answer")(answer.answer_command)
app.add_typer(engines.app, name="engines")
app.command("compare")(compare.compare_command)
app.command("repeatability")(compare.repeatability_command)
app.command("demo")(demo.demo)
app.command("instruments")(instruments.instruments)
app.command("obd")(obd.obd)
app.command("plan")(plan.plan)
app.command("record")(record.record)
app.command("recover")(record.recover)
app.command("self-check")(self_check.self_check)
app.command("reference")(reference.reference_command)
app.command("report")(report.report_command)
app.command("report-check")(report.report_check_command)
app.command("report-key")(report.report_key_command)
app.add_typer(outbox.app, name="outbox")
app.command("serve")(serve.serve_command)
app.command("simulate")(simulate.simulate)
app.command("import")(batch.import_command)
app.command("reanalyse")(batch.reanalyse)
app.add_typer(vehicle.app, name="vehicle")
app.add_typer(visit.app, name="visit")
app.command("search")(fleet.search_command)
app.add_typer(fleet.app, name="fleet")
app.add_typer(store.app, name="store")
app.command("version")(version.version)
app.command("whatif")(whatif.whatif)


def main() -> None:
    """Run the command line of this process and exit."""
    # the matrices are small: threads would only be started, and then wait for one another
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # looking for plug-ins of others costs time, and none belongs here
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    # what is loaded at the start stays: looking through it for garbage takes a tenth of a run
    gc.set_threshold(50_000, 20, 50)
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")  # a narrow terminal encoding must not end in a traceback
    app(prog_name="ringland")
