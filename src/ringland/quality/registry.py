"""All checks, in the order they are shown. Adding one: a file with `check` and `LIMITS`, a row
here, a page in docs/checks."""

from functools import lru_cache

from ringland.model import ChannelRole
from ringland.quality import (
    ac_coupling,
    amplitude_resolution,
    channels_swapped,
    clipping,
    drift,
    dropouts,
    duplicate_channels,
    enough_cycles,
    lost_highs,
    mains_hum,
    missing_values,
    repeated_blocks,
    sampling_rate,
    signal_to_noise,
    silent,
    speed_steady,
    stitched,
    time_gaps,
    trigger_present,
    trigger_rate,
    trigger_regular,
)
from ringland.quality._types import CheckDefinition, Scope

__all__ = ["CHECKS", "checks_for"]

_ALL: frozenset[ChannelRole] = frozenset()
_PRESSURE = frozenset(
    {ChannelRole.EXHAUST, ChannelRole.EXHAUST_2, ChannelRole.CRANKCASE, ChannelRole.INTAKE}
)
_PULSES = _PRESSURE | {ChannelRole.STARTER_CURRENT, ChannelRole.SOUND}
_WAVES = _PULSES | {ChannelRole.UNASSIGNED}
_TAILPIPE = frozenset({ChannelRole.EXHAUST, ChannelRole.EXHAUST_2})
_PAIR = frozenset({ChannelRole.EXHAUST, ChannelRole.CRANKCASE})
_ONE_PULSE = frozenset({ChannelRole.IGNITION})
_TRIGGERS = frozenset({ChannelRole.IGNITION, ChannelRole.CAM, ChannelRole.CRANK_TOOTH})
_C, _T, _R = Scope.CHANNEL, Scope.TRIGGER, Scope.RECORDING

CHECKS: tuple[CheckDefinition, ...] = (
    CheckDefinition(
        id="missing_values",
        title="Missing values",
        page="docs/checks/missing_values.md",
        scope=_C,
        roles=_ALL,
        needs=(),
        limits=missing_values.LIMITS,
        run=missing_values.check,
        drops_cycles=True,
    ),
    CheckDefinition(
        id="silent",
        title="Sensor silent or unplugged",
        page="docs/checks/silent.md",
        scope=_C,
        roles=_WAVES,
        needs=(),
        limits=silent.LIMITS,
        run=silent.check,
    ),
    CheckDefinition(
        id="clipping",
        title="Clipping",
        page="docs/checks/clipping.md",
        scope=_C,
        roles=_WAVES,
        needs=("full scale, else flat tops are looked for",),
        limits=clipping.LIMITS,
        run=clipping.check,
        drops_cycles=True,
        shortest_drop_s=clipping.SHORTEST_DROP.value,
    ),
    CheckDefinition(
        id="dropouts",
        title="Drop-outs and held values",
        page="docs/checks/dropouts.md",
        scope=_C,
        roles=_WAVES,
        needs=(),
        limits=dropouts.LIMITS,
        run=dropouts.check,
        drops_cycles=True,
    ),
    CheckDefinition(
        id="repeated_blocks",
        title="Repeated blocks",
        page="docs/checks/repeated_blocks.md",
        scope=_C,
        roles=_WAVES,
        needs=(),
        limits=repeated_blocks.LIMITS,
        run=repeated_blocks.check,
        drops_cycles=True,
    ),
    CheckDefinition(
        id="sampling_rate",
        title="Sampling rate",
        page="docs/checks/sampling_rate.md",
        scope=_C,
        roles=_WAVES,
        needs=("speed and engine, else a pulse rate",),
        limits=sampling_rate.LIMITS,
        run=sampling_rate.check,
        asks_speed=True,
    ),
    CheckDefinition(
        id="amplitude_resolution",
        title="Amplitude resolution",
        page="docs/checks/amplitude_resolution.md",
        scope=_C,
        roles=_WAVES,
        needs=("size of a count, else the least step",),
        limits=amplitude_resolution.LIMITS,
        run=amplitude_resolution.check,
    ),
    CheckDefinition(
        id="signal_to_noise",
        title="Pulses above noise",
        page="docs/checks/signal_to_noise.md",
        scope=_C,
        roles=_PULSES,
        needs=("three pulses",),
        limits=signal_to_noise.LIMITS,
        run=signal_to_noise.check,
        asks_speed=True,
    ),
    CheckDefinition(
        id="mains_hum",
        title="Mains hum",
        page="docs/checks/mains_hum.md",
        scope=_C,
        roles=_WAVES,
        needs=("one second",),
        limits=mains_hum.LIMITS,
        run=mains_hum.check,
        asks_speed=True,
    ),
    CheckDefinition(
        id="drift",
        title="Drift of the zero",
        page="docs/checks/drift.md",
        scope=_C,
        roles=_PRESSURE,
        needs=("one second",),
        limits=drift.LIMITS,
        run=drift.check,
    ),
    CheckDefinition(
        id="ac_coupling",
        title="AC coupling",
        page="docs/checks/ac_coupling.md",
        scope=_C,
        roles=_PRESSURE,
        needs=(
            "ten seconds",
            "speed and engine",
        ),
        limits=ac_coupling.LIMITS,
        run=ac_coupling.check,
        asks_speed=True,
    ),
    CheckDefinition(
        id="lost_highs",
        title="Moisture or a blocked hose",
        page="docs/checks/lost_highs.md",
        scope=_C,
        roles=_TAILPIPE,
        needs=("pulses above noise",),
        limits=lost_highs.LIMITS,
        run=lost_highs.check,
    ),
    CheckDefinition(
        id="channels_swapped",
        title="Channels swapped",
        page="docs/checks/channels_swapped.md",
        scope=_C,
        roles=_PAIR,
        needs=("exhaust and crankcase",),
        limits=channels_swapped.LIMITS,
        run=channels_swapped.check,
    ),
    CheckDefinition(
        id="stitched",
        title="Stitched recording",
        page="docs/checks/stitched.md",
        scope=_C,
        roles=_PULSES,
        needs=("pulses above noise",),
        limits=stitched.LIMITS,
        run=stitched.check,
        drops_cycles=True,
    ),
    CheckDefinition(
        id="duplicate_channels",
        title="Duplicate channels",
        page="docs/checks/duplicate_channels.md",
        scope=_C,
        roles=_WAVES,
        needs=("two channels",),
        limits=duplicate_channels.LIMITS,
        run=duplicate_channels.check,
    ),
    CheckDefinition(
        id="trigger_present",
        title="Trigger present",
        page="docs/checks/trigger_present.md",
        scope=_T,
        roles=_TRIGGERS,
        needs=(),
        limits=trigger_present.LIMITS,
        run=trigger_present.check,
    ),
    CheckDefinition(
        id="trigger_regular",
        title="Trigger bouncing or missing pulses",
        page="docs/checks/trigger_regular.md",
        scope=_T,
        roles=_ONE_PULSE,
        needs=("six pulses",),
        limits=trigger_regular.LIMITS,
        run=trigger_regular.check,
    ),
    CheckDefinition(
        id="trigger_rate",
        title="Trigger at twice the rate",
        page="docs/checks/trigger_rate.md",
        scope=_T,
        roles=_ONE_PULSE,
        needs=(
            "engine",
            "speed from the pulses",
        ),
        limits=trigger_rate.LIMITS,
        run=trigger_rate.check,
        asks_speed=True,
    ),
    CheckDefinition(
        id="speed_steady",
        title="Speed steady enough",
        page="docs/checks/speed_steady.md",
        scope=_R,
        roles=_ALL,
        needs=("cycles, else pulses above noise",),
        limits=speed_steady.LIMITS,
        run=speed_steady.check,
        asks_speed=True,
    ),
    CheckDefinition(
        id="enough_cycles",
        title="Enough cycles",
        page="docs/checks/enough_cycles.md",
        scope=_R,
        roles=_ALL,
        needs=("cycles, else speed and engine",),
        limits=enough_cycles.LIMITS,
        run=enough_cycles.check,
        asks_speed=True,
    ),
    CheckDefinition(
        id="time_gaps",
        title="Gaps in time",
        page="docs/checks/time_gaps.md",
        scope=_R,
        roles=_ALL,
        needs=(),
        limits=time_gaps.LIMITS,
        run=time_gaps.check,
    ),
)


@lru_cache(maxsize=64)
def checks_for(scope: Scope, role: ChannelRole | None = None) -> tuple[CheckDefinition, ...]:
    """Checks of this scope that apply to this role."""
    return tuple(
        c for c in CHECKS if c.scope is scope and (role is None or not c.roles or role in c.roles)
    )
