"""From the kept blocks to a recording in an open format, with what is known of it beside it."""

import json
from dataclasses import dataclass, replace
from pathlib import Path

from ringland.errors import RinglandError, SettingError
from ringland.instruments.assemble import as_recording, lost_spans
from ringland.instruments.calibration import as_plain, calibrated
from ringland.instruments.keep import Kept, read_kept
from ringland.live.verdict import Judgement
from ringland.model import EngineSpec, Recording, Verdict
from ringland.writers import SUFFIXES, write_recording

__all__ = ["Finished", "about_as_json", "finish", "recording_of"]


@dataclass(frozen=True, eq=False)
class Finished:
    """What is left of a session. `path` of the recording; `said` what went wrong on the way, such
    as a conversion that found no room (then `path` is the kept file itself)."""

    path: Path
    recording: Recording
    said: tuple[str, ...]


def recording_of(kept: Kept, *, speed_hint_rpm: float | None = None) -> Recording:
    """The recording in a kept file, with what was known of its instrument taken out of it."""
    started = f"recorded from {kept.head.started_utc} on"
    head = kept.head
    recording = as_recording(
        kept.blocks, head.set_up, condition=head.condition, notes=(started, *kept.notes)
    )
    recording = calibrated(recording, head.set_up, head.calibrations, head.started_utc)
    return replace(recording, speed_hint_rpm=speed_hint_rpm)


def finish(
    kept_path: Path, out: Path, *, recording: Recording | None = None, drop: bool = True
) -> Finished:
    """Convert a kept file to the format of `out`'s suffix; the kept file goes only after that.

    `recording`: what was already made of the file. `drop` False: the kept file stays.

    Raises FileFormatError when nothing can be read back; a conversion that fails leaves the kept
    file and says so.
    """
    kept = read_kept(kept_path)
    if recording is None:
        recording = recording_of(kept)
    said = []
    if kept.left_bytes:
        said.append(f"{kept.left_bytes} bytes of a block that was being written are left out.")
    if out.suffix.lower() not in SUFFIXES:
        raise SettingError(
            "The recording cannot be written in that format.",
            got=out.suffix or "no suffix",
            allowed=", ".join(SUFFIXES),
        )
    try:
        write_recording(recording, out)
    except RinglandError as error:
        said.append(
            f"It could not be written as {out.name} ({error.got or error.wrong}); everything is in "
            f"{kept_path.name}. Make room, then: ringland recover {kept_path.name}"
        )
        return Finished(kept_path, recording, tuple(said))
    if drop:
        kept_path.unlink(missing_ok=True)
    return Finished(out, recording, tuple(said))


def about_as_json(
    kept: Kept, engine: EngineSpec, judged: Judgement, ended: str
) -> dict[str, object]:
    """What stands in the file beside the recording."""
    head = kept.head
    return {
        "schema": "ringland.live/1",
        "instrument": head.set_up.instrument,
        "rate_hz": head.set_up.rate_hz,
        "channels": [
            {"name": c.name, "role": c.role.value, "unit": c.unit, "full_scale": c.full_scale,
             "resolution": c.resolution, "ac_corner_hz": c.ac_corner_hz}
            for c in head.set_up.channels
        ],
        "condition": head.condition.value,
        "started_utc": head.started_utc,
        "about": dict(head.about),
        "calibrations": [as_plain(c) for c in head.calibrations],
        "engine": engine.name,
        "samples": kept.sample_count,
        "lost": [list(span) for span in lost_spans(kept.blocks)],
        "ended": ended,
        "fit_to_judge": judged.fit,
        "why": judged.why,
        "hook_up": [
            {"kind": f.kind.value, "channel": f.channel, "message": f.message, "action": f.action,
             "certain": f.certain}
            for f in judged.findings
        ],
        "checks": [
            {"check": f.check, "channel": f.channel, "verdict": f.verdict.value,
             "message": f.message, "action": f.action}
            for f in judged.quality.findings
            if f.verdict is not Verdict.OK
        ],
    }  # fmt: skip


def write_about(content: dict[str, object], path: Path) -> str | None:
    """Write it; returns why not when it cannot be written."""
    try:
        text = json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)
        path.write_text(text + "\n", encoding="utf-8", newline="\n")
    except OSError as error:
        return f"{path.name} could not be written: {error.strerror or error}."
    return None
