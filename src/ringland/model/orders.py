"""One line of an order spectrum."""

from dataclasses import dataclass

__all__ = ["OrderLine"]


@dataclass(frozen=True)
class OrderLine:
    """One line of the order spectrum. `order` is per crank revolution (0.5, 1, 1.5 ...).

    `shared` is True for orders that equal cylinders produce, False for pure imbalance. `noise` is
    the amplitude the cycle-to-cycle scatter alone would leave in the average.
    """

    order: float
    amplitude: float
    phase_rad: float
    noise: float
    shared: bool
