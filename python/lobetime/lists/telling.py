"""What is told of a plan: its frames, read off joint draws."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .. import _core

if TYPE_CHECKING:
    from .plan import Placed, Plan, Planner

_ORDER_DRAWS = 2048
_PRICE_WORTH_SAYING_MIN = 1.0

_REASON_ORDER = ("surgeon", "anaesthesia", "device_class", "due_by", "gland_rule", "time_alone")
_WHY_WORDS = {
    "surgeon": "no session of surgeon {surgeon}",
    "anaesthesia": "no session for {anaesthesia} anaesthesia that its other rules allow",
    "device_class": "no session with {blade}/{suction} that its other rules allow",
    "due_by": "its latest day, {due_by}, is before every session that it could come on",
    "gland_rule": "every session that it could come on takes smaller glands only",
    "time_alone": "too long even alone: the least overrun risk is {risk:.2f}, on {session}",
}


@dataclass(frozen=True)
class Ordered:
    """A list in its order: cases, planned starts on the grid, and what the order costs.

    Costs are those of starts that are not rounded, in minutes of a patient's waiting (see ``StartCost``).
    """

    cases: list[int]
    starts: list[float]
    cost_min: float
    price_min: float  # against the best order found
    large_first_price_min: float  # NaN where no gland is large, or none can come first


def put_in_order(planner: Planner, placed: Sequence[Placed], own: Mapping[str, Sequence[str]]) -> list[Ordered]:
    """Order and planned starts of each list: the best found, or the planner's ``own`` (session_id to case_ids)."""
    kinds = [planner.kinds[planner.kind_of[at]] for at, _, _ in placed]
    minutes = [float(planner.sessions["minutes"].iloc[at]) for at, _, _ in placed]
    found = _core.best_orders(
        [kind.times for kind in kinds],
        [[kind.members.index(c) for c in cases] for kind, (_, _, cases) in zip(kinds, placed, strict=True)],
        minutes,
        _core.StartCost(),
        draws=_ORDER_DRAWS,
        exhaustive=5,
        threads=planner.options.threads,
    )
    out = []
    for kind, session_min, (at, _, cases), (best, starts, cost) in zip(kinds, minutes, placed, found, strict=True):

        def judged(order: list[int], kind: Any = kind, session_min: float = session_min) -> tuple[list[float], float]:
            begin = _core.best_starts(kind.times, order, session_min, _core.StartCost(), _ORDER_DRAWS)
            return begin, _core.start_cost(kind.times, order, begin, session_min, _core.StartCost(), _ORDER_DRAWS)

        order, price = list(best), 0.0
        asked = own.get(planner.sessions["session_id"].iloc[at])
        if asked is not None:
            order = [kind.members.index(planner.ids.index(case)) for case in asked]
            starts, own_cost = judged(order)
            cost, price = own_cost, own_cost - cost
        large_first = math.nan
        if 0 < planner.large[list(cases)].sum() < len(cases):
            first = sorted(best, key=lambda p: not planner.large[kind.members[p]])  # stable: else as in the best
            large_first = judged(first)[1] - (cost - price)
        grid = planner.options.round_to_min
        rounded = [grid * round(start / grid) for start in starts]
        out.append(Ordered([kind.members[p] for p in order], rounded, cost, price, large_first))
    return out


def _containers(swaps: Any, canister_ml: float) -> Any:
    return swaps + 1 if math.isfinite(canister_ml) else np.zeros_like(swaps)


def _text(frame: pd.DataFrame, name: str, row: int) -> str:
    if name not in frame:
        return ""
    value = frame[name].iloc[row]
    return "" if pd.isna(value) else str(value)


def _tell_list(plan: Plan, at: int, ordered: Ordered) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    planner, o = plan.planner, plan.planner.options
    order, starts = ordered.cases, ordered.starts
    session, rule = planner.sessions.iloc[at], planner.rule(at)
    kind = planner.kinds[planner.kind_of[at]]
    details = planner.details(at, tuple(order))
    frame = details.bookings.frame
    positions = [kind.members.index(case) for case in order]
    finish = [kind.times.finish(positions[: k + 1]) for k in range(len(order))]
    risk = _core.list_risk(kind.times, positions, rule)
    turnover = round(o.turnover_median_min)
    booked_to = float(np.quantile(finish[-1], 1 - rule.overrun_risk if rule.overrun_risk < 1 else 0.8))
    grid = o.round_to_min
    ends = [start - turnover for start in starts[1:]]
    ends.append(max(grid * math.ceil(booked_to / grid - 1e-9), starts[-1] + grid))
    told = planner.pred.again(details.bookings, draws=1000, seed=o.seed)
    fitted = planner.pred._fitted
    rates = {str(name): float(rate) for name, rate in fitted.fault_rates.items()}
    said = told.warnings()
    cases = []
    no_fault = 1.0
    for k, case in enumerate(order):
        blade, suction = _text(frame, "blade", k), _text(frame, "suction", k)
        canister = float(frame["canister_ml"].iloc[k]) if "canister_ml" in frame else math.inf
        canister = math.inf if math.isnan(canister) else canister
        names = (_text(frame, "device", k), f"{blade}/{suction}", "other")
        fault = next((rates[name] for name in names if name in rates), math.nan)
        no_fault *= 1.0 - (0.0 if math.isnan(fault) else fault)
        swaps, litres = details.swaps[k], details.litres[k]
        containers = _containers(swaps, canister)
        one = planner.frame.iloc[case]
        litres_q95 = float(np.quantile(litres, 0.95))
        q10, q50, q80, q90 = np.quantile(finish[k], [0.1, 0.5, 0.8, 0.9])
        cases.append(
            {
                "session_id": session["session_id"],
                "position": k + 1,
                "case_id": planner.ids[case],
                "gland_ml": float(one["gland_ml"]),
                "surgeon": _text(frame, "surgeon", k),
                "blade": blade,
                "suction": suction,
                "canister_ml": canister,
                "anaesthesia": one["anaesthesia"] or session["anaesthesia"],
                "starts_at": session["starts_at"] + pd.Timedelta(minutes=starts[k]),
                "start_min": starts[k],
                "slot_min": ends[k] - starts[k],
                "turnover_min": float(turnover) if k + 1 < len(order) else 0.0,
                "median_min": float(np.median(details.minutes[k])),
                "q90_min": float(np.quantile(details.minutes[k], 0.9)),
                "finish_q10_min": float(q10),
                "finish_q50_min": float(q50),
                "finish_q80_min": float(q80),
                "finish_q90_min": float(q90),
                "swaps_median": float(np.median(swaps)),
                "swaps_q95": float(np.quantile(swaps, 0.95)),
                "canisters_median": float(np.median(containers)),
                "canisters_q95": float(np.quantile(containers, 0.95)),
                "irrigation_l_median": float(np.median(litres)),
                "irrigation_l_q95": litres_q95,
                "irrigation_bags_q95": math.ceil(litres_q95 / o.bag_l),
                "fault_chance": fault,
                "hard_nodule_chance": float(fitted.hard_nodule_chance(float(one["gland_ml"]))),
                "large": bool(planner.large[case]),
                "fixed": planner.ids[case] in planner.fixed,
                "days_waiting": float(one["days_waiting"]),
                "priority": one["priority"],
                "due_by": one["due_by"],
                "warnings": said[k],
            }
        )
    swaps = details.swaps.sum(axis=0)
    canisters = sum(_containers(details.swaps[k], cases[k]["canister_ml"]) for k in range(len(order)))
    litres = details.litres.sum(axis=0)
    q50, q80, q90 = np.quantile(finish[-1], [0.5, 0.8, 0.9])
    minutes = float(session["minutes"])
    patient = risk.mean_min - float(np.mean(finish[-1] - details.minutes.sum(axis=0)))
    return (
        {
            "session_id": session["session_id"],
            "day": session["starts_at"].normalize(),
            "starts_at": session["starts_at"],
            "ends_at": session["ends_at"],
            "minutes": minutes,
            "room": session["room"],
            "surgeon": session["surgeon"] or "/".join(dict.fromkeys(c["surgeon"] for c in cases if c["surgeon"])),
            "n_cases": len(order),
            "n_large": int(planner.large[order].sum()),
            "overrun_risk": risk.overrun,
            "overrun_limit": rule.overrun_risk,
            "finish_mean_min": risk.mean_min,
            "finish_q50_min": float(q50),
            "finish_q80_min": float(q80),
            "finish_q90_min": float(q90),
            "overtime_mean_min": risk.overtime_min,
            "idle_mean_min": risk.idle_min,
            "order_cost_min": ordered.cost_min,
            "order_price_min": ordered.price_min,
            "large_first_price_min": ordered.large_first_price_min,
            "booked_utilisation": ends[-1] / minutes,
            "touch_utilisation": max(patient - risk.overtime_min, 0.0) / minutes,
            "device_sets": len(order),
            "swaps_median": float(np.median(swaps)),
            "swaps_q95": float(np.quantile(swaps, 0.95)),
            "canisters_median": float(np.median(canisters)),
            "canisters_q95": float(np.quantile(canisters, 0.95)),
            "irrigation_l_median": float(np.median(litres)),
            "irrigation_l_q95": float(np.quantile(litres, 0.95)),
            "irrigation_bags_q95": math.ceil(float(np.quantile(litres, 0.95)) / o.bag_l),
            "fault_chance": 1.0 - no_fault,
            "backup_set": bool(1.0 - no_fault >= o.backup_at),
            "verified_risk": plan.verdicts.get((at, tuple(sorted(order))), (math.nan, False))[0],
            "words": "; ".join(
                words
                for words in (_would_help(planner, at, order, risk.overrun, rule), _order_words(planner, ordered))
                if words
            ),
        },
        cases,
    )


def _would_help(planner: Planner, at: int, order: list[int], risk: float, rule: _core.ListRule) -> str:
    """Which case's leaving lowers the risk most."""
    if len(order) < 2 or rule.overrun_risk >= 1 or risk < 0.5 * rule.overrun_risk:
        return ""
    kind = planner.kinds[planner.kind_of[at]]
    without = []
    for case in order:
        rest = [kind.members.index(c) for c in order if c != case]
        without.append((_core.list_risk(kind.times, rest, rule).overrun, planner.ids[case]))
    least, case_id = min(without)
    return f"moving {case_id} takes the overrun risk from {risk:.2f} to {least:.2f}"


def _order_words(planner: Planner, ordered: Ordered) -> str:
    """What an order costs that is not the best, in minutes of a patient's waiting."""
    said = []
    if abs(ordered.price_min) >= _PRICE_WORTH_SAYING_MIN:
        said.append(f"this order costs {ordered.price_min:+.0f} min of waiting against ours")
    large_first = planner.large[ordered.cases]
    if ordered.large_first_price_min >= _PRICE_WORTH_SAYING_MIN and not large_first[: large_first.sum()].all():
        said.append(f"large glands first would cost {ordered.large_first_price_min:+.0f} min of waiting")
    return "; ".join(said)


def _tell_unplaced(plan: Plan, case: int) -> dict[str, Any]:
    planner = plan.planner
    one = planner.frame.iloc[case]
    why = planner.why[case]
    open_to = [at for at in range(planner.m) if why[at] == ""]
    told: dict[str, Any] = {
        "case_id": planner.ids[case],
        "gland_ml": float(one["gland_ml"]),
        "surgeon": one["surgeon"],
        "days_waiting": float(one["days_waiting"]),
        "priority": one["priority"],
        "due_by": one["due_by"],
        "best_session": "",
        "risk_if_added": math.nan,
    }
    if not open_to:
        found = set(why)
        # The rule that the most sessions get as far as: what would have to change.
        reason = next(name for name in reversed(_REASON_ORDER) if name in found)
        risks = planner.alone_risk[case]
        best = int(np.nanargmin(risks)) if np.isfinite(risks).any() else 0
        words = _WHY_WORDS[reason].format(
            surgeon=one["surgeon"] or "?",
            anaesthesia=one["anaesthesia"],
            blade=one["blade"] or "?",
            suction=one["suction"] or "?",
            due_by=f"{one['due_by']:%Y-%m-%d}" if one["due_by"] == one["due_by"] else "",
            risk=float(risks[best]),
            session=planner.sessions["session_id"].iloc[best],
        )
        return told | {"reason": reason, "words": words}
    # The session where it would disturb least, stock aside.
    lists = {at: cases for at, _, cases in plan.placed}
    options = []
    for at in open_to:
        kind, rule = planner.kinds[planner.kind_of[at]], planner.rule(at)
        cases = (*lists.get(at, ()), case)
        rules = len(cases) <= rule.most_cases and planner.large[list(cases)].sum() <= rule.most_large
        risk = _core.list_risk(kind.times, [kind.members.index(c) for c in cases], rule)
        options.append((not rules, risk.overrun, at, risk.keeps(rule)))
    broken, risk_if_added, at, keeps = min(options)
    told |= {"best_session": planner.sessions["session_id"].iloc[at], "risk_if_added": risk_if_added}
    session = told["best_session"]
    if broken:
        return told | {"reason": "gland_rule", "words": f"{session} has as many cases or large glands as it may have"}
    if keeps:
        for row in planner.stock_rows:
            use = row["uses"].get(at, {}).get(case, 0.0)
            if use > 0 and row["expected"] + use > row["limit"] + 1e-9:
                what = {"device_set": "device_set", "canister": "canister"}.get(row["what"], "irrigation")
                words = f"{session} has the time, but the day's {what.replace('_', ' ')} {row['which']}".rstrip()
                return told | {"reason": what, "words": words + " would run short"}
    words = (
        f"cases worth more take the time: added to {session}, the overrun risk would be {risk_if_added:.2f}"
        if not keeps
        else f"{session} would take it within its risk; the plan is within its gap of the best, not at it"
    )
    return told | {"reason": "capacity", "words": words}


def _tell_stock(plan: Plan) -> pd.DataFrame:
    planner = plan.planner
    mean_worth = float(planner.worth.mean())
    rows = []
    for k, row in enumerate(planner.stock_rows):
        worth = float(plan.chosen.stock_prices[k]) / mean_worth if len(plan.chosen.stock_prices) else 0.0
        name = {"device_set": "use of a device set", "canister": "canister", "irrigation_l": "litre of irrigation"}[
            row["what"]
        ]
        words = (
            f"one more {name} {row['which']}".rstrip() + f" on {row['day']:%A} is worth about {worth:.2f} of a case"
            if worth >= 0.005
            else ""
        )
        rows.append((row["day"], row["what"], row["which"], row["amount"], row["expected"], row["short"], worth, words))
    columns = ["day", "what", "which", "amount", "expected_use", "chance_short", "worth", "words"]
    return pd.DataFrame(rows, columns=columns)


_UNPLACED = ["case_id", "gland_ml", "surgeon", "days_waiting", "priority", "due_by", "reason", "words", "best_session"]


def tell(plan: Plan) -> None:
    """Fills the frames and facts of a plan."""
    planner, chosen, o = plan.planner, plan.chosen, plan.planner.options
    orders = put_in_order(planner, plan.placed, plan.orders)
    planner.measure_stock([(at, ordered.cases) for (at, _, _), ordered in zip(plan.placed, orders, strict=True)])
    told = [_tell_list(plan, at, ordered) for (at, _, _), ordered in zip(plan.placed, orders, strict=True)]
    lists = pd.DataFrame([one for one, _ in told])
    plan.lists = lists
    plan.cases = pd.DataFrame([case for _, cases in told for case in cases])
    seen = {case for _, _, cases in plan.placed for case in cases}
    missed = [_tell_unplaced(plan, case) for case in range(planner.n) if case not in seen]
    plan.unplaced = pd.DataFrame(missed, columns=[*_UNPLACED, "risk_if_added"])
    plan.stock_use = _tell_stock(plan)
    opened = float(lists["minutes"].sum()) if len(lists) else 0.0
    fitted = planner.pred._fitted

    def per_opened(name: str) -> float:
        return float((lists[name] * lists["minutes"]).sum() / opened) if opened else 0.0

    plan.facts = {
        "status": chosen.status,
        "largest_moment_error": chosen.largest_moment_error,
        "placed": len(seen),
        "waiting": planner.n,
        "placement_value": chosen.worth,
        "placement_bound": chosen.placement_bound,
        "placement_gap": chosen.placement_gap,
        "cost": chosen.cost,
        "cost_bound": chosen.cost_bound,
        "cost_gap": chosen.cost_gap,
        "session_worth": {
            str(planner.sessions["session_id"].iloc[at]): float(price) / float(planner.worth.mean())
            for group, price in zip(plan.problem.groups, chosen.session_prices, strict=True)
            for at in group.sessions
        },
        "hours_opened": opened / 60.0,
        "hours_given_back": (float(planner.sessions["minutes"].sum()) - opened) / 60.0,
        "overtime_mean_min": float(lists["overtime_mean_min"].sum()) if len(lists) else 0.0,
        "idle_mean_min": float(lists["idle_mean_min"].sum()) if len(lists) else 0.0,
        "booked_utilisation": per_opened("booked_utilisation"),
        "touch_utilisation": per_opened("touch_utilisation"),
        "overrun_risk": o.risk,
        "overrun_means": o.overrun,
        "grace_min": o.grace_min,
        "draws": o.draws,
        "seed": o.seed,
        "verified_draws": o.verify_draws,
        "lobetime": _core.__version__,
        "origin": f"{fitted.n_cases:,} cases of the unit"
        if fitted.n_cases
        else "published evidence alone: no case of the unit",
        "assumptions": o.assumptions(),
    }
