"""Displays of a fit: residuals, quantiles, weights, leverage, influence, forms of the model, charts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import pandas as pd

from .style import BLACK, BLUE, GREEN, GREY, RED, Display, InNotebook, draw_legend, new_figure, own_axes, plain_log

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..cases import Cases
    from ..diagnostics import Diagnostics
    from ..model import TheatreTimeModel

_LINEAR_TO = 5.0  # standardised residuals beyond are drawn on a log scale
_WEIGHT_CLASSES: tuple[tuple[str, float, float, dict[str, Any]], ...] = (
    ("weight ≥ 0.5", 0.5, np.inf, {"marker": "o", "s": 14, "color": BLUE, "alpha": 0.45, "linewidths": 0}),
    ("0 < weight < 0.5", 1e-12, 0.5, {"marker": "^", "s": 30, "facecolors": "none", "edgecolors": RED}),
    ("weight 0", -np.inf, 1e-12, {"marker": "x", "s": 30, "color": BLACK}),
)


def _scatter_by_weight(ax: Axes, x: pd.Series[float], y: pd.Series[float], weight: pd.Series[float]) -> None:
    for label, low, high, style in _WEIGHT_CLASSES:
        chosen = (weight >= low) & (weight < high)
        if chosen.any():
            ax.scatter(x[chosen], y[chosen], label=f"{label} ({chosen.sum()})", zorder=2, **style)


def _far_apart(values: pd.Series[float]) -> bool:
    return bool(values.min() > 0 and values.max() > 5 * values.min())


def _far_residuals(ax: Axes, values: pd.Series[float], which: str = "y") -> None:
    """Cases typed in hours lie at -20: linear where most residuals are, logarithmic beyond."""
    from matplotlib.ticker import FixedLocator, StrMethodFormatter

    if not values.abs().max() > _LINEAR_TO:
        return
    scale = ax.set_yscale if which == "y" else ax.set_xscale
    axis: Any = ax.yaxis if which == "y" else ax.xaxis
    scale("symlog", linthresh=_LINEAR_TO, linscale=3.0)
    marks = [0.0, 1.0, 2.0, 3.0, 4.0, 10.0, 100.0, 1000.0]
    axis.set_major_locator(FixedLocator(sorted({*marks, *(-m for m in marks)})))
    axis.set_minor_locator(FixedLocator([]))
    axis.set_major_formatter(StrMethodFormatter("{x:g}"))
    ax.autoscale_view()


def _p_words(p: float) -> str:
    if np.isnan(p):
        return "not tested"
    return "p < 0.001" if p < 0.001 else f"p = {p:.3f}" if p < 0.1 else f"p = {p:.2f}"


@dataclass(eq=False, repr=False)
class ResidualsDisplay(Display):
    """Standardised residuals of one channel against one quantity.

    Attributes
    ----------
    points : pandas.DataFrame
        One row an observation: x, standardised, weight.
    trend : pandas.DataFrame
        One row a bin of x: see :func:`lobetime.diagnostics.trend_bins`.
    test : pandas.Series
        See :func:`lobetime.diagnostics.trend_test`.
    """

    points: pd.DataFrame
    trend: pd.DataFrame
    test: pd.Series[float]
    channel: str
    x_label: str

    @classmethod
    def from_diagnostics(cls, found: Diagnostics, against: str = "gland_ml", channel: str | None = None) -> Self:
        """Of one channel against one predictor; ``found`` is what ``model.diagnostics(cases)`` returned."""
        display = found.residuals_display(against, channel)
        return cls(display.points, display.trend, display.test, display.channel, display.x_label,
                   caution=display.caution)  # fmt: skip

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        own, ax = ax is None, own_axes(ax, self.caution)
        points, trend = self.points, self.trend
        _scatter_by_weight(ax, points["x"], points["standardised"], points["weight"])
        ax.axhline(0.0, color=GREY, linewidth=0.8, zorder=1)
        ax.errorbar(
            trend["x_median"],
            trend["mean"],
            yerr=[trend["mean"] - trend["lower"], trend["upper"] - trend["mean"]],
            color=BLACK,
            marker="s",
            markersize=5,
            markerfacecolor="white",
            capsize=3,
            linewidth=1.2,
            zorder=3,
            label="weighted mean of a bin, 95 % interval",
        )
        if _far_apart(points["x"]):
            ax.set_xscale("log")
            plain_log(ax.xaxis)
        _far_residuals(ax, points["standardised"])
        ax.set_xlabel(self.x_label)
        ax.set_ylabel("standardised residual")
        ax.set_title(
            f"{self.channel}: trend {_p_words(self.test['level_p'])};"
            f" spread ρ = {self.test['spread_rho']:+.2f}, {_p_words(self.test['spread_p'])}",
            fontsize=9,
        )
        if legend:
            draw_legend(ax, own, columns=2)
        return self.drawn(ax)


@dataclass(eq=False, repr=False)
class QuantilesDisplay(Display):
    """Quantiles of one channel's residuals against the normal's, on the log and on the natural scale.

    Attributes
    ----------
    points : pandas.DataFrame
        One row an observation, by rank: expected, lower and upper (95 % of each order statistic of a normal sample
        lie between), and the residuals of each law in units of its own spread: "lognormal", "normal", "normal, SD
        proportional to fitted".
    laws : pandas.DataFrame
        One row a law: see :func:`lobetime.diagnostics.error_laws`.
    """

    points: pd.DataFrame
    laws: pd.DataFrame
    channel: str

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        own, ax = ax is None, own_axes(ax, self.caution)
        points = self.points
        ax.fill_between(points["expected"], points["lower"], points["upper"], color=GREY, alpha=0.25, linewidth=0)
        ax.plot(points["expected"], points["expected"], color=GREY, linewidth=0.8)
        styles = {"lognormal": ("o", BLUE), "normal": ("x", RED), "normal, SD proportional to fitted": ("+", GREEN)}
        for law, (marker, colour) in styles.items():
            score = float(self.laws["log_score"][law])
            ax.plot(
                points["expected"],
                points[law],
                linestyle="none",
                marker=marker,
                markersize=3.5 if marker == "o" else 5,
                color=colour,
                alpha=0.7,
                label=f"{law}: log score {score:.3f}",
            )
        _far_residuals(ax, pd.concat([points[law] for law in styles]))
        ax.set_xlabel("normal quantile (grey: 95 % of normal samples)")
        ax.set_ylabel("residual, in spreads of its law")
        skewness = float(self.laws["octile_skewness"]["lognormal"])
        ax.set_title(f"{self.channel}: octile skewness of log residuals {skewness:+.2f}", fontsize=9)
        if legend:
            draw_legend(ax, own, columns=1)
        return self.drawn(ax)


@dataclass(eq=False, repr=False)
class WeightsDisplay(Display):
    """Standardised residuals of every channel, with the weight that the fit gave each.

    Attributes
    ----------
    observations : pandas.DataFrame
        One row an observation: case_index, channel, standardised, weight.
    """

    observations: pd.DataFrame

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        channels = [str(name) for name in self.observations["channel"].unique()]
        own, ax = ax is None, own_axes(ax, self.caution, (7.5, 1.6 + 0.75 * len(channels)))
        rows = self.observations
        place = rows["channel"].map({name: -k for k, name in enumerate(channels)}).astype(float)
        # Spread evenly over the strip's height (golden ratio), the same at each call.
        place = place + 0.6 * ((rows["case_index"] * 0.6180339887498949) % 1.0 - 0.5)
        _scatter_by_weight(ax, rows["standardised"], place, rows["weight"])
        ax.axvline(0.0, color=GREY, linewidth=0.8, zorder=1)
        by_channel = rows.groupby("channel")["weight"]
        few = by_channel.apply(lambda w: int((w < 0.5).sum()))
        labels = [f"{name}\n{few[name]} of {by_channel.size()[name]} below 0.5" for name in channels]
        ax.set_yticks([-float(k) for k in range(len(channels))], labels, fontsize=8)
        _far_residuals(ax, rows["standardised"], "x")
        ax.set_xlabel("standardised residual")
        if legend:
            draw_legend(ax, own)
        return self.drawn(ax)


@dataclass(eq=False, repr=False)
class LeverageDisplay(Display):
    """Leverage against the largest residual of each case; the most influential ones marked.

    Attributes
    ----------
    cases : pandas.DataFrame
        One row a case: leverage, largest_residual, cook_distance.
    marked : int
        How many of the largest Cook distances to mark.
    """

    cases: pd.DataFrame
    marked: int = 10

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        own, ax = ax is None, own_axes(ax, self.caution)
        most = self.cases["cook_distance"].nlargest(self.marked).index
        rest = self.cases.drop(index=most)
        for rows, style, label in (
            (rest, {"marker": "o", "s": 14, "color": BLUE, "alpha": 0.45, "linewidths": 0}, "case"),
            (
                self.cases.loc[most],
                {"marker": "D", "s": 36, "facecolors": "none", "edgecolors": RED, "linewidths": 1.3},
                f"the {len(most)} most influential (Cook distance)",
            ),
        ):
            ax.scatter(rows["largest_residual"].abs(), rows["leverage"], label=label, **style)  # type: ignore[arg-type]
        _far_residuals(ax, self.cases["largest_residual"], "x")
        ax.set_xlim(left=0.0)
        ax.set_xlabel("largest standardised residual of the case (size)")
        ax.set_ylabel("leverage (parameters that the case decides)")
        ax.set_ylim(bottom=0.0)
        ax.set_title("Leverage", fontsize=9)
        if legend:
            draw_legend(ax, own)
        return self.drawn(ax)


@dataclass(eq=False, repr=False)
class InfluenceDisplay(Display):
    """What the most influential cases add to what the fit says.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a case, the most influential first; one column an output, its unit in the name.
    labels : sequence of str
        What the picture calls each case.
    """

    table: pd.DataFrame
    labels: Sequence[str]
    label_name: str

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        own, ax = ax is None, own_axes(ax, self.caution, (7.0, 1.8 + 0.38 * len(self.table)))
        n_outputs = self.table.shape[1]
        styles = [(BLUE, ""), (RED, "////"), (GREEN, "...."), (GREY, "xx")]
        height = 0.8 / n_outputs
        for k, name in enumerate(self.table.columns):
            colour, hatch = styles[k % len(styles)]
            place = np.arange(len(self.table)) + (k - 0.5 * (n_outputs - 1)) * height
            ax.barh(
                place,
                self.table[name],
                0.9 * height,
                color=colour,
                alpha=0.8,
                hatch=hatch,
                edgecolor="white",
                label=name,
            )
        ax.axvline(0.0, color=BLACK, linewidth=0.8)
        ax.set_yticks(np.arange(len(self.table)), list(self.labels), fontsize=8)
        ax.invert_yaxis()
        ax.set_ylabel(self.label_name)
        ax.set_xlabel("fit with the case minus fit without it")
        ax.set_title("Most influential cases", fontsize=9)
        if legend:
            draw_legend(ax, own, columns=2)
        return self.drawn(ax)


@dataclass(eq=False, repr=False)
class DiagnosticsDisplay(InNotebook):
    """One page: residuals against each quantity, quantiles, leverage, influence.

    Attributes
    ----------
    panels : list of displays
    """

    panels: Sequence[ResidualsDisplay | QuantilesDisplay | LeverageDisplay | InfluenceDisplay]
    caution: str = ""
    figure_: Figure = field(init=False, repr=False)
    axes_: list[Axes] = field(init=False, repr=False)

    @classmethod
    def from_model(cls, model: TheatreTimeModel, cases: Cases, channel: str | None = None) -> Self:
        """The page of one channel ("enucleation", ...) of a model that was fitted to the cases."""
        page = model.diagnostics(cases).display(channel)
        return cls(page.panels, page.caution)

    def plot(self, figure: Figure | None = None) -> Self:
        """Draws into ``figure``, or into one of its own that carries the caution."""
        columns = 3
        rows = -(-len(self.panels) // columns)
        self.figure_ = new_figure((4.6 * columns, 4.2 * rows), self.caution) if figure is None else figure
        grid = self.figure_.add_gridspec(rows, columns)
        self.axes_ = []
        for k, panel in enumerate(self.panels):
            ax = self.figure_.add_subplot(grid[k // columns, k % columns])
            panel.plot(ax, legend=False)
            self.axes_.append(ax)
            # The same marks mean the same in all pictures of residuals: said once, in the first.
            if isinstance(panel, InfluenceDisplay):  # bars reach anywhere: below them
                ax.legend(fontsize=6.5, loc="upper center", bbox_to_anchor=(0.5, -0.14), frameon=False)
            elif k == 0 or not isinstance(panel, ResidualsDisplay):
                ax.legend(fontsize=6.5, loc="best", framealpha=0.85)
        return self


@dataclass(eq=False, repr=False)
class FormsDisplay(Display):
    """Predictive score of each form against the reference, with its interval.

    Attributes
    ----------
    differences : pandas.DataFrame
        One row a form: difference, lower, upper (log score a recorded time; above 0 = predicts better).
    criterion : pandas.DataFrame
        One row a form: robust_aic_difference.
    reference : str
    """

    differences: pd.DataFrame
    criterion: pd.DataFrame
    reference: str
    time: str

    def plot(self, ax: Axes | None = None) -> Self:
        rows = self.differences
        ax = own_axes(ax, self.caution, (7.5, 2.0 + 0.6 * len(rows)))
        place = np.arange(len(rows))
        ax.axvline(0.0, color=GREY, linewidth=0.8)
        ax.errorbar(
            rows["difference"],
            place,
            xerr=[rows["difference"] - rows["lower"], rows["upper"] - rows["difference"]],
            linestyle="none",
            marker="o",
            color=BLUE,
            capsize=4,
        )
        aic = self.criterion["robust_aic_difference"]
        labels = [f"{name}\nrobust AIC {aic[name]:+.1f}" for name in rows.index]
        ax.set_yticks(place, labels, fontsize=8)
        ax.set_ylim(len(rows) - 0.5, -0.5)
        ax.set_title(f"Forms against “{self.reference}” (robust AIC below 0: suits better)", fontsize=9)
        time = "a recorded time" if self.time == "all" else f"of {self.time}"
        ax.set_xlabel(
            f"log score {time}, minus that of “{self.reference}”\n(right of 0: predicts better; 95 % interval)"
        )
        return self.drawn(ax)


@dataclass(eq=False, repr=False)
class CusumDisplay(Display):
    """Sums of one chart against the cases in order of time, with their limits and signals.

    Attributes
    ----------
    rows : pandas.DataFrame
        One row a case and direction: direction, case_index, sum, limit.
    signals : pandas.DataFrame
        One row a signal: direction, case_index.
    """

    rows: pd.DataFrame
    signals: pd.DataFrame
    title: str

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        own, ax = ax is None, own_axes(ax, self.caution)
        styles = [(1.0, RED, "-"), (-1.0, BLUE, "--")]
        for (sign, colour, line), (direction, rows) in zip(
            styles, self.rows.groupby("direction", sort=False), strict=False
        ):
            place = np.arange(1, len(rows) + 1)
            ax.step(place, sign * rows["sum"], where="post", color=colour, linestyle=line, label=str(direction))
            ax.axhline(sign * rows["limit"].iloc[0], color=colour, linewidth=0.8, linestyle=":")
            told = (
                rows["case_index"]
                .isin(self.signals.loc[self.signals["direction"] == direction, "case_index"])
                .to_numpy()
            )
            if told.any():
                ax.scatter(
                    place[told], sign * rows["sum"][told], marker="D", s=36, color=colour, zorder=3,
                    label=f"signal, {direction}",
                )  # fmt: skip
        ax.axhline(0.0, color=GREY, linewidth=0.8)
        ax.set_xlabel("case of this chart, in order of time")
        ax.set_ylabel("cumulative sum (dotted: limit)")
        ax.set_title(self.title, fontsize=9)
        if legend:
            draw_legend(ax, own)
        return self.drawn(ax)
