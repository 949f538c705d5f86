"""What to check next and what to do, with reasons and cautions."""

from ringland.advice.actions import actions
from ringland.advice.next_test import Costs, next_tests

__all__ = ["Costs", "actions", "next_tests"]
