"""What waiting costs: the failure modes' consequences, urgency and the owner's costs, as data."""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from types import MappingProxyType

from ringland.data.knowledge import read_knowledge_file
from ringland.diagnosis import load_knowledge
from ringland.errors import SettingError

__all__ = ["ModeCost", "OwnerCosts", "WaitingBook", "load_waiting", "owner_costs"]

_URGENCIES = ("now", "days", "weeks", "watch")
UNLISTED = "none_of_these"


@dataclass(frozen=True)
class OwnerCosts:
    """The owner's costs, in one currency. `stated` names those the owner gave; the others are an
    assumption and are said to be one."""

    labour_rate_per_hour: float
    breakdown_cost: float
    extra_visit_cost: float
    day_off_road_cost: float
    stated: tuple[str, ...] = ()

    @property
    def assumed(self) -> tuple[str, ...]:
        """Names of the costs that nobody stated."""
        return tuple(f.name for f in fields(self) if f.name not in (*self.stated, "stated"))


@dataclass(frozen=True)
class ModeCost:
    """One failure mode: hours as in failure_modes.toml, `days` mean time of use until the damage
    of running on has happened, `breakdown_share` of cases that end on the road."""

    mode: str
    name: str
    consequences: str
    repair_hours: float
    run_on_hours: float
    days: float
    breakdown_share: float
    urgency: str


@dataclass(frozen=True, eq=False)
class WaitingBook:
    """Everything but the owner. `uncertainty`: share by which consequences may be off."""

    defaults: OwnerCosts
    modes: Mapping[str, ModeCost]
    uncertainty: float


@lru_cache(maxsize=1)
def load_waiting() -> WaitingBook:
    """The book that comes with the package. Raises SettingError when a file is wrong."""
    book = read_knowledge_file("waiting.toml")
    costs = book.table("costs")
    defaults = OwnerCosts(
        costs.number("labour_rate_per_hour", 0.0, 1e6),
        costs.number("breakdown_cost", 0.0, 1e9),
        costs.number("extra_visit_cost", 0.0, 1e9),
        costs.number("day_off_road_cost", 0.0, 1e9),
    )
    costs.finish()
    urgency = book.table("urgency")
    pace = {}
    for name in _URGENCIES:
        table = urgency.table(name)
        pace[name] = (table.number("days", 0.1, 1e5), table.number("breakdown_share", 0.0, 1.0))
        table.finish()
    unlisted = book.table("unlisted")
    word = unlisted.text("urgency", _URGENCIES)
    modes = {
        UNLISTED: ModeCost(
            UNLISTED,
            "Something that is not in the list",
            "What it leads to is not known.",
            unlisted.number("repair_hours", 0.0, 1e4),
            unlisted.number("run_on_hours", 0.0, 1e4),
            *pace[word],
            urgency=word,
        )
    }
    unlisted.finish()
    share = book.table("uncertainty").number("share", 0.0, 0.95)
    for mode in load_knowledge().modes:
        modes[mode.id] = ModeCost(
            mode.id,
            mode.name,
            mode.consequences,
            mode.repair_hours,
            mode.run_on_hours,
            *pace[mode.urgency],
            urgency=mode.urgency,
        )
    return WaitingBook(defaults, MappingProxyType(modes), share)


def owner_costs(stated: Mapping[str, object] | None = None) -> OwnerCosts:
    """The owner's costs where stated, the assumed ones elsewhere. Raises SettingError for a name
    that is none and for a number that is none or negative."""
    defaults = load_waiting().defaults
    names = {f.name for f in fields(defaults)} - {"stated"}
    changes: dict[str, float] = {}
    for name, value in (stated or {}).items():
        good = isinstance(value, int | float) and not isinstance(value, bool)
        if name not in names or not good or not 0.0 <= float(str(value)) < 1e12:
            raise SettingError(
                f"The owner's costs hold something wrong: {name}.",
                got=repr(value),
                allowed="numbers from 0 on for " + ", ".join(sorted(names)),
            )
        changes[name] = float(str(value))
    return replace(defaults, **changes, stated=tuple(sorted(changes)))
