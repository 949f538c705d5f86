"""An adapter and a vehicle behind it, on a TCP port: an invented four-cylinder engine.

Lines as adapters write them: headers on, spaces off, frames on CAN filled up to eight bytes. Every
request that came is kept in `heard`. What goes wrong is said in `Faults`. Run as a process it
prints its port and serves until it is ended.
"""

import contextlib
import socketserver
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

CAN_11, CAN_29, KWP, ISO_9141 = 6, 7, 5, 3


@dataclass(frozen=True)
class Faults:
    """`answers`: request -> text sent instead, "" for silence. `once`: the same, the first time
    only. `slow_s` before every answer; `piece` bytes at a time; `closes_on` a request."""

    answers: dict[str, str] = field(default_factory=dict)
    once: dict[str, str] = field(default_factory=dict)
    slow_s: float = 0.0
    piece: int = 0
    echo: bool = False
    closes_on: str = ""


@dataclass(frozen=True)
class Car:
    """What the controllers say. Numbers in the units of the standard's formulas."""

    protocol: int = CAN_11
    speed_rpm: float = 812.0
    coolant: int = 88
    load: int = 77
    trims: tuple[int, ...] = (131, 147)
    fuel_system: int = 2
    stored: tuple[bytes, ...] = (b"\x03\x02", b"\x01\x71", b"\x04\x20")
    pending: tuple[bytes, ...] = (b"\x03\x00",)
    permanent: tuple[bytes, ...] | None = None
    misfires: tuple[int, ...] | None = (0, 213, 1, 0)
    gearbox: bool = True
    faults: Faults = Faults()

    def faulty(self, **what: object) -> "Car":
        """The same car with faults."""
        return replace(self, faults=replace(self.faults, **what))  # type: ignore[arg-type]


def bits(numbers: Sequence[int], first: int) -> bytes:
    """The four bytes that list what is supported."""
    word = sum(1 << (31 - (n - first - 1)) for n in numbers if first < n <= first + 32)
    return word.to_bytes(4, "big")


def current(car: Car) -> dict[int, bytes]:
    """Service 01 of the engine's controller."""
    raw = round(4.0 * car.speed_rpm)
    numbers = {
        0x01: bytes((0x80 | len(car.stored), 0x07, 0xE5, 0x00)),
        0x03: bytes((car.fuel_system, 0)),
        0x04: bytes((car.load,)),
        0x05: bytes((car.coolant + 40,)),
        0x0C: raw.to_bytes(2, "big"),
        0x30: b"\x0c",
        0x31: b"\x01\x2c",
    }
    numbers |= {0x06 + i: bytes((trim,)) for i, trim in enumerate(car.trims)}
    numbers[0x20] = bits(tuple(numbers), 0x20)
    numbers[0x00] = bits(tuple(numbers), 0x00)
    return numbers


def monitors(car: Car) -> dict[int, bytes]:
    """Service 06: from the monitor's number on, tests 0B and 0C as counts."""
    if car.misfires is None:
        return {}
    made = {0xA0: b"\xa0" + bits([0xA1 + i for i in range(len(car.misfires) + 1)], 0xA0)}
    for cylinder, count in enumerate(car.misfires):
        head = bytes((0xA2 + cylinder,))
        limits = b"\x00\x00\xff\xff"
        average = round(0.6 * count).to_bytes(2, "big")
        made[0xA2 + cylinder] = (
            head + b"\x0b\x24" + average + limits
            + head + b"\x0c\x24" + count.to_bytes(2, "big") + limits
        )  # fmt: skip
    return made


def said(car: Car, request: bytes) -> list[tuple[bytes, bytes]]:
    """(controller, message) for a request; nothing when it is not offered."""
    service, rest = request[0], request[1:]
    engine = {CAN_11: b"\x07\xe8", CAN_29: b"\x18\xda\xf1\x10"}.get(car.protocol, b"\x10")
    gearbox = {CAN_11: b"\x07\xe9", CAN_29: b"\x18\xda\xf1\x18"}.get(car.protocol, b"\x18")
    out: list[tuple[bytes, bytes]] = []
    if service == 0x01 and rest[:1]:
        data = current(car).get(rest[0])
        if data is not None:
            out.append((engine, b"\x41" + rest + data))
        if car.gearbox and rest == b"\x00":
            out.insert(0, (gearbox, b"\x41\x00\x00\x08\x00\x00"))  # vehicle speed only
    elif service in (0x03, 0x07, 0x0A):
        codes = {0x03: car.stored, 0x07: car.pending, 0x0A: car.permanent}[service]
        if codes is not None:
            out += [(engine, m) for m in code_messages(car, service, codes)]
            if car.gearbox:
                out += [(gearbox, m) for m in code_messages(car, service, ())]
    elif service == 0x06 and rest and car.protocol in (CAN_11, CAN_29):
        data = monitors(car).get(rest[0])
        if data is not None:
            out.append((engine, b"\x46" + data))
    return out


def code_messages(car: Car, service: int, codes: Sequence[bytes]) -> list[bytes]:
    """On CAN one message with the count; elsewhere three codes a message, filled with zeros."""
    head = bytes((service + 0x40,))
    if car.protocol in (CAN_11, CAN_29):
        return [head + bytes((len(codes),)) + b"".join(codes)]
    groups = [codes[i : i + 3] for i in range(0, len(codes), 3)] or [()]
    return [head + b"".join(g).ljust(6, b"\x00") for g in groups]


def lines(car: Car, controller: bytes, message: bytes) -> list[str]:
    """The message as the adapter's lines."""
    if car.protocol in (CAN_11, CAN_29):
        header = controller.hex().upper()[-3 if car.protocol == CAN_11 else -8 :]
        return [header + frame.hex().upper() for frame in can_frames(message)]
    if car.protocol == KWP:
        frame = bytes((0x80 | len(message), 0xF1)) + controller + message
    else:
        frame = b"\x48\x6b" + controller + message
    return [(frame + bytes((sum(frame) % 256,))).hex().upper()]


def can_frames(message: bytes) -> list[bytes]:
    """ISO 15765-2, every frame filled up to eight bytes."""
    if len(message) <= 7:
        return [(bytes((len(message),)) + message).ljust(8, b"\x00")]
    frames = [bytes((0x10 | len(message) >> 8, len(message) & 255)) + message[:6]]
    for number, at in enumerate(range(6, len(message), 7), start=1):
        frames.append((bytes((0x20 | number % 16,)) + message[at : at + 7]).ljust(8, b"\x55"))
    return frames


class Adapter(socketserver.ThreadingTCPServer):
    """Serves one car; `heard` has every request of every client."""

    allow_reuse_address = True
    daemon_threads = True

    def __init__(self, car: Car) -> None:
        self.car = car
        self.heard: list[str] = []
        self.left = dict(car.faults.once)
        super().__init__(("127.0.0.1", 0), Client)

    @property
    def address(self) -> str:
        """As Ringland takes it."""
        return f"tcp:127.0.0.1:{self.server_address[1]}"

    def reply(self, text: str) -> str | None:
        """What is sent for a line; None closes the connection."""
        faults = self.car.faults
        self.heard.append(text)
        if text == faults.closes_on:
            return None
        if text in self.left:
            return self.left.pop(text)
        if text in faults.answers:
            return faults.answers[text]
        if text.startswith("AT"):
            body = {"ATZ": "a text adapter v1", "ATDPN": f"A{self.car.protocol:X}"}.get(text, "OK")
            return f"{body}\r\r>"
        found = said(self.car, bytes.fromhex(text))
        body = "\r".join(line for c, m in found for line in lines(self.car, c, m)) or "NO DATA"
        return f"{'SEARCHING...' if text == '0100' else ''}{body}\r\r>"


class Client(socketserver.StreamRequestHandler):
    """One connection."""

    server: Adapter

    def handle(self) -> None:
        faults = self.server.car.faults
        with contextlib.suppress(OSError):
            while True:
                text = self._line()
                if text is None:
                    return
                answer = self.server.reply(text) if text else ">"
                if answer is None:
                    return
                time.sleep(faults.slow_s)
                self._send((f"{text}\r" if faults.echo else "") + answer, faults.piece)

    def _line(self) -> str | None:
        text = b""
        while (byte := self.rfile.read(1)) != b"\r":
            if not byte:
                return None
            text += byte
        return text.decode("ascii").strip()

    def _send(self, text: str, piece: int) -> None:
        data = text.encode("ascii")
        for at in range(0, len(data), piece or max(len(data), 1)):
            self.wfile.write(data[at : at + piece] if piece else data)


@contextmanager
def adapter(car: Car | None = None) -> Iterator[Adapter]:
    """An adapter that serves while the block runs."""
    with Adapter(car or Car()) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            thread.join(5.0)


if __name__ == "__main__":
    with Adapter(Car(speed_rpm=float(sys.argv[1]) if sys.argv[1:] else 812.0)) as main:
        print(main.address, flush=True)
        main.serve_forever()
