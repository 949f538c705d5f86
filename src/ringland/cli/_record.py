"""The loop of a guided recording: show, coach, count down, stop, judge."""

import time
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import typer

from ringland.cli._live import LiveScreen, say
from ringland.errors import FileFormatError, SettingError
from ringland.instruments.keep import SUFFIX
from ringland.live.finish import about_as_json, finish, write_about
from ringland.live.guided import Asked, CalibrationsOf, GuidedRecording, conclude
from ringland.live.verdict import Judgement, judge
from ringland.model import Condition
from ringland.writers import SUFFIXES

__all__ = ["RecordOptions", "new_file", "run_record", "watch_folder"]

_SHOW_EVERY_S = 0.2
_WAIT_S = 0.25


@dataclass(frozen=True)
class RecordOptions:
    """What was asked for, and how it was typed."""

    asked: Asked
    engine_given: str
    out: Path | None
    calibrations_of: CalibrationsOf


def run_record(options: RecordOptions) -> bool:
    """Record from an instrument; True when what came out is fit to judge."""
    asked, out = options.asked, _out_path(options)
    kept_path = out.with_suffix(SUFFIX)
    guided = GuidedRecording(asked, kept_path, calibrations_of=options.calibrations_of)
    for note in (*guided.set_up.notes, *guided.corrections):
        say(note)
    rate_hz = guided.set_up.rate_hz
    say(f"Recording {len(guided.set_up.channels)} channels at {rate_hz:g} samples per second.")
    if asked.waits:
        cranking = asked.condition is Condition.CRANKING
        what = "the starter" if cranking else "the snap of the throttle"
        say(f"Waiting for {what}. Stop with Ctrl-C.")
    reason = "stopped from the keyboard"
    try:
        guided.start()
        reason = _show_until_done(guided)
    except KeyboardInterrupt:
        pass
    finally:
        view = guided.stop(reason)
    ended = view.ended.reason if view.ended else reason
    say(f"Stopped: {ended}. {view.seconds:.1f} s are on disk.")
    if view.lost_samples:
        say(f"{view.lost_samples} samples never came from the instrument.")
    return _conclude(options, guided, out, ended)


def _conclude(options: RecordOptions, guided: GuidedRecording, out: Path, ended: str) -> bool:
    """Verdict first, then the open format."""
    asked, kept_path, hint = options.asked, guided.kept_path, guided.speed_hint_rpm()
    told = _vehicle_speed(guided)
    done = conclude(kept_path, asked.engine, wanted=asked.wanted, speed_rpm=hint)
    _print_verdict(done.judged)
    finished = finish(kept_path, out, recording=done.recording)
    for text in finished.said:
        say(text)
    about = about_as_json(done.kept, asked.engine, done.judged, ended)
    if told is not None:
        about["vehicle_speed"] = told
    trouble = write_about(about, finished.path.with_suffix(".json"))
    if trouble:
        say(trouble)
    say(f"The recording is in {finished.path}.")
    if done.judged.fit and finished.path == out:
        say(
            f"Next: ringland analyse {finished.path} --engine {options.engine_given} "
            f"--condition {asked.condition}" + (f" --speed-hint {hint:.0f}" if hint else "")
        )
    return done.judged.fit


def _vehicle_speed(guided: GuidedRecording) -> dict[str, object] | None:
    """What the vehicle said of its speed, said and for the file; None when it was not asked."""
    if guided.vehicle is None:
        return None
    seen, trouble = guided.vehicle_speed(), guided.vehicle.trouble
    if seen is not None:
        say(
            f"The vehicle says {seen.median_rpm:.0f} rpm ({seen.lowest_rpm:.0f} to "
            f"{seen.highest_rpm:.0f} in {seen.count} readings)."
        )
    if trouble:
        say(f"The vehicle's speed was not read{' to the end' if seen else ''}: {trouble}")
    return guided.vehicle_told()


def _show_until_done(guided: GuidedRecording) -> str:
    """Show what comes until it is enough, too long, or over; returns the reason."""
    asked = guided.asked
    with LiveScreen(asked.condition, asked.wanted) as screen:
        while True:
            reason = guided.step()
            screen.show(guided.view(), guided.seen)
            if reason is not None:
                return reason
            time.sleep(_SHOW_EVERY_S)


def watch_folder(asked: Asked, folder: Path) -> bool:
    """Wait for a file from another recorder and judge it; the file stays where it is."""
    from ringland.instruments.folder import FolderWatch
    from ringland.readers import read_recording

    watch = FolderWatch(folder)
    say(f"Watching {folder} for a new recording. Stop with Ctrl-C.")
    shown: tuple[object, ...] = ()
    while True:
        path = watch.poll()
        if path is None:
            growing = watch.growing()
            if growing and growing != shown:
                say(", ".join(f"{g.name} is growing ({g.size_bytes} bytes)" for g in growing))
            shown = growing
            time.sleep(_WAIT_S)
            continue
        try:
            recording = read_recording(path, roles=asked.inputs, rate_hz=asked.rate_hz)
        except FileFormatError as error:
            say(f"{path.name}: {error.wrong} Waiting for another.")
            continue
        recording = replace(recording, condition=asked.condition, speed_hint_rpm=asked.speed_rpm)
        say(f"{path.name}: {recording.duration_s:.1f} s.")
        judged = judge(recording, asked.engine, wanted=asked.wanted)
        _print_verdict(judged)
        return judged.fit


def _print_verdict(judged: Judgement) -> None:
    typer.echo("")
    say("Before the sensors come off")
    for finding in judged.findings:
        where = f"{finding.channel}: " if finding.channel else ""
        word = "" if finding.certain else "maybe "
        say(f"  {word}{finding.kind.value.replace('_', ' ')} - {where}{finding.message}")
        if finding.action:
            say(f"    What to do: {finding.action}")
    widest = judged.precision.widest if judged.precision else None
    if judged.precision is not None and widest is not None:
        say(
            f"  {judged.precision.cycles} cycles; every cylinder's exhaust pulse is known to "
            f"+-{100.0 * widest:.1f} % (19 times in 20)."
        )
    say(("FIT TO JUDGE. " if judged.fit else "NOT FIT TO JUDGE. ") + judged.why)


def _out_path(options: RecordOptions) -> Path:
    out = options.out
    if out is None:
        now = datetime.now().astimezone().strftime("%Y%m%d-%H%M%S")
        out = Path(f"recording-{options.asked.condition.value}-{now}.h5")
    if out.suffix.lower() not in SUFFIXES:
        raise SettingError(
            "The recording cannot be written in that format.",
            got=out.suffix or "no suffix",
            allowed=", ".join(SUFFIXES),
        )
    return new_file(out)


def new_file(out: Path) -> Path:
    """The path, when nothing is there. Raises SettingError."""
    if out.exists():
        raise SettingError(
            f"'{out.name}' exists already; a recording is never overwritten.",
            remedy="Choose another name with --out.",
        )
    return out
