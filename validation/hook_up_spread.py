"""Fit the spread from one hook-up to the next that repeatability.toml holds.

    python validation/hook_up_spread.py --engines 120 --seed 4711

Sound engines, recorded twice with the sensors put back between (validation/pairs.py); Student's
t by maximum likelihood with a variance of floor^2 + (share * level)^2 per recording, beside the
scatter within the recordings. Prints one line per metric; the numbers are copied by hand, rounded,
a floor and a few degrees of freedom being put in where the data leave them open.
"""

import argparse
from collections import defaultdict
from collections.abc import Collection
from dataclasses import replace
from pathlib import Path

import numpy as np
from before_after import HERE, Row, judge, lines_of, make_missing, measured_of, page, share
from cases import LAYOUTS
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import t as student

from ringland.verify.alike import moved_channels
from ringland.verify.cells import quieter_level, table_of
from ringland.verify.spread import HookUpSpread, load_spreads

Cell = tuple[float, float, float]  # change, level, variance within the recordings


def cells_of(path: Path, seed: int, wanted: Collection[int]) -> dict[str, list[Cell]]:
    """Changes of every cell when nothing changed, by metric ("... (all)": of the median)."""
    found: dict[str, list[Cell]] = defaultdict(list)
    for line in lines_of(path, seed):
        if line["index"] not in wanted:
            continue
        one, two = measured_of(line["sound"]), measured_of(line["again"])
        moved = {role for role, _ in moved_channels(one, two)}
        for metric, role in dict.fromkeys((r.metric, r.role) for r in one.readings):
            if role in moved:
                continue
            a, b = table_of(one, metric, role), table_of(two, metric, role)
            level = quieter_level((a, b))
            for cell in a.cells:
                other = b.cell(cell.reading.firing_position)
                if other is not None:
                    variance = cell.error**2 + other.error**2
                    found[metric].append((other.value - cell.value, level, variance))
            if a.middle is not None and b.middle is not None:
                variance = a.middle[1] ** 2 + b.middle[1] ** 2
                found[f"{metric} (all)"].append((b.middle[0] - a.middle[0], level, variance))
    return found


def fitted(cells: list[Cell]) -> NDArray[np.float64]:
    """Floor, share and degrees of freedom."""
    change, level, variance = np.array(cells).T

    def cost(logs: NDArray[np.float64]) -> float:
        floor, share, degrees = np.exp(logs)
        sd = np.sqrt(2.0 * (floor**2 + (share * level) ** 2) + variance)
        return float(np.log(sd).sum() - student.logpdf(change / sd, degrees).sum())

    starts = [np.log([f, s, 4.0]) for f in (0.005, 0.03) for s in (0.05, 0.3)]
    tried = [
        minimize(cost, start, method="Nelder-Mead", options={"maxiter": 3000}) for start in starts
    ]
    return np.asarray(np.exp(min(tried, key=lambda r: float(r.fun)).x))


def settled(found: dict[str, list[Cell]]) -> dict[str, HookUpSpread]:
    """The spreads with what was fitted put in: floor at least 0.001, degrees 1 to 8."""
    spreads = dict(load_spreads())
    for metric, usual in spreads.items():
        cells, of_all = found.get(metric, []), found.get(f"{metric} (all)", [])
        if usual.source != "simulated" or not cells:
            continue
        floor, share, degrees = fitted(cells)
        new = replace(
            usual,
            floor=max(0.001, float(floor)),
            share=float(share),
            degrees=float(np.clip(degrees, 1.0, 8.0)),
        )
        if usual.common_share > 0.0:
            _, share, degrees = fitted(of_all)
            new = replace(
                new,
                common_share=max(1e-6, float(share)),
                common_degrees=float(np.clip(degrees, 1.0, 8.0)),
            )
        spreads[metric] = new
    return spreads


def judged_by_halves(path: Path, seed: int, halves: tuple[set[int], set[int]]) -> list[Row]:
    """Each half of the engines judged with the spread fitted on the other half."""
    rows = []
    for mine, others in (halves, halves[::-1]):
        spreads = settled(cells_of(path, seed, others))
        rows += [judge(line, spreads) for line in lines_of(path, seed) if line["index"] in mine]
    return rows


def halves_page(path: Path, seed: int, count: int, command: str) -> str:
    """The page of before_after.py by halves that both hold every layout, and in a sentence what
    comes out when no layout is in both."""
    layouts = len(LAYOUTS)
    mixed = ({k for k in range(count) if k // layouts % 2 == 0}, set[int]())
    mixed = (mixed[0], set(range(count)) - mixed[0])
    apart = (set(range(0, count, 2)), set(range(1, count, 2)))
    text = page(judged_by_halves(path, seed, mixed), command, HALVES)
    rows = judged_by_halves(path, seed, apart)
    return text + (
        "\nWith halves that share no layout (the spread is then taken to engines unlike those it "
        f"was\nfitted on): changed when nothing did {share(rows, 'same_changed')}; cured leak in "
        f"the right cylinder\n{share(rows, 'cured_right')}; 2 mm2 called normal "
        f"{share(rows, 'normal_uncured_own')}.\n"
    )


HALVES = (
    "The spread that the comparison expects was fitted on the other half of these engines\n"
    "(no engine is judged by what was fitted on it), with the same assumptions."
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--engines", type=int, default=120)
    parser.add_argument("--seed", type=int, default=4711)
    parser.add_argument("--results", type=Path, default=HERE.parent / "out" / "hook_up.jsonl")
    parser.add_argument("--halves", type=Path, help="judge by halves, and write the page here")
    given = parser.parse_args()
    make_missing(given.results, given.seed, range(given.engines))
    if given.halves is not None:
        command = (
            f"python validation/hook_up_spread.py --engines {given.engines} --seed {given.seed} "
            f"--halves {given.halves.as_posix()}"
        )
        text = halves_page(given.results, given.seed, given.engines, command)
        given.halves.write_text(text, encoding="utf-8", newline="\n")
        print(text)
        return
    for name, cells in sorted(cells_of(given.results, given.seed, range(given.engines)).items()):
        if np.ptp([c[0] for c in cells]) == 0.0:
            print(f"{name:32} {len(cells):5} cells, all equal")
            continue
        floor, share, degrees = fitted(cells)
        told = f"floor {floor:.4f}  share {share:.3f}  degrees {degrees:.1f}"
        print(f"{name:32} {len(cells):5} cells  {told}")


if __name__ == "__main__":
    main()
