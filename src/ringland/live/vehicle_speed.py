"""Engine speed from the vehicle's own controller while something is recorded."""

import statistics
import threading
import time
from dataclasses import dataclass

from ringland.errors import RinglandError
from ringland.instruments.obd.link import open_link
from ringland.instruments.obd.read import Vehicle

__all__ = ["SpeedSeen", "SpeedWatch"]

_EVERY_S = 0.25
_FRESH_S = 3.0


@dataclass(frozen=True)
class SpeedSeen:
    """Median, lowest and highest of `count` readings, rpm."""

    median_rpm: float
    lowest_rpm: float
    highest_rpm: float
    count: int


class SpeedWatch:
    """Asks again and again in a thread of its own; a recording never waits for it.

    `trouble` says why there is no speed (any more), None while all is well.
    """

    def __init__(self, address: str) -> None:
        self.address = address
        self.trouble: str | None = None
        self._seen: list[tuple[float, float]] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="ringland-speed", daemon=True)

    def start(self) -> None:
        """Begin; connecting happens in the thread."""
        self._thread.start()

    def latest_rpm(self) -> float | None:
        """The speed a moment ago, None when nothing came lately."""
        if not self._seen:
            return None
        at_s, rpm = self._seen[-1]
        return rpm if time.monotonic() - at_s < _FRESH_S else None

    def seen(self, since_s: float = 0.0) -> SpeedSeen | None:
        """All readings since this moment of the monotonic clock; zero is an engine that stands."""
        numbers = [rpm for at_s, rpm in self._seen if at_s >= since_s and rpm > 0.0]
        if not numbers:
            return None
        return SpeedSeen(statistics.median(numbers), min(numbers), max(numbers), len(numbers))

    def stop(self) -> None:
        """End it; may be called twice, and before it was started."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout=1.0)  # it may hang in a request; it writes nothing

    def _run(self) -> None:
        try:
            with Vehicle(open_link(self.address)) as vehicle:
                while not self._stop.wait(_EVERY_S):
                    rpm, why = vehicle.speed_rpm()
                    self.trouble = why or None
                    if rpm is not None:
                        self._seen.append((time.monotonic(), rpm))
        except RinglandError as error:
            self.trouble = f"{error.wrong} {error.got or ''}".strip()
