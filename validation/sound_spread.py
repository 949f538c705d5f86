"""How much do the cylinders of sound simulated engines differ, metric by metric?

    python validation/sound_spread.py --cases 160

The spreads declared for the metrics were chosen with tables like this one; other seeds are for
judging them (false_alarms.py).
"""

import argparse
from collections import defaultdict
from dataclasses import replace

import numpy as np
from cases import draw_case, make_case

from ringland.model import Condition
from ringland.pipeline import analyse


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=160)
    parser.add_argument("--seed", type=int, default=4_711)
    given = parser.parse_args()
    away: dict[str, list[float]] = defaultdict(list)
    for index in range(given.cases):
        case = replace(draw_case(index, given.seed), kind="healthy", cylinder=None, severity=0.0)
        made = make_case(case)
        condition = Condition.IDLE if case.condition == "idle" else Condition.HELD
        found = analyse(made.recording.with_condition(condition), made.engine, diagnose=False)
        for definition in found.metrics.definitions if found.metrics else ():
            values = [
                v.estimate.value
                for v in found.metrics.of_metric(definition.id)
                if v.estimate.value is not None
            ]
            for i, value in enumerate(values if len(values) > 2 else ()):
                away[definition.id].append(abs(value - np.median(np.delete(values, i))))
    print("metric | cells | robust spread | 90 % | 99 %")
    for metric, values in away.items():
        middle, most, tail = np.quantile(values, [0.5, 0.9, 0.99])
        print(f"{metric} | {len(values)} | {1.4826 * middle:.3f} | {most:.2f} | {tail:.2f}")


if __name__ == "__main__":
    main()
