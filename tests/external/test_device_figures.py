"""Device classes against what is published of them and what the trade knows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import lobetime as lt
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
