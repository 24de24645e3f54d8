"""What the tables of this room share: intervals and shares of draws, and how they are put into words."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

Doubles = npt.NDArray[np.float64]

LEVEL = 0.9
"""Of every interval of draws here."""

CONFIDENT = 0.9
"""Chance of being first from which it is said with confidence (assumption)."""


def interval(name: str, values: Doubles) -> dict[str, float]:
    """Mean of draws, and the ends of their middle 90 % in ``_low`` and ``_high``."""
    low, high = np.quantile(values, [0.5 - LEVEL / 2, 0.5 + LEVEL / 2])
    return {name: float(values.mean()), f"{name}_low": float(low), f"{name}_high": float(high)}


def share_below(difference: Doubles) -> float:
    """Share of draws below 0; draws that are alike (the reference itself) are half each."""
    return float((difference < 0).mean() + 0.5 * (difference == 0).mean())


def first_shares(draws: Doubles) -> Doubles:
    """How often each column is the least; ties are shared."""
    least = draws == draws.min(axis=1, keepdims=True)
    shares: Doubles = (least / least.sum(axis=1, keepdims=True)).mean(axis=0)
    return shares


def with_interval(row: Mapping[Any, Any] | pd.Series[Any], name: str, form: str) -> str:
    """Estimate (low to high)."""
    return f"{row[name]:{form}} ({row[f'{name}_low']:{form}} to {row[f'{name}_high']:{form}})"


def percent(share: float) -> str:
    """A share of draws in whole per cent, for draws tell no more; none and all are said only where it is so."""
    if 0 < share < 0.01:
        return "<1 %"
    return ">99 %" if 0.99 < share < 1 else f"{100 * share:.0f} %"


def two_digits(value: float) -> str:
    """Two significant digits, as much as a rate of few events is worth; whole numbers from 10 on; NaN is unknown."""
    if math.isnan(value):
        return "unknown"
    if value == 0:
        return "0"
    return f"{round(value, 1 - math.floor(math.log10(abs(value)))):,g}"


def chance_words(value: float) -> str:
    """A chance of an event in per cent, two digits."""
    return two_digits(100 * value) + ("" if math.isnan(value) else " %")


def spread_words(middle: float, low: float, high: float, words: Callable[[float], str] = two_digits) -> str:
    """Estimate (low to high) of rates and counts; an unknown one keeps its ends."""
    return f"{words(middle)} ({words(low)} to {words(high)})"
