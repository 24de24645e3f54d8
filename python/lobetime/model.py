"""The time model as an estimator."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Self, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from . import _core
from .cases import Bookings, Cases, read_bookings, read_cases
from .caution import CAUTION
from .diagnostics import Diagnostics, diagnose_time_model
from .prediction import Prediction
from .regression import Function

Source: TypeAlias = "str | os.PathLike[str] | pd.DataFrame"
_PRIORS = ("published", None)


class TheatreTimeModel(BaseEstimator):  # type: ignore[misc]
    """Enucleation, morcellation and room time of a unit, fitted by robust nonlinear least squares.

    Parameters
    ----------
    loss : {"bisquare", "huber", "soft_l1", "cauchy", "squares"}
        What a case far off the curve may pull. "squares" is ordinary least squares.
    tuning : float, optional
        The loss's constant; by default the one with 95 % efficiency under normal errors.
    prior : {"published", None}
        "published" starts from published evidence and fades as cases come in. None leaves the unit's parameters to
        the cases alone and raises :class:`NotIdentifiable` for those they cannot tell.
    scale_method : {"reweighted", "m_scale", "mad", "proposal2", "sd"}, optional
        Robust spread of each phase; by default "reweighted", and "sd" with squares.
    fixed : mapping, optional
        Parameters held at a value (natural scale): ``{"e_learn": 0.0}`` is the form without a learning curve in
        enucleation. They have no prior and no interval.
    estimator : {"m", "mm"}
        "m": loss and spreads settle together, from a Huber fit. "mm": ``starts`` searches (named by ``seed``) for the
        least M-scales first, which stands up to half of the cases being wrong; the loss follows with the spreads held.
    threads : int
        0 = as many as the machine has. Results do not depend on it.

    Attributes
    ----------
    params_ : pandas.DataFrame
        One row a parameter: estimate (natural scale), unit, origin ("fitted from cases", "published", "common
        practice", "assumption"), share_from_cases, source, meaning. A number counts as fitted from cases when they
        explain at least half of its prior variance away.
    scale_ : pandas.DataFrame
        One row a channel: spread (log SD of one case; of the sums operative and theatre a ratio), log_se, observations.
    surgeons_ : pandas.DataFrame
        cases, last_case_no and, as ratios to the unit's average surgeon, enucleation and morcellation.
    weights_ : pandas.DataFrame
        What the fit saw, one row an observation: case_index, channel, kind, standardised residual, weight. Not saved.
    search_ : pandas.DataFrame
        Of "mm": distinct minima that the search met, the taken one first: scale (geometric mean over observations),
        count (searches that ended there), first_start (0 the prior's centre, 1 the Huber fit). Not saved.
    n_cases_ : int
    on_bound_ : list of str
        Parameters that ended on a bound: their estimate and interval say less than they seem to. Not saved.

    Notes
    -----
    Unfitted, the model predicts from the published prior alone.
    """

    def __init__(
        self,
        loss: str = "bisquare",
        prior: str | None = "published",
        *,
        tuning: float | None = None,
        scale_method: str | None = None,
        fixed: Mapping[str, float] | None = None,
        estimator: str = "m",
        starts: int = 20,
        seed: int = 1,
        threads: int = 0,
    ) -> None:
        self.loss = loss
        self.prior = prior
        self.tuning = tuning
        self.scale_method = scale_method
        self.fixed = fixed
        self.estimator = estimator
        self.starts = starts
        self.seed = seed
        self.threads = threads

    def fit(
        self, cases: Cases | Source, y: None = None, *, progress: Callable[[int, float], None] | None = None
    ) -> Self:
        """Fit past cases (what :func:`read_cases` returns, or anything it reads).

        ``progress(round, change)`` is called after each alternation of parameters and spreads; the fit ends when
        ``change`` falls below 1e-9. Raises InvalidData, InvalidArgument, NotIdentifiable, NotConverged.
        """
        if self.prior not in _PRIORS:
            raise _core.InvalidArgument(f"prior must be 'published' or None, not {self.prior!r}")
        if self.tuning is not None and not self.tuning > 0:
            raise _core.InvalidArgument(f"tuning must be positive, or None for the loss's default, not {self.tuning!r}")
        tuning = 0.0 if self.tuning is None else self.tuning
        cases = cases if isinstance(cases, Cases) else read_cases(cases)
        prior, use_prior = _core.published_prior(), self.prior is not None
        fit = self._fit_core(cases, progress=progress)
        self.fit_ = fit
        self.on_bound_ = fit.on_bound
        self._take(_core.model_from_fit(fit, cases.table, prior, loss=self.loss, tuning=tuning, use_prior=use_prior))
        observations = pd.DataFrame(fit.observations())
        self.weights_ = observations[["case_index", "channel", "kind", "standardised", "weight"]]
        return self

    def _fit_core(
        self,
        cases: Cases,
        *,
        progress: Callable[[int, float], None] | None = None,
        held_spreads: Sequence[float] | None = None,
    ) -> _core.TheatreTimeFit:
        """The fit with this estimator's settings; ``held_spreads``, one a channel, are not estimated."""
        default_scale = "sd" if self.loss == "squares" else "reweighted"
        return _core.fit_theatre_time(
            cases.table,
            _core.published_prior(),
            loss=self.loss,
            tuning=0.0 if self.tuning is None else self.tuning,
            scale_method=self.scale_method or default_scale,
            use_prior=self.prior is not None,
            threads=self.threads,
            progress=progress,
            held_spreads=held_spreads,
        )

    def _take(self, fitted: _core.FittedModel) -> None:
        self.fitted_ = fitted
        self.params_ = pd.DataFrame(fitted.parameter_rows()).set_index("name")
        self.scale_ = pd.DataFrame(fitted.spreads).set_index("name")
        self.n_cases_ = fitted.n_cases
        estimate = self.params_["estimate"]
        surgeons = pd.DataFrame(fitted.surgeons, columns=["code", "cases", "last_case_no"])
        for phase in ("enucleation", "morcellation"):
            surgeons[phase] = [float(np.exp(estimate[f"surgeon_{phase}[{code}]"])) for code in surgeons["code"]]
        self.surgeons_ = surgeons.set_index("code")

    def _fitted_or_prior(self) -> _core.FittedModel:
        if hasattr(self, "fitted_"):
            return self.fitted_
        if self.prior != "published":
            raise _core.InvalidArgument("without a prior the model must be fitted before it predicts")
        return _core.model_from_prior(_core.published_prior())

    def predict(self, bookings: Bookings | Source, *, draws: int = 4096, seed: int = 1) -> Prediction:
        """Joint draws of booked cases: minutes, cases x draws x phases.

        The same seed gives a case (named by its case_id) the same draws in any order and at any thread count. Unfitted,
        the published prior alone predicts, and the flags say so.
        """
        bookings = bookings if isinstance(bookings, Bookings) else read_bookings(bookings)
        fitted = self._fitted_or_prior()
        core = _core.predict(fitted, bookings.table, draws=draws, seed=seed, threads=self.threads)
        return Prediction(core, bookings, fitted)

    def conf_int(self, method: Literal["sandwich"] = "sandwich", *, level: float = 0.95) -> pd.DataFrame:
        """Intervals of every parameter, natural scale: estimate, lower, upper.

        "sandwich" is robust against a wrong loss, unequal spread and phases of a case being correlated; it is
        symmetric on the working scale and kept inside the parameter's bounds. Where a number still rests on its
        prior (``params_.origin``), the interval is the prior's.
        """
        check_is_fitted(self, "fitted_")
        if method != "sandwich":
            raise _core.InvalidArgument(f"conf_int: method must be 'sandwich', not {method!r}")
        rows = self.fitted_.intervals(level)
        return pd.DataFrame(rows, columns=["estimate", "lower", "upper"], index=self.params_.index)

    def covariance(self) -> pd.DataFrame:
        """Covariance of the parameters on their working scale (log where ``params_.scale`` says so)."""
        check_is_fitted(self, "fitted_")
        matrix: npt.NDArray[np.float64] = self.fitted_.covariance
        return pd.DataFrame(matrix, index=self.params_.index, columns=self.params_.index)

    def summary(self, *, level: float = 0.95) -> Summary:
        """The fit in trade words: each number with its interval, unit and origin."""
        check_is_fitted(self, "fitted_")
        table = self.params_[["meaning", "unit"]].join(self.conf_int(level=level))
        table = table.join(self.params_[["origin", "share_from_cases", "source"]])
        head = {
            "cases": f"{self.n_cases_}",
            "glands": "{:.0f} to {:.0f} mL, median {:.0f}".format(*np.take(self.fitted_.gland_ml, [0, 2, 1])),
            "loss": self.fitted_.loss,
            "prior": self.fitted_.prior,
        }
        if getattr(self, "on_bound_", []):
            head["bounds"] = "reached by " + ", ".join(self.on_bound_)
        return Summary(head, table, self.scale_, level)

    def diagnostics(self, cases: Cases | Source, *, functions: Mapping[str, Function] | None = None) -> Diagnostics:
        """How well the fit suits its cases: weights, residuals, leverage, influence, trends, error law.

        Parameters
        ----------
        cases : Cases, path or pandas.DataFrame
            Those that the model was fitted to; InvalidArgument for others.
        functions : mapping of a name to a callable of a mapping of parameter names to values, optional
            Outputs whose change by each case is wanted; by default the minutes of enucleation and of morcellation at 80
            mL (``lobetime.diagnostics.TIME_FUNCTIONS``).
        """
        check_is_fitted(self, "fitted_")
        cases = cases if isinstance(cases, Cases) else read_cases(cases)
        return diagnose_time_model(self, cases, functions)

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the model file: JSON, no case rows, no case ids, whole or not at all."""
        check_is_fitted(self, "fitted_")
        _core.write_whole(os.fspath(path), self.fitted_.to_json())

    def __sklearn_is_fitted__(self) -> bool:
        return hasattr(self, "fitted_")

    def __getstate__(self) -> dict[str, object]:
        # The compiled parts travel as the model file's text: data only, readable by a later version.
        state = dict(super().__getstate__())
        state.pop("fit_", None)
        if "fitted_" in state:
            state["fitted_"] = self.fitted_.to_json()
        return state

    def __setstate__(self, state: dict[str, object]) -> None:
        text = state.get("fitted_")
        if isinstance(text, str):
            state = {**state, "fitted_": _core.FittedModel.from_json(text)}
        super().__setstate__(state)


def load_model(path: str | os.PathLike[str]) -> TheatreTimeModel:
    """A model from its file. Raises InvalidModelFile for anything but a whole, finite model of a known version."""
    fitted = _core.FittedModel.from_json(Path(path).read_bytes())
    model = TheatreTimeModel(
        loss=fitted.loss, tuning=fitted.tuning or None, prior="published" if fitted.prior == "published" else None
    )
    model._take(fitted)
    return model


@dataclass(frozen=True)
class Summary:
    """A fitted model to read: ``str()`` gives text, ``table`` the numbers."""

    head: dict[str, str]
    table: pd.DataFrame
    spreads: pd.DataFrame
    level: float

    def __str__(self) -> str:
        shown = pd.DataFrame(
            {
                "estimate": self.table["estimate"].map("{:.4g}".format),
                f"{self.level:.0%} interval": [
                    f"{low:.4g} to {high:.4g}"
                    for low, high in zip(self.table["lower"], self.table["upper"], strict=True)
                ],
                "unit": self.table["unit"],
                "origin": self.table["origin"],
                "meaning": self.table["meaning"],
            }
        )
        head = "\n".join(f"{name:<7} {value}" for name, value in self.head.items())
        spreads = self.spreads[["spread", "observations"]].to_string(float_format="{:.3f}".format)
        return (
            f"Theatre time model\n{head}\n\n{shown.to_string()}\n\nSpread of one case (log SD)\n{spreads}\n\n{CAUTION}"
        )
