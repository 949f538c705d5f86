"""Signal primitives that several steps share: plain arrays in, plain arrays out.

Sits below `model`; knows nothing of engines.
"""

from ringland.signals.linear import (
    detrend_line,
    fill_gaps,
    interpolate_rising,
    running_mean,
)
from ringland.signals.medians import column_medians, median, quantile
from ringland.signals.resample import block_decimate, resample_at
from ringland.signals.smooth import interpolate_cubic, smooth_weighted

__all__ = [
    "block_decimate",
    "column_medians",
    "detrend_line",
    "fill_gaps",
    "interpolate_cubic",
    "interpolate_rising",
    "median",
    "quantile",
    "resample_at",
    "running_mean",
    "smooth_weighted",
]
