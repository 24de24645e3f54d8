"""Rates of wall injury and malfunction by class: what is said, what is counted, what nobody knows."""

from __future__ import annotations

import json
import math
import warnings

import matplotlib
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

import lobetime as lt
from lobetime import _core
from lobetime.devices._saying import chance_words, percent, two_digits
from lobetime.devices.forest import forest_of_differences, forest_of_rates
from lobetime.devices.head_to_head import head_to_head
from lobetime.devices.safety import EVENTS, Safety, device_safety, double_arcsine, with_variants

matplotlib.use("Agg")

OLD, NEW = "oscillating/vacuum", "oscillating/vacuum, newer"
UNKNOWN = "oscillating/wall"


def row(safety: Safety, name: str, event: str) -> pd.Series:
    (found,) = safety.table[(safety.table["class"] == name) & (safety.table["event"] == event)].to_dict("records")
    return pd.Series(found)


def counts(*rows: tuple[str, str, float, float]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["class", "event", "events", "cases"])


def studies(*rows: tuple[str, str, float, float], design: str = "") -> pd.DataFrame:
    return counts(*rows).assign(source=[f"invented study {k}" for k in range(len(rows))], design=design)


@pytest.fixture(scope="module")
def fitted(cases):
    return lt.TheatreTimeModel(estimator="m").fit(cases)


# --------------------------------------------------------------------------------------------------- what is unknown


def test_a_class_without_studies_has_no_number_without_width():
    found = device_safety(classes=[OLD, UNKNOWN], cases_per_year=150)
    for event in EVENTS:
        one = row(found, UNKNOWN, event)
        assert one["grade"] == "unknown"
        assert math.isnan(one["estimate"]) and math.isnan(one["per_1000"]) and math.isnan(one["per_year"])
        assert (one["lower"], one["upper"]) == (0.0, 1.0)
        assert (one["per_1000_lower"], one["per_1000_upper"]) == (0.0, 1000.0)
        assert (one["per_year_lower"], one["per_year_upper"]) == (0.0, 150.0)
        assert np.isnan(found.draws(50)[event][UNKNOWN]).all()
    assert found.minutes_lost.loc[UNKNOWN].drop("origin").isna().all()
    assert "unknown" in str(found)


def test_no_row_has_an_estimate_without_an_interval(cases):
    found = device_safety(cases, [*device_safety().classes, UNKNOWN, "a class of my own"]).table
    known = found["estimate"].notna()
    assert (found.loc[known, "lower"] < found.loc[known, "estimate"]).all()
    assert (found.loc[known, "estimate"] < found.loc[known, "upper"]).all()
    assert (found.loc[~known, "upper"] - found.loc[~known, "lower"] == 1.0).all()


def test_the_unknown_class_has_the_widest_interval():
    table = device_safety(classes=[*device_safety().classes, UNKNOWN]).table
    for _, of_event in table.groupby("event"):
        width = (of_event["upper"] - of_event["lower"]).set_axis(of_event["class"])
        assert width.idxmax() == UNKNOWN


# --------------------------------------------------------------------------------------------------- pooling


def test_without_own_cases_the_packages_evidence_is_shown():
    pooled = lt.PublishedPrior().pooled
    for one in device_safety().table.rename(columns={"class": "name"}).itertuples():
        told = pooled.loc[f"{one.event}[{one.name}]"]
        assert one.estimate == pytest.approx(told["estimate"], rel=1e-9)
        # The interval's ends are put on a grid of logits.
        assert (one.lower, one.upper) == pytest.approx((told["lower"], told["upper"]), rel=2e-3)
        assert one.grade == told["grade"] == "very low"
        assert one.origin == "common practice (no source)"


def test_own_counts_update_towards_themselves():
    before = row(device_safety(), OLD, "malfunction")
    after = row(device_safety(own=counts((OLD, "malfunction", 0, 300))), OLD, "malfunction")
    worse = row(device_safety(own=counts((OLD, "malfunction", 30, 300))), OLD, "malfunction")
    assert after["estimate"] < before["estimate"] < worse["estimate"]
    assert after["upper"] < before["upper"]
    assert worse["lower"] > before["estimate"]
    assert (worse["own_events"], worse["own_cases"]) == (30, 300)
    assert "own cases" in worse["origin"]


def test_very_many_own_cases_are_believed():
    found = row(device_safety(own=counts((OLD, "wall_injury", 5000, 100_000))), OLD, "wall_injury")
    low, high = stats.beta(5000.5, 95_000.5).ppf([0.05, 0.95])
    assert found["estimate"] == pytest.approx(0.05, rel=5e-3)
    assert (found["lower"], found["upper"]) == pytest.approx((low, high), rel=5e-3)


@settings(max_examples=30, deadline=None)
@given(cases=st.integers(1, 2000), share=st.floats(0, 1))
def test_own_counts_alone_are_jeffreys(cases, share):
    events = round(share * cases)
    found = row(device_safety(classes=[UNKNOWN], own=counts((UNKNOWN, "malfunction", events, cases))), UNKNOWN,
                "malfunction")  # fmt: skip
    law = stats.beta(events + 0.5, cases - events + 0.5)
    assert [found["lower"], found["estimate"], found["upper"]] == pytest.approx(
        law.ppf([0.05, 0.5, 0.95]), rel=0.02, abs=2e-7
    )
    assert found["studies_said"] == "none"
    assert found["reasons"] == "own cases only"


@settings(max_examples=15, deadline=None)
@given(events=st.integers(0, 20), more=st.integers(1, 20))
def test_more_events_never_lower_the_chance(events, more):
    few, many = (
        row(device_safety(classes=[OLD], own=counts((OLD, "malfunction", e, 60))), OLD, "malfunction")
        for e in (events, events + more)
    )
    assert many["estimate"] > few["estimate"]
    assert many["lower"] > few["lower"] and many["upper"] > few["upper"]


def test_intervals_hold_units_own_chances_at_their_rate():
    """Units whose chances come from the prediction, each with 60 cases of its own: 90 % of intervals hold the truth."""
    truths = device_safety(classes=[OLD]).draws(300, seed=9)["malfunction"][OLD]
    rng = np.random.default_rng(4)
    held = 0
    for truth in truths:
        own = counts((OLD, "malfunction", float(rng.binomial(60, truth)), 60))
        found = row(device_safety(classes=[OLD], own=own, draws=100), OLD, "malfunction")
        held += bool(found["lower"] <= truth <= found["upper"])
    low, high = stats.binom.ppf([0.005, 0.995], 300, 0.9)
    assert low <= held <= high


def test_studies_with_a_source_raise_the_grade_and_are_pooled():
    sourced = studies(*((OLD, "wall_injury", e, n) for e, n in ((3, 150), (2, 180), (4, 220), (1, 90), (3, 160))))
    found = row(device_safety(extra=sourced.assign(design="randomised")), OLD, "wall_injury")
    assert found["studies"] == 5
    assert found["grade"] == "high"
    assert row(device_safety(extra=sourced), OLD, "wall_injury")["grade"] == "moderate"
    assert row(device_safety(extra=sourced.head(1)), OLD, "wall_injury")["grade"] == "very low"
    pooled = lt.pool_rates([2.4, *sourced["events"]], [200, *sourced["cases"]])
    assert found["estimate"] == pytest.approx(pooled.rate, rel=1e-9)
    assert "published" in found["origin"] and "common practice" in found["origin"]
    assert "invented study 3" in found["sources"]


def test_a_study_of_an_unknown_class_makes_it_known():
    found = row(
        device_safety(classes=[UNKNOWN], extra=studies((UNKNOWN, "malfunction", 2, 40))), UNKNOWN, "malfunction"
    )
    assert found["estimate"] == pytest.approx(0.05)
    assert found["grade"] == "very low"
    assert "few" in found["reasons"]
    assert found["studies_said"] == "none"


def test_methods_are_named_where_they_may_differ():
    found = device_safety(extra=studies((OLD, "wall_injury", 0, 40), (OLD, "wall_injury", 9, 90))).methods
    assert set(found.index.get_level_values("method")) == {
        "binomial-normal (used)",
        "double arcsine, common effect",
        "all events over all cases",
    }
    assert found["rate"].nunique() == 3


# ---------------------------------------------------------------------------------------------------- the history


def test_recorded_faults_are_counted_by_class(cases):
    frame = cases.frame
    known = frame[frame["device_fault"].notna() & frame["blade"].notna() & frame["suction"].notna()]
    for name, of_class in known.groupby(known["blade"] + "/" + known["suction"]):
        found = row(device_safety(cases), str(name), "malfunction")
        assert found["own_cases"] == len(of_class)
        assert found["own_events"] == of_class["device_fault"].sum()
        assert row(device_safety(cases), str(name), "wall_injury")["own_cases"] == 0


def test_a_column_that_holds_only_faults_is_not_counted(cases):
    frame = cases.frame.drop(columns=["device"]).assign(
        device_fault=cases.frame["device_fault"].where(cases.frame["device_fault"] == 1)
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        found = device_safety(frame)
    assert (found.table["own_cases"] == 0).all()
    assert any("record 0" in note for note in found.notes)


# ------------------------------------------------------------------------------------------------ years, minutes


def test_expected_events_and_years():
    found = device_safety(own=counts((OLD, "malfunction", 20, 400)), cases_per_year=200)
    one = row(found, OLD, "malfunction")
    assert one["per_1000"] == pytest.approx(1000 * one["estimate"])
    assert one["per_year"] == pytest.approx(200 * one["estimate"])
    # A year's number is a matter of luck as well: wider than what is not known of the chance.
    assert one["per_year_upper"] - one["per_year_lower"] > 200 * (one["upper"] - one["lower"])
    assert "per_year" not in device_safety().table


def test_minutes_lost_are_chance_times_delay(fitted, cases):
    found = device_safety(cases, [OLD], model=fitted, cases_per_year=100, draws=40_000)
    chance = found.draws(40_000)["malfunction"][OLD]
    delay = fitted.params_.loc["fault_min", "estimate"]
    one = found.minutes_lost.loc[OLD]
    assert one["per_100_cases_mean"] == pytest.approx(100 * chance.mean() * delay, rel=0.03)
    assert one["per_year_mean"] == pytest.approx(one["per_100_cases_mean"])
    assert one["per_100_cases_lower"] < one["per_100_cases_median"] < one["per_100_cases_upper"]
    # Wider than the chance alone: the delay is not known either.
    low, high = np.quantile(chance, [0.05, 0.95])
    assert one["per_100_cases_upper"] / one["per_100_cases_lower"] > high / low
    assert one["origin"] == "fitted from cases"


def test_without_a_model_the_delay_is_an_assumption():
    found = device_safety(classes=[OLD]).minutes_lost
    assert found.loc[OLD, "origin"] == "assumption"
    unfitted = device_safety(classes=[OLD], model=lt.TheatreTimeModel()).minutes_lost
    pd.testing.assert_frame_equal(found, unfitted)


# ----------------------------------------------------------------------------------------------------------- draws


def test_draws_are_what_the_table_says():
    found = device_safety(own=counts((NEW, "malfunction", 2, 30)))
    drawn = found.draws(40_000, seed=3)
    for one in found.table.to_dict("records"):
        low, high = np.quantile(drawn[one["event"]][one["class"]], [0.05, 0.95])
        assert (low, high) == pytest.approx((one["lower"], one["upper"]), rel=0.06)


def test_draws_of_a_class_do_not_depend_on_the_others():
    alone, together = device_safety(classes=[OLD]), device_safety(classes=[UNKNOWN, NEW, OLD])
    for event in EVENTS:
        np.testing.assert_array_equal(alone.draws(100)[event][OLD], together.draws(100)[event][OLD])
    assert not np.array_equal(alone.draws(100)["malfunction"][OLD], alone.draws(100, seed=2)["malfunction"][OLD])
    assert not np.array_equal(alone.draws(100)["malfunction"][OLD], alone.draws(100)["wall_injury"][OLD])


# ------------------------------------------------------------------------------------------------------ refusals


def test_every_problem_of_the_arguments_is_named():
    bad = studies((OLD, "explosion", 1, 10), (OLD, "malfunction", 11, 10), (OLD, "malfunction", 0, 0))
    with pytest.raises(_core.InvalidArgument) as refused:
        device_safety(
            extra=bad, own=counts(("", "malfunction", 1, 5)).drop(columns="cases"), cases_per_year=-1, draws=1
        )
    for words in (
        "extra, row 1, column event: 'explosion'; allowed: wall_injury, malfunction",
        "extra, row 2, column events: 11",
        "extra, row 3, column cases: 0",
        "own: column cases is missing",
        "cases_per_year",
        "draws",
    ):
        assert words in str(refused.value)


def test_counts_that_no_row_shows_are_told():
    found = device_safety(classes=[OLD], own=counts((NEW, "malfunction", 1, 50)))
    assert any(NEW in note for note in found.notes)
    assert NEW in str(found)


def test_faults_are_not_counted_twice(cases):
    with pytest.raises(_core.InvalidArgument, match="counts already"):
        device_safety(cases, own=counts((OLD, "malfunction", 1, 50)))


def test_unknown_columns_and_things_are_refused():
    with pytest.raises(_core.InvalidArgument, match="unknown column brand"):
        device_safety(own=counts((OLD, "malfunction", 1, 50)).assign(brand="x"))
    with pytest.raises(_core.InvalidArgument, match="must be a DataFrame"):
        device_safety(extra=[1])  # type: ignore[arg-type]
    with pytest.raises(_core.InvalidArgument, match="classes must hold"):
        device_safety(classes="oscillating/vacuum")
    with pytest.raises(_core.InvalidArgument, match="classes must hold"):
        device_safety(classes=[])
    with pytest.raises(_core.InvalidArgument, match="n must be 1"):
        device_safety().draws(0)
    with pytest.raises(_core.InvalidArgument, match="as many events as cases"):
        double_arcsine([1], [0])


def test_outputs_carry_the_caution(cases):
    found = device_safety(cases, cases_per_year=100)
    assert str(found).endswith(lt.CAUTION)
    assert found.caution == lt.CAUTION
    told = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert told["caution"] == lt.CAUTION
    assert told["table"][0]["class"]
    assert repr(device_safety(classes=[OLD, UNKNOWN])) == f"<Safety of 2 device classes, unknown: {UNKNOWN}>"


def test_figures_are_said_in_no_more_digits_than_they_are_worth():
    said = [two_digits(x) for x in (0.0, 0.0123, 1.96, 19.6, 138.2, 1382.0, math.nan)]
    assert said == ["0", "0.012", "2", "20", "140", "1,400", "unknown"]
    assert chance_words(0.0553) == "5.5 %"
    assert [percent(x) for x in (0.0, 0.004, 0.5, 0.996, 1.0)] == ["0 %", "<1 %", "50 %", ">99 %", "100 %"]


def test_variants_of_the_evidence_are_found():
    assert with_variants([OLD, UNKNOWN]) == [OLD, UNKNOWN, f"{OLD}, newer"]
    assert with_variants([UNKNOWN]) == [UNKNOWN]


# ------------------------------------------------------------------------------------------------------ pictures


@pytest.fixture
def closed():
    yield
    from matplotlib import pyplot

    pyplot.close("all")


@pytest.mark.usefixtures("closed")
@pytest.mark.parametrize("event", EVENTS)
def test_forest_shows_every_count_and_the_unknown_as_an_empty_row(event):
    found = device_safety(
        classes=[OLD, NEW, UNKNOWN],
        extra=studies((OLD, event, 2, 90), (OLD, event, 0, 40)),
        own=counts((OLD, event, 1, 30)),
    )
    display = forest_of_rates(found, event).plot()
    kinds = display.rows["kind"].value_counts()
    assert kinds.to_dict() == {"study": 2, "common practice": 2, "own cases": 1, "pooled": 2, "unknown": 1}
    words = [text.get_text() for text in display.ax_.texts]
    assert any("it may be anything" in text for text in words)
    assert sum(text == "unknown" for text in words) == 1
    # One marker each for what is counted, said, own and pooled.
    markers = {bars.lines[0].get_marker() for bars in display.ax_.containers}
    assert markers == {"s", "o", "^", "D"}
    assert lt.CAUTION[:30] in display.figure_._supxlabel.get_text()


@pytest.mark.usefixtures("closed")
def test_forest_into_axes_of_the_callers():
    from matplotlib.figure import Figure

    ax = Figure().add_subplot()
    assert forest_of_rates(device_safety(), "malfunction").plot(ax).ax_ is ax
    with pytest.raises(_core.InvalidArgument, match="event must be"):
        forest_of_rates(device_safety(), "explosion")


@pytest.mark.usefixtures("closed")
@pytest.mark.parametrize("outcome", ["efficiency_g_min", "morcellation_min"])
def test_forest_of_comparisons(cases, outcome):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        blades = head_to_head(cases, "reciprocating/vacuum", OLD)
        suctions = head_to_head(cases, OLD, "oscillating/peristaltic")
    display = forest_of_differences({"blades": blades, "suctions": suctions}, outcome).plot()
    assert list(display.rows["kind"]) == ["published", "own", "both", "own"]
    published, own, both = display.rows["estimate"][:3]
    assert min(published, own) <= both <= max(published, own)
    assert display.caution == lt.CAUTION
    with pytest.raises(_core.InvalidArgument, match="outcome must be"):
        forest_of_differences(outcome="price")
