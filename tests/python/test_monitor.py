"""Monitoring: what a change looks like on the charts, what none looks like, and what is said of both."""

import json
import re
import warnings
from pathlib import Path

import matplotlib
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

import lobetime as lt
from lobetime import _core, cli
from lobetime.monitor import _chances, _shared

# Invented cases, too, may look odd to the reader's checks; that is told elsewhere.
pytestmark = pytest.mark.filterwarnings("ignore::lobetime.DataWarning")

HISTORY = Path(lt.datasets.__file__).parent / "demo_history.csv"
DRAWS = 2000
FITTED = 300
NEW = 200
CHANGES_AT = 60  # of the new cases
SIGNAL_COLUMNS = ["chart", "phase", "group_kind", "group", "direction"]


@pytest.fixture(scope="module")
def unit():
    """A fitted model of an invented unit and the cases that came after, in which nothing has changed."""
    cases = lt.datasets.simulate_unit(FITTED + NEW, seed=3)
    return lt.TheatreTimeModel().fit(cases.iloc[:FITTED]), cases.iloc[FITTED:].reset_index(drop=True)


@pytest.fixture(scope="module")
def unchanged(unit):
    model, cases = unit
    return lt.monitor(model, cases, draws=DRAWS)


def later(cases):
    return np.arange(len(cases)) >= CHANGES_AT


def signalled(found, **wanted):
    rows = found.signals
    for name, value in wanted.items():
        rows = rows[rows[name] == value]
    return rows


# --- a change is told ------------------------------------------------------------------------------------------------


def test_a_surgeon_who_became_a_quarter_faster_is_told(unit):
    model, cases = unit
    cases = cases.copy()
    cases.loc[later(cases) & (cases["surgeon"] == "B"), "enucleation_min"] *= 0.75
    told = signalled(
        lt.monitor(model, cases, draws=DRAWS), chart="time", phase="enucleation", group="B", direction="faster"
    )
    assert len(told) >= 1
    first = told.iloc[0]
    assert first["case_index"] >= CHANGES_AT
    own = np.flatnonzero(cases["surgeon"] == "B")
    begins = np.searchsorted(own, CHANGES_AT)
    assert abs(np.searchsorted(own, first["since_case_index"]) - begins) <= 8, "dated to the change, give or take"
    assert first["lower"] < -25 < first["upper"]
    assert first["upper"] < 0


def test_a_device_class_that_became_slower_is_told_for_that_class(unit, unchanged):
    model, cases = unit
    changed = cases.copy()
    of_class = (cases["blade"] == "reciprocating") & (cases["suction"] == "vacuum")
    changed.loc[later(cases) & of_class, "morcellation_min"] *= 1.8
    found = lt.monitor(model, changed, draws=DRAWS)
    told = signalled(found, phase="morcellation", group="reciprocating/vacuum", direction="slower")
    assert len(told) >= 1
    assert (told["case_index"] >= CHANGES_AT).all()
    assert told.iloc[0]["lower"] < 80 < told.iloc[0]["upper"]
    other = signalled(found, phase="morcellation", group="oscillating/vacuum")
    before = signalled(unchanged, phase="morcellation", group="oscillating/vacuum")
    assert len(other) == len(before), "another class is left in peace"


def test_a_new_device_is_told_by_its_code(unit):
    model, cases = unit
    cases = cases.copy()
    cases["device"] = cases["device"].astype(object).where(cases["device"].notna(), "old")
    new = later(cases) & (np.arange(len(cases)) % 2 == 0)
    cases.loc[new, "device"] = "new"
    half = np.flatnonzero(new)[20:]  # its first cases are as predicted, then it wears out
    cases.loc[half, "morcellation_min"] *= 2.2
    told = signalled(lt.monitor(model, cases, draws=DRAWS), group_kind="device", group="new", direction="slower")
    assert len(told) >= 1
    assert (told["case_index"] >= half[0]).all()


def test_more_device_faults_are_told(unit):
    model, cases = unit
    cases = cases.copy()
    cases["device_fault"] = 0
    quiet = lt.monitor(model, cases, draws=DRAWS)
    assert signalled(quiet, phase="device_fault", direction="more").empty
    cases.loc[np.arange(len(cases)) % 8 == 0, "device_fault"] = 1
    told = signalled(lt.monitor(model, cases, draws=DRAWS), phase="device_fault", group="all", direction="more")
    assert len(told) >= 1
    first = told.iloc[0]
    assert first["change_percent"] > 100
    assert first["lower"] <= first["change_percent"] <= first["upper"]


def test_more_unfinished_morcellations_are_told(unit):
    model, cases = unit
    cases = cases.copy()
    cases.loc[np.arange(len(cases)) % 10 == 0, "morcellation_outcome"] = "deferred"
    found = lt.monitor(model, cases, draws=DRAWS, unfinished_chance=0.02)
    told = signalled(found, phase="unfinished", group="all", direction="more")
    assert len(told) >= 1
    limits = found.limits
    n = limits.loc[(limits["phase"] == "morcellation") & (limits["group"] == "all"), "n"].item()
    assert n == (cases["morcellation_outcome"] == "complete").sum(), "a time that was cut short says nothing here"
    usual = lt.monitor(model, cases, draws=DRAWS, unfinished_chance=0.1)
    assert signalled(usual, phase="unfinished", direction="more").empty


def test_a_learner_is_called_adequate_when_experienced_and_not_before():
    truth = lt.datasets.UnitTruth(
        e_learn=1.2, e_half=6.0, surgeons={"A": (0.0, 0.0, 400), "B": (0.0, 0.0, 300), "L": (0.0, 0.0, 1)}
    )
    cases = lt.datasets.simulate_unit(420, seed=8, truth=truth)
    learner = np.flatnonzero(cases["surgeon"] == "L")
    model = lt.TheatreTimeModel().fit(cases.drop(index=learner))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.MonitorWarning)  # a learner's cases, here all of them, are new to the fit
        found = lt.monitor(model, cases.iloc[learner], draws=DRAWS)
    told = signalled(found, chart="learning curve", phase="enucleation", group="L")
    assert len(told) == 1
    assert list(told["direction"]) == ["adequate"]
    at = cases.iloc[learner]["surgeon_case_no"].iloc[told["case_index"].iloc[0]]
    begins = cases.iloc[learner]["surgeon_case_no"].iloc[told["since_case_index"].iloc[0]]
    assert begins > 10, "the first cases take about twice as long"
    assert at <= 80
    assert told["upper"].iloc[0] > told["change_percent"].iloc[0] > told["lower"].iloc[0]


# --- no change -------------------------------------------------------------------------------------------------------


def test_without_a_change_signals_are_as_rare_as_stated(unchanged):
    told = unchanged.signals[unchanged.signals["chart"] != "learning curve"]
    expected = unchanged.false_per_100 * unchanged.n_cases / 100
    assert expected < 5
    # Charts share cases, so their signals come in groups: three SD of a count, doubled.
    assert len(told) <= expected + 6 * np.sqrt(expected)


@pytest.mark.slow
def test_signals_of_times_come_as_rarely_as_stated_over_many_units():
    signals = expected = 0.0
    for seed in range(500, 512):
        cases = lt.datasets.simulate_unit(400, seed=seed)
        model = lt.TheatreTimeModel().fit(cases.iloc[:200])
        found = lt.monitor(model, cases.iloc[200:], draws=DRAWS)
        times = found.limits[found.limits["chart"] == "time"]
        signals += (found.signals["chart"] == "time").sum()
        expected += (times["n"] / times["run_length"]).sum()
    # Each case is on three charts or so, so signals come in groups of up to three: SD of the count is below
    # sqrt(3 expected); three of them.
    assert abs(signals - expected) < 3 * np.sqrt(3 * expected), (signals, expected)


def test_a_typing_error_alone_is_no_signal(unit, unchanged):
    model, cases = unit
    cases = cases.copy()
    cases.loc[CHANGES_AT, "enucleation_min"] = 1400.0
    found = lt.monitor(model, cases, draws=DRAWS)
    columns = [*SIGNAL_COLUMNS, "case_index"]
    new = set(map(tuple, found.signals[columns].to_numpy())) - set(map(tuple, unchanged.signals[columns].to_numpy()))
    assert not [row for row in new if row[-1] == CHANGES_AT]
    value = found.charts[(found.charts["phase"] == "enucleation") & (found.charts["case_index"] == CHANGES_AT)]["value"]
    assert (value <= 3).all()


# --- what is said ----------------------------------------------------------------------------------------------------


def test_every_chart_states_its_run_length(unchanged):
    limits = unchanged.limits
    assert set(limits["chart"]) == {"time", "event", "learning curve"}
    assert (limits["run_length"] >= 499.9).all()
    # One side is tuned to twice the run length of both.
    assert (limits["cases_to_tell"] < 2 * limits["run_length"]).all()
    assert (limits["n"] >= 5).all()
    times = limits[limits["chart"] == "time"]
    assert times["shared"].between(0, 0.5).all()
    assert {"all", "surgeon", "device class"} <= set(times["group_kind"])
    events = limits[limits["chart"] != "learning curve"]
    assert unchanged.false_per_100 == pytest.approx((100 * events["n"] / NEW / events["run_length"]).sum())


def test_charts_hold_what_the_signals_say(unit):
    model, cases = unit
    cases = cases.copy()
    cases.loc[later(cases), "enucleation_min"] *= 1.5
    found = lt.monitor(model, cases, draws=DRAWS)
    assert len(found.signals) >= 2
    keys = [*SIGNAL_COLUMNS, "case_index"]
    over = found.charts[found.charts["sum"] > found.charts["limit"]]
    assert sorted(map(tuple, over[keys].to_numpy().tolist())) == sorted(
        map(tuple, found.signals[keys].to_numpy().tolist())
    )
    assert (found.signals["since_case_index"] <= found.signals["case_index"]).all()
    assert found.signals["operated_on"].is_monotonic_increasing


def test_summary_says_signals_false_alarms_and_the_caution(unit, unchanged):
    model, cases = unit
    cases = cases.copy()
    cases.loc[later(cases), "enucleation_min"] *= 1.5
    words = lt.monitor(model, cases, draws=DRAWS).summary()
    assert re.search(
        r"all cases, enucleation: slower, \+\d+ % \(95 % interval \+\d+ to \+\d+ %\) since case INV-", words
    )
    assert "Without a change this chart signals once in 500 cases." in words
    assert "false signals of times and events per 100 cases" in words
    assert words.endswith(lt.CAUTION)
    assert repr(unchanged) == f"<Monitoring of {NEW} cases: {len(unchanged.limits)} charts, " + (
        f"{len(unchanged.signals)} signals>"
    )


def test_display_draws_one_chart(unchanged):
    with matplotlib.rc_context({"backend": "agg"}):
        from matplotlib import pyplot

        display = unchanged.display("enucleation")
        assert display.plot() is display
        assert "enucleation time: all" in display.ax_.get_title()
        assert lt.CAUTION[:30] in display.figure_.get_supxlabel().replace("\n", " ")
        pyplot.close(display.figure_)
        _, ax = pyplot.subplots()
        assert unchanged.display("device_fault", chart="event").plot(ax).ax_ is ax
        pyplot.close("all")
    with pytest.raises(lt.InvalidArgument, match="no time chart of enucleation, nobody; there are: time enucleation"):
        unchanged.display("enucleation", "nobody")


# --- invariants ------------------------------------------------------------------------------------------------------


@settings(max_examples=3, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_neither_order_of_rows_nor_threads_change_anything(unit, seed):
    model, cases = unit
    some = cases.iloc[:60].drop_duplicates("operated_on").reset_index(drop=True)
    order = np.random.default_rng(seed).permutation(len(some))
    found = lt.monitor(model, some, draws=1000)
    threads = model.threads
    try:
        model.set_params(threads=1)
        shuffled = lt.monitor(model, some.iloc[order].reset_index(drop=True), draws=1000)
    finally:
        model.set_params(threads=threads)
    for table in ("charts", "signals"):
        one, other = getattr(found, table), getattr(shuffled, table)
        rows = [name for name in one.columns if not name.endswith("case_index")]
        pd.testing.assert_frame_equal(one[rows], other[rows], check_exact=True)
    assert np.array_equal(order[shuffled.charts["case_index"]], found.charts["case_index"])


@settings(max_examples=25, deadline=None)
@given(
    st.floats(0.0, 0.5),
    st.floats(0.0, 0.4),
    st.lists(st.integers(0, 3), min_size=6, max_size=30).filter(lambda g: len(set(g)) > 1 and len(set(g)) < len(g)),
)
def test_shares_are_read_off_the_draws(all_share, group_share, groups):
    random = np.random.default_rng(1)
    group = np.unique(groups, return_inverse=True)[1]
    common, of_group = random.standard_normal((1, 4000)), random.standard_normal((len(set(groups)), 4000))
    own = random.standard_normal((len(groups), 4000))
    draws = np.sqrt(all_share) * common + np.sqrt(group_share) * of_group[group]
    draws = draws + np.sqrt(1 - all_share - group_share) * own
    draws = (draws - draws.mean(axis=1, keepdims=True)) / draws.std(axis=1, keepdims=True)
    found_all, found_group = _shared(draws.astype(np.float32), group)
    # A mean of correlations from 4,000 draws: its SD is at most 1 / sqrt(4000) = 0.016; four of them.
    assert found_all == pytest.approx(all_share, abs=0.064)
    assert found_all + found_group == pytest.approx(all_share + group_share, abs=0.064)


@given(st.lists(st.sampled_from([0.0, 1.0, np.nan]), min_size=1, max_size=40))
def test_chances_count_what_came_before(came):
    came = np.array(came)
    found = _chances(came, np.full(len(came), "a"), {"a": (2.0, 50.0)})
    before = [one for one in came if np.isfinite(one)]
    for i, one in enumerate(found[np.isfinite(came)]):
        assert one == pytest.approx((2.0 + sum(before[:i])) / (50.0 + i))
    assert np.isnan(found[np.isnan(came)]).all()


def test_cases_without_dates_or_ids_are_taken_in_order_of_rows(unit):
    model, cases = unit
    bare = cases.drop(columns=["operated_on", "case_id"]).iloc[:80]
    found = lt.monitor(model, bare, draws=1000)
    assert "no dates" in found.notes[0]
    assert found.charts["case_id"].str.startswith("row ").all()
    assert found.charts["operated_on"].isna().all()


def test_sums_are_charted_where_phases_are_not_recorded(unit):
    model, cases = unit
    sums = cases.drop(columns=["enucleation_min", "morcellation_min", "haemostasis_min"])
    assert {"operative"} == set(lt.monitor(model, sums, draws=1000).limits.query("chart == 'time'")["phase"])
    theatre = sums.drop(columns="operative_min")
    assert {"theatre"} == set(lt.monitor(model, theatre, draws=1000).limits.query("chart == 'time'")["phase"])


def test_an_unseen_surgeon_at_another_level_is_learnt_not_told(unit):
    model, cases = unit
    cases = cases.copy()
    of_new = np.arange(len(cases)) % 3 == 0
    cases.loc[of_new, ["surgeon", "surgeon_case_no"]] = ["Z", 400]
    cases.loc[of_new, "surgeon_case_no"] += np.arange(of_new.sum())
    cases.loc[of_new, "enucleation_min"] *= 1.2
    found = lt.monitor(model, cases, draws=DRAWS)
    limits = found.limits.set_index(["chart", "phase", "group"])
    assert limits.loc[("time", "enucleation", "Z"), "shared"] > 0.15
    assert limits.loc[("time", "enucleation", "A"), "shared"] < 0.1
    assert signalled(found, chart="time", phase="enucleation", group="Z").empty


def test_case_numbers_go_on_from_those_of_the_fit(unit):
    model, cases = unit
    blank = lt.monitor(model, cases.drop(columns="surgeon_case_no"), draws=DRAWS)
    told = lt.monitor(model, cases, draws=DRAWS)
    columns = [*SIGNAL_COLUMNS, "case_index", "value"]
    rows = [one.charts[one.charts["chart"] == "time"][columns] for one in (blank, told)]
    pd.testing.assert_frame_equal(*rows, check_exact=True)


def test_an_unfitted_model_is_held_against_published_evidence(unit):
    _, cases = unit
    found = lt.monitor(lt.TheatreTimeModel(), cases.iloc[:40], draws=1000)
    assert (found.limits.query("chart == 'time'")["shared"] > 0.1).all()


# --- broken input ----------------------------------------------------------------------------------------------------


def test_cases_of_the_fit_are_recognised(unit, tmp_path):
    model, cases = unit
    seen = lt.datasets.simulate_unit(FITTED + NEW, seed=3).iloc[:FITTED]
    with pytest.warns(lt.MonitorWarning, match="look like those that the model was fitted to"):
        lt.monitor(model, seen, draws=1000)
    model.save(tmp_path / "model.json")
    loaded = lt.load_model(tmp_path / "model.json")
    with pytest.warns(lt.MonitorWarning, match="look like those"):
        lt.monitor(loaded, seen.iloc[:100], draws=1000)
    found = lt.monitor(loaded, cases, draws=1000)  # a warning would be an error
    assert any("unfinished_chance" in note for note in found.notes)


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"run_length": 5}, "run_length must lie between 10 and 500,000 cases"),
        ({"run_length": float("nan")}, "run_length"),
        ({"reference": 0}, "reference must be above 0 and at most 2"),
        ({"inadequate": 1.0}, "inadequate must be above 1 and at most 3"),
        ({"unfinished_chance": 0}, "unfinished_chance must lie strictly between 0 and 1"),
        ({"draws": 500}, "draws must be 1,000 or more"),
    ],
    ids=str,
)
def test_what_cannot_be_asked(unit, asked, message):
    with pytest.raises(lt.InvalidArgument, match=message):
        lt.monitor(*unit, **asked)


def test_refused_cases_are_refused(unit):
    with pytest.raises(lt.InvalidData):
        lt.monitor(unit[0], pd.DataFrame({"gland_ml": [-5.0], "enucleation_min": [40.0]}))


def test_few_cases_have_no_chart(unit):
    model, cases = unit
    found = lt.monitor(model, cases.iloc[:3], draws=1000)
    assert found.limits.empty
    assert found.signals.empty
    assert found.false_per_100 == 0
    assert "no chart" in found.summary()


def test_charts_refuse_what_has_no_meaning():
    with pytest.raises(lt.InvalidArgument, match="limit must be a positive number"):
        _core.cusum([1.0], -1.0)
    with pytest.raises(lt.NotFinite, match="score 2"):
        _core.cusum([1.0, np.nan], 1.0)
    with pytest.raises(lt.InvalidArgument, match="strictly between 0 and 1"):
        _core.event_limit([0.0], 100, odds_ratio=2.0)


# --- the command -----------------------------------------------------------------------------------------------------


def run(*args, columns=100):
    variables = {"COLUMNS": str(columns), "TERM": "xterm", "NO_COLOR": None, "FORCE_COLOR": None}
    return CliRunner().invoke(cli.app, [str(arg) for arg in args], prog_name="lobetime", env=variables)


def one_line(text):
    return " ".join(text.split())


SINCE = ["monitor", HISTORY, "--since", "2025-01-01", "--draws", "1000"]


@pytest.mark.parametrize("columns", [80, 120])
def test_command_shows_signals_their_worth_and_the_caution(columns):
    result = run(*SINCE, columns=columns)
    assert (result.exit_code, result.stderr) == (0, "")
    assert max(map(len, result.stdout.splitlines())) <= columns
    text = one_line(result.stdout)
    assert re.search(r"demo_history.csv from 2025-01-01 on: \d+ cases monitored with \d+ charts", text)
    assert re.search(r"Held against \d+ past cases of this unit", text)
    assert "once in 500 cases" in text
    assert "false signals of times and events per 100 cases" in text
    assert text.endswith(lt.CAUTION)


def test_command_json_and_csv(tmp_path):
    path = tmp_path / "signals.csv"
    result = run(*SINCE, "--json", "--csv", path, "--run-length", "100")
    assert result.exit_code == 0, result.stderr
    said = json.loads(result.stdout, parse_constant=lambda c: pytest.fail(f"{c} is no JSON"))
    assert said["command"] == "monitor"
    assert said["caution"] == lt.CAUTION
    assert said["asked"]["run_length"] == 100
    assert said["n_cases"] + said["model"]["n_cases"] == said["history"]["n_cases"] == 420
    assert {row["run_length"] for row in said["limits"] if row["chart"] == "time"} == {100}
    assert re.fullmatch(r"2025-\d\d-\d\d", said["signals"][0]["operated_on"])
    written = pd.read_csv(path)
    assert list(written["case_id"]) == [row["case_id"] for row in said["signals"]]
    assert "signals.csv" in result.stderr
    assert lt.CAUTION in one_line(result.stderr)


def test_command_with_a_model_says_when_its_cases_are_no_news(tmp_path):
    model = tmp_path / "model.json"
    assert run("fit", HISTORY, "--out", model).exit_code == 0
    result = run("monitor", HISTORY, "--model", model, "--draws", "1000")
    assert result.exit_code == 0, result.stderr
    assert "these cases look like those that the model was fitted to" in one_line(result.stdout)
    later = run("monitor", HISTORY, "--model", model, "--since", "2025-06-01", "--draws", "1000")
    assert later.exit_code == 0
    assert "from 2025-06-01 on" in later.stdout


@pytest.mark.parametrize(
    "args",
    [
        ["monitor", HISTORY],
        ["monitor", "missing.csv", "--since", "2025-01-01"],
        ["monitor", HISTORY, "--model", "missing.json"],
        ["monitor", HISTORY, "--since", "1.1.2025"],
        ["monitor", HISTORY, "--since", "2025-01-01", "--run-length", "5"],
        ["monitor", HISTORY, "--since", "2025-01-01", "--draws", "999"],
        ["monitor", HISTORY, "--since", "2025-01-01", "--unfinished-chance", "1"],
        ["monitor", HISTORY, "--since", "2025-01-01", "--csv", HISTORY],
    ],
    ids=lambda args: " ".join(map(str, args)),
)
def test_command_wrong_usage(args):
    before = HISTORY.read_bytes()
    result = run(*args)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "Error: " in result.stderr
    assert HISTORY.read_bytes() == before


def test_command_names_what_it_needs():
    assert "give --model for a model of earlier cases, or --since" in one_line(run("monitor", HISTORY).stderr)


@pytest.mark.parametrize(("day", "words"), [("2001-01-01", "no case lies before"), ("2031-01-01", "no case lies from")])
def test_command_refuses_a_day_that_does_not_split(day, words):
    result = run("monitor", HISTORY, "--since", day)
    assert (result.exit_code, result.stdout) == (1, "")
    assert words in result.stderr


def test_command_refuses_cases_without_dates(tmp_path):
    path = tmp_path / "undated.csv"
    path.write_text("gland_ml,enucleation_min\n60,40\n80,50\n", encoding="utf-8")
    result = run("monitor", path, "--since", "2025-01-01")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "operated_on" in result.stderr
