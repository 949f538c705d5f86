"""The trigger bounces, or pulses are missing."""

import numpy as np

from ringland.model import QualityFinding, Verdict
from ringland.quality._types import Limit, Subject, count_estimate, not_checked
from ringland.signals import median

__all__ = ["LIMITS", "check"]

SHORT = Limit(0.4, "1", "interval over the usual one below which a pulse is a bounce")
LONG = Limit(1.6, "1", "interval over the usual one above which a pulse is missing")
SHARE = Limit(0.02, "1", "share of bounced and missing pulses that is let pass")
LIMITS = (SHORT, LONG, SHARE)


def check(subject: Subject) -> QualityFinding:
    """Hold every interval against the median of the 9 around it."""
    trigger = subject.trigger
    assert trigger is not None
    time_s = trigger.time_s
    if time_s.size < 6:
        return not_checked(subject, "there are fewer than six pulses")
    interval = np.diff(time_s)
    if not median(interval) > 1e-9:
        return not_checked(subject, "half of the pulses fall on one another")
    usual = _usual(interval)
    bounced = interval < SHORT.value * usual
    missed = interval > LONG.value * usual
    lost = int(np.sum(np.maximum(np.round(interval[missed] / usual[missed]) - 1.0, 1.0)))
    bounces = int(bounced.sum())
    limit = SHARE.value * time_s.size
    measured = count_estimate(bounces + lost)
    if bounces + lost <= limit:
        return subject.finding(
            Verdict.OK, "The trigger comes regularly.", measured=measured, limit=limit
        )
    bad = np.flatnonzero(bounced | missed)
    return subject.finding(
        Verdict.SUSPECT,
        f"The trigger is not regular: {bounces} bounced and {lost} missing pulses "
        f"among {time_s.size}.",
        action="Move the pick-up away from the other leads and clamp it tighter; clean the clip.",
        measured=measured,
        limit=limit,
        spans_s=tuple(zip(time_s[bad].tolist(), time_s[bad + 1].tolist(), strict=True)),
    )


def _usual(interval: np.ndarray) -> np.ndarray:
    """Running median over 9 intervals of those that are not plainly bounces."""
    centre = median(interval[interval >= median(interval)])
    good = np.where(interval > SHORT.value * centre, interval, np.nan)
    there = np.flatnonzero(~np.isnan(good))
    kept = good[there]
    padded = np.pad(kept, 4, mode="edge")
    smooth = np.sort(np.lib.stride_tricks.sliding_window_view(padded, 9), axis=1)[:, 4]
    return np.asarray(np.interp(np.arange(interval.size), there, smooth))
