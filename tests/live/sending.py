"""A recorder on the network for the tests: sends the same samples to whoever connects."""

import contextlib
import io
import socketserver
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from ringland.instruments.keep import Keeper, KeptHead
from ringland.instruments.protocol import Block, LiveChannel, SetUp
from ringland.model import ChannelRole, Condition

RATE_HZ = 5000.0
ROLES = (ChannelRole.EXHAUST, ChannelRole.CRANKCASE)


def kept_bytes(folder: Path, samples: np.ndarray, title: str) -> bytes:
    """A kept file of two inputs, "exhaust" and "crankcase"."""
    channels = tuple(LiveChannel(r.value, r, "V", (-5.0, 5.0)) for r in ROLES)
    path = folder / "sent.blocks"
    path.unlink(missing_ok=True)
    head = KeptHead(SetUp(title, RATE_HZ, channels), Condition.IDLE, "2026-03-09T08:00:00Z")
    with Keeper(path, head) as keeper:
        for at in range(0, len(samples), 500):
            keeper.append(Block(at, samples[at : at + 500].astype(np.float32), 0.0))
    return path.read_bytes()


@contextlib.contextmanager
def sending(data: bytes) -> Iterator[str]:
    """The address of a recorder that sends these bytes, for as long as the block lasts."""

    class Client(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            stream = io.BytesIO(data)
            with contextlib.suppress(OSError):
                while piece := stream.read(8192):
                    self.request.sendall(piece)

    class Server(socketserver.ThreadingTCPServer):
        daemon_threads = True
        allow_reuse_address = True

    with Server(("127.0.0.1", 0), Client) as server:
        threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
        try:
            yield f"tcp:127.0.0.1:{server.server_address[1]}"
        finally:
            server.shutdown()
