"""Numbers rounded with their error: the error to two significant digits, the estimate to the same place."""

from __future__ import annotations

import math

_MOST_DECIMALS = 6


def decimals_of(error: float) -> int | None:
    """Decimals at which ``error`` has two significant digits (negative: tens, hundreds); None without an error."""
    if not (math.isfinite(error) and error > 0):
        return None
    return min(1 - int(f"{error:.1e}".partition("e")[2]), _MOST_DECIMALS)


def at(value: float, decimals: int | None) -> str:
    """A number at so many decimals, four significant digits without; "open" where there is none."""
    if not math.isfinite(value):
        return "open"
    if decimals is None:
        return f"{value:.4g}"
    text = f"{round(value, decimals):.{max(decimals, 0)}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def with_error(value: float, error: float) -> str:
    """Both, rounded at the error's second digit; "" for a value that is not known."""
    place = decimals_of(error)
    return "" if math.isnan(value) else f"{at(value, place)} ± {at(error, place)}"


def interval(low: float, high: float, decimals: int | None) -> str:
    """Both ends; one that the cases do not close has no number."""
    if math.isnan(low):
        return "open" if math.isnan(high) else f"up to {at(high, decimals)}"
    return f"from {at(low, decimals)}" if math.isnan(high) else f"{at(low, decimals)} to {at(high, decimals)}"
