"""From signals to crank angle: speed, phase and the engine cycles."""

from ringland.cycles.find import find_cycles

__all__ = ["find_cycles"]
