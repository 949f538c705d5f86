"""Which one of several instruments of the same name: by its serial number, else by a label that a
person gave it (`?label=` in its address)."""

import re
from dataclasses import replace

from ringland.errors import SettingError
from ringland.instruments.protocol import Block, Ended, Instrument, InstrumentInfo, SetUp, Wanted

__all__ = ["LABEL", "Labelled", "checked_label", "named"]

LABEL = "label"
"""The option of an address."""
_LABEL = re.compile(r"[^\W_](?:[\w .,:/#+()-]{0,38}[\w.)#+])?")


def checked_label(given: str) -> str:
    """A label as it is kept. Raises SettingError."""
    text = " ".join(given.split())
    if not _LABEL.fullmatch(text):
        raise SettingError(
            "The label of the instrument cannot be this.",
            got=repr(given[:60]),
            allowed="1 to 40 letters, digits, spaces and . , : / # + ( ) -, beginning with a "
            "letter or digit",
            remedy="Take what is written on its case, such as: bay 2",
        )
    return text


def named(title: str, which: str) -> str:
    """An instrument in words: what it calls itself, and which one of that name."""
    return title if not which or which in title else f"{title} ({which})"


class Labelled:
    """An instrument with a label. Where it has a serial number, that counts, and the notes say so;
    raises SettingError for a label that cannot be."""

    def __init__(self, instrument: Instrument, label: str) -> None:
        self._instrument = instrument
        self._label = checked_label(label)

    def describe(self) -> InstrumentInfo:
        """What the instrument says, with the label."""
        info = self._instrument.describe()
        return replace(
            info, which=info.which or self._label, notes=(*info.notes, *self._note(info.which))
        )

    def configure(self, wanted: Wanted) -> SetUp:
        """What the instrument really does, with the label."""
        made = self._instrument.configure(wanted)
        return replace(
            made, which=made.which or self._label, notes=(*made.notes, *self._note(made.which))
        )

    def arm(self) -> None:
        """As the instrument does."""
        self._instrument.arm()

    def fetch(self, timeout_s: float) -> Block | Ended | None:
        """As the instrument does."""
        return self._instrument.fetch(timeout_s)

    def stop(self) -> None:
        """As the instrument does."""
        self._instrument.stop()

    def _note(self, serial: str) -> tuple[str, ...]:
        if not serial or serial == self._label:
            return ()
        return (f"it has the serial number {serial}; the label {self._label} is not used",)
