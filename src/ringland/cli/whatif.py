"""`ringland whatif`: a simulated fault laid over the averaged cycle of a recording."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from ringland.cli._errors import told_to_the_user
from ringland.cli._given import engine_named, parse_roles, said_of
from ringland.cli._results import STANDARD_OUTPUT, write_result, written_or_told
from ringland.units import percent

if TYPE_CHECKING:
    from ringland.model import Analysis
    from ringland.output import Object
    from ringland.report.blocks import Section
    from ringland.severity import CycleOverlay, WhatIf
    from ringland.simulator.faults import Fault

__all__ = ["whatif"]

SCHEMA = "ringland.whatif/1"


def whatif(
    engine: Annotated[
        str, typer.Argument(metavar="ENGINE", help="A TOML file, or the id of a layout.")
    ],
    recording: Annotated[Path, typer.Argument(help="The recording: a file in a known format.")],
    fault: Annotated[
        str,
        typer.Option(
            "--fault",
            metavar="KIND:CYLINDER:SIZE",
            help="Such as ring_leak:3:4mm2, as in ringland simulate.",
        ),
    ],
    channel: Annotated[
        list[str] | None,
        typer.Option(
            "--channel", metavar="ROLE=NAME", help="Which channel is what; may be repeated."
        ),
    ] = None,
    condition: Annotated[
        Literal["idle", "held"] | None,
        typer.Option("--condition", help="How the engine was run."),
    ] = None,
    json_path: Annotated[
        Path | None,
        typer.Option("--json", metavar="PATH", help="Write the curves as JSON; - for the screen."),
    ] = None,
    html_path: Annotated[
        Path | None, typer.Option("--html", metavar="PATH", help="Write the figure as HTML.")
    ] = None,
) -> None:
    """Lay a simulated fault over a recording."""
    with told_to_the_user(json_path):
        from ringland.model import Condition
        from ringland.pipeline import analyse
        from ringland.readers import read_recording
        from ringland.severity import prepare_what_if, what_if
        from ringland.simulator.faults import parse_fault

        asked = parse_fault(fault)
        read = read_recording(recording, roles=parse_roles(channel or []))
        said = said_of(read, Condition(condition) if condition else None, None)
        analysis = analyse(said, engine_named(engine), diagnose=False)
        from ringland.cli._long import progress_bar

        with progress_bar() as progress:
            prepared = prepare_what_if(analysis, asked, progress=progress)
        shown = what_if(prepared, asked.severity)
        if json_path is not None:
            write_result(_as_json(analysis, asked, prepared, shown), json_path)
        if html_path is not None:
            _write_html(analysis, asked, prepared, shown, html_path)
        if json_path != STANDARD_OUTPUT:
            for line in _said(asked, prepared, shown):
                typer.echo(line)
            if html_path is not None:
                typer.echo(f"The figure is in {html_path}.")


def _said(asked: "Fault", prepared: "WhatIf", shown: "tuple[CycleOverlay, ...]") -> list[str]:
    """What is to be said in words: how well this size fits, and which would fit best."""
    from ringland.simulator.faults import FAULT_KINDS

    kind = FAULT_KINDS[asked.kind]
    lines = [
        f"Simulated: {kind.name}, {_written(asked.severity, kind.unit)}"
        + (f", cylinder {' and '.join(map(str, asked.cylinders))}" if asked.cylinders else "")
        + f" ({kind.meaning})."
    ]
    best = prepared.estimate
    assert best.value is not None
    assert best.low is not None
    assert best.high is not None
    lines.append(
        f"If this is the fault, the recording fits {_written(best.value, kind.unit)} best "
        f"(90 % interval {_written(best.low, kind.unit)} to {_written(best.high, kind.unit)})."
    )
    for one in shown:
        lines.append(
            f"{one.channel}: {percent(_fit(one))} of the averaged cycle's power explained."
        )
    if prepared.cycles.engine.geometry is None:
        lines.append("Bore and stroke are not described: those of a usual engine were taken.")
    lines.append("The path to each sensor was fitted to this recording. It shows what a fault")
    lines.append("would look like; it does not say that the fault is there.")
    return lines


def _fit(shown: "CycleOverlay") -> float:
    import numpy as np

    left = float(np.mean((shown.measured - shown.simulated) ** 2))
    return max(0.0, 1.0 - left / max(float(np.mean(shown.measured**2)), 1e-300))


def _written(value: float, unit: str) -> str:
    if unit == "1":
        return f"{100 * value:.2g}\N{NO-BREAK SPACE}%"
    return f"{value:.2g} {'mm²' if unit == 'mm2' else unit}"


def _as_json(
    analysis: "Analysis", asked: "Fault", prepared: "WhatIf", shown: "tuple[CycleOverlay, ...]"
) -> "Object":
    from ringland import __version__

    best = prepared.estimate
    return {
        "schema": SCHEMA,
        "ringland": __version__,
        "recording": analysis.recording.source.name,
        "engine": analysis.engine.name,
        "fault": {
            "kind": asked.kind,
            "cylinders": list(asked.cylinders),
            "severity": asked.severity,
            "unit": prepared.unit,
        },
        "fits_best": {
            "value": best.value, "low": best.low, "high": best.high, "unit": best.unit,
            "coverage": best.coverage,
        },
        "channels": [
            {
                "channel": one.channel,
                "role": one.role.value,
                "unit": one.unit,
                "harmonics": one.harmonics,
                "explained": _fit(one),
                "angle_deg": one.angle_deg.tolist(),
                "measured": one.measured.tolist(),
                "measured_low": one.measured_low.tolist(),
                "measured_high": one.measured_high.tolist(),
                "simulated": one.simulated.tolist(),
                "simulated_low": one.simulated_low.tolist(),
                "simulated_high": one.simulated_high.tolist(),
                "sound": one.sound.tolist(),
            }
            for one in shown
        ],
    }  # fmt: skip


def _write_html(
    analysis: "Analysis",
    asked: "Fault",
    prepared: "WhatIf",
    shown: "tuple[CycleOverlay, ...]",
    path: Path,
) -> None:
    from dataclasses import replace

    from ringland.report.finish import finish
    from ringland.report.html import render_document

    document = finish(
        (_section(analysis, asked, prepared, shown),),
        kind="analysis",
        title=f"What if: {asked.text()}",
        subtitle=analysis.recording.source.name,
        readers=("workshop",),
    )
    words = {**document.words, "kind": "What if"}
    with written_or_told(path, "HTML file"):
        path.write_text(
            render_document(replace(document, kind="what_if", words=words)),
            encoding="utf-8",
            newline="\n",
        )


def _section(
    analysis: "Analysis", asked: "Fault", prepared: "WhatIf", shown: "tuple[CycleOverlay, ...]"
) -> "Section":
    from functools import partial

    from ringland.figures import overlay
    from ringland.figures.labels import channel_title
    from ringland.report.blocks import Picture, Points, Section

    assert analysis.cylinders is not None  # the overlay could not have been made without
    assert analysis.cycles is not None
    faulty = [analysis.engine.firing_order.index(c) + 1 for c in asked.cylinders]
    blocks: list[Points | Picture] = [Points(tuple(_said(asked, prepared, shown)[:-2]))]
    for number, one in enumerate(shown):
        ready = overlay.prepare(
            one,
            analysis.cylinders,
            faulty=faulty,
            reference=analysis.cycles.reference,
            cycle_deg=analysis.engine.cycle_deg,
        )
        blocks.append(
            Picture(
                f"overlay-{number}",
                f"Measured and simulated cycle, {one.channel}",
                f"Both cut to the first {one.harmonics} harmonics of the cycle. The path to the "
                "sensor was fitted to this recording; the figure shows what the fault would look "
                "like and does not say that it is there.",
                overlay.size_in(ready),
                partial(overlay.compose, prepared=ready),
                channel_title(one.role),
            )
        )
    return Section("what-if", "Measured and simulated", tuple(blocks), "workshop")
