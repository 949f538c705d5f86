"""Figures: `prepare` turns results into arrays a test can check, `draw` puts them on axes.

One figure, one file. matplotlib is imported only when something is drawn.
"""

__all__: list[str] = []
