"""A sound-looking recording at speed says what it cannot show."""

import pytest

from ringland.diagnosis.at_speed import what_speed_hides


@pytest.mark.parametrize("speeds", [[1500.0], [2400.0, 1480.0]])
def test_recorded_at_speed_alone(speeds: list[float | None]) -> None:
    """The slowest recording is the one that tells most."""
    said = what_speed_hides(speeds)
    assert said is not None
    assert f"at {min(s for s in speeds if s is not None):.0f} rpm" in said
    assert "Record at idle too" in said


@pytest.mark.parametrize("speeds", [[750.0], [1500.0, 750.0], [1500.0, None], [None], []])
def test_nothing_is_said_where_idle_is_among_them_or_may_be(speeds: list[float | None]) -> None:
    assert what_speed_hides(speeds) is None


def test_the_tooth_wheel_tells_cylinders_apart_at_speed() -> None:
    assert what_speed_hides([1500.0], crank_speed=True) is None
