"""Tests that are done on every cylinder in one go, and what one result says of each of them.

Codes, counters and a cranking record name the cylinder that stands out, and by that say that the
others do not; some of their answers speak of the engine as a whole. Such a test is taken apart into
a test of the engine (does it speak of the whole?) and one of a cylinder (if not, what does it say
here?). Theory: docs/theory/diagnosis.md, section 6.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from ringland.diagnosis.knowledge import FollowUpTest, Outcome, Reach, Scope

__all__ = ["Parts", "parts_of"]

_NOT_OF_THE_WHOLE = Outcome("of_cylinders", "Nothing of the engine as a whole", shows=False)


@dataclass(frozen=True, eq=False)
class Parts:
    """`whole`: whether it speaks of the engine as a whole, first "no"; None where it never does.
    `one`: what it says of one cylinder when it does not."""

    whole: FollowUpTest | None
    one: FollowUpTest

    @property
    def usual(self) -> int:
        """Number of the normal answer of `one`."""
        return next(n for n, o in enumerate(self.one.outcomes) if not o.shows)


@lru_cache(maxsize=64)
def parts_of(test: FollowUpTest) -> Parts:
    """The two parts of a test with Scope.EVERY_CYLINDER; every row still sums to 1."""
    wide = np.array([o.reach is Reach.ENGINE for o in test.outcomes])
    rows = {mode: np.array(row) for mode, row in test.likelihood.items()}
    local = {m: tuple((r[~wide] / r[~wide].sum()).tolist()) for m, r in rows.items()}
    outcomes = tuple(o for o in test.outcomes if o.reach is not Reach.ENGINE)
    one = replace(test, scope=Scope.CYLINDER, outcomes=outcomes, likelihood=local)
    if not wide.any():
        return Parts(None, one)
    whole = replace(
        test,
        scope=Scope.ENGINE,
        outcomes=(
            _NOT_OF_THE_WHOLE,
            *(o for o in test.outcomes if o.reach is Reach.ENGINE),
        ),
        likelihood={m: (float(r[~wide].sum()), *r[wide].tolist()) for m, r in rows.items()},
    )
    return Parts(whole, one)
