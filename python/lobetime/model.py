"""The time model as an estimator."""

from __future__ import annotations

import os
import warnings
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, Self, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd
from sklearn.base import BaseEstimator, clone
from sklearn.utils.validation import check_is_fitted

from . import _core
from .calibration import Calibration, calibrate, mean_crps_min, phase_bits
from .cases import Bookings, Cases, DataWarning, read_bookings, read_cases
from .diagnostics import TIME_OUTPUTS, Diagnostics, diagnose_time_model
from .evidence import PublishedPrior
from .memory import need_for_replicates
from .parallel import jobs_of, parts_of, run
from .prediction import Prediction, predict
from .quantities import Quantity
from .quantities import function as _function
from .summary import Summary, facts_of, model_html, summary_of
from .tables import Source as Source

Function: TypeAlias = "Quantity | Callable[[Mapping[str, float]], float]"
_FEW_CLUSTERS = 10


class IntervalWarning(UserWarning):
    """Intervals are less sure than they look; the text says why."""


class TheatreTimeModel(BaseEstimator):  # type: ignore[misc]
    """Enucleation, morcellation and room time of a unit, fitted by robust nonlinear least squares.

    Parameters
    ----------
    loss : {"bisquare", "huber", "soft_l1", "cauchy", "squares"}
        What a case far off the curve may pull. "squares" is ordinary least squares.
    tuning : float, optional
        The loss's constant; by default the one with 95 % efficiency under normal errors.
    prior : {"published", None} or PublishedPrior
        "published" starts from published evidence and fades as cases come in; so does a :class:`PublishedPrior` with
        rows of your own. None leaves the unit's parameters to
        the cases alone and raises :class:`NotIdentifiable` for those they cannot tell.
    scale_method : {"reweighted", "m_scale", "mad", "proposal2", "sd"}, optional
        Robust spread of each phase; by default "reweighted", and "sd" with squares. Of "mm" it is what the last step
        starts from.
    fixed : mapping, optional
        Parameters held at a value (natural scale): ``{"e_learn": 0.0}`` is the form without a learning curve in
        enucleation. They have no prior and no interval; their origin is "held by the user".
    estimator : {"m", "mm"}, optional
        "m": loss and spreads settle together, from a Huber fit. "mm": ``starts`` searches (named by ``seed``) for the
        least M-scales first, and from there loss and weighted standard deviations settle together; where many records
        are wrong it errs less in enucleation, and more in morcellation. By default "mm" with the bisquare, "m" with any
        other loss.
    threads : int
        0 = as many as the machine has. Results do not depend on it.

    Attributes
    ----------
    params_ : pandas.DataFrame
        One row a parameter: estimate (natural scale), unit, origin ("fitted from cases", "published", "common
        practice", "assumption", "held by the user"), share_from_cases, source, meaning. A number counts as fitted from
        cases when they explain at least half of its prior variance away.
    scale_ : pandas.DataFrame
        One row a channel: spread (log SD of one case; of the sums operative and theatre a ratio), log_se, observations.
        Where the recorded times of a phase show that its spread changes, also per_doubling (its ratio per doubling of
        the gland) and first_case (of a surgeon's first case to the plateau), which a prior draws towards 1, with
        per_doubling_se and first_case_se, their standard errors over samples of cases; else these are NaN.
    surgeons_ : pandas.DataFrame
        cases, last_case_no and, as ratios to the unit's average surgeon, enucleation, morcellation and learning (the
        extra enucleation time of first cases; NaN unless a case up to the 60th is recorded).
    weights_ : pandas.DataFrame
        What the fit saw, one row an observation: case_index (position among the cases, from 0), row (of the file, as
        its warnings count: the heading is row 1), channel, kind, standardised residual, weight. Not saved.
    search_ : pandas.DataFrame
        Of "mm": distinct minima of the S-step, the taken one first: scale (geometric mean of the M-scales, priors
        included), count (starts known to have ended there), first_start (0 the prior's centre, 1 the Huber fit), and
        the parameters there. Empty for "m". Not saved.
    groups_ : pandas.DataFrame
        How far surgeons (enucleation, morcellation, learning) and devices lie apart: log_sd of their levels, log_se
        (standard error of its log), members.
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
        prior: str | PublishedPrior | None = "published",
        *,
        tuning: float | None = None,
        scale_method: str | None = None,
        fixed: Mapping[str, float] | None = None,
        estimator: str | None = None,
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
        prior = self._prior_set()
        if self.tuning is not None and not self.tuning > 0:
            raise _core.InvalidArgument(f"tuning must be positive, or None for the loss's default, not {self.tuning!r}")
        tuning = 0.0 if self.tuning is None else self.tuning
        cases = cases if isinstance(cases, Cases) else read_cases(cases)
        use_prior = self.prior is not None
        fit = self._fit_core(cases, progress=progress)
        self._history = cases.table
        self._cases = cases
        self.search_ = pd.DataFrame(fit.search(), columns=["scale", "count", "first_start", *fit.names])
        self.fit_ = fit
        self.on_bound_ = fit.on_bound
        self._take(_core.model_from_fit(fit, cases.table, prior, loss=self.loss, tuning=tuning, use_prior=use_prior))
        observations = pd.DataFrame(fit.observations())
        observations["row"] = cases.rows[observations["case_index"].to_numpy(np.int64)]
        self.weights_ = observations[["case_index", "row", "channel", "kind", "standardised", "weight"]]
        return self

    def _fit_core(
        self,
        cases: Cases,
        *,
        progress: Callable[[int, float], None] | None = None,
        held_spreads: Sequence[float] | None = None,
        held_groups: Sequence[float] | None = None,
    ) -> _core.TheatreTimeFit:
        """The fit with this estimator's settings; held spreads (of channels, of groups_) are not estimated."""
        return _core.fit_theatre_time(
            cases.table,
            self._prior_set(),
            **self._settings(),
            fixed=dict(self.fixed or {}),
            estimator=self.estimator,
            starts=self.starts,
            seed=self.seed,
            threads=self.threads,
            progress=progress,
            held_spreads=held_spreads,
            held_groups=held_groups,
        )

    def _prior_set(self) -> _core.PriorSet:
        """The prior's numbers; with None those of surgeons and devices are still used."""
        if isinstance(self.prior, PublishedPrior):
            return self.prior.core
        if self.prior is None or self.prior == "published":
            return _core.published_prior()
        hint = ""
        if str(self.prior).startswith("published, with own rows"):
            hint = ": a model file names the rows that were added, but does not hold them"
        raise _core.InvalidArgument(f"prior must be 'published' or None, or a PublishedPrior, not {self.prior!r}{hint}")

    def _settings(self) -> dict[str, Any]:
        return {
            "loss": self.loss,
            "tuning": 0.0 if self.tuning is None else self.tuning,
            "scale_method": self.scale_method or ("sd" if self.loss == "squares" else "reweighted"),
            "use_prior": self.prior is not None,
        }

    def _take(self, fitted: _core.FittedModel) -> None:
        self.fitted_ = fitted
        self.params_ = pd.DataFrame(fitted.parameter_rows()).set_index("name")
        self.scale_ = pd.DataFrame(fitted.spreads).set_index("name")
        self.groups_ = pd.DataFrame(fitted.group_spreads).set_index("name")
        self.n_cases_ = fitted.n_cases
        estimate = self.params_["estimate"]
        surgeons = pd.DataFrame(fitted.surgeons, columns=["code", "cases", "last_case_no"])
        for part in ("enucleation", "morcellation", "learning"):
            own = [f"surgeon_{part}[{code}]" for code in surgeons["code"]]
            surgeons[part] = np.exp(estimate.reindex(own).to_numpy(dtype=float))
        self.surgeons_ = surgeons.set_index("code")

    def _fitted_or_prior(self) -> _core.FittedModel:
        if hasattr(self, "fitted_"):
            return self.fitted_
        if self.prior is None or self.fixed:
            raise _core.InvalidArgument(
                "without a prior, or with parameters held, the model must be fitted before it predicts"
            )
        return _core.model_from_prior(self._prior_set())

    def calibration(
        self,
        cases: Cases | Source,
        *,
        method: Literal["rolling", "kfold"] = "rolling",
        folds: int = 5,
        group: str | None = None,
        total: Literal["theatre", "operative", "enucleation and morcellation"] | None = None,
        baselines: bool = True,
        draws: int = 2048,
        seed: int = 1,
        n_jobs: int | None = None,
    ) -> Calibration:
        """How well cases are predicted that a fit with these settings has not seen.

        A fitted model keeps where their outcomes fell; from 100 of them on, :meth:`predict` corrects by them. Fit the
        model again and they are forgotten.

        Parameters
        ----------
        cases : Cases, path or pandas.DataFrame
        method
            "rolling": in the order of ``operated_on``, each of ``folds`` parts predicted from all before it, the first
            part from the 1 / (folds + 1) of the cases before that. "kfold": each of ``folds`` parts from all others.
        group
            A column whose values stay together in "kfold": "surgeon" says how well a new surgeon is predicted.
        total
            Which minutes are judged; by default those that most cases have recorded.
        baselines
            Whether :data:`lobetime.baselines.BASELINES` are fitted to the same rows and scored too.
        n_jobs
            Folds side by side, as in scikit-learn; inside :func:`lobetime.on_cluster` on its workers. Results do not
            depend on it.

        Cases that the data checks take something in for a slip are fitted (robustly) but not judged.
        """
        cases = cases if isinstance(cases, Cases) else read_cases(cases)
        found = calibrate(
            self,
            cases,
            method=method,
            folds=folds,
            group=group,
            total=total,
            baselines=baselines,
            draws=draws,
            seed=seed,
            n_jobs=n_jobs,
        )
        if hasattr(self, "fitted_"):
            self.fitted_ = self.fitted_.with_held_out(phase_bits(found.total), list(found.places))
        return found

    def score(
        self,
        cases: Cases | Source,
        y: None = None,
        *,
        total: Literal["theatre", "operative", "enucleation and morcellation"] | None = None,
        draws: int = 2048,
        seed: int = 1,
    ) -> float:
        """How well cases are predicted from what was known before: minus the mean CRPS in minutes, higher is better.

        What ``sklearn.model_selection`` compares. The continuous ranked probability score is the absolute error where a
        forecast is one number. ``total``, and which cases are judged, as in :meth:`calibration`.
        """
        cases = cases if isinstance(cases, Cases) else read_cases(cases)
        return -mean_crps_min(self, cases, total, draws, seed)

    def update(
        self,
        new_cases: Cases | Source,
        *,
        history: Cases | Source | None = None,
        forget_before: str | pd.Timestamp | None = None,
    ) -> Self:
        """Fit again to the history and the new cases together.

        What changed since the last fit is looked for before, by :func:`lobetime.monitor` on the new cases: it is in
        ``drift_``, and a :class:`DriftWarning` names the signals.

        Parameters
        ----------
        history
            The cases of the last fit, for a model from a file or a pickle, which does not hold them.
        forget_before : date, optional
            Cases operated on before it are left out. Nothing is forgotten unless it is asked for.
        """
        check_is_fitted(self, "fitted_")
        new = new_cases if isinstance(new_cases, Cases) else read_cases(new_cases)
        if history is None:
            if not hasattr(self, "_cases"):
                raise _core.InvalidArgument("update: a model from a file or pickle needs history, the cases of its fit")
            old = self._cases
        else:
            old = history if isinstance(history, Cases) else read_cases(history)
        frame = pd.concat([old.frame, new.frame], ignore_index=True)
        if forget_before is not None:
            if "operated_on" not in frame:
                raise _core.InvalidArgument("forget_before: no case has operated_on")
            early = frame["operated_on"] < pd.Timestamp(forget_before)
            frame = frame[~early].reset_index(drop=True)
            if frame.empty:
                raise _core.InvalidArgument(f"forget_before: all {len(early)} cases were operated on before it")
        from .monitor import monitor  # it reads models, so it cannot be there first

        drift = monitor(self, new)
        signals = drift.signals
        if len(signals):
            named = ", ".join(dict.fromkeys(f"{row.phase} ({row.group})" for row in signals.itertuples()))
            warnings.warn(f"changed since the last fit: {named}; see drift_", DriftWarning, stacklevel=2)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DataWarning)  # both parts said theirs when they were read
            self.fit(read_cases(frame))
        self.drift_ = drift
        return self

    def predict(
        self, bookings: Bookings | Source, *, draws: int = 4096, seed: int = 1, conformal: bool | None = None
    ) -> Prediction:
        """Joint draws of booked cases: minutes, cases x draws x phases.

        The same seed gives a case (named by its case_id) the same draws in any order and at any thread count. Unfitted,
        the published prior alone predicts, and the flags say so.

        ``conformal``: correct the total by the held-out cases of :meth:`calibration` (split conformal prediction: if
        cases to come are like them, a slot at risk a is overrun with chance at most a, whatever the model). By default
        where there are at least 100.
        """
        bookings = bookings if isinstance(bookings, Bookings) else read_bookings(bookings)
        fitted = self._fitted_or_prior()
        return predict(fitted, bookings, draws=draws, seed=seed, conformal=conformal, threads=self.threads)

    def conf_int(
        self,
        method: Literal["sandwich", "profile", "bootstrap"] = "sandwich",
        *,
        level: float = 0.95,
        functions: Mapping[str, Function] | Sequence[Quantity] | None = None,
        cluster: Literal["surgeon"] | None = None,
        hc: Literal["HC0", "HC1", "HC2", "HC3", "model"] | None = None,
        kind: Literal["bca", "percentile"] = "bca",
        replicates: int = 1000,
        seed: int = 1,
        n_jobs: int | None = None,
        progress: Callable[[int, int], bool | None] | None = None,
    ) -> pd.DataFrame:
        """Intervals of every parameter, or of ``functions`` of them, natural scale.

        A frame, one row each: estimate, lower, upper, open ("", "lower", "upper" or "both"), reason. An end that the
        cases do not close is open: NaN, never a number, and ``reason`` says why. An end on a bound of its parameter
        counts as open, whatever the method.

        Parameters
        ----------
        method
            "sandwich": estimate -+ z standard errors; robust against a wrong loss, unequal spread and phases of a case
            being correlated. Symmetric on the scale where the number is nearest to linear: the logarithm for what is
            positive (``params_.scale``; minutes and efficiencies), else the number itself, as for differences, cases
            to the plateau and callables. "profile": all values that the robust objective allows with the spreads held,
            its deviance in units of the sandwich's variance over the curvature's, so that it is as wide as the sandwich
            where it is parabolic and follows the curve where not. "bootstrap": cases drawn again, spreads estimated
            again, and each prior's centre drawn, so that its width counts as it does in the sandwich.
        functions
            Quantities of :mod:`lobetime.quantities`, or a mapping of names to them or to callables, which get a mapping
            of parameter names to natural-scale values. Instead of the parameters.
        cluster
            "surgeon": cases of one surgeon may be correlated. Scores are summed by surgeon (CR1; ``hc`` is not used),
            or surgeons drawn, and z is the quantile of t with one degree of freedom less than there are surgeons. With
            fewer than ten it warns: such intervals are too narrow more often than they say. What depends on a single
            surgeon's own level is open.
        hc
            How scores are corrected for leverage, as in the rules of the same names; "model" takes the loss and the
            spreads as right. By default (None) the model's own covariance: HC2, whose scores are in few cases drawn to
            what they come to when loss and spreads are right (this counts as 20 cases, an assumption). The profile's
            deviance is then in units of HC2.
        kind
            Of the bootstrap: bias-corrected and accelerated, or percentile.
        replicates, seed
            Of the bootstrap. A replicate's cases depend on (seed, its number) alone.
        n_jobs
            Of the bootstrap: replicates in so many parts, as in scikit-learn; inside :func:`lobetime.on_cluster` on its
            workers, each of which finds the fit first. On one machine threads are quicker. Results do not depend on it.
        progress
            ``progress(done, total)``, about ten times a second; returning False stops, and so does Ctrl-C.

        Profile and bootstrap, clusters and rules need the cases of the fit, which are in memory only
        while the fitted object is: a model from a file or a pickle refuses with InvalidArgument. Where a number still
        rests on its prior (``params_.origin``), so does its interval.
        """
        check_is_fitted(self, "fitted_")
        if cluster not in (None, "surgeon"):
            raise _core.InvalidArgument(f"cluster must be 'surgeon' or None, not {cluster!r}")
        if hc not in (None, "HC0", "HC1", "HC2", "HC3", "model"):
            raise _core.InvalidArgument(f"hc must be 'HC0', 'HC1', 'HC2', 'HC3', 'model' or None, not {hc!r}")
        quantities = self._quantities(functions)
        if method == "sandwich" and cluster is None and hc is None:
            columns = _core.confidence_intervals(self.fitted_, quantities, level)
        else:
            if not hasattr(self, "_history"):
                raise _core.InvalidArgument(
                    f"conf_int(method={method!r}, cluster={cluster!r}, hc={hc!r}) needs the cases of the fit, and a "
                    "model from a file holds none: fit it again"
                )
            if method == "bootstrap":
                need_for_replicates(replicates, len(self.params_) + len(quantities), self.n_cases_)
            by_surgeon = cluster == "surgeon"
            done = self._replicates(by_surgeon, replicates, seed, n_jobs) if method == "bootstrap" else None
            columns = _core.time_intervals(
                self.fit_,
                self._history,
                self._prior_set(),
                quantities,
                **self._settings(),
                method=method,
                level=level,
                rule=(hc or "HC2").lower(),
                by_surgeon=by_surgeon,
                kind=kind,
                replicates=replicates,
                seed=seed,
                threads=self.threads,
                progress=progress,
                done=done,
            )
            self._warn_of(columns, replicates)
        frame = pd.DataFrame({name: columns[name] for name in ["estimate", "lower", "upper", "open", "reason"]})
        frame.index = pd.Index(columns["name"], name="name")
        return frame

    def _replicates(
        self, by_surgeon: bool, replicates: int, seed: int, n_jobs: int | None
    ) -> tuple[npt.NDArray[np.float64], list[str]] | None:
        """The bootstrap's replicates from parts computed side by side; None where threads do as well."""
        if jobs_of(n_jobs) == 1 or replicates < 2:
            return None
        alone = clone(self).set_params(threads=1)
        parts = parts_of(replicates, jobs_of(n_jobs))
        same = (alone, self._cases, self.fit_.theta, by_surgeon, seed)
        found = run(_replicates_part, [(*same, first, count) for first, count in parts], n_jobs)
        rows = [theta for theta, _ in found if len(theta)]
        estimates = np.concatenate(rows) if rows else np.empty((0, len(self.fit_.theta)))
        return estimates, [reason for _, reasons in found for reason in reasons]

    def _quantities(self, functions: Mapping[str, Function] | Sequence[Quantity] | None) -> list[_core.Quantity]:
        if functions is None:
            return _core.parameter_quantities(self.fitted_)
        wanted: list[Quantity] = []
        if isinstance(functions, Mapping):
            for name, one in functions.items():
                wanted.append(Quantity(name, one.build) if isinstance(one, Quantity) else _function(name, one))
        else:
            wanted.extend(functions)
        for one in wanted:
            if not isinstance(one, Quantity):
                raise _core.InvalidArgument(
                    "functions must be quantities of lobetime.quantities, or a mapping of names to them or to "
                    f"callables, not {one!r}"
                )
        names = [one.name for one in wanted]
        repeated = sorted({name for name in names if names.count(name) > 1})
        if repeated:
            raise _core.InvalidArgument(f"functions must have different names; repeated: {', '.join(repeated)}")
        return [one.of(self.fitted_) for one in wanted]

    @staticmethod
    def _warn_of(columns: dict[str, Any], replicates: int) -> None:
        if 0 < columns["clusters"] < _FEW_CLUSTERS:
            warnings.warn(
                f"{columns['clusters']} surgeons are few to tell how much surgeons differ: intervals from fewer than "
                f"{_FEW_CLUSTERS} clusters are too narrow more often than they say",
                IntervalWarning,
                stacklevel=3,
            )
        if columns["failures"]:
            warnings.warn(
                f"{len(columns['failures'])} of {replicates} replicates have no estimate and are left out; the first: "
                f"{columns['failures'][0]}",
                IntervalWarning,
                stacklevel=3,
            )

    def covariance(self) -> pd.DataFrame:
        """Covariance of the parameters on their working scale (log where ``params_.scale`` says so)."""
        check_is_fitted(self, "fitted_")
        matrix: npt.NDArray[np.float64] = self.fitted_.covariance
        return pd.DataFrame(matrix, index=self.params_.index, columns=self.params_.index)

    def summary(self, *, level: float = 0.95) -> Summary:
        """The fit in trade words: each number with its error, interval, unit and source; text, HTML and LaTeX."""
        check_is_fitted(self, "fitted_")
        return summary_of(self, level)

    def _repr_html_(self) -> str:
        return model_html(self)

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, str]:
        del kwargs  # what a notebook would like to have; it gets both
        return {"text/plain": repr(self), "text/html": self._repr_html_()}

    def __repr__(self, N_CHAR_MAX: int = 700) -> str:
        settings: str = super().__repr__(N_CHAR_MAX)
        if not hasattr(self, "fitted_"):
            return settings
        said = facts_of(self)
        return f"{settings}  # fitted to {said['cases']} cases, glands {said['glands']}, surgeons {said['surgeons']}"

    def diagnostics(
        self, cases: Cases | Source, *, functions: Mapping[str, Function] | Sequence[Quantity] = TIME_OUTPUTS
    ) -> Diagnostics:
        """How well the fit suits its cases: weights, residuals, leverage, influence, trends, error law.

        Parameters
        ----------
        cases : Cases, path or pandas.DataFrame
            Those that the model was fitted to; InvalidArgument for others.
        functions
            Outputs whose change by each case is wanted, as in :meth:`conf_int`; by default the minutes of enucleation
            and of morcellation at 80 mL (``lobetime.diagnostics.TIME_OUTPUTS``).
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
        for name in ("fit_", "_history", "_cases"):
            state.pop(name, None)
        if "fitted_" in state:
            state["fitted_"] = self.fitted_.to_json()
        return state

    def __setstate__(self, state: dict[str, object]) -> None:
        text = state.get("fitted_")
        if isinstance(text, str):
            state = {**state, "fitted_": _core.FittedModel.from_json(text)}
        super().__setstate__(state)


def _replicates_part(
    model: TheatreTimeModel,
    cases: Cases,
    theta: npt.NDArray[np.float64],
    by_surgeon: bool,
    seed: int,
    first: int,
    count: int,
) -> tuple[npt.NDArray[np.float64], list[str]]:
    """Replicates of the fit, found again where this runs; ``theta`` is the fit that it must be."""
    fit = model._fit_core(cases)
    if not np.allclose(fit.theta, theta, rtol=1e-7, atol=1e-9):
        raise _core.NotConverged("a worker finds another fit of the same cases: is its lobetime of another version?")
    return _core.time_replicates(
        fit,
        cases.table,
        model._prior_set(),
        **model._settings(),
        by_surgeon=by_surgeon,
        first=first,
        replicates=count,
        seed=seed,
        threads=1,
    )


class DriftWarning(UserWarning):
    """New cases are unlike what the last fit predicted."""


def load_model(path: str | os.PathLike[str]) -> TheatreTimeModel:
    """A model from its file. Raises InvalidModelFile for anything but a whole, finite model of a known version."""
    return model_from_json(Path(path).read_bytes())


def model_from_json(content: bytes | str) -> TheatreTimeModel:
    """A model from the content of its file, as :func:`load_model`."""
    fitted = _core.FittedModel.from_json(content)
    held = {row["name"]: row["estimate"] for row in fitted.parameter_rows() if row["origin"] == "held by the user"}
    model = TheatreTimeModel(
        loss=fitted.loss,
        tuning=fitted.tuning or None,
        prior=None if fitted.prior == "none" else fitted.prior,
        fixed=held or None,
        estimator=fitted.estimator,
    )
    model._take(fitted)
    return model
