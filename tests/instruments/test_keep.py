"""The file that blocks are kept in survives every kind of end."""

import os
import signal
import struct
import subprocess
import sys
import time
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.errors import FileFormatError, SettingError
from ringland.instruments.assemble import ac_corrected, as_recording, lost_spans
from ringland.instruments.keep import MAGIC, Keeper, KeptHead, read_kept
from ringland.instruments.protocol import Block, LiveChannel, SetUp
from ringland.model import ChannelRole, Condition

SET_UP = SetUp(
    "test",
    1000.0,
    (
        LiveChannel("exhaust", ChannelRole.EXHAUST, "V", (-5.0, 5.0), 1e-3),
        LiveChannel("crankcase", ChannelRole.CRANKCASE, "Pa", None, None, 1.0),
    ),
    ("invented",),
)
HEAD = KeptHead(SET_UP, Condition.IDLE, "2026-03-09T08:00:00Z", (("vehicle", "bus 12"),))


def blocks(count: int, length: int = 50, start: int = 0) -> list[Block]:
    rng = np.random.default_rng(count)
    return [
        Block(start + i * length, rng.normal(size=(length, 2)).astype(np.float32), 0.1 * i)
        for i in range(count)
    ]


def test_what_was_written_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.blocks"
    with Keeper(path, HEAD) as keeper:
        for block in blocks(5):
            assert keeper.append(block)
        keeper.note("stopped by hand")
        assert keeper.safe_samples == 250
    kept = read_kept(path)
    assert kept.head == HEAD
    assert kept.notes == ("stopped by hand",)
    assert kept.left_bytes == 0
    for wrote, read in zip(blocks(5), kept.blocks, strict=True):
        np.testing.assert_array_equal(wrote.samples, read.samples)
        assert (wrote.first, wrote.arrived_s) == (read.first, read.arrived_s)


def test_the_format_is_what_the_page_says(tmp_path: Path) -> None:
    # read with nothing but struct and zlib, from docs/instruments.md
    path = tmp_path / "a.blocks"
    with Keeper(path, HEAD) as keeper:
        keeper.append(blocks(1)[0])
    data = path.read_bytes()
    assert data[:8] == b"RLBLOCK1"
    kind, size = struct.unpack_from("<4sI", data, 8)
    assert kind == b"HEAD"
    at = 8 + 32 + size
    kind, size, first, _, channels, crc = struct.unpack_from("<4sIQdII", data, at)
    payload = data[at + 32 : at + 32 + size]
    assert (kind, first, channels) == (b"BLCK", 0, 2)
    assert crc == zlib.crc32(payload, zlib.crc32(data[at : at + 28]))
    values = np.frombuffer(payload, "<f4").reshape(-1, 2)
    np.testing.assert_array_equal(values, blocks(1)[0].samples)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("kept") / "a.blocks"
    with Keeper(path, HEAD) as keeper:
        for block in blocks(8):
            keeper.append(block)
    return path.read_bytes()


@settings(max_examples=100, deadline=None)
@given(cut=st.integers(0, 4000), flip=st.integers(0, 4000))
def test_any_cut_and_any_flipped_byte_gives_whole_blocks(
    cut: int, flip: int, whole: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    data = bytearray(whole)
    damaged = data[: -max(cut % len(data), 1)]
    if damaged:
        damaged[flip % len(damaged)] ^= 0x40
    path = tmp_path_factory.getbasetemp() / "damaged.blocks"
    path.write_bytes(damaged)
    try:
        kept = read_kept(path)
    except FileFormatError:
        return
    for wrote, read in zip(blocks(8), kept.blocks, strict=False):
        np.testing.assert_array_equal(wrote.samples, read.samples)


def test_an_existing_recording_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.blocks"
    path.write_bytes(b"mine")
    with pytest.raises(SettingError, match="cannot be started"):
        Keeper(path, HEAD)
    assert path.read_bytes() == b"mine"


@pytest.mark.parametrize("content", [b"", b"RLBLOCK", MAGIC, MAGIC + b"x" * 100, b"time,exhaust\n"])
def test_foreign_files_are_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.blocks"
    path.write_bytes(content)
    with pytest.raises(FileFormatError):
        read_kept(path)


WRITER = """
import sys, time
from pathlib import Path
import numpy as np
from ringland.instruments.keep import Keeper, KeptHead
from ringland.instruments.protocol import Block, LiveChannel, SetUp
from ringland.model import ChannelRole, Condition
setup = SetUp("t", 1000.0, (LiveChannel("exhaust", ChannelRole.EXHAUST),))
keeper = Keeper(Path(sys.argv[1]), KeptHead(setup, Condition.IDLE, "2026-03-09T08:00:00Z"))
limit = int(sys.argv[2])
if limit:
    import resource
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
for i in range(100000):
    block = Block(i * 100, np.full((100, 1), i, np.float32), time.monotonic())
    if not keeper.append(block):
        print("failed", keeper.failed, flush=True)
        break
    print(keeper.safe_samples, flush=True)
"""


@pytest.mark.skipif(os.name == "nt", reason="a process is killed by signal here")
def test_a_killed_process_loses_nothing_it_had_reported(tmp_path: Path) -> None:
    path = tmp_path / "a.blocks"
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), "0"], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    reported = 0
    start = time.monotonic()
    for line in process.stdout:
        reported = int(line)
        if reported > 20_000 or time.monotonic() - start > 20.0:
            break
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()
    kept = read_kept(path)
    assert reported > 0
    assert kept.sample_count >= reported
    for i, block in enumerate(kept.blocks):
        assert np.all(block.samples == i)


@pytest.mark.skipif(os.name == "nt", reason="the size of a file is limited by setrlimit here")
def test_a_full_disk_keeps_all_that_was_reported(tmp_path: Path) -> None:
    path = tmp_path / "a.blocks"
    finished = subprocess.run(
        [sys.executable, "-c", WRITER, str(path), "30000"],
        capture_output=True,
        text=True,
        check=True,
    )
    lines = finished.stdout.split("\n")[:-1]
    assert lines[-1].startswith("failed")
    reported = int(lines[-2])
    kept = read_kept(path)
    assert kept.sample_count == reported
    assert kept.left_bytes == 0  # the half-written record was taken off again


def test_gaps_become_missing_values() -> None:
    pieces = [*blocks(2), *blocks(2, start=150)]
    assert lost_spans(pieces) == ((100, 150),)
    made = as_recording(pieces, SET_UP, correct_ac=False)
    samples = made.channels[0].samples
    assert len(samples) == 250
    assert np.isnan(samples[100:150]).all()
    assert np.isfinite(samples[:100]).all()
    assert "50 samples in 1 gaps never came" in " ".join(made.notes)


def test_a_restarted_instrument_ends_the_recording_there() -> None:
    made = as_recording([*blocks(3), *blocks(2)], SET_UP)
    assert len(made.channels[0].samples) == 150
    assert "started anew" in " ".join(made.notes)


def test_a_count_gone_wild_does_not_fill_the_memory() -> None:
    made = as_recording([*blocks(2), *blocks(1, start=10**12)], SET_UP)
    assert len(made.channels[0].samples) == 100


def test_ac_coupling_is_undone() -> None:
    # a first-order RC high pass made by scipy's own design, undone: the shape comes back
    from scipy.signal import bilinear, lfilter

    rate, corner = 5000.0, 1.0
    t = np.arange(0, 10, 1 / rate)
    true = np.sign(np.sin(2 * np.pi * 1.5 * t)) + 0.3 * np.sin(2 * np.pi * 20 * t)
    w = 2 * np.pi * corner
    b, a = bilinear([1.0, 0.0], [1.0, w], rate)
    heard = lfilter(b, a, true)
    restored = ac_corrected(heard, rate, corner)
    middle = slice(len(t) // 10, -len(t) // 10)
    assert np.std(heard[middle] - true[middle]) > 0.5
    assert np.std((restored - true)[middle]) < 0.05
