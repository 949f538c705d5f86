"""Colours, sizes and marks that all figures share.

Categories use the Okabe-Ito palette (Okabe and Ito 2008, Color Universal Design), magnitudes
cividis (Nunez, Anderton and Renslow 2018). Colour follows, never leads: every state also has its
own mark and its own word.
"""

from types import MappingProxyType

from ringland.model import State

__all__ = [
    "BAND",
    "BLUE",
    "FONT_PT",
    "INK",
    "MUTED",
    "PAPER",
    "RULE",
    "SMALL_PT",
    "STATE_FILL",
    "STATE_WORD",
    "VERMILLION",
    "WIDTH_IN",
]

INK = "#14181c"
MUTED = "#42494f"
PAPER = "#fcfbf8"
RULE = "#b9b5aa"
BAND = "#dcd8cd"
BLUE = "#0072b2"
VERMILLION = "#d55e00"

WIDTH_IN = 7.2
FONT_PT = 9.5
SMALL_PT = 8.5

# matplotlib's marker fill styles; a dash stands where nothing was judged.
STATE_FILL = MappingProxyType(
    {State.NORMAL: "none", State.ALERT: "left", State.ALARM: "full", State.NOT_JUDGED: "none"}
)
STATE_WORD = MappingProxyType(
    {
        State.NORMAL: "normal",
        State.ALERT: "alert",
        State.ALARM: "ALARM",
        State.NOT_JUDGED: "not judged",
    }
)
