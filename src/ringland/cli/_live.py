"""The screen of a recording that runs: one table in place on a terminal, lines elsewhere."""

import sys
import time
from types import TracebackType

import typer
from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from ringland.cli._text import plain
from ringland.live.monitor import Look, Meter
from ringland.live.session import LiveView, SessionState
from ringland.model import Condition

__all__ = ["LiveScreen", "say"]

_BAR = 24
_LINE_EVERY_S = 2.0


def say(text: str) -> None:
    """A line on standard output, escaped."""
    typer.echo(plain(text))


class LiveScreen:
    """Shows a view and what was seen last; writes lines when the output is no terminal."""

    def __init__(self, condition: Condition, wanted: float) -> None:
        self._condition = condition
        self._wanted = wanted
        self._console = Console(markup=False, highlight=False, emoji=False)
        self._live: Live | None = None
        self._said_s = 0.0
        if sys.stdout.isatty():
            self._live = Live(console=self._console, refresh_per_second=5, transient=True)

    def __enter__(self) -> "LiveScreen":
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._live is not None:
            self._live.stop()

    def show(self, view: LiveView, seen: Look | None) -> None:
        """Show this moment."""
        if self._live is not None:
            self._live.update(self._drawn(view, seen))
            return
        now = time.monotonic()
        if now - self._said_s >= _LINE_EVERY_S:
            self._said_s = now
            say("  ".join(filter(None, [_clock(view), *_words(seen, self._wanted)])))

    def _drawn(self, view: LiveView, seen: Look | None) -> Group:
        head = Text(_clock(view), style="bold")
        table = Table(box=None, pad_edge=False)
        for title in ("channel", "level", "", "clipped"):
            table.add_column(title)
        for meter in view.meters:
            table.add_row(plain(meter.name), _bar(meter), meter.advice, str(meter.clipped or ""))
        parts: list[Text | Table] = [head, table]
        if seen is not None:
            if seen.coaching:
                parts.append(Text(seen.coaching, style="bold"))
            parts += [Text(plain(line)) for line in _words(seen, self._wanted)]
            parts += _cylinder_rows(seen)
            parts += [
                Text(
                    plain(
                        f"{'' if f.certain else 'maybe '}{f.kind.value.replace('_', ' ')}: "
                        f"{f.channel} {f.message}"
                    )
                )
                for f in seen.findings
            ]
        parts.append(Text("Ctrl-C stops; what is recorded stays."))
        return Group(*parts)


def _clock(view: LiveView) -> str:
    if view.state is SessionState.WAITING:
        return "waiting for the event"
    lost = f", {view.lost_samples} samples lost" if view.lost_samples else ""
    return f"{view.seconds:5.1f} s recorded and on disk{lost}"


def _bar(meter: Meter) -> str:
    if meter.used is None:
        return f"{meter.low:.3g} to {meter.high:.3g}"
    filled = min(_BAR, round(_BAR * meter.used))
    return "#" * filled + "." * (_BAR - filled) + f" {100.0 * meter.used:3.0f} %"


def _words(seen: Look | None, wanted: float) -> list[str]:
    if seen is None:
        return []
    out = []
    if seen.speed_now_rpm is not None:
        steady = "" if seen.steadiness is None else f", within {100.0 * seen.steadiness:.1f} %"
        out.append(f"speed {seen.speed_now_rpm:.0f} rpm{steady}")
    else:
        out.append("no speed yet")
    precision = seen.precision
    if precision is not None and precision.widest is not None:
        text = f"known to +-{100.0 * precision.widest:.1f} % (wanted {100.0 * wanted:g} %)"
        if seen.remaining_s is not None and seen.remaining_s > 0.0:
            text += f", about {seen.remaining_s:.0f} s to go"
        out.append(text)
    return out


def _cylinder_rows(seen: Look) -> list[Text]:
    """A first estimate, one line per firing position."""
    if not seen.cylinders:
        return []
    rows = [Text("first estimate of the exhaust pulse, 100 % is the usual one:")]
    for position, (value, half) in enumerate(seen.cylinders, start=1):
        width = "" if half is None else f" +- {100.0 * half:.1f}"
        rows.append(Text(f"  position {position}: {100.0 * value:.0f}{width} %"))
    return rows
