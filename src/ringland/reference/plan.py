"""What is simulated to learn how faults look: reference_cases.toml, read strictly."""

from dataclasses import dataclass
from functools import lru_cache

from ringland.data.knowledge import Table, read_knowledge_file
from ringland.errors import SettingError

__all__ = ["Background", "CaseSettings", "Component", "LooksLike", "load_settings"]


@dataclass(frozen=True)
class Component:
    """One kind of simulated fault.

    Severity from `least` to `most` in `unit`, even in its logarithm, `acted_on` from which a
    technician would act; `weight`: how often it is simulated; `fuels` it occurs with, empty for
    all.
    """

    kind: str
    unit: str
    least: float
    most: float
    acted_on: float
    weight: float
    fuels: tuple[str, ...]


@dataclass(frozen=True)
class LooksLike:
    """A failure mode as a mixture of simulated kinds; `shares` sum to 1."""

    mode: str
    kinds: tuple[str, ...]
    shares: tuple[float, ...]


@dataclass(frozen=True)
class Background:
    """Something the whole engine has now and then, which is not to be named from these cases."""

    kind: str
    least: float
    most: float


@dataclass(frozen=True)
class CaseSettings:
    """How cases are drawn; see reference_cases.toml."""

    sound_share: float
    engine_cases: int
    healthy_scale_low: float
    healthy_scale_high: float
    components: tuple[Component, ...]
    background: tuple[Background, ...]
    looks_like: tuple[LooksLike, ...]

    @property
    def kinds(self) -> tuple[str, ...]:
        """Simulated kinds of fault, in the order in which they are numbered."""
        return tuple(c.kind for c in self.components)


def _component(table: Table) -> Component:
    component = Component(
        kind=table.text("kind"),
        unit=table.text("unit"),
        least=table.number("least", 1e-6, 1e6),
        most=table.number("most", 1e-6, 1e6),
        acted_on=table.number("acted_on", 1e-6, 1e6),
        weight=table.number("weight", 0.1, 10.0),
        fuels=table.texts("fuels", ("petrol", "diesel", "gas")),
    )
    table.finish()
    if component.most <= component.least:
        raise SettingError(
            f"{table.where}: the severities are out of range.",
            got=f"{component.least} to {component.most}",
            allowed="rising",
        )
    return component


def _background(table: Table) -> Background:
    found = Background(
        kind=table.text("kind"),
        least=table.number("least", -1e6, 1e6),
        most=table.number("most", -1e6, 1e6),
    )
    table.finish()
    return found


def _looks_like(table: Table, kinds: tuple[str, ...]) -> LooksLike:
    found = LooksLike(table.text("mode"), table.texts("kinds", kinds), table.numbers("shares"))
    table.finish()
    if len(found.kinds) != len(found.shares) or abs(sum(found.shares) - 1.0) > 1e-9:
        raise SettingError(
            f"{table.where}: the shares do not fit the kinds.",
            got=str(found.shares),
            allowed="one share for each kind, together 1",
        )
    return found


@lru_cache(maxsize=1)
def load_settings() -> CaseSettings:
    """The settings that come with the package. Raises SettingError saying what is wrong where."""
    file = read_knowledge_file("reference_cases.toml")
    cases = file.table("cases")
    components = tuple(_component(t) for t in file.tables("component", name="kind"))
    kinds = tuple(c.kind for c in components)
    settings = CaseSettings(
        sound_share=cases.number("sound_share", 0.05, 0.9),
        engine_cases=int(cases.number("engine_cases", 10, 100_000)),
        healthy_scale_low=cases.number("healthy_scale_low", 0.0, 5.0),
        healthy_scale_high=cases.number("healthy_scale_high", 0.0, 5.0),
        components=components,
        background=tuple(_background(t) for t in file.tables("background", name="kind")),
        looks_like=tuple(_looks_like(t, kinds) for t in file.tables("looks_like", name="mode")),
    )
    cases.finish()
    file.finish()
    return settings
