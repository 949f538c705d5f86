"""Marrow Valley Transit: an invented operator, three vehicles, several visits each.

Everything here is made up: the operator, the vehicles, the dates, the complaints, the findings and
the recordings. Every file written says so.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import numpy as np

from ringland.model import EngineSpec, Recording
from ringland.simulator.faults import parse_fault
from ringland.simulator.hookup import HookUp, RecordingTruth, record, truth
from ringland.simulator.hookup_wired import Trigger
from ringland.simulator.parameters import simulated_engine, with_healthy_spread
from ringland.simulator.pipes import ExhaustPath, PipeSection, Tube
from ringland.simulator.recorder import Recorder
from ringland.simulator.run import simulate
from ringland.simulator.sensors import PulseSensor

__all__ = [
    "NOTICE",
    "DemoVehicle",
    "DemoVisit",
    "demo_vehicles",
    "engine_text",
    "find_visit",
    "make_visit",
    "write_visit",
]

NOTICE = (
    "INVENTED DATA: Marrow Valley Transit does not exist, nor do its vehicles, and no engine was "
    "recorded. Made by simulation to show how the work goes."
)
_RATE_HZ = 5_000.0
_SECONDS = 12.0


@dataclass(frozen=True)
class DemoVisit:
    """One visit. `faults` as on the command line of the simulator; `found`: what the workshop is
    said to have found afterwards; `purpose` baseline, fault-finding, after repair."""

    id: str
    date: str
    odometer_km: int
    purpose: str
    complaint: str
    found: str
    faults: tuple[str, ...] = ()
    seed: int = 0


@dataclass(frozen=True)
class DemoVehicle:
    """One vehicle of the fleet; `engine_file` in ringland/data/demo, `engine_seed` its own healthy
    differences between cylinders, kept through all visits."""

    id: str
    name: str
    engine_file: str
    engine_seed: int
    path: ExhaustPath
    gas_k: float
    trigger: Trigger
    visits: tuple[DemoVisit, ...]


def _minibus() -> DemoVehicle:
    path = ExhaustPath(
        (
            PipeSection(0.9, 0.045),
            PipeSection(0.14, 0.11, "catalyst", resistance_pa_s_m3=1.5e4),
            PipeSection(0.9, 0.045),
            PipeSection(0.40, 0.15, "silencer"),
            PipeSection(0.86, 0.045),
        ),
        collector_volume_m3=0.6e-3,
        sensor_inside_m=0.12,
        cooling_length_m=12.0,
        primary_lengths_m=(0.36, 0.40, 0.42, 0.37),
    )
    return DemoVehicle(
        id="minibus-7",
        name="minibus 7, four-cylinder petrol",
        engine_file="minibus.toml",
        engine_seed=71,
        path=path,
        gas_k=680.0,
        trigger=Trigger(1, 10.0),
        visits=(
            DemoVisit(
                "2026-03-09-baseline",
                "2026-03-09",
                148_210,
                "baseline",
                "None: first recording of a sound engine.",
                "Nothing wrong.",
                seed=711,
            ),
            DemoVisit(
                "2026-09-14-fault",
                "2026-09-14",
                171_880,
                "fault-finding",
                "Driver says it shakes at the stop and the engine lamp blinks now and then.",
                "Ignition coil of cylinder 3 cracked; spark lost about one time in three.",
                ("misfire:3:0.35",),
                seed=712,
            ),
            DemoVisit(
                "2026-09-15-after",
                "2026-09-15",
                171_905,
                "after repair",
                "Coil of cylinder 3 replaced, plugs renewed.",
                "Idles smoothly.",
                seed=713,
            ),
        ),
    )


def _van() -> DemoVehicle:
    path = ExhaustPath(
        (
            PipeSection(0.7, 0.055),
            PipeSection(0.18, 0.13, "oxidation catalyst", resistance_pa_s_m3=1.0e4),
            PipeSection(0.25, 0.15, "particle filter", resistance_pa_s_m3=6.0e4),
            PipeSection(1.6, 0.055),
            PipeSection(0.35, 0.16, "silencer"),
            PipeSection(0.92, 0.055),
        ),
        collector_volume_m3=0.8e-3,
        sensor_inside_m=0.15,
        cooling_length_m=10.0,
    )
    return DemoVehicle(
        id="van-21",
        name="van 21, four-cylinder turbodiesel",
        engine_file="van.toml",
        engine_seed=211,
        path=path,
        gas_k=480.0,
        trigger=Trigger(1, 4.0),
        visits=(
            DemoVisit(
                "2026-02-17-baseline",
                "2026-02-17",
                203_400,
                "baseline",
                "None: recorded at the yearly service.",
                "Nothing wrong.",
                seed=2111,
            ),
            DemoVisit(
                "2026-10-05-fault",
                "2026-10-05",
                238_950,
                "fault-finding",
                "Uses oil, smells of it at the filler, cold start takes longer than last winter.",
                "Rings of cylinder 2 stuck and worn; leak-down heard at the filler.",
                ("ring_leak:2:4mm2",),
                seed=2112,
            ),
            DemoVisit(
                "2026-10-20-after",
                "2026-10-20",
                239_110,
                "after repair",
                "Piston and rings of cylinder 2 renewed, bore honed.",
                "Leak-down equal on all cylinders.",
                seed=2113,
            ),
        ),
    )


def _bus() -> DemoVehicle:
    path = ExhaustPath(
        (
            PipeSection(2.2, 0.10),
            PipeSection(0.8, 0.30, "silencer", resistance_pa_s_m3=5.0e3),
            PipeSection(3.5, 0.10),
        ),
        collector_volume_m3=3.0e-3,
        sensor_inside_m=0.20,
        cooling_length_m=14.0,
    )
    return DemoVehicle(
        id="bus-12",
        name="rural bus 12, six-cylinder turbodiesel",
        engine_file="rural_bus.toml",
        engine_seed=121,
        path=path,
        gas_k=470.0,
        trigger=Trigger(1, 4.0),
        visits=(
            DemoVisit(
                "2026-01-22-baseline",
                "2026-01-22",
                612_300,
                "baseline",
                "None: recorded after a valve clearance check.",
                "Nothing wrong.",
                seed=1211,
            ),
            DemoVisit(
                "2026-08-03-fault",
                "2026-08-03",
                655_720,
                "fault-finding",
                "Rough at idle, puffing at the tailpipe, little power on the pass.",
                "Exhaust valve of cylinder 5 burned at the edge.",
                ("exhaust_valve_leak:5:6mm2",),
                seed=1212,
            ),
            DemoVisit(
                "2026-08-12-after",
                "2026-08-12",
                655_790,
                "after repair",
                "Cylinder head overhauled, exhaust valves renewed.",
                "Compression equal on all cylinders.",
                seed=1213,
            ),
        ),
    )


def demo_vehicles() -> tuple[DemoVehicle, ...]:
    """The three invented vehicles."""
    return (_minibus(), _van(), _bus())


def find_visit(vehicle_id: str, visit_id: str) -> tuple[DemoVehicle, DemoVisit]:
    """One visit by name; KeyError when there is none."""
    for vehicle, visit in _all_visits():
        if (vehicle.id, visit.id) == (vehicle_id, visit_id):
            return vehicle, visit
    raise KeyError(f"{vehicle_id}/{visit_id}")


def _all_visits() -> Iterator[tuple[DemoVehicle, DemoVisit]]:
    for vehicle in demo_vehicles():
        for visit in vehicle.visits:
            yield vehicle, visit


def engine_text(vehicle: DemoVehicle) -> str:
    """The engine description as a technician would have written it, trigger included."""
    text = files("ringland").joinpath("data", "demo", vehicle.engine_file).read_text("utf-8")
    head, _, tables = text.partition("\n[")
    kept = [line for line in head.splitlines() if not line.startswith("trigger_")]
    kept += [
        f"trigger_cylinder = {vehicle.trigger.cylinder}",
        f"trigger_advance_deg = {vehicle.trigger.advance_deg:g}",
        f"trigger_pulses_per_cycle = {vehicle.trigger.pulses_per_cycle}",
    ]
    return "\n".join(kept) + "\n\n[" + tables


def _hookup(vehicle: DemoVehicle) -> HookUp:
    return HookUp(
        paths=(vehicle.path,),
        exhaust_sensor=PulseSensor(low_corner_hz=0.5, spectral_slope=0.3),
        exhaust_temperature_k=vehicle.gas_k,
        crankcase_sensor=PulseSensor(sensitivity=5.0e-4, low_corner_hz=0.5),
        crankcase_tube=Tube(0.6, 0.008),
        trigger=vehicle.trigger,
    )


def make_visit(
    vehicle: DemoVehicle, visit: DemoVisit, engine: EngineSpec
) -> tuple[Recording, RecordingTruth]:
    """Run the engine at idle for this visit and record it; also what is true of it."""
    sound = with_healthy_spread(simulated_engine(engine), seed=vehicle.engine_seed)
    result = simulate(
        sound,
        condition="idle",
        seconds=_SECONDS,
        faults=tuple(parse_fault(text) for text in visit.faults),
        seed=visit.seed,
    )
    hookup = _hookup(vehicle)
    recorder = Recorder(rate_hz=_RATE_HZ, snr_db=22.0, hum_fraction=0.01, noise_slope=0.5)
    recording = record(result, hookup, recorder=recorder, seed=visit.seed)
    return recording, truth(result, hookup, seed=visit.seed)


def _write_csv(recording: Recording, path: Path) -> None:
    """A remark, the names (time in seconds and one column per channel), the units, the numbers."""
    channels = recording.channels
    time_s = np.arange(len(channels[0].samples)) / channels[0].rate_hz
    table = np.column_stack([time_s, *(c.samples for c in channels)])
    with path.open("w", encoding="ascii", newline="\n") as file:
        file.write(f"# {NOTICE}\n")
        file.write("time," + ",".join(c.role.value for c in channels) + "\n")
        file.write("s," + ",".join(c.unit for c in channels) + "\n")
        np.savetxt(file, table, fmt=["%.4f", *["%.6g"] * len(channels)], delimiter=",")


def _visit_record(
    vehicle: DemoVehicle, visit: DemoVisit, told: RecordingTruth
) -> dict[str, object]:
    missed = told.cycles.misfired
    return {
        "notice": NOTICE,
        "operator": "Marrow Valley Transit (invented)",
        "vehicle": vehicle.name,
        "date": visit.date,
        "odometer_km": visit.odometer_km,
        "purpose": visit.purpose,
        "complaint": visit.complaint,
        "condition": "idle",
        "truth": {
            "note": "What the simulation put in. A real visit has no such part.",
            "found": visit.found,
            "faults": [
                {
                    "failure_mode": f.failure_mode,
                    "cylinders": list(f.cylinders),
                    "severity": f.severity,
                    "unit": f.unit,
                }
                for f in told.faults
            ],
            "missed_per_cylinder": [int(n) for n in missed.sum(axis=0)],
            "cycles": int(missed.shape[0]),
            "path_delay_s": {role.value: delay for role, delay in told.path_delay_s.items()},
        },
    }


def write_visit(
    vehicle: DemoVehicle, visit: DemoVisit, engine: EngineSpec, folder: Path
) -> tuple[Path, Path]:
    """Write recording.csv and visit.json into `folder`; returns their paths. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    recording, told = make_visit(vehicle, visit, engine)
    csv_path, json_path = folder / "recording.csv", folder / "visit.json"
    _write_csv(recording, csv_path)
    text = json.dumps(_visit_record(vehicle, visit, told), indent=2)
    json_path.write_text(text + "\n", encoding="utf-8", newline="\n")
    return csv_path, json_path
