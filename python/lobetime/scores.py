"""How good a forecast of minutes was: proper scores and calibration, for draws and for quantiles."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import stats

Array = npt.NDArray[np.float64]


def _mean_difference(ordered: Array) -> Array:
    """Mean |X - X'| over all pairs of a row (each with itself included); rows ascending."""
    m = ordered.shape[-1]
    place = 2.0 * np.arange(1, m + 1) - m - 1.0
    mean: Array = 2.0 * (ordered * place).sum(axis=-1) / m**2
    return mean


def crps(draws: npt.ArrayLike, observed: npt.ArrayLike, *, fair: bool = False) -> Array:
    """Continuous ranked probability score of draws: E|X - y| - E|X - X'| / 2, in minutes; smaller is better.

    Parameters
    ----------
    draws : (..., m)
    observed : (...)
    fair : bool
        Pairs of a draw with itself left out: unbiased for the law that the draws come from (Ferro, Q J R Meteorol Soc
        2014;140:1917). Otherwise the score of the draws as they are.
    """
    x = np.sort(np.asarray(draws, dtype=float), axis=-1)
    y = np.asarray(observed, dtype=float)
    m = x.shape[-1]
    pairs = _mean_difference(x) * (m / (m - 1.0) if fair else 1.0)
    score: Array = np.abs(x - y[..., None]).mean(axis=-1) - 0.5 * pairs
    return score


def expected_crps(draws: npt.ArrayLike, outcomes: npt.ArrayLike) -> Array:
    """Mean :func:`crps` over many outcomes of each case: draws (..., m), outcomes (..., r).

    E|X - Y| comes from one sort of the two samples together, so that thousands against thousands cost no more than a
    sort.
    """
    x = np.sort(np.asarray(draws, dtype=float), axis=-1)
    y = np.sort(np.asarray(outcomes, dtype=float), axis=-1)
    m, r = x.shape[-1], y.shape[-1]
    own_x, own_y = _mean_difference(x), _mean_difference(y)
    both = _mean_difference(np.sort(np.concatenate([x, y], axis=-1), axis=-1))
    between = (both * (m + r) ** 2 - own_x * m**2 - own_y * r**2) / (2.0 * m * r)
    score: Array = between - 0.5 * own_x
    return score


def crps_lognormal(observed: npt.ArrayLike, log_mean: npt.ArrayLike, log_sd: npt.ArrayLike) -> Array:
    """CRPS of a log-normal forecast in closed form (Baran and Lerch, Q J R Meteorol Soc 2015;141:2289)."""
    y, mu, sd = (np.asarray(a, dtype=float) for a in (observed, log_mean, log_sd))
    w = (np.log(y) - mu) / sd
    cdf = stats.norm.cdf
    tail = cdf(w - sd) + cdf(sd / np.sqrt(2.0)) - 1.0
    score: Array = y * (2.0 * cdf(w) - 1.0) - 2.0 * np.exp(mu + 0.5 * sd**2) * tail
    return score


def pinball(observed: npt.ArrayLike, quantile: npt.ArrayLike, probability: npt.ArrayLike) -> Array:
    """Loss of a quantile: probability x (y - q) above it, (1 - probability) x (q - y) below."""
    y, q, p = (np.asarray(a, dtype=float) for a in (observed, quantile, probability))
    loss: Array = np.where(y >= q, p * (y - q), (1.0 - p) * (q - y))
    return loss


def interval_score(observed: npt.ArrayLike, low: npt.ArrayLike, high: npt.ArrayLike, coverage: float) -> Array:
    """Width of a central interval plus 2 / (1 - coverage) for each minute outside (JASA 2007;102:359)."""
    y, a, b = (np.asarray(v, dtype=float) for v in (observed, low, high))
    score: Array = (b - a) + 2.0 / (1.0 - coverage) * (np.maximum(a - y, 0.0) + np.maximum(y - b, 0.0))
    return score


def pit(draws: npt.ArrayLike, observed: npt.ArrayLike) -> Array:
    """Where the outcome fell in its forecast: share of draws below, equal ones half. Uniform if right."""
    x, y = np.asarray(draws, dtype=float), np.asarray(observed, dtype=float)[..., None]
    place: Array = (x < y).mean(axis=-1) + 0.5 * (x == y).mean(axis=-1)
    return place


def binomial_band(n: int, probability: float, level: float = 0.95) -> tuple[float, float]:
    """Shares of n that a right forecast stays within with the given probability."""
    low, high = stats.binom.interval(level, n, probability)
    return float(low) / n, float(high) / n


def conformal_rank(n: int, probability: float) -> int | None:
    """Rank k = ceil((n + 1) probability) of the held-out score that covers a new case with at least ``probability``.

    None where n is too small for any finite bound. Coverage is k / (n + 1) exactly for continuous exchangeable scores
    (JASA 2018;113:1094), and of one calibration set Beta(k, n + 1 - k) distributed.
    """
    k = int(np.ceil((n + 1) * probability - 1e-9))
    return k if k <= n else None


def conformal_band(n: int, probability: float, level: float = 0.9) -> tuple[float, float]:
    """Range of the coverage that one set of n held-out cases gives: central ``level`` of Beta(k, n + 1 - k)."""
    k = conformal_rank(n, probability)
    if k is None:
        return 1.0, 1.0
    low, high = stats.beta.interval(level, k, n + 1 - k)
    return float(low), float(high)
