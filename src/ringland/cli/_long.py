"""A long recording: read window by window, with a progress bar on standard error."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from ringland.cli._given import said_of
from ringland.model import ChannelInfo, Condition, Recording, RecordingSource, SourceInfo

__all__ = ["SaidSource", "progress_bar"]


class SaidSource:
    """A source whose windows carry what was said on the command line."""

    def __init__(
        self, source: RecordingSource, condition: Condition | None, speed_hint_rpm: float | None
    ) -> None:
        self._source = source
        self._condition = condition
        self._speed_hint_rpm = speed_hint_rpm

    @property
    def source(self) -> SourceInfo:
        """The file behind it."""
        return self._source.source

    @property
    def channels(self) -> tuple[ChannelInfo, ...]:
        """What channels there are."""
        return self._source.channels

    @property
    def notes(self) -> tuple[str, ...]:
        """What was decided while opening."""
        return self._source.notes

    @property
    def start_s(self) -> float:
        """First moment."""
        return self._source.start_s

    @property
    def duration_s(self) -> float:
        """Length of the longest channel."""
        return self._source.duration_s

    def read(self, start_s: float, stop_s: float) -> Recording:
        """The window [start_s, stop_s)."""
        return said_of(self._source.read(start_s, stop_s), self._condition, self._speed_hint_rpm)


@contextmanager
def progress_bar() -> Iterator[Callable[[float], None]]:
    """A function to call with the fraction done, 0 to 1."""
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Analysing", total=1.0)
        yield lambda fraction: bar.update(task, completed=fraction)
