"""How far each metric moves by itself from one hook-up to the next."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from ringland.data.knowledge import read_knowledge_file
from ringland.errors import SettingError
from ringland.metrics import DEFINITIONS

__all__ = ["HookUpSpread", "Spread", "load_spreads"]


@dataclass(frozen=True)
class Spread:
    """Standard deviation of one recording, in the unit of the metric, and how well it is known."""

    sd: float
    degrees: float


@dataclass(frozen=True)
class HookUpSpread:
    """One entry of repeatability.toml; `level` below is in the unit of the metric."""

    metric: str
    floor: float
    share: float
    degrees: float
    common_share: float
    common_degrees: float
    source: str

    def of_cylinder(self, level: float) -> Spread:
        """Of one cylinder against the others."""
        return Spread(math.hypot(self.floor, self.share * level), self.degrees)

    def of_all(self, level: float) -> Spread | None:
        """Of the median of all cylinders; None when it cannot be compared."""
        if self.common_share <= 0.0:
            return None
        return Spread(math.hypot(self.floor, self.common_share * level), self.common_degrees)


@lru_cache(maxsize=1)
def load_spreads() -> Mapping[str, HookUpSpread]:
    """The spreads that come with the package; SettingError when a metric has none."""
    book = read_knowledge_file("repeatability.toml")
    found: dict[str, HookUpSpread] = {}
    for table in book.tables("metric"):
        entry = HookUpSpread(
            metric=table.text("id", {d.id for d in DEFINITIONS}),
            floor=table.number("floor", 1e-9, 1e9),
            share=table.number("share", 0.0, 10.0),
            degrees=table.number("degrees", 1.0, 1000.0),
            common_share=table.number("common_share", 0.0, 10.0),
            common_degrees=table.number("common_degrees", 1.0, 1000.0),
            source=table.text("source", ("simulated", "assumed", "measured")),
        )
        table.finish()
        found[entry.metric] = entry
    book.finish()
    missing = sorted({d.id for d in DEFINITIONS} - set(found))
    if missing:
        raise SettingError("repeatability.toml lacks some metrics.", got=", ".join(missing))
    return MappingProxyType(found)
