"""Baselines and shrinkage against statsmodels, and at the ends."""

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from ringland.history.population import EngineBaseline, engine_baseline, population, shrunk

# Means and standard errors of eight studies (coaching for a test): Rubin, J. Educ. Stat. 6 (1981)
# 377, table 1; Gelman et al., Bayesian Data Analysis, sec. 5.5.
SCHOOLS = [(28.39, 14.9), (7.94, 10.2), (-2.75, 16.3), (6.82, 11.0), (-0.64, 9.4), (0.63, 11.4),
           (18.01, 10.4), (12.16, 17.6)]  # fmt: skip


def baselines(rows: list[tuple[float, float]]) -> list[EngineBaseline]:
    return [EngineBaseline(f"engine {i}", m, e, 3) for i, (m, e) in enumerate(rows)]


def test_eight_schools_have_no_spread_of_their_own() -> None:
    # the moment estimate of the variance between the schools is 0, the pooled mean 7.9 with
    # standard error 4.2 (Gelman et al., sec. 5.5)
    found = population(baselines(SCHOOLS), "1")
    assert found.between_sd == 0.0
    assert found.mean.value == pytest.approx(7.9, abs=0.05)
    assert found.mean_error == pytest.approx(4.2, abs=0.05)


def test_against_statsmodels() -> None:
    rng = np.random.default_rng(3)
    means, errors = rng.normal(1.0, 0.3, 9), rng.uniform(0.05, 0.2, 9)
    rows = list(zip(means.tolist(), errors.tolist(), strict=True))
    reference = combine_effects(means, errors**2, method_re="dl")
    found = population(baselines(rows), "1")
    assert found.between_sd == pytest.approx(reference.tau2**0.5, rel=1e-9)
    assert found.mean.value == pytest.approx(reference.mean_effect_re, rel=1e-9)
    assert found.mean_error == pytest.approx(reference.sd_eff_w_re, rel=1e-9)


def test_shrinkage_lies_between_and_at_the_ends() -> None:
    of_type = population(baselines([(1.0, 0.1), (1.4, 0.1), (0.7, 0.1), (1.1, 0.1)]), "1")
    mean = of_type.mean.value or 0.0
    sure = shrunk(EngineBaseline("a", 3.0, 1e-6, 9), of_type, "1")
    vague = shrunk(EngineBaseline("a", 3.0, 1e3, 1), of_type, "1")
    some = shrunk(EngineBaseline("a", 3.0, 0.3, 2), of_type, "1")
    assert sure.value == pytest.approx(3.0, abs=1e-6)
    assert vague.value == pytest.approx(mean, abs=1e-3)
    assert some.value is not None
    assert mean < some.value < 3.0
    assert shrunk(None, of_type, "1") == of_type.a_new_engine


def test_few_engines_give_a_reason() -> None:
    found = population(baselines([(1.0, 0.1)]), "1")
    assert found.mean.reason == "1 engines of this type, 3 are needed"
    alone = shrunk(EngineBaseline("a", 3.0, 0.2, 2), found, "1")
    assert alone.value == 3.0


def test_baseline_of_visits() -> None:
    assert engine_baseline("a", [], []) is None
    one = engine_baseline("a", [1.0, 1.2, 0.8], [0.01, 0.01, 0.01])
    assert one is not None
    assert one.mean == pytest.approx(1.0)
    assert one.standard_error == pytest.approx(0.2 / 3**0.5)
