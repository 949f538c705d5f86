"""The text spoken with an adapter: a request and a carriage return out, lines and a prompt back.

Only reading services can be sent. Over TCP nothing is needed; a serial port needs pyserial.
"""

import contextlib
import re
import socket
import time
from typing import Protocol

from ringland.errors import SettingError
from ringland.instruments.protocol import InstrumentFault
from ringland.instruments.registry import only_options, option_number, split_address
from ringland.instruments.stream import parse_address

__all__ = ["READING_SERVICES", "TextLink", "TooSlow", "open_link"]

READING_SERVICES = frozenset({0x01, 0x03, 0x06, 0x07, 0x0A})
"""Current data, stored codes, monitor results, pending codes, permanent codes."""

_OPEN_S = 5.0
_POLL_S = 0.05
_QUIET_S = 0.2
_MOST_BYTES = 16_384
_BAUD = 38_400.0
_PROMPT = b">"
_SET_UP_WORDS = re.compile(r"AT(?:Z|E0|L0|S0|H1|SP0|DPN)")


class TooSlow(InstrumentFault):
    """No whole answer in time; the link can still be used."""


class _Port(Protocol):
    def read(self, wait_s: float) -> bytes:
        """What is there, b"" when nothing came in this time. Raises OSError when it is gone."""

    def write(self, data: bytes) -> None:
        """All of it."""

    def close(self) -> None:
        """Let go; may be called twice."""


class _TcpPort:
    def __init__(self, host: str, port: int) -> None:
        self._socket = socket.create_connection((host, port), timeout=_OPEN_S)

    def read(self, wait_s: float) -> bytes:
        self._socket.settimeout(wait_s)
        try:
            data = self._socket.recv(4096)
        except (TimeoutError, BlockingIOError):
            return b""
        if not data:
            raise ConnectionError("the connection was closed")
        return data

    def write(self, data: bytes) -> None:
        self._socket.settimeout(_OPEN_S)
        self._socket.sendall(data)

    def close(self) -> None:
        self._socket.close()


class _SerialPort:
    def __init__(self, name: str, baud: int) -> None:
        try:
            import serial
        except ImportError as error:
            raise InstrumentFault(
                "A serial port needs a package that is not installed.",
                got="pyserial is missing",
                remedy="python -m pip install 'ringland[obd]'",
            ) from error
        self._port = serial.serial_for_url(name, baudrate=baud, write_timeout=_OPEN_S)

    def read(self, wait_s: float) -> bytes:
        self._port.timeout = wait_s
        return bytes(self._port.read(max(1, self._port.in_waiting)))

    def write(self, data: bytes) -> None:
        self._port.write(data)

    def close(self) -> None:
        self._port.close()


class TextLink:
    """One request at a time. `address` for messages."""

    def __init__(self, port: _Port, address: str) -> None:
        self._port = port
        self.address = address

    def request(self, data: bytes, longest_s: float) -> str:
        """Send a request of a reading service; what came up to the prompt.

        Raises SettingError for any other service, TooSlow, or InstrumentFault when the link broke.
        """
        if not data or data[0] not in READING_SERVICES:
            raise SettingError(
                "Only reading services are sent to a vehicle.",
                got=data.hex(" ").upper(),
                allowed=", ".join(f"{s:02X}" for s in sorted(READING_SERVICES)),
            )
        return self._ask(data.hex().upper(), longest_s)

    def set_up(self, word: str, longest_s: float) -> str:
        """Send one of the few words that set the adapter up."""
        if not _SET_UP_WORDS.fullmatch(word):
            raise SettingError("The adapter is not sent this word.", got=word)
        return self._ask(word, longest_s)

    def close(self) -> None:
        """Close the port; never raises."""
        with contextlib.suppress(OSError):
            self._port.close()

    def _ask(self, text: str, longest_s: float) -> str:
        try:
            self._drain()
            self._port.write(text.encode("ascii") + b"\r")
            said = self._until_prompt(longest_s)
        except TooSlow:
            self._interrupt()
            raise
        except OSError as error:
            raise InstrumentFault(
                "The connection to the adapter broke.",
                got=f"{self.address}: {error.strerror or error}",
                remedy="Check plug, cable and ignition, then try again.",
            ) from error
        return said.removeprefix(text)  # some adapters repeat the request

    def _until_prompt(self, longest_s: float) -> str:
        buffer = bytearray()
        deadline = time.monotonic() + longest_s
        while _PROMPT not in buffer:
            if len(buffer) > _MOST_BYTES or time.monotonic() > deadline:
                raise TooSlow(
                    "The adapter did not answer in time.",
                    got=f"{self.address}: {len(buffer)} bytes and no prompt in {longest_s:g} s",
                    remedy="Check that the ignition is on, the plug is in, and the speed of the "
                    "port is right (?baud=...).",
                )
            buffer += self._port.read(_POLL_S)
        before = bytes(buffer).partition(_PROMPT)[0]
        return before.replace(b"\x00", b"").decode("ascii", "replace").strip()

    def _drain(self) -> None:
        """Throw away what came late; bounded, so that a babbling adapter does not hold us."""
        deadline = time.monotonic() + _QUIET_S
        while self._port.read(0.0) and time.monotonic() < deadline:
            pass

    def _interrupt(self) -> None:
        """Any character stops an adapter that is still waiting; its prompt is then read away."""
        with contextlib.suppress(OSError):
            self._port.write(b"\r")
            deadline = time.monotonic() + 1.0
            while time.monotonic() < deadline:
                if _PROMPT in self._port.read(_POLL_S):
                    return


def open_link(address: str) -> TextLink:
    """The adapter at "tcp:HOST:PORT" or "serial:PORT?baud=38400". Raises SettingError and
    InstrumentFault."""
    kind, body, options = split_address(address)
    if kind not in ("tcp", "serial") or not body:
        raise SettingError(
            "The adapter's address cannot be read.",
            got=address,
            allowed="tcp:HOST:PORT, serial:/dev/ttyUSB0 or serial:COM5?baud=38400",
        )
    try:
        if kind == "tcp":
            only_options(options)
            return TextLink(_TcpPort(*parse_address(body)), address)
        only_options(options, "baud")
        return TextLink(_SerialPort(body, round(option_number(options, "baud") or _BAUD)), address)
    except (OSError, ValueError) as error:
        raise InstrumentFault(
            "The adapter cannot be reached.",
            got=f"{address}: {getattr(error, 'strerror', None) or error}",
            remedy="Check that it is plugged in and paired, its name or address and port, and that "
            "no other program uses it.",
        ) from error
