"""CSV in the shapes that instruments export (shapes: common practice, no source)."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from ringland.errors import BadInput, ChannelError, FileFormatError, SettingError
from ringland.model import Channel, ChannelRole, Recording
from ringland.readers import open_recording, read_recording

R = ChannelRole


def read(tmp_path: Path, content: str | bytes, **options: float) -> Recording:
    path = tmp_path / "recording.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_recording(path, **options)  # type: ignore[arg-type]


def only(recording: Recording, role: ChannelRole) -> Channel:
    channel = recording.channel(role)
    assert channel is not None
    return channel


def table(rows: int = 50, separator: str = ",", step: str = "0.001", decimal: str = ".") -> str:
    lines = [
        separator.join(f"{v:.6f}" for v in (i * float(step), i * 0.5, -i)) for i in range(rows)
    ]
    return "\n".join(lines).replace(".", decimal) + "\n"


@pytest.mark.parametrize(
    ("header", "separator", "decimal", "step", "unit"),
    [
        ("time,exhaust,crankcase\n", ",", ".", "0.001", "1"),
        ("Time [s],exhaust [V],crankcase [V]\n", ",", ".", "0.001", "V"),
        ("Time (ms),exhaust (V),crankcase (V)\n", ",", ".", "1", "V"),
        ("Time (us);exhaust (V);crankcase (V)\n", ";", ",", "1000", "V"),
        ("time\texhaust\tcrankcase\n", "\t", ".", "0.001", "1"),
        ("time\texhaust\tcrankcase\n", "\t", ",", "0.001", "1"),
        ("Time,exhaust,crankcase\n(ms),(V),(V)\n\n", ",", ".", "1", "V"),
        ("Time;exhaust;crankcase\nms;V;V\n", ";", ",", "1", "V"),
        ("time_ms,exhaust_V,crankcase_V\n", ",", ".", "1", "V"),
        ('"Time (s)","exhaust (V)","crankcase (V)"\n', ",", ".", "0.001", "V"),
        ("# made by a recorder\n# 2026-02-03, bay 4\n# time,exhaust,crankcase\n", ",", ".",
         "0.001", "1"),
        ("Model,XY\nSerial,123,4\n\n\ntime,exhaust,crankcase\ns,V,V\n", ",", ".", "0.001", "V"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_headers_units_and_separators(
    tmp_path: Path, header: str, separator: str, decimal: str, step: str, unit: str, end: str,
    mark: bytes,
) -> None:  # fmt: skip
    content = header + table(separator=separator, step=step, decimal=decimal)
    recording = read(tmp_path, mark + content.replace("\n", end).encode())
    exhaust, crankcase = only(recording, R.EXHAUST), only(recording, R.CRANKCASE)
    assert exhaust.rate_hz == pytest.approx(1000, rel=1e-9)
    assert exhaust.unit == unit
    np.testing.assert_allclose(exhaust.samples, 0.5 * np.arange(50))
    np.testing.assert_allclose(crankcase.samples, -np.arange(50.0))


def test_pressure_units_become_pascal(tmp_path: Path) -> None:
    # 1 mbar = 100 Pa, 1 psi = 6894.757 Pa: NIST SP 811 (2008), Appendix B.
    recording = read(tmp_path, "time,exhaust [mbar],crankcase (psi)\n" + table())
    np.testing.assert_allclose(only(recording, R.EXHAUST).samples, 50.0 * np.arange(50))
    np.testing.assert_allclose(
        only(recording, R.CRANKCASE).samples, -6894.757 * np.arange(50), rtol=1e-6
    )


def test_an_unknown_unit_is_said_and_not_invented(tmp_path: Path) -> None:
    recording = read(tmp_path, "time,exhaust [furlong],crankcase [V]\n" + table())
    assert only(recording, R.EXHAUST).unit == "1"
    assert any("furlong" in note for note in recording.notes)


def test_spaces_after_commas_and_before(tmp_path: Path) -> None:
    recording = read(tmp_path, "time, exhaust , crankcase\n" + table().replace(",", " , "))
    np.testing.assert_allclose(only(recording, R.EXHAUST).samples, 0.5 * np.arange(50))


def test_a_separator_at_the_end_of_each_line(tmp_path: Path) -> None:
    content = ("time,exhaust,crankcase\n" + table()).replace("\n", ",\n")
    recording = read(tmp_path, content)
    assert len(recording.channels) == 2
    np.testing.assert_allclose(only(recording, R.CRANKCASE).samples, -np.arange(50.0))


def test_no_header_time_recognised_by_its_rise(tmp_path: Path) -> None:
    recording = read(tmp_path, table())
    assert [c.rate_hz for c in recording.channels] == pytest.approx([1000, 1000])
    assert any("no header" in note for note in recording.notes)
    assert all(c.role is R.UNASSIGNED for c in recording.channels)


@pytest.mark.parametrize(
    "preamble",
    ["Sample rate,2000\n", "Sampling frequency: 2 kHz\n", "sample interval;0.0005 s\n",
     "Sample Interval (s),0.5 ms\n", "fs=2000\n", "# rate_hz: 2000\n", "SampleRate = 2.0e3 Hz\n",
     "dt,500 us\n"],
)  # fmt: skip
def test_a_rate_stated_above_the_table(tmp_path: Path, preamble: str) -> None:
    values = "\n".join(f"{i % 7},{i % 3}" for i in range(40))
    recording = read(tmp_path, preamble + "exhaust,crankcase\n" + values + "\n")
    assert only(recording, R.EXHAUST).rate_hz == pytest.approx(2000)


def test_no_time_and_no_rate_asks_for_it(tmp_path: Path) -> None:
    values = "exhaust,crankcase\n" + "\n".join(f"{i % 7},{i % 3}" for i in range(40))
    with pytest.raises(SettingError, match="does not say the sample rate"):
        read(tmp_path, values)
    assert only(read(tmp_path, values, rate_hz=250.0), R.EXHAUST).rate_hz == 250


def test_a_single_column_is_taken_as_the_exhaust_aloud(tmp_path: Path) -> None:
    recording = read(tmp_path, "\n".join(str(i % 9) for i in range(40)), rate_hz=1000.0)
    assert "only channel" in only(recording, R.EXHAUST).role_reason
    assert any("only channel" in note for note in recording.notes)


def test_clock_times_as_text_also_past_midnight(tmp_path: Path) -> None:
    stamps = ["23:59:59.998", "23:59:59.999", "00:00:00.000", "00:00:00.001", "00:00:00.002"]
    rows = "\n".join(f"{s},{i},{2 * i}" for i, s in enumerate(stamps))
    recording = read(tmp_path, "Time,exhaust,crankcase\n" + rows + "\n")
    assert only(recording, R.EXHAUST).rate_hz == pytest.approx(1000, rel=1e-6)
    dated = "\n".join(f"2026-01-31 {s},{i},{2 * i}" for i, s in enumerate(stamps))
    assert only(read(tmp_path, "Time,exhaust,cam\n" + dated), R.EXHAUST).rate_hz == pytest.approx(
        1000, rel=1e-6
    )


def test_latin_1_is_read_and_said_aloud(tmp_path: Path) -> None:
    content = "Prüfer: Jörg\ntime,exhaust,crankcase\n".encode("latin-1") + table().encode()
    recording = read(tmp_path, content)
    assert any("Latin-1" in note for note in recording.notes)
    assert len(only(recording, R.EXHAUST).samples) == 50


def test_utf_16_is_read(tmp_path: Path) -> None:
    recording = read(tmp_path, ("time\texhaust\tcam\n" + table(separator="\t")).encode("utf-16"))
    np.testing.assert_allclose(only(recording, R.EXHAUST).samples, 0.5 * np.arange(50))


def test_gaps_text_cells_and_footers(tmp_path: Path) -> None:
    lines = ["time,exhaust,crankcase"] + [f"{i / 1000},{i},{-i}" for i in range(40)]
    lines[11] = "0.010,,-10"
    lines[13] = "0.012,overload,-12"
    recording = read(tmp_path, "\n".join(lines) + "\nend of recording\n\n\n")
    exhaust = only(recording, R.EXHAUST).samples
    assert len(exhaust) == 40
    assert np.flatnonzero(np.isnan(exhaust)).tolist() == [10, 12]
    assert any("2 cells" in note for note in recording.notes)


def test_nan_filled_and_constant_files_are_read(tmp_path: Path) -> None:
    nan = "time,exhaust,crankcase\n" + "".join(f"{i / 1000:.3f},nan,5\n" for i in range(40))
    recording = read(tmp_path, nan)
    assert np.isnan(only(recording, R.EXHAUST).samples).all()
    assert (only(recording, R.CRANKCASE).samples == 5).all()


def test_two_samples_are_a_recording_and_one_is_not(tmp_path: Path) -> None:
    recording = read(tmp_path, "time,exhaust\n0,1.5\n0.001,2.5\n")
    assert only(recording, R.EXHAUST).rate_hz == 1000
    with pytest.raises(FileFormatError, match="rate cannot be told"):
        read(tmp_path, "time,exhaust\n0,1.5\n")


@pytest.mark.parametrize("step", ["1e-12", "1000"])
def test_absurd_rates_are_refused(tmp_path: Path, step: str) -> None:
    rows = "".join(f"{i * float(step):.15g},{i % 5 + 0.5}\n" for i in range(40))
    with pytest.raises(FileFormatError, match="sample rate of 'exhaust' cannot be right"):
        read(tmp_path, "time,exhaust\n" + rows)


def test_time_that_does_not_rise(tmp_path: Path) -> None:
    with pytest.raises(FileFormatError, match="rate cannot be told"):
        read(tmp_path, "time,exhaust\n" + "0.001,1\n" * 30)


def test_unknown_time_unit(tmp_path: Path) -> None:
    with pytest.raises(FileFormatError, match="unit of the time column"):
        read(tmp_path, "time [fortnight],exhaust,cam\n" + table())


def test_ten_thousand_columns(tmp_path: Path) -> None:
    names = ",".join(f"c{i}" for i in range(9_999))
    row = ",".join("1.25" for _ in range(9_999))
    content = f"time,{names}\n" + "".join(f"{i / 1000},{row}\n" for i in range(5))
    with pytest.raises(ChannelError, match="too many channels"):
        read(tmp_path, content)
    path = tmp_path / "recording.csv"
    recording = read_recording(path, roles={"exhaust": "c77", "crankcase": "9999"})
    assert [c.name for c in recording.channels] == ["c77", "c9998"]


def test_irregular_analogue_values_go_on_equal_steps_with_gaps(tmp_path: Path) -> None:
    times: NDArray[np.float64] = np.arange(200) * 0.01 + 0.003 * np.sin(np.arange(200))
    times[100:] += 0.5
    rows = "".join(f"{t:.6f},{2 * t:.6f}\n" for t in times)
    recording = read(tmp_path, "time,exhaust\n" + rows)
    channel = only(recording, R.EXHAUST)
    grid = channel.start_s + np.arange(len(channel.samples)) / channel.rate_hz
    known = np.isfinite(channel.samples)
    np.testing.assert_allclose(channel.samples[known], 2 * grid[known], atol=1e-4)
    assert 40 <= np.count_nonzero(~known) <= 60
    assert any("irregular" in note for note in recording.notes)


def test_times_with_too_few_digits(tmp_path: Path) -> None:
    rows = "".join(f"{i / 4000:.3f},{i % 9 + 0.5}\n" for i in range(4001))
    recording = read(tmp_path, "time,exhaust\n" + rows)
    channel = only(recording, R.EXHAUST)
    assert len(channel.samples) == 4001
    assert channel.rate_hz == pytest.approx(4000, rel=1e-3)
    assert any("too few digits" in note for note in recording.notes)


def test_seconds_since_a_far_off_day_are_counted_from_the_start(tmp_path: Path) -> None:
    rows = "".join(f"{1_790_000_000 + i / 1000:.4f},{i % 9 + 0.5}\n" for i in range(2000))
    recording = read(tmp_path, "timestamp,exhaust\n" + rows)
    channel = only(recording, R.EXHAUST)
    assert channel.start_s == 0
    assert channel.rate_hz == pytest.approx(1000, rel=1e-6)
    assert any("1790000000" in note for note in recording.notes)


def test_a_lost_stretch_stays_a_gap(tmp_path: Path) -> None:
    rows = "".join(f"{i / 1000:.4f},{i}\n" for i in range(2000) if not 700 <= i < 900)
    channel = only(read(tmp_path, "time,exhaust\n" + rows), R.EXHAUST)
    assert channel.rate_hz == pytest.approx(1000, rel=1e-9)
    assert np.isnan(channel.samples[700:899]).all()
    np.testing.assert_allclose(channel.samples[900:1990], np.arange(900, 1990), atol=1e-6)


def test_settings_beside_the_first_rows(tmp_path: Path) -> None:
    head = ["Record Length,2000,,", "Sample Interval,0.001,,", "Trigger Point,1000,,"]
    rows = [f",,{i / 1000:.6f},{i % 7 + 0.25}" for i in range(60)]
    lines = [a[:-2] + b[1:] for a, b in zip(head, rows[:3], strict=True)] + rows[3:]
    recording = read(tmp_path, "\n".join(lines) + "\n")
    (channel,) = recording.channels
    assert channel.rate_hz == pytest.approx(1000)
    np.testing.assert_allclose(channel.samples, np.arange(60) % 7 + 0.25)


def test_a_named_column_without_values_is_kept_as_gaps(tmp_path: Path) -> None:
    rows = "".join(f"{i / 1000},{i},\n" for i in range(40))
    recording = read(tmp_path, "time,exhaust,crankcase\n" + rows)
    assert np.isnan(only(recording, R.CRANKCASE).samples).all()


def test_edge_list(tmp_path: Path) -> None:
    rows = "Time [s], Channel 0, Channel 1\n0.0, 0, 1\n0.5, 1, 1\n0.7, 0, 1\n1.9, 1, 0\n2.0, 1, 1\n"
    recording = read(tmp_path, rows)
    assert not recording.channels
    first, second = recording.edges
    np.testing.assert_allclose(first.time_s, [0.5, 0.7, 1.9])
    assert first.level_after.tolist() == [1, 0, 1]
    np.testing.assert_allclose(second.time_s, [1.9, 2.0])
    assert (first.start_s, first.stop_s) == (0.0, 2.0)
    window = open_recording(tmp_path / "recording.csv").read(0.6, 1.95)
    np.testing.assert_allclose(window.edges[0].time_s, [0.7, 1.9])
    assert (window.edges[0].start_s, window.edges[0].stop_s) == (0.6, 1.95)


def test_a_regular_two_level_column_stays_a_channel(tmp_path: Path) -> None:
    rows = "".join(f"{i / 1000:.3f},{i % 10 == 0:d}\n" for i in range(100))
    recording = read(tmp_path, "time,ignition\n" + rows)
    assert not recording.edges
    assert only(recording, R.IGNITION).samples.sum() == 10


# SOURCES.md of the real recordings: what these files hold, counted there.
REAL = {
    "4b11-running.csv": (2, 1000),
    "cranking_honda_k24a2_no_plugs.csv": (1, 100),
    "nb2-cranking-good.csv": (2, 300),
    "nick_1.csv": (8, 2500),
    "nissan_vq40_cranking-1.csv": (3, 250),
    "toyota_3_tooth_cam.csv": (2, 700),
}


@pytest.mark.parametrize("name", REAL)
def test_real_edge_lists(real_data: Path, name: str) -> None:
    recording = read_recording(real_data / "crank_edges" / name)
    columns, fewest_rises = REAL[name]
    assert len(recording.edges) == columns and not recording.channels
    crank = recording.edge_train(R.CRANK_TOOTH)
    assert crank is not None
    assert np.count_nonzero(crank.level_after) >= fewest_rises * 0.99
    assert (np.diff(crank.time_s) > 0).all()
    assert (np.abs(np.diff(crank.level_after)) == 1).all()
    assert (recording.edge_train(R.CAM) is None) == (columns == 1)
    assert any("crank_tooth" in note for note in recording.notes)


def test_real_teeth_of_a_60_2_wheel(real_data: Path) -> None:
    # SOURCES.md of the real recordings: 58 teeth on all 43 revolutions.
    recording = read_recording(real_data / "crank_edges" / "nick_1.csv")
    crank = recording.edge_train(R.CRANK_TOOTH)
    assert crank is not None
    rises = crank.time_s[crank.level_after == 1]
    gaps = np.diff(rises)
    missing = np.flatnonzero(gaps[1:] > 2.0 * gaps[:-1]) + 1
    assert len(missing) >= 43
    assert (np.diff(missing) == 58).sum() >= 43


def test_real_analogue_tooth_signal_is_a_channel(real_data: Path) -> None:
    # SOURCES.md of the real recordings: 10 kHz, 6 s, volts.
    recording = read_recording(real_data / "tooth_analogue" / "trigger_adc_real1.csv")
    channel = only(recording, R.CRANK_TOOTH)
    assert channel.rate_hz == pytest.approx(10_000)
    assert channel.duration_s == pytest.approx(6.0, abs=1e-3)


def test_parsing_is_fast_enough(tmp_path: Path) -> None:
    """200,000 rows of four channels: a bound three times as loose as what is aimed at (0.15 s),
    since the machine may be busy."""
    import time

    t = np.arange(200_000) / 1e5
    values = np.random.default_rng(0).normal(size=(len(t), 4))
    path = tmp_path / "fast.csv"
    np.savetxt(path, np.column_stack([t, values]), fmt="%.6f", delimiter=",", comments="",
               header="time,exhaust,crankcase,ignition,intake")  # fmt: skip
    read_recording(path)
    took_s = []
    for _ in range(3):
        begin = time.perf_counter()
        recording = read_recording(path)
        took_s.append(time.perf_counter() - begin)
    assert len(recording.channels) == 4
    assert min(took_s) < 0.45


@pytest.mark.parametrize(
    "content",
    [b"time\n0\n1\n2\n", b"a,b,c\n", b",,,\n,,,\n", b"1", b"\xff\xfe", b"time,exhaust\n", b"-\n-\n",
     b'"', b"time,exhaust\n\n\n1\n", b"nan,nan\nnan,nan\n", b"1e999,1\n1e999,2\n"],
)  # fmt: skip
def test_odd_little_files(tmp_path: Path, content: bytes) -> None:
    with pytest.raises(BadInput) as caught:
        read(tmp_path, content)
    assert caught.value.remedy


def test_large_files_are_read_by_window(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from ringland.readers import csv

    path = tmp_path / "large.csv"
    path.write_text("Time (ms),exhaust,crankcase\n" + table(rows=5000, step="1"))
    whole = read_recording(path)
    monkeypatch.setattr(csv, "_WHOLE_BYTES", 1000)
    monkeypatch.setattr(csv, "_CHUNK_BYTES", 3000)
    source = open_recording(path)
    assert any("window by window" in note for note in source.notes)
    assert source.duration_s == pytest.approx(5.0)
    for start_s, stop_s in ((0.0, 0.5), (1.234, 1.2351), (4.9, 9.0), (-1.0, 99.0)):
        part = source.read(start_s, stop_s).channels[1]
        low, high = max(round(start_s * 1000), 0), min(round(stop_s * 1000 + 0.4), 5000)
        np.testing.assert_array_equal(part.samples, whole.channels[1].samples[low:high])
