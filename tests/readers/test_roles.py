"""Which channel is what: from the user, from names, from content, never silently.

Channel names: common practice, no source."""

import json
import wave
from pathlib import Path

import numpy as np
import pytest

from ringland.errors import ChannelError, SettingError
from ringland.model import ChannelRole, Recording
from ringland.readers import open_recording, read_recording

R = ChannelRole


def recording(folder: Path, header: str, **options: object) -> Recording:
    width = header.count(",")
    rows = "".join(
        f"{i / 1000:.3f}" + "".join(f",{(i * (k + 3)) % 17 + 0.5}" for k in range(width)) + "\n"
        for i in range(60)
    )
    (folder / "r.csv").write_text(header + "\n" + rows)
    return read_recording(folder / "r.csv", **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("role", [r for r in ChannelRole if r is not R.UNASSIGNED])
def test_a_channel_named_as_a_role_has_it(role: ChannelRole, tmp_path: Path) -> None:
    for name in (role.value, role.value.upper(), role.value.replace("_", " ")):
        (channel,) = recording(tmp_path, f"time,{name}").channels
        assert channel.role is role


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("Tailpipe", R.EXHAUST),
        ("tail pipe pressure [mbar]", R.EXHAUST),
        ("EXH", R.EXHAUST),
        ("exhaust left", R.EXHAUST),
        ("exhaust right", R.EXHAUST_2),
        ("tailpipe 2", R.EXHAUST_2),
        ("Exhaust2", R.EXHAUST_2),
        ("blow-by", R.CRANKCASE),
        ("BlowBy", R.CRANKCASE),
        ("dipstick tube (mbar)", R.CRANKCASE),
        ("oil filler", R.CRANKCASE),
        ("Crankcase pressure", R.CRANKCASE),
        ("crank [mbar]", R.CRANKCASE),
        ("crank [V]", R.CRANK_TOOTH),
        ("crankshaft sensor", R.CRANK_TOOTH),
        ("CKP", R.CRANK_TOOTH),
        ("flywheel teeth", R.CRANK_TOOTH),
        ("cam 1", R.CAM),
        ("CMP sensor", R.CAM),
        ("exhaust cam", R.CAM),
        ("ignition coil", R.IGNITION),
        ("trigger", R.IGNITION),
        ("Cyl1", R.IGNITION),
        ("cylinder 1", R.IGNITION),
        ("spark pickup", R.IGNITION),
        ("MAP", R.INTAKE),
        ("intake vacuum [inHg]", R.INTAKE),
        ("manifold", R.INTAKE),
        ("starter [A]", R.STARTER_CURRENT),
        ("current clamp [A]", R.STARTER_CURRENT),
        ("cranking current", R.STARTER_CURRENT),
        ("microphone", R.SOUND),
        ("Audio", R.SOUND),
    ],
)
def test_words_of_the_trade(name: str, role: ChannelRole, tmp_path: Path) -> None:
    found = recording(tmp_path, f"time,{name},spare")
    assert found.channels[0].role is role
    assert "in the name" in found.channels[0].role_reason
    assert any(role.value in note for note in found.notes)


@pytest.mark.parametrize("name", ["exhaust temperature [degC]", "engine speed [rpm]", "lambda"])
def test_names_and_units_that_do_not_fit_stay_unassigned(name: str, tmp_path: Path) -> None:
    found = recording(tmp_path, f"time,{name},crankcase")
    assert found.channels[0].role is R.UNASSIGNED
    assert found.channels[0].role_reason


def test_ambiguous_names_are_left_open_with_the_reason(tmp_path: Path) -> None:
    found = recording(tmp_path, "time,exhaust raw,exhaust filtered")
    assert [c.role for c in found.channels] == [R.UNASSIGNED, R.UNASSIGNED]
    assert "could all be exhaust" in found.channels[0].role_reason
    assert "--channel" in found.channels[0].role_reason
    fixed = recording(tmp_path, "time,exhaust raw,exhaust filtered", roles={"exhaust": "1"})
    assert [c.role for c in fixed.channels] == [R.EXHAUST, R.UNASSIGNED]


def test_two_channels_claiming_one_role_are_an_error(tmp_path: Path) -> None:
    with pytest.raises(ChannelError, match="2 channels claim the role exhaust"):
        recording(tmp_path, "time,exhaust,Exhaust")
    found = recording(tmp_path, "time,exhaust,Exhaust", roles={"exhaust": "2"})
    assert [c.role for c in found.channels] == [R.UNASSIGNED, R.EXHAUST]


def test_the_user_overrides_names(tmp_path: Path) -> None:
    roles = {"crankcase": "exhaust", "exhaust": "crankcase"}
    found = recording(tmp_path, "time,exhaust,crankcase", roles=roles)
    assert [c.role for c in found.channels] == [R.CRANKCASE, R.EXHAUST]
    assert found.channels[0].role_reason == "given by the user"


def test_a_name_wins_over_a_number(tmp_path: Path) -> None:
    found = recording(tmp_path, "time,x,2,1", roles={"exhaust": "1"})
    assert [c.role for c in found.channels][2] is R.EXHAUST


def test_the_only_channel_in_ampere(tmp_path: Path) -> None:
    found = recording(tmp_path, "time,exhaust [V],CH2 [A]")
    assert found.channels[1].role is R.STARTER_CURRENT
    assert "only channel in amperes" in found.channels[1].role_reason


def test_nameless_channels_are_not_guessed(tmp_path: Path) -> None:
    found = recording(tmp_path, "time,CH1,CH2")
    assert all(c.role is R.UNASSIGNED for c in found.channels)
    assert all("--channel" in c.role_reason for c in found.channels)
    (alone,) = recording(tmp_path, "time,CH1").channels
    assert alone.role is R.EXHAUST and "only channel" in alone.role_reason


def test_a_single_wav_channel_is_the_exhaust_and_uncalibrated(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(1)
        file.setframerate(8000)
        file.writeframes(bytes(range(256)))
    found = read_recording(path)
    (channel,) = found.channels
    assert channel.role is R.EXHAUST
    assert channel.unit == "1" and channel.full_scale == (-1, 1)
    assert channel.resolution == 1 / 128
    np.testing.assert_allclose(channel.samples, (np.arange(256) - 128) / 128)
    assert any("no calibration" in note for note in found.notes)


def edges(folder: Path, columns: list[np.ndarray[tuple[int], np.dtype[np.int64]]]) -> Recording:
    times = np.cumsum(np.random.default_rng(2).uniform(1e-3, 2e-3, len(columns[0])))
    rows = [",".join([f"{t:.6f}", *(str(c[i]) for c in columns)]) for i, t in enumerate(times)]
    names = ",".join(f"Channel {i}" for i in range(len(columns)))
    (folder / "e.csv").write_text("\n".join([f"Time,{names}", *rows]))
    return read_recording(folder / "e.csv")


def test_busiest_edges_are_the_crank_and_the_next_the_cam(tmp_path: Path) -> None:
    n = np.arange(600)
    found = edges(tmp_path, [n // 30 % 2, n % 2, 0 * n])
    assert [e.role for e in found.edges] == [R.CAM, R.CRANK_TOOTH, R.UNASSIGNED]
    assert "busiest" in found.edges[1].role_reason
    assert "never changes" in found.edges[2].role_reason


def test_edges_alike_in_number_are_left_open(tmp_path: Path) -> None:
    n = np.arange(600)
    found = edges(tmp_path, [n % 2, (n + 1) // 1 % 2])
    assert all(e.role is R.UNASSIGNED for e in found.edges)


def test_few_edges_are_not_a_tooth_wheel(tmp_path: Path) -> None:
    n = np.arange(12)
    (only,) = edges(tmp_path, [n % 2]).edges
    assert only.role is R.UNASSIGNED and "too few" in only.role_reason


MAPS = {
    "toml": 'exhaust = "CH1"\n[crankcase]\nchannel = 2\nscale = 0.25\noffset = -0.5\n'
    'unit = "kPa"\n',
    "json": json.dumps({"exhaust": "CH1", "crankcase": {"channel": "CH2", "scale": 0.25,
                                                        "offset": -0.5, "unit": "kPa"}}),
}  # fmt: skip


@pytest.mark.parametrize("kind", MAPS)
def test_map_files(kind: str, tmp_path: Path) -> None:
    map_file = tmp_path / f"map.{kind}"
    map_file.write_text(MAPS[kind])
    plain = recording(tmp_path, "time,CH1 [V],CH2 [V]")
    found = recording(tmp_path, "time,CH1 [V],CH2 [V]", map_file=map_file)
    assert [c.role for c in found.channels] == [R.EXHAUST, R.CRANKCASE]
    assert [c.unit for c in found.channels] == ["V", "Pa"]
    expected = 1000 * (0.25 * plain.channels[1].samples - 0.5)
    np.testing.assert_allclose(found.channels[1].samples, expected)


def test_a_rate_in_the_map(tmp_path: Path) -> None:
    map_file = tmp_path / "map.toml"
    map_file.write_text('rate_hz = 500\nexhaust = "CH1"\n')
    found = recording(tmp_path, "time,CH1,CH2", map_file=map_file)
    assert found.channels[0].rate_hz == 500


@pytest.mark.parametrize(
    "content",
    ["exhaust = ", "[1, 2]", 'tailpipes = "CH1"', "exhaust = 1.5", "exhaust = true",
     '[exhaust]\nscale = 2', '[exhaust]\nchannel = "CH1"\ngain = 2',
     '[exhaust]\nchannel = "CH1"\nscale = "2"', '[exhaust]\nchannel = "CH1"\nunit = 2',
     '[exhaust]\nchannel = "CH1"\nscale = nan', 'rate_hz = "fast"', "rate_hz = -4"],
)  # fmt: skip
def test_wrong_map_files(content: str, tmp_path: Path) -> None:
    map_file = tmp_path / "map.toml"
    map_file.write_text(content)
    with pytest.raises(SettingError) as caught:
        recording(tmp_path, "time,CH1,CH2", map_file=map_file)
    assert caught.value.remedy
    with pytest.raises(SettingError, match="cannot be read"):
        open_recording(tmp_path / "r.csv", map_file=tmp_path / "none.toml")
