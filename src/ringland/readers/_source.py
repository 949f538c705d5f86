"""An opened file with roles and units decided: the recording, window by window."""

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ringland.errors import ChannelError, FileFormatError, SettingError
from ringland.model import (
    Channel,
    ChannelInfo,
    ChannelRole,
    EdgeTrain,
    Provenance,
    Recording,
    SourceInfo,
)
from ringland.readers._map import ChannelMap
from ringland.readers._raw import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, FloatArray, RawFile, RawSignal
from ringland.readers._roles import Candidate, RoleChoice, choose_roles, find_channel
from ringland.units import try_unit

__all__ = ["FileSource", "make_source"]

_HASH_LIMIT_BYTES = 256 << 20
_MOST_CHANNELS = 256
_MOST_SAMPLES = 500_000_000


@dataclass(frozen=True)
class _Picked:
    """A signal that is offered, with its role and the way to SI: value * scale + offset."""

    index: int
    info: ChannelInfo
    scale: float
    offset: float


@dataclass(frozen=True, eq=False)
class FileSource:
    """A recording file, read window by window. Made by `open_recording`."""

    raw: RawFile
    picked: tuple[_Picked, ...]
    edge_roles: tuple[RoleChoice, ...]
    source: SourceInfo
    notes: tuple[str, ...]

    @property
    def channels(self) -> tuple[ChannelInfo, ...]:
        """What channels there are, with roles already decided; edge trains last."""
        edges = tuple(
            ChannelInfo(e.name, r.role, "1", None, len(e.time_s), r.reason)
            for e, r in zip(self.raw.edges, self.edge_roles, strict=True)
        )
        return (*(p.info for p in self.picked), *edges)

    @property
    def start_s(self) -> float:
        """First moment on any channel."""
        starts = [self.raw.signals[p.index].start_s for p in self.picked]
        return min([*starts, *(e.start_s for e in self.raw.edges)], default=0.0)

    @property
    def stop_s(self) -> float:
        """Last moment on any channel."""
        stops = [_stop_s(self.raw.signals[p.index]) for p in self.picked]
        return max([*stops, *(e.stop_s for e in self.raw.edges)], default=0.0)

    @property
    def duration_s(self) -> float:
        """Span from the first to the last moment."""
        return self.stop_s - self.start_s

    def read(self, start_s: float, stop_s: float) -> Recording:
        """The window [start_s, stop_s) on the clock of the file. SettingError when it is empty,
        not a number or too large; a window outside the file gives channels without samples."""
        if not start_s < stop_s:
            raise SettingError(
                "The window to read is empty.",
                got=f"{start_s} s to {stop_s} s",
                allowed="a start before the stop",
                remedy="Swap or correct the two times.",
            )
        self._check_size(start_s, stop_s)
        return Recording(
            channels=tuple(self._read_channels(start_s, stop_s)),
            edges=tuple(self._read_edges(start_s, stop_s)),
            source=self.source,
            notes=self.notes,
            provenance=Provenance(self.raw.steps).then(
                f"read {self.raw.format}",
                file=self.source.name,
                sha256=self.source.sha256,
                start_s=max(start_s, self.start_s),
                stop_s=min(stop_s, self.stop_s),
            ),
        )

    def read_all(self) -> Recording:
        """The whole file in memory."""
        return self.read(-math.inf, math.inf)

    def _check_size(self, start_s: float, stop_s: float) -> None:
        spans = [_span(self.raw.signals[p.index], start_s, stop_s) for p in self.picked]
        samples = sum(stop - first for first, stop in spans)
        if samples > _MOST_SAMPLES:
            raise SettingError(
                "This is too much to hold in memory at once.",
                got=f"{samples} samples on {len(spans)} channels",
                allowed=f"up to {_MOST_SAMPLES} samples in one window",
                remedy="Open the file with open_recording and read it window by window.",
            )

    def _read_channels(self, start_s: float, stop_s: float) -> list[Channel]:
        values: dict[int, FloatArray] = {}
        firsts: dict[int, int] = {}
        for group in dict.fromkeys(self.raw.signals[p.index].group for p in self.picked):
            members = [p.index for p in self.picked if self.raw.signals[p.index].group == group]
            first, stop = _span(self.raw.signals[members[0]], start_s, stop_s)
            columns = [self.raw.signals[i].column for i in members]
            block = self.raw.read_block(group, columns, first, stop) if stop > first else []
            values.update(zip(members, block, strict=False))
            firsts[group] = first
        channels = []
        for p in self.picked:
            signal = self.raw.signals[p.index]
            rate = p.info.rate_hz
            assert rate is not None
            samples = values.get(p.index, np.empty(0))
            if p.scale != 1.0 or p.offset != 0.0:
                samples = samples * p.scale + p.offset
            channels.append(_channel(p, signal, samples, firsts[signal.group]))
        return channels

    def _read_edges(self, start_s: float, stop_s: float) -> list[EdgeTrain]:
        trains = []
        for edges, choice in zip(self.raw.edges, self.edge_roles, strict=True):
            first, stop = np.searchsorted(edges.time_s, [start_s, stop_s], side="left")
            trains.append(
                EdgeTrain(
                    edges.name,
                    choice.role,
                    edges.time_s[first:stop],
                    edges.level_after[first:stop],
                    max(start_s, edges.start_s),
                    min(stop_s, edges.stop_s),
                    choice.reason,
                )
            )
        return trains


def _channel(p: _Picked, signal: RawSignal, samples: FloatArray, first: int) -> Channel:
    rate = p.info.rate_hz
    assert rate is not None
    full_scale = None
    if signal.full_scale is not None:
        a, b = (v * p.scale + p.offset for v in signal.full_scale)
        full_scale = (min(a, b), max(a, b))
    resolution = None if signal.resolution is None else signal.resolution * abs(p.scale)
    return Channel(
        p.info.name,
        p.info.role,
        np.ascontiguousarray(samples, dtype=np.float64),
        rate,
        p.info.unit,
        signal.start_s + first / rate,
        full_scale,
        resolution,
        p.info.role_reason,
    )


def _stop_s(signal: RawSignal) -> float:
    assert signal.rate_hz is not None
    return signal.start_s + signal.sample_count / signal.rate_hz


def _span(signal: RawSignal, start_s: float, stop_s: float) -> tuple[int, int]:
    """First and stop sample of a window: the samples whose time lies in [start_s, stop_s)."""
    assert signal.rate_hz is not None
    ends = []
    for time_s in (start_s, stop_s):
        place = (time_s - signal.start_s) * signal.rate_hz
        place = min(max(place, 0.0), float(signal.sample_count))
        ends.append(math.ceil(place - 1e-6))
    return ends[0], ends[1]


def make_source(
    raw: RawFile, channel_map: ChannelMap, roles: Mapping[ChannelRole, str]
) -> FileSource:
    """Decide roles, units and rates of an opened file."""
    names = [s.name for s in raw.signals] + [e.name for e in raw.edges]
    given = {r: find_channel(names, n) for r, n in {**channel_map.names, **roles}.items()}
    raw, given = _limit_channels(raw, given)
    notes = list(raw.notes)
    _check_rates(raw)
    scales = [channel_map.scaling(_role_of(i, given), s.unit) for i, s in enumerate(raw.signals)]
    units = []
    for signal, (unit_text, _, _) in zip(raw.signals, scales, strict=True):
        found = _si(unit_text)
        if found is None:
            notes.append(
                f"Unit '{unit_text}' of channel '{signal.name}' is not known; "
                "its values are kept as bare numbers."
            )
        units.append(found or ("1", 1.0, 0.0))
    candidates = [Candidate(s.name, u[0]) for s, u in zip(raw.signals, units, strict=True)]
    candidates += [Candidate(e.name, "1", len(e.time_s)) for e in raw.edges]
    choices = choose_roles(candidates, given)
    picked = []
    for i, (signal, unit) in enumerate(zip(raw.signals, units, strict=True)):
        _, scale, offset = scales[i]
        name = signal.name or choices[i].role.value
        info = ChannelInfo(
            name, choices[i].role, unit[0], signal.rate_hz, signal.sample_count, choices[i].reason
        )
        picked.append(_Picked(i, info, scale * unit[1], offset * unit[1] + unit[2]))
    source, hash_note = _source_info(raw)
    said = _role_notes(candidates, choices)
    return FileSource(
        raw,
        tuple(picked),
        tuple(choices[len(raw.signals) :]),
        source,
        (*notes, *said, *hash_note),
    )


def _si(unit_text: str) -> tuple[str, float, float] | None:
    """(SI unit, factor, offset) of a unit text; bare numbers for none, None for an unknown one."""
    if unit_text.strip().lower() in ("", "-", "1", "counts", "count", "none", "raw", "u"):
        return "1", 1.0, 0.0
    unit = try_unit(unit_text)
    return None if unit is None else (unit.si, unit.factor, unit.offset)


def _role_notes(candidates: Sequence[Candidate], choices: Sequence[RoleChoice]) -> list[str]:
    """One sentence per channel; many unused ones share a sentence."""
    pairs = list(zip(candidates, choices, strict=True))
    unused = [c.name for c, choice in pairs if choice.role is ChannelRole.UNASSIGNED]
    if len(unused) <= 10:
        return [_role_note(c.name, choice) for c, choice in pairs]
    used = [
        _role_note(c.name, choice)
        for c, choice in pairs
        if choice.role is not ChannelRole.UNASSIGNED
    ]
    shown = ", ".join(f"'{n}'" for n in unused[:5])
    return [*used, f"{len(unused)} channels are not used ({shown} ...): no role is known for them."]


def _role_note(name: str, choice: RoleChoice) -> str:
    called = f"Channel '{name}'" if name else "The channel"
    if choice.role is ChannelRole.UNASSIGNED:
        return f"{called} is not used: {choice.reason}."
    return f"{called} is the {choice.role.value} channel: {choice.reason}."


def _role_of(index: int, given: Mapping[ChannelRole, int]) -> ChannelRole | None:
    return next((r for r, i in given.items() if i == index), None)


def _limit_channels(
    raw: RawFile, given: Mapping[ChannelRole, int]
) -> tuple[RawFile, dict[ChannelRole, int]]:
    """With very many channels only those that were named are offered."""
    count = len(raw.signals) + len(raw.edges)
    if count <= _MOST_CHANNELS:
        return raw, dict(given)
    if not given:
        raise ChannelError(
            "The file has too many channels to guess which ones matter.",
            got=f"{count} channels",
            allowed=f"up to {_MOST_CHANNELS}, or any number when the ones to use are named",
            remedy="Name them, for example --channel exhaust=NAME.",
        )
    kept = sorted(set(given.values()))
    split = len(raw.signals)
    signals = tuple(raw.signals[i] for i in kept if i < split)
    edges = tuple(raw.edges[i - split] for i in kept if i >= split)
    note = f"Only the {len(kept)} named channels of {count} are used."
    limited = replace(raw, signals=signals, edges=edges, notes=(*raw.notes, note))
    return limited, {role: kept.index(i) for role, i in given.items()}


def _check_rates(raw: RawFile) -> None:
    """Refuse files whose rate is missing or absurd."""
    for signal in raw.signals:
        if signal.rate_hz is None:
            raise SettingError(
                f"The file does not say the sample rate of '{signal.name}'.",
                got="no time column, no rate",
                allowed=f"a rate from {LOWEST_RATE_HZ:g} to {HIGHEST_RATE_HZ:g} Hz",
                remedy="State it with --rate, for example --rate 100000.",
            )
        if not LOWEST_RATE_HZ <= signal.rate_hz <= HIGHEST_RATE_HZ:
            raise FileFormatError(
                f"The sample rate of '{signal.name}' cannot be right.",
                got=f"{signal.rate_hz:g} Hz",
                allowed=f"{LOWEST_RATE_HZ:g} to {HIGHEST_RATE_HZ:g} Hz",
                remedy="Check the unit of the time column, or state the rate with --rate.",
            )


def _source_info(raw: RawFile) -> tuple[SourceInfo, tuple[str, ...]]:
    size = raw.path.stat().st_size
    if size > _HASH_LIMIT_BYTES:
        note = f"No SHA-256 was computed: the file is larger than {_HASH_LIMIT_BYTES >> 20} MB."
        return SourceInfo(raw.path.name, raw.format, size, None), (note,)
    return SourceInfo(raw.path.name, raw.format, size, _sha256(raw.path)), ()


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
