"""Ways to fill lists, compared by simulation on the same draws."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from .. import _core
from ..prediction import Prediction
from .options import ListOptions
from .plan import Plan, Planner, _gaps, _sessions, _stock

Doubles = npt.NDArray[np.float64]

_FRESH = 0x51A1
SURGEON_ERROR = 0.34
"""Surgeons' absolute error of booked times as a share of the mean (published: Anesthesiology 1996)."""

CANCEL_AFTER_MIN = 30.0
"""A case is cancelled on the day if by its median it would end so many minutes after the session (assumption)."""

AUDIT = {"lists": 60, "overran": 53, "patients": 264, "cancelled": 36}
"""Urology lists booked to the sum of means (published: doi 10.1111/anae.14958)."""


@dataclass(frozen=True)
class _Policy:
    """Cases join a session while ``length`` of them is within it."""

    name: str
    words: str
    length: Callable[[Doubles, Doubles, Doubles], float]  # means, variances, guesses of the cases
    most_large: int = 10**6
    large: str = ""  # "first" or "last" in the order


def _sum_of_means(means: Doubles, variances: Doubles, guesses: Doubles) -> float:
    return float(means.sum())


def _sum_of_guesses(means: Doubles, variances: Doubles, guesses: Doubles) -> float:
    return float(guesses.sum())


def _with_slack(means: Doubles, variances: Doubles, guesses: Doubles) -> float:
    return float(means.sum() + 0.5 * math.sqrt(variances.sum()))


POLICIES = (
    _Policy("mean", "booked to the sum of means", _sum_of_means),
    _Policy("surgeon", "booked to the surgeon's guess of the median", _sum_of_guesses),
    _Policy("slack", "sum of means and half a standard deviation of the list", _with_slack),
    _Policy("one_large", "sum of means, at most one large gland a list", _sum_of_means, most_large=1),
    _Policy("large_first", "sum of means, large glands first", _sum_of_means, large="first"),
    _Policy("large_last", "sum of means, large glands last", _sum_of_means, large="last"),
)


def _guesses(planner: Planner, kind: int, seed: int) -> Doubles:
    """The surgeon's guess of each case: its median with a log-normal error of the published size."""
    known = planner.kinds[kind]
    # The mean of |z| is sqrt(2 / pi).
    sigma = SURGEON_ERROR * math.sqrt(math.pi / 2)
    rng = np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, kind, 0x9E])))
    medians = np.array([np.median(known.times.finish([k])) for k in range(len(known.members))])
    return medians * np.exp(sigma * rng.standard_normal(len(medians)))


def _fill(planner: Planner, policy: _Policy, guesses: Sequence[Doubles]) -> list[tuple[int, tuple[int, ...]]]:
    """Sessions in order of time, each filled with the cases of most worth that still fit."""
    waiting = sorted(range(planner.n), key=lambda i: (-planner.worth[i], planner.ids[i]))
    turnover = planner.options.turnover_median_min
    filled = []
    for at in range(planner.m):
        kind, rule = planner.kinds[planner.kind_of[at]], planner.rule(at)
        mean, variance = np.array(kind.times.mean), np.array(kind.times.variance)
        chosen: list[int] = []
        for case in waiting:
            if planner.why[case, at] not in ("", "time_alone") or case not in kind.members:
                continue
            trial = [*chosen, case]
            most_large = min(rule.most_large, policy.most_large)
            if len(trial) > rule.most_cases or planner.large[trial].sum() > most_large:
                continue
            rows = [kind.members.index(one) for one in trial]
            length = policy.length(mean[rows], variance[rows], guesses[planner.kind_of[at]][rows])
            if length + turnover * (len(trial) - 1) <= rule.minutes:
                chosen = trial
        if chosen:
            if policy.large:
                chosen.sort(key=lambda i: (bool(planner.large[i]) != (policy.large == "first"), planner.ids[i]))
            filled.append((at, tuple(chosen)))
            waiting = [case for case in waiting if case not in chosen]
    return filled


def _run(
    minutes: Doubles, gaps: Doubles, medians: Doubles, session_min: float, cancel_after_min: float = CANCEL_AFTER_MIN
) -> tuple[Doubles, Doubles, Doubles]:
    """End of the list, cases cancelled and minutes with a patient in the session, of each draw."""
    draws = minutes.shape[1]
    end, cancelled, touch = gaps[0].copy(), np.zeros(draws), np.zeros(draws)
    begun = np.zeros(draws, bool)
    for k in range(len(minutes)):
        start = end + np.where(begun, gaps[k] if k else 0.0, 0.0)
        goes = start + medians[k] <= session_min + cancel_after_min
        finish = start + minutes[k]
        touch += np.where(goes, np.clip(np.minimum(finish, session_min) - start, 0.0, None), 0.0)
        end = np.where(goes, finish, end)
        begun |= goes
        cancelled += ~goes
    return end, cancelled, touch


def _judge(
    planner: Planner, name: str, words: str, lists: Sequence[tuple[int, tuple[int, ...]]], draws: int
) -> dict[str, Any]:
    """A policy's lists, run on draws that planned nothing; the same for all policies."""
    o, seed = planner.options, planner.options.seed + _FRESH
    over, cancelled, overtime, touch, minutes_in_all, placed = 0.0, 0.0, 0.0, 0.0, 0.0, 0
    booked = 0.0
    for at, cases in lists:
        kind = planner.kinds[planner.kind_of[at]]
        rows = np.array([kind.members.index(case) for case in cases])
        told = type(kind.bookings)
        part = told(
            kind.bookings.frame.iloc[rows].reset_index(drop=True),
            kind.bookings.table.take(rows),
            kind.bookings.warnings,
        )
        minutes = planner.predict(part, draws, seed)[0].astype(np.float64)
        gaps = _gaps(o, max(len(cases), 2), draws, seed, at + 1).astype(np.float64)
        medians = np.array([np.median(kind.times.finish([int(k)])) for k in rows])
        session = float(planner.sessions["minutes"].iloc[at])
        end, out, with_patient = _run(minutes, gaps, medians, session)
        over += float((end > session + o.grace_min).mean())
        cancelled += float(out.mean())
        overtime += float(np.maximum(end - session, 0.0).mean())
        touch += float(with_patient.mean())
        booked += float(np.array(kind.times.mean)[rows].sum() + o.turnover_median_min * (len(cases) - 1))
        minutes_in_all += session
        placed += len(cases)
    count = max(len(lists), 1)
    return {
        "policy": name,
        "words": words,
        "lists": len(lists),
        "booked_cases": placed,
        "done_cases": placed - cancelled,
        "overrun_share": over / count,
        "cancelled_share": cancelled / max(placed, 1),
        "overtime_mean_min": overtime / count,
        "booked_utilisation": booked / max(minutes_in_all, 1e-9),
        "touch_utilisation": touch / max(minutes_in_all, 1e-9),
    }


def simulate_policies(
    pred: Prediction,
    sessions: Any,
    *,
    stock: Any = None,
    draws: int = 4000,
    plan: Plan | None = None,
    **options: Any,
) -> pd.DataFrame:
    """Ways to fill the same sessions from the same waiting list, run on the same draws.

    Every policy but ``ours`` goes through the sessions in order of time and takes the cases of most worth while its
    booked length and the turnovers fit. A case that could not be finished within 30 minutes after the session, by its
    median, when its turn comes, is cancelled on the day (assumption).

    Parameters
    ----------
    pred, sessions, stock, **options
        As of :func:`plan_lists`; only ``ours`` heeds the stock.
    draws
        Possible days that each list is run on, none of which planned it.
    plan
        Lists to take as ``ours``; by default they are planned here.

    Returns
    -------
    pandas.DataFrame
        One row a policy: lists, booked_cases, done_cases (mean), overrun_share (of lists), cancelled_share (of booked
        cases), overtime_mean_min (a list), booked_utilisation, touch_utilisation. ``attrs["rule"]`` states the rule.
    """
    if draws < 100:
        raise _core.InvalidArgument(f"draws must be 100 or more, not {draws!r}")
    if plan is None:
        plan = Planner(pred, _sessions(sessions), _stock(stock), ListOptions(**options), {}, None).solve()
    planner = plan.planner
    guesses = [_guesses(planner, kind, planner.options.seed) for kind in range(len(planner.kinds))]
    rows = [_judge(planner, p.name, p.words, _fill(planner, p, guesses), draws) for p in POLICIES]
    order = {s: k for k, s in enumerate(planner.sessions["session_id"])}
    index = {case: k for k, case in enumerate(planner.ids)}
    ours = [
        (order[session], tuple(index[case] for case in one["case_id"]))
        for session, one in plan.cases.groupby("session_id", sort=False)
    ]
    words = f"chosen here: at most {100 * planner.options.risk:g} % chance of an overrun a list"
    rows.append(_judge(planner, "ours", words, ours, draws))
    out = pd.DataFrame(rows)
    out.attrs = {
        "rule": f"cancelled if by its median it would end over {CANCEL_AFTER_MIN:g} min after the session (assumption)"
    }
    return out


def audit_replica(
    seed: int = 1, *, turnover_min: float = 31.0, cv: float = 0.3, cancel_after_min: float = 95.0, repeats: int = 200
) -> pd.DataFrame:
    """The published audit of lists booked to the sum of means, played again: 60 lists, 264 patients.

    36 lists of four and 24 of five cases; means spread evenly from 45 to 120 min, log-normal with CV ``cv``
    (assumption). The session is the sum of the means; turnovers (31 min: published, BMC Med Educ 2018) are not booked.
    A case is cancelled if by its median it would end more than ``cancel_after_min`` after the session; 95 min was
    chosen because both shares then come near the published ones. So the replica shows that such booking goes with
    such shares; it predicts neither.

    Returns
    -------
    pandas.DataFrame
        Rows overran and cancelled: published share, and replica's mean and 95 % range over ``repeats`` audits.
    """
    rng = np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, 0xA0D])))
    sigma = math.sqrt(math.log1p(cv**2))
    shares = []
    for _ in range(repeats):
        over = cancelled = 0.0
        for k in range(AUDIT["lists"]):
            n = 4 if k < 36 else 5
            mean = rng.uniform(45.0, 120.0, n)
            median = mean * math.exp(-(sigma**2) / 2)
            minutes = median * np.exp(sigma * rng.standard_normal(n))
            gaps = np.full((n, 1), turnover_min)
            gaps[0] = 0.0
            end, out, _ = _run(minutes[:, None], gaps, median, float(mean.sum()), cancel_after_min)
            over += float(end[0] > mean.sum())
            cancelled += float(out[0])
        shares.append((over / AUDIT["lists"], cancelled / AUDIT["patients"]))
    found = np.array(shares)
    published = [AUDIT["overran"] / AUDIT["lists"], AUDIT["cancelled"] / AUDIT["patients"]]
    low, high = np.quantile(found, [0.025, 0.975], axis=0)
    index = pd.Index(["overran", "cancelled"], name="share")
    return pd.DataFrame({"published": published, "replica": found.mean(axis=0), "low": low, "high": high}, index=index)
