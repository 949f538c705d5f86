"""What recordings at speed cannot say: how seldom some faults show there."""

from collections.abc import Sequence

__all__ = ["what_speed_hides"]

_FAST_RPM = 1000.0
"""From here on the simulated cases are held; below they idle."""


def what_speed_hides(
    speeds_rpm: Sequence[float | None], *, crank_speed: bool = False
) -> str | None:
    """A sentence where what looks sound was recorded at speed alone, else None.

    `speeds_rpm`: mean speed of every recording; where one is not known nothing is said.
    `crank_speed`: the tooth wheel was recorded, which tells the cylinders apart at speed too.
    Counted on recordings the network had not seen: docs/validation/reference_network.md.
    """
    known = [rpm for rpm in speeds_rpm if rpm is not None]
    if crank_speed or not known or len(known) < len(speeds_rpm) or min(known) < _FAST_RPM:
        return None
    return (
        f"This was recorded at {min(known):.0f} rpm, where the pulses of neighbouring cylinders "
        "run together on the way to the sensor: of 100 simulated valve leaks of 2 mm2 and more "
        "the right cylinder led in 78, at idle in 97. Record at idle too, or with the tooth wheel "
        "of the crank, before calling the valves tight."
    )
