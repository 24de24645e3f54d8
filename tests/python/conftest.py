"""The invented demo unit, read and fitted once; Ctrl-C as tests expect it."""

import signal
import warnings

import pytest

import lobetime as lt


@pytest.fixture(scope="session", autouse=True)
def hears_ctrl_c():
    """A test run in the background may have SIGINT ignored, by itself and by its children."""
    if signal.getsignal(signal.SIGINT) in (signal.SIG_IGN, None):
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def cases():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        return lt.read_cases(lt.datasets.load_demo_unit().history)


@pytest.fixture(scope="session")
def model(cases):
    return lt.TheatreTimeModel().fit(cases)
