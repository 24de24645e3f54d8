"""The published prior and the evidence table as people see them, and the model that has nothing else."""

from __future__ import annotations

import re
import sys

import numpy as np
import pandas as pd
import pytest
from sklearn.base import clone

import lobetime as lt
from lobetime import _core

ORIGINS = {"published", "common practice", "assumption"}
PRIOR = lt.published_prior()
CORE = {row["name"]: row for row in _core.core_parameters()}


@pytest.mark.parametrize("name", PRIOR.index)
def test_every_number_says_where_it_comes_from(name):
    row = PRIOR.loc[name]
    assert row["origin"] in ORIGINS
    for column in ("source", "unit", "meaning"):
        assert isinstance(row[column], str)
        assert row[column].strip()


@pytest.mark.parametrize("name", PRIOR.index[PRIOR["origin"] == "published"])
def test_what_is_called_published_cites_a_publication_or_says_it_is_derived(name):
    source = PRIOR.loc[name, "source"]
    assert any(character.isdigit() for character in source) or "derived" in source


def test_assumptions_cite_nothing_as_their_source():
    """An assumption may name a figure that it leans on, but then says what of it is assumed."""
    for name, row in PRIOR[PRIOR["origin"] == "assumption"].iterrows():
        if any(word in row["source"] for word in ("doi", "PMID")):
            assert "assumption" in row["source"], name


@pytest.mark.parametrize("name", ["swap_min", "carry_over_ml", "flow_vacuum", "fluid_log_sd", "h_min", "fault_min"])
def test_what_nobody_has_published_is_called_an_assumption(name):
    assert PRIOR.loc[name, "origin"] == "assumption"


def test_no_published_timing_of_a_swap_is_claimed():
    source, *moved = PRIOR.loc["swap_min", "source"].split("; ")
    assert source == "no published timing of a canister swap"
    # Whole morcellations of the series tell next to nothing of it.
    assert all("the pooled series move it from 2 to" in part for part in moved)
    assert PRIOR.loc["swap_min", ["low", "centre", "high"]].tolist() == pytest.approx([0.4, 2.0, 3.6], abs=0.2)


def test_every_core_parameter_has_a_row_inside_its_bounds():
    assert set(CORE) <= set(PRIOR.index)
    for name, facts in CORE.items():
        row = PRIOR.loc[name]
        assert facts["lower"] <= row["low"] < row["centre"] < row["high"] <= facts["upper"]
        assert row["unit"] == facts["unit"]


@pytest.mark.parametrize(
    "channel", ["tissue", "enucleation", "haemostasis", "morcellation", "room", "operative", "theatre"]
)
def test_every_spread_has_a_row(channel):
    row = PRIOR.loc[f"spread_{channel}"]
    assert 0 < row["low"] < row["centre"] < row["high"]


def test_names_are_unique_and_rates_are_chances():
    assert PRIOR.index.is_unique
    rates = PRIOR[PRIOR["unit"] == "per case"]
    assert len(rates) >= 4
    assert rates["centre"].between(0, 1, inclusive="neither").all()


def test_working_scale_holds_the_stated_range():
    """Ninety per cent of units between low and high, on the scale the parameter is estimated on."""
    for one in _core.published_prior().parameters:
        logged = CORE[one.name]["scale"] == "log"
        low, high, centre = (np.log(x) if logged else x for x in (one.low, one.high, one.centre))
        assert one.working_mean == pytest.approx(centre, abs=1e-12)
        assert one.working_sd == pytest.approx((high - low) / (2 * 1.6448536269514722), rel=1e-12)
        # A centre far off the middle would make the stated 90 % range untrue.
        assert abs((low + high) / 2 - centre) <= 0.75 * one.working_sd, one.name


def test_units_are_drawn_with_the_correlations_that_are_shown():
    joint = lt.PublishedPrior().correlation
    assert list(joint.index) == list(joint.columns) == list(CORE)
    np.testing.assert_array_equal(joint, joint.T)
    np.testing.assert_array_equal(np.diag(joint), 1.0)
    pair = ["e_fixed", "e_80"]  # the strongest
    drawn = pd.DataFrame([lt.datasets.draw_truth(seed).parameters() for seed in range(400)])[pair]
    found = np.corrcoef(drawn["e_fixed"], np.log(drawn["e_80"]))[0, 1]
    assert joint.loc[*pair] > 0.3
    # Standard error of 400 draws at 0.5: 0.04; values outside the bounds are moved onto them.
    assert found == pytest.approx(joint.loc[*pair], abs=0.12)


def test_evidence_table_cites_every_series():
    table = lt.evidence_table()
    assert table["id"].is_unique
    assert len(table) >= 20
    assert table["citation"].str.len().gt(10).all()
    assert not table["citation"].eq("same").any()
    assert table["design"].notna().all()
    assert set(table["statistic"]) == {"mean", "median"}
    assert set(table["blade"].dropna()) <= {"reciprocating", "oscillating"}
    assert set(table["experience"]) <= {"expert", "mixed", "novice"}
    numbers = table.filter(regex="_(ml|g|min)$")
    assert numbers.notna().any(axis=1).sum() >= 18
    assert (numbers.isna() | (numbers > 0)).all(axis=None)


def test_evidence_table_is_the_callers_own():
    lt.evidence_table().drop(columns="id")
    first = lt.evidence_table()
    first["n"] = 0
    assert lt.evidence_table()["n"].gt(0).any()


def own_rows(**columns) -> pd.DataFrame:
    return pd.DataFrame([{"id": "X1", "citation": "our audit", **columns}])


SLOW_UNIT = {"n": 400, "gland_ml": 80, "gland_sd": 40, "tissue_g": 50, "enucleation_min": 140, "enucleation_sd": 60}


def test_prior_is_computed_the_same_each_time():
    again = lt.published_prior()
    pd.testing.assert_frame_equal(PRIOR, again, check_exact=True)
    computed, _ = _core.published_evidence([])
    assert [(one.centre, one.low, one.high) for one in computed.parameters] == [
        (one.centre, one.low, one.high) for one in _core.published_prior().parameters
    ]


def test_what_the_series_do_not_inform_keeps_its_assumption_to_the_digit():
    assert PRIOR.loc["flow_wall", ["low", "centre", "high"]].tolist() == [100, 250, 600]
    assert PRIOR.loc["room_min", ["low", "centre", "high"]].tolist() == [37, 56, 85]


@pytest.mark.parametrize("name", ["yield_g_80", "yield_exponent", "e_80", "rate_50"])
def test_levels_say_what_they_were_pooled_from(name):
    assert PRIOR.loc[name, "origin"] == "published"
    for words in ("meta-regression", "studies", "cases", "grade", "E01"):
        assert words in PRIOR.loc[name, "source"]


def test_own_row_moves_the_prior_towards_itself():
    with_row = lt.published_prior(own_rows(**SLOW_UNIT))
    assert with_row.loc["e_80", "centre"] > 1.03 * PRIOR.loc["e_80", "centre"]
    assert "X1" in with_row.loc["e_80", "source"]
    assert with_row.loc["flow_wall", "centre"] == PRIOR.loc["flow_wall", "centre"]


def test_rows_of_one_unit_count_as_one():
    row = own_rows(**SLOW_UNIT)
    twice = pd.concat([row, row.assign(id="X2")], ignore_index=True)
    as_one = lt.PublishedPrior(twice.assign(unit="ours", study="ours")).pooled
    as_two = lt.PublishedPrior(twice).pooled
    assert as_one.loc["e_80", "studies"] == as_two.loc["e_80", "studies"] - 1
    assert as_one.loc["e_80", "estimate"] < as_two.loc["e_80", "estimate"]


def test_a_median_with_quartiles_is_a_row():
    rows = own_rows(n=90, statistic="median", gland_ml=70, gland_q1=50, gland_q3=100, enucleation_min=50)
    moved = lt.published_prior(rows).loc["e_80", "centre"]
    assert moved != PRIOR.loc["e_80", "centre"]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (own_rows(enucleation_min=-4, gland_ml=80), "row X1, column enucleation_min: -4; allowed: 1 to 600 min"),
        (own_rows(enucleation_min="long", gland_ml=80), "row X1, column enucleation_min: 'long'; allowed: a number"),
        (own_rows(gland_ml=40, tissue_g=60), "row X1, column tissue_g: 60; allowed: at most gland_ml"),
        (own_rows(gland_ml=80, operative_min=90, n=1), "row X1, column n: 1; allowed: 2 to 1000000"),
        (
            own_rows(gland_ml=80, operative_min=90, experience="good"),
            "row X1, column experience: 'good'; allowed: expert",
        ),
        (
            own_rows(gland_ml=80, operative_min=90, blade="laser"),
            "row X1, column blade: 'laser'; allowed: reciprocating",
        ),
        (own_rows(gland_ml=80, operative_min=90, by_size="some"), "row X1, column by_size: 'some'; allowed: 0 or 1"),
        (
            own_rows(gland_ml=80, operative_sd=9),
            "row X1, column operative_sd: 9; allowed: blank where operative_min is",
        ),
        (own_rows(gland_ml=80, minutes=90), "unknown column minutes; allowed: id, study"),
        (
            own_rows(gland_ml=80, operative_min=90, first_case=9, last_case=2),
            "column last_case: 2; allowed: first_case",
        ),
        (own_rows(gland_ml=80, operative_min=90, n_units=0), "column n_units: 0; allowed: 1 to 10000, or blank"),
        (own_rows(gland_ml=80, operative_min=90, n_surgeons=0), "column n_surgeons: 0; allowed: 1 to 10000, or blank"),
        (own_rows(gland_ml=80, operative_min=90).assign(id="E01"), "column id: 'E01' again"),
        (own_rows(), "row X1: no figure; allowed: at least one of gland_ml"),
    ],
)
def test_rows_that_cannot_be_used_are_refused_by_name(rows, words):
    with pytest.raises(lt.InvalidArgument, match=re.escape(words)):
        lt.published_prior(rows)


def test_all_problems_of_own_rows_come_at_once():
    rows = own_rows(gland_ml=2, tissue_g=900, operative_min=1)
    with pytest.raises(lt.InvalidArgument) as error:
        lt.published_prior(rows)
    assert all(column in str(error.value) for column in ("gland_ml", "tissue_g", "operative_min"))


def test_model_takes_a_prior_with_own_rows():
    prior = lt.PublishedPrior(extra=own_rows(**SLOW_UNIT))
    model = clone(lt.TheatreTimeModel(prior=prior))
    assert model.get_params()["prior"] == prior
    assert model.get_params()["prior"] is not prior
    bookings = pd.DataFrame({"gland_ml": [80.0], "blade": ["oscillating"], "suction": ["vacuum"]})
    slow, usual = (
        np.median(one.predict(bookings, draws=2000, seed=1).draws[:, :, 0]) for one in (model, lt.TheatreTimeModel())
    )
    assert slow > usual


def test_making_a_prior_computes_nothing():
    lt.PublishedPrior(extra=own_rows(minutes=3))  # refused only when it is asked for
    with pytest.raises(lt.InvalidArgument, match="unknown column minutes"):
        lt.TheatreTimeModel(prior=lt.PublishedPrior(extra=own_rows(minutes=3))).predict(
            pd.DataFrame({"gland_ml": [80.0]})
        )


@pytest.mark.filterwarnings("ignore::lobetime.DataWarning")
def test_model_file_says_which_prior(tmp_path):
    prior = lt.PublishedPrior(extra=own_rows(**SLOW_UNIT))
    history = lt.datasets.load_demo_unit().history
    lt.TheatreTimeModel(prior=prior, estimator="m").fit(history).save(tmp_path / "unit.json")
    loaded = lt.load_model(tmp_path / "unit.json")
    assert loaded.fitted_.prior == "published, with own rows X1"
    with pytest.raises(lt.InvalidArgument, match="a model file names the rows that were added, but does not hold them"):
        loaded.fit(history)


def test_pooled_figures_carry_what_they_rest_on():
    pooled = lt.PublishedPrior().pooled
    assert {"yield_g_80", "e_80", "rate_50", "malfunction[oscillating/vacuum]", "hard_nodule[any]"} <= set(pooled.index)
    assert (pooled["lower"] < pooled["estimate"]).all()
    assert (pooled["estimate"] < pooled["upper"]).all()
    assert set(pooled["grade"]) <= {"very low", "low", "moderate", "high"}
    for name, row in pooled.iterrows():
        assert row["method"], name
        assert row["sources"], name
        assert row["cases"] > 0, name
    practice = pooled["sources"].str.contains("common practice")
    assert (pooled.loc[practice, "grade"] == "very low").all()
    assert pooled.loc["hard_nodule[any]", ["studies", "cases", "events"]].tolist() == [2, 775, 84]


@pytest.mark.parametrize(
    ("body", "grade", "reasons"),
    [
        ({"randomised_share": 0.6}, "high", []),
        ({}, "moderate", ["design"]),
        ({"i2_percent": 80}, "low", ["design", "inconsistent"]),
        ({"i2_percent": np.nan, "randomised_share": 1.0}, "moderate", ["consistency unknown"]),
        ({"studies": 1, "randomised_share": 1.0}, "low", ["few", "very few"]),
        ({"cases": 90, "direct_share": 0.2}, "very low", ["design", "few", "very few", "indirect"]),
        ({"sourced": False, "randomised_share": 1.0}, "very low", ["no source"]),
    ],
)
def test_grades_follow_their_rules(body, grade, reasons):
    usual = {
        "studies": 8,
        "cases": 900,
        "i2_percent": 30,
        "direct_share": 0.9,
        "randomised_share": 0.1,
        "sourced": True,
    }
    assert _core.grade_of(**{**usual, **body}) == (grade, reasons)


def test_other_studies_predict_each_published_figure():
    """In at least 80 % of rows the 90 % prediction interval from the other studies holds the published figure."""
    rows = lt.PublishedPrior().leave_one_study_out()
    covered = int(rows["covered"].sum())
    sys.stdout.write(f"left out by study: {covered} of {len(rows)} figures covered\n{rows.to_string()}\n")
    assert len(rows) >= 40
    assert rows["study"].nunique() >= 15
    assert covered >= 0.8 * len(rows)
    assert np.median(rows["upper"] / rows["lower"]) < 5  # an interval that held everything would say nothing


def test_pooled_studies_read_well():
    pooled = lt.pool_studies([0.1, 0.5, 0.3, 0.9], [0.02, 0.01, 0.03, 0.02])
    for words in ("4 studies pooled, reml", "intercept", "tau2", "I2", "a new study"):
        assert words in repr(pooled)
    assert list(pooled.table.columns) == ["estimate", "se", "lower", "upper"]
    assert pooled.prediction[0] < pooled.table.loc["intercept", "lower"]
    with pytest.raises(lt.InvalidArgument, match="is none of none, dersimonian_laird"):
        lt.pool_studies([1, 2], [1, 1], method="guess")


def test_pooled_rates_read_well():
    pooled = lt.pool_rates([2, 9], [60, 80])
    for words in ("11 events in 140 cases of 2 studies", "binomial-normal", "a new unit", "between"):
        assert words in repr(pooled)
    with pytest.raises(lt.InvalidArgument, match="allowed: cases above 0, events 0 to cases"):
        lt.pool_rates([3], [2])


@pytest.fixture(scope="module")
def unfitted():
    bookings = pd.DataFrame(
        {
            "case_id": ["a", "b", "c"],
            "gland_ml": [40.0, 80.0, 160.0],
            "blade": ["oscillating", "reciprocating", None],
            "suction": ["vacuum", "vacuum", None],
            "canister_ml": [2000.0, 2000.0, 2000.0],
        }
    )
    return lt.TheatreTimeModel().predict(lt.read_bookings(bookings), draws=2000, seed=3)


def test_unfitted_model_predicts(unfitted):
    assert unfitted.draws.shape == (3, 2000, 4)
    assert np.all(np.isfinite(unfitted.draws))
    assert np.all(unfitted.draws > 0)
    median = np.median(unfitted.totals, axis=1)
    assert median[0] < median[1] < median[2]


def test_unfitted_model_says_that_it_has_no_history(unfitted):
    assert all("no_history" in flags for flags in unfitted.flags)
    assert all("no history" in words for words in unfitted.warnings())


def test_unfitted_model_says_what_it_does_not_know(unfitted):
    flags = unfitted.flags
    assert all("experience_unknown" in one for one in flags)
    assert "device_class_unknown" in flags[2]
    assert "device_class_unknown" not in flags[0]
    # Without a history nothing can be unseen in it.
    assert not any(
        one in ("surgeon_unseen", "device_class_unseen", "gland_beyond_range") for row in flags for one in row
    )


def test_slots_of_the_unfitted_model_carry_the_warning(unfitted):
    table = lt.slots(unfitted, overrun_risk=0.2, round_to=5)
    assert (table["slot_min"] % 5 == 0).all()
    assert (table["overrun_risk"] <= 0.2).all()
    assert table["warnings"].str.contains("published evidence and stated assumptions").all()


def test_without_a_prior_an_unfitted_model_refuses():
    with pytest.raises(lt.InvalidArgument, match="fitted before it predicts"):
        lt.TheatreTimeModel(prior=None).predict(pd.DataFrame({"gland_ml": [80.0]}))
