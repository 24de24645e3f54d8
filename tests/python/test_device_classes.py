"""Device classes that the formulas do not know: a row in a file, wide priors, no line of C++."""

from __future__ import annotations

import json
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import lobetime as lt

CLASSES = pd.DataFrame(
    {
        "blade": ["rotating", "oscillating"],
        "suction": ["vacuum", "jet"],
        "like_blade": ["oscillating", "oscillating"],
        "like_suction": ["vacuum", "peristaltic"],
        "rate_ratio": [1.0, 0.8],
        "rate_low": [0.5, 0.3],
        "rate_high": [2.0, 2.0],
        "source": ["assumption: nobody has measured it", "assumption: slower by its makers' own account"],
    }
)


@pytest.fixture(scope="module")
def history() -> pd.DataFrame:
    """The demo unit, with half of its oscillating/vacuum cases under a blade of another name and much faster."""
    frame = pd.read_csv(lt.datasets.load_demo_unit().history_path)
    mine = (frame["blade"] == "oscillating") & (frame["suction"] == "vacuum") & (np.arange(len(frame)) % 2 == 0)
    frame.loc[mine, "blade"] = "Rotating"
    frame.loc[mine, "morcellation_min"] = (frame.loc[mine, "morcellation_min"] * 0.6).round()
    # Sums and counted swaps would tell the old time.
    frame.loc[mine, ["operative_min", "theatre_min", "canister_swaps"]] = np.nan
    return frame


def quietly(call, *arguments, **settings):  # type: ignore[no-untyped-def]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        warnings.simplefilter("ignore", lt.devices.HeadToHeadWarning)
        return call(*arguments, **settings)


def test_a_word_is_unknown_without_its_row(history: pd.DataFrame) -> None:
    with pytest.raises(lt.InvalidData, match="Rotating"):
        lt.read_cases(history)
    cases = quietly(lt.read_cases, history, device_classes=CLASSES)
    mine = (history["blade"] == "Rotating").to_numpy()
    assert (cases.frame["blade"][mine] == "oscillating").all()
    assert (cases.frame["device"][mine] == "rotating/vacuum").all()
    others = cases.frame["device"][~mine]
    assert not (others == "rotating/vacuum").any()
    with pytest.raises(lt.InvalidData, match="spinning"):
        lt.read_cases(history.replace({"blade": {"Rotating": "spinning"}}), device_classes=CLASSES)


def test_without_a_case_it_is_as_wide_as_its_row_says() -> None:
    model = lt.TheatreTimeModel(prior=lt.PublishedPrior(device_classes=CLASSES))
    booked = pd.DataFrame(
        {
            "case_id": ["A", "B", "A", "B"],
            "gland_ml": [80.0, 150.0, 80.0, 150.0],
            "blade": ["rotating", "rotating", "oscillating", "oscillating"],
            "suction": ["vacuum"] * 4,
            "canister_ml": [np.inf] * 4,
        }
    )
    new, known = (
        model.predict(lt.read_bookings(booked.iloc[rows], device_classes=CLASSES), draws=20_000, conformal=False)
        for rows in ([0, 1], [2, 3])
    )
    # Paired draws, no swaps: all but the fixed minutes are divided by the class's ratio.
    fixed = model.predict(lt.read_bookings(booked.iloc[[2, 3]]), draws=100, conformal=False)
    assert np.array_equal(fixed.draws, known.draws[:, :100])
    ratio = known.draws[:, :, 2] / new.draws[:, :, 2]
    low, middle, high = np.quantile(ratio[1], [0.05, 0.5, 0.95])
    assert middle == pytest.approx(1.0, abs=0.02)
    assert 0.5 <= low < 0.6  # the fixed minutes draw the ratio towards one
    assert 1.65 < high <= 2.05
    # The enucleation knows nothing of it.
    assert np.array_equal(new.draws[:, :, 0], known.draws[:, :, 0])


def test_its_cases_narrow_it_apart_from_other_devices(history: pd.DataFrame, tmp_path: Path) -> None:
    cases = quietly(lt.read_cases, history, device_classes=CLASSES)
    prior = lt.PublishedPrior(device_classes=CLASSES)
    model = lt.TheatreTimeModel(prior=prior, estimator="m").fit(cases)
    row = model.params_.loc["device[rotating/vacuum]"]
    assert row["origin"] == "fitted from cases"
    assert "nobody has measured it" in row["source"]
    # Minutes x 0.6, the fixed ones included: the blade itself is faster by a little more than 1 / 0.6.
    interval = model.conf_int().loc["device[rotating/vacuum]"]
    assert np.log(1.3) < row["estimate"] < np.log(2.2)
    assert interval["lower"] > np.log(1.2)
    assert model.groups_.loc["device", "members"] == 0

    model.save(tmp_path / "model.json")
    again = lt.load_model(tmp_path / "model.json")
    booked = pd.DataFrame(
        {"case_id": ["A", "B"], "gland_ml": [80.0, 90.0], "blade": ["rotating", "oscillating"], "suction": "vacuum"}
    )
    booked.loc[1, "suction"] = "jet"  # a class of the file without a case keeps its own range
    bookings = lt.read_bookings(booked, device_classes=CLASSES)
    one, other = (m.predict(bookings, draws=2000).draws for m in (model, again))
    assert np.array_equal(one, other)
    spread = np.log(one[1, :, 2]).std()
    plain = lt.read_bookings(booked.assign(blade="oscillating", suction=["vacuum", "peristaltic"]))
    assert spread > 1.2 * np.log(model.predict(plain, draws=2000).draws[1, :, 2]).std()


def test_every_problem_of_the_file_at_once() -> None:
    wrong = pd.DataFrame(
        {
            "blade": ["oscillating", "rotating", "rotating", "turning", "a/b"],
            "suction": ["vacuum", "vacuum", "vacuum", "vacuum", "vacuum"],
            "like_blade": ["oscillating", "oscillating", "oscillating", "circular", "oscillating"],
            "like_suction": ["vacuum"] * 5,
            "rate_ratio": ["1", "1", "1", "x", "3"],
            "rate_low": ["0.5", "0.9", "0.5", "0.5", "0.5"],
            "rate_high": ["2", "1.1", "2", "2", "2"],
            "source": ["s", "s", "s", "", "s"],
        }
    )
    with pytest.raises(lt.InvalidData) as refused:
        lt.read_device_classes(wrong)
    told = set(zip(refused.value.problems["row"], refused.value.problems["column"], strict=True))
    assert told == {
        *((2, "blade"), (3, "rate_high"), (5, "like_blade"), (5, "rate_ratio"), (5, "source")),
        (6, "blade"),
    }
    with pytest.raises(lt.InvalidData, match="a column source"):
        lt.read_device_classes(CLASSES.drop(columns="source"))
    with pytest.raises(lt.InvalidData, match="one row for rotating/vacuum"):
        lt.read_device_classes(pd.concat([CLASSES, CLASSES.head(1)]))


def test_priors_with_and_without_classes_differ() -> None:
    with_classes = lt.PublishedPrior(device_classes=CLASSES)
    assert with_classes == lt.PublishedPrior(device_classes=lt.read_device_classes(CLASSES))
    assert with_classes != lt.PublishedPrior()
    assert with_classes != lt.PublishedPrior(device_classes=CLASSES.head(1))
    assert "rotating/vacuum like oscillating/vacuum" in repr(with_classes)
    row = with_classes.table.loc["device[rotating/vacuum]"]
    assert (row["low"], row["centre"], row["high"]) == pytest.approx((np.log(0.5), 0.0, np.log(2.0)))
    assert row["source"] == CLASSES["source"][0]


def test_a_file_is_checked_with_its_classes(history: pd.DataFrame) -> None:
    assert "problem" in set(lt.check_file(history)["severity"])
    assert "problem" not in set(lt.check_file(history, device_classes=CLASSES)["severity"])


def test_it_is_compared_with_the_others_and_never_first_unseen() -> None:
    classes = lt.read_device_classes(CLASSES)
    unit = lt.datasets.load_demo_unit()
    model = lt.TheatreTimeModel(prior=lt.PublishedPrior(device_classes=classes), estimator="m")
    cases = quietly(lt.read_cases, unit.history)
    quietly(model.fit, cases)
    told = lt.compare_devices(model, cases, collections=[3000], draws=500)
    own = told.options.loc["rotating/vacuum, 3000 mL"]
    like = told.options.loc["oscillating/vacuum, 3000 mL"]
    assert own["evidence"] == "no studies"
    assert own["cases"] == own["cases_so_collected"] == 0
    assert "own file" in own["origin"]
    assert not own["first_with_confidence"]
    for name in ("morcellation_min", "g_min_ratio_of_means"):
        assert own[f"{name}_high"] - own[f"{name}_low"] > 2 * (like[f"{name}_high"] - like[f"{name}_low"])
    assert own["g_min_ratio_of_means"] == pytest.approx(like["g_min_ratio_of_means"], rel=0.02)  # its ratio is 1
    other = told.options.loc["oscillating/jet, 3000 mL"]
    assert other["g_min_ratio_of_means"] < told.options.loc["oscillating/peristaltic, 3000 mL"]["g_min_ratio_of_means"]
    rows = lt.devices.forest_of_efficiencies(told).rows.set_index("group")
    new, known = (rows.loc[f"{name}, 3000 mL"] for name in ("rotating/vacuum", "oscillating/peristaltic"))
    assert new["kind"] == "assumed"  # one row: no case
    assert new["upper"] / new["lower"] > (known["upper"] / known["lower"]).max()
    # By hand, and refused where the model does not know it.
    assert len(lt.compare_devices(model, cases, [*classes], [3000], draws=200).options) == 2
    with pytest.raises(lt.InvalidArgument, match="rotating/vacuum is not known to the model"):
        lt.compare_devices(lt.TheatreTimeModel(), cases, [*classes], [3000], draws=200)


def test_its_cases_count_as_its_own(history: pd.DataFrame) -> None:
    cases = quietly(lt.read_cases, history, device_classes=CLASSES)
    model = lt.TheatreTimeModel(prior=lt.PublishedPrior(device_classes=CLASSES), estimator="m").fit(cases)
    told = lt.compare_devices(model, cases, collections=[3000], draws=500)
    own = told.options.loc["rotating/vacuum, 3000 mL"]
    assert own["evidence"] == "own cases"
    assert own["cases"] == (history["blade"] == "Rotating").sum()
    assert own["difference_min_high"] < 0 or told.reference == "rotating/vacuum, 3000 mL"


def test_its_cases_are_nobody_elses_head_to_head(history: pd.DataFrame) -> None:
    """Minutes x 0.6, at random: a ratio of 0.6, and the class that it resembles is compared without its cases."""
    cases = quietly(lt.read_cases, history, device_classes=CLASSES)
    ours = quietly(lt.head_to_head, cases, "oscillating/vacuum", "rotating/vacuum").ratios.loc["adjusted"]
    assert ours["minutes_lower"] < 0.6 < ours["minutes_upper"] < 1
    words = history["blade"] + "/" + history["suction"]
    known = history[words != "Rotating/vacuum"].reset_index(drop=True)
    # Not for experience: a case number that is not recorded is counted, and the two files count otherwise.
    asked = {"adjust": ["gland", "tissue", "surgeon", "collection"]}
    both, alone = (
        quietly(lt.head_to_head, frame, "reciprocating/vacuum", "oscillating/vacuum", **asked).ratios.loc["adjusted"]
        for frame in (cases, quietly(lt.read_cases, known))
    )
    assert both["cases_b"] == alone["cases_b"] < (words == "oscillating/vacuum").sum() + 1
    assert both["minutes_ratio"] == pytest.approx(alone["minutes_ratio"], rel=1e-9)


def test_its_faults_are_counted_as_its_own(history: pd.DataFrame) -> None:
    cases = quietly(lt.read_cases, history, device_classes=CLASSES)
    table = lt.device_safety(cases).table.set_index(["event", "class"]).loc["malfunction"]
    known = history[history["device_fault"].notna()]
    for name, words in (("rotating/vacuum", "Rotating"), ("oscillating/vacuum", "oscillating")):
        mine = known[(known["blade"] == words) & (known["suction"] == "vacuum")]
        assert table.loc[name, "own_cases"] == len(mine)
        assert table.loc[name, "own_events"] == mine["device_fault"].sum()
    assert table.loc["rotating/vacuum", "origin"] == "own cases"


def test_a_trial_of_it_is_sized_by_its_own_level(history: pd.DataFrame) -> None:
    cases = quietly(lt.read_cases, history, device_classes=CLASSES)
    model = lt.TheatreTimeModel(prior=lt.PublishedPrior(device_classes=CLASSES), estimator="m").fit(cases)
    asked = {"difference_g_min": 1.0, "cases": cases, "canister_ml": 3000, "simulations": 400}
    own, like = (lt.trial_size(model, device_class=name, **asked) for name in ("rotating/vacuum", "oscillating/vacuum"))
    assert own.efficiency_g_min > 1.3 * like.efficiency_g_min
    assert own.cases_per_arm > like.cases_per_arm  # the same g/min are a smaller share of more
    assert "rotating/vacuum" in own.origin


@pytest.mark.slow
def test_on_the_command_line(history: pd.DataFrame, tmp_path: Path) -> None:
    history.to_csv(tmp_path / "history.csv", index=False)
    CLASSES.to_csv(tmp_path / "classes.csv", index=False)

    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        places = [str(tmp_path / one) if one.endswith((".csv", ".json")) else one for one in arguments]
        call = [sys.executable, "-m", "lobetime", *places]
        return subprocess.run(call, capture_output=True, text=True, check=False)

    assert "Rotating" in run("fit", "history.csv", "--out", "model.json").stderr
    done = run("fit", "history.csv", "--out", "model.json", "--device-classes", "classes.csv")
    assert done.returncode == 0, done.stderr
    done = run("devices", "history.csv", "--device-classes", "classes.csv", "--canister", "3000", "--draws", "200")
    assert done.returncode == 0, done.stderr
    assert "rotating/vacuum" in done.stdout
    (tmp_path / "counts.csv").write_text("class,event,events,cases\nRotating/Vacuum,wall_injury,1,40\n")
    prices = [f"{name},20000,7,1500,180,1,20,8\n" for name in ("oscillating/vacuum", "rotating/vacuum")]
    head = "class,capital,life_years,service_per_year,disposable_price,disposable_uses,other_per_case,canister_price\n"
    (tmp_path / "prices.csv").write_text(head + "".join(prices))
    # A model file does not hold what the file of classes says of them.
    done = run(
        *("devices", "history.csv", "--model", "model.json", "--device-classes", "classes.csv", "--canister", "3000"),
        *("--class", "rotating/vacuum", "--class", "oscillating/vacuum", "--draws", "200", "--injuries", "counts.csv"),
        *("--costs", "prices.csv", "--minute-cost", "20", "--currency", "EUR", "--json"),
        *("--weights", "efficiency=1,cost=1,service=1", "--service", "rotating/vacuum=9"),
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert [row["device_class"] for row in told["options"]] == ["rotating/vacuum", "oscillating/vacuum"]
    assert {"rotating/vacuum, 3000 mL"} <= {row["option"] for row in told["cost"]["table"]}
    injuries = [row for row in told["safety"]["table"] if row["event"] == "wall_injury"]
    assert next(row["own_cases"] for row in injuries if row["class"] == "rotating/vacuum") == 40
    done = run("devices", "history.csv", "--class", "rotating/vacuum")
    assert (done.returncode, "blade must be" in " ".join(done.stderr.split())) == (2, True)
    (tmp_path / "bookings.csv").write_text("case_id,gland_ml,blade,suction\nA,80,rotating,vacuum\n")
    done = run("slots", "bookings.csv", "--model", "model.json", "--device-classes", "classes.csv", "--json")
    assert done.returncode == 0, done.stderr
