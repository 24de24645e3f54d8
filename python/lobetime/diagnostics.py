"""How well a fit suits its cases: numbers as data frames, and a display for each.

The functions work on arrays (residuals, weights, scores), so that the time model and general regressions share them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from . import _core, quantities
from .cases import Cases
from .caution import CAUTION
from .plots import (
    DiagnosticsDisplay,
    InfluenceDisplay,
    LeverageDisplay,
    QuantilesDisplay,
    ResidualsDisplay,
    WeightsDisplay,
)
from .tables import as_pandas

if TYPE_CHECKING:
    from .model import TheatreTimeModel
    from .quantities import Quantity
    from .regression import Function
    from .tables import Table

Doubles: TypeAlias = npt.NDArray[np.float64]

MISRECORDED = 1e-4
"""Chance that a recorded time is off by anything: the engine's own for swap counts and lower bounds (assumption)."""
LONGEST_RECORDED = 1440.0
"""A misrecorded value lies anywhere from 1 to this (minutes of a day), evenly on the log scale (assumption)."""

_LEAST_FOR_TEST = 20  # observations; below, ranks say next to nothing
_PER_BIN = 10


# --- numbers from arrays ------------------------------------------------------------------------------------------


def empirical_influence(scores: Doubles, curvature: Doubles) -> Doubles:
    """What each case adds to the estimate, to first order: the estimate minus the one without the case, n x p.

    ``-A^-1 s_i`` with s_i the gradient of the case's part of the minimised objective (``scores``, n x p) and A the
    curvature of the whole (p x p): one Newton step away from the estimate, without the case's own part of A. It is the
    empirical influence function over n (Hampel, J Am Stat Assoc 1974;69:383).
    """
    scale = 1.0 / np.sqrt(np.diag(curvature))
    scaled = curvature * np.outer(scale, scale)
    influence: Doubles = -np.linalg.solve(scaled, (scores * scale).T).T * scale
    return influence


def cook_distance(influence: Doubles, curvature: Doubles, parameters: float) -> Doubles:
    """Cook-type distance of each case: d' A d / parameters, with d its influence on the estimate.

    Cook, Technometrics 1977;19:15, has d exact and A = X'X / s^2. With the curvature of a robust objective it is the
    likelihood displacement to second order (Cook, J R Stat Soc B 1986;48:133), on the same scale.
    """
    distance: Doubles = np.einsum("ij,jk,ik->i", influence, curvature, influence) / parameters
    return distance


def trend_bins(x: Doubles, residual: Doubles, weight: Doubles, bins: int) -> pd.DataFrame:
    """Weighted mean residual in bins of equal counts of x.

    The weights are the fit's own, so that the mean is as robust as the fit, and 0 in every bin if the form suits.

    Returns
    -------
    pandas.DataFrame
        One row a bin: x_low, x_median, x_high, n, mean, and its 95 % interval lower, upper (normal; standard error
        from the weighted residuals about the bin's mean). NaN where no weight is left.
    """
    rows = []
    for chosen in _bins(x, bins):
        w, u, within = weight[chosen], residual[chosen], x[chosen]
        total, n = w.sum(), len(within)
        mean = (w * u).sum() / total if total > 0 else np.nan
        spread = np.sqrt((w**2 * (u - mean) ** 2).sum() * n / (n - 1)) / total if n > 1 and total > 0 else np.nan
        half = stats.norm.ppf(0.975) * spread
        rows.append((within.min(), np.median(within), within.max(), n, mean, mean - half, mean + half))
    return pd.DataFrame(rows, columns=["x_low", "x_median", "x_high", "n", "mean", "lower", "upper"])


def trend_test(x: Doubles, residual: Doubles, bins: int) -> pd.Series[float]:
    """Rank tests of a trend of residuals in x.

    Returns
    -------
    pandas.Series
        n; level_p: Kruskal-Wallis over the bins of :func:`trend_bins` (a trend of any shape; J Am Stat Assoc
        1952;47:583); level_rho: Spearman's correlation of x and residual; spread_rho, spread_p: Spearman's
        correlation of x and the residual's size about its bin's median, a spread that grows or shrinks. NaN below 20
        observations or where x takes one value. The fit has used up part of any trend, so p values are a little too
        large; they are not corrected for the number of tests.
    """
    found = {"n": float(len(x)), "level_p": np.nan, "level_rho": np.nan, "spread_rho": np.nan, "spread_p": np.nan}
    groups = _bins(x, bins)
    if len(x) >= _LEAST_FOR_TEST and len(groups) > 1 and np.ptp(residual) > 0:
        found["level_p"] = float(stats.kruskal(*(residual[g] for g in groups)).pvalue)
        found["level_rho"] = float(stats.spearmanr(x, residual).statistic)
        size = residual.copy()
        for g in groups:
            size[g] = np.abs(residual[g] - np.median(residual[g]))
        spread = stats.spearmanr(x, size)
        found["spread_rho"], found["spread_p"] = float(spread.statistic), float(spread.pvalue)
    return pd.Series(found)


def _bins(x: Doubles, bins: int) -> list[npt.NDArray[np.intp]]:
    """Positions in each of at most ``bins`` bins: equal counts of about 10 or more, equal values of x together."""
    bins = max(1, min(bins, len(x) // _PER_BIN))
    if not len(x):
        return []
    edges = np.unique(np.quantile(x, np.linspace(0.0, 1.0, bins + 1)[1:-1]))
    which = np.searchsorted(edges, x, side="left")
    return [np.flatnonzero(which == k) for k in np.unique(which)]


def octile_skewness(values: Doubles) -> float:
    """((q7 - q4) - (q4 - q1)) / (q7 - q1) with q the octiles: 0 if symmetric, in [-1, 1], breakdown 1/8.

    Hinkley, Biometrika 1975;62:101. Its standard error under normal values is 1.073 / sqrt(n).
    """
    low, middle, high = np.quantile(values, [0.125, 0.5, 0.875])
    return float((high + low - 2.0 * middle) / (high - low)) if high > low else np.nan


def misrecorded_log_score(log_density: Doubles) -> Doubles:
    """Log score of each value, from its log density per unit of log minutes; bounded below.

    log((1 - e) f + e g): with chance e (``MISRECORDED``) a recorded value is anything from 1 to ``LONGEST_RECORDED``
    minutes, evenly on the log scale (g). One mistyped value then costs 12 or so, not thousands.
    """
    floor = np.log(MISRECORDED / np.log(LONGEST_RECORDED))
    score: Doubles = np.logaddexp(np.log1p(-MISRECORDED) + log_density, floor)
    return score


def _laws(recorded: Doubles, fitted: Doubles, spread: Doubles) -> dict[str, tuple[Doubles, Doubles]]:
    """Of each law: residuals about their median in their own robust spread, and log densities of log recorded."""
    log_recorded, log_fitted = np.log(recorded), np.log(fitted)
    raw = {  # residual, and log of its derivative by log recorded
        "lognormal": ((log_recorded - log_fitted) / spread, -np.log(spread)),
        "normal": (recorded - fitted, log_recorded),
        "normal, SD proportional to fitted": ((recorded - fitted) / fitted, log_recorded - log_fitted),
    }
    laws = {}
    for law, (values, log_slope) in raw.items():
        centred = values - np.median(values)
        own = _core.robust_scale(centred.tolist(), "reweighted") if np.any(centred) else 0.0
        own = max(own, np.finfo(float).tiny)  # all alike: no spread to speak of
        laws[law] = (centred / own, stats.norm.logpdf(centred / own) - np.log(own) + log_slope)
    return laws


def error_laws(recorded: Doubles, fitted: Doubles, spread: Doubles) -> pd.DataFrame:
    """Which law the residuals follow: lognormal, normal, or normal with a spread proportional to the fitted value.

    Each law is centred at its residuals' median and has their robust spread, so that all have two numbers of their own.

    Parameters
    ----------
    recorded, fitted : (n,) positive
    spread : (n,) positive
        Of the log residuals, up to a factor.

    Returns
    -------
    pandas.DataFrame
        One row a law: n; skewness (moments: one outlier may decide it); octile_skewness and its standard error under
        normal residuals; log_score (mean of :func:`misrecorded_log_score`); log_score_difference from the
        lognormal's (below 0 = fits worse) and the standard error of that difference.
    """
    n = len(recorded)
    laws = _laws(recorded, fitted, spread)
    scores = {law: misrecorded_log_score(log_density) for law, (_, log_density) in laws.items()}
    rows = {}
    for law, (u, _) in laws.items():
        difference = scores[law] - scores["lognormal"]
        rows[law] = {
            "n": n,
            "skewness": float(stats.skew(u)) if np.ptp(u) > 0 else np.nan,
            "octile_skewness": octile_skewness(u),
            "octile_skewness_se": 1.073 / np.sqrt(n),
            "log_score": scores[law].mean(),
            "log_score_difference": difference.mean(),
            "log_score_difference_se": difference.std(ddof=1) / np.sqrt(n) if n > 1 else np.nan,
        }
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("law")


def quantile_points(residuals: Mapping[str, Doubles]) -> pd.DataFrame:
    """Residuals by rank against the normal: expected, and the 95 % range lower to upper of each order statistic.

    expected is the normal quantile at (i - 3/8) / (n + 1/4) (Blom 1958); the i-th of n uniform values has the law
    Beta(i, n + 1 - i). One column more for each of ``residuals``, sorted.
    """
    n = len(next(iter(residuals.values())))
    rank = np.arange(1, n + 1)
    points = pd.DataFrame({"expected": stats.norm.ppf((rank - 0.375) / (n + 0.25))})
    points["lower"] = stats.norm.ppf(stats.beta.ppf(0.025, rank, n + 1 - rank))
    points["upper"] = stats.norm.ppf(stats.beta.ppf(0.975, rank, n + 1 - rank))
    for name, values in residuals.items():
        points[name] = np.sort(values)
    return points


# --- a fit's diagnostics ------------------------------------------------------------------------------------------

_CASE_NUMBERS = ["leverage", "cook_distance", "largest_residual", "least_weight"]


@dataclass(frozen=True, repr=False, eq=False)
class Diagnostics:
    """How well a fit suits its cases. Made by ``TheatreTimeModel.diagnostics`` and :func:`diagnose_regression`.

    Attributes
    ----------
    observations : pandas.DataFrame
        One row a residual: case_index (position of the case, from 0), channel, recorded, fitted (median), spread,
        standardised (residual in spreads), weight. Of the time model: minutes (tissue: grams) of what is left of a
        recorded sum after its recorded phases, residuals and spreads of their logs; lower bounds of unfinished cases
        and swap counts are no residuals.
    cases : pandas.DataFrame
        One row a case, by case_index: columns that name it (row: of the file, the heading being row 1), quantities
        that a trend may follow, leverage (parameters
        that the case decides: trace of A^-1 times its part of the reweighted curvature), cook_distance
        (:func:`cook_distance`), largest_residual (in spreads) and least_weight.
    influence : pandas.DataFrame
        One row a case, one column a parameter: :func:`empirical_influence` in standard errors of the estimate. A case
        without weight has none; what a case does to the spreads is not counted.
    output_influence : pandas.DataFrame
        The same on named outputs, each in its own unit.
    outputs : pandas.Series
        The outputs' values at the estimate.
    predictors : mapping
        What residuals can be held against ("fitted", or a column of ``cases``), and what a picture calls it.
    units : mapping
        Unit of what is recorded, of each channel that has one.
    named_by : tuple of str
        The columns of ``cases`` that name a case.
    """

    observations: pd.DataFrame
    cases: pd.DataFrame
    influence: pd.DataFrame
    output_influence: pd.DataFrame
    outputs: pd.Series[float]
    predictors: Mapping[str, str]
    units: Mapping[str, str]
    named_by: tuple[str, ...] = ()
    caution: str = ""

    def __repr__(self) -> str:
        return f"<Diagnostics of {len(self.cases)} cases, {len(self.observations)} residuals>"

    def __str__(self) -> str:
        by_channel = self.observations.groupby("channel", sort=False)["weight"]
        weights = pd.DataFrame({"residuals": by_channel.size(), "weight below 0.5": by_channel.apply(_below_half)})
        influential = self.most_influential().drop(columns=[name for name in self.named_by if name != "row"])
        parts = {
            "Residuals": weights.rename_axis(None).to_string(),
            "Trends (rank tests)": self.trend_tests()[["level_p", "spread_p"]].to_string(float_format="{:.3f}".format),
            "Most influential cases": influential.to_string(float_format="{:.3g}".format),
        }
        words = "\n\n".join(f"{title}\n{table}" for title, table in parts.items())
        return f"{words}\n\n{self.caution}".rstrip()

    @property
    def channels(self) -> list[str]:
        return [str(name) for name in self.observations["channel"].unique()]

    @property
    def weights(self) -> pd.DataFrame:
        """Weight of each residual: one row a case with its names, one column a channel; NaN without a residual."""
        return self._by_case("weight")

    @property
    def standardised(self) -> pd.DataFrame:
        """Residuals in units of their spread, one row a case, one column a channel; as ``weights``."""
        return self._by_case("standardised")

    @property
    def leverage(self) -> pd.DataFrame:
        """leverage, cook_distance, largest_residual and least_weight of each case."""
        return self.cases[[*self.named_by, *_CASE_NUMBERS]]

    def most_influential(self, n: int = 10) -> pd.DataFrame:
        """The n cases of the largest Cook distance, the largest first.

        Columns: those of ``leverage``; parameter, the one that the case moves most, and moved_se, by how many standard
        errors; one column an output.
        """
        order = self.cases["cook_distance"].nlargest(n).index
        moved = self.influence.loc[order].to_numpy()
        most = np.abs(moved).argmax(axis=1)
        table = self.leverage.loc[order].assign(
            parameter=self.influence.columns[most], moved_se=np.take_along_axis(moved, most[:, None], axis=1)[:, 0]
        )
        return table.join(self.output_influence)

    def trend(self, against: str, channel: str | None = None, *, bins: int = 8) -> pd.DataFrame:
        """Weighted mean residuals in at most ``bins`` bins: see :func:`trend_bins`."""
        return trend_bins(*self._points(against, channel), bins)

    def trend_tests(self, *, bins: int = 8) -> pd.DataFrame:
        """Rank tests of a trend, one row a channel and predictor: see :func:`trend_test`."""
        pairs = [(channel, against) for channel in self.channels for against in self.predictors]
        tests = []
        for channel, against in pairs:
            x, u, _ = self._points(against, channel)
            tests.append(trend_test(x, u, bins))
        return pd.DataFrame(tests, index=pd.MultiIndex.from_tuples(pairs, names=["channel", "against"]))

    def error_laws(self) -> pd.DataFrame:
        """Normal against lognormal errors, one row a channel and law: see :func:`error_laws`.

        left_out counts values that have no logarithm: remainders of rounded or mistyped minutes at or below 0.
        Channels with fewer than three others are not judged.
        """
        tables = {}
        for channel in self.channels:
            columns, left_out = self._positive(channel)
            if len(columns[0]) >= 3:
                tables[channel] = error_laws(*columns).assign(left_out=left_out)
        if not tables:
            raise _core.InvalidArgument("error_laws: no channel has three recorded values above 0")
        return pd.concat(tables, names=["channel"])

    def residuals_display(self, against: str, channel: str | None = None, *, bins: int = 8) -> ResidualsDisplay:
        """Residuals of one channel against one predictor, with their trend."""
        x, u, w = self._points(against, channel)
        return ResidualsDisplay(
            pd.DataFrame({"x": x, "standardised": u, "weight": w}),
            trend_bins(x, u, w, bins),
            trend_test(x, u, bins),
            self._channel(channel),
            self._x_label(against, channel),
            caution=self.caution,
        )

    def quantiles_display(self, channel: str | None = None) -> QuantilesDisplay:
        """Quantiles of one channel's residuals under each law against the normal's."""
        columns, _ = self._positive(channel)
        if len(columns[0]) < 3:
            raise _core.InvalidArgument(
                f"quantiles_display: channel {self._channel(channel)!r} has fewer than three recorded values above 0"
            )
        points = quantile_points({law: u for law, (u, _) in _laws(*columns).items()})
        return QuantilesDisplay(points, error_laws(*columns), self._channel(channel), caution=self.caution)

    def weights_display(self) -> WeightsDisplay:
        """Residuals of every channel, marked by weight."""
        columns = ["case_index", "channel", "standardised", "weight"]
        return WeightsDisplay(self.observations[columns], caution=self.caution)

    def leverage_display(self, n: int = 10) -> LeverageDisplay:
        """Leverage against the largest residual of each case, the n most influential marked."""
        return LeverageDisplay(self.leverage, n, caution=self.caution)

    def influence_display(self, n: int = 10, *, labels: str | None = None) -> InfluenceDisplay:
        """What the n most influential cases add to the outputs (without outputs: to the parameter each moves most).

        ``labels``: "case_index" or a column of ``cases``; nothing else of a case is shown. By default its row in the
        file, and where there is no file its index.
        """
        labels = labels or ("row" if "row" in self.named_by else "case_index")
        table = self.most_influential(n)
        if labels != "case_index" and labels not in self.cases:
            allowed = ", ".join(["case_index", *self.named_by])
            raise _core.InvalidArgument(f"influence_display: labels must be one of {allowed}, not {labels!r}")
        words = [str(w) for w in (table.index if labels == "case_index" else self.cases.loc[table.index, labels])]
        if len(self.outputs):
            label_name = "row of the file" if labels == "row" else labels
            return InfluenceDisplay(table[list(self.outputs.index)], words, label_name, caution=self.caution)
        words = [f"{word}: {name}" for word, name in zip(words, table["parameter"], strict=True)]
        shown = table[["moved_se"]].set_axis(["standard errors of the parameter"], axis=1)
        return InfluenceDisplay(shown, words, f"{labels}: parameter", caution=self.caution)

    def display(self, channel: str | None = None) -> DiagnosticsDisplay:
        """One page for one channel: residuals against each predictor, quantiles, leverage, influence."""
        panels: list[ResidualsDisplay | QuantilesDisplay | LeverageDisplay | InfluenceDisplay] = [
            self.residuals_display(against, channel) for against in self.predictors
        ]
        if len(self._positive(channel)[0][0]) >= 3:
            panels.append(self.quantiles_display(channel))
        return DiagnosticsDisplay([*panels, self.leverage_display(), self.influence_display()], self.caution)

    def _channel(self, channel: str | None) -> str:
        channels = self.channels
        chosen = channels[0] if channel is None else channel
        if chosen not in channels:
            raise _core.InvalidArgument(f"channel must be one of {', '.join(channels)}, not {channel!r}")
        return chosen

    def _x_label(self, against: str, channel: str | None) -> str:
        unit = self.units.get(self._channel(channel), "") if against == "fitted" else ""
        return self.predictors[against] + (f" ({unit})" if unit else "")

    def _rows(self, channel: str | None) -> pd.DataFrame:
        return self.observations[self.observations["channel"] == self._channel(channel)]

    def _points(self, against: str, channel: str | None) -> tuple[Doubles, Doubles, Doubles]:
        """x, standardised residual and weight of the residuals of a channel whose x is known."""
        if against not in self.predictors:
            raise _core.InvalidArgument(f"against must be one of {', '.join(self.predictors)}, not {against!r}")
        rows = self._rows(channel)
        x = (rows["fitted"] if against == "fitted" else rows["case_index"].map(self.cases[against])).to_numpy(float)
        known = np.isfinite(x)
        return x[known], rows["standardised"].to_numpy()[known], rows["weight"].to_numpy()[known]

    def _positive(self, channel: str | None) -> tuple[tuple[Doubles, Doubles, Doubles], int]:
        """recorded, fitted and spread of the residuals of a channel that have logarithms, and how many have none."""
        rows = self._rows(channel)
        rows = rows[(rows["recorded"] > 0) & (rows["fitted"] > 0)]
        columns = rows["recorded"].to_numpy(), rows["fitted"].to_numpy(), rows["spread"].to_numpy()
        return columns, len(self._rows(channel)) - len(rows)

    def _by_case(self, value: str) -> pd.DataFrame:
        table = self.observations.pivot(index="case_index", columns="channel", values=value)
        return self.cases[list(self.named_by)].join(table[self.channels].rename_axis(columns=None))


def _below_half(weight: pd.Series[float]) -> int:
    return int((weight < 0.5).sum())


def _case_numbers(observations: pd.DataFrame, leverage: Doubles, cook: Doubles) -> pd.DataFrame:
    table = pd.DataFrame({"leverage": leverage, "cook_distance": cook}).rename_axis("case_index")
    by_size = observations.iloc[np.argsort(observations["standardised"].abs().to_numpy(), kind="stable")]
    largest = by_size.drop_duplicates("case_index", keep="last").set_index("case_index")
    table["largest_residual"] = largest["standardised"]
    table["least_weight"] = observations.groupby("case_index")["weight"].min()
    return table


def _on_outputs(
    outputs: Mapping[str, Callable[[Doubles], float]], theta: Doubles, se: Doubles
) -> tuple[pd.Series[float], Doubles]:
    """Values of the outputs at theta and their derivatives, p x outputs (central differences over 1/1000 SE)."""
    values = pd.Series({name: float(of(theta)) for name, of in outputs.items()}, dtype=float)
    slopes = np.zeros((len(theta), len(outputs)))
    for k, step in enumerate(1e-3 * se):
        if step > 0:
            away = np.zeros_like(theta)
            away[k] = step
            slopes[k] = [(float(of(theta + away)) - float(of(theta - away))) / (2 * step) for of in outputs.values()]
    return values, slopes


# --- the time model -----------------------------------------------------------------------------------------------

TIME_OUTPUTS = (
    quantities.enucleation_min(80, name="enucleation at 80 mL, min"),
    quantities.morcellation_min(80, device_class="reciprocating/vacuum", name="morcellation at 80 mL, min"),
)
"""Of the unit's average surgeon past the learning curve; reciprocating blade, vacuum, a canister that is never full."""


def diagnose_time_model(
    model: TheatreTimeModel,
    cases: Cases,
    functions: Mapping[str, Quantity | Function] | Sequence[Quantity] = TIME_OUTPUTS,
) -> Diagnostics:
    """What ``TheatreTimeModel.diagnostics`` returns; see there."""
    if not hasattr(model, "fit_"):
        raise _core.InvalidArgument("diagnostics need the fit itself, which a model file does not hold: fit the cases")
    fit, fitted = model.fit_, model.fitted_
    scores = fit.case_scores(cases.table, loss=fitted.loss, tuning=fitted.tuning, threads=model.threads)
    leverage = fit.case_leverage(cases.table, loss=fitted.loss, tuning=fitted.tuning, threads=model.threads)
    se = np.sqrt(np.diag(fitted.covariance))
    scores[:, se == 0] = 0.0  # parameters that are held
    influence = empirical_influence(scores, fit.curvature)
    _require_same_cases(cases, fit, influence, se)
    wanted = {one.name: one.value for one in model._quantities(functions)}
    values, slopes = _on_outputs(wanted, fit.theta, se)
    seen = pd.DataFrame(fit.observations())
    seen = seen[seen["kind"] == "residual"].sort_values(["case_index"], kind="stable", ignore_index=True)
    seen["recorded"] -= seen["offset_min"]
    channels = [name for name in model.scale_.index if (seen["channel"] == name).any()]
    seen["channel"] = pd.Categorical(seen["channel"], channels)
    seen = seen.sort_values("channel", kind="stable", ignore_index=True).astype({"channel": "str"})
    numbers = _case_numbers(seen, leverage, cook_distance(influence, fit.curvature, float(leverage.sum())))
    frame = cases.frame.reset_index(drop=True)
    frame["row"] = cases.rows
    named = [name for name in ("row", "case_id", "gland_ml", "surgeon") if name in frame]
    known = [name for name in ("surgeon_case_no",) if name in frame]
    table = frame[[*named, *known]].join(numbers).rename_axis("case_index")
    predictors = {"gland_ml": "gland volume (mL)", "surgeon_case_no": "surgeon's case number", "fitted": "fitted"}
    return Diagnostics(
        observations=seen[["case_index", "channel", "recorded", "fitted", "spread", "standardised", "weight"]],
        cases=table,
        influence=_frame(np.divide(influence, se, out=np.zeros_like(influence), where=se > 0), model.params_.index),
        output_influence=_frame(influence @ slopes, values.index),
        outputs=values,
        predictors={name: words for name, words in predictors.items() if name in table or name == "fitted"},
        units={name: "g" if name == "tissue" else "min" for name in channels},
        named_by=tuple(named),
        caution=CAUTION,
    )


_AS_RECORDED = {"enucleation_min": "enucleation", "morcellation_min": "morcellation", "tissue_g": "tissue"}


def _require_same_cases(cases: Cases, fit: _core.TheatreTimeFit, influence: Doubles, se: Doubles) -> None:
    """Cases have the values that were fitted; at the minimum of theirs, their pulls and the prior's cancel."""
    seen = pd.DataFrame(fit.observations())
    seen = seen[seen["kind"] == "residual"]
    same = all(
        np.array_equal(getattr(cases.table, column)[one["case_index"]], one["recorded"])
        for column, channel in _AS_RECORDED.items()
        for one in [seen[seen["channel"] == channel]]
    )
    prior_pull = np.linalg.solve(fit.curvature, fit.slope_without_cases)
    free = (se > 0) & ~np.isin(fit.names, fit.on_bound)
    off = np.abs(influence.sum(axis=0) - prior_pull)[free] / se[free]
    # A fit ends within 1e-8 standard errors; one whose counts of swaps leave hardly any spread within 1e-3, more than
    # one case of very many moves it by: a gland or surgeon that alone was changed in a long history is not seen here.
    if not same or not off.max(initial=0.0) < 0.01:
        raise _core.InvalidArgument("these are not the cases that the model was fitted to")


# --- any regression -----------------------------------------------------------------------------------------------


class FittedRegression(Protocol):
    """What :func:`diagnose_regression` reads: n rows, p parameters."""

    @property
    def params_(self) -> pd.DataFrame: ...  # column estimate
    @property
    def scale_(self) -> float: ...
    @property
    def weights_(self) -> npt.ArrayLike: ...  # (n,)
    @property
    def residuals_(self) -> npt.ArrayLike: ...  # (n,) recorded - fitted
    @property
    def fitted_values_(self) -> npt.ArrayLike: ...  # (n,)
    @property
    def jacobian_(self) -> npt.ArrayLike: ...  # (n, p) of the mean
    @property
    def covariance_(self) -> npt.ArrayLike: ...  # (p, p)


def diagnose_regression(
    regression: FittedRegression,
    predictors: Table | None = None,
    *,
    functions: Mapping[str, Function] | None = None,
) -> Diagnostics:
    """Diagnostics of a fitted :class:`RobustRegression` (or of anything with its attributes).

    Parameters
    ----------
    regression : fitted regression of n rows
    predictors : pandas.DataFrame, optional
        n rows; each column is something to hold the residuals against.
    functions : mapping of a name to a callable of a mapping of parameter names to values, optional
        Outputs whose change by each row is wanted.

    Notes
    -----
    The curvature is the reweighted one, J' W J / scale^2; the leverage w_i j_i' (J' W J)^-1 j_i; the influence of a
    row (J' W J)^-1 j_i w_i r_i. For squares that is Cook's distance without the factor 1 / (1 - leverage)^2.
    """
    weight, residual, fitted = (
        np.asarray(values, float) for values in (regression.weights_, regression.residuals_, regression.fitted_values_)
    )
    jacobian, covariance = np.asarray(regression.jacobian_, float), np.asarray(regression.covariance_, float)
    n, p = jacobian.shape
    predictors = None if predictors is None else as_pandas(predictors, "predictors")
    if predictors is not None and len(predictors) != n:
        raise _core.InvalidArgument(f"predictors: expected {n} rows, as the regression has, not {len(predictors)}")
    u = residual / regression.scale_
    curvature = (jacobian.T * weight) @ jacobian / regression.scale_**2
    influence = empirical_influence(-jacobian * (weight * u / regression.scale_)[:, None], curvature)
    reach = np.linalg.solve(curvature, jacobian.T).T
    leverage = weight * np.einsum("ij,ij->i", jacobian, reach) / regression.scale_**2
    observations = pd.DataFrame(
        {
            "case_index": np.arange(n),
            "channel": "response",
            "recorded": fitted + residual,
            "fitted": fitted,
            "spread": 1.0,
            "standardised": u,
            "weight": weight,
        }
    )
    table = _case_numbers(observations, leverage, cook_distance(influence, curvature, p))
    if predictors is not None:
        table = predictors.reset_index(drop=True).rename(columns=str).join(table).rename_axis("case_index")
    names = regression.params_.index
    se = np.sqrt(np.diag(covariance))

    def of_theta(function: Function) -> Callable[[Doubles], float]:
        return lambda theta: function(dict(zip(names, theta.tolist(), strict=True)))

    estimate = regression.params_["estimate"].to_numpy(float)
    outputs = {name: of_theta(function) for name, function in (functions or {}).items()}
    values, slopes = _on_outputs(outputs, estimate, se)
    return Diagnostics(
        observations=observations,
        cases=table,
        influence=_frame(influence / se, names),
        output_influence=_frame(influence @ slopes, values.index),
        outputs=values,
        predictors={name: name for name in [*([] if predictors is None else map(str, predictors)), "fitted"]},
        units={},
    )


def _frame(values: Doubles, columns: pd.Index[str]) -> pd.DataFrame:
    return pd.DataFrame(values, columns=columns).rename_axis("case_index")
