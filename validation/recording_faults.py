"""Something goes wrong at a random moment of a recording; nothing reported as recorded is lost.

    python validation/recording_faults.py [--rounds 140] [--seed 1]

Each round a child process records invented pulses the way `ringland record` does (session, kept
file, verdict, open format) and writes down how many samples it showed as recorded. One of seven
faults strikes at a moment drawn from the whole of it. Then the parent looks: every sample that was
shown must be in the kept file or the finished recording, equal to what the instrument sent; the
file must open; and it must be fit to judge or say why not. Ends with status 1 at the first round
that fails. Needs signals (no Windows). A power cut cannot be played here: what the operating system
was given but had not put on the disk is at most half a second (see instruments/keep.py).
"""

import argparse
import contextlib
import errno
import multiprocessing
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from ringland.errors import FileFormatError
from ringland.instruments.keep import SUFFIX, Keeper, KeptHead, read_kept
from ringland.instruments.played import Played, PlayFaults
from ringland.instruments.protocol import (
    InputInfo,
    InstrumentInfo,
    SetUp,
    Wanted,
    WantedInput,
)
from ringland.live.finish import finish
from ringland.live.guided import conclude
from ringland.live.session import LiveSession, SessionState
from ringland.model import Channel, ChannelRole, Condition, EngineSpec, Recording
from ringland.readers import read_recording

RATE_HZ = 5000.0
SECONDS = 6.0
PACE = 8.0
FOUR = EngineSpec("a four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0), idle_speed_rpm=750.0)
ROLES = (ChannelRole.EXHAUST, ChannelRole.CRANKCASE)
FAULTS = (
    "process killed",
    "cable pulled",
    "disk full",
    "instrument rebooted",
    "samples lost on the way",
    "lid closed",
    "clock jumps",
)


@dataclass(frozen=True)
class Plan:
    """A round: what strikes, and after which share of the time."""

    fault: str
    share: float
    seed: int


def pulses() -> np.ndarray:
    """Invented: an exhaust and a crankcase at 750 rpm with cycle-to-cycle scatter, (n, 2)."""
    rng = np.random.default_rng(3)
    t = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    phase = 25.0 * t
    strength = 1.0 + 0.05 * rng.standard_normal(int(phase[-1]) + 2)
    wave = np.exp(6.0 * (np.cos(2 * np.pi * phase) - 1.0)) * strength[phase.astype(int)]
    case = 0.5 * np.sin(2 * np.pi * phase)
    noise = 0.005 * rng.standard_normal((2, len(t)))
    return np.stack([wave + noise[0], case + noise[1]], axis=1).astype(np.float32)


def instrument(table: np.ndarray, faults: PlayFaults) -> Played:
    """Plays the table."""
    info = InstrumentInfo("test", "a four", tuple(InputInfo(r.value) for r in ROLES))

    def make(_: Wanted) -> Recording:
        return Recording(
            tuple(
                Channel(r.value, r, table[:, i].astype(float), RATE_HZ, "V", 0.0, (-2.0, 2.0))
                for i, r in enumerate(ROLES)
            )
        )

    return Played(info, make, pace=PACE, faults=faults)


class FullDisk:
    """A file on a disk with so much room: it takes a part of the last write, as a disk does."""

    def __init__(self, file: object, room: int) -> None:
        self._file, self._room = file, room

    def write(self, data: memoryview) -> int:
        if self._room <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        part = bytes(data[: self._room])
        self._room -= len(part)
        return int(self._file.write(part))  # type: ignore[attr-defined]

    def __getattr__(self, name: str) -> object:
        return getattr(self._file, name)


def record(plan: Plan, folder: Path) -> None:
    """The child: record, judge, finish; everything shown is written down first."""
    table = np.load(folder / "table.npy")
    at_s = plan.share * SECONDS
    faults = PlayFaults(
        pulled_s=at_s if plan.fault == "cable pulled" else None,
        restart_s=at_s if plan.fault == "instrument rebooted" else None,
        lost_s=((at_s, 0.02 + 0.3 * random.Random(plan.seed).random()),)
        if plan.fault == "samples lost on the way"
        else (),
    )
    source = instrument(table, faults)
    set_up: SetUp = source.configure(Wanted(RATE_HZ, tuple(WantedInput(r.value, r) for r in ROLES)))
    path = folder / f"a{SUFFIX}"
    keeper = Keeper(path, KeptHead(set_up, Condition.IDLE, "2026-03-09T08:00:00+00:00"))
    if plan.fault == "disk full":
        room = int(plan.share * table.nbytes)
        keeper._file = FullDisk(keeper._file, room)  # type: ignore[assignment]
    if plan.fault == "clock jumps":
        real, begun = time.time, time.monotonic()
        jump = random.Random(plan.seed).choice((-1, 1)) * 86_400.0
        late = at_s / PACE
        time.time = lambda: real() + (jump if time.monotonic() - begun > late else 0.0)
    session = LiveSession(source, set_up, keeper)
    log = os.open(folder / "log", os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def show() -> bool:
        view = session.view()
        os.write(log, f"{view.safe_samples}\n".encode())
        return view.state is SessionState.ENDED

    session.start()
    while not show():
        time.sleep(0.005)
    session.stop("the end")
    show()
    finish(path, folder / "a.h5", recording=conclude(path, FOUR).recording)


def shown(folder: Path) -> int:
    """The most samples that were shown as recorded."""
    lines = (folder / "log").read_text().split("\n")[:-1] if (folder / "log").exists() else []
    return max((int(line) for line in lines), default=0)


def found(folder: Path, table: np.ndarray) -> int:
    """Samples that are there and are what was sent; AssertionError when one is not."""
    kept_path, out = folder / f"a{SUFFIX}", folder / "a.h5"
    counts = [0]
    if kept_path.exists() and shown(folder):
        kept = read_kept(kept_path)
        for block in kept.blocks:
            sent = table[block.first : block.stop]
            assert np.array_equal(block.samples, sent), f"samples {block.first} were not sent"
        counts.append(kept.sample_count)
    if out.exists():
        by_name = {c.name: c.samples for c in read_recording(out).channels}
        got = np.stack([by_name[r.value] for r in ROLES], axis=1)
        there = np.isfinite(got).all(axis=1)
        assert np.array_equal(got[there], table[: len(got)][there]), "the recording differs"
        counts.append(int(there.sum()))
    return max(counts)


def judged(folder: Path) -> str:
    """Fit to judge, or why not, from what is there."""
    kept_path = folder / f"a{SUFFIX}"
    if not kept_path.exists():
        from ringland.live.verdict import judge

        verdict = judge(read_recording(folder / "a.h5"), FOUR)
        return "fit" if verdict.fit else "said why"
    try:
        done = conclude(kept_path, FOUR)
    except FileFormatError:
        assert not shown(folder), "samples were shown and the file does not open"
        return "nothing yet"
    finish(kept_path, folder / "recovered.h5", recording=done.recording)
    assert read_recording(folder / "recovered.h5").duration_s > 0.0
    assert done.judged.why
    return "fit" if done.judged.fit else "said why"


def one_round(plan: Plan, table: np.ndarray, usual_s: float) -> tuple[str, int, int]:
    """Strike, look; what could be said of it, samples shown, samples found."""
    rng = random.Random(plan.seed)
    context = multiprocessing.get_context("forkserver")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        np.save(folder / "table.npy", table)
        process = context.Process(target=record, args=(plan, folder))
        process.start()
        assert process.pid is not None
        if plan.fault == "process killed":
            process.join(plan.share * usual_s)
            process.kill()
        elif plan.fault == "lid closed":
            process.join(plan.share * usual_s)
            with contextlib.suppress(ProcessLookupError):  # it may be over
                os.kill(process.pid, signal.SIGSTOP)
                time.sleep(rng.uniform(0.05, 1.0))
                os.kill(process.pid, signal.SIGCONT)
        process.join(60.0)
        assert process.exitcode is not None, "it never ended"
        if plan.fault != "process killed":
            assert process.exitcode == 0, f"it ended with {process.exitcode}"
        reported, there = shown(folder), found(folder, table)
        assert there >= reported, f"{reported} samples were shown, {there} are there"
        return judged(folder), reported, there


def main() -> int:
    """All rounds; 0 when every one held."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--rounds", type=int, default=140)
    words.add_argument("--seed", type=int, default=1)
    given = words.parse_args()
    multiprocessing.set_forkserver_preload(["ringland.live.guided", "ringland.readers", "h5py"])
    table, rng = pulses(), random.Random(given.seed)
    one_round(Plan("none", 0.0, 0), table, 0.0)  # compiled functions come from their cache after it
    began = time.perf_counter()
    one_round(Plan("none", 0.0, 0), table, 0.0)
    usual_s = time.perf_counter() - began
    counts: dict[str, Counter[str]] = {fault: Counter() for fault in FAULTS}
    for number in range(given.rounds):
        fault = FAULTS[number % len(FAULTS)]
        plan = Plan(fault, rng.random(), rng.randrange(1 << 30))
        try:
            said, reported, there = one_round(plan, table, usual_s)
        except AssertionError as error:
            print(f"round {number}, {plan}: FAILED: {error}")
            return 1
        counts[fault].update({"held": 1, said: 1, "shown": reported, "found": there})
    columns = ("held", "fit", "said why", "nothing yet", "shown", "found")
    print("| fault | rounds held | fit to judge | said why not | nothing recorded yet | samples "
          "shown | samples found |")  # fmt: skip
    print("|---|" + "---:|" * len(columns))
    for fault, count in counts.items():
        print(f"| {fault} | " + " | ".join(f"{count[c]}" for c in columns) + " |")
    total = sum(c["held"] for c in counts.values())
    print(
        f"{total} of {given.rounds} rounds: every sample shown as recorded was there and as sent."
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
