"""From the lines of an adapter to whole answers, each with the controller it came from.

Lines carry headers. CAN (ISO 15765-2): single frame, first frame with the length, consecutive
frames numbered 1 to 15 and on from 0, the last filled up. Others: three bytes of header, and a
checksum that the adapter has tested.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = [
    "CAN",
    "NO_ANSWER",
    "PROTOCOLS",
    "Heard",
    "Message",
    "answers_to",
    "heard",
    "protocol_of",
]

PROTOCOLS: dict[int, str] = {
    0x1: "SAE J1850 PWM",
    0x2: "SAE J1850 VPW",
    0x3: "ISO 9141-2",
    0x4: "ISO 14230-4, slow start",
    0x5: "ISO 14230-4, fast start",
    0x6: "ISO 15765-4, 11 bit, 500 kbit/s",
    0x7: "ISO 15765-4, 29 bit, 500 kbit/s",
    0x8: "ISO 15765-4, 11 bit, 250 kbit/s",
    0x9: "ISO 15765-4, 29 bit, 250 kbit/s",
}
"""By the number adapters use."""

CAN: dict[int, int] = {0x6: 3, 0x7: 8, 0x8: 3, 0x9: 8}
"""Protocols on CAN, with the hexadecimal digits of a header."""

NO_ANSWER = "the vehicle did not answer"
"""Not a fault: what is not offered is not answered."""

_TROUBLES = (
    ("UNABLE TO CONNECT", "no protocol of the vehicle was found"),
    ("NO DATA", NO_ANSWER),
    ("BUFFER FULL", "the adapter could not keep up"),
    ("BUS BUSY", "the vehicle's bus was busy"),
    ("BUS ERROR", "the vehicle's bus had an error"),
    ("CAN ERROR", "the vehicle's bus had an error"),
    ("FB ERROR", "the adapter cannot drive the vehicle's bus"),
    ("INIT", "the vehicle's bus did not start"),
    ("DATA ERROR", "an answer arrived damaged"),
    ("RX ERROR", "an answer arrived damaged"),
    ("STOPPED", "the adapter was interrupted"),
    ("LV RESET", "the adapter restarted: its supply is low"),
    ("ALERT", "the adapter is about to switch itself off"),
    ("ERR", "the adapter has an error"),
    ("?", "the adapter does not know this request"),
)
_PROGRESS = re.compile(r"SEARCHING\.*|BUS INIT: ?\.*(?:OK)?(?!\.*ERR)")
_HEX = re.compile(r"[0-9A-F]+")


@dataclass(frozen=True)
class Message:
    """A whole answer. `controller` as in its header; `data` from the service's byte on."""

    controller: str
    data: bytes


@dataclass(frozen=True)
class Heard:
    """What came for one request. `troubles` in words: what the adapter said, or did not make
    sense."""

    messages: tuple[Message, ...]
    troubles: tuple[str, ...]


def heard(text: str, protocol: int) -> Heard:
    """Messages and troubles in what an adapter sent up to its prompt. Never raises."""
    lines, troubles = [], []
    for raw in re.split(r"[\r\n>]+", text.upper()):
        line = re.sub(r"\s+", "", _PROGRESS.sub("", raw))
        if not line:
            continue
        if _HEX.fullmatch(line):
            lines.append(line)
        else:
            troubles.append(_trouble(raw))
    messages, more = (_can if protocol in CAN else _plain)(lines, protocol)
    return Heard(tuple(messages), tuple(dict.fromkeys((*troubles, *more))))


def protocol_of(text: str) -> int:
    """The protocol by the look of an answer, for an adapter that does not tell; 0 when unclear.

    An 11-bit header makes an odd number of digits; a diagnostic answer with 29 bits is 18DAF1 and
    the sender (ISO 15765-4).
    """
    for raw in re.split(r"[\r\n>]+", text.upper()):
        line = re.sub(r"\s+", "", _PROGRESS.sub("", raw))
        if _HEX.fullmatch(line) and len(line) > 8:
            if len(line) % 2:
                return 0x6
            if line.startswith("18DAF1"):
                return 0x7
    return 0


def _trouble(line: str) -> str:
    for word, says in _TROUBLES:
        if word in line:
            return says
    return "a line that makes no sense came"


def _plain(lines: Iterable[str], protocol: int) -> tuple[list[Message], list[str]]:
    """One message a line: header of three bytes (four when ISO 14230 puts the length apart)."""
    messages, troubles = [], []
    for line in lines:
        frame = bytes.fromhex(line) if len(line) % 2 == 0 else b""
        longer = protocol in (4, 5) and frame[:1] and not frame[0] & 0x3F
        start = 4 if longer else 3
        if len(frame) < start + 2:
            troubles.append("an answer came cut off")
            continue
        data = frame[start:-1]
        if protocol in (4, 5) and len(data) != (frame[3] if longer else frame[0] & 0x3F):
            troubles.append("an answer came cut off")
            continue
        messages.append(Message(f"{frame[2]:02X}", data))
    return messages, troubles


def _can(lines: Iterable[str], protocol: int) -> tuple[list[Message], list[str]]:
    digits = CAN[protocol]
    by_controller: dict[str, list[bytes]] = {}
    troubles = []
    for line in lines:
        header, body = line[:digits], line[digits:]
        if len(body) < 2 or len(body) % 2:
            troubles.append("an answer came cut off")
            continue
        by_controller.setdefault(header, []).append(bytes.fromhex(body))
    messages = []
    for header, frames in by_controller.items():
        whole, broken = _joined(frames)
        messages += [Message(header, data) for data in whole]
        if broken:
            troubles.append("an answer came cut off")
    return messages, troubles


def _joined(frames: list[bytes]) -> tuple[list[bytes], bool]:
    """Whole messages of one controller, and whether something was missing."""
    whole, broken = [], False
    open_data, wanted, number = b"", 0, 0
    for frame in frames:
        kind, low = frame[0] >> 4, frame[0] & 15
        if kind == 2 and wanted:
            if low != number % 16:
                broken, wanted = True, 0
                continue
            open_data += frame[1:]
            number += 1
            if len(open_data) >= wanted:
                whole.append(open_data[:wanted])
                wanted = 0
            continue
        broken = broken or bool(wanted)
        wanted = 0
        if kind == 0 and 0 < low < len(frame):
            whole.append(frame[1 : 1 + low])
        elif kind == 1 and len(frame) > 2:
            open_data, wanted, number = frame[2:], low << 8 | frame[1], 1
        else:
            broken = True
    return whole, broken or bool(wanted)


def answers_to(request: bytes, got: Heard) -> tuple[tuple[Message, ...], tuple[str, ...]]:
    """Answers to this very request, service and number taken off, and why others are none.

    An answer to something else (one that came late) is never taken for this one.
    """
    matching, troubles = [], list(got.troubles)
    head = bytes((request[0] + 0x40,)) + request[1:]
    for message in got.messages:
        if message.data.startswith(head):
            matching.append(Message(message.controller, message.data[len(head) :]))
        elif message.data[:2] == bytes((0x7F, request[0])):
            if message.data[2:3] != b"\x78":  # 78: the true answer follows
                troubles.append("the controller refused the request")
        else:
            troubles.append("an answer to another request came")
    return tuple(matching), tuple(dict.fromkeys(troubles))
