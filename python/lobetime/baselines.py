"""Simple predictors to be better than, each fitted to the same recorded total of the same cases.

A baseline learns the minutes of past cases and answers with 199 quantiles of each booked one.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.exceptions import ConvergenceWarning
from sklearn.linear_model import HuberRegressor, Ridge
from threadpoolctl import threadpool_limits

Array = npt.NDArray[np.float64]
Baseline = Callable[[pd.DataFrame, Array, pd.DataFrame], Array]

LEVELS: Array = np.arange(1, 200) / 200.0
"""Probabilities of the quantiles: a sample of equal weights, so scores for draws apply."""

_RIDGE = 1.0  # cases that the prior of a standardised coefficient counts as
_FEWEST_OF_SURGEON = 3
_BOOSTED = (0.025, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.975)


def _order_quantiles(values: Array) -> Array:
    """Quantiles of a sample, type 6 (expected order statistics, (n + 1) p)."""
    quantiles: Array = np.quantile(values, LEVELS, method="weibull")
    return quantiles


def percentiles(history: pd.DataFrame, minutes: Array, bookings: pd.DataFrame) -> Array:
    """The unit's own percentiles, whatever the case."""
    return np.tile(_order_quantiles(minutes), (len(bookings), 1))


def last_ten(history: pd.DataFrame, minutes: Array, bookings: pd.DataFrame) -> Array:
    """Percentiles of the surgeon's last ten cases; of the unit's last ten where the surgeon has fewer than three."""
    if "surgeon" not in history or "surgeon" not in bookings:
        return np.tile(_order_quantiles(minutes[-10:]), (len(bookings), 1))
    rows = []
    for surgeon in bookings["surgeon"]:
        own = minutes[(history["surgeon"] == surgeon).to_numpy(dtype=bool)][-10:]
        rows.append(_order_quantiles(own if own.size >= _FEWEST_OF_SURGEON else minutes[-10:]))
    return np.array(rows)


def _columns(history: pd.DataFrame, bookings: pd.DataFrame) -> tuple[Array, Array]:
    """log volume, log experience, device classes and surgeons, as columns of both tables."""
    both = pd.concat([history, bookings], keys=["past", "next"])
    columns = pd.DataFrame({"log_gland": np.log(both["gland_ml"].astype(float))})
    if "surgeon_case_no" in both and both["surgeon_case_no"].loc["past"].notna().any():
        experience = pd.Series(np.log(both["surgeon_case_no"].to_numpy(dtype=float)), index=both.index)
        columns["log_experience"] = experience.fillna(experience.loc["past"].median())
    for name in ("surgeon", "blade", "suction"):
        if name in both:
            code = both[name].astype(object).where(both[name].notna(), "blank").astype(str)
            columns = columns.join(pd.get_dummies(code, prefix=name).astype(float))
    past, new = columns.loc["past"].to_numpy(dtype=float), columns.loc["next"].to_numpy(dtype=float)
    keep = past.std(axis=0) > 0
    centre, scale = past[:, keep].mean(axis=0), past[:, keep].std(axis=0)
    return (past[:, keep] - centre) / scale, (new[:, keep] - centre) / scale


def _log_normal(log_median: Array, spread: Array, freedom: float) -> Array:
    shape = stats.t.ppf(LEVELS, freedom) if np.isfinite(freedom) else stats.norm.ppf(LEVELS)
    quantiles: Array = np.exp(log_median[:, None] + np.outer(spread, shape))
    return quantiles


def _ridge_use(past: Array, new: Array) -> tuple[float, Array]:
    """Parameters that a small ridge uses, and the leverage of new rows."""
    inverse = np.linalg.inv(past.T @ past + _RIDGE * np.eye(past.shape[1]))
    used = 1.0 + float(np.trace(past @ inverse @ past.T))
    leverage: Array = 1.0 / len(past) + np.einsum("ij,jk,ik->i", new, inverse, new)
    return used, leverage


def log_normal(history: pd.DataFrame, minutes: Array, bookings: pd.DataFrame) -> Array:
    """Log-normal regression: log minutes on log volume, log experience, device and surgeon, with a small ridge."""
    past, new = _columns(history, bookings)
    fit = Ridge(alpha=_RIDGE).fit(past, np.log(minutes))
    used, leverage = _ridge_use(past, new)
    freedom = max(len(past) - used, 2.0)
    sd = np.sqrt(((np.log(minutes) - fit.predict(past)) ** 2).sum() / freedom)
    return _log_normal(fit.predict(new), sd * np.sqrt(1.0 + leverage), freedom)


def huber_log_normal(history: pd.DataFrame, minutes: Array, bookings: pd.DataFrame) -> Array:
    """The same by Huber's loss; its spread is the median absolute deviation."""
    past, new = _columns(history, bookings)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        fit = HuberRegressor(alpha=_RIDGE, max_iter=2000).fit(past, np.log(minutes))
    used, leverage = _ridge_use(past, new)
    freedom = max(len(past) - used, 2.0)
    residuals = np.log(minutes) - fit.predict(past)
    sd = 1.4826 * np.median(np.abs(residuals)) * np.sqrt(len(past) / freedom)
    return _log_normal(fit.predict(new), max(sd, 1e-3) * np.sqrt(1.0 + leverage), freedom)


def boosting(history: pd.DataFrame, minutes: Array, bookings: pd.DataFrame) -> Array:
    """Quantile gradient boosting at nine levels, interpolated; beyond the last two, as the normal would go on."""
    past, new = _columns(history, bookings)
    values = np.empty((len(new), len(_BOOSTED)))
    with threadpool_limits(1, "openmp"):  # too little work for more threads than one
        for k, level in enumerate(_BOOSTED):
            model = HistGradientBoostingRegressor(
                loss="quantile",
                quantile=level,
                max_iter=100,
                learning_rate=0.08,
                max_leaf_nodes=8,
                min_samples_leaf=min(20, max(2, len(past) // 8)),
                random_state=1,
            )
            values[:, k] = model.fit(past, np.log(minutes)).predict(new)
    values.sort(axis=1)
    z, grid = stats.norm.ppf(_BOOSTED), stats.norm.ppf(LEVELS)
    rows = np.array([np.interp(grid, z, row) for row in values])
    for side, at, inner in ((grid < z[0], 0, 1), (grid > z[-1], -1, -2)):
        slope = (values[:, at] - values[:, inner]) / (z[at] - z[inner])
        rows[:, side] = values[:, [at]] + slope[:, None] * (grid[side] - z[at])
    quantiles: Array = np.exp(rows)
    return quantiles


BASELINES: dict[str, Baseline] = {
    "percentiles": percentiles,
    "last ten": last_ten,
    "log-normal": log_normal,
    "Huber log-normal": huber_log_normal,
    "gradient boosting": boosting,
}
"""Name -> predictor: (history, its minutes, bookings) to quantiles, bookings x 199."""
