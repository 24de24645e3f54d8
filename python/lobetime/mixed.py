"""Nonlinear mixed-effects regression: a curve whose parameters differ between groups of rows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Self

import numpy as np
import numpy.typing as npt
import pandas as pd
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from . import _core
from .regression import Doubles, Values, _named_start, _normal_half_width, _numbered, _with_jacobian


class MixedRegression(BaseEstimator):  # type: ignore[misc]
    """y = mean(x, theta + b_g) + error: some parameters vary between groups, b ~ N(0, covariance).

    >>> import numpy as np, lobetime as lt
    >>> group = np.repeat(["a", "b", "c", "d"], 3)
    >>> y = np.array([5.1, 4.9, 5.3, 7.2, 6.9, 7.0, 6.1, 5.8, 6.0, 4.2, 4.4, 4.1])
    >>> fit = lt.MixedRegression(lambda x, theta: theta[0], random=["level"])
    >>> fit = fit.fit(None, y, group, {"level": 6.0})
    >>> bool(fit.random_sd_["level"] > fit.scale_)
    True

    Parameters
    ----------
    mean : callable
        ``mean(x, theta)`` gives all n fitted values; ``theta[j]`` is parameter j in every row (n values), so
        that the mean is written element by element: ``theta[0] * (1 - np.exp(-theta[1] * x))``, and a straight
        line as ``theta[0] + theta[1] * x``, not as a matrix product. ``x`` is passed on as it is.
    random : sequence of str
        Names of the parameters that vary between groups; their covariance is free.
    method : {"reml", "ml"}
        Restricted maximum likelihood, by which variances are not drawn down by the parameters estimated, or
        maximum likelihood, whose values compare models with different means.
    jacobian : callable, optional
        ``jacobian(x, theta)``: n x p derivatives of each row in its own parameters. Without it the mean is
        differentiated automatically, as in :class:`RobustRegression`.
    max_iterations : int
        Of the search over the covariance.

    Attributes
    ----------
    params_ : pandas.DataFrame
        One row a parameter: estimate (of a group with effects zero), standard_error.
    covariance_ : pandas.DataFrame, p x p
        Of the estimates, at the estimated variances.
    scale_ : float
        Standard deviation within groups.
    random_sd_ : pandas.Series, q
    random_covariance_, random_correlation_ : pandas.DataFrame, q x q
        A correlation with a spread of zero is NaN.
    no_variation_ : list of str
        Random parameters whose variance is estimated as exactly zero: a legal answer.
    singular_ : bool
        The covariance is on its boundary: a variance of zero, or a correlation of -1 or 1.
    modes_, mode_sd_, reliability_ : pandas.DataFrame, one row a group
        Effects of the groups given the rows, their standard deviations, and 1 - mode_sd^2 / variance: how much of a
        group's own deviation its rows have earned it; what is missing to 1 is drawn to the typical group.
    criterion_, log_likelihood_ : float
        -2 log likelihood (or the REML criterion), and its -1/2.
    fitted_values_, residuals_ : numpy.ndarray, n
        At the modes.
    n_groups_ : int
    termination_ : str

    Notes
    -----
    Laplace's approximation of the marginal likelihood, exact for a mean that is linear in its parameters (ML: in the
    random ones). It is not the linearisation of Lindstrom and Bates, which other programs use: where the mean
    bends the estimates differ.

    Refuses with a named reason: too few groups or rows (:class:`InvalidArgument`), rows that are not finite
    (:class:`NotFinite`), parameters or variances that the rows cannot tell (:class:`NotIdentifiable`), no convergence
    (:class:`NotConverged`).
    """

    def __init__(
        self,
        mean: Callable[[Any, Any], Any],
        *,
        random: Sequence[str],
        method: str = "reml",
        jacobian: Callable[[Any, Any], Any] | None = None,
        max_iterations: int = 200,
    ) -> None:
        self.mean = mean
        self.random = random
        self.method = method
        self.jacobian = jacobian
        self.max_iterations = max_iterations

    def fit(self, x: Any, y: npt.ArrayLike, groups: Sequence[Any], start: Values) -> Self:
        """Fit from ``start``: a mapping of names to values, or p values (then named b1, b2, ...).

        ``groups``: n labels.
        """
        if self.method not in ("reml", "ml"):
            raise _core.InvalidArgument(f"method must be 'reml' or 'ml', not {self.method!r}")
        names, first = _named_start(start)
        random = [self.random] if isinstance(self.random, str) else [str(name) for name in self.random]
        unknown = [name for name in random if name not in names]
        if unknown or not random or len(set(random)) < len(random):
            raise _core.InvalidArgument(
                f"random must name different parameters among {', '.join(names)}, not {', '.join(random) or 'none'}"
            )
        response = np.asarray(y, dtype=float)
        if response.ndim != 1:
            raise _core.InvalidArgument(f"y must have one dimension, not {response.ndim}")
        codes = _numbered(groups)
        if len(codes) != response.size:
            raise _core.InvalidArgument(f"groups has {len(codes)} labels for {response.size} rows of y")
        labels = pd.unique(pd.Series(list(groups)))
        everywhere = np.repeat(first[:, None], response.size, axis=1)
        fit = _core.fit_mixed_regression(
            _with_jacobian(self.mean, self.jacobian, x, everywhere, response.size),
            response,
            group=codes,
            names=names,
            random=[names.index(name) for name in random],
            start=first,
            restricted=self.method == "reml",
            max_iterations=self.max_iterations,
        )
        index = pd.Index(names, name="parameter")
        self.params_ = pd.DataFrame(
            {"estimate": fit.theta, "standard_error": np.sqrt(np.diag(fit.covariance))}, index=index
        )
        self.covariance_ = pd.DataFrame(fit.covariance, index=index, columns=names)
        self.scale_ = fit.scale
        sd = np.sqrt(np.diag(fit.random_covariance))
        self.random_sd_ = pd.Series(sd, index=random, name="sd")
        self.random_covariance_ = pd.DataFrame(fit.random_covariance, index=random, columns=random)
        known = np.where(sd > 0, sd, np.nan)
        self.random_correlation_ = self.random_covariance_ / np.outer(known, known)
        self.no_variation_ = list(fit.no_variation)
        self.singular_ = fit.singular
        by_group = pd.Index(labels, name="group")
        self.modes_ = pd.DataFrame(fit.modes, index=by_group, columns=random)
        self.mode_sd_ = pd.DataFrame(fit.mode_sd, index=by_group, columns=random)
        self.reliability_ = pd.DataFrame(fit.reliability, index=by_group, columns=random)
        self.criterion_ = fit.criterion
        self.log_likelihood_ = -0.5 * fit.criterion
        self.fitted_values_ = fit.fitted
        self.residuals_ = fit.residuals
        self.n_groups_ = len(labels)
        self.termination_ = fit.message
        return self

    def conf_int(self, *, level: float = 0.95) -> pd.DataFrame:
        """Intervals of the parameters, estimate -+ normal quantile x standard error.

        A frame: estimate, standard_error, lower, upper. The variances are taken as known: with few groups the intervals
        are too narrow.
        """
        check_is_fitted(self, "params_")
        half = _normal_half_width(level) * self.params_["standard_error"]
        return self.params_.assign(
            lower=self.params_["estimate"] - half,
            upper=self.params_["estimate"] + half,
        )

    def predict(self, x: Any, groups: Sequence[Any] | None = None) -> Doubles:
        """The mean at other rows: of the typical group (effects zero), or of their ``groups``, at the modes.

        A group that was not in the fit is a typical one.
        """
        check_is_fitted(self, "params_")
        theta = self.params_["estimate"].to_numpy()
        if groups is None:
            return np.asarray(self.mean(x, theta), dtype=float)
        labels = list(groups)
        effects = self.modes_.reindex(labels).fillna(0.0)
        everywhere = np.repeat(theta[:, None], len(labels), axis=1)
        for name in self.modes_.columns:
            everywhere[self.params_.index.get_loc(name)] += effects[name].to_numpy()
        return np.asarray(self.mean(x, everywhere), dtype=float)
