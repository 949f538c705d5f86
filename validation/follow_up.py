"""How soon the right cause is found: next test by information, against a fixed textbook order.

Engines, symptoms and answers are drawn from the knowledge files' own model, with the answers'
tables moved at random by up to +-0.15 (their stated uncertainty), so that the simulated technician
does not follow the tables exactly. No recording is simulated here: it tests the choice of tests and
the calibration of the arithmetic, not the physics.

    python validation/follow_up.py --cases 300
"""

import argparse
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np
from technician import Case, follow

from ringland.diagnosis import diagnose, load_knowledge
from ringland.diagnosis.hypotheses import hypotheses_for, neighbours_of
from ringland.diagnosis.knowledge import Scope
from ringland.diagnosis.likelihood import item_observation, quadrature
from ringland.model import (
    Aspiration,
    EngineSpec,
    Estimate,
    Fuel,
    State,
    Symptom,
    SymptomTable,
)

ENGINE = EngineSpec(
    "four", 4, (1, 3, 4, 2), (0.0, 180.0, 360.0, 540.0), fuel=Fuel.PETROL,
    aspiration=Aspiration.NATURAL,
)  # fmt: skip
ERROR = 0.25
"""Standard error of a deviation, in units of the limit."""


def draw_case(rng: np.random.Generator) -> Case:
    """A faulty engine (or a sound one) from the priors of a visit with a complaint."""
    knowledge = load_knowledge()
    hypotheses = hypotheses_for(
        knowledge,
        knowledge.prior_with_complaint,
        positions=ENGINE.cylinders,
        neighbours=neighbours_of(ENGINE, ENGINE.firing_order),
        fuel=ENGINE.fuel,
        aspiration=ENGINE.aspiration,
    )
    prior = np.exp(hypotheses.log_prior)
    return Case(hypotheses, int(rng.choice(len(prior), p=prior / prior.sum())), rng)


def draw_symptoms(case: Case, metrics: tuple[str, ...]) -> SymptomTable:
    """Deviations of every metric at every position, in units of the limit."""
    knowledge = load_knowledge()
    rng = case.rng
    rows = []
    for item in knowledge.items:
        for metric, direction in item.metrics[:1]:
            if metric not in metrics:
                continue
            places = range(1, ENGINE.cylinders + 1) if item.scope is Scope.CYLINDER else (None,)
            for place in places:
                seen = item_observation(
                    knowledge, item, positions=ENGINE.cylinders, firing_position=place,
                    deviation=0.0, error=0.0, sentence="", abnormal=0.0,
                )  # fmt: skip
                code = case.code(place)
                p = seen.shows[code, case.node_of(item.group, place)]
                soft = np.hypot(ERROR, 0.25) * rng.standard_normal()
                fault = 1.0 + rng.exponential(15.0 if rng.random() < 0.3 else 1.5) + soft
                if rng.random() < p:
                    sound = float(seen.shows[0] @ quadrature()[1])
                    at_all = float(seen.shows[code] @ quadrature()[1])
                    due = max(0.0, 1.0 - sound / at_all)
                    near = 1.0 + rng.exponential(0.2) + soft
                    chance = fault if rng.random() < 0.05 else near
                    x = fault if rng.random() < due else chance
                else:
                    quiet = np.hypot(ERROR, 0.4) * rng.standard_normal()
                    x = fault if rng.random() < 1 / 3000 else quiet
                sign = -1.0 if direction == "low" else 1.0
                rows.append(
                    Symptom(
                        metric, place, State.NORMAL, Estimate.from_se(sign * x, ERROR, "1"),
                        sign, 2 * sign, None, "own cylinders", "",
                    )
                )  # fmt: skip
    return SymptomTable(tuple(rows), 0.01, 0.05)


METRICS = (
    "exhaust_pulse_strength", "exhaust_suction", "exhaust_early_pressure", "exhaust_misfire_rate",
    "exhaust_cycle_scatter", "exhaust_pulse_timing", "crankcase_push", "crankcase_pull",
    "crankcase_power_stroke_push",
)  # fmt: skip


def truth_of(case: Case) -> list[tuple[str, tuple[int, ...]]]:
    """Failure modes and places of the drawn hypothesis."""
    knowledge = load_knowledge()
    h = case.hypotheses
    found = []
    for m in h.members[case.hypothesis]:
        if m >= 0 and h.faults[m].mode not in h.unknown:
            found.append((knowledge.modes[h.faults[m].mode - 1].id, h.faults[m].positions))
    return found


@dataclass(frozen=True)
class Scores:
    """Predictions with what happened, ranks of the true cause, and the follow-ups of both ways."""

    predicted: list[float]
    happened: list[bool]
    ranks: list[int]
    planned: list[tuple[int, float] | None]
    textbook: list[tuple[int, float] | None]


def run(cases: int, wobble: float, seed: int = 20261124) -> Scores:
    """Draw engines and follow each both ways."""
    rng = np.random.default_rng(seed)
    scores = Scores([], [], [], [], [])
    for _ in range(cases):
        case = draw_case(rng)
        symptoms = draw_symptoms(case, METRICS)
        d = diagnose(symptoms, None, None, ENGINE, complaint=True)
        truth = {(m, p[0] if p else None) for m, p in truth_of(case)}
        for cause in d.causes[:8]:
            scores.predicted.append(cause.present or 0.0)
            scores.happened.append((cause.failure_mode, cause.firing_position) in truth)
        scores.predicted.append(d.healthy)
        scores.happened.append(case.hypothesis == 0)
        if len(truth) != 1:
            continue
        ranked = [(c.failure_mode, c.firing_position) for c in d.causes]
        scores.ranks.append(ranked.index(next(iter(truth))) + 1)
        for planned, results in ((True, scores.planned), (False, scores.textbook)):
            again = Case(
                case.hypotheses,
                case.hypothesis,
                np.random.default_rng(int(rng.integers(1 << 32))),
                dict(case.node),
            )
            found = follow(
                again,
                partial(diagnose, symptoms, None, None, ENGINE, complaint=True),
                next(iter(truth_of(case))),
                planned=planned,
                wobble=wobble,
            )
            results.append(None if found.tests is None else (found.tests, found.minutes))
    return scores


def print_scores(scores: Scores) -> None:
    """Calibration, ranks, and tests and minutes to nine in ten."""
    p, y = np.array(scores.predicted), np.array(scores.happened, dtype=float)
    print("said   happened   number")
    error = 0.0
    for low, high in pairwise(np.linspace(0.0, 1.0, 11)):
        inside = (p >= low) & ((p < high) | (high == 1.0))
        if inside.any():
            print(f"{p[inside].mean():.2f}   {y[inside].mean():.2f}       {int(inside.sum())}")
            error += float(inside.mean() * abs(p[inside].mean() - y[inside].mean()))
    ranks = np.array(scores.ranks)
    print(f"expected calibration error {error:.3f}, Brier score {((p - y) ** 2).mean():.3f}")
    print(
        f"{len(ranks)} engines with one fault; from the recording alone the true cause is first in "
        f"{np.mean(ranks == 1):.2f} and among the first two in {np.mean(ranks <= 2):.2f}"
    )
    for name, results in (("by information", scores.planned), ("textbook", scores.textbook)):
        solved = [r for r in results if r is not None]
        tests = np.array([99 if r is None else r[0] for r in results])
        minutes = np.array([r[1] for r in solved]) if solved else np.array([np.nan])
        print(
            f"{name}: above 9 in 10 within 2 tests {np.mean(tests <= 2):.2f}, within 4 "
            f"{np.mean(tests <= 4):.2f}, within 12 {len(solved) / max(len(results), 1):.2f}; "
            f"median {np.median(tests):.0f} tests; {np.median(minutes):.0f} minutes when solved"
        )
    both = [
        (a[1], b[1])
        for a, b in zip(scores.planned, scores.textbook, strict=True)
        if a is not None and b is not None
    ]
    if both:
        first, second = np.array(both).mean(0)
        print(f"where both get there: {first:.0f} minutes by information, {second:.0f} by the book")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--wobble", type=float, default=0.15)
    arguments = parser.parse_args()
    print_scores(run(arguments.cases, arguments.wobble))


if __name__ == "__main__":
    main()
