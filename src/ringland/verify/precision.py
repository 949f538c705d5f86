"""Precision of a method from repeated results, as ISO 5725-2 works it out.

A cell holds the repeats of one thing measured ("laboratory" there; one firing position of one
engine here). See docs/theory/verify.md, equations (3) to (8). Nothing is left out: Cochran's and
Grubbs' tests and Mandel's h and k only point at what should be looked at.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import betaincinv, stdtrit

from ringland.errors import SettingError
from ringland.model._arrays import FloatArray, read_only

__all__ = [
    "LIMIT_FACTOR",
    "Precision",
    "cochran_critical",
    "grubbs",
    "grubbs_critical",
    "mandel_h_critical",
    "mandel_k_critical",
    "precision",
]

LIMIT_FACTOR = 2.8
"""Repeatability limit over repeatability standard deviation: 1.96 sqrt(2), rounded as in ISO."""


@dataclass(frozen=True, eq=False)
class Precision:
    """Result for one quantity.

    `repeatability_sd` within cells, `between_sd` between cells, `reproducibility_sd` both, all in
    the unit of the results; `degrees` of freedom of the first. `means`, `variances`, `counts`
    (cells,); `h`, `k` (cells,) Mandel's statistics; `cochran` the largest variance over their sum.
    """

    mean: float
    repeatability_sd: float
    between_sd: float
    reproducibility_sd: float
    degrees: int
    means: FloatArray
    variances: FloatArray
    counts: FloatArray
    h: FloatArray
    k: FloatArray
    cochran: float

    def __post_init__(self) -> None:
        for name in ("means", "variances", "counts", "h", "k"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    @property
    def repeatability_limit(self) -> float:
        """Two single results on the same thing differ by more only once in twenty (r)."""
        return LIMIT_FACTOR * self.repeatability_sd

    @property
    def reproducibility_limit(self) -> float:
        """The same between cells (R)."""
        return LIMIT_FACTOR * self.reproducibility_sd


def precision(cells: Sequence[Sequence[float]]) -> Precision:
    """Variances of a balanced or unbalanced experiment of at least two cells with repeats.

    Cells with one result count for the means only. Raises SettingError when nothing was repeated.
    """
    groups = [np.asarray(c, dtype=np.float64) for c in cells if len(c) > 0]
    counts = np.array([len(g) for g in groups], dtype=np.float64)
    if len(groups) < 2 or not (counts > 1).any():
        raise SettingError(
            "Precision needs at least two things measured, and one of them more than once.",
            got=f"{len(groups)} cells, at most {int(counts.max(initial=0))} results in one",
            remedy="Record again with the sensors taken off and put back.",
        )
    means = np.array([g.mean() for g in groups])
    variances = np.array([np.var(g, ddof=1) if len(g) > 1 else 0.0 for g in groups])
    total = counts.sum()
    degrees = int((counts - 1).sum())
    within = float(((counts - 1) * variances).sum() / degrees)
    mean = float((counts * means).sum() / total)
    of_means = float((counts * (means - mean) ** 2).sum() / (len(groups) - 1))
    usual = float((total - (counts**2).sum() / total) / (len(groups) - 1))
    between = max(0.0, (of_means - within) / usual)
    spread = float(np.std(means, ddof=1))
    all_variances = float(variances.sum())
    return Precision(
        mean=mean,
        repeatability_sd=within**0.5,
        between_sd=between**0.5,
        reproducibility_sd=(within + between) ** 0.5,
        degrees=degrees,
        means=means,
        variances=variances,
        counts=counts,
        h=(means - means.mean()) / spread if spread > 0.0 else np.zeros(len(means)),
        k=np.sqrt(variances / within) if within > 0.0 else np.zeros(len(means)),
        cochran=float(variances.max() / all_variances) if all_variances > 0.0 else 0.0,
    )


def cochran_critical(cells: int, repeats: int, level: float = 0.01) -> float:
    """Cochran's C beyond which the largest of `cells` variances is an outlier at `level`."""
    f = _upper_f(level / cells, repeats - 1.0, (cells - 1.0) * (repeats - 1.0))
    return 1.0 / (1.0 + (cells - 1.0) / f)


def grubbs(values: Sequence[float]) -> tuple[int, float]:
    """Index of the value furthest from the mean, and its distance in standard deviations."""
    x = np.asarray(values, dtype=np.float64)
    spread = float(np.std(x, ddof=1)) if len(x) > 1 else 0.0
    if spread == 0.0:
        return 0, 0.0
    away = np.abs(x - x.mean()) / spread
    index = int(np.argmax(away))
    return index, float(away[index])


def grubbs_critical(count: int, level: float = 0.01) -> float:
    """Grubbs' G for one outlier on either side at `level` (ISO 5725-2, table 5)."""
    t2 = float(stdtrit(count - 2, 1.0 - level / (2.0 * count))) ** 2
    return float((count - 1) / np.sqrt(count) * np.sqrt(t2 / (count - 2 + t2)))


def mandel_h_critical(cells: int, level: float = 0.01) -> float:
    """Mandel's h at `level` (two-sided)."""
    t = float(stdtrit(cells - 2, 1.0 - level / 2.0))
    return float((cells - 1) * t / np.sqrt(cells * (t * t + cells - 2)))


def mandel_k_critical(cells: int, repeats: int, level: float = 0.01) -> float:
    """Mandel's k at `level`."""
    f = _upper_f(level, repeats - 1.0, (cells - 1.0) * (repeats - 1.0))
    return float(np.sqrt(cells / (1.0 + (cells - 1.0) / f)))


def _upper_f(tail: float, above: float, below: float) -> float:
    """Quantile of the F distribution with probability `tail` above it."""
    x = float(betaincinv(above / 2.0, below / 2.0, 1.0 - tail))
    return below * x / (above * (1.0 - x))
