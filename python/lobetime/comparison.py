"""Which form of the time model suits a unit: a robust information criterion, and prediction of cases left out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats
from scipy.special import logsumexp
from sklearn.base import clone
from sklearn.model_selection import RepeatedKFold

from . import _core
from .cases import KNOWN_AT_BOOKING, Cases, read_cases
from .caution import CAUTION
from .diagnostics import MISRECORDED, misrecorded_log_score
from .model import Source, TheatreTimeModel
from .parallel import jobs_of, run
from .plots import FormsDisplay

Doubles: TypeAlias = npt.NDArray[np.float64]

# Recorded times that a booking's draws are held against: the phases (positions in lobetime.prediction.PHASES) of each.
_TIMES = {"enucleation": [0], "morcellation": [2], "operative": [0, 1, 2], "theatre": [0, 1, 2, 3]}
_MORCELLATION = 2
# Columns known when a case is booked; the rest of a row is what happened.


def compare_forms(
    forms: Mapping[str, TheatreTimeModel],
    cases: Cases | Source,
    *,
    folds: int = 5,
    repeats: int = 5,
    seed: int = 1,
    draws: int = 2000,
    reference: str | None = None,
    n_jobs: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> FormComparison:
    """Compare forms of the time model, nested or not, on a unit's cases.

    Parameters
    ----------
    forms : mapping of name to TheatreTimeModel
        Two or more, with one estimator, loss, tuning and prior between them; they differ in what they hold fixed. Not
        changed.
    cases : Cases, path or pandas.DataFrame
    folds, repeats : int
        Cases are dealt into ``folds`` parts, ``repeats`` times; the same parts for every form.
    seed : int
        Of the dealing and of the draws, which the forms share.
    draws : int
        For each case left out.
    reference : str, optional
        The form that the others are held against; by default the first.
    n_jobs : int, optional
        Fits to the parts side by side, as in scikit-learn; inside :func:`lobetime.on_cluster` on its workers. Results
        do not depend on it.
    progress : callable, optional
        ``progress(fits done, fits in all)``.

    Returns
    -------
    FormComparison

    Notes
    -----
    *Robust AIC* (Ronchetti, Stat Probab Lett 1985;3:21). Every form is fitted anew with the channels' spreads held at
    those of the largest form, the one with most free parameters (of several, the first). Then

        robust_aic = 2 (cost of the cases) + 2 tr(A^-1 B)

    with the cost of the cases the objective's without its priors: sum of k rho over times and tissue, and the log
    likelihoods of lower bounds and swap counts, cost and k as in C++ ``TimeObjective``; A the curvature of the
    objective, priors included, and B the sum over cases of score score', a score holding all of a case. With priors
    this is the criterion for a penalised fit (Shibata 1989); tr(A^-1 B) counts the parameters that the cases, not the
    priors, decide. Differences of 2 or less say little. The spreads of sums and of times with canister swaps follow
    from the parameters, so that theirs differ a little between forms.

    *Predictive score*, of cases that the form has not seen, from joint draws given what is known at booking: of each
    recorded time (enucleation, morcellation, operative, theatre) the log predictive density of log minutes (Gaussian
    kernel, Silverman's bandwidth, over the draws), bounded as in
    :func:`lobetime.diagnostics.misrecorded_log_score`, higher is better; a time that ends with an unfinished
    morcellation counts with the chance of a longer one. The median absolute log error is that of the draws' median
    against the finished times. "all" takes every recorded time of a case.

    Standard errors of differences use (1 / J + n_test / n_train) times the variance over the J = folds x repeats parts
    (Nadeau and Bengio, Mach Learn 2003;52:239), intervals Student's t with J - 1 degrees of freedom.

    Raises
    ------
    InvalidArgument, InvalidData, and what a form's ``fit`` raises, with the form and the part named.
    """
    cases = cases if isinstance(cases, Cases) else read_cases(cases)
    reference = _check(forms, cases, folds, repeats, reference)
    total = 2 * len(forms) + folds * repeats * len(forms)
    done = 0

    def told() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, total)

    criterion = _criterion(forms, cases, reference, told)
    tasks = []
    threads = {} if jobs_of(n_jobs) == 1 else {"threads": 1}
    splits = RepeatedKFold(n_splits=folds, n_repeats=repeats, random_state=seed).split(np.arange(len(cases)))
    for part, (train, test) in enumerate(splits):
        seen, unseen = _take(cases, train), _take(cases, test)
        for name, form in forms.items():
            tasks.append(
                (clone(form).set_params(**threads), name, part // folds, part % folds, seen, unseen, draws, seed)
            )
    parts = run(_scores_of_part, tasks, n_jobs, told)
    share = 1.0 / (folds - 1)  # n_test / n_train
    return FormComparison(criterion, pd.concat(parts, ignore_index=True), reference, share)


def _scores_of_part(
    form: TheatreTimeModel, name: str, repeat: int, fold: int, seen: Cases, unseen: Cases, draws: int, seed: int
) -> pd.DataFrame:
    fitted = _fitted(form, seen, f"form {name!r}, repeat {repeat + 1}, fold {fold + 1}")
    scores = _scores(fitted, unseen, draws, seed)
    scores.insert(0, "form", name)
    scores.insert(1, "repeat", repeat)
    scores.insert(2, "fold", fold)
    return scores


@dataclass(frozen=True, repr=False, eq=False)
class FormComparison:
    """Forms side by side. Made by :func:`compare_forms`, which says what each number is.

    Attributes
    ----------
    criterion : pandas.DataFrame
        One row a form: free (parameters not held), from_cases (tr(A^-1 B)), cost (of the cases), robust_aic,
        robust_aic_difference from the reference (below 0 = better).
    parts : pandas.DataFrame
        One row a form, repeat, fold and time: n (recorded), log_score (mean), median_abs_log_error.
    reference : str
    """

    criterion: pd.DataFrame
    parts: pd.DataFrame
    reference: str
    test_to_train: float

    def __repr__(self) -> str:
        return f"<FormComparison of {', '.join(self.criterion.index)}>"

    def __str__(self) -> str:
        differences = self.differences()
        every = differences[differences.index.get_level_values("time") == "all"].droplevel("time")
        parts = {
            "Robust AIC": self.criterion.to_string(float_format="{:.1f}".format),
            "Prediction of cases left out": self.scores["log_score"]
            .unstack("form")
            .to_string(float_format="{:.3f}".format),
            f"All recorded times, minus those of {self.reference!r}": every.to_string(float_format="{:.4f}".format),
        }
        return "\n\n".join(f"{title}\n{table}" for title, table in parts.items()) + f"\n\n{CAUTION}"

    @property
    def scores(self) -> pd.DataFrame:
        """Means over the parts, one row a form and time: log_score, median_abs_log_error."""
        by_form = self.parts.groupby(["form", "time"], sort=False)
        return by_form[["log_score", "median_abs_log_error"]].mean()

    def differences(self, reference: str | None = None, *, level: float = 0.95) -> pd.DataFrame:
        """Each form minus the reference, one row a form, time and score: difference, se, lower, upper, p.

        log_score above 0 and median_abs_log_error below 0 = the form predicts better.
        """
        reference = self.reference if reference is None else reference
        forms = list(self.criterion.index)
        if reference not in forms:
            raise _core.InvalidArgument(f"reference must be one of {', '.join(forms)}, not {reference!r}")
        if not 0 < level < 1:
            raise _core.InvalidArgument("level must lie strictly between 0 and 1")
        rows = {}
        for form in forms:
            for time in dict.fromkeys(self.parts["time"]):
                of_time = self.parts[self.parts["time"] == time]
                for score in ("log_score", "median_abs_log_error"):
                    by_part = of_time.pivot(index=["repeat", "fold"], columns="form", values=score)
                    each = (by_part[form] - by_part[reference]).dropna().to_numpy()
                    if form != reference and len(each) > 1:
                        rows[form, time, score] = _corrected(each, self.test_to_train, level)
        table = pd.DataFrame.from_dict(rows, orient="index", columns=["difference", "se", "lower", "upper", "p"])
        table.index = pd.MultiIndex.from_tuples(list(rows), names=["form", "time", "score"])
        return table

    def display(self, time: str = "all") -> FormsDisplay:
        """Differences of the log score of ``time`` from the reference, with the robust AIC."""
        times = list(dict.fromkeys(self.parts["time"]))
        if time not in times:
            raise _core.InvalidArgument(f"time must be one of {', '.join(times)}, not {time!r}")
        table = self.differences()
        _, of_time, score = (table.index.get_level_values(k) for k in range(3))
        chosen = table[(of_time == time) & (score == "log_score")].droplevel(["time", "score"])
        return FormsDisplay(chosen, self.criterion, self.reference, time, caution=CAUTION)


def _corrected(each: Doubles, test_to_train: float, level: float) -> tuple[float, float, float, float, float]:
    """Mean of the parts' differences, its corrected standard error, its interval, the p value of no difference."""
    n, mean = len(each), float(each.mean())
    se = float(np.sqrt((1.0 / n + test_to_train) * each.var(ddof=1)))
    half = float(stats.t.ppf(0.5 + 0.5 * level, n - 1)) * se
    p = float(2.0 * stats.t.sf(abs(mean) / se, n - 1)) if se > 0 else float(mean == 0.0)
    return mean, se, mean - half, mean + half, p


def _check(forms: Mapping[str, TheatreTimeModel], cases: Cases, folds: int, repeats: int, reference: str | None) -> str:
    if len(forms) < 2:
        raise _core.InvalidArgument("compare_forms: two or more forms are needed")
    for name, form in forms.items():
        if not isinstance(form, TheatreTimeModel):
            raise _core.InvalidArgument(f"compare_forms: form {name!r} must be a TheatreTimeModel, not {form!r}")
    for setting in ("estimator", "loss", "tuning", "prior", "scale_method"):
        if len({form.get_params()[setting] for form in forms.values()}) > 1:
            raise _core.InvalidArgument(
                f"compare_forms: all forms must have the same {setting}; their criteria cannot be compared otherwise"
            )
    if not 2 <= folds <= len(cases):
        raise _core.InvalidArgument(f"folds must lie between 2 and the number of cases ({len(cases)}), not {folds!r}")
    if repeats < 1:
        raise _core.InvalidArgument(f"repeats must be at least 1, not {repeats!r}")
    if reference is None:
        return next(iter(forms))
    if reference not in forms:
        raise _core.InvalidArgument(f"reference must be one of {', '.join(forms)}, not {reference!r}")
    return reference


def _fitted(form: TheatreTimeModel, cases: Cases, where: str) -> TheatreTimeModel:
    try:
        return clone(form).fit(cases)  # type: ignore[no-any-return]
    except _core.Error as error:
        raise type(error)(f"{where}: {error}") from error


def _criterion(
    forms: Mapping[str, TheatreTimeModel], cases: Cases, reference: str, told: Callable[[], None]
) -> pd.DataFrame:
    own = {}
    for name, form in forms.items():
        own[name] = _fitted(form, cases, f"form {name!r}")
        told()
    free = {name: int(np.count_nonzero(np.diag(fitted.fitted_.covariance))) for name, fitted in own.items()}
    largest = max(free, key=lambda name: free[name])
    spreads = own[largest].scale_["spread"].tolist()
    groups = own[largest].groups_["log_sd"].tolist()
    rows = {}
    for name, fitted in own.items():
        fit = fitted._fit_core(cases, held_spreads=spreads, held_groups=groups)
        scores = fit.case_scores(cases.table, loss=fitted.fitted_.loss, tuning=fitted.fitted_.tuning)
        scores[:, np.diag(fitted.fitted_.covariance) == 0] = 0.0  # parameters that are held
        cost = fit.cost - fit.cost_without_cases
        from_cases = float(np.trace(np.linalg.solve(fit.curvature, scores.T @ scores)))
        rows[name] = {"free": free[name], "from_cases": from_cases, "cost": cost, "robust_aic": 2 * (cost + from_cases)}
        told()
    table = pd.DataFrame.from_dict(rows, orient="index").rename_axis("form")
    return table.assign(robust_aic_difference=table["robust_aic"] - rows[reference]["robust_aic"])


def _take(cases: Cases, positions: npt.NDArray[np.intp]) -> Cases:
    return Cases(
        cases.frame.iloc[positions].reset_index(drop=True), cases.table.take(positions), cases.warnings.head(0)
    )


def _scores(fitted: TheatreTimeModel, unseen: Cases, draws: int, seed: int) -> pd.DataFrame:
    """One row a time: n, log_score, median_abs_log_error of the cases left out."""
    booked = _core.CaseTable(**{name: getattr(unseen.table, name) for name in KNOWN_AT_BOOKING})
    minutes = _core.predict(fitted.fitted_, booked, draws=draws, seed=seed, threads=fitted.threads).draws
    unfinished = np.isin(unseen.table.morcellation_outcome, ("deferred", "other_route"))
    log_scores, errors = {}, {}
    for time, phases in _TIMES.items():
        recorded = getattr(unseen.table, f"{time}_min")
        there = np.isfinite(recorded)
        log_draws = np.log(minutes[there][:, :, phases].sum(axis=2))
        bound = unfinished[there] if _MORCELLATION in phases else np.zeros(there.sum(), bool)
        log_scores[time] = _log_scores(np.log(recorded[there]), log_draws, bound)
        errors[time] = np.abs(np.log(recorded[there]) - np.median(log_draws, axis=1))[~bound]
    for values in (log_scores, errors):
        values["all"] = np.concatenate(list(values.values()))
    rows = [
        {
            "time": time,
            "n": len(log_scores[time]),
            "log_score": log_scores[time].mean(),
            "median_abs_log_error": np.median(errors[time]) if len(errors[time]) else np.nan,
        }
        for time in log_scores
        if len(log_scores[time])
    ]
    return pd.DataFrame(rows)


def _log_scores(log_recorded: Doubles, log_draws: Doubles, bound: npt.NDArray[np.bool_]) -> Doubles:
    """Bounded log score of each recorded time under its draws; of a lower bound, that of a longer time."""
    low, high = np.quantile(log_draws, [0.25, 0.75], axis=1)
    spread = np.minimum(log_draws.std(axis=1), (high - low) / 1.349)
    width = 0.9 * spread * log_draws.shape[1] ** -0.2  # Silverman 1986
    z = (log_recorded[:, None] - log_draws) / width[:, None]
    density = logsumexp(stats.norm.logpdf(z), axis=1) - np.log(log_draws.shape[1] * width)
    longer = stats.norm.sf(z).mean(axis=1)
    scores: Doubles = np.where(
        bound, np.log((1.0 - MISRECORDED) * longer + MISRECORDED), misrecorded_log_score(density)
    )
    return scores
