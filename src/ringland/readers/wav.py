"""WAV (RIFF, RF64, Wave64) with integer or float samples, scaled to +-1 of full scale."""

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from ringland.errors import FileFormatError
from ringland.readers._guard import reading
from ringland.readers._raw import FloatArray, NotThisFormat, RawFile
from ringland.readers._table import Table, raw_file

__all__ = ["NAME", "open_raw", "sniff"]

NAME = "WAV"
# "channel 1: exhaust [Pa] x 1250.0": what a sample of 1 stands for.
_SCALE = re.compile(r"channel (\d{1,3}): ([^\[;|]{1,80}) \[([^\];|]{0,20})\] x ([0-9.eE+-]{1,30})")
_BITS = {"PCM_U8": 8, "PCM_S8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_BYTES = {"PCM_U8": 1, "PCM_S8": 1, "PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}


def sniff(path: Path, head: bytes) -> None:
    """Returns for a RIFF, RF64 or Wave64 header, else raises NotThisFormat."""
    if len(head) >= 12 and head[:4] in (b"RIFF", b"RIFX", b"RF64") and head[8:12] == b"WAVE":
        return
    if head[:4] == b"riff":
        return
    raise NotThisFormat("it does not start with a WAVE header")


def open_raw(path: Path, rate_hz: float | None = None) -> RawFile:
    """Open a WAV file. Samples come in unit 1, full scale -1 to 1."""
    import soundfile

    with reading(NAME), soundfile.SoundFile(str(path)) as file:
        frames, channels = int(file.frames), int(file.channels)
        rate, subtype = float(file.samplerate), str(file.subtype)
        comment = str(file.copy_metadata().get("comment", ""))
        cut = any(
            line.lstrip().startswith("data") and "should be" in line
            for line in str(file.extra_info).splitlines()
        )
    if subtype not in _BYTES:
        raise _not_plain(f"samples coded as {subtype}")
    if frames * channels * _BYTES[subtype] > path.stat().st_size:
        raise _not_plain("the header claims more samples than the file holds")
    notes = [
        f"WAV carries no calibration: samples are fractions of full scale ({subtype}), "
        "not pressure or volts."
    ]
    if comment:
        notes.append(f"Comment in the file: {comment}")
    if cut:
        notes.append("The header claims more samples than the file holds; those there were read.")
    bits = _BITS.get(subtype)
    names = [""] if channels == 1 else [f"channel {i + 1}" for i in range(channels)]
    units, scales = ["1"] * channels, [1.0] * channels
    stated = _stated_scales(comment, channels)
    if stated is not None:
        names, units, scales = stated
        notes[0] = "Names, units and scale were taken from the comment in the WAV file."

    def read(wanted: Sequence[int], start: int, stop: int) -> list[FloatArray]:
        with reading(NAME), soundfile.SoundFile(str(path)) as file:
            file.seek(start)
            block = file.read(stop - start, dtype="float64", always_2d=True)
        return [block[:, i] * scales[i] for i in wanted]

    known = bits is not None and stated is None
    table = Table(
        tuple(names),
        frames,
        read,
        tuple(units),
        rate,
        full_scales=((-1.0, 1.0),) * channels if known else (),
        resolutions=(2.0 ** (1 - bits),) * channels if known and bits else (),
    )
    return raw_file(path, NAME, [table], rate_hz=rate_hz, notes=notes)


def _stated_scales(comment: str, channels: int) -> tuple[list[str], list[str], list[float]] | None:
    """Names, units and scales when the comment states them for every channel."""
    found = {int(n): (name, unit, scale) for n, name, unit, scale in _SCALE.findall(comment)}
    if set(found) != set(range(1, channels + 1)):
        return None
    try:
        scales = [float(found[i + 1][2]) for i in range(channels)]
    except ValueError:
        return None
    if not np.all(np.isfinite(scales)):
        return None
    rows = [found[i + 1] for i in range(channels)]
    return [r[0].strip() for r in rows], [r[1] for r in rows], scales


def _not_plain(why: str) -> FileFormatError:
    return FileFormatError(
        "This WAV file is damaged or of a kind that cannot be read.",
        got=why,
        allowed="WAV with 8 to 32 bit integer or 32 or 64 bit float samples",
        remedy="Copy the file again from the recorder, or export it as 16 bit or float WAV.",
    )
