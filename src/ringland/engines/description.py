"""Engine descriptions: TOML -> EngineSpec, with errors that say what to change."""

import difflib
import itertools
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ringland.engines.library import layout, layouts
from ringland.errors import EngineError
from ringland.model import Aspiration, EngineSpec, Fuel, Geometry, ValveTiming

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

    from ringland.engines._schema import EngineFile

__all__ = ["engine_from_mapping", "load_engine"]

_OPEN_TABLES = ("simulator",)
"""Tables that other parts of the program read; they are not checked here."""


def load_engine(path: Path | str) -> EngineSpec:
    """The engine described in a TOML file. Raises EngineError naming the field at fault."""
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, ValueError) as error:
        raise EngineError(
            f"The engine file '{path.name}' cannot be read.",
            got=getattr(error, "strerror", None) or str(error),
            allowed="a text file in TOML, UTF-8",
            remedy="Check the file name, or save the file again as UTF-8 text.",
        ) from error
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise EngineError(
            f"The engine file '{path.name}' is not valid TOML.",
            got=str(error),
            allowed='lines such as cylinders = 4 and firing_order = "1-3-4-2"',
            remedy="Correct that line; text needs quotation marks, lists need [ ].",
        ) from error
    return engine_from_mapping(data, source_name=path.name)


def engine_from_mapping(mapping: Mapping[str, Any], *, source_name: str) -> EngineSpec:
    """The engine described by the contents of an engine file. Raises EngineError."""
    from pydantic import ValidationError

    from ringland.engines._schema import EngineFile

    known = {k: v for k, v in mapping.items() if k not in _OPEN_TABLES}
    try:
        entry = EngineFile.model_validate(known)
    except ValidationError as error:
        raise _field_error(source_name, error.errors()) from error
    return _spec(entry, source_name)


def _spec(entry: "EngineFile", source: str) -> EngineSpec:
    base = None if entry.layout is None else _base(entry.layout, source)
    cylinders, order = _order(entry, base, source)
    strokes = entry.strokes or (base.strokes if base else 4)
    cycle_deg = 720.0 if strokes == 4 else 360.0
    angles = _angles(entry.firing_angles_deg, cylinders, cycle_deg, source)
    if not angles:
        even = tuple(i * cycle_deg / cylinders for i in range(cylinders))
        angles = base.firing_angles_deg if base and base.strokes == strokes else even
    spec = EngineSpec(
        name=entry.name or (base.name if base else Path(source).stem),
        cylinders=cylinders,
        firing_order=order,
        firing_angles_deg=angles,
        strokes=strokes,
        outlets=_numbered(entry.outlets, "outlets", cylinders, source)
        or (base.outlets if base else ()),
        banks=_numbered(entry.banks, "banks", cylinders, source) or (base.banks if base else None),
        fuel=Fuel(entry.fuel or "unknown"),
        aspiration=Aspiration(entry.aspiration or "unknown"),
        exhaust_path_m=entry.exhaust_path_m,
        idle_speed_rpm=entry.idle_speed_rpm,
        displacement_m3=None if entry.displacement_l is None else entry.displacement_l * 1e-3,
        geometry=_geometry(entry, source),
        valve_timing=_valves(entry, strokes, source),
    )
    return _with_trigger(spec, entry, source)


def _base(layout_id: str, source: str) -> EngineSpec:
    try:
        return layout(layout_id).engine
    except EngineError as error:
        raise EngineError(
            f"In '{source}', layout: {error.wrong}",
            got=error.got,
            allowed=error.allowed,
            remedy=error.remedy,
        ) from error


def _order(
    entry: "EngineFile", base: EngineSpec | None, source: str
) -> tuple[int, tuple[int, ...]]:
    cylinders = entry.cylinders
    if base is not None and cylinders not in (None, base.cylinders):
        raise _wrong(
            source,
            "cylinders",
            f"{cylinders}, but the layout '{entry.layout}' has {base.cylinders}",
            f"{base.cylinders}, or leave it out",
        )
    if entry.firing_order is None:
        if base is not None:
            return base.cylinders, base.firing_order
        if cylinders in (1, 2):
            return cylinders, tuple(range(1, cylinders + 1))
        raise _missing_order(cylinders, source)
    order = _order_list(entry.firing_order, source)
    count = cylinders or (base.cylinders if base else len(order))
    if sorted(order) != list(range(1, count + 1)):
        raise _wrong(
            source,
            "firing_order",
            f"{'-'.join(map(str, order))} for {count} cylinders: {_order_fault(order, count)}",
            f"each of 1 to {count} exactly once",
        )
    return count, order


def _order_fault(order: Sequence[int], count: int) -> str:
    missing = [c for c in range(1, count + 1) if c not in order]
    twice = sorted({c for c in order if order.count(c) > 1})
    strange = sorted({c for c in order if not 1 <= c <= count})
    faults = [
        f"{label} {', '.join(map(str, numbers))}"
        for label, numbers in (("missing", missing), ("twice", twice), ("not on it", strange))
        if numbers
    ]
    return "; ".join(faults)


def _order_list(given: list[int] | str, source: str) -> tuple[int, ...]:
    if isinstance(given, str):
        parts = [p for p in given.replace(",", "-").replace(" ", "-").split("-") if p]
        if not parts or not all(p.isdecimal() for p in parts):
            raise _wrong(source, "firing_order", repr(given), _help("firing_order"))
        return tuple(int(p) for p in parts)
    if not given:
        raise _wrong(source, "firing_order", "an empty list", _help("firing_order"))
    return tuple(given)


def _missing_order(cylinders: int | None, source: str) -> EngineError:
    if cylinders is None:
        return EngineError(
            f"'{source}' does not say how many cylinders the engine has.",
            got="neither cylinders and firing_order nor layout",
            allowed='cylinders = 4 with firing_order = "1-3-4-2", or layout = "I4-1342"',
            remedy="Add these lines; the firing order is on the rocker cover or in the manual.",
        )
    usual = [
        "-".join(map(str, one.engine.firing_order))
        for one in layouts()
        if one.engine.cylinders == cylinders and one.engine.strokes == 4
    ]
    shown = ", ".join(dict.fromkeys(usual)) or "none listed"
    return EngineError(
        f"'{source}' gives {cylinders} cylinders but no firing order.",
        got="no firing_order",
        allowed=f"{_help('firing_order')}; usual for {cylinders} cylinders: {shown}",
        remedy="Take the firing order from the engine maker's data; do not guess it.",
    )


def _angles(
    given: list[float] | None, cylinders: int, cycle_deg: float, source: str
) -> tuple[float, ...]:
    if given is None:
        return ()
    rising = all(a < b for a, b in itertools.pairwise(given))
    if len(given) != cylinders or given[0] != 0 or not rising or given[-1] >= cycle_deg:
        raise _wrong(
            source,
            "firing_angles_deg",
            str(given),
            f"{cylinders} angles in firing order, the first 0, rising, all below {cycle_deg:g}",
        )
    return tuple(float(a) for a in given)


def _numbered(given: list[int] | None, field: str, cylinders: int, source: str) -> tuple[int, ...]:
    """One number per cylinder, counted from 1 without holes."""
    if given is None:
        return ()
    used = sorted(set(given))
    if len(given) != cylinders or used != list(range(1, len(used) + 1)):
        raise _wrong(
            source,
            field,
            f"{given} for {cylinders} cylinders",
            f"{cylinders} numbers counted from 1, one for each cylinder 1 to {cylinders}",
        )
    return tuple(given)


def _geometry(entry: "EngineFile", source: str) -> Geometry | None:
    table = entry.geometry
    if table is None:
        return None
    if table.rod_mm <= table.stroke_mm / 2 + abs(table.pin_offset_mm):
        raise _wrong(
            source,
            "geometry.rod_mm",
            f"{table.rod_mm:g} with a stroke of {table.stroke_mm:g}",
            "a connecting rod longer than half the stroke (usually 1.4 to 2.2 times the stroke)",
        )
    return Geometry(
        table.bore_mm / 1000,
        table.stroke_mm / 1000,
        table.rod_mm / 1000,
        table.compression_ratio,
        table.pin_offset_mm / 1000,
    )


def _valves(entry: "EngineFile", strokes: int, source: str) -> ValveTiming | None:
    table = entry.valve_timing_deg
    if table is None:
        return None
    events = {
        "exhaust_opens": table.exhaust_opens,
        "exhaust_closes": table.exhaust_closes,
        "inlet_opens": table.inlet_opens,
        "inlet_closes": table.inlet_closes,
    }
    cycle_deg = 720.0 if strokes == 4 else 360.0
    for field, value in events.items():
        if value >= cycle_deg:
            raise _wrong(source, f"valve_timing_deg.{field}", f"{value:g}", f"below {cycle_deg:g}")
    for first, then in (("exhaust_opens", "exhaust_closes"), ("inlet_opens", "inlet_closes"),
                        ("exhaust_opens", "inlet_closes")):  # fmt: skip
        if events[then] <= events[first]:
            raise _wrong(
                source,
                f"valve_timing_deg.{then}",
                f"{events[then]:g}, not after {first} at {events[first]:g}",
                f"more than {events[first]:g}",
            )
    return ValveTiming(*events.values())


def _with_trigger(spec: EngineSpec, entry: "EngineFile", source: str) -> EngineSpec:
    numbers = f"a cylinder from 1 to {spec.cylinders}"
    trigger = entry.trigger_cylinder
    if trigger is not None and trigger > spec.cylinders:
        raise _wrong(source, "trigger_cylinder", str(trigger), numbers)
    inactive = tuple(sorted(set(entry.inactive_cylinders or ())))
    if any(not 1 <= c <= spec.cylinders for c in inactive) or len(inactive) == spec.cylinders:
        got = str(entry.inactive_cylinders)
        raise _wrong(source, "inactive_cylinders", got, f"{numbers}, at least one left running")
    return replace(
        spec,
        trigger_cylinder=trigger,
        trigger_advance_deg=entry.trigger_advance_deg,
        trigger_pulses_per_cycle=entry.trigger_pulses_per_cycle,
        inactive_cylinders=inactive,
    )


def _help(field: str) -> str:
    from ringland.engines._schema import FIELD_HELP

    return FIELD_HELP[field]


def _wrong(source: str, field: str, got: str, allowed: str) -> EngineError:
    return EngineError(
        f"In '{source}', {field} is wrong.",
        got=got,
        allowed=allowed,
        remedy=f"Correct {field} in the engine file.",
    )


def _field_error(source: str, errors: "Sequence[ErrorDetails]") -> EngineError:
    """The first fault in words, with the names of the other fields at fault."""
    from ringland.engines._schema import FIELD_HELP

    first = errors[0]
    parts = [str(p) for p in first["loc"]]
    named = [".".join(parts[:n]) for n in range(len(parts), 0, -1)]
    field = next((n for n in named if n in FIELD_HELP), ".".join(parts) or "the file")
    others = list(dict.fromkeys(str(e["loc"][0]) for e in errors if e["loc"]))[1:]
    more = f" Also look at: {', '.join(others)}." if others else ""
    if first["type"] == "extra_forbidden":
        return _unknown_key(source, ".".join(parts), more)
    if first["type"] == "missing":
        field = ".".join(parts)
        return EngineError(
            f"In '{source}', {field} is missing.",
            got=f"[{parts[0]}] without {parts[-1]}",
            allowed=FIELD_HELP.get(field),
            remedy=f"Add a line for {parts[-1]}, or leave the table [{parts[0]}] out.{more}",
        )
    return EngineError(
        f"In '{source}', {field} is wrong.",
        got=repr(first["input"])[:200],
        allowed=FIELD_HELP.get(field),
        remedy=f"Correct {field} in the engine file.{more}",
    )


def _unknown_key(source: str, key: str, more: str) -> EngineError:
    from ringland.engines._schema import FIELD_HELP

    table = key.rpartition(".")[0]
    choices = [f for f in FIELD_HELP if f.rpartition(".")[0] == table]
    near = difflib.get_close_matches(key, choices, n=1, cutoff=0.5)
    elsewhere = [f for f in FIELD_HELP if f.rpartition(".")[2] == key.rpartition(".")[2]]
    if elsewhere and not near:
        meant = f"Put it in the table [{elsewhere[0].rpartition('.')[0]}]."
    elif near:
        meant = f"Did you mean {near[0]}? Rename it."
    else:
        meant = "Remove it."
    return EngineError(
        f"'{source}' has a line that means nothing here: {key}.",
        got=key,
        allowed=", ".join(f.rpartition(".")[2] for f in choices),
        remedy=meant + more,
    )
