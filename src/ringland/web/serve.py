"""Start the app on this computer: loopback only, a port that is free, the browser opened."""

import contextlib
import os
import socket
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path

from ringland.errors import SettingError
from ringland.history import Store, open_store
from ringland.web.app import DEFAULT_PORT, create_app, local_hosts
from ringland.web.guard import GuardSettings

__all__ = ["DEFAULT_PORT", "serve"]

HOST = "127.0.0.1"
_TRIED_PORTS = 20


def serve(
    *,
    port: int | None = None,
    data: Path | str | None = None,
    browser: bool = True,
    say: Callable[[str], None] = print,
) -> None:
    """Serve until stopped. Raises SettingError when the port or the store cannot be had."""
    import uvicorn

    with open_store(data) as store, _listener(port) as listener:
        chosen = int(listener.getsockname()[1])
        folder = own_folder(store, data)
        guard = GuardSettings(hosts=local_hosts(chosen), cookie=f"ringland-{chosen}")
        app = create_app(store, folder=folder, guard=guard)
        address = f"http://{HOST}:{chosen}/enter?key={app.state.context.sessions.key}"
        say(f"Ringland is at {address}")
        say("Only this computer reaches it. Stop with Ctrl+C.")
        if browser:
            threading.Timer(0.8, _open, args=(address,)).start()
        config = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=2,
            lifespan="on",
        )
        uvicorn.Server(config).run(sockets=[listener])


def own_folder(store: Store, data: Path | str | None) -> Path:
    """Where this computer keeps what is not for the store: beside a local one, else the user's."""
    from ringland.history import default_folder

    if "://" in store.url:
        return default_folder()
    return Path(data) if data is not None else Path(store.url)


def _listener(port: int | None) -> socket.socket:
    """A socket on loopback: the port asked for, else the first free one from the usual port on."""
    ports = [port] if port is not None else list(range(DEFAULT_PORT, DEFAULT_PORT + _TRIED_PORTS))
    for number in ports:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if os.name != "nt":  # there it would let two programs share the port
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((HOST, number))
        except OSError:
            listener.close()
            continue
        listener.listen(128)
        return listener
    raise SettingError(
        "The port is in use.",
        got=str(port) if port is not None else f"{ports[0]} to {ports[-1]}",
        allowed="a free port from 1024 to 65535",
        remedy="Close the other program, or choose one with --port.",
    )


def _open(address: str) -> None:
    with contextlib.suppress(webbrowser.Error):
        webbrowser.open(address)
