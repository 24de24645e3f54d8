"""The invented demo unit, read and fitted once."""

import warnings

import pytest

import lobetime as lt


@pytest.fixture(scope="session")
def cases():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        return lt.read_cases(lt.datasets.load_demo_unit().history)


@pytest.fixture(scope="session")
def model(cases):
    return lt.TheatreTimeModel().fit(cases)
