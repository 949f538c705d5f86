"""Peak resident memory of reading one hour of four channels at 100 kS/s, window by window.

The files are sparse (zeros that take no disk), made in a temporary folder and removed again. Each
format is read in a process of its own; printed is the peak resident memory of that process.

    python bench/memory_one_hour.py [--hours 1] [--window-s 10]
"""

import argparse
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

RATE_HZ = 100_000
CHANNELS = 4
LIMIT_MB = 600


def sparse_wav(path: Path, count: int) -> None:
    """16 bit WAV: a header and a hole."""
    size = 2 * CHANNELS * count
    fmt = struct.pack("<HHIIHH", 1, CHANNELS, RATE_HZ, 2 * CHANNELS * RATE_HZ, 2 * CHANNELS, 16)
    head = b"RIFF" + struct.pack("<I", min(36 + size, 0xFFFFFFFF)) + b"WAVEfmt \x10\0\0\0" + fmt
    with path.open("wb") as file:
        file.write(head + b"data" + struct.pack("<I", size))
        file.truncate(44 + size)


def sparse_hdf5(path: Path, count: int) -> None:
    """Four contiguous 16 bit datasets, space reserved and never filled."""
    import h5py

    with h5py.File(path, "w") as file:
        file.attrs["rate_hz"] = float(RATE_HZ)
        for i in range(CHANNELS):
            plan = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
            plan.set_alloc_time(h5py.h5d.ALLOC_TIME_EARLY)
            plan.set_fill_time(h5py.h5d.FILL_TIME_NEVER)
            space = h5py.h5s.create_simple((count,))
            h5py.h5d.create(file.id, f"CH{i + 1}".encode(), h5py.h5t.STD_I16LE, space, plan)


def sparse_npy(path: Path, count: int) -> None:
    """One 16 bit matrix."""
    import numpy as np

    shape = (count, CHANNELS)
    np.lib.format.open_memmap(path, mode="w+", dtype=np.int16, shape=shape).flush()


def sparse_mdf(path: Path, count: int) -> None:
    """MDF 4.10 by hand (ASAM MDF 4.1.0, chapter 5): one channel group whose time is the record
    number times the step (virtual master), one data block with a hole."""

    def block(kind: bytes, links: list[int], data: bytes) -> bytes:
        length = 24 + 8 * len(links) + len(data)
        body = struct.pack("<4sIQQ", b"##" + kind, 0, length, len(links))
        return body + struct.pack(f"<{len(links)}Q", *links) + data

    names = ["time", *(f"CH{i + 1}" for i in range(CHANNELS))]
    texts = [block(b"TX", [], n.encode().ljust(8, b"\0")) for n in [*names, "s"]]
    conversion = block(b"CC", [0] * 4, struct.pack("<BBHHHdddd", 1, 0, 0, 0, 2, 0, 0, 0.0,
                                                   1 / RATE_HZ))  # fmt: skip
    sizes = {"HD": 24 + 48 + 32, "FH": 24 + 16 + 16, "DG": 24 + 32 + 8, "CG": 24 + 48 + 32,
             "CN": 24 + 64 + 72}  # fmt: skip
    at = {"HD": 64}
    at["FH"] = at["HD"] + sizes["HD"]
    at["DG"] = at["FH"] + sizes["FH"]
    at["CG"] = at["DG"] + sizes["DG"]
    at["CN"] = at["CG"] + sizes["CG"]
    at["TX"] = at["CN"] + sizes["CN"] * len(names)
    text_at = [at["TX"] + sum(len(t) for t in texts[:i]) for i in range(len(texts))]
    at["CC"] = at["TX"] + sum(len(t) for t in texts)
    at["DT"] = (at["CC"] + len(conversion) + 7) // 8 * 8

    ident = b"MDF     4.10    bench   " + struct.pack("<4xHH28xHH", 410, 0, 0, 0)
    header = block(
        b"HD", [at["DG"], at["FH"], 0, 0, 0, 0], struct.pack("<QhhBBBxdd", *[0] * 6, 0.0, 0.0)
    )
    history = block(b"FH", [0, text_at[0]], struct.pack("<QhhB3x", 0, 0, 0, 0))
    data_group = block(b"DG", [0, at["CG"], at["DT"], 0], b"\0" * 8)
    group = block(b"CG", [0, at["CN"], 0, 0, 0, 0],
                  struct.pack("<QQHH4xII", 0, count, 0, 0, 2 * CHANNELS, 0))  # fmt: skip
    channels = b""
    for i in range(len(names)):
        following = at["CN"] + (i + 1) * sizes["CN"] if i + 1 < len(names) else 0
        master = i == 0
        links = [following, 0, text_at[i], 0, at["CC"] if master else 0, 0,
                 text_at[-1] if master else 0, 0]  # fmt: skip
        kind, sync, coding, bits = (3, 1, 0, 0) if master else (0, 0, 2, 16)
        place = 0 if master else 2 * (i - 1)
        channels += block(b"CN", links, struct.pack("<BBBBIIIIBBHdddddd", kind, sync, coding, 0,
                          place, bits, 0, 0, 0, 0, 0, *[0.0] * 6))  # fmt: skip
    body = ident + header + history + data_group + group + channels + b"".join(texts) + conversion
    size = 2 * CHANNELS * count
    with path.open("wb") as file:
        file.write(body.ljust(at["DT"], b"\0"))
        file.write(struct.pack("<4sIQQ", b"##DT", 0, 24 + size, 0))
        file.truncate(at["DT"] + 24 + size)


FORMATS: dict[str, Callable[[Path, int], None]] = {
    "hour.wav": sparse_wav,
    "hour.mf4": sparse_mdf,
    "hour.h5": sparse_hdf5,
    "hour.npy": sparse_npy,
}


def read_by_window(path: Path, window_s: float) -> None:
    """Read all of the file, one window at a time, and print the peak resident memory."""
    import psutil

    from ringland.readers import open_recording

    begin = time.perf_counter()
    rate_hz = float(RATE_HZ) if path.suffix == ".npy" else None
    source = open_recording(path, rate_hz=rate_hz)
    opened = time.perf_counter() - begin
    process, peak, at, samples = psutil.Process(), 0, source.start_s, 0
    end = source.start_s + source.duration_s
    while at < end:
        window = source.read(at, at + window_s)
        samples += sum(len(c.samples) for c in window.channels)
        memory = process.memory_full_info()
        peak = max(peak, memory.uss)
        at += window_s
    took = time.perf_counter() - begin
    resident = process.memory_info().rss
    try:
        import resource

        resident = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (
            1 if sys.platform == "darwin" else 1024
        )
    except ImportError:
        pass
    print(
        f"{path.name:10} {samples / 1e6:8.0f} M samples, opened in {opened:.2f} s, read in "
        f"{took:.1f} s, peak resident {resident / 1e6:.0f} MB (own {peak / 1e6:.0f} MB), "
        f"{resident / 1e6 / LIMIT_MB:.2f} of the limit"
    )


def main() -> None:
    """Make each file, read it in a fresh process, remove it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--window-s", type=float, default=10.0)
    parser.add_argument("--read", type=Path, help="read this file only (used by the bench itself)")
    options = parser.parse_args()
    if options.read is not None:
        read_by_window(options.read, options.window_s)
        return
    count = int(options.hours * 3600 * RATE_HZ)
    with tempfile.TemporaryDirectory() as folder:
        for name, make in FORMATS.items():
            path = Path(folder) / name
            make(path, count)
            subprocess.run(
                [sys.executable, __file__, "--read", str(path), "--window-s",
                 str(options.window_s)], check=True,
            )  # fmt: skip
            path.unlink()


if __name__ == "__main__":
    main()
