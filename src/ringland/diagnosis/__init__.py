"""Failure modes, evidence and follow-up tests, and exact inference from one to the other."""

from ringland.diagnosis.answers import outcome_words, parse_answer
from ringland.diagnosis.knowledge import Knowledge, load_knowledge
from ringland.diagnosis.ranking import diagnose
from ringland.diagnosis.recordings import recordings_in_words

__all__ = [
    "Knowledge",
    "diagnose",
    "load_knowledge",
    "outcome_words",
    "parse_answer",
    "recordings_in_words",
]
