"""LAN, USB and serial instruments by VISA and SCPI (PyVISA, loaded only when used).

What to say to an instrument stands in a profile, a small TOML file (docs/instruments.md). Samples
come as IEEE 488.2 binary blocks, taken apart by PyVISA.
"""

import contextlib
import time
from pathlib import Path
from typing import Any

import numpy as np

from ringland.instruments._common import chosen_inputs, live_channel
from ringland.instruments.profile import Profile, load_profile
from ringland.instruments.protocol import (
    Block,
    Ended,
    InputInfo,
    InstrumentFault,
    InstrumentInfo,
    SetUp,
    Wanted,
)

__all__ = ["VisaInstrument", "load_pyvisa", "visa_resources"]

_POLL_S = 0.02
_TIMEOUT_MS = 5000


def load_pyvisa(library: str = "@py") -> Any:
    """A resource manager. Raises InstrumentFault that says what is missing."""
    try:
        import pyvisa

        return pyvisa.ResourceManager(library)
    except (ImportError, ValueError, OSError) as error:
        raise InstrumentFault(
            "VISA instruments need the packages pyvisa and pyvisa-py.",
            got=str(error),
            remedy="Install them: python -m pip install 'ringland[instruments]'",
        ) from error


def visa_resources() -> list[str]:
    """USB and serial addresses on this machine. The network is never searched: a LAN instrument is
    given by hand."""
    load_pyvisa().close()
    from pyvisa_py import sessions  # type: ignore[import-untyped]

    found: list[str] = []
    for (kind, _), session in sessions.Session.iter_valid_session_classes():
        if kind.name in ("usb", "asrl"):
            with contextlib.suppress(Exception):  # a bus that cannot be listed has no instrument
                found += [str(name) for name in session.list_resources()]
    return found


def _serial(identity: str) -> str:
    """The serial number in the answer to *IDN? (IEEE 488.2: maker, model, serial, firmware; "0"
    where it is not available); "" where there is none."""
    fields = [field.strip() for field in identity.split(",")]
    return fields[2] if len(fields) > 3 and fields[2] != "0" else ""


class VisaInstrument:
    """An instrument at a VISA address, spoken to as a profile says."""

    def __init__(self, resource: str, profile: Path | Profile, *, library: str = "@py") -> None:
        self._resource_name = resource
        self._library = library
        self._profile = profile if isinstance(profile, Profile) else load_profile(profile)
        self._manager: Any = None
        self._resource: Any = None
        self._identity = ""
        self._columns: tuple[int, ...] = ()
        self._scale: list[tuple[float, float]] = []
        self._gain = np.ones(1)
        self._offset = np.zeros(1)
        self._rate_hz = 1.0
        self._next = 0
        self._armed_s = 0.0

    def describe(self) -> InstrumentInfo:
        """Who it says it is, and the inputs of its profile."""
        self._open()
        p = self._profile
        inputs = tuple(
            InputInfo(name, p.unit, (), p.ac_corner_hz, p.note) for name in p.input_names
        )
        return InstrumentInfo(
            f"visa:{self._resource_name}",
            self._identity,
            inputs,
            p.rates_hz,
            which=_serial(self._identity),
        )

    def configure(self, wanted: Wanted) -> SetUp:
        """Send the profile's settings, then ask what came of them."""
        info = self.describe()
        p = self._profile
        self._columns = chosen_inputs(info.inputs, wanted)
        self._gain = np.array([w.gain for w in wanted.inputs])
        self._offset = np.array([w.offset for w in wanted.inputs])
        words = {"rate": f"{wanted.rate_hz:.10g}", "count": str(p.block_samples)}
        for command in p.setup:
            self._write(command.format_map(words))
        spans = []
        for index, want in zip(self._columns, wanted.inputs, strict=True):
            low, high = want.full_scale or p.full_scale or (-1.0, 1.0)
            span = {**words, "input": p.inputs[index], "low": f"{low:g}", "high": f"{high:g}"}
            for command in p.setup_input:
                self._write(command.format_map(span))
            spans.append(want.full_scale or p.full_scale)
        self._rate_hz = float(self._ask(p.rate_query)) if p.rate_query else wanted.rate_hz
        self._scale = [self._scaling(i) for i in self._columns]
        channels = tuple(
            live_channel(info.inputs[i], w, span, abs(scale[0]) if p.datatype != "f" else None)
            for i, w, span, scale in zip(
                self._columns, wanted.inputs, spans, self._scale, strict=True
            )
        )
        notes = (
            ("captures one block at a time; what passes between blocks is missing",)
            if not p.continuous
            else ()
        )
        return SetUp(info.id, self._rate_hz, channels, notes, info.title, info.which)

    def arm(self) -> None:
        """Send the profile's arming commands."""
        for command in self._profile.arm:
            self._write(command)
        self._next = 0
        self._armed_s = time.monotonic()

    def fetch(self, timeout_s: float) -> Block | Ended | None:
        """A block when the instrument says it has one."""
        p = self._profile
        try:
            deadline = time.monotonic() + timeout_s
            while p.ready_query and self._ask(p.ready_query).strip() not in p.ready_answers:
                if time.monotonic() > deadline:
                    return None
                time.sleep(_POLL_S)
            columns = [
                self._values(i, scale) for i, scale in zip(self._columns, self._scale, strict=True)
            ]
            first = self._next
            if p.position_query:
                first = int(float(self._ask(p.position_query)))
            elif not p.continuous and self._next:
                elapsed = round((time.monotonic() - self._armed_s) * self._rate_hz)
                first = max(self._next, elapsed - len(columns[0]))
            for command in p.after_block:
                self._write(command)
        except InstrumentFault as error:
            return Ended(f"{error.wrong} {error.got or ''}".strip(), fault=True)
        count = min(len(c) for c in columns)
        if not count:
            return None
        rows = np.stack([c[:count] for c in columns], axis=1) * self._gain + self._offset
        self._next = first + count
        return Block(first, rows.astype(np.float32), time.monotonic())

    def stop(self) -> None:
        """Send the stopping commands, close the address."""
        resource, self._resource = self._resource, None
        manager, self._manager = self._manager, None
        if resource is not None:
            try:
                for command in self._profile.stop:
                    resource.write(command)
                resource.close()
            except Exception:  # noqa: S110 - the cable may be gone, nothing to save
                pass
        if manager is not None:
            manager.close()

    def _open(self) -> None:
        if self._resource is not None:
            return
        import pyvisa

        self._manager = load_pyvisa(self._library)
        try:
            self._resource = self._manager.open_resource(
                self._resource_name,
                read_termination=self._profile.termination,
                write_termination=self._profile.termination,
                timeout=_TIMEOUT_MS,
            )
            self._identity = self._ask("*IDN?").strip()
        except (pyvisa.Error, OSError, ValueError, InstrumentFault) as error:
            self.stop()
            raise InstrumentFault(
                f"No instrument answers at {self._resource_name}.",
                got=str(error).splitlines()[0] if str(error) else type(error).__name__,
                remedy="Check the address, that it is switched on, and the cable.",
            ) from error

    def _write(self, command: str) -> None:
        self._guarded(lambda: self._resource.write(command), command)

    def _ask(self, command: str) -> str:
        return str(self._guarded(lambda: self._resource.query(command), command))

    def _values(self, index: int, scale: tuple[float, float]) -> "np.ndarray[Any, Any]":
        p = self._profile
        command = p.fetch.format_map({"input": p.inputs[index], "count": str(p.block_samples)})
        raw = self._guarded(
            lambda: self._resource.query_binary_values(
                command,
                datatype=p.datatype,
                is_big_endian=p.big_endian,
                container=np.array,
                header_fmt="ieee",
                expect_termination=p.block_ends_with_termination,
            ),
            command,
        )
        return np.asarray(raw, dtype=np.float64) * scale[0] + scale[1]

    def _scaling(self, index: int) -> tuple[float, float]:
        p = self._profile
        name = {"input": p.inputs[index]}
        gain = float(self._ask(p.gain_query.format_map(name))) if p.gain_query else p.gain
        offset = float(self._ask(p.offset_query.format_map(name))) if p.offset_query else p.offset
        return gain, offset

    def _guarded(self, call: Any, command: str) -> Any:
        import pyvisa

        try:
            return call()
        except (pyvisa.Error, OSError, ValueError) as error:
            raise InstrumentFault(
                f"The instrument did not answer '{command}'.",
                got=str(error).splitlines()[0] if str(error) else type(error).__name__,
                remedy="Check the cable and the profile.",
            ) from error
