"""From features to a score for every simulated kind of fault at every firing position.

The same small network looks at each position in turn; the scores of one recording compete, a sound
engine scoring 0. Equations (4) to (7) of docs/theory/reference.md.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any

import numpy as np

from ringland.model._arrays import BoolArray, FloatArray, read_only
from ringland.reference.features import columns_of

__all__ = ["LAYERS", "NETWORK", "PulseNetwork", "load_network", "read_network", "save_network"]

LAYERS = ("w1", "b1", "w2", "b2", "w3", "b3", "skip")
"""Arrays of one member: two hidden layers, the output, and a straight line past them."""

NETWORK = files("ringland").joinpath("data", "pulse_network.npz")
"""The network that comes with the package."""


@dataclass(frozen=True, eq=False)
class PulseNetwork:
    """Learnt weights.

    `projection` (columns, inputs): features to nearly white inputs. `members`: arrays as LAYERS, of
    several networks whose scores are averaged. `kinds`: simulated kinds of fault, the order of the
    first half of the outputs; the second half are their severities, 0 (least) to 1 (most) in the
    logarithm, with standard errors `severity_error` (kinds,). Scores are divided by `temperature`.
    `far`: mean square input of a position beyond which nothing simulated resembles it. `cases`:
    recordings learnt from. `limits` (3, 2): bits that "some fault in this cylinder" reaches in 1 of
    20 and in 1 of 200 recordings of sound engines, anywhere in the engine; rows for exhaust and
    crankcase, exhaust alone, crankcase alone. `limits_against_sound` (3, 2): the same where the
    recording is held against one of the same engine while it was sound. `head` (hidden + inputs
    + 1, kinds): the last layer fitted to one engine, already divided by the temperature, in place
    of the general one.
    """

    kinds: tuple[str, ...]
    projection: FloatArray
    members: tuple[dict[str, FloatArray], ...]
    temperature: float
    severity_error: FloatArray
    far: float
    cases: int
    limits: FloatArray
    limits_against_sound: FloatArray
    head: FloatArray | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "projection", read_only(self.projection))
        object.__setattr__(self, "severity_error", read_only(self.severity_error))
        object.__setattr__(self, "limits", read_only(self.limits))
        against = read_only(self.limits_against_sound)
        object.__setattr__(self, "limits_against_sound", against)

    def inputs(self, values: FloatArray) -> FloatArray:
        """(positions, columns) features to (positions, inputs)."""
        inputs: FloatArray = values @ self.projection
        return inputs

    def hidden_inputs(self, inputs: FloatArray, channel: str) -> FloatArray:
        """The inputs as they would be without the exhaust or the crankcase."""
        return np.where(self._hangs_on[channel], 0.0, inputs)

    def outputs(self, inputs: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Scores and severities, (positions, kinds) each."""
        return self._from_hidden(self.hidden(inputs))

    def all_outputs(self, inputs: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Scores and severities as `outputs`, and the general scores of each member by itself,
        (members, positions, kinds)."""
        hidden = self.hidden(inputs)
        scores, severities = self._from_hidden(hidden)
        layers, kinds = self._layers, len(self.kinds)
        own = hidden[:, : -inputs.shape[1] - 1].reshape(len(inputs), len(self.members), -1)
        straight = (inputs @ layers.skip).reshape(len(inputs), len(self.members), -1)
        raw = own.swapaxes(0, 1) @ layers.w3 + layers.b3 + straight.swapaxes(0, 1)
        return scores, severities, np.round(raw[:, :, :kinds] / self.temperature, 8)

    def hidden(self, inputs: FloatArray) -> FloatArray:
        """(positions, hidden + inputs + 1): last hidden layers of all members, inputs, and 1."""
        layers, rows = self._layers, len(inputs)
        first = _silu(inputs @ layers.w1 + layers.b1).reshape(rows, len(self.members), -1)
        second = _silu(first.swapaxes(0, 1) @ layers.w2 + layers.b2).swapaxes(0, 1)
        return np.concatenate([second.reshape(rows, -1), inputs, np.ones((rows, 1))], axis=1)

    @property
    def general_head(self) -> FloatArray:
        """(hidden + inputs + 1, kinds) what turns `hidden` into scores for any engine."""
        scores: FloatArray = self._last_layer[:, : len(self.kinds)] / self.temperature
        return scores

    def _from_hidden(self, hidden: FloatArray) -> tuple[FloatArray, FloatArray]:
        kinds = len(self.kinds)
        raw = hidden @ self._last_layer
        scores = raw[:, :kinds] / self.temperature if self.head is None else hidden @ self.head
        # the last bits depend on how many threads multiply: results must not
        return np.round(scores, 8), np.round(raw[:, kinds:], 8)

    @cached_property
    def _hangs_on(self) -> dict[str, BoolArray]:
        """Which inputs hang on the exhaust, and which on the crankcase."""
        return {
            channel: (self.projection[columns_of(channel)] != 0.0).any(axis=0)
            for channel in ("exhaust", "crankcase")
        }

    @cached_property
    def _layers(self) -> "_Layers":
        """The members side by side: one multiplication instead of one each."""
        m = self.members
        return _Layers(
            w1=np.concatenate([one["w1"] for one in m], axis=1),
            b1=np.concatenate([one["b1"] for one in m]),
            w2=np.stack([one["w2"] for one in m]),
            b2=np.stack([one["b2"] for one in m])[:, None, :],
            w3=np.stack([one["w3"] for one in m]),
            b3=np.stack([one["b3"] for one in m])[:, None, :],
            skip=np.concatenate([one["skip"] for one in m], axis=1),
        )

    @cached_property
    def _last_layer(self) -> FloatArray:
        share = 1.0 / len(self.members)
        return share * np.concatenate(
            [
                *(m["w3"] for m in self.members),
                np.sum([m["skip"] for m in self.members], axis=0),
                np.sum([m["b3"] for m in self.members], axis=0)[None, :],
            ]
        )


@dataclass(frozen=True, eq=False)
class _Layers:
    """Arrays as LAYERS of all members: `w1`, `b1`, `skip` side by side, the others stacked."""

    w1: FloatArray
    b1: FloatArray
    w2: FloatArray
    b2: FloatArray
    w3: FloatArray
    b3: FloatArray
    skip: FloatArray


def _silu(x: FloatArray) -> FloatArray:
    """x times its logistic function (Elfwing et al., Neural Networks 107 (2018) 3)."""
    y: FloatArray = x / (1.0 + np.exp(-np.clip(x, -60.0, 60.0)))
    return y


def save_network(network: PulseNetwork, path: str) -> None:
    """Write a network, in half precision."""
    arrays: dict[str, Any] = {
        f"{n}_{name}": member[name].astype(np.float16)
        for n, member in enumerate(network.members)
        for name in LAYERS
    }
    np.savez_compressed(
        path,
        kinds=np.array(network.kinds),
        projection=network.projection.astype(np.float16),
        numbers=np.array([network.temperature, network.far, float(network.cases)]),
        severity_error=network.severity_error,
        limits=network.limits,
        limits_against_sound=network.limits_against_sound,
        **arrays,
    )


@lru_cache(maxsize=1)
def load_network() -> PulseNetwork:
    """The network that comes with the package."""
    return read_network(NETWORK)


def read_network(kept: Traversable) -> PulseNetwork:
    """A network as `save_network` wrote it."""
    with kept.open("rb") as file, np.load(file) as data:
        count = sum(name.endswith("_w1") for name in data.files)
        temperature, far, cases = (float(v) for v in data["numbers"])
        return PulseNetwork(
            kinds=tuple(str(k) for k in data["kinds"]),
            projection=data["projection"].astype(np.float64),
            members=tuple(
                {name: data[f"{n}_{name}"].astype(np.float64) for name in LAYERS}
                for n in range(count)
            ),
            temperature=temperature,
            severity_error=data["severity_error"],
            far=far,
            cases=int(cases),
            limits=data["limits"],
            limits_against_sound=data["limits_against_sound"],
        )
