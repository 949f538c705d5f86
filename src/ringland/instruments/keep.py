"""Blocks kept on disk as they arrive, in a file that can be read after any kind of end.

The format (docs/instruments.md): 8 bytes `RLBLOCK1`, then records. A record is 32 bytes of head,
little-endian: 4 bytes kind (`HEAD`, `BLCK`, `NOTE`), uint32 bytes of payload, uint64 number of
the first sample, float64 arrival, uint32 channels, uint32 CRC-32 (zlib) of the head up to here and
of the payload. `HEAD` and `NOTE` carry UTF-8 JSON, `BLCK` float32 samples, channels side by side.
A reader takes records until one is cut off or does not match its CRC, and says how much it left.
"""

import json
import math
import os
import struct
import time
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import IO, Any

import numpy as np

from ringland.errors import FileFormatError, SettingError
from ringland.instruments.calibration import Calibration, as_plain, from_plain
from ringland.instruments.protocol import Block, LiveChannel, Samples, SetUp
from ringland.model import ChannelRole, Condition

__all__ = [
    "MAGIC",
    "SUFFIX",
    "Keeper",
    "Kept",
    "KeptHead",
    "Record",
    "is_broken",
    "parse_block",
    "parse_head",
    "read_kept",
    "take_record",
]

SUFFIX = ".blocks"
MAGIC = b"RLBLOCK1"
_HEAD = struct.Struct("<4sIQdI")
_CRC = struct.Struct("<I")
_RECORD_BYTES = _HEAD.size + _CRC.size
_LARGEST_PAYLOAD = 1 << 28
_MOST_CHANNELS = 256
_SYNC_S = 0.5


@dataclass(frozen=True)
class KeptHead:
    """The first record: how it was recorded. `started_utc` wall clock at the start, ISO 8601;
    `calibrations` known of the inputs then."""

    set_up: SetUp
    condition: Condition
    started_utc: str
    about: tuple[tuple[str, str], ...] = ()
    calibrations: tuple[Calibration, ...] = ()


@dataclass(frozen=True, eq=False)
class Kept:
    """A file read back: all blocks in order. `left_bytes` after the last whole record."""

    head: KeptHead
    blocks: tuple[Block, ...]
    notes: tuple[str, ...]
    left_bytes: int

    @property
    def sample_count(self) -> int:
        """Samples per channel in the blocks."""
        return sum(len(b.samples) for b in self.blocks)


class Keeper:
    """Appends blocks to a new file. After an error nothing is lost that `safe_samples` counted.

    `safe_samples`: samples per channel that are with the operating system and, at most half a
    second later, on the disk. Raises SettingError when the file exists or cannot be made.
    """

    def __init__(self, path: Path, head: KeptHead) -> None:
        self.path = path
        self.safe_samples = 0
        self.failed: str | None = None
        self._synced_s = time.monotonic()
        try:
            self._file: IO[bytes] = path.open("xb", buffering=0)
        except OSError as error:
            raise SettingError(
                f"The recording '{path.name}' cannot be started.",
                got=error.strerror or str(error),
                allowed="a new file in an existing folder that may be written",
                remedy="Choose another name; an existing recording is never overwritten.",
            ) from error
        self._whole_bytes = 0
        self._write(MAGIC)
        self._record(b"HEAD", json.dumps(_head_as_json(head)).encode())
        if self.failed:
            self.close()
            raise SettingError(
                f"The recording '{path.name}' cannot be started.",
                got=self.failed,
                remedy="Make room on the disk, or choose another place with --out.",
            )

    def __enter__(self) -> "Keeper":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def append(self, block: Block) -> bool:
        """Write one block. False when it could not be written: `failed` says why, for good."""
        payload = block.samples.astype("<f4", copy=False).tobytes()
        channels = block.samples.shape[1]
        if not self._record(b"BLCK", payload, block.first, block.arrived_s, channels):
            return False
        self.safe_samples += len(block.samples)
        if time.monotonic() - self._synced_s > _SYNC_S:
            self._sync()
        return True

    def note(self, text: str) -> None:
        """Write a remark (why it ended, what was lost) into the file, if that still works."""
        self._record(b"NOTE", json.dumps({"note": text}).encode(), 0, time.monotonic())

    def close(self) -> None:
        """Everything to the disk; may be called twice."""
        if not self._file.closed:
            self._sync()
            self._file.close()

    def _record(
        self, kind: bytes, payload: bytes, first: int = 0, arrived_s: float = 0.0, channels: int = 0
    ) -> bool:
        head = _HEAD.pack(kind, len(payload), first, arrived_s, channels)
        return self._write(head + _CRC.pack(zlib.crc32(payload, zlib.crc32(head))) + payload)

    def _write(self, data: bytes) -> bool:
        if self.failed or self._file.closed:
            return False
        try:
            view = memoryview(data)
            while view:
                view = view[self._file.write(view) :]
        except OSError as error:
            self.failed = error.strerror or str(error)
            self._cut_back()
            return False
        self._whole_bytes += len(data)
        return True

    def _cut_back(self) -> None:
        """Take a half-written record off again, so that the file ends whole."""
        try:
            self._file.truncate(self._whole_bytes)
        except OSError:
            return  # the reader finds the end by itself

    def _sync(self) -> None:
        self._synced_s = time.monotonic()
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            self.failed = self.failed or error.strerror or str(error)


@dataclass(frozen=True)
class Record:
    """One whole record; `size` its bytes in the file."""

    kind: bytes
    payload: bytes
    first: int
    arrived_s: float
    channels: int
    size: int


def read_kept(path: Path) -> Kept:
    """Read a kept file as far as it is whole. Raises FileFormatError when it is none."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise FileFormatError(
            f"The file '{path.name}' cannot be read.", got=error.strerror or str(error)
        ) from error
    if not data.startswith(MAGIC):
        raise _not_ours("it does not start as one")
    head = take_record(data, len(MAGIC))
    if head is None:
        raise _not_ours("its first record is cut off or damaged")
    told = parse_head(head)
    at = len(MAGIC) + head.size
    blocks, notes = [], []
    while (record := take_record(data, at)) is not None:
        block = parse_block(record, len(told.set_up.channels))
        if block is not None:
            blocks.append(block)
        elif record.kind == b"NOTE":
            notes.append(str(json.loads(record.payload).get("note", "")))
        else:
            break
        at += record.size
    return Kept(told, tuple(blocks), tuple(notes), len(data) - at)


def take_record(data: bytes | bytearray, at: int) -> Record | None:
    """The record that starts at this byte; None when it is not whole or does not match its CRC."""
    if len(data) < at + _RECORD_BYTES:
        return None
    kind, length, first, arrived, channels = _HEAD.unpack_from(data, at)
    (crc,) = _CRC.unpack_from(data, at + _HEAD.size)
    stop = at + _RECORD_BYTES + length
    if length > _LARGEST_PAYLOAD or len(data) < stop:
        return None
    payload = bytes(data[at + _RECORD_BYTES : stop])
    if zlib.crc32(payload, zlib.crc32(bytes(data[at : at + _HEAD.size]))) != crc:
        return None
    return Record(kind, payload, first, arrived, channels, _RECORD_BYTES + length)


def is_broken(data: bytes | bytearray) -> bool:
    """True when the first record can never become whole: too long, or all there and wrong."""
    if len(data) < _RECORD_BYTES:
        return False
    length = _HEAD.unpack_from(data, 0)[1]
    there = len(data) >= _RECORD_BYTES + length
    return bool(length > _LARGEST_PAYLOAD or (there and take_record(data, 0) is None))


def parse_block(record: Record, channels: int) -> Block | None:
    """The block in a record; None when it is none, or not of so many channels."""
    if (
        record.kind != b"BLCK"
        or record.channels != channels
        or len(record.payload) % (4 * channels)
    ):
        return None
    samples: Samples = np.frombuffer(record.payload, dtype="<f4").reshape(-1, channels)
    return Block(record.first, samples.astype(np.float32), record.arrived_s)


def _not_ours(why: str) -> FileFormatError:
    return FileFormatError(
        f"This is not a recording that was kept block by block: {why}.",
        allowed=f"a {SUFFIX} file written while recording",
        remedy="Give the file that `ringland record` was writing.",
    )


def _head_as_json(head: KeptHead) -> dict[str, Any]:
    return {
        "format": "ringland blocks 1",
        "instrument": head.set_up.instrument,
        "title": head.set_up.title,
        "which": head.set_up.which,
        "rate_hz": head.set_up.rate_hz,
        "channels": [
            {
                "name": c.name,
                "role": c.role.value,
                "unit": c.unit,
                "full_scale": c.full_scale,
                "resolution": c.resolution,
                "ac_corner_hz": c.ac_corner_hz,
                "input": c.input,
            }
            for c in head.set_up.channels
        ],
        "notes": list(head.set_up.notes),
        "condition": head.condition.value,
        "started_utc": head.started_utc,
        "about": dict(head.about),
        "calibrations": [as_plain(c) for c in head.calibrations],
    }


def parse_head(record: Record) -> KeptHead:
    """The head in a record. Raises FileFormatError when it makes no sense."""
    if record.kind != b"HEAD":
        raise _not_ours("it does not begin with a head")
    try:
        told = json.loads(record.payload)
        channels = tuple(_channel(c) for c in told["channels"])
        rate = float(told["rate_hz"])
        if not channels or len(channels) > _MOST_CHANNELS:
            raise ValueError("no channels")
        if not (math.isfinite(rate) and rate > 0.0):
            raise ValueError("rate")
        set_up = SetUp(
            str(told["instrument"]),
            rate,
            channels,
            tuple(str(n) for n in told.get("notes", ())),
            str(told.get("title", "")),
            str(told.get("which", "")),
        )
        calibrations = tuple(from_plain(c) for c in told.get("calibrations", ()))
        started_utc = str(told["started_utc"])
        if calibrations:
            datetime.fromisoformat(started_utc)  # their age is counted to it
        return KeptHead(
            set_up,
            Condition(told["condition"]),
            started_utc,
            tuple((str(k), str(v)) for k, v in dict(told.get("about", {})).items()),
            calibrations,
        )
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise _not_ours(f"its first record makes no sense ({error})") from error


def _channel(told: Mapping[str, Any]) -> LiveChannel:
    span = told.get("full_scale")
    resolution, corner = told.get("resolution"), told.get("ac_corner_hz")
    return LiveChannel(
        name=str(told["name"]),
        role=ChannelRole(told["role"]),
        unit=str(told.get("unit", "1")),
        full_scale=None if span is None else (float(span[0]), float(span[1])),
        resolution=None if resolution is None else float(resolution),
        ac_corner_hz=None if corner is None else float(corner),
        input=str(told.get("input", "")),
    )
