"""Simulated reference cases of one engine, and the likelihood made from them."""

from ringland.reference.build import Measure, build_reference
from ringland.reference.likelihood import CaseModel, evaluate

__all__ = ["CaseModel", "Measure", "build_reference", "evaluate"]
