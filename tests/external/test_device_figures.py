"""Device classes against what is published of them and what the trade knows."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import lobetime as lt
from lobetime import quantities
from lobetime.devices.head_to_head import head_to_head
from lobetime.devices.power import closed_form_power
from lobetime.devices.published import published_head_to_heads
from lobetime.devices.safety import STUDIES_SAID, device_safety, double_arcsine

from .provenance import Check, complete

REVIEW = "systematic review, 34 studies, n = 7,211, doi 10.1177/08927790261457170"
COMMON = "common practice, no source"
MILLER = "Miller, Am Stat 1978;32:138, in metafor's test files"
BACK = "metafor's test files, back-transform of the double arcsine"

# ------------------------------------------------------------------------------------- published head-to-heads

HEAD_TO_HEADS = {
    "efficiency_g_min": Check(
        "head-to-head efficiency, g/min", (0.75, -0.46, 1.97), REVIEW, "published", 0.006,
        "two decimals are printed, and the interval is not quite symmetric", absolute=True,
    ),
    "morcellation_min": Check(
        "head-to-head morcellation, min", (1.02, -1.37, 3.41), REVIEW, "published", 0.006,
        "two decimals are printed", absolute=True,
    ),
}  # fmt: skip


@pytest.mark.parametrize("outcome", HEAD_TO_HEADS)
@pytest.mark.parametrize("method", ["none", "dersimonian_laird", "reml"])
@pytest.mark.parametrize("parts", [2, 34])
def test_a_table_with_the_published_row_pools_to_it(outcome, method, parts):
    """The review's own studies are not listed: its figure is one row, here dealt evenly to studies that all found it.

    One row alone cannot be pooled. However many equal parts it is dealt to, centre and interval are the printed ones.
    """
    table = published_head_to_heads()
    (row,) = table[table["outcome"] == outcome].to_dict("records")
    found = lt.pool_studies(
        [row["difference"]] * parts, [parts * row["variance"]] * parts, method=method, scatter=False
    )
    HEAD_TO_HEADS[outcome].holds(found.table.loc["intercept", ["estimate", "lower", "upper"]])
    assert found.tau2 == 0.0


def test_a_study_that_says_nothing_leaves_the_published_row_as_it_is():
    table = published_head_to_heads()
    for outcome, check in HEAD_TO_HEADS.items():
        (row,) = table[table["outcome"] == outcome].to_dict("records")
        found = lt.pool_studies([row["difference"], 50.0], [row["variance"], 1e9], method="none", scatter=False)
        check.holds(found.table.loc["intercept", ["estimate", "lower", "upper"]])


def one_unit(ratio: float) -> pd.DataFrame:
    """Cases at random between two blade motions, oscillating ``ratio`` times the minutes."""
    rng = np.random.default_rng(12)
    n = 160
    gland = np.exp(rng.normal(np.log(80), 0.4, n))
    device = rng.permutation(np.arange(n) % 2 == 0)
    tissue = 54 * (gland / 80) ** 1.19 * np.exp(0.15 * rng.standard_normal(n))
    minutes = 13 * (tissue / 50) ** 0.85 * np.where(device, ratio, 1.0) * np.exp(0.3 * rng.standard_normal(n))
    return pd.DataFrame(
        {
            "gland_ml": gland,
            "tissue_g": np.minimum(tissue, gland),
            "blade": np.where(device, "oscillating", "reciprocating"),
            "suction": "vacuum",
            "morcellation_min": minutes,
        }
    )


@pytest.mark.parametrize("outcome", HEAD_TO_HEADS)
@pytest.mark.parametrize("ratio", [0.6, 1.5])
def test_own_results_move_the_published_one_their_way(outcome, ratio):
    frame = one_unit(ratio)
    own = head_to_head(frame, "reciprocating/vacuum", "oscillating/vacuum", adjust=["gland", "tissue"], randomised=True)
    found = own.with_published(outcome).table["estimate"]
    published, unit, both = found
    assert published == HEAD_TO_HEADS[outcome].expected[0]
    assert (unit > published) == (ratio < 1)  # quicker oscillating blades: more g/min, more minutes saved
    assert min(published, unit) < both < max(published, unit)
    reverse = head_to_head(frame, "oscillating/vacuum", "reciprocating/vacuum", adjust=["gland", "tissue"])
    assert reverse.with_published(outcome).table["estimate"].iloc[-1] == pytest.approx(both, rel=0.05)


def test_the_published_row_is_of_blades_alone():
    frame = one_unit(1.0)
    frame["suction"] = np.where(frame["blade"] == "oscillating", "peristaltic", "vacuum")
    frame["blade"] = "oscillating"
    own = head_to_head(frame, "oscillating/vacuum", "oscillating/peristaltic", adjust=["gland", "tissue"])
    with pytest.raises(lt.InvalidArgument, match="compares oscillating with reciprocating"):
        own.with_published()


# ------------------------------------------------------------------------------------------------- another laser

MATCHED = "Ther Adv Urol 2018;10:223-33, doi 10.1177/1756287218779784: two lasers, 117 matched pairs, medians"
ENUCLEATION = Check(
    "enucleation, the second laser's minutes over the first's", (70.5 / 75.5,), MATCHED, "derived", 0.02,
    "medians are printed to half a minute, each so by 0.4 %; rounding of the draws' own medians beside it",
)  # fmt: skip
MORCELLATION = Check(
    "morcellation, the second laser's minutes over the first's", (12.0 / 11.5,), MATCHED, "derived", 0.043,
    "medians are printed to half a minute: a quarter of a minute of 11.5 and of 12; p = .49 for the difference",
)  # fmt: skip


def test_another_laser_leaves_morcellation_unchanged():
    """Published: 75.5 and 70.5 min of enucleation (p = .001), 11.5 and 12 min of morcellation of 44 and 45.6 g.

    In the model a laser is what it does to enucleation. Morcellation keeps its bits, and the published half minute is
    what 1.6 g more tissue make.
    """
    prior = lt.TheatreTimeModel()._fitted_or_prior()
    content = json.loads(prior.to_json())
    for row in content["parameters"]:
        if row["name"] in ("e_80", "e_fixed"):
            row["value"] *= 70.5 / 75.5
            row["working"] = math.log(row["value"]) if row["scale"] == "log" else row["value"]
    other = lt.TheatreTimeModel()
    other._take(lt._core.FittedModel.from_json(json.dumps(content)))
    grams = [44.0, 45.6]
    value = {row["name"]: row["estimate"] for row in prior.parameter_rows()}
    glands = [80.0 * (g / value["yield_g_80"]) ** (1 / value["yield_exponent"]) for g in grams]
    booked = lt.read_bookings(pd.DataFrame({"case_id": ["A", "B"], "gland_ml": glands}))
    first, second = (m.predict(booked, draws=4000, conformal=False) for m in (lt.TheatreTimeModel(), other))
    np.testing.assert_array_equal(first.draws[:, :, 2], second.draws[:, :, 2])
    np.testing.assert_array_equal(first.swaps, second.swaps)
    ENUCLEATION.holds(np.median(second.draws[0, :, 0]) / np.median(first.draws[0, :, 0]))
    minutes = [quantities.morcellation_min(g).of(prior).value(prior.theta) for g in glands]
    MORCELLATION.holds(minutes[1] / minutes[0])


# ----------------------------------------------------------------------------- class efficiencies and collections

SPEEDS = {
    "reciprocating/vacuum": Check(
        "efficiency, reciprocating, g/min", (4.0,), COMMON, "common practice", 0.12,
        "a bit under 4; neither glands nor canister are said: 62 or 100 mL on average instead of 80 move it by 8 %, a "
        "2 L canister or a drain instead of all by 11 %",
    ),
    "oscillating/vacuum": Check(
        "efficiency, oscillating + vacuum, g/min", (5.3,), COMMON, "common practice", 0.12, "as for reciprocating",
    ),
}  # fmt: skip
CLASSES = ["reciprocating/vacuum", "oscillating/vacuum", "oscillating/peristaltic", "oscillating/wall"]
WITHOUT_STUDIES = "oscillating/wall"


@pytest.fixture(scope="module")
def by_evidence():
    """No case of anybody's, by the prior alone: glands of 80 mL, where the model states its parameters.

    Series that are not chosen by size have 62 to 82 mL on average; CV 34 / 62 of Eur Urol 2008, PMID 17997021.
    """
    log_sd = math.sqrt(math.log1p((34 / 62) ** 2))
    glands = np.exp(math.log(80) - log_sd**2 / 2 + log_sd * stats.norm.ppf((np.arange(60) + 0.5) / 60))
    mix = pd.DataFrame({"gland_ml": glands.round(1)})
    return lt.compare_devices(lt.TheatreTimeModel(), mix, CLASSES, [2000, 3000, "drain"], draws=2000)


def test_class_efficiencies_are_near_those_that_are_said(by_evidence):
    """Each case's own g/min averaged, as series print it; with canisters of 2 and 3 L and a drain."""
    table = by_evidence.options
    found = table.groupby("device_class")["g_min_mean_of_ratios"].mean()
    for name, check in SPEEDS.items():
        check.holds(found[name])
        of_class = table[table["device_class"] == name]
        assert (of_class["g_min_mean_of_ratios_low"] < check.expected[0]).all()
        assert (of_class["g_min_mean_of_ratios_high"] > check.expected[0]).all()
    assert found.idxmax() == "oscillating/vacuum"
    assert found.idxmin() == WITHOUT_STUDIES  # the slowest


def test_a_strong_vacuum_with_a_small_canister_is_ahead_most_in_small_glands(by_evidence):
    """Common practice, no source: of its minutes a 2 L canister costs the vacuum more, the larger the gland."""
    bands = by_evidence.by_gland
    minutes = bands.pivot(index="gland", columns="option", values="morcellation_min").reindex(bands["gland"].unique())
    vacuum, pump = "oscillating/vacuum, 2000 mL", "oscillating/peristaltic, continuous drain"
    lead = 1 - minutes[vacuum] / minutes[pump]
    assert len(lead) == 4
    assert lead.is_monotonic_decreasing
    ahead = by_evidence.crossing(vacuum, pump)
    assert ahead["p_ahead_small"] > ahead["p_ahead_large"] + 0.05


def test_the_class_without_studies_is_the_least_sure_and_never_first_with_confidence(by_evidence):
    table = by_evidence.options
    without = table["device_class"] == WITHOUT_STUDIES
    assert (table.loc[without, "evidence"] == "no studies").all()
    assert not table.loc[without, "first_with_confidence"].any()
    width = np.log(table["g_min_mean_of_ratios_high"] / table["g_min_mean_of_ratios_low"])
    minutes = table["morcellation_min_high"] - table["morcellation_min_low"]
    for _, same in table.groupby("collection").groups.items():
        assert width[same].idxmax() == minutes[same].idxmax()
        assert width[same].idxmax().startswith(WITHOUT_STUDIES)
    safety = device_safety(classes=CLASSES)
    ranked = lt.decision_table(lt.devices.Criteria.of(by_evidence, safety=safety), None).table
    first = ranked.index.str.startswith(WITHOUT_STUDIES)
    assert not ranked.loc[first, "first_with_confidence"].any()
    score = ranked["score_high"] - ranked["score_low"]
    for _, same in table.groupby("collection").groups.items():
        assert score[same].idxmax().startswith(WITHOUT_STUDIES)


# --------------------------------------------------------------------------------------- common-practice rates

RATES = {
    ("wall_injury", "oscillating/vacuum"): Check(
        "wall injury, oscillating + vacuum", (0.012,), COMMON, "common practice", 0.0005, "1.2 % is said", absolute=True
    ),
    ("wall_injury", "oscillating/vacuum, newer"): Check(
        "wall injury, newer oscillating + vacuum", (0.02,), COMMON, "common practice", 0.005, "about 2 %", absolute=True
    ),
    ("malfunction", "oscillating/vacuum"): Check(
        "malfunction, oscillating + vacuum", (0.022,), COMMON, "common practice", 0.004, "a bit over 2 %", absolute=True
    ),
    ("malfunction", "oscillating/vacuum, newer"): Check(
        "malfunction, newer", (0.078,), COMMON, "common practice", 0.004, "almost 8 %", absolute=True
    ),
}
SAID = {
    "reciprocating/vacuum": "over ten",
    "oscillating/vacuum": "over ten",
    "oscillating/vacuum, newer": "two",
    "oscillating/peristaltic": "one",
    "oscillating/wall": "none",
}
"""Numbers of studies of each class (common practice, no source); the last stands for a class that has none."""


@pytest.fixture(scope="module")
def rates():
    return device_safety(classes=list(SAID)).table.set_index(["event", "class"])


@pytest.mark.parametrize("key", RATES)
def test_rates_are_those_that_are_said(rates, key):
    RATES[key].holds(rates.loc[key, "estimate"])


def test_rates_that_are_said_as_bounds(rates):
    """Reciprocating: wall injury above 5 %, malfunction below 1 % (common practice, no source)."""
    assert rates.loc[("wall_injury", "reciprocating/vacuum"), "estimate"] > 0.05
    assert rates.loc[("malfunction", "reciprocating/vacuum"), "estimate"] < 0.01
    # Peristaltic: more wall injuries and fewer malfunctions than long-established vacuum.
    peristaltic, vacuum = "oscillating/peristaltic", "oscillating/vacuum"
    assert rates.loc[("wall_injury", peristaltic), "estimate"] > rates.loc[("wall_injury", vacuum), "estimate"]
    assert rates.loc[("malfunction", peristaltic), "estimate"] < rates.loc[("malfunction", vacuum), "estimate"]


@pytest.mark.parametrize("event", ["wall_injury", "malfunction"])
def test_how_much_is_behind_a_class_is_ordered_as_is_said(rates, event):
    """Well over ten studies > two > one trial > none; none of them named, so every grade is the lowest there is."""
    of_event = rates.loc[event]
    said = of_event["studies_said"]
    assert said.astype(str).to_dict() == SAID
    assert list(said.cat.categories) == list(STUDIES_SAID) and said.cat.ordered
    assert list(said) == sorted(said, key=STUDIES_SAID.index, reverse=True)  # rows: most behind it first
    assert of_event["grade"].drop("oscillating/wall").eq("very low").all()
    assert of_event.loc["oscillating/wall", "grade"] == "unknown"
    assert (of_event["studies"] == 0).all()


def test_grades_are_ordered_as_the_numbers_of_studies_that_are_said():
    """As many studies as are said, had they a source: 250 invented cases each at the rate that is said; one a trial."""
    studies = {"reciprocating/vacuum": (12, 0.055), "oscillating/vacuum": (12, 0.012)}
    studies |= {"oscillating/vacuum, newer": (2, 0.02), "oscillating/peristaltic": (1, 0.02)}
    rows = [
        {
            "class": name,
            "event": "wall_injury",
            "events": round(250 * rate),
            "cases": 250,
            "source": f"invented study {k} of {name}",
            "design": "randomised" if name == "oscillating/peristaltic" else "",
        }
        for name, (number, rate) in studies.items()
        for k in range(number)
    ]
    found = device_safety(classes=list(SAID), extra=pd.DataFrame(rows)).table
    grade = found[found["event"] == "wall_injury"].set_index("class")["grade"]
    order = ["unknown", "very low", "low", "moderate", "high"]
    places = [order.index(grade[name]) for name in SAID]
    assert places == sorted(places, reverse=True)
    # Well over ten above two, two above one trial, one above none.
    assert grade["oscillating/vacuum"] == grade["reciprocating/vacuum"]
    assert places[1] > places[2] > places[3] > places[4] == 0


def test_less_behind_it_is_less_sure(rates):
    """Width on the logit scale, of classes whose wall injuries are said to be about as many."""
    of_event = rates.loc["wall_injury"]

    def width(name: str) -> float:
        low, high = of_event.loc[name, ["lower", "upper"]].astype(float)
        return float(np.log(high / (1 - high)) - np.log(low / (1 - low))) if low > 0 and high < 1 else np.inf

    widths = [width(name) for name in list(SAID)[1:]]
    assert widths == sorted(widths)


# -------------------------------------------------------------------------------------------- pooled proportions

COUNTS = ([3, 6, 10, 1], [11, 17, 21, 6])
EFFECTS = Check(
    "Miller's transformed proportions", (1.1391, 1.2888, 1.5253, 0.9515), MILLER, "published", 6e-5,
    "four decimals are printed", absolute=True,
)  # fmt: skip
VARIANCES = Check(
    "Miller's variances", (0.0870, 0.0571, 0.0465, 0.1538), MILLER, "published", 6e-5, "four decimals are printed",
    absolute=True,
)  # fmt: skip
UNWEIGHTED = Check(
    "Miller pooled, unweighted", (1.2262, 0.3164), MILLER, "published", 6e-5, "four decimals are printed", absolute=True
)
WEIGHTED = Check(
    "Miller pooled, weighted", (1.3093, 0.3595), MILLER, "published", 6e-5, "four decimals are printed", absolute=True
)
IDENTITY_COUNTS = ([0, 4, 9, 16, 20], [10, 10, 15, 20, 20])
IDENTITY = Check("there and back", (0.0, 0.4, 0.6, 0.8, 1.0), BACK, "published", 1e-12, "an identity", absolute=True)
COMMON_EFFECT = Check(
    "five proportions, common effect", (0.6886, 0.5734, 0.7943), BACK, "published", 6e-5, "four decimals are printed",
    absolute=True,
)  # fmt: skip


def test_double_arcsine_of_miller():
    found = double_arcsine(*COUNTS)
    EFFECTS.holds(found.effects)
    VARIANCES.holds(found.variances)
    WEIGHTED.holds([found.effect, found.rate])
    equal = double_arcsine(*COUNTS, weighted=False)
    UNWEIGHTED.holds([equal.effect, equal.rate])


def test_double_arcsine_there_and_back():
    IDENTITY.holds([double_arcsine([x], [n]).rate for x, n in zip(*IDENTITY_COUNTS, strict=True)])
    found = double_arcsine(*IDENTITY_COUNTS)
    COMMON_EFFECT.holds([found.rate, found.lower, found.upper])


def test_counts_that_are_shown_have_exact_limits():
    """Clopper and Pearson, checked against R in test_evidence; here the table uses them."""
    extra = pd.DataFrame(
        {
            "class": "oscillating/wall",
            "event": "malfunction",
            "events": [0, 3],
            "cases": [20, 100],
            "source": "invented",
        }
    )
    found = device_safety(classes=["oscillating/wall"], extra=extra).studies
    np.testing.assert_allclose(found["lower"], [0.0, stats.beta(3, 98).ppf(0.025)], rtol=1e-9)
    np.testing.assert_allclose(found["upper"], [stats.beta(1, 20).ppf(0.975), stats.beta(4, 97).ppf(0.975)], rtol=1e-9)


# ---------------------------------------------------------------------------------------------------------- power


POWER = Check(
    "power of a two-sample t test, 50 an arm, effect half a spread",
    (0.69689,),
    "statsmodels 0.15 TTestIndPower",
    "run",
    2e-5,
    "five decimals are noted",
    absolute=True,
)


def test_closed_form_is_that_of_another_package():
    from statsmodels.stats.power import TTestIndPower

    effect = 0.5
    asked = {"efficiency_g_min": 4.0, "log_sd": 0.4, "difference_g_min": 4.0 * float(np.expm1(effect * 0.4))}
    sizes = [5, 20, 50, 200]
    found = closed_form_power(sizes, **asked)
    expected = [TTestIndPower().power(effect, n, 0.05) for n in sizes]
    np.testing.assert_allclose(found, expected, rtol=1e-9)
    POWER.holds(found[2])


ALL_CHECKS = [
    *HEAD_TO_HEADS.values(),
    ENUCLEATION,
    MORCELLATION,
    *SPEEDS.values(),
    *RATES.values(),
    EFFECTS,
    VARIANCES,
    UNWEIGHTED,
    WEIGHTED,
    IDENTITY,
    COMMON_EFFECT,
    POWER,
]


def test_every_check_says_where_it_comes_from():
    assert {check.name: complete(check) for check in ALL_CHECKS if complete(check)} == {}
    names = [check.name for check in ALL_CHECKS]
    assert len(set(names)) == len(names)
