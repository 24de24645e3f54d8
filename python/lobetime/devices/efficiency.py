"""Grams per minute of a class: over a case mix, and against tissue."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from .. import _core
from .words import Option

Doubles = npt.NDArray[np.float64]
Unseen = tuple[float, float] | None

_GLANDS = 9  # volumes that stand for the mix, each for as many cases
_STEP = 1e-4  # of a central difference on the parameters' working scale


def class_efficiency(
    fitted: _core.FittedModel, gland_ml: Doubles, option: Option, unseen: Unseen, level: float
) -> dict[str, float]:
    """g/min of an option over a case mix, both ways of averaging, each with ``_low`` and ``_high``.

    Every gland's grams and minutes are :func:`lobetime.quantities.morcellation_efficiency`: the unit's average surgeon
    past the learning curve, no nodule, averaged over the scatter of tissue and of minutes. Mean of ratios: each case's
    own g/min, averaged. Ratio of means: all grams over all minutes. Intervals by the delta method on the logarithm,
    from the parameters' covariance and, of a device that the fit has not seen, the log ratio and log SD of its level.
    """
    glands = np.quantile(gland_ml, (np.arange(_GLANDS) + 0.5) / _GLANDS)
    ratios, wholes = (
        [_quantity(fitted, option, mean, gland_ml=float(g)) for g in glands]
        for mean in ("mean_of_ratios", "ratio_of_means")
    )
    yield_at, exponent_at = fitted.names.index("yield_g_80"), fitted.names.index("yield_exponent")

    def mean_of_ratios(theta: Doubles) -> float:
        return float(np.mean([one.value(theta) for one in ratios]))

    def ratio_of_means(theta: Doubles) -> float:
        grams = np.exp(theta[yield_at] + theta[exponent_at] * np.log(glands / 80.0))
        return float(grams.sum() / sum(g / one.value(theta) for g, one in zip(grams, wholes, strict=True)))

    out: dict[str, float] = {}
    for name, call in (("g_min_mean_of_ratios", mean_of_ratios), ("g_min_ratio_of_means", ratio_of_means)):
        out[name], out[f"{name}_low"], out[f"{name}_high"] = _interval(fitted, call, unseen, level)
    return out


def efficiency_against_tissue(
    fitted: _core.FittedModel, tissue_g: Sequence[float], option: Option, unseen: Unseen, level: float
) -> pd.DataFrame:
    """g/min (all grams over all minutes) of cases with so much tissue: ``tissue_g``, ``g_min``, ``low``, ``high``."""
    rows = []
    for grams in tissue_g:
        # The gland does not matter where the tissue is given.
        one = _quantity(fitted, option, "ratio_of_means", gland_ml=80.0, tissue_g=float(grams))
        middle, low, high = _interval(fitted, one.value, unseen, level)
        rows.append({"tissue_g": float(grams), "g_min": middle, "low": low, "high": high})
    return pd.DataFrame(rows)


def _quantity(fitted: _core.FittedModel, option: Option, mean: str, **columns: float) -> _core.Quantity:
    one = option.device_class
    table: dict[str, list[object]] = {name: [value] for name, value in columns.items()}
    table |= {"blade": [one.blade], "suction": [one.suction], "canister_ml": [option.collection.capacity_ml]}
    if f"device[{one.device}]" in fitted.names:
        table["device"] = [one.device]
    return _core.morcellation_efficiency_quantity(fitted, _core.CaseTable(**table), mean=mean)  # type: ignore[arg-type]


def _interval(
    fitted: _core.FittedModel, call: Callable[[Doubles], float], unseen: Unseen, level: float
) -> tuple[float, float, float]:
    theta, covariance = fitted.theta, fitted.covariance
    gradient = np.zeros(len(theta))
    for i in np.flatnonzero(np.diag(covariance) > 0):
        gradient[i] = _slope(call, theta, int(i))
    variance = float(gradient @ covariance @ gradient)
    middle = call(theta)
    if unseen is not None:
        # A device's level adds to the logarithm of the rate, as rate_50 does.
        at = fitted.names.index("rate_50")
        slope = gradient[at] or _slope(call, theta, at)
        variance += (slope * unseen[1]) ** 2
        middle *= math.exp(slope * unseen[0])
    half = float(stats.norm.ppf(0.5 + level / 2)) * math.sqrt(variance)
    return middle, middle * math.exp(-half), middle * math.exp(half)


def _slope(call: Callable[[Doubles], float], theta: Doubles, i: int) -> float:
    step = np.zeros(len(theta))
    step[i] = _STEP * max(1.0, abs(float(theta[i])))
    return (math.log(call(theta + step)) - math.log(call(theta - step))) / (2.0 * float(step[i]))
