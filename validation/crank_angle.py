"""Validation: speed and crank angle of the recordings of `cases.py`, with and without trigger.

    python validation/crank_angle.py --cases 40

Prints one line per case and way, and the shares at the end. Angle found against true angle: a slip
is a change of their difference by more than 45 degrees between the ends; scatter is what is left of
the difference after a straight line.
"""

import argparse
import time

import numpy as np
from cases import MadeCase, draw_case, make_case, without_trigger

from ringland.cycles import find_cycles
from ringland.model import CycleSet

SEED = 90_417
SLIP_DEG = 45.0


def against_truth(found: CycleSet, made: MadeCase) -> tuple[float, float, float]:
    """(speed error share, slip deg, scatter deg)."""
    run = made.result
    time_s = np.linspace(found.time_s[0] + 0.1, found.time_s[-1] - 0.1, 2000)
    off = found.angle_at(time_s) - np.interp(time_s, run.time_s, run.crank_angle_deg)
    straight = np.polyval(np.polyfit(time_s, off, 1), time_s)
    speed = found.mean_speed_rpm.value or float("nan")
    error = speed / float(run.speed_rpm.mean()) - 1.0
    return error, float(off[-1] - off[0]), float(np.std(off - straight))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=SEED)
    given = parser.parse_args()
    good = {"with": 0, "without": 0}
    for index in range(given.first, given.first + given.cases):
        made = make_case(draw_case(index, given.seed))
        case = made.case
        print(
            f"{index} {case.layout_id} {case.condition} {case.kind} {case.severity:.2f}, "
            f"{made.result.speed_rpm.mean():.1f} rpm, {made.snr_db:.0f} dB"
        )
        for way, one in (("with", made), ("without", without_trigger(made))):
            started = time.perf_counter()
            found = find_cycles(one.recording, one.engine)
            spent = time.perf_counter() - started
            if isinstance(found, str):
                print(f"  {way:8}none: {found}")
                continue
            error, slip, scatter = against_truth(found, one)
            right = abs(error) < 0.01 and abs(slip) < SLIP_DEG
            good[way] += right
            print(
                f"  {way:8}{'' if right else 'WRONG '}speed {100 * error:+.2f} %, "
                f"slip {slip:.0f} deg, "
                f"scatter {scatter:.2f} deg, {found.reference.value}, {len(found.kept)} of "
                f"{found.found} cycles kept, {spent:.2f} s"
            )
    for way, count in good.items():
        print(f"{way} trigger: {count} of {given.cases} right")


if __name__ == "__main__":
    main()
