"""Forest plots: studies and pooled figures, what is only said, and what nobody knows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import pandas as pd

from .. import _core
from ..caution import CAUTION
from ..evidence import PublishedPrior, evidence_table
from ..plots.style import BLACK, BLUE, GREEN, GREY, Display, draw_legend, own_axes
from ._saying import LEVEL, chance_words, spread_words
from .compare import Comparison, standing_by_evidence
from .displays import chosen_options, one_of_each_class
from .efficiency import class_efficiency
from .head_to_head import HeadToHead
from .published import published_head_to_heads
from .safety import COMMON_PRACTICE, EVENTS, Safety

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# The kinds of one picture have markers of their own, so that none is told by its colour.
_KINDS: Mapping[str, tuple[str, str, bool, str]] = {
    "study": ("s", BLUE, True, "study"),
    COMMON_PRACTICE: ("o", GREY, False, "common practice, no source"),
    "own cases": ("^", GREEN, True, "this unit's own cases"),
    "pooled": ("D", BLACK, True, "pooled, 90 % of units; with own cases: this unit"),
    "published": ("P", BLUE, True, "published, itself pooled"),
    "own": ("^", GREEN, True, "this unit, adjusted"),
    "both": ("D", BLACK, True, "both, one common effect"),
    "evidence": ("D", BLACK, True, "published evidence, for this unit's glands"),
    "assumed": ("D", GREY, False, "common practice or assumption, for this unit's glands"),
    "fitted": ("^", GREEN, True, "this unit's own cases"),
}
_CASE_LOG_SD = 0.45
"""One case's morcellation after volume and unit (derived: source of ``spread_morcellation`` in the published prior)."""
_BLADES = {
    "reciprocating": "Reciprocating blades, series as printed",
    "oscillating": "Oscillating blades, series as printed",
    "": "Series that do not name the blade",
}
_RATE_TICKS = (0.0, 0.001, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0)
_LONGEST = 34


@dataclass(eq=False, repr=False)
class ForestDisplay(Display):
    """Rows of studies under headings, each group with its pooled figure; an unknown one is a labelled empty row.

    Attributes
    ----------
    rows : pandas.DataFrame
        In order from the top: group (heading), label, kind ("study", "common practice", "own cases", "pooled",
        "published", "own", "both", "evidence", "assumed", "fitted" or "unknown"), estimate, lower, upper (NaN: none is
        printed), told (the words at the right).
    x_label, title : str
    rates : bool
        The axis is of chances, on a square-root scale that holds zero.
    none : float or None
        Where two devices are alike: a line there.
    """

    rows: pd.DataFrame
    x_label: str
    title: str
    rates: bool = False
    none: float | None = None

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        own = ax is None
        groups = self.rows["group"].nunique()
        ax = own_axes(ax, self.caution, (9.0, 1.9 + 0.3 * len(self.rows) + 0.4 * groups))
        if self.rates:
            ax.set_xscale("function", functions=(_root, _square))
        self._limits(ax)
        place = self._places(ax)
        named: set[str] = set()
        for y, row in zip(place, self.rows.itertuples(), strict=True):
            self._row(ax, y, row, named)
        ax.set_yticks(place, [_short(str(label)) for label in self.rows["label"]], fontsize=8)
        ax.tick_params(axis="y", length=0)
        ax.set_ylim(max(place) + 0.8, -0.2)
        for y, told in zip(place, self.rows["told"], strict=True):
            ax.text(1.01, y, told, transform=ax.get_yaxis_transform(), va="center", fontsize=7.5, clip_on=False)
        if self.none is not None:
            ax.axvline(self.none, color=BLACK, linewidth=0.8, linestyle=":", zorder=1)
        ax.grid(axis="x", color=GREY, alpha=0.25, linewidth=0.6)
        for side in ("left", "right", "top"):
            ax.spines[side].set_visible(False)
        ax.set_xlabel(self.x_label, fontsize=9)
        ax.set_title(self.title, fontsize=10, loc="left")
        if legend:
            draw_legend(ax, own, columns=2)
        return self.drawn(ax)

    def _places(self, ax: Axes) -> list[float]:
        """Heights of the rows; headings are written above the first of a group."""
        place, at, before = [], 0.0, None
        for group in self.rows["group"]:
            if group != before:
                at += 0.35 if before is not None else 0.0
                ax.text(0.0, at + 0.25, group, transform=ax.get_yaxis_transform(), weight="bold", fontsize=8.5,
                        va="center", bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5})  # fmt: skip
                at, before = at + 0.95, group
            place.append(at)
            at += 0.8
        return place

    def _limits(self, ax: Axes) -> None:
        known = self.rows[self.rows["kind"] != "unknown"]
        if self.rates:
            top = float(known["upper"].max()) if len(known) else 1.0
            end = min(1.0, 1.1 * max(top, 0.02))
            ticks = [0.0]
            for tick in _RATE_TICKS:  # those that stand apart from the one before
                if tick <= end and np.sqrt(tick) - np.sqrt(ticks[-1]) >= 0.06 * np.sqrt(end):
                    ticks.append(tick)
            ax.set_xlim(0.0, end)
            ax.set_xticks(ticks, [f"{100 * t:g} %" for t in ticks], fontsize=8)
            ax.minorticks_off()
        elif len(known):
            ends = known[["estimate", "lower", "upper"]].to_numpy(float)
            low, high = min(float(np.nanmin(ends)), 0.0), max(float(np.nanmax(ends)), 0.0)
            ax.set_xlim(low - 0.08 * (high - low) if low < 0 else 0.0, high + 0.08 * (high - low))

    def _row(self, ax: Axes, y: float, row: Any, named: set[str]) -> None:
        if row.kind == "unknown":
            ax.text(0.5, y, "no studies, no cases: it may be anything", transform=ax.get_yaxis_transform(), ha="center",
                    va="center", fontsize=8, style="italic", color=BLACK)  # fmt: skip
            return
        marker, colour, filled, words = _KINDS[row.kind]
        summed = marker == "D"
        ax.errorbar(
            row.estimate,
            y,
            xerr=[[row.estimate - row.lower], [row.upper - row.estimate]],
            marker=marker,
            markersize=9 if summed else 6,
            markerfacecolor=colour if filled else "white",
            markeredgecolor=colour,
            color=colour,
            linestyle="none",
            linewidth=2.0 if summed else 1.1,
            elinewidth=2.0 if summed else 1.1,
            capsize=0 if summed else 2.5,
            zorder=3,
            clip_on=False,
            label=words if row.kind not in named else "_",
        )
        named.add(row.kind)


def _root(x: Any) -> Any:
    return np.sqrt(np.clip(x, 0.0, None))


def _square(x: Any) -> Any:
    return np.asarray(x) ** 2


def _short(label: str) -> str:
    return label if len(label) <= _LONGEST else label[: _LONGEST - 1] + "…"


def forest_of_rates(safety: Safety, event: str) -> ForestDisplay:
    """Studies, own cases and the pooled chance of one event ("wall_injury" or "malfunction") by class, not drawn yet.

    Intervals: of a count 95 % (Clopper and Pearson), of the pooled chance 90 % (where this unit's own lies). What
    common practice says has no source; its interval is that of the cases it is taken for.
    """
    if event not in EVENTS:
        raise _core.InvalidArgument(f"event must be one of {', '.join(EVENTS)}, not {event!r}")
    rows = []
    for one in safety.table[safety.table["event"] == event].to_dict("records"):
        name = one["class"]
        group = f"{name}: grade {one['grade']}"
        if one["grade"] != "unknown":
            group += f"; {one['studies']} studies with a source, common practice says {one['studies_said']}"
        behind = safety.studies[(safety.studies["class"] == name) & (safety.studies["event"] == event)]
        for study in behind.to_dict("records"):
            said = study["kind"] == COMMON_PRACTICE
            rows.append(
                {
                    "group": group,
                    "label": "common practice" if said else study["source"],
                    "kind": study["kind"],
                    "estimate": study["rate"],
                    "lower": study["lower"],
                    "upper": study["upper"],
                    "told": f"{study['events']:g} of {study['cases']:g}" + (" (taken for)" if said else ""),
                }
            )
        known = one["grade"] != "unknown"
        told = spread_words(one["estimate"], one["lower"], one["upper"], chance_words) if known else "unknown"
        rows.append(
            {
                "group": group,
                "label": "this unit's chance",
                "kind": "pooled" if known else "unknown",
                "estimate": one["estimate"],
                "lower": one["lower"],
                "upper": one["upper"],
                "told": told,
            }
        )
    words = event.replace("_", " ")
    return ForestDisplay(
        pd.DataFrame(rows),
        f"{words}, chance a case (square-root scale)",
        f"{words.capitalize()} by device class",
        rates=True,
        caution=safety.caution,
    )


def forest_of_differences(
    results: HeadToHead | Mapping[str, HeadToHead] | None = None, outcome: str = "efficiency_g_min"
) -> ForestDisplay:
    """Differences of device classes: the published pooled one, and comparisons of one's own by name, not drawn yet.

    ``outcome``: "efficiency_g_min" or "morcellation_min". A comparison of an oscillating with a reciprocating class is
    drawn in the direction of the published row, with the pooling of both; any other is drawn B minus A alone.
    """
    if isinstance(results, HeadToHead):
        results = {"this unit": results}
    published = published_head_to_heads().set_index("outcome", drop=False)
    if outcome not in published.index:
        raise _core.InvalidArgument(f"outcome must be one of {', '.join(published.index)}, not {outcome!r}")
    row = published.loc[outcome]
    levels = " and ".join(
        f"{100 * one:g} %" for one in sorted({0.95, *(one.level for one in (results or {}).values())})
    )
    rows = [_difference("published", f"{row['of']} minus {row['minus']} blades", "34 studies, direction assumed", row)]
    for name, one in (results or {}).items():
        blades = {one.a.split("/")[0], one.b.split("/")[0]}
        if blades == {row["of"], row["minus"]}:
            told = one.with_published(outcome)
            group = f"{name}: {told.figure}"
            rows.append(_difference("own", group, "adjusted, own mix", told.table.loc["this unit, adjusted"]))
            rows.append(_difference("both", group, "with the published", told.table.iloc[-1]))
        else:
            own = one.minutes.loc["B minus A"] if outcome == "morcellation_min" else one._by_g_min().loc["adjusted"]
            rows.append(_difference("own", f"{name}: {one.b} minus {one.a}", "adjusted, own mix", own))
    return ForestDisplay(
        pd.DataFrame(rows),
        f"difference, {row['unit']} ({levels} intervals)",
        "Head-to-head comparisons",
        none=0.0,
        caution=CAUTION,
    )


def forest_of_efficiencies(comparison: Comparison, options: Sequence[str] | None = None) -> ForestDisplay:
    """g/min of published series by blade, and by class what evidence and the unit's own cases say, not drawn yet.

    Series stand as they are printed: with their own glands, collections and surgeons, all grams over all minutes where
    both are printed, else as printed. Their 95 % interval is that of so many cases whose logarithms have an SD of 0.45;
    where the number of cases is not known there is none. A class, by default with the reference's collection, stands
    for this unit's glands and its average surgeon past the learning curve, with 90 % intervals: by the published prior
    as if the unit had no case (hollow where common practice or an assumption is in it), and as fitted.
    """
    rows = [row for blade, group in _BLADES.items() for row in _series(blade, group)]
    run = comparison.run
    fitted = run.model._fitted_or_prior()
    prior = run.model.prior if isinstance(run.model.prior, PublishedPrior) else PublishedPrior()
    before = type(run.model)(prior=prior)._fitted_or_prior()
    glands = run.mix.frame["gland_ml"].to_numpy(float)
    for name in chosen_options(comparison, options, one_of_each_class(comparison)):
        option = run.options[run.names.index(name)]
        standing = run.standings[option.device_class]
        known = standing_by_evidence(option.device_class, before, run.mix)
        if known is not None:
            told = class_efficiency(before, glands, option, known.unseen, LEVEL)
            kind = "evidence" if known.evidence == "published" else "assumed"
            rows.append(_efficiency(kind, name, known.evidence, told))
        if standing.evidence == "own cases":
            told = class_efficiency(fitted, glands, option, standing.unseen, LEVEL)
            rows.append(_efficiency("fitted", name, f"{standing.cases} own cases, fitted", told))
    return ForestDisplay(
        pd.DataFrame(rows),
        "efficiency, g/min (all grams over all minutes; series 95 %, classes 90 % intervals)",
        "Efficiency: published series, and each class for this unit's glands",
        caution=comparison.caution,
    )


def _series(blade: str, group: str) -> list[dict[str, Any]]:
    table = evidence_table()
    rows = []
    for one in table[table["blade"].fillna("") == blade].to_dict("records"):
        printed = one["morcellation_g_min"]
        rate = printed if math.isfinite(printed) else one["tissue_g"] / one["morcellation_min"]
        if not math.isfinite(rate):
            continue
        citation = str(one["citation"])
        itself_pooled = citation.startswith("systematic review")
        short = citation.rpartition(", ")[2] if itself_pooled else citation.partition(", doi")[0]
        half = math.nan if math.isnan(one["n"]) else 1.96 * _CASE_LOG_SD / math.sqrt(one["n"])
        known = math.isfinite(half)
        low, high = (rate * math.exp(sign * half) if known else math.nan for sign in (-1, 1))
        words = f"{rate:.2f} ({low:.2f} to {high:.2f}), n = {one['n']:.0f}" if known else f"{rate:.2f} (n not known)"
        rows.append(
            {
                "group": group,
                "label": f"{one['id']}: {short}",
                "kind": "published" if itself_pooled else "study",
                "estimate": rate,
                "lower": low,
                "upper": high,
                "told": words,
            }
        )
    return rows


def _efficiency(kind: str, group: str, label: str, told: Mapping[str, float]) -> dict[str, Any]:
    middle, low, high = (told[f"g_min_ratio_of_means{end}"] for end in ("", "_low", "_high"))
    return _row(kind, group, label, middle, low, high, digits=1)


def _difference(kind: str, group: str, label: str, row: Any) -> dict[str, Any]:
    middle = float(row["difference"] if "difference" in row else row["estimate"])
    return _row(kind, group, label, middle, float(row["lower"]), float(row["upper"]), digits=2)


def _row(kind: str, group: str, label: str, middle: float, low: float, high: float, *, digits: int) -> dict[str, Any]:
    return {
        "group": group,
        "label": label,
        "kind": kind,
        "estimate": middle,
        "lower": low,
        "upper": high,
        "told": f"{middle:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})",
    }
