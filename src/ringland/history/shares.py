"""Probability by failure mode as one short text, so that a whole fleet is read in a moment.

Eight characters name the list of modes it was made for, then 32-bit floats in hexadecimal, one for
each mode in the order of their ids. A text made for another list says nothing and is not used.
"""

import hashlib
from collections.abc import Iterable, Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ringland.history.waiting import UNLISTED, load_waiting

__all__ = ["mode_names", "packed", "unpacked"]


@lru_cache(maxsize=1)
def mode_names() -> tuple[str, ...]:
    """The failure modes, in the order of the numbers."""
    return tuple(sorted(name for name in load_waiting().modes if name != UNLISTED))


@lru_cache(maxsize=1)
def _prefix() -> str:
    return hashlib.sha256("\n".join(mode_names()).encode("ascii")).hexdigest()[:8]


def packed(causes: Iterable[tuple[str, float]]) -> str:
    """The text for (failure mode, probability) pairs; "" when a mode is not in the list."""
    places = {name: i for i, name in enumerate(mode_names())}
    values = np.zeros(len(places), dtype="<f4")
    for mode, probability in causes:
        if mode not in places:
            return ""
        values[places[mode]] += probability
    return _prefix() + values.tobytes().hex()


def unpacked(texts: Sequence[str]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Probabilities, shape (texts, modes), and which texts could be read; others are rows of 0."""
    width = len(mode_names())
    good = np.array(
        [len(t) == 8 + 8 * width and t.startswith(_prefix()) for t in texts], dtype=bool
    )
    table = np.zeros((len(texts), width))
    raw = bytes.fromhex("".join(t[8:] for t, ok in zip(texts, good, strict=True) if ok))
    table[good] = np.frombuffer(raw, dtype="<f4").reshape(-1, width)
    return table, good
