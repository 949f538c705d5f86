"""USB and bench oscilloscopes and data loggers through sigrok-cli, a program of its own.

The program is started with a list of arguments, never through a shell, and asked for 32 bit float
WAV on its standard output, which it writes while it records.
"""

import re
import shutil
import struct
import subprocess
import time

import numpy as np

from ringland.errors import SettingError
from ringland.instruments._common import BytePump, chosen_inputs, live_channel
from ringland.instruments.protocol import (
    Block,
    Ended,
    InputInfo,
    InstrumentFault,
    InstrumentInfo,
    SetUp,
    Wanted,
)

__all__ = ["PROGRAM", "SigrokInstrument", "sigrok_devices"]

PROGRAM = "sigrok-cli"
_SHOW_S = 20.0
_FIRST_S = 15.0
_DRIVER = re.compile(r"[a-z0-9][a-z0-9_.-]*(:[A-Za-z0-9_.,/=-]+)*")


def _program() -> str:
    found = shutil.which(PROGRAM)
    if found is None:
        raise InstrumentFault(
            f"The program {PROGRAM} is not on this machine.",
            remedy="Install it: the package sigrok-cli of your system.",
        )
    return found


def _ask(*words: str) -> str:
    try:
        done = subprocess.run(  # noqa: S603 - a list of arguments, checked, no shell
            [_program(), *words],
            capture_output=True,
            text=True,
            errors="replace",
            stdin=subprocess.DEVNULL,
            timeout=_SHOW_S,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise InstrumentFault(
            f"{PROGRAM} does not answer.", got=str(error), remedy="Unplug the device and try again."
        ) from error
    if done.returncode != 0:
        lines = done.stderr.strip().splitlines()
        raise InstrumentFault(
            f"{PROGRAM} could not do that.",
            got=lines[-1] if lines else f"exit status {done.returncode}",
            remedy="Check the device, its cable, and the right to use it (udev rules on Linux).",
        )
    return done.stdout


def _serial(line: str) -> str:
    """The serial number in the line of a device, as sigrok-cli writes it (from memory); "" where
    there is none."""
    found = re.search(r"\[S/N: ([^\]]+)\]", line)
    return "" if found is None else found.group(1).strip()


def sigrok_devices() -> list[str]:
    """Lines of what sigrok-cli finds, driver first."""
    lines = _ask("--scan").splitlines()
    return [line.strip() for line in lines if " - " in line and " with " in line]


class SigrokInstrument:
    """One device by its driver, such as `demo` or `somescope:conn=usb/1.2`."""

    def __init__(self, driver: str) -> None:
        if not _DRIVER.fullmatch(driver):
            raise SettingError(
                "The driver of the device cannot be read.",
                got=driver,
                allowed="DRIVER or DRIVER:key=value, as sigrok-cli --scan names it",
                remedy="For example sigrok:demo:analog_channels=4.",
            )
        self._driver = driver
        self._info: InstrumentInfo | None = None
        self._command: list[str] = []
        self._process: subprocess.Popen[bytes] | None = None
        self._pump: BytePump | None = None
        self._buffer = bytearray()
        self._width = 0
        self._order: list[int] = []
        self._gain = np.ones(1)
        self._offset = np.zeros(1)
        self._next = 0
        self._armed_s = 0.0

    def describe(self) -> InstrumentInfo:
        """Analog channels as the program shows them; logic channels are not used."""
        if self._info is None:
            text = _ask("-d", self._driver, "--show")
            first = next((line for line in text.splitlines() if " with " in line), self._driver)
            group = re.search(r"^\s*Analog: channels? (.+)$", text, re.MULTILINE)
            names = group.group(1).split() if group else []
            if not names:
                everything = first.rpartition(": ")[2].split()
                names = [n for n in everything if not re.fullmatch(r"D\d+", n)]
            rates = re.search(r"samplerate \((\d+) (\w?)Hz - (\d+) (\w?)Hz", text)
            scale = {"": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}
            span = (
                (
                    float(rates.group(1)) * scale.get(rates.group(2), 1.0),
                    float(rates.group(3)) * scale.get(rates.group(4), 1.0),
                )
                if rates
                else None
            )
            self._info = InstrumentInfo(
                f"sigrok:{self._driver}",
                first,
                tuple(InputInfo(n, "V", note="range as set on the device") for n in names),
                span,
                which=_serial(first),
            )
        return self._info

    def configure(self, wanted: Wanted) -> SetUp:
        """Choose channels and rate; sigrok sends channels in its own order."""
        info = self.describe()
        chosen = chosen_inputs(info.inputs, wanted)
        rate = round(wanted.rate_hz)
        if rate < 1:
            raise SettingError(
                "The rate is too low.", got=f"{wanted.rate_hz:g}", allowed="1 or more"
            )
        if info.rates_hz and not info.rates_hz[0] <= rate <= info.rates_hz[1]:
            low, high = info.rates_hz
            raise SettingError(
                "The device cannot take this rate.",
                got=f"{rate} per second",
                allowed=f"{low:g} to {high:g}",
            )
        sent = sorted(chosen)
        self._order = [sent.index(i) for i in chosen]
        self._width = len(chosen)
        self._gain = np.array([w.gain for w in wanted.inputs])
        self._offset = np.array([w.offset for w in wanted.inputs])
        self._command = [
            "-d", self._driver, "--config", f"samplerate={rate}",
            "--channels", ",".join(info.inputs[i].name for i in sent),
            "--continuous", "-O", "wav",
        ]  # fmt: skip
        channels = tuple(
            live_channel(info.inputs[i], w, w.full_scale)
            for i, w in zip(chosen, wanted.inputs, strict=True)
        )
        return SetUp(info.id, float(rate), channels, title=info.title, which=info.which)

    def arm(self) -> None:
        """Start the program."""
        self._buffer.clear()
        self._next = 0
        try:
            self._process = subprocess.Popen(  # noqa: S603 - a list of arguments, no shell
                [_program(), *self._command],
                stdin=subprocess.PIPE,  # held open: it records until that closes
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            )
        except OSError as error:
            raise InstrumentFault(f"{PROGRAM} does not start.", got=str(error)) from error
        out = self._process.stdout
        assert out is not None
        read1 = getattr(out, "read1")  # noqa: B009 - BufferedReader has it, IO[bytes] does not say
        self._pump = BytePump(lambda: bytes(read1(1 << 16)), "ringland-sigrok")
        self._armed_s = time.monotonic()
        self._head_read = False

    def fetch(self, timeout_s: float) -> Block | Ended | None:
        """Whole rows of what has come."""
        if self._pump is None or self._process is None:
            return Ended("the device was not started", fault=True)
        data = self._pump.get(timeout_s)
        if data is None:
            return Ended(f"{PROGRAM} ended (status {self._process.poll()})", fault=True)
        self._buffer += data
        if not self._head_read:
            start = _data_start(self._buffer)
            if start is None:
                if time.monotonic() - self._armed_s > _FIRST_S:
                    return Ended("the device sends nothing", fault=True)
                return None
            del self._buffer[:start]
            self._head_read = True
        whole = len(self._buffer) // (4 * self._width) * 4 * self._width
        if not whole:
            return None
        rows = np.frombuffer(bytes(self._buffer[:whole]), dtype="<f4").reshape(-1, self._width)
        del self._buffer[:whole]
        rows = (rows[:, self._order] * self._gain + self._offset).astype(np.float32)
        block = Block(self._next, rows, time.monotonic())
        self._next = block.stop
        return block

    def stop(self) -> None:
        """End the program."""
        process, self._process = self._process, None
        if process is None:
            return
        process.terminate()
        try:
            process.wait(timeout=3.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()


def _data_start(data: bytearray) -> int | None:
    """Byte after the head of the WAV's data chunk; None when the head is not all there."""
    at = 12
    while len(data) >= at + 8:
        name, size = struct.unpack_from("<4sI", data, at)
        if name == b"data":
            return at + 8
        at += 8 + size + size % 2
    return None
