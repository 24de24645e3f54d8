"""The house style of every picture: colours, line styles and hatches that also differ in grey, and what displays share.

``plot(ax=None)`` of a display draws into the given axes, or into a figure of its own that carries the caution, keeps
both as ``ax_`` and ``figure_`` and returns the display. A figure of the caller's is the caller's to word:
``lobetime.CAUTION``. Matplotlib is imported when something is drawn.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Okabe and Ito's colours, told apart with any colour vision; every series has a marker or a hatch of its own as well.
BLUE, RED, BLACK, GREEN, GREY = "#0072B2", "#D55E00", "#000000", "#009E73", "#767676"
# Lines: dark to light, so that neighbours differ in grey as well; dashes and markers say it without colour.
LINES: tuple[tuple[str, Any, str], ...] = (
    (BLACK, "-", "o"),
    (BLUE, "--", "s"),
    (RED, "-.", "^"),
    (GREEN, ":", "D"),
    ("#CC79A7", (0, (7, 2, 1, 2, 1, 2)), "v"),
    ("#56B4E9", (0, (10, 3)), "P"),
    ("#8A6D00", (0, (1, 1)), "X"),
)


def new_figure(size: tuple[float, float], caution: str) -> Figure:
    """A figure of pyplot's with the caution below whatever is drawn into it."""
    from matplotlib import pyplot

    figure = pyplot.figure(figsize=size, layout="constrained")
    if caution:
        words = textwrap.fill(caution, int(18 * size[0]))
        figure.supxlabel(words, x=0.01, ha="left", fontsize=6.5, color=GREY)
    return figure


def own_axes(ax: Axes | None, caution: str, size: tuple[float, float] = (7.0, 5.0)) -> Axes:
    return new_figure(size, caution).add_subplot() if ax is None else ax


def figure_of(ax: Axes) -> Figure:
    figure = ax.get_figure(root=True)
    assert figure is not None  # axes are made by figures
    return figure


def draw_legend(ax: Axes, own: bool, columns: int = 4) -> None:
    """Above the axes of a figure of ours, where it hides nothing; else where the axes have room."""
    handles, labels = ax.get_legend_handles_labels()
    if not handles:
        return
    if own:
        figure_of(ax).legend(handles, labels, loc="outside upper center", ncols=columns, fontsize=8, frameon=False,
                             handlelength=3.0)  # fmt: skip
    else:
        ax.legend(handles, labels, fontsize=7)


def titled_legend(figure: Figure, title: str, axes: Sequence[Axes], columns: int = 4) -> None:
    """A page's title with what the marks of all its panels mean, above them."""
    named: dict[str, Any] = {}
    for ax in axes:
        for handle, label in zip(*ax.get_legend_handles_labels(), strict=True):
            named.setdefault(label, handle)
    figure.legend(list(named.values()), list(named), loc="outside upper center", ncols=columns, fontsize=8,
                  frameon=False, handlelength=3.0, title=title or None, title_fontsize=10)  # fmt: skip


def plain_log(axis: Any) -> None:
    """A log axis that says 20, 50, 100 and nothing between."""
    from matplotlib.ticker import LogLocator, NullFormatter, StrMethodFormatter

    axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axis.set_major_formatter(StrMethodFormatter("{x:g}"))
    axis.set_minor_formatter(NullFormatter())


def band(
    ax: Axes, x: Any, low: Any, high: Any, style: tuple[str, Any, str], label: str = "", alpha: float = 0.1
) -> None:
    """A faint band between two thin lines of the line's own style, so that it shows in grey and on any projector."""
    colour, line, _ = style
    ax.fill_between(x, low, high, color=colour, alpha=alpha, linewidth=0, zorder=1, label=label)
    for edge in (low, high):
        ax.plot(x, edge, color=colour, linestyle=line, linewidth=0.7, alpha=0.8, zorder=2)


def name_ends(ax: Axes, ends: Sequence[tuple[str, float, float]]) -> None:
    """A line's name at its right end; names are moved apart where lines end together."""
    low, high = ax.get_ylim()
    least = 0.055 * (high - low)
    at = -math.inf
    right = max(x for _, x, _ in ends)
    left = ax.get_xlim()[0]
    ticks = [tick for tick in ax.get_xticks() if left <= tick <= right]
    ax.set_xlim(left, right + 0.6 * (right - left))
    ax.set_xticks(ticks)
    for name, x, y in sorted(ends, key=lambda end: end[2]):
        at = max(y, at + least)
        ax.annotate(name, (x, y), (right + 0.04 * (right - left), at), fontsize=7.5, va="center",
                    arrowprops={"arrowstyle": "-", "color": GREY, "linewidth": 0.5, "relpos": (0.0, 0.5)})  # fmt: skip


def starred(name: str, untried: Sequence[str]) -> str:
    return f"{name} *" if name in untried else name


def untried_note(untried: Sequence[str]) -> str:
    """A line below an axis, where something in the picture is starred."""
    return "\n* no case of the unit is recorded with this class so collected" if untried else ""


class InNotebook:
    """What a notebook shows of a display: its picture, once, whether the cell ends in a semicolon or not."""

    figure_: Figure

    def plot(self) -> Self:
        raise NotImplementedError

    def _ipython_display_(self) -> None:
        from matplotlib import pyplot

        if not hasattr(self, "figure_"):
            self.plot()
        elif not pyplot.fignum_exists(self.figure_.number):  # drawn in an earlier cell, and shown there
            from IPython.display import display

            display(self.figure_)  # type: ignore[no-untyped-call]

    def __repr__(self) -> str:
        return f"<{type(self).__name__}{', drawn' if hasattr(self, 'figure_') else ', not drawn yet: .plot()'}>"


@dataclass(eq=False, repr=False)
class Display(InNotebook):
    """What displays on one pair of axes share."""

    caution: str = field(default="", kw_only=True)
    ax_: Axes = field(init=False)
    figure_: Figure = field(init=False)

    def drawn(self, ax: Axes) -> Self:
        self.ax_, self.figure_ = ax, figure_of(ax)
        return self
