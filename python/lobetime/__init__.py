"""Theatre time for transurethral enucleation of the prostate, with its uncertainty.

>>> import lobetime as lt
>>> unit = lt.datasets.load_demo_unit()  # an invented unit
>>> model = lt.TheatreTimeModel().fit(unit.history)
>>> pred = model.predict(unit.bookings)
>>> plan = lt.slots(pred, overrun_risk=0.2, round_to=5)  # one row a booking

For planning theatre time only; not clinical advice: see ``lt.CAUTION``.
"""

from . import datasets, devices, lists, plots, quantities
from ._core import (
    Error,
    InvalidArgument,
    InvalidModelFile,
    NotConverged,
    NotFinite,
    NotIdentifiable,
    __version__,
)
from .calibration import Calibration
from .cases import (
    KNOWN_AT_BOOKING,
    Bookings,
    Cases,
    DataWarning,
    InvalidData,
    check_file,
    read_bookings,
    read_cases,
)
from .caution import CAUTION
from .censored import CensoredRegression
from .comparison import FormComparison, compare_forms
from .device_classes import DeviceClasses, read_device_classes
from .devices import Comparison, compare_devices, decision_table, device_cost, device_safety, head_to_head, trial_size
from .diagnostics import Diagnostics, diagnose_regression
from .evidence import (
    PooledRates,
    PooledStudies,
    PublishedPrior,
    evidence_table,
    pool_rates,
    pool_studies,
    published_prior,
)
from .lists import (
    ListOptions,
    Plan,
    Sessions,
    Stock,
    plan_lists,
    read_sessions,
    read_stock,
    recorded_turnover,
    simulate_policies,
)
from .mixed import MixedRegression
from .model import DriftWarning, IntervalWarning, TheatreTimeModel, load_model
from .monitor import Monitoring, MonitorWarning, monitor
from .parallel import on_cluster
from .plots import new_figure
from .prediction import Prediction
from .regression import RegressionWarning, RobustRegression
from .slots import SlotTable, slots
from .summary import Summary
from .units import UnitFits, UnitWarning, fit_units

__all__ = [
    "CAUTION",
    "KNOWN_AT_BOOKING",
    "Bookings",
    "Calibration",
    "Cases",
    "CensoredRegression",
    "Comparison",
    "DataWarning",
    "DeviceClasses",
    "Diagnostics",
    "DriftWarning",
    "Error",
    "FormComparison",
    "IntervalWarning",
    "InvalidArgument",
    "InvalidData",
    "InvalidModelFile",
    "ListOptions",
    "MixedRegression",
    "MonitorWarning",
    "Monitoring",
    "NotConverged",
    "NotFinite",
    "NotIdentifiable",
    "Plan",
    "PooledRates",
    "PooledStudies",
    "Prediction",
    "PublishedPrior",
    "RegressionWarning",
    "RobustRegression",
    "Sessions",
    "SlotTable",
    "Stock",
    "Summary",
    "TheatreTimeModel",
    "UnitFits",
    "UnitWarning",
    "__version__",
    "check_file",
    "compare_devices",
    "compare_forms",
    "datasets",
    "decision_table",
    "device_cost",
    "device_safety",
    "devices",
    "diagnose_regression",
    "evidence_table",
    "fit_units",
    "head_to_head",
    "lists",
    "load_model",
    "monitor",
    "new_figure",
    "on_cluster",
    "plan_lists",
    "plots",
    "pool_rates",
    "pool_studies",
    "published_prior",
    "quantities",
    "read_bookings",
    "read_cases",
    "read_device_classes",
    "read_sessions",
    "read_stock",
    "recorded_turnover",
    "simulate_policies",
    "slots",
    "trial_size",
]
