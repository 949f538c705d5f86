"""WAV (RIFF, RF64, Wave64) with integer or float samples, scaled to +-1 of full scale."""

from pathlib import Path

import numpy as np

from ringland.errors import FileFormatError
from ringland.readers._raw import FloatArray, NotThisFormat, RawFile, RawSignal

__all__ = ["NAME", "open_raw", "sniff"]

NAME = "WAV"
_BITS = {"PCM_U8": 8, "PCM_S8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}


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

    try:
        with soundfile.SoundFile(str(path)) as file:
            frames, channels = int(file.frames), int(file.channels)
            rate, subtype = float(file.samplerate), str(file.subtype)
            comment = str(file.copy_metadata().get("comment", ""))
    except (soundfile.SoundFileError, RuntimeError, ValueError, TypeError) as error:
        raise _damaged(str(error)) from error
    # A header may claim more than the file holds: believe the file.
    smallest = {"PCM_U8": 1, "PCM_S8": 1, "ULAW": 1, "ALAW": 1}.get(subtype, 0)
    if smallest and frames * channels * smallest > path.stat().st_size:
        raise _damaged("the header claims more samples than the file holds")
    if frames <= 0:
        raise _damaged("it holds no samples")
    bits = _BITS.get(subtype)
    notes = [
        f"WAV carries no calibration: samples are fractions of full scale ({subtype}), "
        "not pressure or volts."
    ]
    if comment:
        notes.append(f"Comment in the file: {comment}")
    signals = tuple(
        RawSignal(
            "" if channels == 1 else f"channel {i + 1}",
            0,
            frames,
            rate_hz or rate,
            "1",
            0.0,
            (-1.0, 1.0) if bits else None,
            2.0 ** (1 - bits) if bits else None,
        )
        for i in range(channels)
    )

    def read_block(group: int, start: int, stop: int) -> list[FloatArray]:
        try:
            with soundfile.SoundFile(str(path)) as file:
                file.seek(start)
                block = file.read(stop - start, dtype="float64", always_2d=True)
        except (soundfile.SoundFileError, RuntimeError, ValueError) as error:
            raise _damaged(str(error)) from error
        return [np.ascontiguousarray(block[:, i]) for i in range(channels)]

    return RawFile(path, NAME, signals, read_block, notes=tuple(notes))


def _damaged(why: str) -> FileFormatError:
    return FileFormatError(
        "This WAV file is damaged or of a kind that cannot be read.",
        got=why,
        allowed="WAV with 8 to 32 bit integer or 32 or 64 bit float samples",
        remedy="Copy the file again from the recorder, or export it as 16 bit or float WAV.",
    )
