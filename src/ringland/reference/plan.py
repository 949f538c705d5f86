"""Which cases are simulated: read from reference_cases.toml, drawn case by case."""

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from ringland.data.knowledge import Table, read_knowledge_file
from ringland.errors import SettingError
from ringland.model import EngineSpec, Fuel
from ringland.simulator.faults import FAULT_KINDS, Fault, Scope

__all__ = ["CaseSettings", "Component", "PlannedCase", "load_settings", "plan_cases"]


@dataclass(frozen=True)
class Component:
    """One kind of simulated fault and the failure mode it stands for."""

    kind: str
    mode: str
    least: float
    most: float
    fuels: tuple[str, ...]


@dataclass(frozen=True)
class CaseSettings:
    """How many cases, how long, and how they are drawn; see reference_cases.toml."""

    sound: int
    per_component: int
    seconds: float
    settle_s: float
    healthy_scale_low: float
    healthy_scale_high: float
    student_freedom: float
    components: tuple[Component, ...]


@dataclass(frozen=True)
class PlannedCase:
    """One case: component index (None: sound), the fault, and the seed of everything drawn."""

    component: int | None
    fault: Fault | None
    seed: int


def _component(table: Table) -> Component:
    component = Component(
        kind=table.text("kind", tuple(FAULT_KINDS)),
        mode=table.text("mode"),
        least=table.number("least", 1e-6, 1e6),
        most=table.number("most", 1e-6, 1e6),
        fuels=table.texts("fuels", ("petrol", "diesel", "gas")),
    )
    table.finish()
    if component.most <= component.least or component.most > FAULT_KINDS[component.kind].most:
        raise SettingError(
            f"{table.where}: the severities are out of range.",
            got=f"{component.least} to {component.most}",
            allowed=f"rising, at most {FAULT_KINDS[component.kind].most}",
        )
    return component


@lru_cache(maxsize=1)
def load_settings() -> CaseSettings:
    """The settings that come with the package. Raises SettingError saying what is wrong where."""
    file = read_knowledge_file("reference_cases.toml")
    cases = file.table("cases")
    settings = CaseSettings(
        sound=int(cases.number("sound", 4, 10_000)),
        per_component=int(cases.number("per_component", 4, 10_000)),
        seconds=cases.number("seconds", 1.0, 60.0),
        settle_s=cases.number("settle_s", 0.5, 10.0),
        healthy_scale_low=cases.number("healthy_scale_low", 0.0, 5.0),
        healthy_scale_high=cases.number("healthy_scale_high", 0.0, 5.0),
        student_freedom=cases.number("student_freedom", 2.1, 100.0),
        components=tuple(_component(t) for t in file.tables("component", name="kind")),
    )
    cases.finish()
    file.finish()
    return settings


def _neighbours(engine: EngineSpec) -> list[tuple[int, int]]:
    """Cylinder numbers next to one another in one bank."""
    banks = engine.banks or (1,) * engine.cylinders
    pairs = []
    for bank in sorted(set(banks)):
        inside = [c for c in range(1, engine.cylinders + 1) if banks[c - 1] == bank]
        pairs += list(pairwise(inside))
    return pairs


def plan_cases(
    engine: EngineSpec, settings: CaseSettings, *, seed: int = 0, scale: float = 1.0
) -> tuple[PlannedCase, ...]:
    """All cases for one engine in a mixed order, so that any first part of them is a fair sample.

    `scale` multiplies the numbers of cases. Severities are spread evenly in their logarithm.
    """
    rng = np.random.default_rng([seed, 31337])
    cases = [
        PlannedCase(None, None, seed * 100_003 + i) for i in range(round(settings.sound * scale))
    ]
    pairs = _neighbours(engine)
    for index, component in enumerate(settings.components):
        if component.fuels and engine.fuel is not Fuel.UNKNOWN:
            if engine.fuel.value not in component.fuels:
                continue
        elif component.fuels and component.fuels == ("diesel",):
            continue
        pair = FAULT_KINDS[component.kind].scope == Scope.PAIR
        if pair and not pairs:
            continue
        count = max(4, round(settings.per_component * scale))
        steps = (rng.permutation(count) + rng.random(count)) / count
        for step in steps:
            severity = component.least * (component.most / component.least) ** step
            where = (
                pairs[int(rng.integers(len(pairs)))]
                if pair
                else (int(rng.integers(engine.cylinders)) + 1,)
            )
            fault = Fault(component.kind, where, float(severity))
            cases.append(PlannedCase(index, fault, seed * 100_003 + len(cases)))
    return tuple(cases[i] for i in rng.permutation(len(cases)))
