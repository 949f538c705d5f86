"""What several instruments share: choosing inputs, and a thread that reads bytes."""

import queue
import threading
from collections.abc import Callable, Sequence

from ringland.errors import SettingError
from ringland.instruments.protocol import InputInfo, LiveChannel, Wanted, WantedInput

__all__ = ["BytePump", "chosen_inputs", "live_channel"]


def chosen_inputs(inputs: Sequence[InputInfo], wanted: Wanted) -> tuple[int, ...]:
    """Index of each wanted input, by name or 1-based number. Raises SettingError."""
    if not wanted.inputs:
        raise SettingError(
            "No input was chosen.",
            allowed=", ".join(i.name for i in inputs),
            remedy="Say what is where, for example --channel exhaust=1.",
        )
    found = [_index(inputs, w) for w in wanted.inputs]
    roles = [w.role for w in wanted.inputs]
    if len(set(found)) < len(found) or len(set(roles)) < len(roles):
        raise SettingError(
            "An input or a role was given twice.",
            got=", ".join(f"{w.role}={w.input}" for w in wanted.inputs),
            allowed="each input and each role once",
        )
    return tuple(found)


def _index(inputs: Sequence[InputInfo], wanted: WantedInput) -> int:
    name = wanted.input.strip().casefold()
    for i, info in enumerate(inputs):
        if info.name.strip().casefold() == name:
            return i
    if name.isdecimal() and 1 <= int(name) <= len(inputs):
        return int(name) - 1
    shown = ", ".join(f"{i} '{info.name}'" for i, info in enumerate(inputs[:20], start=1))
    raise SettingError(
        f"The instrument has no input '{wanted.input}'.",
        got=wanted.input,
        allowed=shown or "it has no inputs",
        remedy="Use one of these names or numbers.",
    )


def live_channel(
    info: InputInfo,
    wanted: WantedInput,
    full_scale: tuple[float, float] | None = None,
    resolution: float | None = None,
) -> LiveChannel:
    """The channel that a wanted input becomes; spans are scaled like the samples."""
    scale = abs(wanted.gain)
    span = None
    if full_scale is not None:
        ends = sorted(wanted.gain * v + wanted.offset for v in full_scale)
        span = (ends[0], ends[1])
    return LiveChannel(
        name=wanted.role.value,
        role=wanted.role,
        unit=wanted.unit or info.unit,
        full_scale=span,
        resolution=None if resolution is None else resolution * scale,
        ac_corner_hz=info.ac_corner_hz,
        input=info.name,
    )


class BytePump:
    """Reads in a thread of its own, so that nothing waits in a pipe or socket.

    `read` returns bytes, b"" at the end, and may raise OSError or ValueError when closed under it.
    """

    def __init__(self, read: Callable[[], bytes], name: str) -> None:
        self._read = read
        self._queue: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self.fault: str | None = None
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def get(self, timeout_s: float) -> bytes | None:
        """All bytes that are there, b"" when none came in time, None at the end."""
        try:
            first = self._queue.get(timeout=max(timeout_s, 0.0))
        except queue.Empty:
            return b""
        parts: list[bytes] = []
        item: bytes | None = first
        while item is not None:
            parts.append(item)
            try:
                item = self._queue.get_nowait()
            except queue.Empty:
                return b"".join(parts)
        if parts:
            self._queue.put(None)  # the end is told next time
            return b"".join(parts)
        return None

    def _run(self) -> None:
        try:
            while data := self._read():
                self._queue.put(data)
        except (OSError, ValueError) as error:
            self.fault = getattr(error, "strerror", None) or str(error)
        self._queue.put(None)
