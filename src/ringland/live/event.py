"""When a snap or the starter begins: a channel that is suddenly livelier than it was."""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from ringland.instruments.protocol import Block, SetUp
from ringland.live.monitor import EDGE_ROLES

__all__ = ["EventWatch"]

FloatArray = NDArray[np.float64]

_FRAME_S = 0.1
_RISE = 2.0
_USUAL = 0.75
_QUIET_FRAMES = 10
_LAST_FRAMES = 2
_REMEMBERED = 100
_STEPS = 3.0


class EventWatch:
    """Looks at every channel by itself, in frames of a tenth of a second.

    The event is two frames in a row in which the RMS of a channel about its mean is above twice
    what was usual (the upper quartile of up to ten seconds before, one at least) and above three
    steps of the converter. Each channel is held against itself: a snap is loud in the exhaust and
    nothing in the trigger. Triggers are looked at only when there is nothing else. Own heuristic.
    """

    def __init__(self, set_up: SetUp) -> None:
        channels = set_up.channels
        telling = [i for i, c in enumerate(channels) if c.role not in EDGE_ROLES]
        self._columns = telling or list(range(len(channels)))
        self._floor = np.array([_STEPS * (channels[i].resolution or 0.0) for i in self._columns])
        self._frame = max(2, round(_FRAME_S * set_up.rate_hz))
        self._rest = np.zeros((0, len(self._columns)))
        self._levels: deque[FloatArray] = deque(maxlen=_REMEMBERED)
        self._high = np.zeros(len(self._columns), dtype=int)

    def seen(self, block: Block) -> bool:
        """Take a block in; True from the event on."""
        rows = np.concatenate([self._rest, block.samples[:, self._columns]])
        whole = len(rows) // self._frame
        self._rest = rows[whole * self._frame :]
        for i in range(whole):
            level = rows[i * self._frame : (i + 1) * self._frame].std(axis=0)
            if self._rises(level):
                return True
        return False

    def _rises(self, level: FloatArray) -> bool:
        if len(self._levels) >= _QUIET_FRAMES:
            usual = np.quantile(np.array(self._levels), _USUAL, axis=0)
            high = level > np.maximum(_RISE * usual, self._floor)
            self._high = np.where(high, self._high + 1, 0)
            if high.any():
                return bool(self._high.max() >= _LAST_FRAMES)
        self._levels.append(level)
        return False
