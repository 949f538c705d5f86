"""Which channel measures what: from the user's map, from names, from content; always with a reason.

Names of channels are common practice in workshops; no source.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ringland.errors import ChannelError, SettingError
from ringland.model import ChannelRole

__all__ = ["Candidate", "RoleChoice", "choose_roles", "find_channel", "parse_role"]

_R = ChannelRole


@dataclass(frozen=True)
class Candidate:
    """A channel before it has a role. `unit` is SI; `changes` counts level changes of an edge
    train, None for a sampled channel."""

    name: str
    unit: str
    changes: int | None = None

    @property
    def nameless(self) -> bool:
        """True when the name says nothing ("", "Channel 3", "CH1", "A")."""
        return bool(_NAMELESS.match(self.name))


@dataclass(frozen=True)
class RoleChoice:
    """A role and how it was decided."""

    role: ChannelRole
    reason: str


_NAMELESS = re.compile(
    r"^\s*((analog|digital|logic|data|input|volt(age)?|signal|value|column|channel|chan|ch|col|ai|di|d)"
    r"[\s_\-.]*(in(put)?)?[\s_\-.]*\d{0,5}|channel\s*[a-h]|[a-h]|\d{0,5}|untitled|data|x|y|samples?)\s*$",
    re.I,
)

# In this order: the first pattern that fits a name decides. Compared with the lower-case name in
# which every run of other characters is one space.
_WORDS: tuple[tuple[ChannelRole, re.Pattern[str]], ...] = tuple(
    (role, re.compile(pattern))
    for role, pattern in (
        (_R.STARTER_CURRENT, r"\bstarter\b|\b(cranking|battery) (current|amps)\b|\bcurrent\b|"
                             r"\b(amp|current|inductive) ?clamp\b|\bclamp\b|\bamps?\b"),
        (_R.CRANKCASE, r"\bcrank ?case\b|\bblow ?by\b|\bdip ?stick\b|\boil (filler|cap)\b|"
                       r"\bfiller\b|\bsump\b|\bcrank ?case pressure\b|\bcarter\b"),
        (_R.CAM, r"\bcam\b|\bcam ?shaft\b|\bcmp\b|\bcam ?\d\b|\bphase sensor\b"),
        (_R.SOUND, r"\bsound\b|\bmic\b|\bmicrophone\b|\baudio\b|\bacoustic\b"),
        (_R.EXHAUST_2, r"\b(exhaust|tail ?pipe|exh|muffler|silencer)\b.*\b(2|two|right|b)\b|"
                       r"\b(exhaust|tailpipe|exh)2\b|"
                       r"\b(right|second|2nd)\b.*\b(exhaust|tail ?pipe|exh)\b"),
        (_R.EXHAUST, r"\bexhaust\b|\btail ?pipe\b|\bexh\b|\bmuffler\b|\bsilencer\b|"
                     r"\b(exhaust|tailpipe|exh)1\b|\bauspuff\b|\bescape\b"),
        (_R.INTAKE, r"\bintake\b|\binlet\b|\bmanifold\b|\bmap\b|\bvacuum\b|\bplenum\b"),
        (_R.IGNITION, r"\bignition\b|\bign\d?\b|\btrig(ger)?\b|\bcoil\d?\b|\bspark\b|\bsync\b|"
                      r"\b(cyl|cylinder) ?1\b|\bplug\b|\bht lead\b"),
        (_R.CRANK_TOOTH, r"\bcrank tooth\b|\bckp\b|\bcrank ?shaft\b|\bcrank\b|\btooth\b|\bteeth\b|"
                         r"\bfly ?wheel\b|\breluctor\b|\b60 2\b|\b36 [12]\b|\brpm sensor\b|"
                         r"\bpick ?up\b"),
    )
)  # fmt: skip

# SI units in which a channel with this role can be recorded; edge trains have unit "".
_PRESSURE = frozenset({"Pa", "V", "1"})
_FITTING: Mapping[ChannelRole, frozenset[str]] = {
    _R.EXHAUST: _PRESSURE,
    _R.EXHAUST_2: _PRESSURE,
    _R.CRANKCASE: _PRESSURE,
    _R.INTAKE: _PRESSURE,
    _R.SOUND: _PRESSURE,
    _R.IGNITION: frozenset({"V", "A", "1", ""}),
    _R.STARTER_CURRENT: frozenset({"A", "V", "1"}),
    _R.CRANK_TOOTH: frozenset({"V", "A", "1", ""}),
    _R.CAM: frozenset({"V", "A", "1", ""}),
}
_SAY = "say which with --channel ROLE=NAME"


def parse_role(text: str) -> ChannelRole:
    """The role of this name; SettingError when there is none."""
    try:
        role = ChannelRole(text.strip().lower().replace("-", "_").replace(" ", "_"))
    except ValueError:
        role = _R.UNASSIGNED
    if role is _R.UNASSIGNED:
        raise SettingError(
            f"There is no channel role called '{text}'.",
            got=text,
            allowed=", ".join(r.value for r in ChannelRole if r is not _R.UNASSIGNED),
            remedy="Use one of these names, for example exhaust=CH1.",
        )
    return role


def find_channel(names: Sequence[str], wanted: str) -> int:
    """Index of the channel with this name or 1-based number; ChannelError when there is none."""
    for match in (
        [i for i, n in enumerate(names) if n == wanted],
        [i for i, n in enumerate(names) if n.strip().casefold() == wanted.strip().casefold()],
    ):
        if len(match) == 1:
            return match[0]
        if match:
            raise ChannelError(
                f"{len(match)} channels are called '{wanted}'.",
                got="channels number " + ", ".join(str(i + 1) for i in match),
                allowed="a name that only one channel has, or a channel number",
                remedy=f"Give the number instead, for example {match[0] + 1}.",
            )
    if wanted.strip().isdecimal() and 1 <= int(wanted) <= len(names):
        return int(wanted) - 1
    shown = ", ".join(f"{i + 1} '{n}'" for i, n in enumerate(names[:20]))
    raise ChannelError(
        f"The recording has no channel called '{wanted}'.",
        got=wanted,
        allowed=shown + (f" ... ({len(names)} channels)" if len(names) > 20 else ""),
        remedy="Use one of these names or numbers.",
    )


def choose_roles(
    candidates: Sequence[Candidate], given: Mapping[ChannelRole, int], given_by: str = "user"
) -> list[RoleChoice]:
    """One choice per candidate. `given` are the indices that the user named."""
    chosen: dict[int, RoleChoice] = {}
    for role, index in given.items():
        if index in chosen:
            raise ChannelError(
                f"Channel '{candidates[index].name}' was given two roles.",
                got=f"{chosen[index].role.value} and {role.value}",
                allowed="one role per channel",
                remedy="Leave one of the two out.",
            )
        chosen[index] = RoleChoice(role, f"given by the {given_by}")
    _by_exact_name(candidates, chosen)
    _by_words(candidates, chosen)
    _by_content(candidates, chosen)
    _edges_by_density(candidates, chosen)
    return [
        chosen.get(i) or RoleChoice(_R.UNASSIGNED, f"the name says nothing known; {_SAY}")
        for i in range(len(candidates))
    ]


def _taken(chosen: Mapping[int, RoleChoice]) -> set[ChannelRole]:
    return {c.role for c in chosen.values()} - {_R.UNASSIGNED}


def _by_exact_name(candidates: Sequence[Candidate], chosen: dict[int, RoleChoice]) -> None:
    """Channels named exactly as a role; two of one name are an error."""
    claims: dict[ChannelRole, list[int]] = {}
    for i, candidate in enumerate(candidates):
        text = candidate.name.strip().lower().replace(" ", "_").replace("-", "_")
        if i not in chosen and text in set(ChannelRole) - {_R.UNASSIGNED}:
            claims.setdefault(ChannelRole(text), []).append(i)
    for role, indices in claims.items():
        if role in _taken(chosen):
            for i in indices:
                chosen[i] = RoleChoice(_R.UNASSIGNED, f"another channel was given as {role.value}")
        elif len(indices) > 1:
            raise ChannelError(
                f"{len(indices)} channels claim the role {role.value}.",
                got="channels number " + ", ".join(str(i + 1) for i in indices),
                allowed="one channel per role",
                remedy=f"Say which one counts: --channel {role.value}={indices[0] + 1}.",
            )
        else:
            chosen[indices[0]] = RoleChoice(role, "the channel is named so")


def _by_words(candidates: Sequence[Candidate], chosen: dict[int, RoleChoice]) -> None:
    """Channels whose name holds a word of the trade."""
    claims: dict[ChannelRole, list[tuple[int, str]]] = {}
    for i, candidate in enumerate(candidates):
        if i in chosen:
            continue
        text = re.sub(r"[^a-z0-9]+", " ", _split_case(candidate.name).lower()).strip()
        found = _word_role(text, candidate)
        if found is None:
            continue
        role, word = found
        unit = "" if candidate.changes is not None else candidate.unit
        if unit in _FITTING[role]:
            claims.setdefault(role, []).append((i, word))
        else:
            chosen[i] = RoleChoice(
                _R.UNASSIGNED,
                f"the name has '{word}' but "
                + (f"the unit {unit}" if unit else "an on/off signal")
                + f" does not fit {role.value}",
            )
    for role, found_here in claims.items():
        names = ", ".join(f"'{candidates[i].name}'" for i, _ in found_here)
        for i, word in found_here:
            if role in _taken(chosen) and len(found_here) == 1:
                reason = f"'{word}' in the name, but another channel is {role.value}"
                chosen[i] = RoleChoice(_R.UNASSIGNED, reason)
            elif len(found_here) > 1:
                reason = f"{names} could all be {role.value}; {_SAY}"
                chosen[i] = RoleChoice(_R.UNASSIGNED, reason)
            else:
                chosen[i] = RoleChoice(role, f"'{word}' in the name")


def _split_case(name: str) -> str:
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)


def _word_role(text: str, candidate: Candidate) -> tuple[ChannelRole, str] | None:
    for role, pattern in _WORDS:
        match = pattern.search(text)
        if match is None:
            continue
        if role is _R.CRANK_TOOTH and candidate.unit == "Pa" and candidate.changes is None:
            return _R.CRANKCASE, f"{match.group(0)}' with a pressure unit '{candidate.unit}"
        return role, match.group(0)
    return None


def _by_content(candidates: Sequence[Candidate], chosen: dict[int, RoleChoice]) -> None:
    """What is left: one lone channel, or the only one in amperes."""
    left = [i for i, c in enumerate(candidates) if i not in chosen and c.changes is None]
    amps = [i for i in left if candidates[i].unit == "A"]
    if len(amps) == 1 and _R.STARTER_CURRENT not in _taken(chosen):
        chosen[amps[0]] = RoleChoice(
            _R.STARTER_CURRENT, "the only channel in amperes without a known name"
        )
    sampled = [i for i, c in enumerate(candidates) if c.changes is None]
    pressures = [i for i in left if candidates[i].unit in _PRESSURE and candidates[i].nameless]
    if len(sampled) == 1 and pressures == sampled:
        chosen[sampled[0]] = RoleChoice(
            _R.EXHAUST, "the only channel, without a telling name: taken as the exhaust"
        )
    elif pressures:
        for i in pressures:
            chosen[i] = RoleChoice(
                _R.UNASSIGNED, f"'{candidates[i].name}' does not say what was measured; {_SAY}"
            )


def _edges_by_density(candidates: Sequence[Candidate], chosen: dict[int, RoleChoice]) -> None:
    """On/off channels without a telling name: the busiest is the crank, the next the cam."""
    for i, candidate in enumerate(candidates):
        if candidate.changes == 0 and i not in chosen:
            chosen[i] = RoleChoice(_R.UNASSIGNED, "it never changes")
    left = [i for i, c in enumerate(candidates) if c.changes and i not in chosen]
    left.sort(key=lambda i: -(candidates[i].changes or 0))
    counts = [candidates[i].changes or 0 for i in left]
    if not left:
        return
    if _R.CRANK_TOOTH not in _taken(chosen):
        if counts[0] < 20:
            reason = f"only {counts[0]} changes, too few for a tooth wheel"
            chosen[left[0]] = RoleChoice(_R.UNASSIGNED, reason)
        elif len(counts) > 1 and counts[1] > 0.7 * counts[0]:
            for i in left[:2]:
                reason = f"two channels change about equally often; {_SAY}"
                chosen[i] = RoleChoice(_R.UNASSIGNED, reason)
            return
        else:
            reason = f"the busiest on/off channel ({counts[0]} changes): taken as the crank teeth"
            chosen[left[0]] = RoleChoice(_R.CRANK_TOOTH, reason)
        left, counts = left[1:], counts[1:]
    if left and _R.CAM not in _taken(chosen) and _R.CRANK_TOOTH in _taken(chosen):
        crank = next(i for i, c in chosen.items() if c.role is _R.CRANK_TOOTH)
        crank_changes = candidates[crank].changes
        if crank_changes is not None and 4 <= counts[0] < 0.7 * crank_changes:
            reason = f"the next busiest on/off channel ({counts[0]} changes): taken as the cam"
            chosen[left[0]] = RoleChoice(_R.CAM, reason)
