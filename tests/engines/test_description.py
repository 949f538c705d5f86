"""Engine files: what the shortest one needs, and errors that name the field and the remedy."""

from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ringland.engines import engine_from_mapping, load_engine
from ringland.errors import EngineError
from ringland.model import Aspiration, EngineSpec, Fuel

GEOMETRY = {"bore_mm": 86, "stroke_mm": 86, "rod_mm": 143, "compression_ratio": 10}
VALVES = {"exhaust_opens": 130, "exhaust_closes": 370, "inlet_opens": 350, "inlet_closes": 590}


def engine(**fields: Any) -> EngineSpec:
    return engine_from_mapping(fields, source_name="bus.toml")


def test_cylinders_and_firing_order_are_enough() -> None:
    spec = engine(cylinders=4, firing_order=[1, 3, 4, 2])
    assert spec.firing_order == (1, 3, 4, 2)
    assert spec.firing_angles_deg == (0, 180, 360, 540)
    assert spec.outlets == (1, 1, 1, 1)
    assert spec.geometry is None and spec.banks is None and spec.trigger_cylinder is None
    assert spec.name == "bus"
    assert engine(cylinders=4, firing_order="1-3-4-2") == spec
    assert engine(cylinders=4, firing_order="1, 3, 4, 2") == spec


# Firing interval 720 / N for four-stroke, 360 / N for two-stroke: definition (Heywood, Internal
# Combustion Engine Fundamentals, ch. 1).
@pytest.mark.parametrize("cylinders", range(1, 17))
@pytest.mark.parametrize("strokes", [2, 4])
def test_even_firing_of_1_to_16_cylinders(cylinders: int, strokes: int) -> None:
    order = list(range(1, cylinders + 1))
    spec = engine(cylinders=cylinders, firing_order=order, strokes=strokes)
    cycle_deg = 180 * strokes
    assert spec.cycle_deg == cycle_deg
    assert spec.firing_angles_deg == pytest.approx(
        [i * cycle_deg / cylinders for i in range(cylinders)]
    )
    assert spec.even_firing


def test_a_full_file() -> None:
    spec = engine(
        name="Bus 12",
        cylinders=6,
        firing_order="1-6-5-4-3-2",
        firing_angles_deg=[0, 90, 240, 330, 480, 570],
        outlets=[1, 2, 1, 2, 1, 2],
        banks=[1, 2, 1, 2, 1, 2],
        trigger_cylinder=1,
        trigger_advance_deg=8.5,
        trigger_pulses_per_cycle=2,
        geometry=GEOMETRY,
        valve_timing_deg=VALVES,
        fuel="petrol",
        aspiration="natural",
        exhaust_path_m=3,
        idle_speed_rpm=700,
        displacement_l=2.99,
        inactive_cylinders=[6, 2],
        simulator={"anything": "goes"},
    )
    assert not spec.even_firing
    assert spec.positions_on_outlet(2) == (2, 4, 6)
    assert spec.geometry is not None
    assert (spec.geometry.bore_m, spec.geometry.rod_m) == (0.086, 0.143)
    assert spec.valve_timing is not None
    assert spec.valve_timing.inlet_closes_deg == 590
    assert spec.fuel is Fuel.PETROL and spec.aspiration is Aspiration.NATURAL
    assert spec.inactive_cylinders == (2, 6)
    assert spec.displacement_m3 == pytest.approx(2.99e-3, rel=1e-12)


def test_a_layout_can_be_named_and_refined() -> None:
    spec = engine(layout="V6-90-odd-fire-dual", fuel="petrol")
    assert spec.firing_angles_deg == (0, 90, 240, 330, 480, 570)
    assert spec.outlets == (1, 2, 1, 2, 1, 2)
    changed = engine(layout="V6-90-odd-fire", firing_angles_deg=[0, 150, 240, 390, 480, 630])
    assert changed.firing_angles_deg[1] == 150
    assert changed.outlets == (1,) * 6
    renumbered = engine(layout="V6-90-odd-fire", firing_order="1-4-3-6-2-5")
    assert renumbered.firing_order == (1, 4, 3, 6, 2, 5)
    assert renumbered.firing_angles_deg == spec.firing_angles_deg


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({}, ("how many cylinders", "layout")),
        ({"cylinders": 6}, ("no firing order", "1-5-3-6-2-4")),
        ({"cylinders": 4, "firing_order": [1, 3, 4, 4]}, ("missing 2", "twice 4")),
        ({"cylinders": 4, "firing_order": [1, 3, 4, 5]}, ("missing 2", "not on it 5")),
        ({"cylinders": 4, "firing_order": "one-two"}, ("firing_order", "one-two")),
        ({"cylinders": 4, "firing_order": []}, ("firing_order", "empty")),
        ({"layout": "I4-1342", "displacement_l": 1998}, ("displacement_l", "litres")),
        ({"cylinders": 0, "firing_order": []}, ("cylinders", "1 to 16")),
        ({"cylinders": 17, "firing_order": []}, ("cylinders", "1 to 16")),
        ({"cylinders": "4", "firing_order": "1-3-4-2"}, ("cylinders", "whole number")),
        ({"cylinders": True, "firing_order": [1]}, ("cylinders", "whole number")),
        ({"cylinder": 4}, ("cylinder", "Did you mean cylinders?")),
        ({"cylinders": 4, "fireing_order": "1-3-4-2"}, ("Did you mean firing_order?",)),
        ({"layout": "I4-1342", "bore_mm": 86}, ("[geometry]",)),
        ({"layout": "I4-1342", "geometry": {**GEOMETRY, "bore": 3}}, ("geometry.bore_mm?",)),
        ({"layout": "I4-1342", "geometry": {"bore_mm": 86}}, ("stroke_mm is missing",)),
        ({"layout": "I4-1342", "geometry": {**GEOMETRY, "bore_mm": 0.086}}, ("millimetres",)),
        ({"layout": "I4-1342", "geometry": {**GEOMETRY, "rod_mm": 40}}, ("half the stroke",)),
        ({"layout": "I4-1342", "geometry": 3}, ("a table [geometry]",)),
        ({"layout": "I4-1342", "cylinders": 6}, ("has 4",)),
        ({"layout": "I4-1342", "fuel": "gasoline"}, ("gasoline", "petrol, diesel, gas")),
        ({"layout": "I4-1342", "strokes": 3}, ("strokes", "2 or 4")),
        ({"layout": "I4-1342", "outlets": [1, 2]}, ("outlets", "one for each cylinder")),
        ({"layout": "I4-1342", "outlets": [1, 3, 1, 3]}, ("outlets", "counted from 1")),
        ({"layout": "I4-1342", "banks": [0, 0, 1, 1]}, ("banks", "counted from 1")),
        ({"layout": "I4-1342", "trigger_cylinder": 5}, ("trigger_cylinder", "from 1 to 4")),
        ({"layout": "I4-1342", "inactive_cylinders": [1, 2, 3, 4]}, ("left running",)),
        ({"layout": "I4-1342", "firing_angles_deg": [0, 180, 360]}, ("4 angles",)),
        ({"layout": "I4-1342", "firing_angles_deg": [0, 180, 180, 540]}, ("rising",)),
        ({"layout": "I4-1342", "firing_angles_deg": [0, 180, 360, 720]}, ("below 720",)),
        ({"layout": "I4-1342", "firing_angles_deg": []}, ("4 angles",)),
        ({"layout": "2S-I1", "valve_timing_deg": VALVES}, ("below 360",)),
        (
            {"layout": "I4-1342", "valve_timing_deg": {**VALVES, "inlet_closes": 340}},
            ("not after inlet_opens",),
        ),
        ({"layout": "I4-1342", "idle_speed_rpm": float("nan")}, ("idle_speed_rpm", "30 to 6000")),
        ({"layout": "I9"}, ("no layout called",)),
    ],
)
def test_errors_name_the_field_and_what_to_do(
    fields: dict[str, Any], says: tuple[str, ...]
) -> None:
    with pytest.raises(EngineError) as caught:
        engine(**fields)
    for words in ("bus.toml", *says):
        assert words in str(caught.value)
    assert caught.value.remedy


def test_several_faults_are_all_named() -> None:
    with pytest.raises(EngineError, match="Also look at: fuel"):
        engine(layout="I4-1342", strokes=3, fuel="coal")


@pytest.mark.parametrize("name", ["minibus", "van", "rural_bus"])
def test_demo_engines_load_and_say_they_are_invented(name: str) -> None:
    with as_file(files("ringland").joinpath("data", "demo", f"{name}.toml")) as path:
        spec = load_engine(path)
    assert "Marrow Valley Transit" in spec.name and "invented" in spec.name
    assert spec.geometry is not None and spec.valve_timing is not None


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"cylinders = ", "not valid TOML"),
        (b"cylinders = 4\ncylinders = 4", "not valid TOML"),
        (b"\xff\xfe\x00", "cannot be read"),
        (b"", "how many cylinders"),
    ],
)
def test_bad_files(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    with pytest.raises(EngineError, match=says):
        load_engine(path)


def test_missing_file_and_folder(tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(EngineError, match="cannot be read"):
            load_engine(path)


def test_byte_order_mark_is_allowed(tmp_path: Path) -> None:
    path = tmp_path / "bom.toml"
    path.write_bytes(b'\xef\xbb\xbfcylinders = 3\nfiring_order = "1-3-2"\n')
    assert load_engine(path).cylinders == 3


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 20) | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=6,
)
KEYS = st.sampled_from(
    ["name", "layout", "cylinders", "firing_order", "strokes", "firing_angles_deg", "outlets",
     "banks", "trigger_cylinder", "geometry", "valve_timing_deg", "fuel", "inactive_cylinders"]
)  # fmt: skip


@settings(derandomize=True, max_examples=200, deadline=None, database=None)
@given(st.dictionaries(KEYS, VALUES, max_size=5))
def test_nonsense_gives_an_engine_or_an_engine_error(mapping: dict[str, Any]) -> None:
    try:
        spec = engine_from_mapping(mapping, source_name="x.toml")
    except EngineError:
        return
    assert sorted(spec.firing_order) == list(range(1, spec.cylinders + 1))
