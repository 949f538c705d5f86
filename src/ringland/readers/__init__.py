"""Recording files: one format one file; `open_recording` for windows, `read_recording` for all."""

from ringland.readers.registry import FORMATS, Format, open_recording, read_recording

__all__ = ["FORMATS", "Format", "open_recording", "read_recording"]
