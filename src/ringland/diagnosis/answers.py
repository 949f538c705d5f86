"""From what a technician read off the gauge to an answer: parse_answer()."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from ringland.diagnosis.knowledge import FollowUpTest, Knowledge, Scope, load_knowledge
from ringland.diagnosis.readings import (
    SEA_LEVEL_PA,
    CompressionRule,
    compression_at_sea_level_pa,
    compression_is_low,
    leak_area_m2,
    leakdown_reading,
)
from ringland.errors import SettingError
from ringland.instruments.obd.decode import misfire_code
from ringland.model import GivenAnswer
from ringland.units import parse_quantity

__all__ = ["READINGS", "READ_OF_ONE", "outcome_words", "parse_answer"]

READINGS = (
    "percent",
    "orifice",
    "supply",
    "heard",
    "dry",
    "wet",
    "highest",
    "altitude",
    "least_ratio",
    "drop",
    "others",
    "pressure",
    "idle_trim",
    "held_trim",
    "codes",
    "misfires",
)
"""Names of all readings that a test may take."""

READ_OF_ONE = frozenset({"compression", "power_balance"})
"""Tests on every cylinder whose readings are those of one of them."""

_REFERENCE_ORIFICE_M = 0.040 * 0.0254
_REFERENCE_SUPPLY_PA = 80 * 6894.757293168
_LEAKS_FROM = 0.20
"""Loss on the reference tester (0.040 in, 80 psi) from which a cylinder leaks: common practice."""
_HIGH_BACK_PRESSURE_PA = 1.5 * 6894.757293168
_CRANKCASE_HIGH_PA = 250.0
_CRANKCASE_LOW_PA = -1000.0
_TRIM_PERCENT = 10.0
_OIL_HELPS_RATIO = 1.10
_FEW_MISFIRES = 10
_NEAR_SHARE = 0.3
"""Below so many counts in a driving cycle a cylinder has none to speak of; from this share of the
highest on another cylinder has some as well. Own rule, no source."""


@dataclass(frozen=True)
class _Found:
    """What readings say: the outcome and the numbers kept. `of_all`: they are of every cylinder
    whichever was asked about; `cylinder` the one that they name."""

    outcome: str
    numbers: tuple[tuple[str, float], ...] = ()
    cylinder: int | None = None
    of_all: bool = False


@dataclass(frozen=True)
class _Given:
    """Readings as typed, by name."""

    test: FollowUpTest
    values: Mapping[str, str]

    def text(self, name: str) -> str | None:
        return self.values.get(name)

    def number(self, name: str, what: str) -> float:
        """A bare number, a per cent sign allowed."""
        text = self.values.get(name)
        try:
            return float((text or "").strip().removesuffix("%").strip())
        except ValueError:
            raise SettingError(
                f"{self.test.title}: {what} is missing or not a number.",
                got=repr(text) if text else "nothing",
                allowed=f"--{name.replace('_', '-')} NUMBER",
            ) from None

    def quantity(self, name: str, what: str, kind: str) -> float:
        """A number with its unit, in SI."""
        text = self.values.get(name)
        if not text:
            raise SettingError(
                f"{self.test.title}: {what} is missing.",
                allowed=f"--{name.replace('_', '-')} with a unit",
            )
        return parse_quantity(text, kind)[0]


def parse_answer(
    test: str,
    *,
    cylinder: int | None = None,
    firing_position: int | None = None,
    outcome: str | None = None,
    readings: Mapping[str, str] | None = None,
    knowledge: Knowledge | None = None,
) -> GivenAnswer:
    """An answer from an outcome's id, or from readings as typed ("35", "1.0mm", "7bar").

    A reading "excess" says how far it is beyond its limit, in units of the limit: far beyond is
    seldom a false alarm. Raises SettingError when the test or outcome is not known, a reading is
    missing or out of range, or neither outcome nor readings are given.
    """
    follow_up = (knowledge or load_knowledge()).test(test)
    given = _Given(follow_up, {k: v for k, v in (readings or {}).items() if v})
    if outcome is not None:
        found = _Found(outcome)
    elif test in _FROM_READINGS and given.values:
        found = _FROM_READINGS[test](given, cylinder)
    else:
        takes = _TAKES.get(test)
        raise SettingError(
            f"{follow_up.title}: what was the answer?",
            allowed="; ".join(f"{o.id} ({o.title})" for o in follow_up.outcomes),
            remedy="Name one of these" + (f", or give {takes}." if takes else "."),
        )
    follow_up.outcome_index(found.outcome)
    if found.of_all:
        cylinder = found.cylinder
        if found.cylinder is None:
            firing_position = None
    nowhere = cylinder is None and firing_position is None
    every = follow_up.scope is Scope.EVERY_CYLINDER
    if nowhere and every and follow_up.needs_place(found.outcome):
        raise SettingError(
            f"{follow_up.title}: which cylinder stood out?",
            allowed="a cylinder number or a firing position (--cylinder, --position)",
        )
    return GivenAnswer(test, found.outcome, firing_position, cylinder, found.numbers)


def _leakdown(given: _Given, cylinder: int | None) -> _Found:
    """Loss as read to the loss on the reference tester; the leak area is kept."""
    loss = given.number("percent", "the loss in per cent") / 100.0
    orifice = given.quantity("orifice", "the tester's orifice", "length")
    supply = given.quantity("supply", "the supply pressure", "pressure")
    area = leak_area_m2(loss, orifice, supply)
    comparable = leakdown_reading(area, _REFERENCE_ORIFICE_M, _REFERENCE_SUPPLY_PA)
    readings = (
        ("loss", loss),
        ("orifice_m", orifice),
        ("supply_pa", supply),
        ("leak_area_m2", area),
        ("loss_on_reference_tester", comparable),
        ("excess", comparable / _LEAKS_FROM - 1.0),
    )
    if comparable <= _LEAKS_FROM:
        return _Found("tight", readings)
    return _Found(given.text("heard") or "unclear", readings)


def _compression(given: _Given, cylinder: int | None) -> _Found:
    """Dry reading against the highest by the maker's rule, then what oil did."""
    dry = given.quantity("dry", "the dry reading", "pressure")
    highest = given.quantity("highest", "the reading of the best cylinder", "pressure")
    ratio = given.number("least_ratio", "the maker's ratio") if given.text("least_ratio") else 0.75
    readings = [("dry_pa", dry), ("highest_pa", highest)]
    if given.text("altitude"):
        altitude = given.quantity("altitude", "the altitude", "length")
        sea_level = compression_at_sea_level_pa(dry, altitude_m=altitude)
        readings += [("altitude_m", altitude), ("dry_at_sea_level_pa", sea_level)]
    if not compression_is_low(dry, highest, CompressionRule(least_ratio=ratio)):
        return _Found("normal", tuple(readings))
    readings.append(("excess", (1.0 - dry / highest) / (1.0 - ratio) - 1.0))
    wet = given.quantity("wet", "low: the reading again after 15 ml of oil", "pressure")
    readings.append(("wet_pa", wet))
    helps = wet >= _OIL_HELPS_RATIO * dry
    return _Found("low_oil_helps" if helps else "low_oil_no_help", tuple(readings))


def _power_balance(given: _Given, cylinder: int | None) -> _Found:
    """Speed drop of this cylinder against half of the others' median (common practice)."""
    drop = given.number("drop", "the speed drop of this cylinder")
    others = given.number("others", "the speed drop of the others")
    chosen = "drops_little" if drop < 0.5 * others else "drops_like_others"
    return _Found(chosen, (("drop_rpm", drop), ("others_rpm", others)))


def _fuel_trims(given: _Given, cylinder: int | None) -> _Found:
    """Sum of short and long term trim at idle and at 2500 rpm, per cent."""
    idle = given.number("idle_trim", "the trim at idle")
    held = given.number("held_trim", "the trim at 2500 rpm")
    readings = (("idle_trim", idle / 100), ("held_trim", held / 100))
    if held > _TRIM_PERCENT:
        return _Found("lean_everywhere", readings)
    if idle > _TRIM_PERCENT:
        return _Found("lean_at_idle", readings)
    return _Found("rich" if min(idle, held) < -_TRIM_PERCENT else "normal", readings)


def _back_pressure(given: _Given, cylinder: int | None) -> _Found:
    pressure = given.quantity("pressure", "the back-pressure", "pressure")
    chosen = "high" if pressure > _HIGH_BACK_PRESSURE_PA else "normal"
    excess = pressure / _HIGH_BACK_PRESSURE_PA - 1.0
    return _Found(chosen, (("pressure_pa", pressure), ("excess", excess)))


def _crankcase_pressure(given: _Given, cylinder: int | None) -> _Found:
    pressure = given.quantity("pressure", "the crankcase pressure", "pressure")
    if abs(pressure) > 0.5 * SEA_LEVEL_PA:
        raise SettingError(
            "The crankcase pressure is out of range.",
            got=f"{pressure / 1e3:g} kPa",
            allowed="gauge pressure, above or below the air outside",
        )
    chosen = "normal"
    if pressure > _CRANKCASE_HIGH_PA:
        chosen = "high"
    elif pressure < _CRANKCASE_LOW_PA:
        chosen = "strong_vacuum"
    return _Found(chosen, (("pressure_pa", pressure),))


def _codes(given: _Given, cylinder: int | None) -> _Found:
    """Published trouble codes to an answer. The cylinder is the maker's number, the one that the
    codes name; where they name several it is "random or several"."""
    told = [c.strip().upper() for c in (given.text("codes") or "").split(",")]
    codes = [c for c in told if c and c != "NONE"]
    meanings = [misfire_code(c) for c in codes]
    named = {int(c[3:]) for c, m in zip(codes, meanings, strict=True) if m and _names_one(c)}
    if len(named) == 1:
        return _Found("this_cylinder", cylinder=named.pop(), of_all=True)
    if named or "P0300" in codes:
        return _Found("random_misfire", of_all=True)
    if {"P0171", "P0172", "P0174", "P0175"} & set(codes):
        return _Found("mixture", of_all=True)
    return _Found("no_code" if not codes or all(meanings) else "other", of_all=True)


def _names_one(code: str) -> bool:
    """Whether a misfire code is that of one cylinder, P0301 to P0312 (SAE J2012)."""
    return code.startswith("P03") and 1 <= int(code[3:]) <= 12


def _misfires(given: _Given, cylinder: int | None) -> _Found:
    """Counts by cylinder ("0,213,1,-": - where not known), against each other: the one with most
    counts stands out when no other comes near it, whichever was asked about."""
    text = given.text("misfires") or ""
    counts: list[float | None] = []
    for part in (p.strip() for p in text.split(",")):
        if part not in ("", "-") and not (part.isdecimal() and len(part) < 7):
            raise SettingError(
                f"{given.test.title}: a count cannot be read.",
                got=repr(part),
                allowed="whole numbers in the order of the cylinders, - where not known",
            )
        counts.append(float(part) if part.isdecimal() else None)
    known = [(c, n) for n, c in enumerate(counts, start=1) if c is not None]
    if not known:
        raise SettingError(
            f"{given.test.title}: there is no count.",
            got=repr(text),
            allowed="whole numbers in the order of the cylinders, - where not known",
        )
    most, here = max(known)
    numbers = (("count", most), ("count_of_all", sum(c for c, _ in known)))
    if most < _FEW_MISFIRES:
        return _Found("none", numbers, of_all=True)
    if all(c < max(_FEW_MISFIRES, _NEAR_SHARE * most) for c, n in known if n != here):
        return _Found("counts_here", numbers, here, of_all=True)
    return _Found("counts_spread", numbers, of_all=True)


_FROM_READINGS: dict[str, Callable[[_Given, int | None], _Found]] = {
    "leakdown": _leakdown,
    "compression": _compression,
    "power_balance": _power_balance,
    "fuel_trims": _fuel_trims,
    "exhaust_back_pressure": _back_pressure,
    "crankcase_pressure": _crankcase_pressure,
    "trouble_codes": _codes,
    "misfire_counters": _misfires,
}
_TAKES = {
    "leakdown": "--percent, --orifice, --supply and --heard",
    "compression": "--dry, --highest and, when low, --wet",
    "power_balance": "--drop and --others",
    "fuel_trims": "--idle-trim and --held-trim",
    "exhaust_back_pressure": "--pressure",
    "crankcase_pressure": "--pressure",
    "trouble_codes": "--codes",
    "misfire_counters": "--misfires",
}


def outcome_words(answers: Sequence[GivenAnswer], knowledge: Knowledge) -> tuple[str, ...]:
    """Each answer in words."""
    words = []
    for answer in answers:
        test = knowledge.test(answer.test)
        title = test.outcomes[test.outcome_index(answer.outcome)].title
        place = f", cylinder {answer.cylinder}" if answer.cylinder is not None else ""
        if not place and answer.firing_position is not None:
            place = f", firing position {answer.firing_position}"
        words.append(f"{test.title}{place}: {title}")
    return tuple(words)
