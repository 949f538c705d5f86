"""The instrument view: a recording as lanes of time, every cycle as a row, and what if.

`pyramid` and `traces` answer a window of the trace in milliseconds; `results` and `shown` are what
a process of its own (`process`) makes of the analysis; `routes` are the addresses and the pages.
"""

from ringland.web.instrument.routes import router

__all__ = ["router"]
