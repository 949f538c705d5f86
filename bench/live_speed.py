"""From the last sample to the verdict, and continuous streaming to disk.

    python bench/live_speed.py --stream-seconds 600

Verdict: 4 channels at 100 kS/s for 5 s are read back from the kept file and judged (bound 300 ms).
Analysis: the same in full, with causes (bound 2 s). Streaming: 4 x 100 kS/s at their own pace
through a session, looked at once a second as the screen does; prints samples lost, CPU share and
memory after the first minute and at the end.
"""

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import psutil  # type: ignore[import-untyped]

from ringland.engines import layout
from ringland.instruments.keep import Keeper, KeptHead, read_kept
from ringland.instruments.played import Played
from ringland.instruments.protocol import InputInfo, InstrumentInfo, Wanted, WantedInput
from ringland.live.finish import recording_of
from ringland.live.monitor import look
from ringland.live.session import LiveSession
from ringland.live.simulated import SimulatedVehicle, _run
from ringland.live.verdict import judge
from ringland.model import ChannelRole, Condition, Recording
from ringland.pipeline import analyse

RATE_HZ = 100_000.0
ROLES = (ChannelRole.EXHAUST, ChannelRole.CRANKCASE, ChannelRole.IGNITION, ChannelRole.INTAKE)
ENGINE = layout("I4-1342").engine
WANTED = Wanted(RATE_HZ, tuple(WantedInput(r.value, r) for r in ROLES))


def instrument(recording: Recording, *, pace: float, endless: bool) -> Played:
    """Plays a recording made once."""
    info = InstrumentInfo("bench", "played", tuple(InputInfo(r.value) for r in ROLES))
    return Played(info, lambda _: recording, pace=pace, endless=endless)


def best_of(repeats: int, run: Callable[[], object]) -> float:
    """Shortest of several times, seconds."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return min(times)


def verdict(folder: Path, recording: Recording, repeats: int) -> None:
    """Time from the closed file to the verdict."""
    played = instrument(recording, pace=0.0, endless=False)
    set_up = played.configure(WANTED)
    path = folder / "verdict.blocks"
    session = LiveSession(played, set_up, Keeper(path, head(set_up)))
    session.start()
    while session.view().ended is None:
        time.sleep(0.01)
    session.stop("over")

    def whole() -> None:
        judge(recording_of(read_kept(path)), ENGINE)

    whole()
    said = best_of(repeats, whole)
    made = recording_of(read_kept(path))
    analyse(made, ENGINE)
    full = best_of(max(1, repeats // 3), lambda: analyse(made, ENGINE))
    print(f"verdict {1e3 * said:.0f} ms (bound 300), full analysis {full:.2f} s (bound 2)")


def head(set_up: object) -> KeptHead:
    """Head of a kept file."""
    from ringland.instruments.protocol import SetUp

    assert isinstance(set_up, SetUp)
    return KeptHead(set_up, Condition.IDLE, "2026-03-09T08:00:00Z")


def stream(folder: Path, recording: Recording, seconds: float) -> None:
    """Stream at real pace and look once a second."""
    played = instrument(recording, pace=1.0, endless=True)
    set_up = played.configure(WANTED)
    path = folder / "stream.blocks"
    session = LiveSession(played, set_up, Keeper(path, head(set_up)))
    process = psutil.Process()
    session.start()
    start = time.monotonic()
    cpu = process.cpu_times()
    early = 0
    slowest = 0.0
    while (now := time.monotonic() - start) < seconds:
        begun = time.perf_counter()
        if now > 2.0:
            recent = session.recent(Condition.IDLE)
            look(recent, ENGINE, wanted=0.05, shortest_s=10.0)
            slowest = max(slowest, time.perf_counter() - begun)
        if early == 0 and now >= min(75.0, 0.5 * seconds):
            early = process.memory_info().rss
        time.sleep(max(0.0, 1.0 - (time.perf_counter() - begun)))
    view = session.stop("over")
    elapsed = time.monotonic() - start
    used = process.cpu_times()
    share = (used.user + used.system - cpu.user - cpu.system) / elapsed
    late = process.memory_info().rss
    kept = path.stat().st_size
    lag = elapsed - view.seconds
    print(
        f"streamed {view.seconds:.1f} s in {elapsed:.1f} s, {view.lost_samples} samples lost, lag "
        f"{lag:.2f} s, {kept / 1e6:.0f} MB on disk, CPU {100 * share:.0f} % of one core, slowest "
        f"look {slowest:.2f} s, memory {early / 1e6:.0f} MB then {late / 1e6:.0f} MB"
    )
    firsts = np.array([b.first for b in read_kept(path).blocks]) if seconds <= 60 else np.zeros(1)
    print(f"blocks in order: {bool(np.all(np.diff(firsts) > 0))}")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--stream-seconds", type=float, default=20.0)
    parser.add_argument("--repeats", type=int, default=9)
    options = parser.parse_args()
    made = _run(SimulatedVehicle(ENGINE, seconds=5.0, seed=1), RATE_HZ)
    with tempfile.TemporaryDirectory() as folder:
        verdict(Path(folder), made, options.repeats)
        if options.stream_seconds > 0.0:
            stream(Path(folder), made, options.stream_seconds)


if __name__ == "__main__":
    main()
