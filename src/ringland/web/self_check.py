"""A self-check of an instrument in the app: work with progress, then what was found waits until a
person keeps it or throws it away."""

import json
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated

from fastapi import Depends, Request

from ringland.errors import SettingError
from ringland.history.calibrations import keep_calibrations
from ringland.history.store import Store
from ringland.instruments.calibration import (
    Calibration,
    CalibrationKind,
    as_plain,
    from_plain,
)
from ringland.instruments.labelled import named
from ringland.web.context import Context
from ringland.web.jobs import Job
from ringland.web.measured import Said, measured_of, said_of
from ringland.web.recorder import Recorder
from ringland.web.settings import write_json

__all__ = ["SELF_CHECK", "AskedCheck", "Found", "SelfChecks", "SelfChecksOf", "titled"]

SELF_CHECK = "self-check"
"""What these jobs are about; one at a time."""
_TITLES = {
    CalibrationKind.NOISE: "Noise",
    CalibrationKind.SKEW: "Skew",
    CalibrationKind.POLARITY: "Polarity",
    CalibrationKind.STEP: "Step",
}
_NOW = {
    CalibrationKind.POLARITY: "Now one puff into each hose",
    CalibrationKind.STEP: "Now put the pressure on at once, and hold it",
}
_QUIET_SHARE = 0.3
"""A little more than the quarter that has to be quiet."""


def titled(what: CalibrationKind) -> str:
    """What is measured, as a title."""
    return _TITLES[what]


@dataclass(frozen=True)
class AskedCheck:
    """What is to be measured. `inputs`: role -> input, empty where the instrument's names say it;
    `known_pa` the height of a step."""

    address: str
    what: CalibrationKind
    inputs: Mapping[str, str] = field(default_factory=dict)
    rate_hz: float = 20_000.0
    seconds: float = 8.0
    known_pa: float | None = None


@dataclass(frozen=True)
class Found:
    """What a check found, beside what counts until now; not kept yet."""

    title: str
    instrument: str
    day: str
    values: tuple[Calibration, ...]
    rows: tuple[tuple[Said, Said | None], ...]


class SelfChecks:
    """The one self-check of this computer. What was found waits in a file, so that it is there
    after the program ended."""

    def __init__(self, recorder: Recorder, folder: Path) -> None:
        self._recorder = recorder
        self._path = folder / "web-self-check.json"
        self._lock = threading.Lock()

    def found(self, store: Store) -> Found | None:
        """What waits to be kept or thrown away."""
        try:
            values = tuple(map(from_plain, json.loads(self._path.read_text("utf-8"))))
        except (OSError, ValueError, TypeError, KeyError):
            return None
        if not values:
            return None
        first = values[0]
        before = measured_of(store, first.instrument, first.which, first.address)
        return Found(
            _work(first.what),
            named(first.instrument, first.which),
            first.measured_utc[:10],
            values,
            tuple((said_of(one), _before(one, before)) for one in values),
        )

    def start(self, app: Context, asked: AskedCheck) -> Job:
        """Measure, as work with progress. Raises SettingError when one runs, Conflict when the
        instrument records, and what opening the instrument raises."""
        from ringland.live.bench import open_on_bench
        from ringland.live.guided import wanted_inputs
        from ringland.live.plainly import record_plainly
        from ringland.live.selfcheck import measure

        hold = self._recorder.hold(asked.address)
        try:
            on_bench = open_on_bench(asked.address, asked.what, asked.seconds)
            inputs = wanted_inputs(asked.inputs, on_bench, asked.address)

            def work(told: Callable[[float, str], None]) -> str:
                from ringland.instruments.protocol import Wanted

                self.throw_away()
                try:
                    told(0.0, "Setting up")
                    recording, set_up = record_plainly(
                        on_bench,
                        Wanted(asked.rate_hz, inputs),
                        asked.seconds,
                        progress=_said(asked, told),
                    )
                finally:
                    hold.release()
                values = measure(asked.what, recording, set_up, known_pa=asked.known_pa)
                write_json(self._path, [as_plain(one) for one in values])
                return "Measured. Look at what was found, then keep it or throw it away."

            return app.jobs.do_here(
                _work(asked.what),
                subject=SELF_CHECK,
                work=work,
                busy="A self-check is running already.",
                own=False,
            )
        except BaseException:
            hold.release()
            raise

    def keep(self, app: Context) -> int:
        """Keep what was found: from now on it counts. Raises SettingError when there is
        nothing."""
        with self._lock:
            found = self.found(app.store)
            if found is None:
                raise SettingError("There is nothing to keep.", remedy="Run a self-check first.")
            rows = keep_calibrations(app.store, found.values)
            self.throw_away()
        app.changed("calibration", rows[0].id)
        return len(rows)

    def throw_away(self) -> None:
        """Forget what was found."""
        self._path.unlink(missing_ok=True)


def _work(what: CalibrationKind) -> str:
    return f"Self-check, {titled(what).lower()}"


def _said(asked: AskedCheck, told: Callable[[float, str], None]) -> Callable[[float], None]:
    """Progress in words: what the person does now."""
    from ringland.live.selfcheck import QUIET_FIRST

    def at(seconds: float) -> None:
        share = min(seconds / asked.seconds, 1.0)
        left = f"{max(asked.seconds - seconds, 0.0):.0f} s more"
        doing = "Measuring"
        if asked.what in QUIET_FIRST:
            doing = "Leave everything quiet" if share < _QUIET_SHARE else _NOW[asked.what]
        told(share, f"{doing}: {left}")

    return at


def _before(one: Calibration, known: tuple[Said, ...]) -> Said | None:
    """What counted until now for the same quantity of the same input."""
    same = (k for k in known if (k.input, k.what) == (one.input, one.what.value))
    return next(same, None)


def _self_checks_of(request: Request) -> SelfChecks:
    found: SelfChecks = request.app.state.self_checks
    return found


SelfChecksOf = Annotated[SelfChecks, Depends(_self_checks_of)]
