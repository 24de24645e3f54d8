"""Robust nonlinear regression of any mean: the engine of the time model, for other curves."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Literal, Self, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import norm
from sklearn.base import BaseEstimator, clone
from sklearn.utils.validation import check_is_fitted

from . import _core
from .parallel import jobs_of, parts_of, run

Doubles: TypeAlias = npt.NDArray[np.float64]
Values: TypeAlias = "Mapping[str, float] | Sequence[float] | Doubles"
Method: TypeAlias = Literal["sandwich", "profile", "bootstrap"]
Function: TypeAlias = Callable[[Mapping[str, float]], float]


class RegressionWarning(UserWarning):
    """Numbers of a regression are less sure than they look; the text says why."""


class RobustRegression(BaseEstimator):  # type: ignore[misc]
    """y = mean(x, theta) + error, for any mean function, with outliers.

    Parameters
    ----------
    mean : callable
        ``mean(x, theta)`` gives all n fitted values; theta is an array of the p parameters. ``x`` is
        passed on as it is.
    jacobian : callable, optional
        ``jacobian(x, theta)``: n x p derivatives. Without it the mean is differentiated automatically: by complex
        steps (exact to rounding; Squire and Trapp, SIAM Rev 1998;40:110), or, where the mean cannot take complex
        numbers, by central differences of fourth order (eight digits or more).
    estimator : {"mm", "m", "s"}
        "mm": many starts for the least M-scale (breakdown 50 %), then ``loss`` with that scale held. "m": loss and
        scale settle together from the start. "s": the least M-scale itself.
    loss : {"bisquare", "cauchy", "huber", "soft_l1", "squares"}
        "mm" needs one of the first two.
    tuning : float, optional
        The loss's constant; by default the one with 95 % efficiency under normal errors.
    scale_method : {"mad", "proposal2", "m_scale", "reweighted", "sd", "fixed"}, optional
        Of "m"; by default "mad", and "sd" with squares. The MAD is divided by 0.67449, the M-scale is the bisquare's at
        ``s_tuning`` with (n - p) / 2 on the other side.
    scale : float, optional
        The scale, when ``scale_method`` is "fixed".
    s_tuning : float, optional
        Bisquare constant of the M-scale; by default 1.547645.
    starts : int, optional
        1 for "m" and 100 for "s" and "mm" by default. More than one searches for the lowest minimum: starts near and
        far from the given one, and fits to a few random rows.
    polished : int
        Distinct candidates that are followed to their minimum.
    seed : int
        Names the random starts.

    Attributes
    ----------
    params_ : pandas.DataFrame
        One row a parameter: estimate, on_bound.
    scale_ : float
    weights_, residuals_, fitted_values_ : numpy.ndarray, n
    jacobian_ : numpy.ndarray, n x p
    leverage_ : numpy.ndarray, n
    covariance_ : pandas.DataFrame
        p x p, hc2. Raises :class:`NotIdentifiable` when a parameter is on its bound.
    termination_ : str
    search_ : pandas.DataFrame
        Distinct minima that the search met, the taken one first: scale, count (candidates that ended there),
        first_start (0 is the given one), and the parameters.
    warnings_ : list of str
        What makes the numbers less sure than they look; each is also warned as :class:`RegressionWarning`.

    Notes
    -----
    Refuses with a named reason: rows that are not finite (:class:`NotFinite`), parameters that the rows cannot tell
    (:class:`NotIdentifiable`), too few rows (:class:`InvalidArgument`), no convergence (:class:`NotConverged`).
    """

    def __init__(
        self,
        mean: Callable[[Any, Any], Any],
        *,
        jacobian: Callable[[Any, Any], Any] | None = None,
        estimator: str = "mm",
        loss: str = "bisquare",
        tuning: float | None = None,
        scale_method: str | None = None,
        scale: float | None = None,
        s_tuning: float | None = None,
        starts: int | None = None,
        polished: int = 10,
        seed: int = 1,
        max_iterations: int = 10_000,
    ) -> None:
        self.mean = mean
        self.jacobian = jacobian
        self.estimator = estimator
        self.loss = loss
        self.tuning = tuning
        self.scale_method = scale_method
        self.scale = scale
        self.s_tuning = s_tuning
        self.starts = starts
        self.polished = polished
        self.seed = seed
        self.max_iterations = max_iterations

    def fit(
        self,
        x: Any,
        y: npt.ArrayLike,
        start: Values,
        *,
        lower: Values | float | None = None,
        upper: Values | float | None = None,
    ) -> Self:
        """Fit from ``start``: a mapping of names to values, or p values (then named b1, b2, ...).

        ``lower``, ``upper``: bounds, likewise, or one number for all.
        """
        names, first = _named_start(start)
        response = np.asarray(y, dtype=float)
        if response.ndim != 1:
            raise _core.InvalidArgument(f"y must have one dimension, not {response.ndim}")
        for name in ("tuning", "s_tuning", "scale"):
            value = getattr(self, name)
            if value is not None and not value > 0:
                raise _core.InvalidArgument(f"{name} must be positive, or None for the default, not {value!r}")
        if self.starts is not None and self.starts < 1:
            raise _core.InvalidArgument(f"starts must be 1 or more, or None for the default, not {self.starts!r}")
        method = self.scale_method or ("sd" if self.loss == "squares" else "mad")
        if method == "fixed" and self.scale is None:
            raise _core.InvalidArgument("scale_method 'fixed' needs a scale")
        self._engine = _core.RobustRegression(
            _with_jacobian(self.mean, self.jacobian, x, first, response.size),
            response,
            names=names,
            estimator=self.estimator,
            loss=self.loss,
            tuning=self.tuning or 0.0,
            scale_method=method,
            scale=self.scale or 1.0,
            s_tuning=self.s_tuning or 0.0,
            starts=self.starts or 0,
            polished=self.polished,
            seed=self.seed,
            max_iterations=self.max_iterations,
        )
        fit = self._engine.fit(first, _bound(lower, -np.inf, names), _bound(upper, np.inf, names))
        self.fit_ = fit
        self._rows = {"x": x, "y": response, "start": start, "lower": lower, "upper": upper}
        self.params_ = pd.DataFrame(
            {"estimate": fit.theta, "on_bound": [name in fit.on_bound for name in names]},
            index=pd.Index(names, name="parameter"),
        )
        self.scale_ = fit.scale
        self.weights_ = fit.weights
        self.residuals_ = fit.residuals
        self.fitted_values_ = fit.fitted
        self.jacobian_ = fit.jacobian
        self.leverage_ = fit.leverages
        self.termination_ = fit.termination
        self.warnings_ = list(fit.warnings)
        minima = [
            {"scale": one["scale"], "count": one["count"], "first_start": one["first_start"]}
            | dict(zip(names, one["theta"], strict=True))
            for one in fit.minima
        ]
        self.search_ = pd.DataFrame(minima, columns=["scale", "count", "first_start", *names])
        for text in self.warnings_:
            warnings.warn(text, RegressionWarning, stacklevel=2)
        return self

    def __getstate__(self) -> dict[str, object]:
        # The compiled parts hold the rows and the mean; a pickle keeps the numbers, and intervals need a fit anew.
        state = dict(super().__getstate__())
        for name in ("fit_", "_engine", "_rows"):
            state.pop(name, None)
        return state

    def _check_rows(self) -> None:
        check_is_fitted(self, "params_")
        if not hasattr(self, "fit_"):
            raise _core.InvalidArgument(
                "intervals need the rows of the fit, and a regression from a pickle holds none: fit it again"
            )

    def _replicates(
        self, cluster: list[int], replicates: int, seed: int, n_jobs: int | None
    ) -> tuple[Doubles, list[str]] | None:
        """The bootstrap's replicates from parts computed side by side; None where one part does."""
        if jobs_of(n_jobs) == 1 or replicates < 2:
            return None
        same = (clone(self), self._rows, self.fit_.theta, cluster, seed)
        found = run(_replicates_part, [(*same, *part) for part in parts_of(replicates, jobs_of(n_jobs))], n_jobs)
        rows = [theta for theta, _ in found if len(theta)]
        estimates = np.concatenate(rows) if rows else np.empty((0, len(self.fit_.theta)))
        return estimates, [reason for _, reasons in found for reason in reasons]

    @property
    def covariance_(self) -> pd.DataFrame:
        return self.covariance()

    def covariance(self, rule: str = "hc2", *, cluster: Sequence[Any] | None = None) -> pd.DataFrame:
        """Covariance of the estimate: "model", "hc0", "hc1", "hc2" or "hc3"; with ``cluster`` (one label a row) scores
        of a cluster are summed first (CR1), and ``rule`` is not used.
        """
        self._check_rows()
        matrix = self.fit_.covariance(rule) if cluster is None else self.fit_.clustered_covariance(_numbered(cluster))
        return pd.DataFrame(matrix, index=self.params_.index, columns=list(self.params_.index))

    def conf_int(
        self,
        method: Method = "sandwich",
        *,
        level: float = 0.95,
        functions: Mapping[str, Function] | None = None,
        hc: str = "HC2",
        cluster: Sequence[Any] | None = None,
        kind: Literal["bca", "percentile"] = "bca",
        replicates: int = 1000,
        seed: int = 1,
        n_jobs: int | None = None,
        progress: Callable[[int, int], bool | None] | None = None,
    ) -> pd.DataFrame:
        """Intervals of the parameters, or of ``functions`` of them.

        A frame: estimate, standard_error, lower, upper, open, reason.

        functions : mapping of a name to a callable of a mapping of parameter names to values.

        "sandwich" is estimate -+ t standard errors (``hc``: "HC0" to "HC3", or "model" for equal spread; delta method
        for functions). "profile" follows the robust objective with the scale held, its deviance in units of the same
        variance; with squares and "model" the limits are the exact profile-t ones. "bootstrap" draws rows again
        (``replicates``, ``seed``, ``kind``: bias-corrected and accelerated, or percentile). With ``cluster``, one label
        a row, clusters take the place of rows, and t has as many degrees of freedom as clusters, less one.

        An end that the data do not close is open: NaN, never a number, with "lower", "upper" or "both" in ``open``.
        ``progress(done, total)`` may return False to stop. ``n_jobs``: the bootstrap's replicates in so many parts, as
        in scikit-learn, each after the fit was found again; inside :func:`lobetime.on_cluster` on its workers. Results
        do not depend on it.

        Intervals need the rows of the fit: a copy from a pickle has none and raises :class:`InvalidArgument`.
        """
        self._check_rows()
        if method not in ("sandwich", "profile", "bootstrap"):
            raise _core.InvalidArgument(f"method must be 'sandwich', 'profile' or 'bootstrap', not {method!r}")
        if kind not in ("bca", "percentile"):
            raise _core.InvalidArgument(f"kind must be 'bca' or 'percentile', not {kind!r}")
        names = list(self.params_.index)
        wanted = functions or {}
        clusters = [] if cluster is None else _numbered(cluster)
        done = self._replicates(clusters, replicates, seed, n_jobs) if method == "bootstrap" else None
        rows = _core.regression_intervals(
            self._engine,
            self.fit_,
            names=list(wanted),
            functions=[
                lambda theta, f=f: float(f(dict(zip(names, map(float, theta), strict=True)))) for f in wanted.values()
            ],
            method=method,
            level=level,
            rule=hc.lower(),
            cluster=clusters,
            bca=kind == "bca",
            replicates=replicates,
            seed=seed,
            progress=progress,
            done=done,
        )
        frame = pd.DataFrame(rows).set_index("name")
        open_ends = np.select(
            [frame["lower_open"] & frame["upper_open"], frame["lower_open"], frame["upper_open"]],
            ["both", "lower", "upper"],
            "",
        )
        frame["open"] = open_ends
        return frame[["estimate", "standard_error", "lower", "upper", "open", "reason"]]

    def predict(self, x: Any) -> Doubles:
        """The mean at other rows."""
        check_is_fitted(self, "params_")
        return np.asarray(self.mean(x, self.params_["estimate"].to_numpy()), dtype=float)


def _replicates_part(
    model: RobustRegression,
    rows: dict[str, Any],
    theta: Doubles,
    cluster: list[int],
    seed: int,
    first: int,
    count: int,
) -> tuple[Doubles, list[str]]:
    """Replicates of the fit, found again where this runs; ``theta`` is the fit that it must be."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RegressionWarning)  # the fit itself said so
        model.fit(**rows)
    if not np.allclose(model.fit_.theta, theta, rtol=1e-7, atol=1e-9):
        raise _core.NotConverged("a worker finds another fit of the same rows: is its lobetime of another version?")
    return _core.regression_replicates(
        model._engine, model.fit_, cluster=cluster, first=first, replicates=count, seed=seed
    )


def _bound(values: Values | float | None, default: float, names: list[str]) -> Doubles:
    if values is None:
        return np.full(len(names), default)
    if isinstance(values, Mapping):
        unknown = [name for name in values if name not in names]
        if unknown:
            raise _core.InvalidArgument(f"bounds for unknown parameters: {', '.join(map(str, unknown))}")
        return np.array([float(values.get(name, default)) for name in names])
    array = np.asarray(values, dtype=float)
    return np.full(len(names), float(array)) if array.ndim == 0 else array


def _small_steps(theta: Doubles) -> Doubles:
    return 1e-6 * np.maximum(np.abs(theta), 1e-6)


def _numbered(cluster: Sequence[Any]) -> list[int]:
    codes, _ = pd.factorize(pd.Series(list(cluster)))
    if (codes < 0).any():
        row = int(np.flatnonzero(codes < 0)[0]) + 1
        raise _core.InvalidArgument(f"row {row}: the cluster is missing")
    return [int(code) for code in codes]


def _named_start(start: Values) -> tuple[list[str], Doubles]:
    """Names and values of a start; those without names are called b1, b2, ..."""
    if isinstance(start, Mapping):
        names = [str(name) for name in start]
        first = np.array([float(value) for value in start.values()])
    else:
        first = np.asarray(start, dtype=float)
        names = [f"b{j + 1}" for j in range(first.size)]
    if first.ndim != 1 or first.size == 0:
        raise _core.InvalidArgument("start must hold one number for each parameter")
    return names, first


def _normal_half_width(level: float) -> float:
    if not 0.0 < level < 1.0:
        raise _core.InvalidArgument(f"level must lie between 0 and 1, not {level!r}")
    return float(norm.ppf(0.5 + level / 2))


def _with_jacobian(
    mean: Callable[[Any, Any], Any], jacobian: Callable[[Any, Any], Any] | None, x: Any, start: Doubles, n: int
) -> Callable[[Doubles], tuple[Doubles, Doubles]]:
    """The mean with its derivatives, as the engine asks for them; theta is p, or p x n with each row's own values."""

    def values(theta: Doubles) -> Doubles:
        with np.errstate(all="ignore"):  # what is not finite is refused by the engine, with its row
            fitted = np.asarray(mean(x, theta))
        if fitted.shape != (n,):
            raise _core.InvalidArgument(f"mean(x, theta) must give {n} values, one a row of y, not {fitted.shape}")
        return fitted.astype(float)

    if jacobian is not None:

        def given(theta: Doubles) -> tuple[Doubles, Doubles]:
            with np.errstate(all="ignore"):
                slopes = np.asarray(jacobian(x, theta), dtype=float)
            if slopes.shape != (n, len(theta)):
                raise _core.InvalidArgument(f"jacobian(x, theta) must be {n} x {len(theta)}, not {slopes.shape}")
            return values(theta), slopes

        return given

    def by_complex_steps(theta: Doubles) -> Doubles:
        columns = []
        for j in range(len(theta)):
            h = 1e-30 * np.maximum(np.abs(theta[j]), 1e-30)
            moved = theta.astype(complex)
            moved[j] += 1j * h
            with np.errstate(all="ignore"):
                columns.append(np.imag(mean(x, moved)) / h)
        return np.column_stack(columns)

    def by_differences(theta: Doubles) -> Doubles:
        columns = []
        for j in range(len(theta)):
            h = 1e-4 * np.maximum(np.abs(theta[j]), 1e-4)

            def at(steps: int, j: int = j, h: Any = h) -> Doubles:
                moved = theta.copy()
                moved[j] += steps * h
                return values(moved)

            with np.errstate(all="ignore"):
                columns.append((8 * (at(1) - at(-1)) - (at(2) - at(-2))) / (12 * h))
        return np.column_stack(columns)

    def central(j: int) -> Doubles:
        step = _small_steps(start[j])
        moved = np.zeros_like(start)
        moved[j] = step
        return (values(start + moved) - values(start - moved)) / (2 * step)

    def complex_steps_hold() -> bool:
        """abs, real, comparisons and the like drop the imaginary part in silence: compare once with differences."""
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                exact = by_complex_steps(start)
        except Exception:  # whatever a mean that cannot take complex numbers raises
            return False
        with np.errstate(all="ignore"):
            rough = np.column_stack([central(j) for j in range(len(start))])
        known = np.isfinite(rough) & np.isfinite(exact)
        size = np.linalg.norm(np.where(known, rough, 0.0), axis=0)
        away = np.linalg.norm(np.where(known, exact - rough, 0.0), axis=0)
        return bool(known.any() and np.all(away <= 1e-2 * size + 1e-300))

    derivatives = by_complex_steps if complex_steps_hold() else by_differences
    return lambda theta: (values(theta), derivatives(theta))
