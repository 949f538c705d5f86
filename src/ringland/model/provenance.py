"""Where a result came from: a list of steps that only grows."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TypeAlias

__all__ = ["Provenance", "ProvenanceStep", "Scalar"]

Scalar: TypeAlias = str | int | float | bool | None


@dataclass(frozen=True)
class ProvenanceStep:
    """One finished step: `name` of the function or format, and its settings as plain scalars."""

    name: str
    settings: Mapping[str, Scalar] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "settings", MappingProxyType(dict(self.settings)))


@dataclass(frozen=True)
class Provenance:
    """Steps in the order they finished; `then` returns a longer one and changes nothing."""

    steps: tuple[ProvenanceStep, ...] = ()

    def then(self, name: str, **settings: Scalar) -> "Provenance":
        """A new provenance with one more step, written after the step succeeded."""
        return Provenance((*self.steps, ProvenanceStep(name, settings)))
