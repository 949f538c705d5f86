"""So many seconds from an instrument into memory, nothing judged and nothing corrected: what a
self-check is made from."""

import time
from collections.abc import Callable

from ringland.instruments.assemble import as_recording
from ringland.instruments.protocol import Block, Ended, Instrument, InstrumentFault, SetUp, Wanted
from ringland.model import Recording

__all__ = ["record_plainly"]

_WAIT_S = 0.2
_PATIENCE_S = 10.0


def record_plainly(
    instrument: Instrument,
    wanted: Wanted,
    seconds: float,
    *,
    progress: Callable[[float], None] | None = None,
) -> tuple[Recording, SetUp]:
    """The recording and what the instrument really did; it is stopped afterwards, whatever comes.

    `progress` is called with the seconds that are there and may raise to stop. Raises
    InstrumentFault when it ends early or needs more than twice the time.
    """
    try:
        set_up = instrument.configure(wanted)
        instrument.arm()
        blocks: list[Block] = []
        enough, have = round(seconds * set_up.rate_hz), 0
        deadline = time.monotonic() + 2.0 * seconds + _PATIENCE_S
        while have < enough:
            if progress is not None:
                progress(have / set_up.rate_hz)
            got = instrument.fetch(_WAIT_S)
            if isinstance(got, Ended) or time.monotonic() > deadline:
                raise InstrumentFault(
                    "The instrument stopped before there was enough.",
                    got=got.reason if isinstance(got, Ended) else "it is too slow",
                )
            if got is not None:
                blocks.append(got)
                have += len(got.samples)
    finally:
        instrument.stop()
    return as_recording(blocks, set_up, correct_ac=False), set_up
