"""Learn the network of the crank's speed. Only needed to make a new one; see `learn`."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from ringland.model._arrays import FloatArray
from ringland.reference.cases import Example
from ringland.reference.crank import CRANK_PARTS, FUEL_COLUMNS
from ringland.reference.learn import (
    LearnSettings,
    fitted,
    inputs_of,
    principal_components,
    sound_limits,
)
from ringland.reference.network import PulseNetwork
from ringland.reference.plan import CaseSettings

__all__ = ["learn_crank"]

_RANKS = (24, 12, 8, 12, 6, 8)
_FUEL_HIDDEN = 0.3


def learn_crank(
    examples: Sequence[Example],
    held_out: Sequence[Example],
    case_settings: CaseSettings,
    settings: LearnSettings,
    say: Callable[[str], None],
) -> PulseNetwork:
    """A network from `examples`; temperature, severity errors, `far` and limits from `held_out`.

    All rows of its `limits` are those of the crank's speed alone.
    """
    projection = _projection(examples)
    nothing = np.zeros(projection.shape[1], dtype=np.bool_)
    fuel = inputs_of(projection, *FUEL_COLUMNS)
    warm = fitted(
        examples, held_out, case_settings, settings, say,
        projection=projection,
        hidden_sets=((0.0, nothing), (0.0, nothing), (_FUEL_HIDDEN, fuel)),
    )  # fmt: skip
    sound = [e for e in held_out if not e.faults]
    alone = sound_limits(warm, case_settings, sound, None)
    return replace(warm, limits=np.tile(alone, (3, 1)))


def _projection(examples: Sequence[Example], limit: int = 40_000) -> FloatArray:
    """(columns, inputs): principal components of every part, nearly white; other columns over
    their spread."""
    rows = np.concatenate([e.values for e in examples])[:limit].astype(np.float64)
    columns, start = [], 0
    for size, rank in zip(CRANK_PARTS, _RANKS, strict=True):
        made = np.zeros((rows.shape[1], rank))
        made[start : start + size] = principal_components(rows[:, start : start + size], rank)
        columns.append(made)
        start += size
    rest = np.zeros((rows.shape[1], rows.shape[1] - start))
    rest[start:] = np.diag(1.0 / (rows[:, start:].std(axis=0) + 0.05))
    return np.concatenate([*columns, rest], axis=1)
