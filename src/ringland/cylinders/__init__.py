"""From crank angle to each cylinder."""

from ringland.cylinders.measure import measure_cylinders

__all__ = ["measure_cylinders"]
