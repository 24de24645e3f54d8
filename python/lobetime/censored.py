"""Regression with rows that are known only to lie above, below or between limits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Self

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import norm
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from . import _core
from .regression import Doubles, Values, _named_start, _normal_half_width, _with_jacobian


class CensoredRegression(BaseEstimator):  # type: ignore[misc]
    """y, or log y, = mean(x, theta) + scale * z with z normal, rows exact or censored, and outliers if wished.

    >>> import numpy as np, lobetime as lt
    >>> minutes = np.array([31.0, 45.0, 52.0, 38.0, 60.0, 75.0])
    >>> stopped = np.array([False, False, True, False, False, True])  # that long at least
    >>> upper = np.where(stopped, np.inf, minutes)
    >>> fit = lt.CensoredRegression(lambda x, theta: theta[0] + 0 * x).fit(minutes, minutes, upper, {"level": 4.0})
    >>> bool(fit.quantile(minutes[:1], 0.8).loc[0, "estimate"] > 60)
    True

    Parameters
    ----------
    mean : callable
        ``mean(x, theta)`` gives all n means: of the response, or of its logarithm when it is log-normal.
    law : {"lognormal", "normal"}
        What is normal about its mean: the logarithm of the response, or the response.
    loss : {"squares", "huber", "soft_l1", "cauchy", "bisquare"}
        Of exact rows. "squares" is maximum likelihood. With the others the scale is Huber's Proposal 2, in which a
        censored row counts as it is expected to, so that censoring does not bias it.
    tuning : float, optional
        The loss's constant; by default the one with 95 % efficiency under normal errors.
    jacobian : callable, optional
        ``jacobian(x, theta)``: n x p derivatives; else the mean is differentiated automatically, as in
        :class:`RobustRegression`.
    max_iterations : int

    Attributes
    ----------
    params_ : pandas.DataFrame
        One row a parameter, and "log scale": estimate, standard_error.
    scale_ : float
    covariance_ : pandas.DataFrame
        Of the parameters and the log of the scale: observed information for squares, else the sandwich.
    log_likelihood_ : float
        NaN unless the loss is squares.
    fitted_values_ : numpy.ndarray, n
        Means, of the logarithm for a log-normal response.
    weights_ : numpy.ndarray, n
        How much exact rows count, psi(u) / u; NaN for censored rows.
    counts_ : dict
        Rows that are exact, or censored from the right, from the left, or to an interval.
    termination_ : str

    Notes
    -----
    Refuses with a named reason: limits in the wrong order, too few rows (:class:`InvalidArgument`), limits or means
    that are not finite numbers (:class:`NotFinite`), parameters that the rows cannot tell or rows that close the
    response from one side only (:class:`NotIdentifiable`), no convergence (:class:`NotConverged`).
    """

    def __init__(
        self,
        mean: Callable[[Any, Any], Any],
        *,
        law: str = "lognormal",
        loss: str = "squares",
        tuning: float | None = None,
        jacobian: Callable[[Any, Any], Any] | None = None,
        max_iterations: int = 1000,
    ) -> None:
        self.mean = mean
        self.law = law
        self.loss = loss
        self.tuning = tuning
        self.jacobian = jacobian
        self.max_iterations = max_iterations

    def fit(self, x: Any, lower: npt.ArrayLike, upper: npt.ArrayLike, start: Values) -> Self:
        """Fit from ``start``: a mapping of names to values, or p values (then named b1, b2, ...).

        ``lower``, ``upper``: n limits of the response in its own unit. Equal limits are an exact row; an infinite upper
        limit is a row censored from the right ("at least lower"), a lower one of -inf, or 0 of a log-normal response,
        one from the left.
        """
        names, first = _named_start(start)
        if self.tuning is not None and not self.tuning > 0:
            raise _core.InvalidArgument(f"tuning must be positive, or None for the default, not {self.tuning!r}")
        low, high = np.asarray(lower, dtype=float), np.asarray(upper, dtype=float)
        if low.ndim != 1 or low.shape != high.shape:
            raise _core.InvalidArgument(
                f"lower and upper must hold one limit a row each, not {low.shape}, {high.shape}"
            )
        fit = _core.fit_censored_regression(
            _with_jacobian(self.mean, self.jacobian, x, first, low.size),
            low,
            high,
            names=names,
            start=first,
            law=self.law,
            loss=self.loss,
            tuning=self.tuning or 0.0,
            max_iterations=self.max_iterations,
        )
        self.fit_ = fit
        all_names = [*names, "log scale"]
        self.covariance_ = self.covariance("information" if self.loss == "squares" else "sandwich")
        self.params_ = pd.DataFrame(
            {
                "estimate": [*fit.theta, np.log(fit.scale)],
                "standard_error": np.sqrt(np.diag(self.covariance_)),
            },
            index=pd.Index(all_names, name="parameter"),
        )
        self.scale_ = fit.scale
        self.log_likelihood_ = fit.log_likelihood
        self.fitted_values_ = fit.fitted
        self.weights_ = fit.weights
        self.counts_ = {"exact": fit.exact, "right": fit.right, "left": fit.left, "interval": fit.interval}
        self.termination_ = fit.message
        return self

    def __getstate__(self) -> dict[str, object]:
        # The compiled part cannot be pickled; its numbers are kept, other covariances need a fit anew.
        state = dict(super().__getstate__())
        state.pop("fit_", None)
        return state

    def covariance(self, rule: str = "sandwich") -> pd.DataFrame:
        """Covariance of the parameters and the log of the scale: "information" (squares only) or "sandwich".

        The sandwich does not take the errors to be normal, and is multiplied by n / (n - p).
        """
        check_is_fitted(self, "fit_")
        if rule not in ("information", "sandwich"):
            raise _core.InvalidArgument(f"rule must be 'information' or 'sandwich', not {rule!r}")
        matrix = self.fit_.information_covariance() if rule == "information" else self.fit_.sandwich_covariance()
        names = [*self.fit_.names, "log scale"]
        return pd.DataFrame(matrix, index=pd.Index(names, name="parameter"), columns=names)

    def conf_int(self, *, level: float = 0.95) -> pd.DataFrame:
        """Intervals of the parameters, estimate -+ normal quantile x standard error.

        A frame: estimate, standard_error, lower, upper.
        """
        check_is_fitted(self, "params_")
        half = _normal_half_width(level) * self.params_["standard_error"]
        return self.params_.assign(lower=self.params_["estimate"] - half, upper=self.params_["estimate"] + half)

    def predict(self, x: Any) -> Doubles:
        """The median response at other rows, in its own unit."""
        check_is_fitted(self, "params_")
        means = np.asarray(self.mean(x, self.params_["estimate"].to_numpy()[:-1]), dtype=float)
        return np.exp(means) if self.law == "lognormal" else means

    def quantile(self, x: Any, p: float | Sequence[float], *, level: float = 0.95) -> pd.DataFrame:
        """Quantiles of the response at rows ``x``, in its own unit.

        A frame with one row for each row of x and each p: row, p, estimate, standard_error (delta method), lower, upper
        (confidence limits of the quantile; of a log-normal response made on its logarithm).
        """
        check_is_fitted(self, "params_")
        wanted = np.atleast_1d(np.asarray(p, dtype=float))
        if not ((wanted > 0) & (wanted < 1)).all():
            raise _core.InvalidArgument(f"p must lie between 0 and 1, not {p!r}")
        theta = self.params_["estimate"].to_numpy()[:-1]
        n = len(np.asarray(self.mean(x, theta)))
        means, slopes = _with_jacobian(self.mean, self.jacobian, x, theta, n)(theta)
        z = norm.ppf(wanted)
        at = (means[:, None] + self.scale_ * z).ravel()
        gradient = np.column_stack([np.repeat(slopes, z.size, axis=0), np.tile(self.scale_ * z, n)])
        error = np.sqrt(np.einsum("ij,jk,ik->i", gradient, self.covariance_.to_numpy(), gradient))
        half = _normal_half_width(level) * error
        back = np.exp if self.law == "lognormal" else np.asarray
        frame = pd.DataFrame({"row": np.repeat(np.arange(n), z.size), "p": np.tile(wanted, n), "estimate": back(at)})
        frame["standard_error"] = error * frame["estimate"] if self.law == "lognormal" else error
        frame["lower"], frame["upper"] = back(at - half), back(at + half)
        return frame
