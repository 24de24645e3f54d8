"""What a plan is asked for, and the numbers that it takes from elsewhere, each with its origin."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from datetime import date
from typing import Any, Literal

import numpy as np

from .. import _core
from ..cases import Cases, read_cases
from ..reading import Source

_FEWEST_TURNOVERS = 30
_MAD_TO_SD = 1.4826  # of a normal law


@dataclass(frozen=True, kw_only=True)
class ListOptions:
    """Settings of :func:`plan_lists`.

    Parameters
    ----------
    overrun_risk
        Most chance of an overrun of each list, in (0, 1); a session may have its own.
    limit
        "risk": at most ``overrun_risk``. "expected_overtime": at most ``expected_overtime_min`` mean minutes over the
        session. "newsvendor": the risk at which one minute more booked costs as much as it saves, idle / (idle +
        overtime) of the costs (the critical fractile of the newsvendor problem).
    overrun
        "session": the list takes longer than its session; "end": it ends after the session's end, late start included.
    grace_min
        Minutes that do not count as an overrun yet.
    overtime_per_min, idle_per_min, open_per_min
        Costs, in any one unit, of a mean minute over the session, of one left at its end, and of one of a session that
        is used at all. Only among plans that place as much do they decide. 2 : 1 : 0 is an assumption.
    turnover_median_min, turnover_cv, turnover_origin
        From wheels out to the next wheels in, log-normal, and where that comes from. 31 min: published, BMC Med Educ
        2018 (8 to 60, n = 546); the coefficient of variation is read off that range. :func:`recorded_turnover` gives
        a unit's own.
    late_start_median_min, late_start_cv
        How late the first case begins; 0 = on time (assumption).
    far_over_risk
        Most chance that a list passes its session's ``max_overtime_min`` (assumption).
    large_ml
        Glands above it count against a session's ``max_large``.
    most_cases
        Most cases on any list.
    stock_risk
        Most chance that a day's canisters or irrigation run short, or that a case has to wait for a device set
        (assumption).
    irrigation_l_min, bag_l
        Litres a minute of operation: published, .37 to .38 of the whole case (n = 45, 50; meeting abstract 2021).
        Bags of 3 L: common practice, no source.
    backup_at
        Chance of a device fault on a list from which a backup set should be in the room (assumption).
    today
        First day that cases can be planned for; by default the first session's.
    round_to_min
        Grid of planned starts.
    draws, verify_draws, seed
        Draws that decide, and fresh ones that every printed list has passed; 0 = not verified.
    gap, time_limit_s, threads
        The search ends when plan and bound are so near, as a share; a time limit makes a plan depend on the machine.
    """

    overrun_risk: float = 0.2
    limit: Literal["risk", "expected_overtime", "newsvendor"] = "risk"
    expected_overtime_min: float = 15.0
    overrun: Literal["session", "end"] = "session"
    grace_min: float = 0.0
    overtime_per_min: float = 2.0
    idle_per_min: float = 1.0
    open_per_min: float = 0.0
    turnover_median_min: float = 31.0
    turnover_cv: float = 0.35
    turnover_origin: str = "default: published, BMC Med Educ 2018, 31 min, 8 to 60, n = 546"
    late_start_median_min: float = 0.0
    late_start_cv: float = 0.5
    far_over_risk: float = 0.05
    large_ml: float = 150.0
    most_cases: int = 10
    stock_risk: float = 0.1
    irrigation_l_min: float = 0.375
    bag_l: float = 3.0
    backup_at: float = 0.05
    today: date | None = None
    round_to_min: float = 5.0
    draws: int = 32_768
    verify_draws: int = 200_000
    seed: int = 1
    gap: float = 0.005
    time_limit_s: float = math.inf
    threads: int = 0

    def __post_init__(self) -> None:
        problems = []
        for name in ("overrun_risk", "far_over_risk", "stock_risk", "backup_at"):
            if not 0 < getattr(self, name) < 1:
                problems.append(f"{name} must lie strictly between 0 and 1, not {getattr(self, name)!r}")
        for name, lowest in (("turnover_cv", 0), ("late_start_cv", 0), ("turnover_median_min", 0)):
            if not (getattr(self, name) >= lowest and math.isfinite(getattr(self, name))):
                problems.append(f"{name} must be a number from {lowest}, not {getattr(self, name)!r}")
        for one in fields(self):
            value = getattr(self, one.name)
            if one.name.endswith("_per_min") or one.name in ("grace_min", "late_start_median_min", "gap"):
                if not (value >= 0 and math.isfinite(value)):
                    problems.append(f"{one.name} must be a number from 0, not {value!r}")
            elif one.name in (
                "large_ml",
                "irrigation_l_min",
                "bag_l",
                "round_to_min",
                "expected_overtime_min",
            ) and not (value > 0 and math.isfinite(value)):
                problems.append(f"{one.name} must be a positive number, not {value!r}")
        if self.limit not in ("risk", "expected_overtime", "newsvendor"):
            problems.append(f"limit must be risk, expected_overtime or newsvendor, not {self.limit!r}")
        if self.overrun not in ("session", "end"):
            problems.append(f"overrun must be session or end, not {self.overrun!r}")
        if self.limit == "newsvendor" and not (self.overtime_per_min > 0 and self.idle_per_min > 0):
            problems.append("limit newsvendor needs overtime_per_min and idle_per_min above 0")
        if not 1 <= self.most_cases <= 12:
            problems.append(f"most_cases must be a whole number from 1 to 12, not {self.most_cases!r}")
        if not 1000 <= self.draws <= 1_000_000:
            problems.append(f"draws must be a whole number from 1,000 to 1,000,000, not {self.draws!r}")
        if self.verify_draws != 0 and not 10_000 <= self.verify_draws <= 2_000_000:
            problems.append(f"verify_draws must be 0 or from 10,000 to 2,000,000, not {self.verify_draws!r}")
        if problems:
            raise _core.InvalidArgument("; ".join(problems))

    @property
    def risk(self) -> float:
        """The chance of an overrun that the limit allows; 1 where it allows any."""
        if self.limit == "newsvendor":
            return self.idle_per_min / (self.idle_per_min + self.overtime_per_min)
        return self.overrun_risk if self.limit == "risk" else 1.0

    def assumptions(self) -> list[str]:
        """Every number that was not fitted, with its origin."""
        said = [
            f"turnover: median {self.turnover_median_min:g} min, coefficient of variation {self.turnover_cv:g} "
            f"({self.turnover_origin})",
            f"late start: median {self.late_start_median_min:g} min (default 0: assumption)",
            "the next patient can be sent for early: a list waits for nobody (assumption)",
            f"irrigation {self.irrigation_l_min:g} L a minute of operation (default: published, .37 to .38, n = 45 and "
            f"50, meeting abstract 2021); bags of {self.bag_l:g} L (default: common practice, no source)",
            f"costs a minute: overtime {self.overtime_per_min:g}, idle {self.idle_per_min:g}, session used "
            f"{self.open_per_min:g} (default 2 : 1 : 0: assumption)",
            f"a backup set from a device-fault chance of {100 * self.backup_at:g} % a list on (default: assumption)",
            "planned starts weigh a patient's waiting, the theatre's idling and overtime 1 : 0.5 : 2 (assumption)",
            "worth of a case: (1 + days waiting / 90) x 2 for priority 1, 1.4 for priority 2, 1 for any other, x 2 if "
            "due before the last session (assumption; say worth=... for your own)",
        ]
        return said


def recorded_turnover(cases: Cases | Source) -> dict[str, Any]:
    """The turnover of a unit's own history as settings of :class:`ListOptions`: median, variation and origin.

    The law is log-normal with the median and the median absolute deviation of the logarithms, so that a few turnovers
    over lunch do not decide. Empty where fewer than 30 were recorded (assumption: fewer tell too little of the spread).

    ``plan_lists(pred, None, sessions, **lt.recorded_turnover(history))`` plans with it.
    """
    frame = (cases if isinstance(cases, Cases) else read_cases(cases)).frame
    minutes = frame["turnover_min"].to_numpy(float) if "turnover_min" in frame else np.empty(0)
    logs = np.log(minutes[np.isfinite(minutes) & (minutes > 0)])
    if len(logs) < _FEWEST_TURNOVERS:
        return {}
    sd = _MAD_TO_SD * float(np.median(np.abs(logs - np.median(logs))))
    return {
        "turnover_median_min": round(float(np.exp(np.median(logs))), 1),
        "turnover_cv": round(math.sqrt(math.expm1(sd**2)), 3),
        "turnover_origin": f"the unit's own {len(logs):,} recorded turnovers",
    }
