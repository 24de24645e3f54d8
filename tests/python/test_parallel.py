"""Many fits side by side give, to the bit, what one after the other gives: on processors and on a Dask cluster."""

import contextlib
import os
import warnings
from collections.abc import Iterator
from typing import Any

import joblib
import numpy as np
import pandas as pd
import pytest

import lobetime as lt
from lobetime.parallel import parts_of, run
from lobetime.validation import study

pytestmark = [
    pytest.mark.filterwarnings("ignore::lobetime.DataWarning"),
    # Of Dask's own workings: clean-up at the end of a local cluster, and large arguments.
    pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore:Sending large graph:UserWarning"),
]

frames_equal = pd.testing.assert_frame_equal


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """Two worker processes on this machine."""
    with warnings.catch_warnings(), contextlib.ExitStack() as stack:
        warnings.simplefilter("ignore")
        client = stack.enter_context(lt.on_cluster(workers=2))
        yield client


@pytest.fixture(scope="module")
def small(cases):
    return cases.frame.sort_values("operated_on").head(80).reset_index(drop=True)


@pytest.fixture(scope="module")
def quick(small):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        return lt.TheatreTimeModel(estimator="m").fit(small)


# A cluster that was entered rules the whole process, so what is serial says so.
SERIAL = {"n_jobs": 1}
WAYS = pytest.mark.parametrize("way", ["processes", "dask"])


@contextlib.contextmanager
def spread(way: str, cluster: Any) -> Iterator[dict[str, Any]]:
    if way == "dask":
        yield {"n_jobs": None}
    else:
        with joblib.parallel_config(backend="loky"):
            yield {"n_jobs": 2}


def test_the_cluster_is_two_other_processes(cluster):
    assert joblib.effective_n_jobs(None) == 2
    pids = set(run(os.getpid, [()] * 40, None))
    assert os.getpid() not in pids and len(pids) == 2
    assert set(cluster.run(os.getpid).values()) == pids
    assert all(address.startswith("tcp://127.0.0.1:") for address in cluster.scheduler_info()["workers"])


@WAYS
def test_bootstrap(quick, way, cluster):
    settings = {"method": "bootstrap", "replicates": 41, "seed": 3, "level": 0.9}
    expected = quick.conf_int(**settings, **SERIAL)
    assert np.isfinite(expected[["lower", "upper"]].to_numpy()).any()
    with spread(way, cluster) as jobs:
        frames_equal(quick.conf_int(**settings, **jobs), expected, check_exact=True)
    assert not quick.conf_int(**{**settings, "seed": 4}, **SERIAL).equals(expected)


def test_bootstrap_of_clusters_and_of_more_parts_than_two(quick):
    settings = {"method": "bootstrap", "replicates": 40, "cluster": "surgeon", "kind": "percentile", "level": 0.9}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.IntervalWarning)
        expected = quick.conf_int(**settings, **SERIAL)
        with joblib.parallel_config(backend="threading"):
            for jobs in (3, 7):
                frames_equal(quick.conf_int(**settings, n_jobs=jobs), expected, check_exact=True)


def test_a_worker_with_another_fit_is_found_out(quick, small, monkeypatch):
    from lobetime import model

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        fewer = lt.read_cases(small.head(60))
    with pytest.raises(lt.NotConverged, match="another fit of the same cases"):
        model._replicates_part(lt.TheatreTimeModel(estimator="m"), fewer, quick.fit_.theta, False, 1, 0, 2)


@WAYS
def test_bootstrap_of_a_regression(way, cluster):
    x = np.linspace(1.0, 10.0, 30)
    y = 2.0 * x / (3.0 + x) + 0.05 * np.sin(7 * x)
    curve = lt.RobustRegression(lambda x, b: b[0] * x / (b[1] + x)).fit(x, y, {"Vm": 1.0, "K": 1.0}, lower=0)
    settings = {"method": "bootstrap", "replicates": 61, "functions": {"half": lambda p: p["Vm"] / 2}}
    expected = curve.conf_int(**settings, **SERIAL)
    with spread(way, cluster) as jobs:
        frames_equal(curve.conf_int(**settings, **jobs), expected, check_exact=True)


@WAYS
def test_calibration_by_rolling_refits(quick, small, way, cluster):
    settings = {"folds": 3, "draws": 256}
    expected = lt.TheatreTimeModel(estimator="m").calibration(small, **settings, **SERIAL)
    with spread(way, cluster) as jobs:
        found = lt.TheatreTimeModel(estimator="m").calibration(small, **settings, **jobs)
    frames_equal(found.cases, expected.cases, check_exact=True)
    frames_equal(found.scores, expected.scores, check_exact=True)
    assert found.cases["fitted_to"].nunique() == 3


def test_forms(small, cluster):
    forms = {
        name: lt.TheatreTimeModel(estimator="m", fixed=fixed)
        for name, fixed in {"learns": None, "does not": {"e_learn": 0.0}}.items()
    }
    told: list[tuple[int, int]] = []
    settings = {"folds": 2, "repeats": 1, "draws": 200}
    expected = lt.compare_forms(forms, small, **settings, **SERIAL)
    found = lt.compare_forms(forms, small, **settings, progress=lambda done, total: told.append((done, total)))
    frames_equal(found.parts, expected.parts, check_exact=True)
    frames_equal(found.criterion, expected.criterion, check_exact=True)
    assert told == [(k, 8) for k in range(1, 9)]


def test_invented_units(cluster):
    expected = list(study(2, [0, 15], baselines=False, **SERIAL))
    found = list(study(2, [0, 15], baselines=False))
    assert [len(one.rows) for one in found] == [4, 8]
    for one, other in zip(found, expected, strict=True):
        frames_equal(one.rows, other.rows, check_exact=True)


# --------------------------------------------------------------------------------------------------- many units


@pytest.fixture(scope="module")
def units(cases) -> dict[str, pd.DataFrame]:
    return {f"unit {k}": cases.frame.iloc[k::3].reset_index(drop=True) for k in range(3)}


@WAYS
def test_many_units(units, way, cluster):
    form = lt.TheatreTimeModel(estimator="m")
    told: list[tuple[int, int]] = []
    expected = lt.fit_units(units, form, **SERIAL, progress=lambda done, total: told.append((done, total)))
    assert told == [(1, 3), (2, 3), (3, 3)]
    assert list(expected) == list(units) and expected.refused == {}
    assert expected.cases.to_dict() == {name: len(frame) for name, frame in units.items()}
    alone = lt.TheatreTimeModel(estimator="m").fit(units["unit 1"])
    frames_equal(expected["unit 1"].params_, alone.params_, check_exact=True)
    with spread(way, cluster) as jobs:
        found = lt.fit_units(units, form, **jobs)
    frames_equal(found.params, expected.params, check_exact=True)
    assert found["unit 0"].get_params() == form.get_params() and not hasattr(form, "params_")
    bookings = lt.datasets.load_demo_unit().bookings
    np.testing.assert_array_equal(
        found["unit 2"].predict(bookings, draws=100).draws, expected["unit 2"].predict(bookings, draws=100).draws
    )


def test_many_units_in_one_table(units):
    table = pd.concat([frame.assign(hospital=name) for name, frame in units.items()])
    expected = lt.fit_units(units, lt.TheatreTimeModel(estimator="m"), **SERIAL)
    found = lt.fit_units(table, lt.TheatreTimeModel(estimator="m"), by="hospital", **SERIAL)
    frames_equal(found.params, expected.params, check_exact=True)
    assert found.params.index.names == ["unit", "name"]
    with pytest.raises(lt.InvalidArgument, match="by must name a column of the table, not 'town'"):
        lt.fit_units(table, by="town")
    with pytest.raises(lt.InvalidArgument, match="row 3, column hospital: blank"):
        lt.fit_units(
            table.reset_index(drop=True).assign(hospital=["a", None] + ["b"] * (len(table) - 2)), by="hospital"
        )
    with pytest.raises(lt.InvalidArgument, match="units given by name need none"):
        lt.fit_units(units, by="hospital")
    with pytest.raises(lt.InvalidArgument, match="there is no unit"):
        lt.fit_units({})


def test_units_that_are_refused_are_all_told_before_anything_is_fitted(units):
    wrong = {
        "good": units["unit 0"],
        "no gland": units["unit 1"].drop(columns="gland_ml"),
        "a word": units["unit 2"].assign(gland_ml="large"),
    }
    with pytest.raises(ExceptionGroup, match="the cases of 2 units were refused") as told:
        lt.fit_units(wrong, progress=lambda *_: pytest.fail("a unit was fitted"))
    first, second = told.value.exceptions
    assert isinstance(first, lt.InvalidData) and str(first).startswith("unit no gland: ")
    assert isinstance(second, lt.InvalidData) and len(second.problems) == len(units["unit 2"])


@WAYS
def test_a_unit_that_cannot_be_fitted_keeps_no_other_from_it(units, way, cluster):
    few = units["unit 0"].head(3)
    form = lt.TheatreTimeModel(estimator="m", prior=None, fixed=None)
    with spread(way, cluster) as jobs, pytest.warns(lt.UnitWarning, match="units without a fit: few"):
        found = lt.fit_units({"few": few}, form, **jobs)
    assert len(found) == 0 and isinstance(found.refused["few"], lt.NotIdentifiable)
    assert repr(found) == "<UnitFits: 0 fitted, 1 refused>"


# -------------------------------------------------------------------------------------------------------- parts


@pytest.mark.parametrize(("n", "parts"), [(1, 1), (10, 3), (3, 10), (1000, 7)])
def test_parts_are_all_of_it_in_order(n, parts):
    found = parts_of(n, parts)
    assert len(found) == min(n, parts)
    assert [k for first, count in found for k in range(first, first + count)] == list(range(n))
    counts = [count for _, count in found]
    assert max(counts) - min(counts) <= 1
