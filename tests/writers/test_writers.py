"""What is written can be read back, and by other programs than ours."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import ArrayLike

from ringland.errors import SettingError
from ringland.model import Channel, ChannelRole, EdgeTrain, Recording
from ringland.readers import read_recording
from ringland.writers import SUFFIXES, write_recording

R = ChannelRole
RATE_HZ = 44_100.0
TIME_S = np.arange(4_000) / RATE_HZ
NOTE = "Invented data, Marrow Valley Transit"


def channel(role: ChannelRole, samples: ArrayLike, **more: object) -> Channel:
    settings = {"rate_hz": RATE_HZ, "unit": "Pa", "start_s": 0.0, **more}
    return Channel(role.value, role, np.asarray(samples, dtype=float), **settings)  # type: ignore[arg-type]


SAMPLED = Recording(
    (
        channel(R.EXHAUST, 812.3 * np.sin(TIME_S * 170)),
        channel(R.CRANKCASE, 40.1 * np.cos(TIME_S * 85)),
        channel(R.IGNITION, (np.arange(4_000) % 900 < 20) * 5.0, unit="V"),
        Channel("spare", R.UNASSIGNED, 0.25 * TIME_S, RATE_HZ),
    ),
    notes=(NOTE,),
)
EDGE_S = np.cumsum(np.random.default_rng(5).uniform(0.001, 0.004, 300))
EDGES = (
    EdgeTrain("CH0", R.CRANK_TOOTH, EDGE_S, 1 - np.arange(300) % 2, 0.0, 1.0),
    EdgeTrain("CH1", R.CAM, EDGE_S[::20] + 1e-4, np.arange(15) % 2, 0.0, 1.0),
)
EVERY = pytest.mark.parametrize("suffix", SUFFIXES)


@EVERY
def test_sampled_channels_round_trip(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"bus{suffix}"
    write_recording(SAMPLED, path)
    back = read_recording(path)
    assert [c.role for c in back.channels].count(R.UNASSIGNED) == 1
    for one in SAMPLED.channels:
        other = next(c for c in back.channels if c.role is one.role)
        assert other.rate_hz == pytest.approx(RATE_HZ, rel=1e-12)
        assert other.unit == one.unit
        assert other.start_s == pytest.approx(0, abs=1e-12)
        tolerance = 1e-6 * np.abs(one.samples).max() if suffix == ".wav" else 0
        np.testing.assert_allclose(other.samples, one.samples, rtol=0, atol=tolerance)
    if suffix != ".csv":
        assert any(NOTE in note for note in back.notes)
    else:
        assert path.read_text().startswith(f"# {NOTE}\n")


@pytest.mark.parametrize("suffix", [".csv", ".h5", ".mf4", ".npz"])
def test_edge_trains_round_trip(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"edges{suffix}"
    write_recording(Recording((), EDGES), path)
    back = read_recording(path)
    for one in EDGES:
        other = back.edge_train(one.role)
        assert other is not None
        np.testing.assert_array_equal(other.time_s, one.time_s)
        np.testing.assert_array_equal(other.level_after, one.level_after)
        assert (other.start_s, other.stop_s) == (0.0, 1.0)


@pytest.mark.parametrize("suffix", [".csv", ".h5", ".mf4", ".npz"])
def test_perfectly_even_edges_stay_edges(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"even{suffix}"
    times = np.linspace(0.001, 0.199, 199)
    train = EdgeTrain("teeth", R.CRANK_TOOTH, times, np.arange(199) % 2, 0.0, 0.2)
    write_recording(Recording((), (train,)), path)
    back = read_recording(path).edge_train(R.CRANK_TOOTH)
    assert back is not None
    np.testing.assert_allclose(back.time_s, times)


@pytest.mark.parametrize("suffix", [".h5", ".mf4"])
def test_different_clocks_with_edges_round_trip(suffix: str, tmp_path: Path) -> None:
    slow = channel(R.INTAKE, np.arange(500.0), rate_hz=1000.0, start_s=0.25)
    path = tmp_path / f"mixed{suffix}"
    write_recording(Recording((*SAMPLED.channels, slow), EDGES), path)
    back = read_recording(path)
    intake = back.channel(R.INTAKE)
    assert intake is not None and intake.rate_hz == pytest.approx(1000)
    assert intake.start_s == pytest.approx(0.25)
    np.testing.assert_array_equal(intake.samples, slow.samples)
    exhaust = back.channel(R.EXHAUST)
    assert exhaust is not None and len(exhaust.samples) == 4_000
    crank = back.edge_train(R.CRANK_TOOTH)
    assert crank is not None and len(crank.time_s) == 300


@pytest.mark.parametrize("suffix", [".csv", ".parquet", ".wav", ".npz"])
def test_one_clock_formats_refuse_other_clocks(suffix: str, tmp_path: Path) -> None:
    slow = channel(R.INTAKE, np.arange(500.0), rate_hz=1000.0)
    with pytest.raises(SettingError, match=r"\.mf4"):
        write_recording(Recording((*SAMPLED.channels, slow)), tmp_path / f"x{suffix}")


@pytest.mark.filterwarnings("ignore:Chunk")  # the comment, which that program does not know
def test_wav_is_read_by_another_program(tmp_path: Path) -> None:
    from scipy.io import wavfile

    path = tmp_path / "bus.wav"
    write_recording(Recording(SAMPLED.channels[:2]), path)
    rate, data = wavfile.read(path)
    assert rate == RATE_HZ and data.dtype == np.float32
    assert np.abs(data).max() <= 1.0
    expected = SAMPLED.channels[0].samples / np.abs(SAMPLED.channels[0].samples).max()
    np.testing.assert_allclose(data[:, 0], expected, atol=1e-6)


def test_csv_keeps_the_outside_contract(tmp_path: Path) -> None:
    path = tmp_path / "bus.csv"
    write_recording(Recording(SAMPLED.channels[:3]), path)
    head, first, second = path.read_text().splitlines()[:3]
    assert head == "time,exhaust [Pa],crankcase [Pa],ignition [V]"
    assert first.startswith("0.0,") and second.startswith("0.000022675737,")
    values = np.loadtxt(path, delimiter=",", skiprows=1)
    np.testing.assert_array_equal(values[:, 1], SAMPLED.channels[0].samples)


def test_nan_samples_survive(tmp_path: Path) -> None:
    samples = np.arange(100.0)
    samples[10:20] = np.nan
    for suffix in SUFFIXES:
        path = tmp_path / f"gap{suffix}"
        write_recording(Recording((channel(R.EXHAUST, samples),)), path)
        back = read_recording(path).channel(R.EXHAUST)
        assert back is not None
        assert np.flatnonzero(np.isnan(back.samples)).tolist() == list(range(10, 20))


def test_hdf5_keeps_the_full_scale(tmp_path: Path) -> None:
    clipped = channel(R.EXHAUST, np.clip(np.arange(-50.0, 50), -40, 40), full_scale=(-40.0, 40.0))
    write_recording(Recording((clipped,)), tmp_path / "a.h5")
    back = read_recording(tmp_path / "a.h5").channel(R.EXHAUST)
    assert back is not None and back.full_scale == (-40.0, 40.0)


def test_errors(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="No format is known"):
        write_recording(SAMPLED, tmp_path / "bus.doc")
    with pytest.raises(SettingError, match="nothing to write"):
        write_recording(Recording(()), tmp_path / "bus.csv")
    two = Recording((SAMPLED.channels[0], SAMPLED.channels[0]))
    with pytest.raises(SettingError, match="under one name"):
        write_recording(two, tmp_path / "bus.csv")
    with pytest.raises(SettingError, match="whole number"):
        write_recording(Recording((channel(R.EXHAUST, [1, 2], rate_hz=0.5),)), tmp_path / "a.wav")


@EVERY
def test_a_folder_that_is_not_there(suffix: str, tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="cannot be written"):
        write_recording(SAMPLED, tmp_path / "none" / f"bus{suffix}")


@EVERY
def test_a_file_is_replaced_whole_or_not_at_all(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"bus{suffix}"
    path.write_text("old")
    write_recording(SAMPLED, path)
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
    assert read_recording(path).channel(R.EXHAUST) is not None
