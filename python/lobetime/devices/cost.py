"""What a case costs with each class: the unit's own prices, the comparison's own minutes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from .. import _core
from ..caution import CAUTION
from ..plain import plain
from ._saying import LEVEL, first_shares, interval, percent, share_below, with_interval
from .compare import Comparison

Doubles = npt.NDArray[np.float64]
Amount: TypeAlias = "float | tuple[float, float]"
"""A number, or (low, high): 90 % of a uniform range, 5 % of it below ``low`` and 5 % above ``high``."""


@dataclass(frozen=True, kw_only=True)
class CostInputs:
    """What one class costs the unit. No price has a default: what is not given is refused by name; 0 is a price.

    Each may be a number, or (low, high): a uniform range that holds 90 % between them, cut at the least value possible.

    Parameters
    ----------
    capital
        Price of the device, all that is bought once.
    life_years
        Years over which it is spread evenly; neither interest nor a resale value is counted.
    service_per_year
        Maintenance and after-sales contract.
    disposable_price
        Of the blades, tubing and other parts that are renewed.
    disposable_uses
        How many cases one of them lasts, 1 = single use.
    other_per_case
        Everything else of a case that differs between classes, reprocessing included.
    canister_price
        Of one canister or liner. A case takes one, and one more a swap; a continuous drain takes none.
    """

    capital: Amount | None = None
    life_years: Amount | None = None
    service_per_year: Amount | None = None
    disposable_price: Amount | None = None
    disposable_uses: Amount | None = None
    other_per_case: Amount | None = None
    canister_price: Amount | None = None

    def problems(self) -> list[str]:
        """Every input that is missing or cannot be."""
        given = [(one.name, getattr(self, one.name)) for one in fields(self)]
        return [words for name, value in given if (words := amount_problem(name, value))]


_WORTH_SAYING = 0.01  # shares of draws below are in the table only

LEAST = {"life_years": 0.1, "disposable_uses": 1.0, "cases_per_year": 1.0}
"""What an amount must be at least; 0 for all others."""


def device_cost(
    comparison: Comparison,
    inputs: Mapping[str, CostInputs],
    *,
    theatre_minute_cost: Amount,
    cases_per_year: Amount | None = None,
    currency: str,
    seed: int = 1,
) -> DeviceCost:
    """Cost per case of every option of a comparison, with its interval, and the volume at which it breaks even.

    Parameters
    ----------
    comparison : Comparison
        Its draws of theatre minutes and swaps are used as they are, so that cost and time are joint.
    inputs : mapping of class to CostInputs
        ``"oscillating/vacuum"``: for every collection of it; an option's whole name is for that one alone. Options of
        one class share the draws of its inputs; different classes' inputs are independent.
    theatre_minute_cost
        Of one minute of theatre. A minute saved is counted at it, which holds only if the minute is used.
    cases_per_year
        By default the comparison's.
    currency
        The unit's own word for the money, printed beside each figure.
    seed : int
        Of the inputs' draws.

    Returns
    -------
    DeviceCost

    Notes
    -----
    A case costs (capital / life + service) / cases a year + disposables / uses + other + canisters (1 + swaps) +
    theatre minutes x their cost. With F and v the yearly and the per-case differences from the reference, an option is
    cheaper at n cases a year where F + n v < 0: from -F / v on if F > 0 > v, up to it if F < 0 < v.

    Raises
    ------
    InvalidArgument
        With every missing or impossible input, by class and name.
    """
    yearly = comparison.facts["cases_per_year"] if cases_per_year is None else cases_per_year
    _check(comparison, inputs, theatre_minute_cost, yearly, currency)
    draws = len(comparison.draws["theatre_min"])

    def drawn(key: str, name: str, value: Amount) -> Doubles:
        rng = np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, 0xC057, *f"{key} {name}".encode()])))
        return _drawn(name, value, rng, draws)

    minute = drawn("", "theatre_minute_cost", theatre_minute_cost)
    cases = drawn("", "cases_per_year", yearly)
    fixed, variable, parts = {}, {}, {}
    for option, row in comparison.options.iterrows():
        name = str(option)
        key = name if name in inputs else str(row["device_class"])
        one = {f.name: drawn(key, f.name, getattr(inputs[key], f.name)) for f in fields(CostInputs)}
        canisters = 0.0 if math.isinf(row["canister_ml"]) else 1.0 + comparison.draws["swaps"][name].to_numpy()
        device_case = one["disposable_price"] / one["disposable_uses"] + one["other_per_case"]
        device_case = device_case + canisters * one["canister_price"]
        in_theatre = minute * comparison.draws["theatre_min"][name].to_numpy()
        fixed[name] = one["capital"] / one["life_years"] + one["service_per_year"]
        variable[name] = device_case + in_theatre
        parts[name] = (fixed[name] / cases + device_case, in_theatre)
    cost = pd.DataFrame({name: fixed[name] / cases + variable[name] for name in fixed})
    cheapest = dict(zip(cost, first_shares(cost.to_numpy()), strict=True))
    reference = comparison.reference
    rows, even = {}, {}
    for name in fixed:
        difference = (cost[name] - cost[reference]).to_numpy()
        rows[name] = {
            **interval("cost_per_case", cost[name].to_numpy()),
            "device_per_case": float(parts[name][0].mean()),
            "theatre_per_case": float(parts[name][1].mean()),
            **interval("difference", difference),
            **interval("difference_year", difference * cases),
            "p_cheaper": share_below(difference),
            "p_cheapest": float(cheapest[name]),
        }
        if name != reference:
            even[name] = _break_even(fixed[name] - fixed[reference], variable[name] - variable[reference])
    return DeviceCost(
        table=pd.DataFrame.from_dict(rows, orient="index").rename_axis("option"),
        break_even=pd.DataFrame.from_dict(even, orient="index").rename_axis("option"),
        reference=reference,
        currency=currency,
        draws=cost,
        assumptions=[
            "prices: the unit's own; (low, high) is taken as 90 % of a uniform range",
            "capital is spread evenly over its life; neither interest nor a resale value is counted",
            "a theatre minute saved counts in full, which holds only where it is used",
            f"cases a year: {_amount_words(yearly)}"
            + (" (as the comparison has it)" if cases_per_year is None else " (as given)"),
            f"a minute of theatre: {_amount_words(theatre_minute_cost)} {currency} (as given)",
        ],
    )


@dataclass(frozen=True, repr=False, eq=False)
class DeviceCost:
    """Cost of each option. Made by :func:`device_cost`, which says what each number is.

    Attributes
    ----------
    table : pandas.DataFrame
        One row an option, in the unit's currency, 90 % intervals in ``_low`` and ``_high``: ``cost_per_case``, its
        parts ``device_per_case`` and ``theatre_per_case``, ``difference`` (from the reference, a case),
        ``difference_year``, ``p_cheaper``, ``p_cheapest``.
    break_even : pandas.DataFrame
        One row an option but the reference, shares of draws: ``p_always`` cheaper, ``p_never``, ``p_from`` (cheaper
        from a volume on) with ``from_cases`` (median) and ``_low``, ``_high`` of those draws, ``p_up_to`` (cheaper up
        to a volume) with ``up_to_cases``, ``_low``, ``_high``.
    draws : pandas.DataFrame
        Cost per case, draws x options.
    """

    table: pd.DataFrame
    break_even: pd.DataFrame
    reference: str
    currency: str
    draws: pd.DataFrame
    assumptions: list[str]
    caution: str = CAUTION

    def __repr__(self) -> str:
        return f"<DeviceCost of {len(self.table)} options in {self.currency}, reference {self.reference}>"

    def __str__(self) -> str:
        rows = [
            {
                "option": str(name) + (" (reference)" if name == self.reference else ""),
                "cost a case": with_interval(row, "cost_per_case", ",.0f"),
                "device": f"{row['device_per_case']:,.0f}",
                "theatre": f"{row['theatre_per_case']:,.0f}",
                "difference": "" if name == self.reference else with_interval(row, "difference", "+,.0f"),
                "cheapest": percent(row["p_cheapest"]),
            }
            for name, row in self.table.iterrows()
        ]
        parts = [
            f"Cost of a case in {self.currency}, {100 * LEVEL:.0f} % intervals; differences from {self.reference}",
            pd.DataFrame(rows).to_string(index=False),
            "\n".join(self.words()),
            "Assumptions\n" + "\n".join(f"  {words}" for words in self.assumptions),
            self.caution,
        ]
        return "\n\n".join(parts)

    def words(self) -> list[str]:
        """When each option is cheaper than the reference, a sentence each."""
        lines = []
        for name, row in self.break_even.iterrows():
            said = []
            if row["p_always"] >= _WORTH_SAYING:
                said.append(f"at any volume {percent(row['p_always'])}")
            if row["p_from"] >= _WORTH_SAYING:
                said.append(f"from a volume on {percent(row['p_from'])} ({_cases(row, 'from_cases')})")
            if row["p_up_to"] >= _WORTH_SAYING:
                said.append(f"up to a volume {percent(row['p_up_to'])} ({_cases(row, 'up_to_cases')})")
            if row["p_never"] >= _WORTH_SAYING:
                said.append(f"never {percent(row['p_never'])}")
            lines.append(f"{name} cheaper than the reference: " + "; ".join(said) + ".")
        return lines

    def to_dict(self) -> dict[str, Any]:
        """Everything said, in types that JSON holds."""
        return {
            "caution": self.caution,
            "currency": self.currency,
            "reference": self.reference,
            "table": plain(self.table.reset_index()),
            "break_even": plain(self.break_even.reset_index()),
            "words": self.words(),
            "assumptions": list(self.assumptions),
        }


def _cases(row: pd.Series[Any], name: str) -> str:
    return f"{row[name]:,.0f} cases a year, {row[f'{name}_low']:,.0f} to {row[f'{name}_high']:,.0f}"


def _break_even(fixed: Doubles, variable: Doubles) -> dict[str, float]:
    variable = np.where(np.abs(variable) < 1e-9, 0.0, variable)  # rounding, not a saving
    turning = (fixed > 0) & (variable < 0)
    falling = (fixed < 0) & (variable > 0)
    always = (fixed <= 0) & (variable <= 0) & ((fixed < 0) | (variable < 0))
    at = np.divide(-fixed, variable, out=np.full(len(fixed), np.nan), where=turning | falling)
    out = {"p_always": float(always.mean()), "p_from": float(turning.mean()), "p_up_to": float(falling.mean())}
    out["p_never"] = max(0.0, float((~(always | turning | falling)).mean()))
    for name, chosen in (("from_cases", turning), ("up_to_cases", falling)):
        low, middle, high = np.quantile(at[chosen], [0.05, 0.5, 0.95]) if chosen.any() else (math.nan,) * 3
        out |= {name: float(middle), f"{name}_low": float(low), f"{name}_high": float(high)}
    return out


def amount_problem(name: str, value: Any) -> str:
    """What is wrong with an amount of the name; blank if nothing is."""
    least = LEAST.get(name, 0.0)
    if value is None:
        return f"{name} is missing"
    ends = value if isinstance(value, tuple) else (value,)
    if not all(isinstance(x, (int, float)) and not isinstance(x, bool) and math.isfinite(x) for x in ends):
        return f"{name} must be a number or (low, high), not {value!r}"
    if isinstance(value, tuple) and not (len(value) == 2 and value[0] < value[1]):
        return f"{name} must be a number or (low, high) with low below high, not {value!r}"
    return f"{name} must be at least {least:g}, not {value!r}" if min(ends) < least else ""


def _check(comparison: Comparison, inputs: Mapping[str, Any], minute: Any, yearly: Any, currency: Any) -> None:
    options = comparison.options
    known = {*map(str, options.index), *options["device_class"]}
    problems = [f"{key!r} is no class or option of the comparison" for key in inputs if key not in known]
    for name, row in options.iterrows():
        if str(name) not in inputs and row["device_class"] not in inputs:
            missing = f"no inputs for {row['device_class']}"
            problems += [missing] if missing not in problems else []
    for key, one in inputs.items():
        if isinstance(one, CostInputs):
            problems += [f"{key}: {words}" for words in one.problems()]
        else:
            problems.append(f"{key}: must be CostInputs, not {one!r}")
    if isinstance(yearly, float) and math.isnan(yearly):
        problems.append("cases_per_year is missing: the comparison does not know it")
    else:
        problems += [words] if (words := amount_problem("cases_per_year", yearly)) else []
    problems += [words] if (words := amount_problem("theatre_minute_cost", minute)) else []
    if not (isinstance(currency, str) and currency.strip()):
        problems.append(f"currency must be the unit's word for its money, not {currency!r}")
    if problems:
        raise _core.InvalidArgument("; ".join(problems))


def _drawn(name: str, value: Amount, rng: np.random.Generator, draws: int) -> Doubles:
    if not isinstance(value, tuple):
        return np.full(draws, float(value))
    low, high = value
    beyond = 0.5 * (high - low) * (1.0 / LEVEL - 1.0)
    return np.maximum(rng.uniform(low - beyond, high + beyond, draws), LEAST.get(name, 0.0))


def _amount_words(value: Amount) -> str:
    return f"{value[0]:g} to {value[1]:g}" if isinstance(value, tuple) else f"{value:g}"
