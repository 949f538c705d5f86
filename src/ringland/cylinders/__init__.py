"""From crank angle to each cylinder."""

from ringland.cylinders.measure import measure_and_turn, measure_cylinders

__all__ = ["measure_and_turn", "measure_cylinders"]
