"""The main pictures of a comparison on one page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..plots import new_figure
from .compare import Comparison
from .decision import Decision
from .displays import difference_display, efficiency_display, rank_display, swaps_display
from .forest import forest_of_rates
from .safety import EVENTS, Safety

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.figure import Figure

_WIDTH_IN, _ROW_IN, _FOREST_ROW_IN = 16.0, 5.2, 0.33


def device_page(comparison: Comparison, safety: Safety, decision: Decision | None = None) -> Figure:
    """Efficiency, time difference, swaps, ranks (with a decision) and both forests of rates, with the caution below.

    The figure is one of pyplot's; close it when it is done with.
    """
    lines = len(safety.studies) / 2 + 2.5 * len(safety.classes)  # of one forest: counts, and a class's heading and sum
    heights = [_ROW_IN, _ROW_IN, 1.8 + _FOREST_ROW_IN * lines]
    figure = new_figure((_WIDTH_IN, sum(heights)), comparison.caution)
    parts: Any = figure.subfigures(3, 1, height_ratios=heights)
    upper, middle, lower = parts
    first, second = upper.subplots(1, 2)
    efficiency_display(comparison).plot(first, legend=False)
    difference_display(comparison).plot(second, legend=False)
    if decision is None:
        swaps_display(comparison).plot(middle.subplots(), legend=False)
    else:
        first, second = middle.subplots(1, 2)
        swaps_display(comparison).plot(first, legend=False)
        rank_display(decision).plot(second, legend=False)
    named: dict[str, Artist] = {}
    for ax, event in zip(lower.subplots(1, 2), EVENTS, strict=True):
        forest_of_rates(safety, event).plot(ax, legend=False)
        handles, labels = ax.get_legend_handles_labels()
        named |= dict(zip(labels, handles, strict=True))
    lower.legend(named.values(), named.keys(), loc="outside upper center", ncols=4, fontsize=8, frameon=False)
    return figure
