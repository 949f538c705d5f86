"""The compiled tracker stays inside its arrays when a start has gone astray."""

import numpy as np

from ringland.cycles._phase import align


def test_a_phase_that_begins_far_below_zero() -> None:
    """Periods before the first are not there to be written to (this once corrupted memory)."""
    time_s = np.arange(2_000) / 1_000.0
    signals = np.sin(2.0 * np.pi * 20.0 * time_s)[None, :]
    phase = 20.0 * time_s
    steep = np.where(time_s < 0.2, phase - 400.0 * (0.2 - time_s), phase)
    agreement, settled, scatter, likeness = align(signals, 1_000.0, steep, 4, False)
    assert np.isfinite(agreement)
    assert len(settled) == len(time_s)
    assert scatter >= 0.0
    assert np.isfinite(likeness)


def test_a_phase_that_runs_away_is_given_up() -> None:
    """More periods than samples are no periods, and no room is made for them."""
    time_s = np.arange(1_000) / 1_000.0
    agreement, *_ = align(np.ones((1, 1_000)), 1_000.0, 1e12 * time_s, 4, False)
    assert agreement < 0.0
