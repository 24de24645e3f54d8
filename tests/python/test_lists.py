"""Choosing lists: against brute force, known optima, its own promises."""

from __future__ import annotations

import itertools
import json
import subprocess
import sys
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import lobetime as lt
from lobetime import _core
from lobetime.datasets import WaitingList, simulate_waiting_list
from lobetime.lists.master import Effort, choose_lists
from lobetime.lists.problem import Chosen, Group, ListProblem
from lobetime.lists.what_if import Changed

EXACT = Effort(gap=0.0)


def as_problem(
    waiting: WaitingList, *, draws: int = 2000, seed: int = 1, cost: dict[str, float] | None = None, risk: float = 0.2
) -> ListProblem:
    base = waiting.draw(draws, seed)
    between = np.full((8, draws), waiting.turnover_min, np.float32)
    between[0] = 0
    n = len(waiting.cv)
    groups = []
    for at, minutes in enumerate(waiting.session_min):
        speed = np.float32(waiting.speed[waiting.session_surgeon[at]])
        rule = _core.ListRule(
            minutes=float(minutes), overrun_risk=risk, most_large=waiting.most_large_short if minutes <= 240 else 99
        )
        worth = 1.0 + np.arange(n) % 3
        everyone = tuple(range(n))
        times = _core.ListTimes(base * speed, between)
        groups.append(Group(times, rule, everyone, everyone, (at,), worth, np.empty((n, 0))))
    large = waiting.gland_ml > waiting.large_ml
    return ListProblem(
        n, tuple(groups), _core.ListCost(**(cost or {"overtime_per_min": 2.0, "idle_per_min": 1.0})), large
    )


def by_hand(problem: ListProblem) -> tuple[float, float]:
    """The most worth, and its least cost, over all assignments; sums and counts in plain numpy."""
    n = problem.n_cases
    tables = []
    for group in problem.groups:
        rows = np.stack([group.times.finish([i]) for i in range(n)])  # no turnover before a first case
        gap = group.times.finish([0, 1])[0] - rows[0][0] - rows[1][0] if n > 1 else 0.0
        table = {0: (0.0, 0.0)}
        for mask in range(1, 1 << n):
            cases = [i for i in range(n) if mask >> i & 1]
            if len(cases) > group.times.most_cases or problem.large[cases].sum() > group.rule.most_large:
                continue
            total = rows[cases].sum(axis=0, dtype=np.float64) + gap * (len(cases) - 1)
            if (total > group.rule.minutes).mean() > group.rule.overrun_risk + 1e-12:
                continue
            over = np.maximum(total - group.rule.minutes, 0).mean()
            idle = np.maximum(group.rule.minutes - total, 0).mean()
            given = problem.cost
            cost = given.open_per_min * group.rule.minutes + given.overtime_per_min * over + given.idle_per_min * idle
            table[mask] = (float(group.worth[cases].sum()), float(cost))
        tables.append(table)
    best = {0: (0.0, 0.0)}  # cases used so far -> worth, -cost
    for table in tables:
        new: dict[int, tuple[float, float]] = {}
        for used, (worth, saved) in best.items():
            for mask, (more, cost) in table.items():
                if used & mask:
                    continue
                value = (round(worth + more, 9), saved - cost)
                if used | mask not in new or value > new[used | mask]:
                    new[used | mask] = value
        best = new
    worth, saved = max(best.values())
    return worth, -saved


def solved(problem: ListProblem, effort: Effort = EXACT) -> Chosen:
    return choose_lists(problem, effort)[0]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(
    "cost", [{"overtime_per_min": 2.0, "idle_per_min": 1.0}, {"open_per_min": 1.0}, {"open_per_min": 0.0}]
)
def test_small_instances_equal_brute_force(seed: int, cost: dict[str, float]) -> None:
    problem = as_problem(simulate_waiting_list(8 + seed % 2, 1, seed), draws=500, cost=cost)
    found = solved(problem)
    worth, least = by_hand(problem)
    assert found.worth == pytest.approx(worth, abs=1e-9)
    assert found.cost == pytest.approx(least, rel=1e-5)  # sums of draws in single precision
    assert found.placement_bound == pytest.approx(worth, rel=1e-6)
    assert found.cost_bound == pytest.approx(least, rel=1e-4)


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(3, 8))
def test_another_session_never_makes_a_plan_worse(seed: int, n: int) -> None:
    whole = as_problem(simulate_waiting_list(n, 1, seed), draws=300)
    fewer = ListProblem(n, whole.groups[:2], whole.cost, whole.large)
    some, more = solved(fewer), solved(whole)
    assert more.worth >= some.worth - 1e-9


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(3, 8), sets=st.integers(1, 4))
def test_another_set_never_makes_a_plan_worse(seed: int, n: int, sets: int) -> None:
    whole = as_problem(simulate_waiting_list(n, 1, seed), draws=300)
    groups = tuple(
        Group(g.times, g.rule, g.cases, g.positions, g.sessions, g.worth, np.ones((n, 1))) for g in whole.groups
    )
    few, more = (
        solved(ListProblem(n, groups, whole.cost, whole.large, frozenset(), np.array([float(k)])))
        for k in (sets, sets + 1)
    )
    assert sum(len(c.cases) for c in few.columns) <= sets
    assert more.worth >= few.worth - 1e-9


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), left_out=st.integers(0, 4))
def test_a_list_without_a_case_keeps_every_rule(seed: int, left_out: int) -> None:
    problem = as_problem(simulate_waiting_list(5, 1, seed), draws=300, risk=0.5)
    for group in problem.groups:
        for cases in itertools.combinations(range(5), 3):
            if left_out in cases and _core.list_risk(group.times, cases, group.rule).keeps(group.rule):
                rest = [c for c in cases if c != left_out]
                assert _core.list_risk(group.times, rest, group.rule).keeps(group.rule)


def test_threads_do_not_change_a_bit() -> None:
    problem = as_problem(simulate_waiting_list(20, 4, 3), draws=4096)
    first, *others = (solved(problem, Effort(threads=k)) for k in (1, 2, 4))
    for other in others:
        assert [(c.group, c.cases, c.worth, c.cost) for c in other.columns] == [
            (c.group, c.cases, c.worth, c.cost) for c in first.columns
        ]
        assert (other.placement_bound, other.cost_bound) == (first.placement_bound, first.cost_bound)


@pytest.mark.parametrize("after", [1, 4, 8])
def test_an_interrupt_gives_the_best_so_far_with_a_bound_that_holds(after: int) -> None:
    problem = as_problem(simulate_waiting_list(20, 4, 3), draws=1000)
    best = solved(problem)
    calls = 0

    def progress(*_: object) -> None:
        nonlocal calls
        calls += 1
        if calls == after:
            raise KeyboardInterrupt

    found, _ = choose_lists(problem, EXACT, progress=progress)
    assert found.status == "interrupted"
    assert found.worth <= best.worth + 1e-9 <= found.placement_bound + 1e-6
    cases = [case for column in found.columns for case in column.cases]
    assert len(cases) == len(set(cases)) > 0


def test_an_interrupt_before_anything_was_priced_still_tells_a_bound() -> None:
    problem = as_problem(simulate_waiting_list(12, 2, 4), draws=500, cost={"open_per_min": 1.0})

    def progress(*_: object) -> None:
        raise KeyboardInterrupt

    found, _ = choose_lists(problem, EXACT, progress=progress)
    assert found.status == "interrupted"
    assert 0 <= found.cost_bound <= found.cost
    assert found.placement_bound >= solved(problem).worth - 1e-9


def test_a_bound_holds_for_groups_of_several_sessions() -> None:
    """One group of two sessions in which not all fit, against the optimum with the sessions apart."""
    waiting = simulate_waiting_list(9, 1, 2)
    one = as_problem(waiting, draws=500).groups[0]
    many = Group(one.times, one.rule, one.cases, one.positions, (0, 1), one.worth, one.uses)
    cost = _core.ListCost(overtime_per_min=2.0, idle_per_min=1.0)
    large = waiting.gland_ml > waiting.large_ml
    together = solved(ListProblem(9, (many,), cost, large))
    again = Group(one.times, one.rule, one.cases, one.positions, (1,), one.worth, one.uses)
    apart = ListProblem(9, (one, again), cost, large)
    worth, least = by_hand(apart)
    assert together.worth == pytest.approx(worth)
    assert together.placement_bound >= worth - 1e-9
    assert together.cost == pytest.approx(least, rel=1e-5)


def test_required_cases_are_placed_or_refused() -> None:
    waiting = simulate_waiting_list(9, 1, 5)
    whole = as_problem(waiting, draws=500)
    least = int(np.argmin(whole.groups[0].worth))
    problem = ListProblem(9, whole.groups[:1], whole.cost, whole.large, frozenset({least}))
    assert any(least in column.cases for column in solved(problem).columns)
    impossible = ListProblem(9, whole.groups[:1], whole.cost, whole.large, frozenset(range(9)))
    with pytest.raises(lt.InvalidArgument, match="must be placed"):
        solved(impossible)


def test_zero_variance_is_bin_packing() -> None:
    # 12 items of our own making; each pair adds up to the bin, so six bins are needed by their sum and enough.
    sizes = np.array([95, 90, 85, 80, 76, 71], float)
    items = np.concatenate([sizes, 150 - sizes])
    n = len(items)
    times = _core.ListTimes(np.repeat(items[:, None], 2, axis=1), np.zeros((6, 2)))
    rule = _core.ListRule(minutes=150, overrun_risk=0)
    group = Group(times, rule, tuple(range(n)), tuple(range(n)), tuple(range(9)), np.ones(n), np.empty((n, 0)))
    found = solved(ListProblem(n, (group,), _core.ListCost(open_per_min=1 / 150), np.zeros(n, bool)))
    assert len(found.columns) == 6
    assert found.cost_bound == pytest.approx(6)
    assert found.worth == n


# --- plan_lists ---


@pytest.fixture(scope="module")
def pred() -> lt.Prediction:
    unit = lt.datasets.load_demo_unit()
    with pytest.warns(lt.DataWarning):
        model = lt.TheatreTimeModel(estimator="m").fit(unit.history)
    return model.predict(unit.bookings.head(14), draws=1000)


@pytest.fixture(scope="module")
def plan(pred: lt.Prediction) -> lt.Plan:
    unit = lt.datasets.load_demo_unit()
    return lt.plan_lists(pred, None, unit.sessions, stock=unit.stock, draws=8192, verify_draws=50_000)


def test_a_plan_keeps_its_promises(plan: lt.Plan) -> None:
    checked = plan.check(draws=100_000)
    assert checked.attrs["passed"]
    assert (plan.lists["overrun_risk"] <= plan.lists["overrun_limit"]).all()
    assert plan.cases["case_id"].is_unique
    assert len(plan.cases) + len(plan.unplaced) == 14
    assert plan.facts["placement_bound"] >= plan.facts["placement_value"]
    assert plan.facts["cost_bound"] <= plan.facts["cost"]
    booked = plan.planner.frame.set_index("case_id")
    for case in plan.cases.itertuples():
        assert not booked["surgeon"][case.case_id] or booked["surgeon"][case.case_id] == case.surgeon
        assert pd.isna(case.due_by) or case.starts_at.normalize() <= case.due_by
    assert (plan.stock_use["expected_use"] <= plan.stock_use["amount"] + 1e-9).all()
    assert (plan.stock_use["chance_short"] <= 0.1).all()


def test_slots_add_up(plan: lt.Plan) -> None:
    for _, one in plan.cases.groupby("session_id"):
        ends = one["start_min"] + one["slot_min"] + one["turnover_min"]
        assert np.allclose(ends.to_numpy()[:-1], one["start_min"].to_numpy()[1:])
        assert one["turnover_min"].iloc[-1] == 0
        assert (one["slot_min"] > 0).all()


def test_the_same_input_gives_the_same_plan_in_any_order(pred: lt.Prediction, plan: lt.Plan) -> None:
    unit = lt.datasets.load_demo_unit()
    backwards = unit.sessions.iloc[::-1].reset_index(drop=True)
    again = lt.plan_lists(pred, None, backwards, stock=unit.stock, draws=8192, verify_draws=50_000, threads=1)
    pd.testing.assert_frame_equal(again.cases, plan.cases)
    pd.testing.assert_frame_equal(again.lists, plan.lists)


def test_outputs_of_a_real_plan(plan: lt.Plan, tmp_path: pytest.TempPathFactory) -> None:
    first = plan.lists["session_id"].iloc[0]
    assert first in lt.lists.room_sheet(plan, first)
    lt.lists.write_workbook(plan, str(tmp_path) + "/plan.xlsx")
    assert b"BEGIN:VEVENT" in lt.lists.to_icalendar(plan)
    assert lt.lists.to_json_dict(plan)["caution"] == lt.CAUTION
    assert len(lt.lists.to_csv_table(plan)) == 14
    assert lt.CAUTION.split(";")[0] in lt.lists.room_sheet_html(plan)


def test_what_if_a_stricter_risk_places_no_more(plan: lt.Plan) -> None:
    told = plan.what_if(overrun_risk=0.02)
    assert told.differences.loc["placement_value", "difference"] <= 1e-9
    assert (told.plan.lists["overrun_risk"] <= 0.02).all()


def test_replanning_disturbs_least(plan: lt.Plan) -> None:
    """A cancelled case; then an urgent one: nobody else is moved who need not be."""
    gone = plan.cases["case_id"].iloc[0]
    told = plan.replan(cancelled=[gone], move_cost=100.0)
    change = told.changes.set_index("case_id")["change"]
    assert change[gone] == "cancelled"
    assert set(change) <= {"kept", "placed", "cancelled"}
    assert told.plan.facts["placed"] >= plan.facts["placed"] - 1

    urgent = pd.DataFrame(
        {"case_id": ["INV-NEW"], "gland_ml": [60.0], "surgeon": ["B"], "priority": ["1"], "days_waiting": [5000.0]}
    )
    came = plan.replan(urgent=urgent, move_cost=0.5)
    change = came.changes.set_index("case_id")["change"]
    assert change["INV-NEW"] == "placed"
    free = plan.replan(urgent=urgent, move_cost=0.0)
    moved = (came.changes["change"].isin(["moved", "left out"])).sum()
    assert moved <= (free.changes["change"].isin(["moved", "left out"])).sum()
    assert came.plan.check(draws=50_000).attrs["passed"]
    with pytest.raises(lt.InvalidArgument, match="nobody"):
        plan.replan(cancelled=["nobody"])


def test_an_own_order_has_its_price(plan: lt.Plan) -> None:
    several = plan.lists[plan.lists["n_cases"] > 1]["session_id"].iloc[0]
    ours = list(plan.cases[plan.cases["session_id"] == several]["case_id"])
    assert (plan.lists["order_price_min"] == 0).all()
    backwards = plan.reorder({several: ours[::-1]})
    there = backwards.lists.set_index("session_id").loc[several]
    # All orders of up to five cases were tried, so no other can cost less.
    assert there["order_price_min"] > 0
    assert list(backwards.cases[backwards.cases["session_id"] == several]["case_id"]) == ours[::-1]
    assert backwards.lists["overrun_risk"].equals(plan.lists["overrun_risk"])
    again = backwards.reorder({several: ours})
    assert again.lists.set_index("session_id").loc[several, "order_price_min"] == 0
    with pytest.raises(lt.InvalidArgument, match=r"needs each of .* once.*nowhere has no list"):
        plan.reorder({several: ours[1:], "nowhere": ours})


def test_large_glands_first_have_their_price(pred: lt.Prediction) -> None:
    unit = lt.datasets.load_demo_unit()
    plan = lt.plan_lists(pred, None, unit.sessions, large_ml=80.0, draws=4096, verify_draws=0)
    mixed = plan.lists[(plan.lists["n_large"] > 0) & (plan.lists["n_large"] < plan.lists["n_cases"])]
    assert len(mixed)
    assert mixed["large_first_price_min"].notna().all()
    assert plan.lists.drop(mixed.index)["large_first_price_min"].isna().all()
    one = mixed.iloc[0]
    cases = plan.cases[plan.cases["session_id"] == one["session_id"]]
    first = [*cases[cases["large"]]["case_id"], *cases[~cases["large"]]["case_id"]]
    priced = plan.reorder({one["session_id"]: first}).lists.set_index("session_id").loc[one["session_id"]]
    assert priced["order_price_min"] == pytest.approx(one["large_first_price_min"])


def test_what_if_in_one_call(plan: lt.Plan) -> None:
    larger = plan.what_if(canister_ml=np.inf)
    assert larger.differences.loc["placement_value", "difference"] >= -0.005 * plan.facts["placement_value"]
    assert np.isinf(larger.plan.cases["canister_ml"]).all()
    shorter = plan.what_if(session_min=120, on="Wednesday")
    days = shorter.plan.sessions["starts_at"].dt.day_name()
    assert (shorter.plan.sessions["minutes"][days == "Wednesday"] == 120).all()
    kept = plan.sessions["minutes"][days != "Wednesday"]
    assert shorter.plan.sessions["minutes"][days != "Wednesday"].equals(kept)
    with pytest.raises(lt.InvalidArgument, match="no weekday"):
        plan.what_if(session_min=300, on="Funday")
    with pytest.raises(lt.InvalidArgument, match="device_class must say which"):
        plan.what_if(extra_sets=1)
    with pytest.raises(lt.InvalidArgument, match="there are none"):
        plan.what_if(device_class="oscillating/vacuum")


def test_more_sets_change_the_stock_of_that_day_alone() -> None:
    unit = lt.datasets.load_demo_unit()
    sessions, stock = lt.read_sessions(unit.sessions), lt.read_stock(unit.stock)
    day = sessions.frame["starts_at"].dt.normalize().iloc[0]
    changed = Changed(extra_sets=2, device_class="oscillating/vacuum", on=f"{day:%Y-%m-%d}")
    _, then = changed.applied(sessions, stock)
    assert then is not None
    named = then.frame[then.frame["day"] == day]
    before = stock.frame[(stock.frame["what"] == "device_set") & (stock.frame["suction"] == "vacuum")]
    general = before[(before["blade"] == "oscillating") & before["day"].isna()]
    assert named["amount"].tolist() == (general["amount"] + 2).tolist()
    assert named["reprocess_min"].tolist() == general["reprocess_min"].tolist()
    assert len(then.frame) == len(stock.frame) + 1


def test_what_was_told_is_kept_where_moving_costs_more(pred: lt.Prediction, plan: lt.Plan) -> None:
    unit = lt.datasets.load_demo_unit()
    settings: dict[str, Any] = {"stock": unit.stock, "draws": 4096, "verify_draws": 50_000}
    told = dict(zip(plan.cases["case_id"], plan.cases["session_id"], strict=True)) | {"INV-GONE": "INV-S01"}
    again = lt.plan_lists(pred, None, unit.sessions, told=told, move_cost=100.0, **settings)
    change = again.changes.set_index("case_id")["change"]
    assert change["INV-GONE"] == "cancelled"
    assert set(change.drop("INV-GONE")) <= {"kept", "placed"}
    assert plan.changes.empty
    with pytest.raises(lt.InvalidData, match="INV-X"):
        lt.plan_lists(pred, None, unit.sessions, told={"INV-B001": "INV-X"}, **settings)


def test_told_is_read_from_an_earlier_plan(plan: lt.Plan, tmp_path: Path) -> None:
    lt.lists.to_csv_table(plan).to_csv(tmp_path / "plan.csv", index=False)
    told = lt.lists.read_told(tmp_path / "plan.csv")
    assert told == dict(zip(plan.cases["case_id"], plan.cases["session_id"], strict=True))
    (tmp_path / "bad.csv").write_text("case_id,session_id\nA,S1\nA,S2\n,S3\n")
    with pytest.raises(lt.InvalidData) as refused:
        lt.lists.read_told(tmp_path / "bad.csv")
    assert refused.value.problems["row"].tolist() == [3, 4]
    (tmp_path / "other.csv").write_text("a,b\n1,2\n")
    with pytest.raises(lt.InvalidData, match=r"case_id.*\n.*session_id"):
        lt.lists.read_told(tmp_path / "other.csv")


def test_a_unit_s_own_turnover() -> None:
    unit = lt.datasets.load_demo_unit()
    with pytest.warns(lt.DataWarning):
        history = lt.read_cases(unit.history)
    own = lt.recorded_turnover(history)
    minutes = history.frame["turnover_min"].dropna()
    assert own["turnover_median_min"] == pytest.approx(minutes.median(), abs=0.1)
    assert 0.1 < own["turnover_cv"] < 1
    assert f"{len(minutes)} recorded" in own["turnover_origin"]
    assert any(own["turnover_origin"] in line for line in lt.ListOptions(**own).assumptions())
    few = history.frame[["gland_ml", "theatre_min", "turnover_min"]][history.frame["turnover_min"].notna()].head(29)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        assert lt.recorded_turnover(few) == {}


def test_sets_are_ready_in_time_or_the_case_is_not_planned(pred: lt.Prediction) -> None:
    """One set and sessions that follow each other: its turns are bounded by when it is back, not by the day alone."""
    sessions = pd.DataFrame(
        {
            "session_id": ["A1", "A2"],
            "starts_at": ["2025-12-30T08:00", "2025-12-30T13:30"],
            "minutes": [300, 300],
        }
    )
    made = []
    for reprocess_min in (30.0, 200.0, 500.0):
        stock = pd.DataFrame({"what": ["device_set"], "amount": [1], "reprocess_min": [reprocess_min]})
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", lt.DataWarning)
            plan = lt.plan_lists(pred, None, sessions, stock=stock, draws=4096, verify_draws=20_000)
        made.append(plan)
        assert (plan.stock_use["chance_short"] <= 0.1).all()
        begins = plan.cases["starts_at"].sort_values()
        gaps = begins.diff().dropna().dt.total_seconds() / 60
        # Planned starts, not draws: nearly every case needs longer than this with its set on the way back.
        assert (gaps > reprocess_min).all()
    placed = [plan.facts["placed"] for plan in made]
    assert placed[0] >= placed[1] >= placed[2] >= 1
    assert placed[0] > placed[2]


def test_policies_run_on_the_same_draws(pred: lt.Prediction, plan: lt.Plan) -> None:
    unit = lt.datasets.load_demo_unit()
    told = lt.simulate_policies(pred, unit.sessions, plan=plan, draws=2000).set_index("policy")
    assert set(told.index) == {"mean", "surgeon", "slack", "one_large", "large_first", "large_last", "ours"}
    shares = told[["overrun_share", "cancelled_share", "touch_utilisation"]]
    assert ((shares >= 0) & (shares <= 1)).all(axis=None)
    assert (told["done_cases"] <= told["booked_cases"]).all()
    assert told.loc["ours", "booked_cases"] == plan.facts["placed"]
    assert told.loc["slack", "booked_cases"] <= told.loc["mean", "booked_cases"]
    # Cancelling can only end a list earlier than its whole risk says; 0.02 is over four standard errors.
    assert told.loc["ours", "overrun_share"] <= plan.lists["overrun_risk"].mean() + 0.02
    again = lt.simulate_policies(pred, unit.sessions, plan=plan, draws=2000).set_index("policy")
    pd.testing.assert_frame_equal(told, again)


def test_the_published_audit_played_again() -> None:
    told = lt.lists.audit_replica(repeats=60)
    assert told.loc["overran", "published"] == pytest.approx(53 / 60)
    assert told.loc["cancelled", "published"] == pytest.approx(36 / 264)
    assert told.loc["overran", "low"] <= 53 / 60 <= told.loc["overran", "high"] + 0.05
    assert told.loc["cancelled", "low"] <= 36 / 264 <= told.loc["cancelled", "high"]
    booked_with_turnover = lt.lists.audit_replica(repeats=60, turnover_min=0.0)
    assert booked_with_turnover.loc["overran", "replica"] < told.loc["overran", "replica"] - 0.2


def test_all_contradictions_are_told_at_once(pred: lt.Prediction) -> None:
    unit = lt.datasets.load_demo_unit()
    sessions = unit.sessions.iloc[:3].copy()  # surgeons F, B, D only
    with pytest.raises(lt.InvalidData) as refused:
        lt.plan_lists(pred, None, sessions, fixed={"nobody": "INV-S01", "INV-B002": "nowhere"})
    told = refused.value.problems
    assert {"fixed", "surgeon"} <= set(told["column"])
    assert {"nobody", "nowhere"} <= set(told["value"])
    with pytest.raises(lt.InvalidData) as refused:
        lt.plan_lists(pred, None, unit.sessions, fixed={"INV-B004": "INV-S01"})  # surgeon C's case on F's session
    assert "INV-S01" in refused.value.problems["allowed"].iloc[0]
    with pytest.raises(lt.InvalidData) as refused:
        lt.plan_lists(pred, None, unit.sessions, today=pd.Timestamp("2026-02-01").date())
    assert {"due_by", "starts_at"} <= set(refused.value.problems["column"])
    # All kinds together, and rows as the source counts them: the session that is over stands last in it.
    shuffled = pd.concat([unit.sessions.iloc[1:], unit.sessions.iloc[:1]], ignore_index=True)
    with pytest.raises(lt.InvalidData) as refused:
        lt.plan_lists(
            pred, None, shuffled, today=pd.Timestamp("2025-12-31").date(), fixed={"INV-B004": "INV-S02", "nobody": "x"}
        )
    told = refused.value.problems
    assert told.loc[told["column"] == "starts_at", "row"].tolist() == [len(shuffled) + 1]
    assert {"nobody", "x", "INV-B004"} <= set(told["value"])
    with pytest.raises(lt.InvalidArgument, match=r"overrun_risk.*grace_min"):
        lt.plan_lists(pred, None, unit.sessions, overrun_risk=2, grace_min=-1)


def test_a_fixed_case_comes_where_it_must(pred: lt.Prediction) -> None:
    unit = lt.datasets.load_demo_unit()
    made = lt.plan_lists(
        pred, None, unit.sessions, fixed={"INV-B013": "INV-S14"}, draws=4096, verify_draws=0, overrun_risk=0.3
    )
    where = made.cases.set_index("case_id")["session_id"]
    assert where["INV-B013"] == "INV-S14"


@pytest.mark.slow
def test_the_command_line(tmp_path: Path) -> None:
    unit = lt.datasets.load_demo_unit()
    out = str(tmp_path)
    base = ["lists", str(unit.bookings_path), str(unit.sessions_path), "--stock", str(unit.stock_path)]

    def run(*more: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "lobetime", *base, *more], capture_output=True, text=True, check=False
        )

    done = run(
        *("--verify", "--csv", out + "/p.csv", "--excel", out + "/p.xlsx", "--calendar", out + "/p.ics"),
        *("--picture", out + "/p.png", "--room-sheets", out + "/p.html"),
        *("--fhir", out + "/p.json", "--timezone", "Europe/London"),
    )
    assert done.returncode == 0, done.stderr
    table = pd.read_csv(out + "/p.csv")
    assert len(table) == len(unit.bookings)
    assert f"{table['placed'].sum()} of {len(table)} cases of {unit.bookings_path.name} on" in done.stderr
    assert f"not placed: {(~table['placed']).sum()} case" in done.stderr
    assert json.loads(Path(out + "/p.json").read_text())["resourceType"] == "Bundle"

    session, own = next(iter(table[table["placed"]].groupby("session_id")))
    backwards = list(own.sort_values("position")["case_id"])[::-1]
    done = run(
        *("--json", "--policies", "--what-if", "overrun_risk=0.1", "--told", out + "/p.csv", "--move-cost", "50"),
        *("--order", f"{session}={','.join(backwards)}"),
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert {row["policy"] for row in told["policies"]["table"]} >= {"mean", "ours"}
    assert told["what_if"]["overrun_risk=0.1"][0]["figure"] == "placed"
    assert {row["change"] for row in told["changes"]} <= {"kept", "placed"}

    for wrong, words in (
        (["--fhir", out + "/q.json"], "timezone"),
        (["--what-if", "x"], "NAME=VALUE"),
        (["--order", "nowhere=A"], "has no list"),
        (["--set", "foo=1,grace_min=x"], "foo is no setting"),
        (["--set", "overrun=start"], "session or end"),
    ):
        done = run(*wrong)
        assert done.returncode == 2
        assert words in done.stderr
