"""Displays of a calibration: where outcomes fell, whether intervals and slots keep their promise, against whom."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

import numpy as np
import pandas as pd

from ..caution import CAUTION
from ..scores import binomial_band
from .style import BLACK, BLUE, GREY, Display, InNotebook, draw_legend, new_figure, own_axes, titled_legend

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..calibration import Calibration

_BAND = "95 of 100 right forecasts stay within"
_RISKS = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5)
_COVERAGES = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95)
_NAMES = {"lobetime": "this model"}


@dataclass(eq=False, repr=False)
class PitDisplay(Display):
    """Where the outcomes fell in their forecasts: flat if the forecasts are right.

    Attributes
    ----------
    bars : pandas.DataFrame
        One row a bin of equal width: from, to (share of draws below the outcome), cases.
    band : tuple of float
        Counts of a bin that 95 of 100 right forecasts stay within.
    """

    bars: pd.DataFrame
    band: tuple[float, float]
    n_cases: int

    @classmethod
    def from_calibration(cls, found: Calibration, *, bins: int | None = None) -> Self:
        """``bins`` is by default 10, and 5 below 100 cases."""
        bins = (10 if len(found) >= 100 else 5) if bins is None else bins
        counts, edges = np.histogram(found.places, bins=bins, range=(0.0, 1.0))
        low, high = binomial_band(len(found), 1.0 / bins)
        bars = pd.DataFrame({"from": edges[:-1], "to": edges[1:], "cases": counts})
        return cls(bars, (low * len(found), high * len(found)), len(found), caution=CAUTION)

    @property
    def words(self) -> str:
        """What the picture shows, for those who cannot see it."""
        outside = int(((self.bars["cases"] < self.band[0]) | (self.bars["cases"] > self.band[1])).sum())
        return (
            f"Places of {self.n_cases} held-out outcomes in their forecasts: {outside} of {len(self.bars)} bars lie "
            "outside the band of a right forecast."
        )

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        own, ax = ax is None, own_axes(ax, self.caution, (6.5, 4.4))
        bars = self.bars
        ax.axhspan(*self.band, color="0.88", linewidth=0, zorder=0, label=_BAND)
        ax.axhline(self.n_cases / len(bars), color=GREY, linewidth=1.0, linestyle="--", zorder=1, label="expected")
        ax.bar(bars["from"], bars["cases"], bars["to"] - bars["from"], align="edge", facecolor="none", hatch="////",
               edgecolor=BLUE, linewidth=1.4, zorder=2, label="held-out cases")  # fmt: skip
        ax.set_xlim(0.0, 1.0)
        ax.set_xlabel("place of the outcome in its forecast\n(0: shorter than all draws, 1: longer)")
        ax.set_ylabel("cases")
        ax.set_title("Where outcomes fell", fontsize=10)
        if legend:
            draw_legend(ax, own, columns=2)
        return self.drawn(ax)


@dataclass(eq=False, repr=False)
class ReliabilityDisplay(Display):
    """Stated against realised shares: of outcomes in central intervals, or of slots that were overrun.

    Attributes
    ----------
    rows : pandas.DataFrame
        One row a stated share: stated, realised, band_low, band_high (95 of 100 right forecasts stay within).
    what : str
        "coverage" or "overrun".
    """

    rows: pd.DataFrame
    what: str
    n_cases: int

    @classmethod
    def of_coverage(cls, found: Calibration) -> Self:
        """Central intervals of 20 to 95 %."""
        place = found.places
        rows = [
            (level, float(((place > 0.5 - level / 2) & (place < 0.5 + level / 2)).mean()),
             *binomial_band(len(found), level))
            for level in _COVERAGES
        ]  # fmt: skip
        return cls(_shares(rows), "coverage", len(found), caution=CAUTION)

    @classmethod
    def of_overrun(cls, found: Calibration) -> Self:
        """Slots booked at 5 to 50 % overrun risk, before they are rounded up."""
        place = found.places
        rows = [(risk, float((place > 1.0 - risk).mean()), *binomial_band(len(found), risk)) for risk in _RISKS]
        return cls(_shares(rows), "overrun", len(found), caution=CAUTION)

    @property
    def words(self) -> str:
        """What the picture shows, for those who cannot see it."""
        at = self.rows.iloc[(self.rows["stated"] - (0.2 if self.what == "overrun" else 0.8)).abs().argmin()]
        thing = "slots booked at" if self.what == "overrun" else "central intervals of"
        done = "were overrun" if self.what == "overrun" else "held the outcome"
        return (
            f"Of {thing} {100 * at['stated']:.0f} %, {100 * at['realised']:.0f} % {done} in {self.n_cases} held-out "
            f"cases; a right forecast gives {100 * at['band_low']:.0f} to {100 * at['band_high']:.0f} %."
        )

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        own, ax = ax is None, own_axes(ax, self.caution, (5.6, 5.0))
        rows = 100.0 * self.rows
        ax.fill_between(rows["stated"], rows["band_low"], rows["band_high"], color="0.85", linewidth=0, label=_BAND)
        ends = [0.0, 100.0 if self.what == "coverage" else 55.0]
        ax.plot(ends, ends, color=GREY, linewidth=1.0, linestyle="--", label="promise kept")
        ax.plot(rows["stated"], rows["realised"], color=BLACK, marker="o", markerfacecolor="white", linewidth=1.6,
                label="held-out cases")  # fmt: skip
        ax.set_xlim(*ends)
        ax.set_ylim(0.0, max(ends[1], 1.05 * float(rows["realised"].max())))
        if self.what == "coverage":
            ax.set_xlabel("central interval (%)")
            ax.set_ylabel("outcomes inside (%)")
            ax.set_title("Intervals", fontsize=10)
        else:
            ax.set_xlabel("booked overrun risk (%)")
            ax.set_ylabel("slots that were overrun (%)")
            ax.set_title("Slots", fontsize=10)
        if legend:
            draw_legend(ax, own, columns=2)
        return self.drawn(ax)


def _shares(rows: Sequence[tuple[float, ...]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["stated", "realised", "band_low", "band_high"])


@dataclass(eq=False, repr=False)
class ScoresDisplay(Display):
    """Mean score of the model and of the simple predictors that were fitted to the same cases.

    Attributes
    ----------
    scores : pandas.DataFrame
        As of the calibration: one row a predictor, crps_min (mean CRPS in minutes, smaller is better), ratio.
    """

    scores: pd.DataFrame

    @classmethod
    def from_calibration(cls, found: Calibration) -> Self:
        return cls(found.scores, caution=CAUTION)

    @property
    def words(self) -> str:
        """What the picture shows, for those who cannot see it."""
        others = self.scores["ratio"].drop("lobetime", errors="ignore")
        if others.empty:
            return "No other predictor was scored."
        return (
            f"The best of {len(others)} simple predictors ({others.idxmin()}) has {others.min():.2f} times the mean "
            "error score of this model."
        )

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        del legend  # the names stand beside the marks
        ax = own_axes(ax, self.caution, (6.5, 1.6 + 0.36 * len(self.scores)))
        rows = self.scores["crps_min"].sort_values(ascending=False)
        place = np.arange(len(rows))
        ours = rows.index == "lobetime"
        ax.hlines(place, 0.0, rows, color="0.75", linewidth=1.2, zorder=1)
        for chosen, marker, face in ((~ours, "o", "white"), (ours, "D", BLACK)):
            ax.plot(rows[chosen], place[chosen], linestyle="none", marker=marker, markersize=7, color=face,
                    markeredgecolor=BLACK, zorder=2)  # fmt: skip
        for y, value in zip(place, rows, strict=True):
            ax.annotate(f"{value:.1f}", (value, y), (8, 0), textcoords="offset points", va="center", fontsize=8)
        ax.set_yticks(place, [_NAMES.get(str(name), str(name).replace("_", " ")) for name in rows.index], fontsize=8)
        ax.set_ylim(-0.6, len(rows) - 0.4)
        ax.set_xlim(0.0, 1.18 * float(rows.max()))
        ax.set_xlabel("mean error score (CRPS, min; smaller is better)")
        ax.set_title("Against simple predictors", fontsize=10)
        return self.drawn(ax)


@dataclass(eq=False, repr=False)
class CalibrationDisplay(InNotebook):
    """One row of panels: where outcomes fell, intervals, slots and, where they were fitted, simple predictors.

    Attributes
    ----------
    panels : list of displays
    """

    panels: Sequence[PitDisplay | ReliabilityDisplay | ScoresDisplay]
    title: str = ""
    caution: str = ""
    figure_: Figure = field(init=False)
    axes_: list[Axes] = field(init=False)

    @classmethod
    def from_calibration(cls, found: Calibration) -> Self:
        panels: list[PitDisplay | ReliabilityDisplay | ScoresDisplay] = [
            PitDisplay.from_calibration(found),
            ReliabilityDisplay.of_coverage(found),
            ReliabilityDisplay.of_overrun(found),
        ]
        if len(found.scores) > 1:
            panels.append(ScoresDisplay.from_calibration(found))
        title = f"{len(found)} cases that the model had not seen ({found.method}), {found.total} minutes"
        return cls(panels, title, CAUTION)

    @property
    def words(self) -> str:
        """What the picture shows, for those who cannot see it."""
        return " ".join(panel.words for panel in self.panels)

    def plot(self, figure: Figure | None = None) -> Self:
        """Draws into ``figure``, or into one of its own that carries the caution."""
        columns = 2 if len(self.panels) == 4 else len(self.panels)
        lines = -(-len(self.panels) // columns)
        size = (5.0 * columns, 3.9 * lines + 0.7)
        self.figure_ = new_figure(size, self.caution) if figure is None else figure
        self.axes_ = list(self.figure_.subplots(lines, columns, squeeze=False).ravel())
        for panel, ax in zip(self.panels, self.axes_, strict=True):
            panel.plot(ax, legend=False)
        # Band and promise mean the same in all panels: said once, above them.
        titled_legend(self.figure_, self.title, self.axes_)
        return self
