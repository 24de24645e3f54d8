"""Pictures of a comparison. Line style, marker and a name at its end say what a line is; colour only repeats it."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

import numpy as np
import pandas as pd

from .. import _core
from ..lists._outputs import rows_of
from ..plots import SwapsDisplay
from ..plots.style import BLACK, GREY, LINES, Display, band, draw_legend, name_ends, own_axes, starred, untried_note
from ._saying import LEVEL
from .compare import Comparison
from .decision import Decision
from .efficiency import efficiency_against_tissue

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_HATCHES = ("", "////", "....", "xxxx", "\\\\\\\\", "++", "oo", "**", "--", "||")
_TISSUES = 20


def efficiency_display(comparison: Comparison, options: Sequence[str] | None = None) -> EfficiencyDisplay:
    """g/min against tissue, a line a class; by default each class with the reference's collection.

    Cases of the unit's average surgeon past the learning curve, no nodule; all grams over all minutes.
    """
    chosen = chosen_options(comparison, options, one_of_each_class(comparison))
    run = comparison.run
    fitted = run.model._fitted_or_prior()
    theta = dict(zip(fitted.names, fitted.theta, strict=True))
    glands = np.quantile(run.mix.frame["gland_ml"], [0.025, 0.975])
    ends = np.exp(theta["yield_g_80"] + theta["yield_exponent"] * np.log(glands / 80.0))
    grid = np.geomspace(ends[0], max(ends[1], 1.02 * ends[0]), _TISSUES)
    parts = []
    for name in chosen:
        option = run.options[run.names.index(name)]
        unseen = run.standings[option.device_class].unseen
        rows = efficiency_against_tissue(fitted, [float(g) for g in grid], option, unseen, LEVEL)
        parts.append(rows.assign(option=name))
    rows = pd.concat(parts, ignore_index=True)
    return EfficiencyDisplay(rows, _untried(comparison, chosen), caution=comparison.caution)


def difference_display(comparison: Comparison, options: Sequence[str] | None = None) -> DifferenceDisplay:
    """Morcellation minutes less the reference's against gland volume, by default of each other class so collected."""
    chosen = chosen_options(comparison, options, one_of_each_class(comparison)[1:])
    rows = comparison.curves[comparison.curves["option"].isin(chosen)].reset_index(drop=True)
    crossings = comparison.crossings.reindex([name for name in chosen if name != comparison.reference])
    untried = _untried(comparison, chosen)
    return DifferenceDisplay(pd.DataFrame(rows), crossings, comparison.reference, untried, caution=comparison.caution)


def swaps_display(comparison: Comparison, options: Sequence[str] | None = None) -> SwapsDisplay:
    """Canister swaps a case against gland volume, by default the reference's class with every collection.

    Where there is but one collection, every class with it.
    """
    table = comparison.options
    same = table.index[table["device_class"] == table.loc[comparison.reference, "device_class"]]
    usual = [str(name) for name in same] if len(same) > 1 else one_of_each_class(comparison)
    chosen = chosen_options(comparison, options, usual)
    rows = comparison.curves.loc[comparison.curves["option"].isin(chosen), ["option", "gland_ml", "swaps"]]
    return SwapsDisplay(rows.reset_index(drop=True), None, _untried(comparison, chosen), caution=comparison.caution)


def rank_display(decision: Decision) -> RankDisplay:
    """How often each option has each rank."""
    table = decision.table
    told = {str(name): " *" if row["unknown"] or row["unsure"] else "" for name, row in table.iterrows()}
    return RankDisplay(decision.acceptability, told, decision.weight_words, caution=decision.caution)


@dataclass(eq=False, repr=False)
class EfficiencyDisplay(Display):
    """g/min against tissue, with 90 % bands.

    Attributes
    ----------
    rows : pandas.DataFrame
        One row an option and tissue: option, tissue_g, g_min, low, high.
    untried : sequence of str
        Options that no case of the unit is recorded with; starred in the picture.
    """

    rows: pd.DataFrame
    untried: Sequence[str] = ()

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        own, ax = ax is None, own_axes(ax, self.caution, (8.5, 5.4))
        ax.set_ylim(0.0, 1.05 * float(self.rows["high"].max()))
        _bands(ax, self.rows, "tissue_g", "g_min", "low", "high", untried=self.untried)
        ax.set_xlabel("tissue (g)" + untried_note(self.untried))
        ax.set_ylabel("efficiency (g/min, all grams over all minutes)")
        ax.set_title("Efficiency against tissue; thin lines: 90 % interval of the mean", fontsize=9)
        if legend:
            draw_legend(ax, own, columns=2)
        return self.drawn(ax)


@dataclass(eq=False, repr=False)
class DifferenceDisplay(Display):
    """Morcellation minutes less the reference's against gland volume, with 90 % bands.

    Attributes
    ----------
    rows : pandas.DataFrame
        One row an option and gland: option, gland_ml, difference_min, difference_min_low, difference_min_high.
    crossings : pandas.DataFrame
        As of the comparison; marked where a crossing is more likely than not.
    reference : str
    untried : sequence of str
        Options that no case of the unit is recorded with; starred in the picture.
    """

    rows: pd.DataFrame
    crossings: pd.DataFrame
    reference: str
    untried: Sequence[str] = ()

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        own, ax = ax is None, own_axes(ax, self.caution, (8.5, 5.4))
        ax.axhline(0.0, color=GREY, linewidth=1.0, zorder=1)
        # The first style is the reference's in other pictures, so that a class looks alike in all of them.
        _bands(ax, self.rows, "gland_ml", "difference_min", "difference_min_low", "difference_min_high", first_style=1,
               untried=self.untried)  # fmt: skip
        likely = self.crossings[self.crossings["p_crossing"] >= 0.5]
        for row in rows_of(likely):
            ax.plot(row.gland_ml, 0.0, marker="*", markersize=15, color="white", markeredgecolor=BLACK, zorder=5)
            ax.annotate(
                f"{row.gland_ml:.0f} mL", (row.gland_ml, 0.0), (0, 9), textcoords="offset points", ha="center",
                fontsize=8, zorder=6,
            )  # fmt: skip
        ax.set_xlabel("gland volume (mL)" + untried_note(self.untried))
        ax.set_ylabel(f"morcellation minutes less those of\n{self.reference}\n(below 0: faster)")
        star = "; star: where it changes" if len(likely) else ""
        ax.set_title(f"Time difference against volume; thin lines: 90 % interval of the mean{star}", fontsize=9)
        if legend:
            draw_legend(ax, own, columns=2)
        return self.drawn(ax)


@dataclass(eq=False, repr=False)
class RankDisplay(Display):
    """Rank acceptability: a bar an option, a part a rank, its share written in.

    Attributes
    ----------
    acceptability : pandas.DataFrame
        Options x ranks.
    marks : dict of str to str
        What follows an option's name: an asterisk where something of it is unknown or was never tried.
    weights : str
    """

    acceptability: pd.DataFrame
    marks: dict[str, str]
    weights: str

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        order = np.argsort(-self.acceptability.iloc[:, 0].to_numpy(), kind="stable")
        table = self.acceptability.iloc[order]
        own, ax = ax is None, own_axes(ax, self.caution, (9.0, 2.4 + 0.5 * len(table)))
        left = np.zeros(len(table))
        place = np.arange(len(table))
        shades = np.linspace(0.35, 1.0, table.shape[1])
        for k, rank in enumerate(table.columns):
            share = table[rank].to_numpy()
            ax.barh(place, share, 0.72, left=left, color=str(shades[k]), edgecolor=BLACK, linewidth=0.6,
                    hatch=_HATCHES[k % len(_HATCHES)] if k % 2 else "", label=f"rank {rank}")  # fmt: skip
            for y, (start, width) in enumerate(zip(left, share, strict=True)):
                if width >= 0.04:
                    ax.text(start + width / 2, y, f"{rank}: {100 * width:.0f}" if width >= 0.07 else str(rank),
                            ha="center", va="center", fontsize=7.5,
                            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8})  # fmt: skip
            left = left + share
        ax.set_yticks(place, [f"{name}{self.marks.get(str(name), '')}" for name in table.index], fontsize=8)
        ax.invert_yaxis()
        ax.set_xlim(0.0, 1.0)
        starred = (
            "\n* something of it is unknown or was never tried: never first with confidence"
            if any(self.marks.values())
            else ""
        )
        ax.set_xlabel(f"share of draws and weights (in the bars: rank: %){starred}", fontsize=8)
        words = textwrap.fill(self.weights, 80)
        ax.set_title(f"How often each option has each rank\n{words}", fontsize=9)
        if legend:
            draw_legend(ax, own, columns=min(table.shape[1], 8))
        return self.drawn(ax)


def one_of_each_class(comparison: Comparison) -> list[str]:
    """The reference first, then every other class with the reference's collection; of one class alone, all options."""
    table = comparison.options
    alike = table.index[table["collection"] == table.loc[comparison.reference, "collection"]]
    alike = alike if len(alike) > 1 else table.index
    return [comparison.reference, *(str(name) for name in alike if name != comparison.reference)]


def _untried(comparison: Comparison, chosen: Sequence[str]) -> tuple[str, ...]:
    """Options of the picture that no case had: what they look like rests on other classes and collections."""
    so_collected = comparison.options["cases_so_collected"]
    return tuple(name for name in chosen if not so_collected[name])


def chosen_options(comparison: Comparison, asked: Sequence[str] | None, usual: list[str]) -> list[str]:
    if asked is None:
        return usual
    known = list(map(str, comparison.options.index))
    unknown = [repr(name) for name in asked if name not in known]
    if unknown or not asked:
        raise _core.InvalidArgument(f"no option is called {', '.join(unknown) or '(none)'}; known: {'; '.join(known)}")
    return list(asked)


def _lines(rows: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    return [(str(name), one) for name, one in rows.groupby("option", sort=False)]


def _bands(ax: Axes, rows: pd.DataFrame, x: str, y: str, low: str, high: str, *, first_style: int = 0,
           untried: Sequence[str] = ()) -> None:  # fmt: skip
    """Lines with markers; their intervals as a faint band between two thin lines of the same style."""
    ends = []
    for k, (name, one) in enumerate(_lines(rows), start=first_style):
        colour, line, marker = LINES[k % len(LINES)]
        band(ax, one[x], one[low], one[high], (colour, line, marker), alpha=0.07)
        name = starred(name, untried)
        ax.plot(one[x], one[y], color=colour, linestyle=line, linewidth=1.8, marker=marker, markersize=5.5,
                markevery=(k % 3, 4), label=name, zorder=3)  # fmt: skip
        ends.append((name, float(one[x].iloc[-1]), float(one[y].iloc[-1])))
    name_ends(ax, ends)
