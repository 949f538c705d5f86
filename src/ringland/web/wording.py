"""How values are written on a page: filters of the templates."""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from ringland.model import Estimate, natural_frequency
from ringland.report.numbers import write_estimate, write_odds, write_plain

__all__ = ["FILTERS", "distance_text", "purpose_text", "when_text"]

_CONDITIONS = {
    "idle": "idle",
    "held": "speed held",
    "cranking": "cranking",
    "snap": "snap of the throttle",
    "unknown": "not said how it was run",
}
_PURPOSES = {
    "baseline": "baseline, sound engine",
    "fault-finding": "fault-finding",
    "before": "before a repair",
    "after": "after a repair",
    "follow-up": "follow-up",
}
_STATES = {"normal": "normal", "alert": "alert", "alarm": "ALARM"}


def _estimate(value: dict[str, Any] | None, percent: bool = True) -> str:
    """An estimate of the JSON document as text."""
    if value is None or value.get("value") is None:
        reason = (value or {}).get("reason") or "no reason was recorded"
        return f"not known: {reason}"
    known = Estimate(value["value"], value["low"], value["high"], value["unit"])
    return write_estimate(known, percent=percent).text


def when_text(utc: str | None) -> str:
    """A moment of the store in local time, to the minute."""
    if not utc:
        return ""
    try:
        moment = datetime.fromisoformat(utc.replace("Z", "+00:00"))
    except ValueError:
        return utc
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return moment.astimezone().strftime("%Y-%m-%d %H:%M")


def _moment(unix_s: float) -> str:
    """A moment in local time, to the minute."""
    return datetime.fromtimestamp(unix_s, UTC).astimezone().strftime("%Y-%m-%d %H:%M")


def _size(count: int | None) -> str:
    if count is None:
        return "not known"
    if count < 1_000_000:
        return f"{write_plain(count / 1e3)} kB"
    return f"{write_plain(count / 1e6)} MB"


def _seconds(value: float | None) -> str:
    return "length not known" if value is None else f"{value:.1f} s"


def distance_text(value: float | None, unit: str = "km") -> str:
    """A distance kept in kilometres, in the unit chosen."""
    if value is None:
        return ""
    from ringland.units import from_si

    shown = value if unit == "km" else from_si(value * 1000.0, unit)
    return f"{write_plain(round(shown))} {unit}"


def _state_mark(state: str) -> str:
    return state.replace(" ", "_")


def _state_word(state: str) -> str:
    return _STATES.get(state.replace("_", " "), state.replace("_", " "))


def _condition(value: str) -> str:
    return _CONDITIONS.get(value, value)


def purpose_text(value: str) -> str:
    """What a visit is for, in words."""
    return _PURPOSES.get(value, value)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _from_json(text: str) -> dict[str, Any]:
    """A JSON object of the store; empty when it is none."""
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


FILTERS: dict[str, Callable[..., Any]] = {
    "capital": _capital,
    "condition": _condition,
    "distance": distance_text,
    "estimate": _estimate,
    "odds": write_odds,
    "from_json": _from_json,
    "moment": _moment,
    "often": natural_frequency,
    "plain": write_plain,
    "purpose": purpose_text,
    "seconds": _seconds,
    "size": _size,
    "state_mark": _state_mark,
    "state_word": _state_word,
    "when": when_text,
}
