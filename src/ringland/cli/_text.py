"""Text from files is not trusted: nothing in it may move the cursor or look like markup."""

__all__ = ["plain"]


def plain(text: str, *, keep_lines: bool = False) -> str:
    """The text with every character that does not print written as an escape.

    Covers terminal control sequences, lone surrogates and marks that reverse the reading
    direction. Line feeds stay when `keep_lines`.
    """
    return "".join(
        c if c.isprintable() or (keep_lines and c == "\n") else ascii(c)[1:-1] for c in text
    )
