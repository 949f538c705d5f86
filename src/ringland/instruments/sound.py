"""A sound interface, by PortAudio through sounddevice (loaded only when used).

Sound inputs block steady voltage; the corner differs and is seldom told. It is declared with
`ac_hz` when known, and then undone when the recording is put together.
"""

import queue
import time
from typing import TYPE_CHECKING, Any

import numpy as np

from ringland.instruments._common import chosen_inputs, live_channel
from ringland.instruments.protocol import (
    Block,
    Ended,
    InputInfo,
    InstrumentFault,
    InstrumentInfo,
    SetUp,
    Wanted,
)

if TYPE_CHECKING:
    from types import ModuleType

__all__ = ["SoundInstrument", "load_sounddevice", "sound_inputs"]

_RESOLUTION = 2.0**-15
_SILENT_S = 3.0


def load_sounddevice() -> "ModuleType":
    """The library. Raises InstrumentFault that says which part is missing."""
    try:
        import sounddevice  # type: ignore[import-untyped]
    except ImportError as error:
        raise InstrumentFault(
            "Sound interfaces need the package sounddevice.",
            got=str(error),
            remedy="Install it: python -m pip install 'ringland[instruments]'",
        ) from error
    except OSError as error:
        raise InstrumentFault(
            "Sound interfaces need the library PortAudio.",
            got=str(error),
            remedy="On Debian and Ubuntu install libportaudio2; elsewhere the package has it.",
        ) from error
    module: ModuleType = sounddevice
    return module


def sound_inputs() -> list[tuple[int, str, int, float]]:
    """(number, name, inputs, usual rate) of every device that can record."""
    devices: list[dict[str, Any]] = list(load_sounddevice().query_devices())
    return [
        (i, str(d["name"]), int(d["max_input_channels"]), float(d["default_samplerate"]))
        for i, d in enumerate(devices)
        if d["max_input_channels"] > 0
    ]


class SoundInstrument:
    """One device, by number or a part of its name ("" for the usual one)."""

    def __init__(self, device: str = "", *, ac_hz: float | None = None) -> None:
        self._wanted_device = device
        self._ac_hz = ac_hz
        self._stream: Any = None
        self._queue: queue.SimpleQueue[Block] = queue.SimpleQueue()
        self._columns: list[int] = []
        self._gain = np.ones(1, dtype=np.float32)
        self._offset = np.zeros(1, dtype=np.float32)
        self._rate_hz = 0.0
        self._next = 0
        self._begun_s: float | None = None
        self._last_s = 0.0

    def describe(self) -> InstrumentInfo:
        """The device's inputs. Unit "1": full scale is 1, volts are not known."""
        number, name, inputs, rate = self._device()
        note = (
            f"blocks steady signal below {self._ac_hz:g} Hz, as given"
            if self._ac_hz
            else "blocks steady signal; the corner is not known (give it with ac_hz)"
        )
        return InstrumentInfo(
            f"sound:{number}",
            name,
            tuple(
                InputInfo(f"input {i + 1}", "1", ((-1.0, 1.0),), self._ac_hz, note)
                for i in range(inputs)
            ),
            (8000.0, max(192_000.0, rate)),
            ("the usual rate is " + f"{rate:g} per second",),
        )

    def configure(self, wanted: Wanted) -> SetUp:
        """The rate wanted, or the device's usual one when it cannot."""
        info = self.describe()
        columns = chosen_inputs(info.inputs, wanted)
        self._columns = list(columns)
        self._gain = np.array([w.gain for w in wanted.inputs], dtype=np.float32)
        self._offset = np.array([w.offset for w in wanted.inputs], dtype=np.float32)
        number, _, _, usual = self._device()
        sd = load_sounddevice()
        notes = []
        self._rate_hz = wanted.rate_hz
        settings = {"device": number, "channels": max(columns) + 1, "dtype": "float32"}
        try:
            sd.check_input_settings(samplerate=wanted.rate_hz, **settings)
        except (sd.PortAudioError, ValueError):
            self._rate_hz = usual
            notes.append(
                f"{wanted.rate_hz:g} samples per second cannot be had; {usual:g} are taken"
            )
        if self._ac_hz is None:
            notes.append("sound input: AC coupled, corner not known; slow pressure is lost")
        channels = tuple(
            live_channel(info.inputs[i], w, (-1.0, 1.0), _RESOLUTION)
            for i, w in zip(columns, wanted.inputs, strict=True)
        )
        return SetUp(info.id, self._rate_hz, channels, tuple(notes), info.title, info.which)

    def arm(self) -> None:
        """Open the device and start."""
        sd = load_sounddevice()
        number = self._device()[0]
        self._next, self._begun_s = 0, None
        try:
            self._stream = sd.InputStream(
                device=number,
                channels=max(self._columns) + 1,
                samplerate=self._rate_hz,
                dtype="float32",
                callback=self._heard,
            )
            self._last_s = time.monotonic()
            self._stream.start()
        except sd.PortAudioError as error:
            raise InstrumentFault(
                "The sound interface does not start.",
                got=str(error),
                remedy="Close other programs that use it, check the cable, try another rate.",
            ) from error

    def fetch(self, timeout_s: float) -> Block | Ended | None:
        """What the device's own thread has put aside."""
        try:
            block = self._queue.get(timeout=timeout_s)
        except queue.Empty:
            if self._stream is None or not self._stream.active:
                return Ended("the sound interface stopped", fault=True)
            if time.monotonic() - self._last_s > _SILENT_S:
                return Ended("nothing comes from the sound interface any more", fault=True)
            return None
        self._last_s = time.monotonic()
        return block

    def stop(self) -> None:
        """Close the device."""
        if self._stream is not None:
            stream, self._stream = self._stream, None
            stream.close()

    def _heard(self, data: "np.ndarray[Any, Any]", count: int, at: Any, status: Any) -> None:
        """Runs in PortAudio's thread: copy, count, hand over."""
        if status.input_overflow and self._begun_s is not None:
            # by the converter's own clock, as far as the driver tells it
            due = round((at.inputBufferAdcTime - self._begun_s) * self._rate_hz)
            self._next = max(self._next + 1, due)
        if self._begun_s is None:
            self._begun_s = at.inputBufferAdcTime
        rows = data[:, self._columns] * self._gain + self._offset
        self._queue.put(Block(self._next, rows, time.monotonic()))
        self._next += count

    def _device(self) -> tuple[int, str, int, float]:
        found = sound_inputs()
        text = self._wanted_device.strip().casefold()
        for device in found:
            if (text.isdecimal() and device[0] == int(text)) or (
                not text.isdecimal() and text in device[1].casefold()
            ):
                return device
        raise InstrumentFault(
            f"There is no sound input '{self._wanted_device}'.",
            got=self._wanted_device,
            allowed=", ".join(f"{d[0]} '{d[1]}'" for d in found) or "none is connected",
            remedy="Connect the interface and look again: ringland instruments",
        )
