"""Colours, sizes and marks that all figures share.

Categories use the Okabe-Ito palette (Okabe and Ito 2008, Color Universal Design), magnitudes
cividis (Nunez, Anderton and Renslow 2018). Colour follows, never leads: every state also has its
own mark and its own word.
"""

from types import MappingProxyType
from typing import TYPE_CHECKING

from ringland.model import State

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = [
    "BAND",
    "BLUE",
    "FONT_PT",
    "INK",
    "MUTED",
    "NARROW_IN",
    "PAPER",
    "RULE",
    "SMALL_PT",
    "STATE_FILL",
    "STATE_WORD",
    "VERMILLION",
    "WIDTH_IN",
    "across",
    "is_narrow",
    "on_narrow",
]

INK = "#14181c"
MUTED = "#42494f"
PAPER = "#fcfbf8"
RULE = "#b9b5aa"
BAND = "#dcd8cd"
BLUE = "#0072b2"
VERMILLION = "#d55e00"

WIDTH_IN = 7.2
NARROW_IN = 4.2
"""The canvas for a phone: its text is about as large there as that of the wide one on a tablet."""
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


def is_narrow(figure: "Figure") -> bool:
    """True on the canvas for a phone."""
    return bool(figure.get_figwidth() < 0.8 * WIDTH_IN)


def on_narrow(axes: "Axes") -> bool:
    """True for axes on the canvas for a phone."""
    figure = axes.get_figure(root=True)
    return figure is not None and is_narrow(figure)


def across(figure: "Figure", left: float, width: float) -> tuple[float, float]:
    """Left and width of axes whose margins on the wide canvas are these shares of it, so that they
    are as many inches on a narrower one."""
    scale = WIDTH_IN / figure.get_figwidth()
    return left * scale, 1.0 - (1.0 - width) * scale
