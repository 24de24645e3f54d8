"""Units whose truth comes from the published prior, for studies of intervals and estimators."""

from __future__ import annotations

import numpy as np

from .. import _core
from ._simulate import UnitTruth, draw_surgeons


def draw_truth(seed: int, *, n_surgeons: int = 5) -> UnitTruth:
    """A unit of the prior's making: its parameters drawn jointly from the published prior, surgeons from their spread.

    Intervals of a model with that prior should hold such a truth at their nominal rate. Values are kept inside the
    parameters' bounds. The same seed gives the same unit.
    """
    random = np.random.default_rng([seed, 71])
    facts = {row["name"]: row for row in _core.core_parameters()}
    prior = _core.published_prior()
    values = {}
    away = np.linalg.cholesky(prior.correlation) @ random.standard_normal(len(prior.parameters))
    for one, sds in zip(prior.parameters, away, strict=True):
        working = one.working_mean + one.working_sd * sds
        natural = np.exp(working) if facts[one.name]["scale"] == "log" else working
        values[one.name] = float(np.clip(natural, facts[one.name]["lower"], facts[one.name]["upper"]))
    surgeons = draw_surgeons(
        n_surgeons,
        seed=seed,
        u_log_sd=prior.surgeon_enucleation_log_sd,
        v_log_sd=prior.surgeon_morcellation_log_sd,
        learning_log_sd=prior.surgeon_learning_log_sd,
    )
    return UnitTruth(**values, surgeons=surgeons, devices={})
