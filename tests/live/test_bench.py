"""The simulated instrument on the bench has known faults (none), and a self-check finds them."""

import math

import pytest

from ringland.errors import SettingError
from ringland.instruments.calibration import Calibration, CalibrationKind
from ringland.instruments.protocol import InstrumentFault, Wanted, WantedInput
from ringland.live.bench import open_on_bench
from ringland.live.plainly import record_plainly
from ringland.live.selfcheck import CAUTIONS, HOW, measure
from ringland.live.simulated import TITLE
from ringland.model import ChannelRole

WANTED = Wanted(
    10_000.0,
    (WantedInput("exhaust", ChannelRole.EXHAUST), WantedInput("2", ChannelRole.CRANKCASE)),
)
FAST = "simulator?pace=1000&label=bay 2"


def checked(what: CalibrationKind, seconds: float = 4.0) -> tuple[Calibration, ...]:
    recording, set_up = record_plainly(open_on_bench(FAST, what, seconds), WANTED, seconds)
    return measure(what, recording, set_up, known_pa=2000.0)


@pytest.mark.parametrize("what", list(CalibrationKind))
def test_each_check_is_kept_for_the_one_that_was_named(what: CalibrationKind) -> None:
    found = checked(what)
    assert [(c.instrument, c.which, c.input) for c in found] == [
        (TITLE, "bay 2", "exhaust"), (TITLE, "bay 2", "crankcase")
    ]  # fmt: skip
    assert CAUTIONS[what] and HOW[what]


def test_what_is_found() -> None:
    for one in checked(CalibrationKind.NOISE):  # 2 mV with 1 mV of mains (peak)
        assert one.value == pytest.approx(math.hypot(0.002, 0.001 / math.sqrt(2)), rel=0.02)
        assert one.readings["mains_share"] == pytest.approx(1 / 9, abs=0.02)
    _, second = checked(CalibrationKind.SKEW)
    assert abs(second.value) < 5e-7
    assert all(one.value == 1.0 for one in checked(CalibrationKind.POLARITY))
    for one in checked(CalibrationKind.STEP):
        assert one.value == pytest.approx(1.0, rel=0.02)
        assert one.readings["rise_s"] == pytest.approx(math.log(9) * 0.002, rel=0.1)
        assert one.readings["corner_hz"] == pytest.approx(1 / (2 * math.pi * 1.5), rel=0.1)
        assert one.readings["per_pa"] == pytest.approx(0.0005, rel=0.02)


@pytest.mark.parametrize("seconds", [1.0, 8.0, 20.0])
def test_the_person_waits_a_quarter_of_any_time(seconds: float) -> None:
    assert all(one.value > 0.0 for one in checked(CalibrationKind.POLARITY, seconds))


def test_it_tells_how_far_it_is_and_can_be_stopped() -> None:
    class Enough(Exception):
        """Raised to stop."""

    told: list[float] = []

    def at(seconds: float) -> None:
        told.append(seconds)
        if seconds > 1.0:
            raise Enough

    bench = open_on_bench(FAST, CalibrationKind.NOISE, 4.0)
    with pytest.raises(Enough):
        record_plainly(bench, WANTED, 4.0, progress=at)
    assert told == sorted(told) and told[0] == 0.0


def test_what_ends_early_is_no_check() -> None:
    from ringland.engines import engine_from_mapping
    from ringland.live.kinds import open_for
    from ringland.model import Condition

    described = {"cylinders": 4, "firing_order": "1-3-4-2"}
    engine = engine_from_mapping(described, source_name="a test")
    short = open_for("simulator?seconds=1&pace=1000", engine, Condition.IDLE)
    with pytest.raises(InstrumentFault, match="before there was enough"):
        record_plainly(short, WANTED, 4.0)


def test_an_option_it_does_not_have() -> None:
    with pytest.raises(SettingError, match="no such option"):
        open_on_bench("simulator?colour=red", CalibrationKind.NOISE, 4.0)
