"""Write a recording to a file: format by suffix."""

from ringland.writers.table import SUFFIXES, write_recording

__all__ = ["SUFFIXES", "write_recording"]
