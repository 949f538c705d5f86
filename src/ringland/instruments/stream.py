"""A TCP stream: the bytes of a kept file, sent while it is recorded.

Whoever has a recorder that can run a few lines of code can send `RLBLOCK1`, a `HEAD` record and
`BLCK` records (docs/instruments.md) over a socket; nothing else is spoken.
"""

import socket
import time

import numpy as np

from ringland.errors import FileFormatError, SettingError
from ringland.instruments import keep
from ringland.instruments._common import BytePump, chosen_inputs, live_channel
from ringland.instruments.protocol import (
    Block,
    Ended,
    InputInfo,
    InstrumentFault,
    InstrumentInfo,
    SetUp,
    Wanted,
)

__all__ = ["StreamInstrument", "parse_address"]

_CONNECT_S = 5.0
_HEAD_S = 10.0


def parse_address(text: str) -> tuple[str, int]:
    """HOST:PORT. Raises SettingError."""
    host, colon, port = text.rpartition(":")
    if not (colon and host and port.isdecimal() and 0 < int(port) < 65536):
        raise SettingError(
            "The address of the stream cannot be read.",
            got=text,
            allowed="HOST:PORT, for example tcp:127.0.0.1:5555",
        )
    return host.strip("[]"), int(port)


class StreamInstrument:
    """Connects when described or configured; the sender decides rate and channels."""

    def __init__(self, address: str) -> None:
        self._address = parse_address(address)
        self._shown = address
        self._socket: socket.socket | None = None
        self._pump: BytePump | None = None
        self._buffer = bytearray()
        self._head: keep.KeptHead | None = None
        self._columns: tuple[int, ...] = ()
        self._gain = np.ones(1)
        self._offset = np.zeros(1)

    def describe(self) -> InstrumentInfo:
        """Inputs as the sender's head names them."""
        told = self._connect().set_up
        inputs = tuple(
            InputInfo(c.name, c.unit, (), c.ac_corner_hz, "as the sender says")
            for c in told.channels
        )
        return InstrumentInfo(
            f"tcp:{self._shown}",
            told.instrument,
            inputs,
            (told.rate_hz, told.rate_hz),
            which=told.which,
        )

    def configure(self, wanted: Wanted) -> SetUp:
        """Choose among the channels that are sent; the rate is the sender's."""
        info = self.describe()
        told = self._connect().set_up
        self._columns = chosen_inputs(info.inputs, wanted)
        self._gain = np.array([w.gain for w in wanted.inputs])
        self._offset = np.array([w.offset for w in wanted.inputs])
        channels = tuple(
            live_channel(
                info.inputs[i], w, told.channels[i].full_scale, told.channels[i].resolution
            )
            for i, w in zip(self._columns, wanted.inputs, strict=True)
        )
        notes = list(told.notes)
        if told.rate_hz != wanted.rate_hz:
            notes.append(f"the sender takes {told.rate_hz:g} samples per second")
        return SetUp(info.id, told.rate_hz, channels, tuple(notes), info.title, info.which)

    def arm(self) -> None:
        """Nothing to send: the stream runs."""
        self._connect()

    def fetch(self, timeout_s: float) -> Block | Ended | None:
        """The next record that is whole."""
        deadline = time.monotonic() + timeout_s
        while True:
            block = self._take_block()
            if block is not None:
                return block
            pump = self._pump
            if keep.is_broken(self._buffer):
                return Ended("a block arrived damaged; nothing after it can be trusted", fault=True)
            if pump is None:
                return Ended("the stream was not open", fault=True)
            data = pump.get(max(0.0, deadline - time.monotonic()))
            if data is None:
                left = f", {len(self._buffer)} bytes of a cut-off block" if self._buffer else ""
                return Ended(f"the sender closed the stream{left}", fault=True)
            if not data:
                return None
            self._buffer += data

    def stop(self) -> None:
        """Close the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _connect(self) -> keep.KeptHead:
        if self._head is not None:
            return self._head
        try:
            self._socket = socket.create_connection(self._address, timeout=_CONNECT_S)
        except OSError as error:
            raise InstrumentFault(
                f"Nothing sends at {self._shown}.",
                got=error.strerror or str(error),
                remedy="Start the recorder's stream first; check address, port and cable.",
            ) from error
        self._socket.settimeout(None)
        sock = self._socket
        self._pump = BytePump(lambda: sock.recv(1 << 16), "ringland-tcp")
        self._head = self._read_head()
        return self._head

    def _read_head(self) -> keep.KeptHead:
        deadline = time.monotonic() + _HEAD_S
        while time.monotonic() < deadline:
            if len(self._buffer) >= len(keep.MAGIC) and not self._buffer.startswith(keep.MAGIC):
                break
            taken = keep.take_record(self._buffer, len(keep.MAGIC))
            if taken is not None:
                del self._buffer[: len(keep.MAGIC) + taken.size]
                try:
                    return keep.parse_head(taken)
                except FileFormatError as error:
                    raise self._foreign(error.wrong) from error
            assert self._pump is not None
            data = self._pump.get(0.2)
            if data is None:
                break
            self._buffer += data
        raise self._foreign("it does not begin with a head")

    def _foreign(self, why: str) -> InstrumentFault:
        self.stop()
        return InstrumentFault(
            f"What is sent at {self._shown} is not a stream of blocks.",
            got=why,
            allowed="the format on the page docs/instruments.md",
        )

    def _take_block(self) -> Block | None:
        while (taken := keep.take_record(self._buffer, 0)) is not None:
            del self._buffer[: taken.size]
            width = len(self._head.set_up.channels) if self._head else 0
            block = keep.parse_block(taken, width)
            if block is not None:
                rows = block.samples[:, list(self._columns)] * self._gain + self._offset
                return Block(block.first, rows.astype(np.float32), time.monotonic())
        return None
