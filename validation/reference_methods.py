"""Two short methods that find the fault on these recordings, to hold the program against.

They know nothing but the crank angle. `two_kinds` finds misfires in the exhaust, `leak_push` the
leaking rings in the crankcase channel.

    python validation/reference_methods.py --cases 160
"""

import argparse

import numpy as np
from cases import MadeCase, draw_case, make_case
from numpy.typing import NDArray

from ringland.cycles import find_cycles
from ringland.model import Channel, ChannelRole, CycleSet

Array = NDArray[np.float64]
SEED = 90_417
LEAST = 4.2  # sound positions give 2.2 to 3.6; an even Gaussian split in two gives 2.65


def _split(values: Array) -> float:
    """Threshold with the largest variance between two classes of at least three."""
    s = np.sort(values)
    n, c, i = len(s), np.cumsum(s), np.arange(1, len(s))
    between = i * (n - i) * (c[:-1] / i - (c[-1] - c[:-1]) / (n - i)) ** 2
    between = np.where((i >= 3) & (n - i >= 3), between, -1.0)
    j = int(between.argmax())
    return float(0.5 * (s[j] + s[j + 1]))


def two_kinds(windows: Array, *, components: int = 4, lags: int = 3) -> tuple[Array, Array]:
    """Positions whose pulses come in two kinds from cycle to cycle.

    `windows` (cycles, positions of one outlet in firing order, angles), each window's mean removed.
    Returns separation (positions,) in pooled standard deviations and missed (cycles, positions).

    Deviation from the position's own median (so that healthy differences do not count); first
    principal components of all deviations together; what the pulses before predict is regressed
    out (ringing of the pipe, changes of speed); best threshold along the position's own first two
    directions; the missing kind is the one less like the other positions.
    """
    n, p, w = windows.shape
    middle = np.median(windows, axis=0)
    deviation = (windows - middle).reshape(n * p, w)
    directions = np.linalg.svd(deviation - deviation.mean(0), full_matrices=False)[2]
    z = deviation @ directions[:components].T
    before = [np.vstack([np.zeros((k, components)), z[:-k]]) for k in range(1, lags + 1)]
    known = np.hstack([*before, np.ones((n * p, 1))])
    own = (z - known @ np.linalg.lstsq(known, z, rcond=None)[0]).reshape(n, p, components)
    separation, missed = np.zeros(p), np.zeros((n, p), dtype=bool)
    for b in range(p):
        x = own[:, b] - own[:, b].mean(0)
        for direction in np.linalg.svd(x, full_matrices=False)[2][:2]:
            y = x @ direction
            high = y > _split(y)
            apart = y[high].mean() - y[~high].mean()
            size = apart / np.sqrt(0.5 * (y[high].var() + y[~high].var()) + 1e-300)
            if size > separation[b]:
                separation[b], missed[:, b] = size, high
        if separation[b] < LEAST:
            missed[:, b] = False
            continue
        others = np.median(np.delete(middle, b, axis=0), axis=0) if p > 1 else middle[b]
        away = [
            float(np.sum((windows[kind, b].mean(0) - others) ** 2))
            for kind in (missed[:, b], ~missed[:, b])
        ]
        if away[1] > away[0]:
            missed[:, b] = ~missed[:, b]
    return separation, missed


def leak_push(averaged: Array, firing_deg: Array, *, shared_every: int) -> Array:
    """How fast the crankcase pressure rises about each position's firing top dead centre.

    `averaged` (angles,) over 720 degrees, even steps. Orders that sound cylinders share (multiples
    of `shared_every` half orders) and those above order 12 are left out, the rest is
    differentiated and averaged from 30 degrees before to 40 degrees after. Largest: leaking rings.
    """
    spectrum = np.fft.rfft(averaged)
    order = np.arange(len(spectrum))
    keep = (order > 0) & (order <= 24) & (order % shared_every != 0)
    rise = np.fft.irfft(np.where(keep, spectrum * 1j * order, 0.0), len(averaged))
    angle = np.arange(len(averaged)) * 720.0 / len(averaged)
    return np.array([rise[(angle - firing + 30.0) % 720.0 <= 70.0].mean() for firing in firing_deg])


def _sampled(channel: Channel, cycles: CycleSet, angle_deg: Array) -> Array:
    """(cycles, *shape of angle_deg), cycles that leave the recording dropped."""
    starts = cycles.angle_at(np.array([c.start_s + 1e-6 for c in cycles.kept]))
    starts = np.round(starts / 720.0) * 720.0
    at = starts.reshape(-1, *[1] * angle_deg.ndim) + angle_deg
    time_s = np.arange(len(channel.samples)) / channel.rate_hz
    values = np.interp(cycles.time_at(at.ravel()), time_s, channel.samples).reshape(at.shape)
    whole = np.isfinite(values).all(axis=tuple(range(1, values.ndim)))
    return np.asarray(values[whole])


def misfiring(made: MadeCase, cycles: CycleSet) -> tuple[int, float]:
    """(firing position, rate) of the position with the largest separation."""
    engine, speed = made.result.engine, float(made.result.speed_rpm.mean())
    best = (0.0, 0, 0.0)
    roles = (ChannelRole.EXHAUST, ChannelRole.EXHAUST_2)
    for outlet, role in zip(made.result.outlet_numbers, roles, strict=False):
        channel = made.recording.channel(role)
        if channel is None:
            continue
        positions = engine.positions_on_outlet(outlet)
        reach = np.arange(0.0, min(200.0, 720.0 / len(positions)), 3.0)
        fires = np.array([engine.firing_angles_deg[p - 1] for p in positions])
        windows = _sampled(channel, cycles, fires[:, None] + 115.0 + 0.0055 * 6.0 * speed + reach)
        separation, missed = two_kinds(windows - windows.mean(axis=2, keepdims=True))
        b = int(np.argmax(separation))
        best = max(best, (float(separation[b]), positions[b], float(missed[:, b].mean())))
    return best[1], best[2]


def leaking(made: MadeCase, cycles: CycleSet) -> int:
    """Firing position with the largest push."""
    channel, engine = made.recording.channel(ChannelRole.CRANKCASE), made.result.engine
    if channel is None:
        return 0
    averaged = np.median(_sampled(channel, cycles, np.arange(0.0, 720.0, 2.0)), axis=0)
    shared = engine.cylinders if engine.even_firing else 4
    push = leak_push(averaged, np.array(engine.firing_angles_deg), shared_every=shared)
    return int(np.argmax(push)) + 1


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=160)
    given = parser.parse_args()
    right = {"misfire": [], "ring_leak": []}  # type: dict[str, list[bool]]
    for index in range(given.cases):
        case = draw_case(index, SEED)
        if case.kind not in right:
            continue
        made = make_case(case)
        cycles = find_cycles(made.recording, made.engine)
        if isinstance(cycles, str) or case.cylinder is None:
            print(f"{index}: {cycles}")
            continue
        true = made.result.engine.firing_order.index(case.cylinder) + 1
        found, rate = misfiring(made, cycles) if case.kind == "misfire" else (0, 0.0)
        if case.kind == "ring_leak":
            found = leaking(made, cycles)
        right[case.kind].append(found == true)
        really = made.told.cycles.misfired[:, case.cylinder - 1].mean()
        print(
            f"{index} {case.layout_id} {case.condition} {case.kind} {case.severity:.2f}: position "
            f"{true}, found {found}, rate {rate:.2f} of {really:.2f}"
            f"{'' if found == true else ' MISS'}"
        )
    for kind, answers in right.items():
        print(f"{kind}: {sum(answers)} of {len(answers)} positions right")


if __name__ == "__main__":
    main()
