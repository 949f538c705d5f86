"""The servers that carry the app: plain on loopback, TLS for other devices."""

import asyncio
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import uvicorn
from fastapi import FastAPI

from ringland.history import Store
from ringland.web.certificate import tls_context
from ringland.web.sharing import Sharing

__all__ = ["run", "serving", "shared_server"]

_MOST_CONNECTIONS = 200
"""Of other devices at one time; this computer's own are not counted with them."""


class _Server(uvicorn.Server):
    """Ends the streams of open pages first, which would never end by themselves."""

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        app = self.config.app
        assert isinstance(app, FastAPI)
        app.state.context.hub.stop()
        await super().shutdown(sockets)


def _server(app: FastAPI, **settings: Any) -> uvicorn.Server:
    config = uvicorn.Config(
        app,
        access_log=False,
        server_header=False,
        proxy_headers=False,  # nobody stands in between, so nobody may say who a client is
        timeout_graceful_shutdown=2,
        **settings,
    )
    config.load()
    return _Server(config)


def shared_server(app: FastAPI, sharing: Sharing) -> uvicorn.Server:
    """The server for other devices: TLS only, plain text gets no answer. Another one has to start
    and end the app."""
    server = _server(
        app,
        log_level="error",  # strangers must not fill the terminal
        lifespan="off",
        limit_concurrency=_MOST_CONNECTIONS,
    )
    server.config.ssl = tls_context(sharing.certificate)
    return server


def run(app: FastAPI, listeners: list[socket.socket], sharing: Sharing | None) -> None:
    """Serve until stopped: the first listener on loopback, the second one for other devices."""
    local = _server(app, log_level="warning", lifespan="on")
    if sharing is None:
        local.run(sockets=listeners)
    else:
        asyncio.run(_both([local, shared_server(app, sharing)], listeners))


@contextmanager
def serving(store: Store, folder: Path, *, warm: bool = True) -> Iterator[tuple[str, FastAPI]]:
    """The app over an open store, on a free port of this computer, while the block runs: its
    address and itself. For scripts, benchmarks and tests, which do something with it meanwhile."""
    from ringland.web.app import create_app, local_hosts
    from ringland.web.guard import GuardSettings

    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = int(listener.getsockname()[1])
        guard = GuardSettings(hosts=local_hosts(port), cookie=f"ringland-{port}")
        app = create_app(store, folder=folder, guard=guard, warm=warm)
        server = _server(app, log_level="error", lifespan="on")
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            yield f"http://127.0.0.1:{port}", app
        finally:
            server.should_exit = True
            thread.join(20)


async def _both(servers: list[uvicorn.Server], listeners: list[socket.socket]) -> None:
    """Until stopped. The one started last gets the signal first and hands it on."""
    pairs = zip(servers, listeners, strict=True)
    await asyncio.gather(*(s.serve(sockets=[listener]) for s, listener in pairs))
