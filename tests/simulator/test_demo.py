"""The invented fleet: labelled as such, readable by the program's own readers, and repeatable."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from ringland.engines import load_engine
from ringland.model import ChannelRole
from ringland.readers import read_recording
from ringland.simulator.demo import (
    NOTICE,
    demo_vehicles,
    engine_text,
    find_visit,
    make_visit,
    write_visit,
)


def test_three_vehicles_each_with_baseline_fault_and_repair() -> None:
    vehicles = demo_vehicles()
    assert len(vehicles) == 3
    for vehicle in vehicles:
        assert [v.purpose for v in vehicle.visits] == ["baseline", "fault-finding", "after repair"]
        assert [bool(v.faults) for v in vehicle.visits] == [False, True, False]
        dates = [v.date for v in vehicle.visits]
        odometers = [v.odometer_km for v in vehicle.visits]
        assert dates == sorted(dates) and odometers == sorted(odometers)
    with pytest.raises(KeyError, match="no-such-bus"):
        find_visit("no-such-bus", "x")


def test_engine_files_say_invented_and_carry_the_trigger(tmp_path: Path) -> None:
    for vehicle in demo_vehicles():
        text = engine_text(vehicle)
        assert "nvented" in text.splitlines()[0]
        path = tmp_path / f"{vehicle.id}.toml"
        path.write_text(text, encoding="utf-8")
        engine = load_engine(path)
        assert engine.trigger_cylinder == vehicle.trigger.cylinder
        assert engine.exhaust_path_m == pytest.approx(vehicle.path.length_m, abs=0.05)


def test_a_visit_is_written_labelled_and_read_back(tmp_path: Path) -> None:
    vehicle, visit = find_visit("minibus-7", "2026-09-14-fault")
    engine_path = tmp_path / "engine.toml"
    engine_path.write_text(engine_text(vehicle), encoding="utf-8")
    engine = load_engine(engine_path)
    recording_path, visit_path = write_visit(vehicle, visit, engine, tmp_path / "visit")
    assert recording_path.read_text(encoding="ascii").startswith("# INVENTED DATA")
    told = json.loads(visit_path.read_text(encoding="utf-8"))
    assert told["notice"] == NOTICE
    assert told["truth"]["faults"][0]["cylinders"] == [3]
    missed, cycles = told["truth"]["missed_per_cylinder"][2], told["truth"]["cycles"]
    # binomial, 4 standard deviations about the rate put in
    assert abs(missed / cycles - 0.35) < 4.0 * math.sqrt(0.35 * 0.65 / cycles)
    read = read_recording(recording_path)
    made, _ = make_visit(vehicle, visit, engine)
    for role in (ChannelRole.EXHAUST, ChannelRole.CRANKCASE, ChannelRole.IGNITION):
        a, b = read.channel(role), made.channel(role)
        assert a is not None and b is not None
        assert a.rate_hz == pytest.approx(5000.0)
        assert np.abs(a.samples - b.samples).max() <= 1e-5 * np.abs(b.samples).max()
