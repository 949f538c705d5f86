"""The loop of a guided recording: show, coach, count down, stop, judge."""

import time
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import typer

from ringland.cli._live import LiveScreen, say
from ringland.errors import FileFormatError, RinglandError, SettingError
from ringland.instruments.assemble import as_recording
from ringland.instruments.keep import SUFFIX, Keeper, KeptHead, read_kept
from ringland.instruments.plan import make_plan
from ringland.instruments.protocol import (
    Block,
    Ended,
    Instrument,
    InstrumentFault,
    Wanted,
    WantedInput,
)
from ringland.instruments.registry import open_instrument
from ringland.live.finish import about_as_json, finish, recording_of, write_about
from ringland.live.kinds import all_kinds, open_for
from ringland.live.monitor import HELD_RPM, Look, look
from ringland.live.selfcheck import corrected, read_checks, store_path
from ringland.live.session import Event, LiveSession, SessionState
from ringland.live.verdict import Judgement, judge
from ringland.model import ChannelRole, Condition, EngineSpec, Recording
from ringland.writers import SUFFIXES

__all__ = ["RecordOptions", "record_plainly", "run_record", "watch_folder"]

_LOOK_EVERY_S = 1.0
_SHOW_EVERY_S = 0.2
_FIRST_LOOK_S = 1.5
_AFTER_EVENT_S = 7.0
_WAIT_S = 0.25


@dataclass(frozen=True)
class RecordOptions:
    """What was asked for. `inputs`: role -> input."""

    address: str
    engine: EngineSpec
    engine_given: str
    condition: Condition
    out: Path | None
    inputs: dict[str, str]
    rate_hz: float | None
    wanted: float
    shortest_s: float
    longest_s: float
    speed_rpm: float | None


def run_record(options: RecordOptions) -> bool:
    """Record from an instrument; True when what came out is fit to judge."""
    out = _out_path(options)
    plan = make_plan(options.engine, options.condition)
    instrument = open_for(options.address, options.engine, options.condition)
    try:
        set_up = instrument.configure(
            Wanted(
                options.rate_hz or plan.rate_hz,
                _wanted_inputs(options.inputs, instrument, options.address),
            )
        )
        head = KeptHead(set_up, options.condition, datetime.now(UTC).isoformat(timespec="seconds"))
        kept_path = out.with_suffix(SUFFIX)
        keeper = Keeper(kept_path, head)
        event = None
        if options.condition in (Condition.SNAP, Condition.CRANKING):
            event = Event(after_s=_AFTER_EVENT_S)
        session = LiveSession(instrument, set_up, keeper, event=event)
        for note in set_up.notes:
            say(note)
        say(f"Recording {len(set_up.channels)} channels at {set_up.rate_hz:g} samples per second.")
        if event is not None:
            cranking = options.condition is Condition.CRANKING
            what = "the starter" if cranking else "the snap of the throttle"
            say(f"Waiting for {what}. Stop with Ctrl-C.")
        try:
            session.start()
            reason = _show_until_done(session, options)
        except KeyboardInterrupt:
            reason = "stopped from the keyboard"
        except RinglandError:
            session.stop("it did not start")
            kept_path.unlink(missing_ok=True)  # nothing was recorded
            raise
        view = session.stop(reason)
    finally:
        instrument.stop()
    ended = view.ended.reason if view.ended else reason
    say(f"Stopped: {ended}. {view.seconds:.1f} s are on disk.")
    if view.lost_samples:
        say(f"{view.lost_samples} samples never came from the instrument.")
    return _conclude(options, kept_path, out, ended)


def _conclude(options: RecordOptions, kept_path: Path, out: Path, ended: str) -> bool:
    """Verdict first, then the open format."""
    kept = read_kept(kept_path)
    if not kept.sample_count:
        kept_path.unlink(missing_ok=True)
        raise FileFormatError(
            "Nothing was recorded.", got=ended, remedy="Check cable and sensors and record again."
        )
    hint = options.speed_rpm
    recording = recording_of(kept, speed_hint_rpm=hint)
    check = read_checks(store_path()).get(kept.head.set_up.instrument)
    if check is not None:
        recording = corrected(recording, check)
    judged = judge(recording, options.engine, wanted=options.wanted)
    _print_verdict(judged)
    done = finish(kept_path, out, recording=recording)
    for text in done.said:
        say(text)
    about = about_as_json(kept, options.engine, judged, ended)
    trouble = write_about(about, done.path.with_suffix(".json"))
    if trouble:
        say(trouble)
    say(f"The recording is in {done.path}.")
    if judged.fit:
        say(
            f"Next: ringland analyse {done.path} --engine {options.engine_given} "
            f"--condition {options.condition}"
        )
    return judged.fit


def record_plainly(
    address: str, inputs: dict[str, str], rate_hz: float, seconds: float
) -> tuple[Recording, str]:
    """So many seconds in memory, nothing judged, and the instrument's name. For self-checks."""
    instrument = open_instrument(address, all_kinds())
    try:
        set_up = instrument.configure(Wanted(rate_hz, _wanted_inputs(inputs, instrument, address)))
        instrument.arm()
        blocks: list[Block] = []
        wanted, have = round(seconds * set_up.rate_hz), 0
        deadline = time.monotonic() + 2.0 * seconds + 10.0
        while have < wanted:
            got = instrument.fetch(0.2)
            if isinstance(got, Ended) or time.monotonic() > deadline:
                raise InstrumentFault(
                    "The instrument stopped before there was enough.",
                    got=got.reason if isinstance(got, Ended) else "it is too slow",
                )
            if got is not None:
                blocks.append(got)
                have += len(got.samples)
    finally:
        instrument.stop()
    return as_recording(blocks, set_up, correct_ac=False), set_up.instrument


def _show_until_done(session: LiveSession, options: RecordOptions) -> str:
    """Show what comes until it is enough, too long, or over; returns the reason."""
    looked_s = time.monotonic()
    seen: Look | None = None
    held = options.speed_rpm or HELD_RPM
    with LiveScreen(options.condition, options.wanted) as screen:
        while True:
            view = session.view()
            now = time.monotonic()
            due = view.state is SessionState.RECORDING and view.seconds >= _FIRST_LOOK_S
            if due and now - looked_s >= _LOOK_EVERY_S:
                hint = None if options.condition is Condition.HELD else options.speed_rpm
                seen = look(
                    session.recent(options.condition, hint),
                    options.engine,
                    wanted=options.wanted,
                    shortest_s=options.shortest_s,
                    held_rpm=held,
                )
                looked_s = time.monotonic()
            screen.show(view, seen)
            if view.state is SessionState.ENDED:
                return view.ended.reason if view.ended else "ended"
            if view.seconds >= options.longest_s:
                return f"{options.longest_s:g} s are the longest asked for"
            if _enough(seen, view.seconds, options):
                return "enough"
            time.sleep(_SHOW_EVERY_S)


def _enough(seen: Look | None, seconds: float, options: RecordOptions) -> bool:
    """The data say so, for the time that must be recorded in any case, and the speed is right."""
    if seen is None or seen.precision is None or seconds < options.shortest_s:
        return False
    if options.condition not in (Condition.IDLE, Condition.HELD):
        return False  # a snap or the starter decides by itself
    return seen.precision.enough


def watch_folder(options: RecordOptions, folder: Path) -> bool:
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
            recording = read_recording(path, roles=options.inputs, rate_hz=options.rate_hz)
        except FileFormatError as error:
            say(f"{path.name}: {error.wrong} Waiting for another.")
            continue
        recording = replace(
            recording, condition=options.condition, speed_hint_rpm=options.speed_rpm
        )
        say(f"{path.name}: {recording.duration_s:.1f} s.")
        judged = judge(recording, options.engine, wanted=options.wanted)
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


def _wanted_inputs(
    inputs: dict[str, str], instrument: Instrument, address: str
) -> tuple[WantedInput, ...]:
    if inputs:
        return tuple(WantedInput(name, _role(role)) for role, name in inputs.items())
    info = instrument.describe()
    roles = {r.value: r for r in ChannelRole}
    named = [i.name for i in info.inputs if i.name in roles]
    if not named:
        raise SettingError(
            "It is not known what is on which input.",
            got=", ".join(i.name for i in info.inputs),
            allowed="--channel ROLE=INPUT, for example --channel exhaust=1",
            remedy=f"See the inputs: ringland instruments {address}",
        )
    return tuple(WantedInput(name, roles[name]) for name in named)


def _role(text: str) -> ChannelRole:
    from ringland.readers._roles import parse_role

    return parse_role(text)


def _out_path(options: RecordOptions) -> Path:
    out = options.out
    if out is None:
        now = datetime.now().astimezone().strftime("%Y%m%d-%H%M%S")
        out = Path(f"recording-{options.condition.value}-{now}.h5")
    if out.suffix.lower() not in SUFFIXES:
        raise SettingError(
            "The recording cannot be written in that format.",
            got=out.suffix or "no suffix",
            allowed=", ".join(SUFFIXES),
        )
    if out.exists():
        raise SettingError(
            f"'{out.name}' exists already; a recording is never overwritten.",
            remedy="Choose another name with --out.",
        )
    return out
