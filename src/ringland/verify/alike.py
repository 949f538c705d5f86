"""May two recordings be compared: what is unlike between them, and what to do about it.

Limits are own heuristics unless named; see docs/theory/verify.md, table 1.
"""

from dataclasses import dataclass
from enum import StrEnum

from ringland.model import Condition, Reference
from ringland.units import percent
from ringland.verify.readings import Measured

__all__ = ["Objection", "Weight", "moved_channels", "objections"]

_SPEED_REFUSED, _SPEED_WARNED = 0.12, 0.06  # share of the speed before
_TEMPERATURE_REFUSED_K, _TEMPERATURE_WARNED_K = 30.0, 15.0
_MOVED_DEG = 12.0
_SURE = 0.95
_FEW_CYCLES = 30
_EXHAUST = ("exhaust", "exhaust_2")


class Weight(StrEnum):
    """What an objection does: `REFUSED` nothing is compared, `LEFT_OUT` part of it is not."""

    REFUSED = "refused"
    LEFT_OUT = "left_out"
    WARNING = "warning"


@dataclass(frozen=True)
class Objection:
    """One thing that is unlike, in words a mechanic would use."""

    id: str
    weight: Weight
    sentence: str
    remedy: str


def objections(before: Measured, after: Measured) -> tuple[Objection, ...]:
    """Everything that speaks against comparing, gravest first."""
    found = [
        *_not_usable(before, after),
        *_same_file(before, after),
        *_engine(before, after),
        *_software(before, after),
        *_condition(before, after),
        *_speed(before, after),
        *_temperature(before, after),
        *_numbering(before, after),
        *_hook_up(before, after),
        *_moved(before, after),
        *_few(before, after),
    ]
    order = list(Weight)
    return tuple(sorted(found, key=lambda o: order.index(o.weight)))


def _not_usable(before: Measured, after: Measured) -> list[Objection]:
    return [
        Objection(
            "not_judged",
            Weight.REFUSED,
            f"The recording {when} was not judged: {m.not_judged or 'nothing was measured'}",
            "Record again; ringland check says what to mend while the sensors are on.",
        )
        for when, m in (("before", before), ("after", after))
        if m.not_judged is not None or not m.readings
    ]


def _same_file(before: Measured, after: Measured) -> list[Objection]:
    if before.sha256 is None or before.sha256 != after.sha256:
        return []
    return [
        Objection(
            "same_recording",
            Weight.REFUSED,
            "Before and after are the same recording.",
            "Name two recordings, one from before the work and one from after it.",
        )
    ]


def _engine(before: Measured, after: Measured) -> list[Objection]:
    if (before.cylinders, before.firing_order) == (after.cylinders, after.firing_order):
        return []
    return [
        Objection(
            "other_engine",
            Weight.REFUSED,
            f"The engines are described differently: {before.cylinders} cylinders firing "
            f"{_order(before)}, and {after.cylinders} firing {_order(after)}.",
            "Analyse both with the same engine file. Another engine has no before.",
        )
    ]


def _order(measured: Measured) -> str:
    return "-".join(str(c) for c in measured.firing_order)


def _software(before: Measured, after: Measured) -> list[Objection]:
    if before.software == after.software:
        return []
    return [
        Objection(
            "other_version",
            Weight.REFUSED,
            f"The analyses were made by different versions ({before.software} and "
            f"{after.software}): a difference could be the program's.",
            "Analyse the older recording again first; give the recording instead of its JSON.",
        )
    ]


def _condition(before: Measured, after: Measured) -> list[Objection]:
    unknown = str(Condition.UNKNOWN)
    if unknown in (before.condition, after.condition):
        return [
            Objection(
                "condition_not_said",
                Weight.WARNING,
                "How the engine was run is not known for both recordings.",
                "Say it with --condition; here only the speeds were compared.",
            )
        ]
    if before.condition == after.condition:
        return []
    return [
        Objection(
            "other_condition",
            Weight.REFUSED,
            f"The engine was run differently: {before.condition} before, {after.condition} after.",
            "Record again the way it was run before.",
        )
    ]


def _speed(before: Measured, after: Measured) -> list[Objection]:
    if not before.speed_rpm.value or not after.speed_rpm.value:
        return []
    ratio = after.speed_rpm.value / before.speed_rpm.value
    off = abs(ratio - 1.0)
    if off <= _SPEED_WARNED:
        return []
    refused = off > _SPEED_REFUSED
    limit = _SPEED_REFUSED if refused else _SPEED_WARNED
    return [
        Objection(
            "other_speed",
            Weight.REFUSED if refused else Weight.WARNING,
            f"The speeds differ by {percent(off)}: {before.speed_rpm.value:.0f} rpm before, "
            f"{after.speed_rpm.value:.0f} rpm after (limit {percent(limit)}).",
            f"Record again near {before.speed_rpm.value:.0f} rpm.",
        )
    ]


def _temperature(before: Measured, after: Measured) -> list[Objection]:
    if before.temperature_k is None or after.temperature_k is None:
        return [
            Objection(
                "temperature_not_said",
                Weight.WARNING,
                "The engine's temperature is not known for both recordings.",
                "Note the coolant or oil temperature; a cold engine pushes more past its rings.",
            )
        ]
    off = abs(after.temperature_k - before.temperature_k)
    if off <= _TEMPERATURE_WARNED_K:
        return []
    return [
        Objection(
            "other_temperature",
            Weight.REFUSED if off > _TEMPERATURE_REFUSED_K else Weight.WARNING,
            f"The engine was {off:.0f} K {'warmer' if after.temperature_k > before.temperature_k else 'colder'} "  # noqa: E501
            "after than before.",
            "Record again at the same temperature.",
        )
    ]


def _numbering(before: Measured, after: Measured) -> list[Objection]:
    sure = str(Reference.CYLINDER)
    found = [
        Objection(
            "positions_not_known",
            Weight.REFUSED,
            f"The recording {when} does not say which pulse is which cylinder's: "
            f"{m.numbering_reason.rstrip('.') or 'no reason was recorded'}.",
            "Clip on the trigger in both recordings: without it a position before cannot be "
            "matched with one after.",
        )
        for when, m in (("before", before), ("after", after))
        if m.numbering != sure
    ]
    if not found and min(before.least_assignment, after.least_assignment) < _SURE:
        found.append(
            Objection(
                "numbers_not_certain",
                Weight.WARNING,
                "Which cylinder a tailpipe pulse belongs to is not certain in both recordings.",
                "Give the length of the exhaust in the engine file.",
            )
        )
    return found


def _hook_up(before: Measured, after: Measured) -> list[Objection]:
    roles = [{role for role, _ in m.channels} for m in (before, after)]
    measured = [{r.role for r in m.readings if r.value is not None} for m in (before, after)]
    if before.readings and after.readings and not measured[0] & measured[1]:
        return [
            Objection(
                "no_common_channel",
                Weight.REFUSED,
                "No channel was measured in both recordings.",
                "Hook up the same sensors as before.",
            )
        ]
    found = []
    for role in sorted(roles[0] ^ roles[1]):
        when = "before" if role in roles[0] else "after"
        found.append(
            Objection(
                "other_channels",
                Weight.LEFT_OUT,
                f"The channel {role.replace('_', ' ')} was hooked up {when} only.",
                "Hook up the same sensors as before.",
            )
        )
    units = [dict(m.channels) for m in (before, after)]
    for role in sorted(roles[0] & roles[1]):
        if units[0][role] != units[1][role]:
            found.append(
                Objection(
                    "other_unit",
                    Weight.WARNING,
                    f"The channel {role.replace('_', ' ')} is in {units[0][role]} before and "
                    f"{units[1][role]} after: another sensor or another setting.",
                    "Use the same sensor. What is compared is relative, so this alone stops "
                    "nothing.",
                )
            )
    if before.phase_source != after.phase_source and before.readings and after.readings:
        found.append(
            Objection(
                "other_phase_source",
                Weight.WARNING,
                f"The crank angle comes from {_words(before.phase_source)} before and "
                f"{_words(after.phase_source)} after.",
                "Hook up the same trigger or crank sensor.",
            )
        )
    return found


def _words(name: str) -> str:
    return f"the {name.replace('_', ' ')}" if name else "nowhere"


def moved_channels(before: Measured, after: Measured) -> tuple[tuple[str, float], ...]:
    """Exhaust channels on which the pulse is heard at another crank angle, with the difference.

    Putting a sensor back and another day's gas temperature move it by a few degrees; more means
    that the blow-down was found at another place, and strengths are read there.
    """
    found = []
    late = dict(after.delays_s)
    for role, one in before.delays_s:
        other = late.get(role)
        if role not in _EXHAUST or other is None or one.value is None or other.value is None:
            continue
        if not before.speed_rpm.value or not after.speed_rpm.value:
            continue
        moved = 6.0 * (other.value * after.speed_rpm.value - one.value * before.speed_rpm.value)
        if abs(moved) > _MOVED_DEG:
            found.append((role, moved))
    return tuple(found)


def _moved(before: Measured, after: Measured) -> list[Objection]:
    return [
        Objection(
            "pulse_moved",
            Weight.LEFT_OUT,
            f"On the channel {role.replace('_', ' ')} the pulses are heard {abs(moved):.0f} deg "
            f"{'later' if moved > 0 else 'earlier'} than before: its strengths are read elsewhere "
            "and are not compared.",
            "Put the sensor as deep into the tailpipe as before, at the same speed; give the "
            "length of the exhaust in the engine file.",
        )
        for role, moved in moved_channels(before, after)
    ]


def _few(before: Measured, after: Measured) -> list[Objection]:
    return [
        Objection(
            "few_cycles",
            Weight.WARNING,
            f"Only {m.cycles_kept} cycles {when}: small changes cannot be seen.",
            "Record for longer.",
        )
        for when, m in (("before", before), ("after", after))
        if m.readings and m.cycles_kept < _FEW_CYCLES
    ]
