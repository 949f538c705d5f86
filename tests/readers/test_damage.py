"""Damaged files: whatever bytes come in, a recording or one of our errors comes out, in little
memory and time."""

import io
import struct
import tempfile
import tracemalloc
import wave
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ringland.errors import (
    BadInput,
    ChannelError,
    FileFormatError,
    RinglandError,
    SettingError,
)
from ringland.readers import FORMATS, _source, numpy_arrays, open_recording, read_recording

COUNT = 400
TIME_S = np.arange(COUNT) / 1e4
PULSES = np.sin(TIME_S * 300)


def csv_file(path: Path) -> None:
    lines = [f"{t:.4f},{p:.5f},{-p:.5f}" for t, p in zip(TIME_S, PULSES, strict=True)]
    path.write_text("\n".join(["time,exhaust,crankcase", *lines]))


def edge_file(path: Path) -> None:
    times = np.cumsum(np.random.default_rng(3).uniform(0.001, 0.01, COUNT))
    lines = [f"{t:.6f}, {i % 2}, {i // 7 % 2}" for i, t in enumerate(times)]
    path.write_text("\n".join(["Time [s], Channel 0, Channel 1", *lines]))


def wav_file(path: Path) -> None:
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(10_000)
        file.writeframes((PULSES * 3e4).astype("<i2").repeat(2).tobytes())


def mdf_file(path: Path) -> None:
    from asammdf import MDF, Signal

    with MDF(version="4.10") as mdf:
        mdf.append([Signal(samples=PULSES, timestamps=TIME_S, name="exhaust", unit="V")])
        mdf.save(path, overwrite=True)


def mdf_3_file(path: Path) -> None:
    from asammdf import MDF, Signal

    with MDF(version="3.30") as mdf:
        mdf.append([Signal(samples=PULSES, timestamps=TIME_S, name="exhaust", unit="V")])
        mdf.save(path, overwrite=True)


def tdms_file(path: Path) -> None:
    from nptdms import ChannelObject, TdmsWriter

    with TdmsWriter(str(path)) as writer:
        writer.write_segment([ChannelObject("g", "exhaust", PULSES, {"wf_increment": 1e-4})])


def mat_file(path: Path) -> None:
    from scipy.io import savemat

    savemat(path, {"exhaust": PULSES, "fs": 1e4})


def hdf5_file(path: Path) -> None:
    import h5py

    with h5py.File(path, "w") as file:
        file.attrs["rate_hz"] = 1e4
        file.create_dataset("exhaust", data=PULSES)


def npy_file(path: Path) -> None:
    rows = np.zeros(COUNT, dtype=[("time", "f8"), ("exhaust", "f8")])
    rows["time"], rows["exhaust"] = TIME_S, PULSES
    np.save(path, rows)


def npz_file(path: Path) -> None:
    np.savez(path, exhaust=PULSES, fs=1e4)


def parquet_file(path: Path) -> None:
    import polars as pl

    pl.DataFrame({"time": TIME_S, "exhaust": PULSES}).write_parquet(path)


FILES: dict[str, Callable[[Path], None]] = {
    "a.csv": csv_file,
    "edges.csv": edge_file,
    "a.wav": wav_file,
    "a.mf4": mdf_file,
    "a.mdf": mdf_3_file,
    "a.tdms": tdms_file,
    "a.mat": mat_file,
    "a.h5": hdf5_file,
    "a.npy": npy_file,
    "a.npz": npz_file,
    "a.parquet": parquet_file,
}


@pytest.fixture(scope="module")
def sound_files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("sound")
    for name, write in FILES.items():
        write(folder / name)
    return {name: (folder / name).read_bytes() for name in FILES}


# One damage: where (as a share of the file, or near its start), what, and bytes to put there.
PLACES = st.floats(0, 1, exclude_max=True) | st.integers(0, 700)
PATCHES = st.binary(min_size=1, max_size=8) | st.sampled_from(
    [b"\xff" * 2, b"\xff" * 4, b"\xff" * 8, b"\0" * 8, b"\x40" + b"\0" * 7, b"\xff\xff\xff\x7f",
     b"nan", b"inf", b",", b"\n", b'"', b"1e308", b"-"]
)  # fmt: skip
DAMAGE = st.lists(st.tuples(PLACES, st.sampled_from(["over", "in", "out"]), PATCHES), max_size=6)


def damaged(data: bytes, damage: list[tuple[float, str, bytes]]) -> bytes:
    out = bytearray(data)
    for place, kind, patch in damage:
        at = int(place * len(out)) if isinstance(place, float) else min(int(place), len(out))
        stop = at if kind == "in" else at + len(patch)
        out[at:stop] = b"" if kind == "out" else patch
    return bytes(out)


@pytest.mark.parametrize("name", FILES)
def test_damage_gives_a_recording_or_our_error(
    name: str, sound_files: dict[str, bytes], tmp_path: Path
) -> None:
    path = tmp_path / name

    @settings(
        derandomize=True,
        max_examples=120,
        deadline=5000,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(DAMAGE)
    def check(damage: list[tuple[float, str, bytes]]) -> None:
        path.write_bytes(damaged(sound_files[name], damage))
        try:
            recording = read_recording(path)
        except RinglandError as error:
            assert isinstance(error, BadInput) and error.remedy  # noqa: PT017
            return
        for channel in recording.channels:
            assert np.isfinite(channel.rate_hz) and channel.rate_hz > 0
            assert len(channel.samples) <= 40 * COUNT

    check()


@settings(derandomize=True, max_examples=150, deadline=5000, database=None,
          suppress_health_check=list(HealthCheck))  # fmt: skip
@given(start=st.sampled_from([b"", b"RIFF\0\0\0\0WAVEfmt ", b"MDF     4.10    ", b"TDSm", b"PAR1",
                              b"\x93NUMPY\x01\0", b"\x89HDF\r\n\x1a\n", b"MATLAB 5.0"]),
       rest=st.binary(max_size=300))  # fmt: skip
def test_any_bytes(start: bytes, rest: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.getbasetemp() / "any.bin"
    path.write_bytes(start + rest)
    try:
        read_recording(path, rate_hz=1000.0)
    except BadInput:
        return


def giant_wav() -> bytes:
    fmt = struct.pack("<HHIIHH", 1, 60_000, 48_000, 0xFFFFFFF0, 0xFFF0, 16)
    return b"RIFF\xff\xff\xff\xffWAVEfmt \x10\0\0\0" + fmt + b"data\xff\xff\xff\xff" + b"\0" * 64


def giant_npy() -> bytes:
    data = io.BytesIO()
    np.lib.format.write_array_header_1_0(
        data, {"descr": "<f8", "fortran_order": False, "shape": (1 << 40,)}
    )
    return data.getvalue() + b"\0" * 64


def giant_npz() -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        archive.writestr("exhaust.npy", giant_npy())
    return data.getvalue()


def giant_hdf5() -> bytes:
    import h5py

    data = io.BytesIO()
    with h5py.File(data, "w") as file:
        file.attrs["rate_hz"] = 1e5
        file.create_dataset("exhaust", shape=(1 << 40,), dtype="f8", chunks=(1 << 16,))
    return data.getvalue()


def giant_mat() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        mat_file(Path(folder) / "a.mat")
        out = bytearray((Path(folder) / "a.mat").read_bytes())
    at = out.index(struct.pack("<ii", 1, COUNT))
    out[at : at + 8] = struct.pack("<ii", 1 << 15, 1 << 16)
    return bytes(out)


@pytest.mark.parametrize("make", [giant_wav, giant_npy, giant_npz, giant_hdf5, giant_mat])
def test_headers_that_claim_giant_sizes(make: Callable[[], bytes], tmp_path: Path) -> None:
    path = tmp_path / "giant.bin"
    path.write_bytes(make())
    tracemalloc.start()
    try:
        with pytest.raises(FileFormatError):
            read_recording(path)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 200e6


def test_archives_that_unpack_to_too_much(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(numpy_arrays, "_LARGEST_BYTES", 1000)
    path = tmp_path / "large.npz"
    np.savez_compressed(path, exhaust=np.zeros(10_000), fs=1e4)
    with pytest.raises(FileFormatError, match="too large to unpack"):
        read_recording(path)


def test_more_than_fits_in_memory_asks_for_windows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(_source, "_MOST_SAMPLES", 500)
    path = tmp_path / "long.csv"
    csv_file(path)
    with pytest.raises(SettingError, match="window by window"):
        read_recording(path)
    assert len(open_recording(path).read(0.0, 0.01).channels[0].samples) == 100


MANY = [f"c{i}" for i in range(300)]


def many_hdf5(path: Path) -> None:
    import h5py

    with h5py.File(path, "w") as file:
        file.attrs["rate_hz"] = 1e4
        for name in MANY:
            file.create_dataset(name, data=PULSES)


def many_parquet(path: Path) -> None:
    import polars as pl

    pl.DataFrame({"time": TIME_S, **dict.fromkeys(MANY, PULSES)}).write_parquet(path)


def many_mat(path: Path) -> None:
    from scipy.io import savemat

    savemat(path, {"fs": 1e4, **dict.fromkeys(MANY, PULSES)})


def many_npz(path: Path) -> None:
    np.savez(path, allow_pickle=False, fs=np.array(1e4), **dict.fromkeys(MANY, PULSES))


def many_tdms(path: Path) -> None:
    from nptdms import ChannelObject, TdmsWriter

    with TdmsWriter(str(path)) as writer:
        writer.write_segment([ChannelObject("g", n, PULSES, {"wf_increment": 1e-4}) for n in MANY])


def many_mdf(path: Path) -> None:
    from asammdf import MDF, Signal

    with MDF(version="4.10") as mdf:
        mdf.append([Signal(samples=PULSES, timestamps=TIME_S, name=n) for n in MANY])
        mdf.save(path, overwrite=True)


@pytest.mark.parametrize(
    ("name", "write"),
    [("m.h5", many_hdf5), ("m.parquet", many_parquet), ("m.mat", many_mat), ("m.npz", many_npz),
     ("m.tdms", many_tdms), ("m.mf4", many_mdf)],
)  # fmt: skip
def test_very_many_channels(name: str, write: Callable[[Path], None], tmp_path: Path) -> None:
    path = tmp_path / name
    write(path)
    with pytest.raises(ChannelError, match="too many channels"):
        read_recording(path)
    (channel,) = read_recording(path, roles={"exhaust": "c77"}).channels
    assert channel.name == "c77"
    np.testing.assert_array_equal(channel.samples, PULSES)


def wav_constant(path: Path) -> None:
    import soundfile

    soundfile.write(path, np.full((50, 2), 0.25), 8000, subtype="FLOAT", format="WAV")


def wav_nan(path: Path) -> None:
    import soundfile

    soundfile.write(path, np.full(50, np.nan), 8000, subtype="DOUBLE", format="WAV")


def npz_nan(path: Path) -> None:
    np.savez(path, exhaust=np.full(50, np.nan), fs=1e4)


def mdf_two_samples(path: Path) -> None:
    from asammdf import MDF, Signal

    with MDF(version="4.10") as mdf:
        signal = Signal(samples=np.ones(2), timestamps=np.array([0, 1e-3]), name="exhaust")
        mdf.append([signal])
        mdf.save(path, overwrite=True)


def hdf5_constant(path: Path) -> None:
    import h5py

    with h5py.File(path, "w") as file:
        file.attrs["fs"] = 1e4
        file.create_dataset("exhaust", data=np.zeros(50))


@pytest.mark.parametrize(
    ("name", "write"),
    [("a.wav", wav_constant), ("b.wav", wav_nan), ("a.npz", npz_nan), ("a.mf4", mdf_two_samples),
     ("a.h5", hdf5_constant)],
)  # fmt: skip
def test_dull_recordings_are_read_and_left_to_quality(
    name: str, write: Callable[[Path], None], tmp_path: Path
) -> None:
    write(tmp_path / name)
    assert all(len(c.samples) >= 2 for c in read_recording(tmp_path / name).channels)


def absurd_tdms(path: Path) -> None:
    from nptdms import ChannelObject, TdmsWriter

    with TdmsWriter(str(path)) as writer:
        writer.write_segment([ChannelObject("g", "exhaust", PULSES, {"wf_increment": 1e-15})])


def absurd_npz(path: Path) -> None:
    np.savez(path, exhaust=PULSES, fs=1e15)


def absurd_wav(path: Path) -> None:
    wav_file(path)
    data = bytearray(path.read_bytes())
    struct.pack_into("<I", data, 24, 2_000_000_000)
    path.write_bytes(bytes(data))


@pytest.mark.parametrize(
    ("name", "write"),
    [("a.tdms", absurd_tdms), ("a.npz", absurd_npz), ("a.wav", absurd_wav)],
)
def test_absurd_rates(name: str, write: Callable[[Path], None], tmp_path: Path) -> None:
    path = tmp_path / name
    write(path)
    with pytest.raises(FileFormatError, match=r"sample rate of .* cannot be right"):
        read_recording(path)


def test_a_wav_cut_short_says_so(sound_files: dict[str, bytes], tmp_path: Path) -> None:
    path = tmp_path / "cut.wav"
    path.write_bytes(sound_files["a.wav"][:-400])
    recording = read_recording(path)
    assert len(recording.channels[0].samples) == COUNT - 100
    assert any("claims more samples" in note for note in recording.notes)


def test_mdf_links_in_a_circle_end(sound_files: dict[str, bytes], tmp_path: Path) -> None:
    data = bytearray(sound_files["a.mf4"])
    at = data.index(b"##DG")
    data[at + 24 : at + 32] = struct.pack("<Q", at)  # the next data group is itself
    path = tmp_path / "circle.mf4"
    path.write_bytes(bytes(data))
    with pytest.raises(FileFormatError, match="circle"):
        read_recording(path)


def test_every_format_is_damaged_here() -> None:
    suffixes = {name[name.index(".") :] for name in FILES}
    assert all(suffixes & set(one.suffixes) for one in FORMATS)


@pytest.mark.parametrize(
    ("name", "marker", "offset", "code"),
    [("a.mdf", b"CN", 186, "<H"), ("a.mf4", b"##CN", 92, "<I")],
)
def test_an_mdf_channel_outside_its_record(
    name: str, marker: bytes, offset: int, code: str, sound_files: dict[str, bytes], tmp_path: Path
) -> None:
    # Offsets of the place of a channel in its record: MDF 3.30 and 4.1.0, channel block.
    data = bytearray(sound_files[name])
    at = -1
    while (at := data.find(marker, at + 1)) >= 0:
        struct.pack_into(code, data, at + offset, 60_000)
    path = tmp_path / name
    path.write_bytes(bytes(data))
    with pytest.raises(FileFormatError, match="outside its record"):
        read_recording(path)
