"""Choosing whole lists: column generation, the mixed-integer master, and a bound that was priced again.

The linear programme over lists is solved by HiGHS; lists that would improve it are found by the compiled pricing
(``_core.price``). A bound is never the solver's own: with any dual prices, what they are worth for cases and stock, and
what the best list of each session is worth beyond them, bounds every plan (Lagrange), and that best list is priced by
us. Then every list that could still be part of a better plan is enumerated, where there are not too many, and the
mixed-integer programme over them is exact.

Everything is deterministic: one thread and one seed in HiGHS, limits counted in nodes, ties by case and session. Only a
time limit or an interrupt make a plan depend on the machine, and its status says so.
"""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .. import _core
from .problem import Chosen, Column, Doubles, ListProblem, column_of, relative_gap

_KEEP = 12  # lists taken from one pricing
_QUICK_NODES = 20_000
_MORE_NODES = 10
_EPSILON = 1e-7  # of the scale of the objective: less is no improvement
_MOST_ENUMERATED = 60_000
_MIP_NODES = 3_000
_MOMENT_MARGIN, _WIDER = 0.85, 1.2
_MIP_WORK, _FEWEST_MIP_NODES = 15_000_000, 100  # columns x nodes, so that many lists do not take for ever
_MOST_ROUNDS = 2_000


@dataclass(frozen=True)
class Effort:
    """Where the search stops: at the gap, or after so much work."""

    gap: float = 0.005
    time_limit_s: float = math.inf
    most_nodes: int = 20_000_000  # of one pricing
    mip_nodes: int = _MIP_NODES
    threads: int = 0
    moment_error: float = 0.035  # by which moments may err before lists are passed over unseen; raised where they do


class _Clock:
    def __init__(self, limit_s: float) -> None:
        self._end = time.monotonic() + limit_s

    @property
    def left(self) -> float:
        return self._end - time.monotonic()

    def stop(self) -> None:
        self._end = -math.inf


@dataclass(frozen=True)
class _Stage:
    """Maximise ``placing`` x worth - ``costing`` x cost; at least ``least_worth`` placed, or every case."""

    placing: float
    costing: float
    least_worth: float | None = None
    all_placed: bool = False

    def value(self, column: Column) -> float:
        return self.placing * column.worth - self.costing * column.cost


@dataclass
class _Duals:
    """Prices of the rows, all as what one more of it is worth; those of limits are not negative."""

    cases: Doubles
    groups: Doubles
    stock: Doubles
    worth: float  # of one less that must be placed


class _Linear:
    """The master over the columns so far, in HiGHS."""

    def __init__(self, problem: ListProblem, stage: _Stage, penalty: float) -> None:
        import highspy

        self._kinds: Any = highspy
        self.problem, self.stage = problem, stage
        self.columns: list[Column] = []
        n, groups, stock = problem.n_cases, len(problem.groups), len(problem.stock)
        self._group_row, self._stock_row, self._worth_row = n, n + groups, n + groups + stock
        # Seen as a minimisation of -value.
        able = {case for group in problem.groups for case in group.cases}
        must = np.array([(stage.all_placed and i in able) or i in problem.required for i in range(n)])
        rows = [(1.0 if must[i] else -highspy.kHighsInf, 1.0) for i in range(n)]
        rows += [(-highspy.kHighsInf, float(len(group.sessions))) for group in problem.groups]
        rows += [(-highspy.kHighsInf, float(amount)) for amount in problem.stock]
        if stage.least_worth is not None:
            rows.append((stage.least_worth, highspy.kHighsInf))
        self._bounds = rows
        # Artificial columns, dear: a case that must be placed is not yet, or too little is placed yet.
        self._artificial = [(penalty, i, 1.0) for i in range(n) if must[i]]
        if stage.least_worth is not None:
            self._artificial.append((penalty / max(stage.least_worth, 1e-9) * max(n, 1), self._worth_row, 1.0))
        self.highs = self._fresh(self._artificial, [])

    def _fresh(self, artificial: Sequence[tuple[float, int, float]], columns: Sequence[Column]) -> Any:
        highs = self._kinds._Highs()  # run() of the plain class does not start threads of its own
        highs.setOptionValue("output_flag", False)
        highs.setOptionValue("threads", 1)
        highs.setOptionValue("random_seed", 0)
        for lower, upper in self._bounds:
            highs.addRow(lower, upper, 0, np.empty(0, np.int32), np.empty(0))
        for cost, row, value in artificial:
            highs.addCol(cost, 0.0, self._kinds.kHighsInf, 1, np.array([row], np.int32), np.array([value]))
        self._add(highs, columns)
        return highs

    def _entries(self, column: Column) -> tuple[npt.NDArray[np.int32], Doubles]:
        rows = [*column.cases, self._group_row + column.group]
        values = [1.0] * len(rows)
        for k, use in enumerate(column.uses):
            if use:
                rows.append(self._stock_row + k)
                values.append(use)
        if self.stage.least_worth is not None and column.worth:
            rows.append(self._worth_row)
            values.append(column.worth)
        return np.array(rows, np.int32), np.array(values)

    def _add(self, highs: Any, columns: Iterable[Column]) -> None:
        costs, starts, index, value = [], [], [], []
        filled = 0
        for column in columns:
            rows, values = self._entries(column)
            costs.append(-self.stage.value(column))
            starts.append(filled)
            index.append(rows)
            value.append(values)
            filled += len(rows)
        if costs:
            n = len(costs)
            highs.addCols(
                n, np.array(costs), np.zeros(n), np.full(n, self._kinds.kHighsInf), filled, np.array(starts, np.int32),
                np.concatenate(index), np.concatenate(value),
            )  # fmt: skip

    def add(self, columns: Sequence[Column]) -> None:
        self._add(self.highs, columns)
        self.columns.extend(columns)

    def solve(self) -> tuple[float, Doubles, _Duals]:
        """Value of the linear programme (artificial columns count), the columns' shares, dual prices."""
        highs = self.highs
        highs.run()
        if highs.getModelStatus() != self._kinds.HighsModelStatus.kOptimal:
            raise _core.NotConverged(f"the linear programme ended {highs.getModelStatus()}")
        solution = highs.getSolution()
        dual = -np.asarray(solution.row_dual)
        n = self.problem.n_cases
        must = np.array([low == up for low, up in self._bounds[:n]])
        duals = _Duals(
            cases=np.where(must, dual[:n], np.maximum(dual[:n], 0.0)),
            groups=np.maximum(dual[n : self._stock_row], 0.0),
            stock=np.maximum(dual[self._stock_row : self._worth_row], 0.0),
            worth=max(-dual[self._worth_row], 0.0) if self.stage.least_worth is not None else 0.0,
        )
        shares = np.asarray(solution.col_value)[len(self._artificial) :]
        return -highs.getInfo().objective_function_value, shares, duals

    def choose(
        self,
        columns: Sequence[Column],
        nodes: int,
        seconds: float,
        *,
        enough: float = math.inf,
        least: float = -math.inf,
    ) -> tuple[list[Column] | None, bool]:
        """The best whole choice among columns that HiGHS finds in so many nodes, and whether it is proven to be.

        One of a value that is ``enough`` ends the search; of less than ``least`` none is sought. None if none was found
        that places what must be; where that is proven, too, there is none.
        """
        highs = self._fresh([], columns)
        n = len(columns)
        if math.isfinite(least):
            values = np.array([self.stage.value(column) for column in columns])
            used = np.flatnonzero(values).astype(np.int32)
            highs.addRow(least - 1e-6 * max(abs(least), 1.0), self._kinds.kHighsInf, len(used), used, values[used])
        for k in range(n):
            highs.changeColBounds(k, 0.0, float(len(self.problem.groups[columns[k].group].sessions)))
            highs.changeColIntegrality(k, self._kinds.HighsVarType.kInteger)
        highs.setOptionValue("mip_rel_gap", 0.0)
        highs.setOptionValue("mip_abs_gap", 1e-9)
        highs.setOptionValue("mip_max_nodes", nodes)
        if math.isfinite(enough):
            highs.setOptionValue("objective_target", -enough)
        if math.isfinite(seconds):
            highs.setOptionValue("time_limit", max(seconds, 2.0))
        highs.run()
        status, is_now = highs.getModelStatus(), self._kinds.HighsModelStatus
        if status == is_now.kInfeasible:
            return None, True
        values = np.asarray(highs.getSolution().col_value)
        info = highs.getInfo()
        if len(values) != n or info.primal_solution_status != 2:
            return None, False
        proven = status == is_now.kOptimal
        return [column for column, x in zip(columns, values, strict=True) for _ in range(round(x))], proven


class _Solver:
    def __init__(
        self, problem: ListProblem, effort: Effort, progress: Callable[[str, float, float], object] | None
    ) -> None:
        self.problem, self.effort = problem, effort
        self.clock = _Clock(effort.time_limit_s)
        self.progress = progress
        self.pool: dict[tuple[int, tuple[int, ...]], Column] = {}
        self.moment_error, self.moment_allowance = 0.0, self.effort.moment_error
        self.incumbent: list[Column] | None = None  # of a search before, under a narrower allowance
        self.needed_nodes: dict[_Stage, int] = {}  # in the search before, to show that a stage's bound was near
        self.interrupted = False

    def interrupt(self) -> None:
        """Ctrl-C: nothing more is searched, and what there is is told."""
        self.interrupted = True
        self.clock.stop()

    # --- pricing ---

    def _price(
        self,
        stage: _Stage,
        duals: _Duals,
        *,
        thresholds: Doubles,
        keep: int,
        nodes: int,
    ) -> tuple[list[list[Column]], Doubles, bool]:
        """New columns of each group above its threshold, the most a list of it is worth, and whether all was seen."""
        problem = self.problem
        cost = _core.ListCost(
            open_per_min=problem.cost.open_per_min * stage.costing,
            overtime_per_min=problem.cost.overtime_per_min * stage.costing,
            idle_per_min=problem.cost.idle_per_min * stage.costing,
        )
        asked = []
        for g, group in enumerate(problem.groups):
            cases = np.array(group.cases, int)
            worth = (stage.placing + duals.worth) * group.worth - duals.cases[cases]
            if len(duals.stock):
                worth = worth - group.uses @ duals.stock
            asked.append(
                _core.PricingProblem(
                    times=group.times,
                    rule=group.rule,
                    cost=cost,
                    cases=group.positions,
                    worth=worth.tolist(),
                    large=problem.large[cases].tolist(),
                    threshold=float(thresholds[g]),
                    keep=keep,
                    most_nodes=nodes,
                    refused=group.refused,
                    moment_error=self.moment_allowance,
                )
            )
        results = _core.price(asked, threads=self.effort.threads)
        found: list[list[Column]] = []
        bounds = np.empty(len(results))
        complete = True
        for g, result in enumerate(results):
            group = problem.groups[g]
            case_at = dict(zip(group.positions, group.cases, strict=True))
            self.moment_error = max(self.moment_error, result.largest_moment_error)
            complete &= result.complete
            bounds[g] = result.bound
            new = []
            for one in result.lists:
                cases_here = tuple(sorted(case_at[p] for p in one.cases))
                if (g, cases_here) not in self.pool:
                    cost_here = one.risk.cost(group.rule, problem.cost)
                    new.append(column_of(problem, g, cases_here, cost_here))
            found.append(new)
        return found, bounds, complete

    def seed(self) -> None:
        """Every case alone on every kind of session that it may come to, and what must come together on one."""
        problem = self.problem
        homes = Counter(case for group in problem.groups for case in group.cases if case in problem.required)
        for g, group in enumerate(problem.groups):
            together = tuple(case for case in group.cases if homes.get(case) == 1)
            for cases in {*((case,) for case in group.cases), together} - {()}:
                at = [group.positions[group.cases.index(case)] for case in cases]
                large = int(problem.large[list(cases)].sum())
                most = min(group.rule.most_cases, group.times.most_cases)
                if len(at) > most or large > group.rule.most_large or at in group.refused:
                    continue
                risk = _core.list_risk(group.times, at, group.rule)
                if risk.keeps(group.rule):
                    self._take([column_of(problem, g, cases, risk.cost(group.rule, problem.cost))])

    def _take(self, columns: Iterable[Column]) -> list[Column]:
        new = [c for c in columns if (c.group, c.cases) not in self.pool]
        for column in new:
            self.pool[column.group, column.cases] = column
        return new

    def bound(self, stage: _Stage, duals: _Duals, best: Doubles) -> float:
        """Lagrange's bound of a stage's value from dual prices and the most that a list of each group is worth."""
        counts = np.array([len(group.sessions) for group in self.problem.groups], float)
        total = duals.cases.sum() + counts @ np.maximum(best, 0.0) + duals.stock @ self.problem.stock
        if stage.least_worth is not None:
            total -= duals.worth * stage.least_worth
        return float(total)

    # --- one stage ---

    def converge(self, stage: _Stage, linear: _Linear, scale: float, enough: float = math.inf) -> tuple[float, _Duals]:
        """Column generation until nothing improves: the best bound, and its dual prices.

        Ends, too, once as much worth as is ``enough`` is placed, in parts of lists.
        """
        best_bound, best_duals = math.inf, None
        sessions = sum(len(group.sessions) for group in self.problem.groups)
        nodes, slack = _QUICK_NODES, 0.0
        try:
            for _ in range(_MOST_ROUNDS):
                value, shares, duals = linear.solve()
                if math.fsum(x * c.worth for x, c in zip(shares, linear.columns, strict=True) if x > 0) >= enough:
                    best_duals = best_duals or duals
                    break
                epsilon = _EPSILON * scale
                found, most, _ = self._price(
                    stage, duals, thresholds=duals.groups + epsilon + slack, keep=_KEEP, nodes=nodes
                )
                lagrange = self.bound(stage, duals, most)
                if lagrange < best_bound:
                    best_bound, best_duals = lagrange, duals
                if self.progress is not None:
                    self.progress("lists", value, best_bound)
                new = self._take(column for columns in found for column in columns)
                if new:
                    linear.add(new)
                elif best_bound - value <= 1.2 * self._allowed(stage, value) or nodes >= self.effort.most_nodes:
                    break
                else:
                    # No list that is easily found improves. To show that the bound is near, lists need not be
                    # searched that would improve by less than what is allowed, spread over the sessions.
                    nodes = min(max(_MORE_NODES * nodes, self.needed_nodes.get(stage, 0)), self.effort.most_nodes)
                    slack = self._allowed(stage, value) / max(sessions, 1)
                if best_bound - value <= 1e-7 * max(abs(value), scale) or self.clock.left <= 0:
                    break
        except KeyboardInterrupt:
            self.interrupt()
        if nodes > _QUICK_NODES:
            self.needed_nodes[stage] = nodes
        if best_duals is None:
            best_duals = linear.solve()[2]
        return best_bound, best_duals

    def _allowed(self, stage: _Stage, value: float) -> float:
        """By how much a bound may be worse than the linear programme's value."""
        half_gap = 0.5 * self.effort.gap * abs(value)
        step = self._step() if stage.placing == 0 else 0.0
        if step > 2.0 * half_gap:
            # A bound above a multiple of the step is as good as the next one; on the multiple itself, nothing helps.
            beyond = -value - step * math.floor(-value / step)
            if beyond > 1e-3 * step:
                return min(half_gap, 0.5 * beyond)
        return half_gap

    def close(
        self,
        stage: _Stage,
        linear: _Linear,
        duals: _Duals,
        bound: float,
        incumbent: list[Column] | None,
        relaxed: float,
    ) -> tuple[list[Column] | None, float]:
        """A whole choice from the columns found, then from all that could improve on it; with it, perhaps the proof.

        ``relaxed`` is the bound that the dual prices give, ``bound`` the same after what is known of whole choices.
        """
        if incumbent is not None and self._done(stage, incumbent, bound):
            return incumbent, bound
        try:
            enough = bound - self.effort.gap * abs(bound)
            chosen, _ = linear.choose(linear.columns, self.effort.mip_nodes, self.clock.left, enough=enough)
        except KeyboardInterrupt:
            self.interrupt()
            chosen = None
        incumbent = self._better(stage, incumbent, chosen)
        if incumbent is None and stage.least_worth is None and not stage.all_placed:
            incumbent = self._greedy(stage)
        if self.clock.left <= 0 or (incumbent is not None and self._done(stage, incumbent, bound)):
            return incumbent, bound
        scale = max(abs(bound), 1.0)
        value = self._value(stage, incumbent) if incumbent is not None else bound - 0.05 * scale
        # A list of a better plan is worth more than its session's price less the gap. Better is, where costs come in
        # steps, a whole step better.
        step = self._step() if stage.placing == 0 and incumbent is not None else 0.0
        least = value + step
        gap = max(relaxed - least, 0.0) + 1e-6 * scale
        keep = max(_MOST_ENUMERATED // max(len(self.problem.groups), 1), 500)
        try:
            found, _, complete = self._price(
                stage, duals, thresholds=duals.groups - gap, keep=keep, nodes=self.effort.most_nodes
            )
        except KeyboardInterrupt:
            self.interrupt()
            return incumbent, bound
        seen_all = complete and all(len(columns) < keep for columns in found)
        # Not kept: there are many, and hardly one of them would enter the linear programme.
        able = [c for c in linear.columns if self._reduced(stage, duals, c) >= duals.groups[c.group] - gap]
        able += [column for columns in found for column in columns]
        try:
            nodes = max(min(self.effort.mip_nodes, _MIP_WORK // max(len(able), 1)), _FEWEST_MIP_NODES)
            chosen, proven = linear.choose(able, nodes, self.clock.left, least=least if step else -math.inf)
        except KeyboardInterrupt:
            self.interrupt()
            return incumbent, bound
        incumbent = self._better(stage, incumbent, chosen)
        self._take(incumbent or ())
        if seen_all and proven and incumbent is not None:
            # Nothing is better than this: what was chosen is the best of all, or there is no better choice than before.
            bound = min(bound, self._value(stage, incumbent))
        return incumbent, bound

    def _greedy(self, stage: _Stage) -> list[Column] | None:
        """Lists one after the other as long as they fit together: what must come first, then the most valuable."""
        problem = self.problem
        free = [len(group.sessions) for group in problem.groups]
        left, seen, chosen = problem.stock.copy(), set[int](), []

        def rank(column: Column) -> tuple[int, float, Column]:
            return -len(problem.required & set(column.cases)), -stage.value(column), column

        for column in sorted(self.pool.values(), key=rank):
            uses = np.array(column.uses) if column.uses else np.zeros(len(left))
            if free[column.group] and not seen & set(column.cases) and (uses <= left + 1e-9).all():
                free[column.group] -= 1
                left = left - uses
                seen |= set(column.cases)
                chosen.append(column)
        return chosen if problem.required <= seen else None

    def _reduced(self, stage: _Stage, duals: _Duals, column: Column) -> float:
        value = stage.value(column) + duals.worth * column.worth - duals.cases[list(column.cases)].sum()
        if len(duals.stock):
            value -= float(np.dot(column.uses, duals.stock))
        return float(value)

    def _value(self, stage: _Stage, columns: Sequence[Column]) -> float:
        return math.fsum(stage.value(column) for column in columns)

    def _better(self, stage: _Stage, old: list[Column] | None, new: list[Column] | None) -> list[Column] | None:
        if new is None or old is None:
            return old if new is None else new
        return new if self._value(stage, new) > self._value(stage, old) + 1e-9 else old

    def _done(self, stage: _Stage, columns: Sequence[Column], bound: float) -> bool:
        value = self._value(stage, columns)
        return relative_gap(bound - value, value if stage.placing == 0 else bound) <= self.effort.gap

    # --- both stages ---

    def run(self) -> Chosen:
        """First the most worth placed, then the least cost."""
        problem = self.problem
        self.seed()
        best_worth = np.zeros(problem.n_cases)
        for group in problem.groups:
            cases = list(group.cases)
            best_worth[cases] = np.maximum(best_worth[cases], group.worth)
        everything = float(best_worth.sum())
        costs = max((self._most_cost(group.rule.minutes) for group in problem.groups), default=0.0)
        stock_prices, session_prices = np.zeros(len(problem.stock)), np.zeros(len(problem.groups))

        # Costs count a little, so that of lists that place as much those are found that leave room.
        small = 1e-3 * float(best_worth.min(initial=math.inf, where=best_worth > 0)) / max(costs, 1e-9)
        placing = _Stage(1.0, small if costs > 0 and math.isfinite(small) else 0.0)
        linear = _Linear(problem, placing, penalty=10.0 * max(everything, 1.0))
        linear.add(list(self.pool.values()))
        scale = max(everything, 1.0) / max(problem.n_cases, 1)
        # All placed in parts of lists is enough where the least cost of placing all is what is asked next.
        relaxed, duals = self.converge(
            placing, linear, scale, enough=everything * (1 - 1e-9) if costs > 0 else math.inf
        )
        stock_prices, session_prices = duals.stock, duals.groups
        # No plan costs more than every session at its dearest, so its worth is at most the value's bound and this.
        dearest = placing.costing * self._most_costs()
        bound = self._whole(min(relaxed + dearest, everything))
        chosen = self.incumbent
        if bound >= everything * (1 - 1e-9) and costs > 0:
            # All may fit: then the least cost of placing all decides at once.
            chosen, cost_bound = self.cheapest(
                _Stage(0.0, 1.0, all_placed=True), chosen if self._places(chosen, everything) else None
            )
            if chosen is not None:
                return self._chosen(chosen, everything, cost_bound, stock_prices, session_prices)
            if cost_bound > self._most_costs() * (1 + 1e-9):
                # Not even at the cost of every session, so at least one case is left out.
                everything -= float(best_worth.min(initial=math.inf, where=best_worth > 0))
            # Not all together in whole lists: what is the most, then?
            chosen, bound = self.incumbent, everything
            if not self._places(chosen, bound):
                there = {(c.group, c.cases) for c in linear.columns}
                linear.add([c for key, c in self.pool.items() if key not in there])
                relaxed, duals = self.converge(placing, linear, scale)
                bound = self._whole(min(relaxed + dearest, everything))
        if not self._places(chosen, bound):
            # Whole worths: one that is better is better by 1, so lists need only be searched for as much less.
            whole = 1.0 - dearest if self._whole_worths() else 0.0
            chosen, bound = self.close(placing, linear, duals, bound, chosen, max(bound, relaxed - whole))
        if chosen is None:
            raise _core.InvalidArgument("no lists keep every rule and place the cases that must be placed")
        worth = math.fsum(column.worth for column in chosen)
        bound = max(min(self._whole(bound), everything), worth)
        cost_bound = 0.0
        if costs > 0:
            stage = _Stage(0.0, 1.0, least_worth=worth - 1e-9 * max(everything, 1.0))
            chosen, cost_bound = self.cheapest(stage, chosen)
            assert chosen is not None
        return self._chosen(chosen, bound, cost_bound, stock_prices, session_prices)

    def _whole(self, bound: float) -> float:
        """A bound of the worth, lowered to the next that whole worths can add up to."""
        return math.floor(bound + 1e-6) if math.isfinite(bound) and self._whole_worths() else bound

    def _whole_worths(self) -> bool:
        return all(float(w).is_integer() for group in self.problem.groups for w in group.worth)

    @staticmethod
    def _places(columns: Sequence[Column] | None, worth: float) -> bool:
        return columns is not None and math.fsum(column.worth for column in columns) >= worth * (1 - 1e-9)

    def _most_cost(self, minutes: float) -> float:
        cost = self.problem.cost
        return float(minutes * (cost.open_per_min + cost.idle_per_min + cost.overtime_per_min))

    def _most_costs(self) -> float:
        """What every session at its dearest costs."""
        return sum(len(group.sessions) * self._most_cost(group.rule.minutes) for group in self.problem.groups)

    def cheapest(self, stage: _Stage, incumbent: list[Column] | None) -> tuple[list[Column] | None, float]:
        """The least cost of a stage, and its bound; beyond what all sessions cost, there is no such plan."""
        sessions = sum(len(group.sessions) for group in self.problem.groups)
        dear = max((self._most_cost(group.rule.minutes) for group in self.problem.groups), default=1.0)
        linear = _Linear(self.problem, stage, penalty=10.0 * dear)
        linear.add(list(self.pool.values()))
        relaxed, duals = self.converge(stage, linear, scale=dear / max(sessions, 1))
        bound = -self._granular(-relaxed)
        if -bound > self._most_costs() * (1 + 1e-9):
            return incumbent, -bound
        incumbent, bound = self.close(stage, linear, duals, bound, incumbent, relaxed)
        return incumbent, self._granular(-bound)

    def _granular(self, cost: float) -> float:
        """A bound of the cost, raised to the next value that a cost can take; 0 where nothing is known."""
        step = self._step()
        return step * math.ceil(max(cost, 0.0) / step - 1e-6) if step > 0 else max(cost, 0.0)

    def _step(self) -> float:
        """What every cost is a multiple of; 0 where there is no such number."""
        given = self.problem.cost
        minutes = [group.rule.minutes for group in self.problem.groups]
        if given.overtime_per_min > 0 or given.idle_per_min > 0 or any(m != round(m) for m in minutes):
            return 0.0
        return float(given.open_per_min * math.gcd(*(round(m) for m in minutes)))

    def _chosen(
        self, columns: list[Column], placement_bound: float, cost_bound: float, stock: Doubles, sessions: Doubles
    ) -> Chosen:
        worth, cost = math.fsum(c.worth for c in columns), math.fsum(c.cost for c in columns)
        found = Chosen(
            columns=sorted(columns),
            worth=worth,
            cost=cost,
            placement_bound=max(placement_bound, worth),
            cost_bound=min(cost_bound, cost),
            status="optimal",
            stock_prices=stock,
            session_prices=sessions,
            largest_moment_error=self.moment_error,
        )
        gaps = (found.placement_gap, found.cost_gap)
        if max(gaps) > 1e-9:
            found.status = "within gap" if max(gaps) <= self.effort.gap else "stopped"
        if self.interrupted:
            found.status = "interrupted"
        return found


def choose_lists(
    problem: ListProblem,
    effort: Effort | None = None,
    *,
    known: Iterable[Column] = (),
    progress: Callable[[str, float, float], object] | None = None,
) -> tuple[Chosen, list[Column]]:
    """Lists that place the most worth at the least cost, and all columns that were found on the way.

    Ctrl-C ends the search: what was found so far is told, with a bound that holds. Raises InvalidArgument where the
    cases that must be placed cannot be.
    """
    solver = _Solver(problem, effort or Effort(), progress)
    solver.pool = {(column.group, column.cases): column for column in known}
    found = solver.run()
    while _MOMENT_MARGIN * solver.moment_allowance < solver.moment_error and solver.clock.left > 0:
        if solver.moment_allowance >= 1.0:
            break  # nothing is passed over any more
        # Lists near the limit came so near to being passed over unseen that others may have been.
        needed = max(_WIDER * solver.moment_allowance, solver.moment_error / _MOMENT_MARGIN)
        solver.moment_allowance = min(needed, 1.0)
        solver.incumbent = found.columns
        found = solver.run()
    return found, list(solver.pool.values())
