"""What an engine file may contain. Imported only when a file is read (pydantic)."""

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["FIELD_HELP", "EngineFile", "GeometryTable", "ValveTable"]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class GeometryTable(_Strict):
    """[geometry], in millimetres as on a data sheet."""

    bore_mm: float = Field(ge=10, le=1100)
    stroke_mm: float = Field(ge=10, le=3600)
    rod_mm: float = Field(ge=10, le=8000)
    compression_ratio: float = Field(ge=3, le=30)
    pin_offset_mm: float = Field(default=0.0, ge=-20, le=20)


class ValveTable(_Strict):
    """[valve_timing_deg], crank degrees after the firing top dead centre of that cylinder."""

    exhaust_opens: float = Field(ge=60, le=240)
    exhaust_closes: float = Field(ge=180, le=480)
    inlet_opens: float = Field(ge=90, le=460)
    inlet_closes: float = Field(ge=180, le=720)


class EngineFile(_Strict):
    """The whole file."""

    name: str | None = Field(default=None, max_length=200)
    layout: str | None = None
    cylinders: int | None = Field(default=None, ge=1, le=16)
    firing_order: list[int] | str | None = None
    strokes: Literal[2, 4] | None = None
    firing_angles_deg: list[float] | None = None
    outlets: list[int] | None = None
    banks: list[int] | None = None
    trigger_cylinder: int | None = Field(default=None, ge=1, le=16)
    trigger_advance_deg: float | None = Field(default=None, ge=-360, le=360)
    trigger_pulses_per_cycle: int | None = Field(default=None, ge=1, le=64)
    geometry: GeometryTable | None = None
    valve_timing_deg: ValveTable | None = None
    fuel: Literal["petrol", "diesel", "gas", "unknown"] | None = None
    aspiration: Literal["natural", "turbo", "unknown"] | None = None
    exhaust_path_m: float | None = Field(default=None, ge=0.05, le=50)
    idle_speed_rpm: float | None = Field(default=None, ge=30, le=6000)
    inactive_cylinders: list[int] | None = None
    displacement_l: float | None = Field(default=None, ge=0.05, le=60)


FIELD_HELP: dict[str, str] = {
    "name": 'a short text, for example name = "Bus 12"',
    "layout": 'the id of a known layout, for example layout = "I4-1342"',
    "cylinders": "a whole number from 1 to 16",
    "firing_order": 'every cylinder once, for example firing_order = [1, 3, 4, 2] or "1-3-4-2"',
    "strokes": "2 or 4",
    "firing_angles_deg": "crank degrees of each firing, in firing order, from 0 upwards, "
    "for example [0, 90, 240, 330, 480, 570]",
    "outlets": "the outlet number of cylinder 1, 2, 3 ..., for example [1, 2, 1, 2]",
    "banks": "the bank number of cylinder 1, 2, 3 ..., for example [1, 1, 2, 2]",
    "trigger_cylinder": "a cylinder number",
    "trigger_advance_deg": "crank degrees before that cylinder's firing top dead centre, "
    "-360 to 360",
    "trigger_pulses_per_cycle": "a whole number: 1 for once per cycle, 2 for wasted spark",
    "geometry": "a table [geometry] with bore_mm, stroke_mm, rod_mm, compression_ratio",
    "geometry.bore_mm": "10 to 1100 (millimetres)",
    "geometry.stroke_mm": "10 to 3600 (millimetres)",
    "geometry.rod_mm": "10 to 8000 (millimetres), more than half the stroke",
    "geometry.compression_ratio": "3 to 30",
    "geometry.pin_offset_mm": "-20 to 20 (millimetres, positive towards the thrust side)",
    "valve_timing_deg": "a table [valve_timing_deg] with exhaust_opens, exhaust_closes, "
    "inlet_opens, inlet_closes",
    "valve_timing_deg.exhaust_opens": "60 to 240 degrees after firing top dead centre",
    "valve_timing_deg.exhaust_closes": "180 to 480 degrees after firing top dead centre",
    "valve_timing_deg.inlet_opens": "90 to 460 degrees after firing top dead centre",
    "valve_timing_deg.inlet_closes": "180 to 720 degrees after firing top dead centre",
    "fuel": "petrol, diesel, gas or unknown",
    "aspiration": "natural, turbo or unknown",
    "exhaust_path_m": "0.05 to 50 (metres from the exhaust valve to the sensor)",
    "idle_speed_rpm": "30 to 6000 (revolutions per minute)",
    "displacement_l": "0.05 to 60 (litres, all cylinders; where bore and stroke are not known)",
    "inactive_cylinders": "cylinder numbers that are switched off, for example [2, 3]",
}
"""What is allowed in each field, in the words of the error messages and of the docs."""
