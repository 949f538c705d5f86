"""The inference engine against a published network, brute force and a second program."""

import importlib
import itertools
import warnings
from collections.abc import Mapping

import numpy as np
import pytest

from ringland.diagnosis.network import Network, Variable, posterior, probability_of
from ringland.errors import SettingError

YN = ("yes", "no")


def yes(*probabilities: float) -> list[list[float]]:
    """Rows (p, 1 - p)."""
    return [[p, 1 - p] for p in probabilities]


def asia() -> Network:
    """Chest clinic network of Lauritzen & Spiegelhalter, J. R. Stat. Soc. B 50 (1988) 157-224,
    doi:10.1111/j.2517-6161.1988.tb01721.x (tables from memory)."""
    return Network(
        (
            Variable("asia", YN, (), np.array([0.01, 0.99])),
            Variable("tub", YN, ("asia",), np.array(yes(0.05, 0.01))),
            Variable("smoke", YN, (), np.array([0.5, 0.5])),
            Variable("lung", YN, ("smoke",), np.array(yes(0.1, 0.01))),
            Variable("bronc", YN, ("smoke",), np.array(yes(0.6, 0.3))),
            Variable("either", YN, ("tub", "lung"), np.array([yes(1, 1), yes(1, 0)])),
            Variable("xray", YN, ("either",), np.array(yes(0.98, 0.05))),
            Variable("dysp", YN, ("either", "bronc"), np.array([yes(0.9, 0.7), yes(0.8, 0.1)])),
        )
    )


CASES: list[tuple[dict[str, str], dict[str, float]]] = [
    (
        {},
        {
            "tub": 0.0104,
            "lung": 0.055,
            "bronc": 0.45,
            "either": 0.064828,
            "xray": 0.11029,
            "dysp": 0.435971,
        },
    ),
    (
        {"asia": "yes", "dysp": "yes"},
        {
            "smoke": 0.62592,
            "tub": 0.087751,
            "lung": 0.099525,
            "bronc": 0.811402,
            "either": 0.1823,
            "xray": 0.219539,
        },
    ),
    (
        {"asia": "yes", "dysp": "yes", "smoke": "no"},
        {"tub": 0.112835, "lung": 0.022567, "bronc": 0.717942},
    ),
    (
        {"asia": "yes", "dysp": "yes", "xray": "yes"},
        {"tub": 0.391712, "lung": 0.444271, "bronc": 0.628822, "either": 0.813769},
    ),
    (
        {"asia": "yes", "dysp": "yes", "xray": "no"},
        {"tub": 0.002249, "lung": 0.00255, "bronc": 0.862761},
    ),
    ({"xray": "yes"}, {"tub": 0.092411, "lung": 0.488711, "bronc": 0.506326, "dysp": 0.640766}),
]


@pytest.mark.parametrize(("evidence", "expected"), CASES)
def test_published_network(evidence: dict[str, str], expected: dict[str, float]) -> None:
    """Six-digit values of the same network by an independent program (pgmpy 1.1.2)."""
    network = asia()
    for name, value in expected.items():
        assert posterior(network, name, evidence)["yes"] == pytest.approx(value, abs=1e-6)


def test_probability_of_evidence() -> None:
    """P(asia, dyspnoea) of the same network."""
    assert probability_of(asia(), {"asia": "yes", "dysp": "yes"}) == pytest.approx(
        0.004501375, abs=1e-9
    )


def test_two_state_bayes() -> None:
    """Prior 1 %, sensitivity 90 %, specificity 91 %: predictive value 0.0917431."""
    network = Network(
        (
            Variable("ill", YN, (), np.array([0.01, 0.99])),
            Variable("test", YN, ("ill",), np.array(yes(0.9, 0.09))),
        )
    )
    assert posterior(network, "ill", {"test": "yes"})["yes"] == pytest.approx(0.0917431, abs=1e-7)


def random_network(seed: int) -> Network:
    """3 to 7 variables of 2 to 3 states with up to 3 parents each."""
    rng = np.random.default_rng(seed)
    variables: list[Variable] = []
    for index in range(int(rng.integers(3, 8))):
        states = tuple(f"s{k}" for k in range(int(rng.integers(2, 4))))
        count = int(rng.integers(0, min(3, index) + 1))
        parents = [variables[i] for i in sorted(rng.permutation(index)[:count])]
        shape = (*(len(p.states) for p in parents), len(states))
        table = rng.gamma(0.7, size=shape) + 1e-3
        table /= table.sum(-1, keepdims=True)
        variables.append(Variable(f"v{index}", states, tuple(p.name for p in parents), table))
    return Network(tuple(variables))


def brute_force(network: Network, query: str, evidence: Mapping[str, str]) -> dict[str, float]:
    """Sum over every joint state."""
    names = [v.name for v in network.variables]
    total = dict.fromkeys(network.variable(query).states, 0.0)
    for states in itertools.product(*(v.states for v in network.variables)):
        world = dict(zip(names, states, strict=True))
        if any(world[k] != s for k, s in evidence.items()):
            continue
        weight = 1.0
        for variable in network.variables:
            place = [network.variable(p).states.index(world[p]) for p in variable.parents]
            index = (*place, variable.states.index(world[variable.name]))
            weight *= float(variable.table[index])
        total[world[query]] += weight
    scale = sum(total.values())
    return {k: v / scale for k, v in total.items()}


def some_evidence(network: Network, seed: int) -> tuple[str, dict[str, str]]:
    """A query and evidence on up to two other variables."""
    rng = np.random.default_rng(seed + 10_000)
    order = rng.permutation(len(network.variables))
    query = network.variables[int(order[0])].name
    seen = [network.variables[int(i)] for i in order[1 : 1 + int(rng.integers(0, 3))]]
    return query, {v.name: v.states[int(rng.integers(len(v.states)))] for v in seen}


def test_200_random_networks_against_brute_force() -> None:
    worst = 0.0
    for seed in range(200):
        network = random_network(seed)
        query, evidence = some_evidence(network, seed)
        exact = brute_force(network, query, evidence)
        got = posterior(network, query, evidence)
        worst = max(worst, *(abs(got[s] - exact[s]) for s in exact))
    assert worst < 1e-12


def test_200_random_networks_against_a_second_program() -> None:
    """pgmpy variable elimination (installed for tests only, without its optional extras)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pytest.importorskip("pgmpy")
        cpd = importlib.import_module("pgmpy.factors.discrete").TabularCPD
        elimination = importlib.import_module("pgmpy.inference").VariableElimination
        new_network = importlib.import_module("pgmpy.models").DiscreteBayesianNetwork
        worst = 0.0
        for seed in range(200):
            network = random_network(seed)
            query, evidence = some_evidence(network, seed)
            other = new_network()
            other.add_nodes_from([v.name for v in network.variables])
            other.add_edges_from([(p, v.name) for v in network.variables for p in v.parents])
            for v in network.variables:
                size = len(v.states)
                other.add_cpds(
                    cpd(
                        v.name,
                        size,
                        v.table.reshape(-1, size).T,
                        evidence=list(v.parents) or None,
                        evidence_card=[len(network.variable(p).states) for p in v.parents] or None,
                        state_names={
                            v.name: list(v.states),
                            **{p: list(network.variable(p).states) for p in v.parents},
                        },
                    )
                )
            result = elimination(other).query([query], evidence, show_progress=False)
            got = posterior(network, query, evidence)
            for state in network.variable(query).states:
                worst = max(worst, abs(result.get_value(**{query: state}) - got[state]))
    assert worst < 1e-9


def test_wrong_networks_are_refused() -> None:
    with pytest.raises(SettingError, match="does not come before"):
        Network((Variable("a", YN, ("b",), np.array(yes(0.5, 0.5))),))
    with pytest.raises(SettingError, match="does not fit"):
        Network((Variable("a", YN, (), np.array([0.5, 0.25, 0.25])),))
    with pytest.raises(SettingError, match="not a set of probabilities"):
        Network((Variable("a", YN, (), np.array([0.5, 0.6])),))
    with pytest.raises(SettingError, match="no such state"):
        posterior(asia(), "tub", {"smoke": "sometimes"})
    with pytest.raises(SettingError, match="no such variable"):
        posterior(asia(), "cough")
    with pytest.raises(SettingError, match="contradicts"):
        posterior(asia(), "xray", {"tub": "yes", "either": "no"})


def test_a_query_that_was_seen_is_certain() -> None:
    assert posterior(asia(), "tub", {"tub": "yes"}) == {"yes": 1.0, "no": 0.0}
