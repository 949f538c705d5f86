"""Is this recording fit to judge? One check, one file; the table of them is in registry.py."""

from ringland.quality._types import CheckDefinition, Limit, Scope
from ringland.quality.registry import CHECKS
from ringland.quality.run import check_recording, inspect_recording, unusable_spans

__all__ = [
    "CHECKS",
    "CheckDefinition",
    "Limit",
    "Scope",
    "check_recording",
    "inspect_recording",
    "unusable_spans",
]
