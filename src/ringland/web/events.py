"""What open pages are told: progress of work, rows changed elsewhere, and a beat that says the
server lives."""

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Callable
from typing import Any

__all__ = ["Hub"]

BEAT_S = 5.0
_LONGEST_QUEUE = 500


class Hub:
    """Passes messages from any thread to every open page."""

    def __init__(self) -> None:
        self._listeners: set[asyncio.Queue[str | None]] = set()
        self._loop: asyncio.AbstractEventLoop | None = None

    def start(self) -> None:
        """Called inside the server's loop before the first request."""
        self._loop = asyncio.get_running_loop()

    def stop(self) -> None:
        """End every open stream, so that the server can stop."""
        for listener in list(self._listeners):
            self._put(listener, None)
        self._loop = None

    def tell(self, event: str, content: dict[str, Any]) -> None:
        """Send to all; may be called from any thread."""
        loop = self._loop
        if loop is None or loop.is_closed():
            return
        text = f"event: {event}\ndata: {json.dumps(content)}\n\n"
        with contextlib.suppress(RuntimeError):  # the loop closed in between
            loop.call_soon_threadsafe(self._spread, text)

    def _spread(self, text: str) -> None:
        for listener in list(self._listeners):
            self._put(listener, text)

    def _put(self, listener: "asyncio.Queue[str | None]", text: str | None) -> None:
        try:
            listener.put_nowait(text)
        except asyncio.QueueFull:  # a page that does not read is let go; it will come again
            self._listeners.discard(listener)

    async def listen(self, may_go_on: Callable[[], bool] = lambda: True) -> AsyncIterator[str]:
        """Messages for one page until it goes away, the server stops, or it may not go on: that is
        asked before every message, and the page is told."""
        listener: asyncio.Queue[str | None] = asyncio.Queue(_LONGEST_QUEUE)
        self._listeners.add(listener)
        try:
            yield "retry: 2000\nevent: hello\ndata: {}\n\n"
            while True:
                try:
                    text = await asyncio.wait_for(listener.get(), BEAT_S)
                except TimeoutError:
                    text = "event: beat\ndata: {}\n\n"
                if text is None:
                    return
                if not may_go_on():
                    yield "event: away\ndata: {}\n\n"
                    return
                yield text
        finally:
            self._listeners.discard(listener)
