"""Waiting lists and sessions whose times have a known law: what list planning is measured on. All of it is invented."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .. import _core
from ..lists.problem import Group, ListProblem

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True)
class WaitingList:
    """Cases with independent log-normal times, and sessions whose surgeons work at different speeds.

    A case takes its log-normal time (``median_min``, ``cv``) x the speed of the session's surgeon.
    """

    median_min: Doubles
    cv: Doubles
    gland_ml: Doubles
    session_min: Doubles
    session_day: npt.NDArray[np.int64]
    session_surgeon: npt.NDArray[np.int64]
    speed: Doubles
    turnover_min: float = 15.0
    large_ml: float = 150.0
    most_large_short: int = 1

    def draw(self, draws: int, seed: int) -> npt.NDArray[np.float32]:
        """Minutes at speed 1, cases x draws."""
        rng = np.random.default_rng([seed, 20])
        sigma = np.sqrt(np.log1p(self.cv**2))
        z = rng.standard_normal((len(self.cv), draws), dtype=np.float32)
        minutes: npt.NDArray[np.float32] = np.exp(np.log(self.median_min)[:, None] + sigma[:, None] * z).astype(
            np.float32
        )
        return minutes


def simulate_waiting_list(n_cases: int = 60, n_days: int = 10, seed: int = 1, surgeons: int = 4) -> WaitingList:
    """Medians 45 to 180 min growing with the gland, CV 0.25 to 0.5; each day two sessions of 4 h and one of 8 h.

    Surgeons' speeds lie evenly between 0.85 and 1.3; each session has one at random. In a session of 4 h at most one
    gland may be over 150 mL.
    """
    rng = np.random.default_rng([seed, n_cases, n_days])
    median = rng.uniform(45.0, 180.0, n_cases)
    gland = np.clip(80.0 * (median / 100.0) ** 1.3 * np.exp(0.25 * rng.standard_normal(n_cases)), 30.0, 350.0)
    return WaitingList(
        median_min=median,
        cv=rng.uniform(0.25, 0.5, n_cases),
        gland_ml=gland,
        session_min=np.tile([240.0, 240.0, 480.0], n_days),
        session_day=np.repeat(np.arange(n_days), 3),
        session_surgeon=rng.integers(0, surgeons, 3 * n_days),
        speed=np.linspace(0.85, 1.3, surgeons),
    )


def waiting_list_problem(waiting: WaitingList, *, draws: int, seed: int, overrun_risk: float) -> ListProblem:
    """The choice that places all cases on the fewest minutes of sessions, each list at that risk on so many draws.

    Sessions of one surgeon and one length are alike, so they make a group.
    """
    n = len(waiting.cv)
    base = waiting.draw(draws, seed)
    between = np.full((8, draws), waiting.turnover_min, np.float32)
    between[0] = 0
    everyone, groups = tuple(range(n)), []
    for surgeon, speed in enumerate(waiting.speed):
        times = _core.ListTimes(base * np.float32(speed), between, 4096)
        for minutes in np.unique(waiting.session_min):
            alike = np.flatnonzero((waiting.session_surgeon == surgeon) & (waiting.session_min == minutes))
            if len(alike):
                most_large = waiting.most_large_short if minutes <= 240 else n
                rule = _core.ListRule(minutes=float(minutes), overrun_risk=overrun_risk, most_large=most_large)
                sessions = tuple(int(at) for at in alike)
                groups.append(Group(times, rule, everyone, everyone, sessions, np.ones(n), np.empty((n, 0))))
    return ListProblem(n, tuple(groups), _core.ListCost(open_per_min=1.0), waiting.gland_ml > waiting.large_ml)
