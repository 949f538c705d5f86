"""One contract for every format: each file is written here by another program than ours."""

import itertools
import json
import math
import struct
import tracemalloc
import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from ringland.errors import BadInput, ChannelError, FileFormatError, SettingError
from ringland.model import ChannelRole, RecordingSource
from ringland.readers import FORMATS, open_recording, read_recording

RATE_HZ = 10_000.0
COUNT = 3_000
TIME_S = np.arange(COUNT) / RATE_HZ
EXHAUST = 0.5 * np.sin(2 * np.pi * 27 * TIME_S)
CRANKCASE = 0.25 * np.cos(2 * np.pi * 13 * TIME_S)
NAMED = {"exhaust": "exhaust", "crankcase": "crankcase"}
NUMBERED = {"exhaust": "1", "crankcase": "2"}


def write_csv(path: Path) -> None:
    rows = np.column_stack([TIME_S, EXHAUST, CRANKCASE])
    header = "time,exhaust [V],crankcase [V]"
    np.savetxt(path, rows, fmt="%.9f", delimiter=",", header=header, comments="")


def write_wav_16(path: Path) -> None:
    both = np.round(np.column_stack([EXHAUST, CRANKCASE]) * 32768).astype("<i2")
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(int(RATE_HZ))
        file.writeframes(both.tobytes())


def write_wav_float(path: Path) -> None:
    from scipy.io import wavfile

    wavfile.write(path, int(RATE_HZ), np.column_stack([EXHAUST, CRANKCASE]).astype(np.float32))


def write_wav_extensible_24(path: Path) -> None:
    # WAVE_FORMAT_EXTENSIBLE by hand: Microsoft "Multiple Channel Audio Data and WAVE Files" (2007).
    both = np.round(np.column_stack([EXHAUST, CRANKCASE]) * 2**23).astype("<i4")
    data = both.reshape(-1, 1).view("u1")[:, :3].tobytes()
    guid = bytes.fromhex("0100000000001000800000aa00389b71")
    fmt = struct.pack("<HHIIHHHHI", 0xFFFE, 2, int(RATE_HZ), int(RATE_HZ) * 6, 6, 24, 22, 24, 3)
    body = b"WAVEfmt " + struct.pack("<I", 40) + fmt + guid + b"data" + struct.pack("<I", len(data))
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body) + len(data)) + body + data)


def write_mdf(path: Path, version: str) -> None:
    from asammdf import MDF, Signal

    with MDF(version=version) as mdf:
        mdf.append(
            [
                Signal(samples=v, timestamps=TIME_S, name=n, unit="V")
                for n, v in (("exhaust", EXHAUST), ("crankcase", CRANKCASE))
            ]
        )
        mdf.save(path, overwrite=True)


def write_mdf_packed(path: Path) -> None:
    from asammdf import MDF, Signal

    with MDF(version="4.10") as mdf:
        mdf.append(
            [
                Signal(samples=EXHAUST, timestamps=TIME_S, name="exhaust", unit="V"),
                Signal(samples=CRANKCASE, timestamps=TIME_S, name="crankcase", unit="V"),
                *(Signal(np.zeros(COUNT), TIME_S, name=f"spare {i}") for i in range(20)),
            ]
        )
        mdf.save(path, overwrite=True, compression=2)


def write_mdf_4(path: Path) -> None:
    write_mdf(path, "4.10")


def write_mdf_3(path: Path) -> None:
    write_mdf(path, "3.30")


def write_tdms(path: Path) -> None:
    from nptdms import ChannelObject, TdmsWriter

    properties = {"wf_increment": 1 / RATE_HZ, "wf_start_offset": 0.0, "unit_string": "V"}
    with TdmsWriter(str(path)) as writer:
        for at in range(0, len(EXHAUST), 1_000):  # in segments, as a recorder does
            writer.write_segment(
                [
                    ChannelObject("recording", name, values[at : at + 1_000], properties=properties)
                    for name, values in (("exhaust", EXHAUST), ("crankcase", CRANKCASE))
                ]
            )


def write_mat_5(path: Path) -> None:
    from scipy.io import savemat

    savemat(path, {"exhaust": EXHAUST, "crankcase": CRANKCASE, "Fs": RATE_HZ, "exhaust_unit": "V",
                   "crankcase_unit": "V"})  # fmt: skip


def write_mat_73(path: Path) -> None:
    import h5py

    with h5py.File(path, "w", userblock_size=512) as file:
        for name, value in (("exhaust", EXHAUST), ("crankcase", CRANKCASE), ("Fs", [RATE_HZ])):
            dataset = file.create_dataset(name, data=np.reshape(value, (1, -1)))
            dataset.attrs["MATLAB_class"] = np.bytes_("double")
    with path.open("r+b") as file:
        file.write(b"MATLAB 7.3 MAT-file".ljust(124) + b"\x00\x02IM")


def write_hdf5(path: Path) -> None:
    import h5py

    with h5py.File(path, "w") as file:
        group = file.create_group("recording")
        group.attrs["rate_hz"] = RATE_HZ
        for name, value in (("exhaust", EXHAUST), ("crankcase", CRANKCASE)):
            group.create_dataset(name, data=value, chunks=(512,)).attrs["unit"] = "V"


def write_npy(path: Path) -> None:
    rows = np.zeros(COUNT, dtype=[("time", "f8"), ("exhaust", "f8"), ("crankcase", "f8")])
    rows["time"], rows["exhaust"], rows["crankcase"] = TIME_S, EXHAUST, CRANKCASE
    np.save(path, rows)


def write_npz(path: Path) -> None:
    np.savez(path, exhaust=EXHAUST, crankcase=CRANKCASE, rate_hz=RATE_HZ)


def write_parquet(path: Path) -> None:
    import polars as pl

    pl.DataFrame({"time": TIME_S, "exhaust_V": EXHAUST, "crankcase_V": CRANKCASE}).write_parquet(
        path, row_group_size=700
    )


CASES: dict[str, tuple[str, Callable[[Path], None], float, dict[str, str], str]] = {
    # name: (suffix, writer, largest error, roles to give, unit)
    "csv": (".csv", write_csv, 1e-9, {}, "V"),
    "wav 16 bit": (".wav", write_wav_16, 2**-15, NUMBERED, "1"),
    "wav float": (".wav", write_wav_float, 1e-7, NUMBERED, "1"),
    "wav 24 bit extensible": (".wav", write_wav_extensible_24, 2**-23, NUMBERED, "1"),
    "mdf 4": (".mf4", write_mdf_4, 0.0, {}, "V"),
    "mdf 3": (".mdf", write_mdf_3, 0.0, {}, "V"),
    "mdf 4 packed": (".mf4", write_mdf_packed, 0.0, {}, "V"),
    "tdms": (".tdms", write_tdms, 0.0, {}, "V"),
    "mat 5": (".mat", write_mat_5, 0.0, {}, "V"),
    "mat 7.3": (".mat", write_mat_73, 0.0, {}, "1"),
    "hdf5": (".h5", write_hdf5, 0.0, {}, "V"),
    "npy": (".npy", write_npy, 0.0, {}, "1"),
    "npz": (".npz", write_npz, 0.0, {}, "1"),
    "parquet": (".parquet", write_parquet, 0.0, {}, "V"),
}
EVERY = pytest.mark.parametrize("case", CASES)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("formats")
    for name, (suffix, write, *_) in CASES.items():
        write(made / f"{name.replace(' ', '_')}{suffix}")
    return made


def path_of(folder: Path, case: str) -> Path:
    return folder / f"{case.replace(' ', '_')}{CASES[case][0]}"


def test_every_format_in_the_table_has_a_case() -> None:
    suffixes = {suffix for suffix, *_ in CASES.values()}
    for one in FORMATS:
        assert suffixes & set(one.suffixes), one.name


@EVERY
def test_samples_rate_unit_and_roles(folder: Path, case: str) -> None:
    _, _, tolerance, roles, unit = CASES[case]
    recording = read_recording(path_of(folder, case), roles=roles)
    for role, expected in ((ChannelRole.EXHAUST, EXHAUST), (ChannelRole.CRANKCASE, CRANKCASE)):
        channel = recording.channel(role)
        assert channel is not None
        assert channel.rate_hz == pytest.approx(RATE_HZ, rel=1e-9)
        assert channel.unit == unit
        assert channel.start_s == pytest.approx(0, abs=1e-12)
        assert channel.role_reason
        np.testing.assert_allclose(channel.samples, expected, rtol=0, atol=tolerance + 1e-15)


@EVERY
def test_source_and_provenance(folder: Path, case: str) -> None:
    import hashlib

    path = path_of(folder, case)
    recording = read_recording(path, roles=CASES[case][3])
    assert recording.source.name == path.name
    assert recording.source.size_bytes == path.stat().st_size
    assert recording.source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert recording.source.format in recording.provenance.steps[-1].name
    # Every role is said aloud.
    for role in (ChannelRole.EXHAUST, ChannelRole.CRANKCASE):
        assert any(role.value in note for note in recording.notes)


@EVERY
def test_windows_join_to_the_whole(folder: Path, case: str) -> None:
    source = open_recording(path_of(folder, case), roles=CASES[case][3])
    whole = source.read_all()
    cuts = [-1.0, 0.0, 0.0333, 0.0333 + 1e-5, 0.15, 0.29995, 0.3, 5.0]
    pieces = [source.read(a, b) for a, b in itertools.pairwise(cuts)]
    for i, channel in enumerate(whole.channels):
        parts: list[NDArray[np.float64]] = [p.channels[i].samples for p in pieces]
        np.testing.assert_array_equal(np.concatenate(parts), channel.samples)
        for piece in pieces:
            samples: NDArray[np.float64] = piece.channels[i].samples
            first = round(piece.channels[i].start_s * RATE_HZ)
            np.testing.assert_array_equal(samples, channel.samples[first : first + len(samples)])


@EVERY
def test_source_tells_what_it_holds(folder: Path, case: str) -> None:
    source: RecordingSource = open_recording(path_of(folder, case), roles=CASES[case][3])
    assert source.start_s == pytest.approx(0, abs=1e-12)
    assert source.duration_s == pytest.approx(COUNT / RATE_HZ, rel=1e-9)
    assert {ChannelRole.EXHAUST, ChannelRole.CRANKCASE} <= {c.role for c in source.channels}
    assert all(c.sample_count == COUNT for c in source.channels)
    assert source.notes
    with pytest.raises(SettingError):
        source.read(1.0, 1.0)
    with pytest.raises(SettingError):
        source.read(math.nan, 1.0)


@EVERY
def test_content_decides_not_the_suffix(folder: Path, case: str, tmp_path: Path) -> None:
    wrong = tmp_path / ("recording.wav" if CASES[case][0] != ".wav" else "recording.csv")
    wrong.write_bytes(path_of(folder, case).read_bytes())
    recording = read_recording(wrong, roles=CASES[case][3])
    assert recording.channel(ChannelRole.EXHAUST) is not None


@EVERY
def test_map_file_with_scale(folder: Path, case: str, tmp_path: Path) -> None:
    map_file = tmp_path / "map.json"
    entry = {"channel": "1", "scale": 2.0, "offset": 1.0, "unit": "kPa"}
    names = {c.name for c in open_recording(path_of(folder, case)).channels}
    if "exhaust" in names:
        entry["channel"] = "exhaust"
    map_file.write_text(json.dumps({"exhaust": entry}))
    channel = read_recording(path_of(folder, case), map_file=map_file).channel(ChannelRole.EXHAUST)
    assert channel is not None
    assert channel.unit == "Pa"
    expected = 1000 * (2 * EXHAUST + 1)
    tolerance = 2000 * CASES[case][2] + 1e-9
    np.testing.assert_allclose(channel.samples, expected, rtol=0, atol=tolerance)


@EVERY
def test_unknown_channel_and_role(folder: Path, case: str) -> None:
    path = path_of(folder, case)
    with pytest.raises(ChannelError, match="no channel called 'bonnet'"):
        open_recording(path, roles={"exhaust": "bonnet"})
    with pytest.raises(ChannelError, match="two roles"):
        open_recording(path, roles={"exhaust": "1", "crankcase": "1"})
    with pytest.raises(SettingError, match="no channel role called 'tailpipes'"):
        open_recording(path, roles={"tailpipes": "1"})
    for rate_hz in (0.0, -1.0, 1e12, math.nan, math.inf):
        with pytest.raises(SettingError, match="sample rate"):
            open_recording(path, rate_hz=rate_hz)


@EVERY
def test_stated_rate_replaces_the_clock(folder: Path, case: str) -> None:
    recording = read_recording(path_of(folder, case), roles=CASES[case][3], rate_hz=500.0)
    assert {c.rate_hz for c in recording.channels} == {500.0}


@EVERY
@pytest.mark.parametrize("keep", [0, 1, 3, 7, 30, 0.1, 0.5, 0.9, 0.999])
def test_truncated_files(folder: Path, case: str, keep: float, tmp_path: Path) -> None:
    data = path_of(folder, case).read_bytes()
    path = tmp_path / f"cut{CASES[case][0]}"
    path.write_bytes(data[: int(keep if keep >= 1 else keep * len(data))])
    try:
        recording = read_recording(path, roles=CASES[case][3])
    except BadInput:
        return
    # Some formats stay readable when cut: then fewer samples, never invented ones. The last one
    # may have lost digits.
    for channel in recording.channels:
        if channel.role is ChannelRole.UNASSIGNED:
            continue
        reference = EXHAUST if channel.role is ChannelRole.EXHAUST else CRANKCASE
        kept = len(channel.samples)
        assert kept <= COUNT
        np.testing.assert_allclose(channel.samples[: kept - 1], reference[: kept - 1], atol=1e-4)


@pytest.mark.parametrize("suffix", sorted({s for one in FORMATS for s in one.suffixes}))
def test_empty_text_and_noise_under_every_suffix(suffix: str, tmp_path: Path) -> None:
    noise = np.random.default_rng(1).integers(0, 256, 5000, dtype=np.uint8).tobytes()
    for content in (b"", b"\n\n", b"hello, this is a letter\nnot a table\n", noise, b"\0" * 4096):
        path = tmp_path / f"bad{suffix}"
        path.write_bytes(content)
        with pytest.raises(FileFormatError) as caught:
            open_recording(path)
        assert caught.value.remedy


@pytest.mark.parametrize("case", [c for c in CASES if c not in ("csv", "mat 5", "npz")])
def test_a_window_needs_little_memory(case: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    """A file a hundred windows long: the peak stays near one window (and one packed block of a
    few MB), not near the whole file."""
    long_count = 100 * 20_000
    path = tmp_path_factory.mktemp("long") / f"long{CASES[case][0]}"
    long_s = np.arange(long_count) / RATE_HZ
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(globals(), "COUNT", long_count)
        patch.setitem(globals(), "TIME_S", long_s)
        patch.setitem(globals(), "EXHAUST", 0.5 * np.sin(long_s))
        patch.setitem(globals(), "CRANKCASE", 0.5 * np.cos(long_s))
        CASES[case][1](path)
    source = open_recording(path, roles=CASES[case][3])
    source.read(0.0, 0.1)
    tracemalloc.start()
    try:
        window = source.read(100.0, 102.0)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(window.channels[0].samples) == 20_000
    whole_bytes = 8 * sum(c.sample_count or 0 for c in source.channels)
    assert peak < 0.25 * whole_bytes


def test_the_error_lists_what_was_tried(tmp_path: Path) -> None:
    path = tmp_path / "letter.txt"
    path.write_text("Dear customer,\nyour bus is ready.\n")
    with pytest.raises(FileFormatError) as caught:
        open_recording(path)
    for one in FORMATS:
        assert f"not {one.name}:" in str(caught.value)


def test_folder_and_missing_file(tmp_path: Path) -> None:
    with pytest.raises(FileFormatError, match="is a folder"):
        open_recording(tmp_path)
    with pytest.raises(FileFormatError, match="cannot be opened"):
        open_recording(tmp_path / "none.csv")
    with pytest.raises(FileFormatError):
        open_recording("a\0b.csv")
