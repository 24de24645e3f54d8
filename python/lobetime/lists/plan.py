"""From bookings and sessions to lists: eligibility, times in each kind of session, stock, the choice."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from .. import _core
from ..caution import CAUTION
from ..prediction import Prediction
from ..reading import DataWarning, InvalidData
from .master import Effort, choose_lists
from .options import ListOptions
from .problem import Chosen, Column, Group, ListProblem
from .sessions import Sessions, Stock, read_sessions, read_stock
from .what_if import Changed

Placed = tuple[int, int, tuple[int, ...]]  # session, group, cases
Verdicts = dict[tuple[int, tuple[int, ...]], tuple[float, bool]]  # session and cases: fresh risk, whether it passed
Problem = tuple[int, str, str, str]  # row, column, value, allowed
Floats = npt.NDArray[np.float32]
Flags = npt.NDArray[np.bool_]

_SCREENING = 4096
_TIMELINE_DRAWS = 4096
_CHUNK_DRAWS = 4_000_000  # cases x draws predicted at a time, to keep the memory low
_FRESH = 0x5EED  # added to the seed for draws that decided nothing
_FRESH_ALLOWANCE = 0.002
_MOST_TIGHTENED = 25
_PRIORITY_WORTH = {"1": 2.0, "2": 1.4}


@dataclass
class _Kind:
    """What every case would take in one kind of session, and use up."""

    bookings: Any
    members: list[int]
    times: _core.ListTimes
    mean_swaps: npt.NDArray[np.float64]
    mean_litres: npt.NDArray[np.float64]


def _gaps(options: ListOptions, rows: int, draws: int, seed: int, stream: int = 0) -> Floats:
    """Late start and turnovers, (1 + gaps) x draws."""

    def law(median: float, cv: float, key: int) -> Floats:
        if median <= 0:
            return np.zeros(draws, np.float32)
        rng = np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, stream, key, 0x6A9])))
        sigma = math.sqrt(math.log1p(cv**2))
        return np.exp(math.log(median) + sigma * rng.standard_normal(draws)).astype(np.float32)

    late = options.late_start_median_min if options.overrun == "end" else 0.0
    first = [law(late, options.late_start_cv, 0)]
    return np.stack([*first, *(law(options.turnover_median_min, options.turnover_cv, g) for g in range(1, rows))])


def _usual_worth(frame: pd.DataFrame, sessions: pd.DataFrame) -> npt.NDArray[np.float64]:
    """What placing each case is worth by waiting time, priority and latest day: an assumption, told in the facts."""
    waiting = frame["days_waiting"].fillna(0.0).to_numpy(float)
    factor = frame["priority"].map(lambda p: _PRIORITY_WORTH.get(p, 1.0)).to_numpy(float)
    last = sessions["starts_at"].max().normalize()
    due = np.where((frame["due_by"] <= last).to_numpy(bool), 2.0, 1.0)
    worths: npt.NDArray[np.float64] = np.round((1.0 + waiting / 90.0) * factor * due, 3)
    return worths


class Planner:
    """One planning problem, read and judged; `solve` makes the plan."""

    def __init__(
        self,
        pred: Prediction,
        sessions: Sessions,
        stock: Stock | None,
        options: ListOptions,
        fixed: Mapping[str, str],
        worth: Mapping[str, float] | None,
        told: Mapping[str, str] | None = None,
        move_cost: float = 0.0,
    ) -> None:
        self.pred, self.stock, self.options = pred, stock, options
        self.told, self.move_cost = dict(told or {}), move_cost
        order = sessions.frame.reset_index(drop=True).sort_values(["starts_at", "session_id"], kind="stable")
        self.session_rows = [int(row) + 2 for row in order.index]  # as the source counts them
        self.sessions = order = order.reset_index(drop=True)
        ids = pred.case_ids
        self.canonical = sorted(range(len(ids)), key=lambda i: ids[i])
        frame = pred.bookings.frame.iloc[self.canonical].reset_index(drop=True)
        self.ids = [ids[i] for i in self.canonical]
        for name in ("surgeon", "blade", "suction", "anaesthesia", "priority"):
            text = frame[name].fillna("").astype(str) if name in frame else pd.Series([""] * len(frame))
            frame[name] = text
        if "canister_ml" not in frame:
            frame["canister_ml"] = np.inf
        if "days_waiting" not in frame:
            frame["days_waiting"] = np.nan
        frame["due_by"] = pd.to_datetime(frame["due_by"]) if "due_by" in frame else pd.NaT
        frame["case_id"] = self.ids
        self.frame = frame
        self.large = (frame["gland_ml"] > options.large_ml).to_numpy(bool)
        self.fixed = dict(fixed)
        self.today = pd.Timestamp(options.today) if options.today else order["starts_at"].min().normalize()
        self.n, self.m = len(frame), len(order)
        self.worth = self._worths(worth)
        problems = self._contradictions()
        self._eligibility()
        self._kinds()
        problems += self._fixed_that_cannot()
        if problems:
            found = pd.DataFrame(problems, columns=["row", "column", "value", "allowed"])
            raise InvalidData(found, "bookings and sessions")

    # --- judged ---

    def _contradictions(self) -> list[Problem]:
        problems: list[Problem] = []
        codes = set(self.sessions["session_id"])
        known = set(self.ids)
        if len(known) != len(self.ids):
            problems.append((1, "case_id", "", "a case_id of its own for every booking"))
        for case, session in self.fixed.items():
            if case not in known:
                problems.append((1, "fixed", case, "a case_id of the bookings"))
            if session not in codes:
                problems.append((1, "fixed", session, "a session_id of the sessions"))
        for case, session in self.told.items():
            if session not in codes:
                problems.append((1, "told", f"{case}: {session}", "a session_id of the sessions"))
        operating = set(self.sessions["surgeon"]) - {""}
        anyone = (self.sessions["surgeon"] == "").any()
        rows = {case: row + 2 for row, case in enumerate(self.pred.case_ids)}
        for at in range(self.n):
            case, one = self.ids[at], self.frame.iloc[at]
            if one["surgeon"] and not anyone and one["surgeon"] not in operating:
                problems.append(
                    (
                        rows[case],
                        "surgeon",
                        one["surgeon"],
                        f"a surgeon of the sessions: {', '.join(sorted(operating))}",
                    )
                )
            if one["due_by"] == one["due_by"] and one["due_by"] < self.today:
                problems.append(
                    (
                        rows[case],
                        "due_by",
                        f"{one['due_by']:%Y-%m-%d}",
                        f"a day from {self.today:%Y-%m-%d} on, the first that is planned for",
                    )
                )
        for at in range(self.m):
            start = self.sessions["starts_at"].iloc[at]
            if start < self.today:
                problems.append(
                    (
                        self.session_rows[at],
                        "starts_at",
                        f"{start:%Y-%m-%dT%H:%M}",
                        f"a session from {self.today:%Y-%m-%d} on",
                    )
                )
        return problems

    def _worths(self, given: Mapping[str, float] | None) -> npt.NDArray[np.float64]:
        if given is not None:
            bad = [case for case in self.ids if not (case in given and given[case] > 0 and math.isfinite(given[case]))]
            if bad:
                raise _core.InvalidArgument(
                    f"worth needs a positive number for every case; not for {', '.join(bad[:20])}"
                )
            return np.array([float(given[case]) for case in self.ids])
        return _usual_worth(self.frame, self.sessions)

    def _eligibility(self) -> None:
        """Why each case cannot come on each session: "" where it can. The first rule that fails is told."""
        self.why = np.full((self.n, self.m), "", dtype=object)
        f, s = self.frame, self.sessions

        def differ(name: str) -> Flags:
            case, session = f[name].to_numpy(str)[:, None], s[name].to_numpy(str)[None, :]
            apart: Flags = (case != "") & (session != "") & (case != session)
            return apart

        day = s["starts_at"].dt.normalize().to_numpy()[None, :]
        rules: list[tuple[str, Flags]] = [
            ("gland_rule", (f["gland_ml"].to_numpy(float)[:, None] > s["max_gland_ml"].to_numpy(float)[None, :])
             | (self.large[:, None] & (s["max_large"].to_numpy(float) == 0)[None, :])),
            ("due_by", (f["due_by"].to_numpy()[:, None] < day)),
            ("device_class", differ("blade") | differ("suction")),
            ("anaesthesia", differ("anaesthesia")),
            ("surgeon", differ("surgeon")),
        ]  # fmt: skip
        for name, broken in rules:
            self.why[broken] = name
        at = {session: k for k, session in enumerate(s["session_id"])}
        for case, session in self.fixed.items():
            if case not in self.ids or session not in at:
                continue  # told as a problem
            i = self.ids.index(case)
            others = np.arange(self.m) != at[session]
            self.why[i, others & (self.why[i] == "")] = "fixed"

    # --- times ---

    def _booked_as(self, session: pd.Series[Any], members: Sequence[int]) -> Any:
        """The bookings of some cases as they would be on a session: its surgeon, device class and canister."""
        frame = self.pred.bookings.frame.iloc[[self.canonical[i] for i in members]].reset_index(drop=True).copy()
        frame["case_id"] = [self.ids[i] for i in members]
        for name in ("surgeon", "blade", "suction"):
            if session[name]:
                if name == "surgeon" and "surgeon_case_no" in frame:
                    other = (
                        frame[name].fillna("").astype(str) != session[name] if name in frame else [True] * len(frame)
                    )
                    frame.loc[np.asarray(other, bool), "surgeon_case_no"] = np.nan
                elif name != "surgeon" and "device" in frame and name in frame:
                    # A code is one device of a class: on a session with another class it is not the one used.
                    frame.loc[(frame[name] != session[name]).to_numpy(bool), "device"] = None
                frame[name] = session[name]
        if not math.isnan(session["canister_ml"]):
            frame["canister_ml"] = session["canister_ml"]
        from ..cases import read_bookings

        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DataWarning)  # told when the bookings were read
            return read_bookings(frame)

    def predict(self, bookings: Any, draws: int, seed: int) -> tuple[Floats, Floats, Floats]:
        """Theatre minutes, swaps and minutes of operation: cases x draws each."""
        n = len(bookings)
        out = np.empty((3, n, draws), np.float32)
        step = max(_CHUNK_DRAWS // draws, 1)
        for start in range(0, n, step):
            rows = np.arange(start, min(start + step, n))
            part = type(bookings)(
                bookings.frame.iloc[rows].reset_index(drop=True), bookings.table.take(rows), bookings.warnings
            )
            told = self.pred.again(part, draws=draws, seed=seed)
            out[0, rows] = told.totals
            out[1, rows] = told.swaps
            out[2, rows] = told.draws[:, :, :3].sum(axis=2)
        return out[0], out[1], out[2]

    def _kinds(self) -> None:
        options, s = self.options, self.sessions
        self.kind_of: list[int] = []
        self.kinds: list[_Kind] = []
        keys: dict[tuple[Any, ...], int] = {}
        for at in range(self.m):
            one = s.iloc[at]
            drain = "booked" if math.isnan(one["canister_ml"]) else float(one["canister_ml"])
            keys.setdefault((one["surgeon"], one["blade"], one["suction"], drain), len(keys))
            self.kind_of.append(keys[one["surgeon"], one["blade"], one["suction"], drain])
        gaps = _gaps(options, options.most_cases, options.draws, self.options.seed)
        for kind in range(len(keys)):
            where = [j for j in range(self.m) if self.kind_of[j] == kind]
            members = [i for i in range(self.n) if (self.why[i, where] == "").any()]
            booked = self._booked_as(s.iloc[where[0]], members) if members else None
            if booked is None:
                empty = np.empty((0, options.draws), np.float32)
                self.kinds.append(_Kind(None, [], _core.ListTimes(empty, gaps, _SCREENING), np.empty(0), np.empty(0)))
                continue
            minutes, swaps, operation = self.predict(booked, options.draws, options.seed)
            self.kinds.append(
                _Kind(booked, members, _core.ListTimes(minutes, gaps, _SCREENING), swaps.mean(axis=1, dtype=float),
                      operation.mean(axis=1, dtype=float) * options.irrigation_l_min)
            )  # fmt: skip

    def rule(self, at: int, *, decided: bool = False, allowance: float = 0.0) -> _core.ListRule:
        """The rule of a session as it is promised.

        ``decided``: what decides is a little stricter, as chosen lists are lucky. ``allowance``: added to every chance,
        and to mean overtime as that share of the session, for what fresh draws do not tell.
        """
        o, one = self.options, self.sessions.iloc[at]
        risk = o.risk if math.isnan(one["overrun_risk"]) else float(one["overrun_risk"])
        far = float("inf") if math.isnan(one["max_overtime_min"]) else float(one["max_overtime_min"])
        if decided and o.verify_draws and risk < 1:
            risk = max(risk - math.sqrt(risk * (1 - risk) / o.draws), 0.0)
        most = o.most_cases if math.isnan(one["max_cases"]) else min(int(one["max_cases"]), o.most_cases)
        return _core.ListRule(
            minutes=float(one["minutes"]),
            grace_min=o.grace_min,
            overrun_risk=min(risk + allowance, 1.0),
            expected_overtime_min=(o.expected_overtime_min if o.limit == "expected_overtime" else float("inf"))
            + allowance * float(one["minutes"]),
            far_over_min=far,
            far_over_risk=o.far_over_risk + allowance,
            most_cases=most,
            most_large=10**6 if math.isnan(one["max_large"]) else int(one["max_large"]),
        )

    def _fixed_that_cannot(self) -> list[Problem]:
        """Fixed cases that break a rule, or that do not fit together."""
        problems: list[Problem] = []
        for at in range(self.m):
            session = self.sessions["session_id"].iloc[at]
            fixed = (case for case, place in self.fixed.items() if place == session and case in self.ids)
            here = [self.ids.index(case) for case in fixed]
            row = self.session_rows[at]
            broken = [i for i in here if self.why[i, at]]
            for i in broken:
                words = f"a case that may come on {session}: {self.why[i, at]} forbids it"
                problems.append((row, "fixed", self.ids[i], words))
            if not here or broken:
                continue
            kind, rule = self.kinds[self.kind_of[at]], self.rule(at, decided=True)
            risk = _core.list_risk(kind.times, [kind.members.index(i) for i in here], rule)
            if len(here) > rule.most_cases or self.large[here].sum() > rule.most_large:
                words = "no more cases, or large glands, than the session may have"
                problems.append((row, "fixed", ", ".join(self.ids[i] for i in here), words))
            elif not risk.keeps(rule):
                words = f"cases that fit {session}; these overrun with chance {risk.overrun:.3f}"
                problems.append((row, "fixed", ", ".join(self.ids[i] for i in here), words))
        return problems

    # --- stock ---

    def _stock_rows(self) -> None:
        """One row a day and resource: what it has, and what each case uses of it on each session of that day."""
        self.stock_rows: list[dict[str, Any]] = []
        if self.stock is None:
            return
        days = self.sessions["starts_at"].dt.normalize()
        frame = self.stock.frame
        texts = frame[["what", "blade", "suction"]].astype(str).agg("|".join, axis=1)
        kind_key = texts + "|" + frame["canister_ml"].fillna(0.0).astype(str)
        for day in sorted(days.unique()):
            here = np.flatnonzero((days == day).to_numpy())
            named = set(kind_key[frame["day"] == day])
            for k in range(len(frame)):
                one = frame.iloc[k]
                general = bool(pd.isna(one["day"]))
                if (general and kind_key.iloc[k] in named) or (not general and one["day"] != day):
                    continue
                amount = float(one["amount"]) * (self._turns(one, here) if one["what"] == "device_set" else 1)
                which = "/".join(x for x in (one["blade"], one["suction"]) if x)
                if one["what"] == "canister" and not math.isnan(one["canister_ml"]):
                    which = f"{one['canister_ml']:g} mL"
                uses = {int(at): self._uses(one, int(at)) for at in here}
                self.stock_rows.append(
                    {"day": pd.Timestamp(day), "what": one["what"], "which": which, "amount": amount, "uses": uses,
                     "limit": amount, "row": one, "sets": float(one["amount"])}
                )  # fmt: skip

    def _turns(self, one: pd.Series[Any], here: npt.NDArray[np.int64]) -> int:
        """How often a set can be used on a day at most: again once a short case and reprocessing are over.

        Whether a set is ready in time is seen on the lists that were chosen, see ``measure_stock``.
        """
        if math.isnan(one["reprocess_min"]):
            return 1
        s = self.sessions.iloc[here]
        span = (s["ends_at"].max() - s["starts_at"].min()).total_seconds() / 60
        means = [mean for at in here for mean in self.kinds[self.kind_of[at]].times.mean]
        case = float(np.quantile(means, 0.25)) if means else span
        return 1 + int(max(span - case, 0.0) // (case + float(one["reprocess_min"])))

    def _uses(self, one: pd.Series[Any], at: int) -> dict[int, float]:
        kind = self.kinds[self.kind_of[at]]
        if kind.bookings is None:
            return {}
        frame = kind.bookings.frame
        text = {
            name: frame[name].fillna("").to_numpy(str) if name in frame else np.full(len(frame), "")
            for name in ("blade", "suction")
        }
        canister = frame["canister_ml"].to_numpy(float) if "canister_ml" in frame else np.full(len(frame), np.inf)
        canister = np.where(np.isnan(canister), np.inf, canister)
        used: dict[int, float] = {}
        for k, case in enumerate(kind.members):
            if one["what"] == "device_set":
                # A blank class may be any, so it counts.
                match = all(not one[n] or not text[n][k] or one[n] == text[n][k] for n in ("blade", "suction"))
                used[case] = 1.0 if match else 0.0
            elif one["what"] == "canister":
                match = math.isfinite(canister[k]) and (
                    math.isnan(one["canister_ml"]) or canister[k] == one["canister_ml"]
                )
                used[case] = 1.0 + float(kind.mean_swaps[k]) if match else 0.0
            else:
                used[case] = float(kind.mean_litres[k])
        return used

    # --- the choice ---

    def problem(self) -> ListProblem:
        """Sessions that a list cannot tell apart, as groups."""
        o = self.options
        groups: dict[tuple[Any, ...], list[int]] = {}
        rows_of = [[r for r, row in enumerate(self.stock_rows) if at in row["uses"]] for at in range(self.m)]
        alone: dict[tuple[int, int], bool] = {}
        self.alone_risk = np.full((self.n, self.m), np.nan)
        eligible: list[tuple[int, ...]] = []
        for at in range(self.m):
            kind, rule = self.kinds[self.kind_of[at]], self.rule(at, decided=True)
            can = []
            for k, case in enumerate(kind.members):
                if self.why[case, at]:
                    continue
                risk = _core.list_risk(kind.times, [k], rule)
                self.alone_risk[case, at] = risk.overrun
                alone[case, at] = risk.keeps(rule)
                if alone[case, at]:
                    can.append(case)
                else:
                    self.why[case, at] = "time_alone"
            eligible.append(tuple(can))
            r = rule
            judged = (
                r.minutes,
                r.grace_min,
                r.overrun_risk,
                r.expected_overtime_min,
                r.far_over_min,
                r.far_over_risk,
                r.most_cases,
                r.most_large,
            )
            expected = tuple(
                case for case in can if self.told.get(self.ids[case]) == self.sessions["session_id"].iloc[at]
            )
            groups.setdefault((self.kind_of[at], judged, eligible[at], tuple(rows_of[at]), expected), []).append(at)
        made = []
        for (kind_at, _, cases, rows, expected), where in groups.items():
            kind = self.kinds[kind_at]
            uses = np.zeros((len(cases), len(self.stock_rows)))
            for r in rows:
                uses[:, r] = [self.stock_rows[r]["uses"][where[0]].get(case, 0.0) for case in cases]
            positions = tuple(kind.members.index(case) for case in cases)
            made.append(
                Group(
                    kind.times,
                    self.rule(where[0], decided=True),
                    cases,
                    positions,
                    tuple(where),
                    self.worth[list(cases)] + self._kept(cases, expected),
                    uses,
                )
            )
        cost = _core.ListCost(
            open_per_min=o.open_per_min, overtime_per_min=o.overtime_per_min, idle_per_min=o.idle_per_min
        )
        required = frozenset(self.ids.index(case) for case in self.fixed)
        return ListProblem(
            self.n, tuple(made), cost, self.large, required, np.array([row["limit"] for row in self.stock_rows])
        )

    def _kept(self, cases: Sequence[int], expected: Sequence[int]) -> npt.NDArray[np.float64]:
        """What it is worth that a patient who was told of a session is placed at all, and on that session."""
        told = np.array([self.ids[case] in self.told for case in cases], float)
        return self.move_cost * (told + np.isin(np.array(cases, int), np.array(expected, int)))

    def part(self, at: int, cases: Sequence[int]) -> Any:
        """The bookings of some cases as they would be on a session."""
        kind = self.kinds[self.kind_of[at]]
        rows = np.array([kind.members.index(case) for case in cases])
        frame = kind.bookings.frame.iloc[rows].reset_index(drop=True)
        return type(kind.bookings)(frame, kind.bookings.table.take(rows), kind.bookings.warnings)

    def fresh(self, at: int, cases: Sequence[int], draws: int, seed: int) -> _core.ListTimes:
        """Independent draws of one list on its session, in the order of ``cases``."""
        minutes, _, _ = self.predict(self.part(at, cases), draws, seed)
        return _core.ListTimes(minutes, _gaps(self.options, max(len(cases), 1), draws, seed, at + 1), 0)

    def solve(self, progress: Callable[[str, float, float], object] | None = None) -> Plan:
        """The lists, verified and tightened until none is over its limit."""
        o = self.options
        self._stock_rows()
        effort = Effort(gap=o.gap, time_limit_s=o.time_limit_s, threads=o.threads)
        known: Iterable[Column] = ()
        verdicts: Verdicts = {}
        problem = self.problem()
        for _ in range(_MOST_TIGHTENED):
            chosen, pool = choose_lists(problem, effort, known=known, progress=progress)
            placed = self._assign(problem, chosen)
            over = self._over(placed, verdicts) if o.verify_draws else []
            if chosen.status == "interrupted":
                # Nothing is searched any more: lists that fresh draws refuse are left out.
                refused = set(over)
                placed = [one for one in placed if (one[1], one[2]) not in refused]
                kept = [c for c in chosen.columns if (c.group, c.cases) not in refused]
                worth, cost = math.fsum(c.worth for c in kept), math.fsum(c.cost for c in kept)
                # What costs less may place less, so the bound of the cost no longer holds.
                chosen = replace(
                    chosen, columns=kept, worth=worth, cost=cost, cost_bound=0.0 if refused else chosen.cost_bound
                )
                self._short(placed)
                return Plan(self, problem, chosen, placed, verdicts)
            for g, cases in over:
                group = problem.groups[g]
                group.refused.add([group.positions[group.cases.index(case)] for case in cases])
            short = self._short(placed)
            if not over and not short:
                return Plan(self, problem, chosen, placed, verdicts)
            out = set(over)
            known = [c for c in pool if (c.group, c.cases) not in out]
            if short:
                problem = replace(problem, stock=np.array([row["limit"] for row in self.stock_rows]))
        raise _core.NotConverged(
            f"after {_MOST_TIGHTENED} rounds some lists are still over their limit on fresh draws: give more draws"
        )

    def _assign(self, problem: ListProblem, chosen: Chosen) -> list[Placed]:
        """(session, group, cases): in a group the list with the most worth a case comes first."""
        placed = []
        for g, group in enumerate(problem.groups):
            lists = sorted(
                (c for c in chosen.columns if c.group == g), key=lambda c: (-c.worth / len(c.cases), c.cases)
            )
            placed += [(at, g, c.cases) for at, c in zip(group.sessions, lists, strict=False)]
        return sorted(placed)

    def _over(self, placed: Sequence[Placed], verdicts: Verdicts) -> list[tuple[int, tuple[int, ...]]]:
        """(group, cases) of lists that fresh draws do not let pass; what they told is added to the verdicts."""
        over = []
        for at, g, cases in placed:
            rule = self.rule(at)
            key = (at, cases)
            if key not in verdicts:
                times = self.fresh(at, cases, self.options.verify_draws, self.options.seed + _FRESH)
                risk = _core.list_risk(times, list(range(len(cases))), rule)
                verdicts[key] = (risk.overrun, risk.keeps(rule))
            if not verdicts[key][1]:
                over.append((g, cases))
        return over

    def measure_stock(self, lists: Sequence[tuple[int, Sequence[int]]]) -> None:
        """What lists (session, cases in order) use of each stock row on average, and the chance that it falls short."""
        for row in self.stock_rows:
            here = [
                (at, [k for k, case in enumerate(cases) if row["uses"][at].get(case, 0.0) > 0], cases)
                for at, cases in lists
                if at in row["uses"]
            ]
            row["expected"] = sum(row["uses"][at][cases[k]] for at, using, cases in here for k in using)
            row["short"] = 0.0
            if row["what"] == "device_set":
                if not math.isnan(row["row"]["reprocess_min"]):
                    row["short"] = self._not_ready(row, here)
                continue
            drawn = np.zeros(self.options.draws)
            for at, using, cases in here:
                if using:
                    details = self.details(at, tuple(cases[k] for k in using))
                    drawn += (1 + details.swaps if row["what"] == "canister" else details.litres).sum(axis=0)
            row["short"] = float((drawn > row["amount"]).mean())

    def _not_ready(self, row: dict[str, Any], here: Sequence[tuple[int, list[int], Sequence[int]]]) -> float:
        """The chance that on some case of the day no set is back from reprocessing when the case begins."""
        first = self.sessions["starts_at"].iloc[[at for at, _, _ in here]].min() if here else None
        begins, back = [], []
        for at, using, cases in here:
            offset = (self.sessions["starts_at"].iloc[at] - first).total_seconds() / 60.0
            minutes = self.details(at, tuple(cases)).minutes[:, :_TIMELINE_DRAWS].astype(np.float64)
            gaps = _gaps(self.options, self.options.most_cases, self.options.draws, self.options.seed)
            gaps = gaps[: len(cases), :_TIMELINE_DRAWS]
            starts = offset + np.cumsum(gaps + np.vstack([np.zeros_like(minutes[:1]), minutes[:-1]]), axis=0)
            begins.append(starts[using])
            back.append((starts + minutes + float(row["row"]["reprocess_min"]))[using])
        if not begins:
            return 0.0
        begin, free = np.concatenate(begins), np.concatenate(back)
        lacking = np.zeros(begin.shape[1], bool)
        for k in range(len(begin)):
            # Of cases that begin together the first in this order takes a set.
            before = (begin < begin[k]) | ((begin == begin[k]) & (np.arange(len(begin)) < k)[:, None])
            lacking |= (before & (free > begin[k])).sum(axis=0) >= row["sets"]
        return float(lacking.mean())

    def _short(self, placed: Sequence[Placed]) -> bool:
        """Lowers the limit of a stock row whose day may fall short; whether any was."""
        from .telling import put_in_order

        lists: list[tuple[int, Sequence[int]]] = [(at, cases) for at, _, cases in placed]
        if any(row["what"] == "device_set" and not math.isnan(row["row"]["reprocess_min"]) for row in self.stock_rows):
            lists = [(at, one.cases) for (at, _), one in zip(lists, put_in_order(self, placed, {}), strict=True)]
        self.measure_stock(lists)
        lowered = False
        for row in self.stock_rows:
            if row["short"] > self.options.stock_risk:
                used = min(row["expected"], row["limit"])
                row["limit"] = math.ceil(used - 1e-9) - 1.0 if row["what"] == "device_set" else 0.97 * used
                lowered = True
        return lowered

    def details(self, at: int, cases: tuple[int, ...]) -> _Details:
        """Draws of minutes, swaps and litres of some cases on a session."""
        cache: dict[tuple[int, tuple[int, ...]], _Details] = self.__dict__.setdefault("_details", {})
        key = (self.kind_of[at], cases)
        if key not in cache:
            part = self.part(at, cases)
            minutes, swaps, operation = self.predict(part, self.options.draws, self.options.seed)
            cache[key] = _Details(part, minutes, swaps, operation * np.float32(self.options.irrigation_l_min))
        return cache[key]


@dataclass
class _Details:
    bookings: Any
    minutes: Floats
    swaps: Floats
    litres: Floats


@dataclass(repr=False, eq=False)
class Plan:
    """Lists with a stated chance of overrun each, what did not fit and why, and how far the plan is from the best one.

    Attributes
    ----------
    lists, cases, unplaced, stock_use : pandas.DataFrame
        One row a list, a placed case (in order), a case not placed, a day's resource. ``order_price_min``: what the
        order costs against the best found, ``large_first_price_min``: what large glands first would, both in minutes
        of a patient's waiting (idle time counts half, overtime twice: assumption).
    changes : pandas.DataFrame
        Against what patients were told, see :class:`Replanned`; empty where nobody was told of anything.
    facts : dict
        Of the whole plan: placements, their bound and gap, cost, utilisation, what was asked, what was assumed;
        ``session_worth``: what another such session is worth in average cases (dual prices of the linear programme).
    """

    planner: Planner
    problem: ListProblem
    chosen: Chosen
    placed: list[Placed]
    verdicts: Verdicts
    orders: Mapping[str, Sequence[str]] = field(default_factory=dict)
    lists: pd.DataFrame = field(init=False)
    cases: pd.DataFrame = field(init=False)
    unplaced: pd.DataFrame = field(init=False)
    stock_use: pd.DataFrame = field(init=False)
    facts: dict[str, Any] = field(init=False)
    caution: str = CAUTION

    def __post_init__(self) -> None:
        from .telling import tell

        tell(self)

    @property
    def sessions(self) -> pd.DataFrame:
        """The sessions as they were read, in order of time."""
        return self.planner.sessions

    @property
    def backup_at(self) -> float:
        """Chance of a device fault from which a backup set should be in the room."""
        return self.planner.options.backup_at

    def __repr__(self) -> str:
        f = self.facts
        used = f"{len(self.lists)} of {len(self.sessions)} sessions"
        return f"<Plan: {f['placed']} of {f['waiting']} cases on {used}, {f['status']}>"

    def _repr_html_(self) -> str:
        from .shown import plan_html

        return plan_html(self)

    def check(
        self, pred: Prediction | None = None, fresh_seed: int | None = None, draws: int = 200_000
    ) -> pd.DataFrame:
        """Every list judged again on draws that decided nothing: one row a list.

        Columns: session_id, cases, overrun_risk (fresh), overrun_limit, feasible (every limit of the session is kept on
        them to within 0.002, two standard errors of 200,000 draws; mean overtime to within that share of the session),
        eligible (every case may come there, none twice, no more large glands or cases than allowed). ``attrs`` holds
        "passed" (all of this, and no stock used up on average), and the plan's bounds and gaps.
        """
        planner = self.planner
        if pred is not None and pred.case_ids != planner.pred.case_ids:
            raise _core.InvalidArgument("check: the prediction is of other cases than the plan")
        seed = planner.options.seed + 2 * _FRESH if fresh_seed is None else fresh_seed
        rows = []
        seen: set[int] = set()
        for at, _, cases in self.placed:
            rule = planner.rule(at)
            risk = _core.list_risk(planner.fresh(at, cases, draws, seed), list(range(len(cases))), rule)
            free = (
                not seen & set(cases)
                and len(cases) <= rule.most_cases
                and planner.large[list(cases)].sum() <= rule.most_large
            )
            allowed = free and all(planner.why[case, at] == "" for case in cases)
            seen |= set(cases)
            near = risk.keeps(planner.rule(at, allowance=_FRESH_ALLOWANCE))
            rows.append(
                (
                    planner.sessions["session_id"].iloc[at],
                    len(cases),
                    risk.overrun,
                    rule.overrun_risk,
                    bool(near),
                    bool(allowed),
                )
            )
        out = pd.DataFrame(
            rows, columns=["session_id", "cases", "overrun_risk", "overrun_limit", "feasible", "eligible"]
        )
        keys = ("placement_bound", "placement_gap", "cost_bound", "cost_gap")
        stocked = bool((self.stock_use["expected_use"] <= self.stock_use["amount"] + 1e-9).all())
        passed = stocked and bool((out["feasible"] & out["eligible"]).all())
        out.attrs = {"passed": passed, **{k: self.facts[k] for k in keys}}
        return out

    def reorder(self, orders: Mapping[str, Sequence[str]]) -> Plan:
        """The same lists with some in the planner's own order: session_id to its case_ids, first to last.

        What the order costs is in ``lists["order_price_min"]``. Raises InvalidArgument with everything that is wrong.
        """
        mine = {str(code): sorted(own["case_id"]) for code, own in self.cases.groupby("session_id")}
        problems = []
        for session, order in orders.items():
            if session not in mine:
                problems.append(f"{session} has no list; lists: {', '.join(sorted(mine))}")
            elif sorted(order) != mine[session]:
                problems.append(f"{session} needs each of {', '.join(mine[session])} once, not {', '.join(order)}")
        if problems:
            raise _core.InvalidArgument("; ".join(problems))
        both = {**self.orders, **{session: tuple(order) for session, order in orders.items()}}
        return replace(self, orders=both)

    def what_if(
        self,
        *,
        extra_sets: int = 0,
        device_class: str | None = None,
        canister_ml: float | None = None,
        session_min: float | None = None,
        on: str | None = None,
        sessions: Any = None,
        stock: Any = None,
        **options: Any,
    ) -> WhatIf:
        """The same planned with something changed, and the difference it makes.

        ``plan.what_if(extra_sets=1, on="Tuesday")`` (with ``device_class`` where several are limited),
        ``plan.what_if(canister_ml=3000)``, ``plan.what_if(overrun_risk=0.15)``.

        Parameters
        ----------
        extra_sets, device_class
            So many more device sets a day than the stock has (fewer if negative), of this class (``blade/suction``)
            where the stock has several.
        canister_ml
            Capacity of the canisters on the sessions; inf for a continuous drain. What the stock says of canisters of
            another capacity no longer concerns them.
        session_min
            Length of the sessions.
        on
            Only then: a weekday or a day written YYYY-MM-DD.
        sessions, stock
            Replace those of the plan.
        **options
            Settings of :class:`ListOptions`.
        """
        p = self.planner
        then_sessions = Sessions(p.sessions, p.sessions.head(0)) if sessions is None else _sessions(sessions)
        then_stock = p.stock if stock is None else _stock(stock)
        changed = Changed(extra_sets, device_class, canister_ml, session_min, on)
        then_sessions, then_stock = changed.applied(then_sessions, then_stock)
        planner = Planner(
            p.pred,
            then_sessions,
            then_stock,
            replace(p.options, **options),
            p.fixed,
            dict(zip(p.ids, p.worth.tolist(), strict=True)),
        )
        other = planner.solve()
        names = (
            "placed",
            "placement_value",
            "hours_opened",
            "overtime_mean_min",
            "idle_mean_min",
            "booked_utilisation",
            "touch_utilisation",
        )
        out = pd.DataFrame(
            {"now": [self.facts[n] for n in names], "then": [other.facts[n] for n in names]},
            index=pd.Index(names, name="figure"),
        )
        out["difference"] = out["then"] - out["now"]
        return WhatIf(out, other)

    @property
    def changes(self) -> pd.DataFrame:
        """One row a case that was or is placed, against ``told``."""
        told = self.planner.told
        if not told:
            return _changes(pd.DataFrame(columns=_TOLD_COLUMNS), self.cases.head(0), ())
        before = pd.DataFrame({"case_id": list(told), "session_id": list(told.values())})
        before["starts_at"] = pd.NaT
        return _changes(before, self.cases, set(told) - set(self.planner.ids))

    def replan(
        self,
        *,
        cancelled: Sequence[str] = (),
        urgent: Any = None,
        move_cost: float = 1.0,
        sessions: Any = None,
        stock: Any = None,
        **options: Any,
    ) -> Replanned:
        """Plan again after cases were cancelled or came in, disturbing least what patients were told.

        Parameters
        ----------
        cancelled
            case_ids that do not come.
        urgent
            New bookings, as :func:`read_bookings` reads them, with case_ids of their own.
        move_cost
            What it costs, in worth of cases (1 = a routine case that has not waited), to move a case to another session
            than its patient was told of; to leave it out costs as much again.
        sessions, stock, **options
            As in :meth:`what_if`.
        """
        p = self.planner
        missing = set(cancelled) - set(p.ids)
        if missing:
            raise _core.InvalidArgument(f"cancelled: no such case_id: {', '.join(sorted(missing))}")
        _check_move_cost(move_cost)
        from ..cases import read_bookings

        old = p.pred.bookings.frame.copy()
        old["case_id"] = p.pred.case_ids
        old = old[~old["case_id"].isin(list(cancelled))]
        new = None if urgent is None else read_bookings(urgent).frame
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DataWarning)  # told when they were read
            booked = read_bookings(old if new is None else pd.concat([old, new], ignore_index=True))
        told = dict(zip(self.cases["case_id"], self.cases["session_id"], strict=True)) if len(self.cases) else {}
        told = {case: session for case, session in told.items() if case not in set(cancelled)}
        planner = Planner(
            p.pred.again(booked, draws=1000, seed=p.pred.seed),
            Sessions(p.sessions, p.sessions.head(0)) if sessions is None else _sessions(sessions),
            p.stock if stock is None else _stock(stock),
            replace(p.options, **options),
            {case: session for case, session in p.fixed.items() if case not in set(cancelled)},
            None,
            told,
            move_cost,
        )
        known = dict(zip(p.ids, p.worth.tolist(), strict=True))
        planner.worth = np.array([known.get(case, w) for case, w in zip(planner.ids, planner.worth, strict=True)])
        other = planner.solve()
        return Replanned(_changes(self.cases, other.cases, cancelled), other)


_TOLD_COLUMNS = ["case_id", "session_id", "starts_at"]


def _changes(before: pd.DataFrame, after: pd.DataFrame, cancelled: Collection[str]) -> pd.DataFrame:
    columns = ["session_id", "starts_at"]
    left = before.set_index("case_id")[columns] if len(before) else pd.DataFrame(columns=columns)
    right = after.set_index("case_id")[columns] if len(after) else pd.DataFrame(columns=columns)
    rows = []
    for case in sorted({*left.index, *right.index}):
        was = left.loc[case] if case in left.index else None
        now = right.loc[case] if case in right.index else None
        if was is None:
            change = "placed"
        elif now is None:
            change = "cancelled" if case in cancelled else "left out"
        else:
            change = "kept" if was["session_id"] == now["session_id"] else "moved"
        rows.append(
            {
                "case_id": case,
                "change": change,
                "told_session": "" if was is None else was["session_id"],
                "session_id": "" if now is None else now["session_id"],
                "told_start": pd.NaT if was is None else was["starts_at"],
                "starts_at": pd.NaT if now is None else now["starts_at"],
            }
        )
    names = ["case_id", "change", "told_session", "session_id", "told_start", "starts_at"]
    return pd.DataFrame(rows, columns=names)


@dataclass(frozen=True)
class Replanned:
    """``changes``: one row a case that was or is placed; ``plan``: the new plan.

    ``change`` is kept, moved (to another session), placed (not told of any before), cancelled, or left out.
    """

    changes: pd.DataFrame
    plan: Plan


@dataclass(frozen=True)
class WhatIf:
    """``differences``: one row a figure, columns now, then, difference; ``plan``: the other plan."""

    differences: pd.DataFrame
    plan: Plan


def _check_move_cost(move_cost: float) -> None:
    if not (move_cost >= 0 and math.isfinite(move_cost)):
        raise _core.InvalidArgument(f"move_cost must be a number from 0, not {move_cost!r}")


def _sessions(source: Any) -> Sessions:
    return source if isinstance(source, Sessions) else read_sessions(source)


def _stock(source: Any) -> Stock | None:
    return source if source is None or isinstance(source, Stock) else read_stock(source)


def plan_lists(
    pred: Prediction,
    bookings: Any = None,
    sessions: Any = None,
    *,
    stock: Any = None,
    fixed: Mapping[str, str] | None = None,
    worth: Mapping[str, float] | None = None,
    told: Mapping[str, str] | None = None,
    move_cost: float = 1.0,
    progress: Callable[[str, float, float], object] | None = None,
    **options: Any,
) -> Plan:
    """Choose whole lists: which cases on which session, in what order, at what risk.

    First the most worth placed, then the least expected overtime and idle time at the given costs, then the canonical
    order; the same input, seed and version give the same plan at any thread count.

    Parameters
    ----------
    pred : Prediction
        Of the waiting cases. Its model predicts them again for each session's surgeon, device class and canister.
    bookings : optional
        What ``pred`` was made of; only their number is checked.
    sessions : Sessions, path or DataFrame
        See :func:`read_sessions`.
    stock : Stock, path or DataFrame, optional
        Device sets, canisters and irrigation fluid a day; see :func:`read_stock`.
    fixed : mapping, optional
        case_id to session_id of cases that must come there.
    worth : mapping, optional
        case_id to what placing it is worth; by default of waiting time and priority, see ``facts["assumptions"]``.
    told, move_cost
        case_id to the session_id that its patient was told of, and what it costs, in worth of cases, to move a case to
        another session; to leave it out costs as much again. What changes is in ``plan.changes``.
    **options
        Settings of :class:`ListOptions`, such as ``overrun_risk=0.2``.

    Raises
    ------
    InvalidData
        Everything that contradicts, at once: unknown surgeons, due dates passed, fixed cases that cannot fit.
    InvalidArgument
        Settings out of range.
    """
    if sessions is None:
        raise _core.InvalidArgument("plan_lists needs sessions")
    if bookings is not None and len(bookings) != len(pred):
        raise _core.InvalidArgument(f"the prediction is of {len(pred)} cases, the bookings are {len(bookings)}")
    _check_move_cost(move_cost)
    settings = ListOptions(**options)
    planner = Planner(pred, _sessions(sessions), _stock(stock), settings, fixed or {}, worth, told, move_cost)
    return planner.solve(progress)
