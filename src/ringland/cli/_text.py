"""Text from files is not trusted: nothing in it may move the cursor or look like markup."""

__all__ = ["plain"]


# Typography that a terminal with a narrow encoding could not show.
_PLAINER = {0x202F: " ", 0x00A0: " ", 0x2009: " ", 0x2212: "-"}


def plain(text: str, *, keep_lines: bool = False) -> str:
    """The text with every character that does not print written as an escape.

    Covers terminal control sequences, lone surrogates and marks that reverse the reading
    direction. Line feeds stay when `keep_lines`.
    """
    return "".join(
        c if c.isprintable() or (keep_lines and c == "\n") else ascii(c)[1:-1]
        for c in text.translate(_PLAINER)
    )
