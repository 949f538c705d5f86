"""The exception tree: every error says what was wrong, was got, is allowed, and what to do.

Exit status of the command line: 2 for `BadInput`, 3 for `UnusableRecording`.
"""

__all__ = [
    "BadInput",
    "ChannelError",
    "EngineError",
    "FileFormatError",
    "RinglandError",
    "SettingError",
    "UnusableRecording",
]


class RinglandError(Exception):
    """Base of all errors raised on purpose.

    Attributes: `wrong` (one sentence), `got`, `allowed`, `remedy` (each a sentence or None).
    """

    exit_status = 1

    def __init__(
        self,
        wrong: str,
        *,
        got: str | None = None,
        allowed: str | None = None,
        remedy: str | None = None,
    ) -> None:
        self.wrong = wrong
        self.got = got
        self.allowed = allowed
        self.remedy = remedy
        super().__init__(self.text())

    def text(self) -> str:
        """The whole message as lines for a person."""
        lines = [self.wrong]
        if self.got is not None:
            lines.append(f"  Got: {self.got}")
        if self.allowed is not None:
            lines.append(f"  Allowed: {self.allowed}")
        if self.remedy is not None:
            lines.append(f"  What to do: {self.remedy}")
        return "\n".join(lines)

    def as_dict(self) -> dict[str, str | None]:
        """The one JSON error shape."""
        return {
            "error": type(self).__name__,
            "wrong": self.wrong,
            "got": self.got,
            "allowed": self.allowed,
            "remedy": self.remedy,
        }


class BadInput(RinglandError):
    """Something the user gave cannot be used as it is."""

    exit_status = 2


class FileFormatError(BadInput):
    """A file is not what it claims, is damaged, or no reader takes it."""


class ChannelError(BadInput):
    """A channel is missing, named twice, or its role cannot be told."""


class EngineError(BadInput):
    """An engine description is wrong or does not fit the recording."""


class SettingError(BadInput):
    """An option or setting has a value that is not allowed."""


class UnusableRecording(RinglandError):
    """The file was read, but the recording is not fit to judge."""

    exit_status = 3
