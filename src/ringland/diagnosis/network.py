"""Exact inference in small discrete Bayesian networks by variable elimination.

A network is a list of variables, each with its states, parents and conditional probability table.
Factors are numpy arrays with one axis per variable; the elimination order is greedy (smallest
resulting table first), which is enough for tens of variables.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ringland.errors import SettingError
from ringland.model._arrays import FloatArray, read_only

__all__ = ["Network", "Variable", "posterior", "probability_of"]


@dataclass(frozen=True, eq=False)
class Variable:
    """One variable. `table` has one axis per parent, in order, and the variable's own axis last;
    it sums to 1 over the last axis."""

    name: str
    states: tuple[str, ...]
    parents: tuple[str, ...]
    table: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "table", read_only(self.table))


@dataclass(frozen=True, eq=False)
class Network:
    """Variables in an order in which parents come before children."""

    variables: tuple[Variable, ...]

    def __post_init__(self) -> None:
        known: dict[str, Variable] = {}
        for variable in self.variables:
            shape = []
            for parent in variable.parents:
                if parent not in known:
                    raise SettingError(
                        f"Variable {variable.name} names a parent that does not come before it.",
                        got=parent,
                        allowed=", ".join(known) or "no parents for the first variable",
                    )
                shape.append(len(known[parent].states))
            if variable.table.shape != (*shape, len(variable.states)):
                raise SettingError(
                    f"The table of {variable.name} does not fit its parents.",
                    got=str(variable.table.shape),
                    allowed=str((*shape, len(variable.states))),
                )
            if np.any(variable.table < 0) or np.any(np.abs(variable.table.sum(-1) - 1) > 1e-9):
                raise SettingError(
                    f"The table of {variable.name} is not a set of probabilities.",
                    allowed="rows of non-negative numbers that sum to 1",
                )
            if variable.name in known:
                raise SettingError(f"Two variables are called {variable.name}.")
            known[variable.name] = variable

    def variable(self, name: str) -> Variable:
        """The variable with this name; SettingError when there is none."""
        for variable in self.variables:
            if variable.name == name:
                return variable
        raise SettingError(
            "There is no such variable.",
            got=name,
            allowed=", ".join(v.name for v in self.variables),
        )


@dataclass(frozen=True, eq=False)
class _Factor:
    names: tuple[str, ...]
    values: FloatArray


def _multiply(factors: Sequence[_Factor]) -> _Factor:
    names = tuple(dict.fromkeys(n for f in factors for n in f.names))
    axis = {n: i for i, n in enumerate(names)}
    operands: list[object] = []
    for factor in factors:
        operands += [factor.values, [axis[n] for n in factor.names]]
    values = np.einsum(*operands, list(range(len(names))))  # type: ignore[call-overload]
    return _Factor(names, values)


def _sum_out(factor: _Factor, name: str) -> _Factor:
    axis = factor.names.index(name)
    names = factor.names[:axis] + factor.names[axis + 1 :]
    return _Factor(names, factor.values.sum(axis=axis))


def _observed(network: Network, evidence: Mapping[str, str]) -> list[_Factor]:
    """One factor per variable, cut down to the states that were seen."""
    seen: dict[str, int] = {}
    for name, state in evidence.items():
        variable = network.variable(name)
        if state not in variable.states:
            raise SettingError(
                f"{name} has no such state.", got=state, allowed=", ".join(variable.states)
            )
        seen[name] = variable.states.index(state)
    factors = []
    for variable in network.variables:
        names = (*variable.parents, variable.name)
        cut = tuple(seen.get(n, slice(None)) for n in names)
        factors.append(_Factor(tuple(n for n in names if n not in seen), variable.table[cut]))
    return factors


def _table_size(factors: list[_Factor], name: str, size: Mapping[str, int]) -> int:
    """Size of the table that summing out `name` would need."""
    union = {n for f in factors if name in f.names for n in f.names}
    return int(np.prod([size[n] for n in union]))


def _eliminate(factors: list[_Factor], keep: tuple[str, ...]) -> _Factor:
    size = {n: f.values.shape[i] for f in factors for i, n in enumerate(f.names)}
    waiting = set(size) - set(keep)
    while waiting:
        name = min(waiting, key=lambda n: (_table_size(factors, n, size), n))
        touching = [f for f in factors if name in f.names]
        factors = [f for f in factors if name not in f.names]
        factors.append(_sum_out(_multiply(touching), name))
        waiting.remove(name)
    return _multiply(factors)


def posterior(
    network: Network, query: str, evidence: Mapping[str, str] | None = None
) -> dict[str, float]:
    """P(query | evidence), state by state.

    Raises SettingError for unknown names or states and for evidence that has probability zero.
    """
    evidence = evidence or {}
    variable = network.variable(query)
    if query in evidence:
        network_evidence = {k: v for k, v in evidence.items() if k != query}
        weights = np.array([1.0 if s == evidence[query] else 0.0 for s in variable.states])
        evidence = network_evidence
    else:
        weights = np.ones(len(variable.states))
    values = _eliminate(_observed(network, evidence), (query,)).values * weights
    total = float(values.sum())
    if total <= 0.0:
        raise SettingError(
            "The evidence contradicts itself: the network gives it probability zero.",
            got=", ".join(f"{k}={v}" for k, v in evidence.items()),
        )
    return dict(zip(variable.states, (values / total).tolist(), strict=True))


def probability_of(network: Network, evidence: Mapping[str, str]) -> float:
    """P(evidence)."""
    return float(_eliminate(_observed(network, evidence), ()).values)
