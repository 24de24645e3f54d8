"""The published prior and the evidence table as people see them, and the model that has nothing else."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

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
    assert PRIOR.loc["swap_min", "source"] == "no published timing of a canister swap"
    assert PRIOR.loc["swap_min", ["low", "centre", "high"]].tolist() == [1, 2, 5]


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
