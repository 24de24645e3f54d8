"""A plan as a picture: sessions as rows, slots along the time of day."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import pandas as pd

from ..plots.style import BLACK, BLUE, GREEN, GREY, RED, Display, draw_legend, figure_of, own_axes
from ._outputs import PlanLike, day_words, is_missing, number, one_line, percent, rows_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LONGEST_NAME = 26
_DAY_ROW = 0.8  # height of the line that names a day; a session's row is 1
_BOX = (-0.36, 0.18)  # of a row, downwards; the fan of the finish lies below the slots
_FAN = (0.25, 0.40)
_USUAL, _LARGE = "#CFE3F1", "#F8DCC6"
_SMALL = 7.0  # points
_CHARACTER = 0.62  # width of a digit, of its height


def plan_display(plan: PlanLike) -> ListsDisplay:
    """The picture of a plan's lists, not drawn yet."""
    lists, cases = plan.lists, plan.cases
    starts_at = pd.to_datetime(lists["starts_at"])
    since_midnight = (starts_at - starts_at.dt.normalize()).dt.total_seconds() / 60.0
    sessions = lists[["session_id", "day", "room", "surgeon", "overrun_risk", "overrun_limit"]].copy()
    sessions["start_min"] = since_midnight
    sessions["end_min"] = since_midnight + lists["minutes"]
    for q in (50, 80, 90):
        sessions[f"finish_q{q}_min"] = since_midnight + lists[f"finish_q{q}_min"]
    boxes = cases[["session_id", "position", "gland_ml", "large"]].copy()
    start_of = dict(zip(lists["session_id"], since_midnight, strict=True))
    boxes["start_min"] = cases["session_id"].map(start_of).astype(float) + cases["start_min"]
    boxes["slot_min"], boxes["turnover_min"] = cases["slot_min"], cases["turnover_min"]
    return ListsDisplay(sessions.reset_index(drop=True), boxes.reset_index(drop=True), caution=plan.caution)


@dataclass(eq=False, repr=False)
class ListsDisplay(Display):
    """Sessions of a plan along the time of day: slots, turnovers, when the list may finish, chance of an overrun.

    Attributes
    ----------
    sessions : pandas.DataFrame
        One row a list: session_id, day, room, surgeon, overrun_risk, overrun_limit and, in minutes after the day's
        midnight, start_min, end_min, finish_q50_min, finish_q80_min, finish_q90_min.
    slots : pandas.DataFrame
        One row a case: session_id, position, gland_ml, large, start_min (after midnight), slot_min, turnover_min.
    """

    sessions: pd.DataFrame
    slots: pd.DataFrame

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        days = self.sessions["day"].nunique()
        own = ax is None
        ax = own_axes(ax, self.caution, (11.0, 2.0 + 0.5 * len(self.sessions) + 0.4 * days))
        place, headings = _places(self.sessions["day"])
        self._draw_sessions(ax, place)
        at = self.slots["session_id"].map(dict(zip(self.sessions["session_id"], place, strict=True))).astype(float)
        self._draw_slots(ax, at + sum(_BOX) / 2)
        self._draw_finish(ax, place)
        for day, height in headings:
            ax.text(0.0, height, " " + day_words(day), transform=ax.get_yaxis_transform(), va="center", weight="bold",
                    fontsize=8, zorder=4)  # fmt: skip
            if height > _DAY_ROW:
                ax.axhline(height - _DAY_ROW / 2, color=GREY, linewidth=0.6)
        ax.set_ylim((place[-1] if len(place) else 0.0) + 0.55, 0.0)
        self._label(ax, place)
        self._name_slots(ax, at + sum(_BOX) / 2)
        if self.sessions.empty:
            ax.text(0.5, 0.5, "no list", transform=ax.transAxes, ha="center")
        if legend:
            draw_legend(ax, own, columns=5)
        return self.drawn(ax)

    def _draw_sessions(self, ax: Axes, place: list[float]) -> None:
        rows = self.sessions
        length = rows["end_min"] - rows["start_min"]
        ax.barh(place, length, 0.84, left=rows["start_min"], color="#EFEFEF", zorder=0, label="session")
        p = np.array(place)
        ax.vlines(rows["end_min"], p - 0.47, p + 0.47, color=BLACK, linewidth=2.0, zorder=3, label="end of session")

    def _draw_slots(self, ax: Axes, place: pd.Series[float]) -> None:
        height = _BOX[1] - _BOX[0]
        large = self.slots["large"].astype(bool)
        # A large gland has a thick edge and an asterisk as well as its colour.
        styles: list[tuple[pd.Series[bool], str, dict[str, Any]]] = [
            (~large, "slot: place in list, gland mL", {"color": _USUAL, "edgecolor": BLUE, "linewidth": 0.8}),
            (large, "large gland *", {"color": _LARGE, "edgecolor": RED, "linewidth": 1.8}),
        ]
        for chosen, label, style in styles:
            rows = self.slots[chosen]
            if len(rows):
                ax.barh(place[chosen], rows["slot_min"], height, left=rows["start_min"], zorder=1, label=label, **style)
        gaps = self.slots[self.slots["turnover_min"] > 0]
        if len(gaps):
            left = gaps["start_min"] + gaps["slot_min"]
            ax.hlines(place[gaps.index], left, left + gaps["turnover_min"], color=GREY, linestyle=":", linewidth=1.5,
                      label="turnover")  # fmt: skip

    def _name_slots(self, ax: Axes, place: pd.Series[float]) -> None:
        low, high = ax.get_xlim()
        points_a_minute = 72.0 * ax.bbox.width / (figure_of(ax).dpi * (high - low))
        for row, y in zip(rows_of(self.slots), place, strict=True):
            words = _slot_words(row, row.slot_min * points_a_minute)
            # The paper behind the words keeps a session's end from running through them.
            paper = {"facecolor": _LARGE if row.large else _USUAL, "edgecolor": "none", "pad": 0.6}
            ax.text(row.start_min + row.slot_min / 2, y, words, ha="center", va="center", fontsize=_SMALL, zorder=5,
                    linespacing=0.95, clip_on=True, bbox=paper)  # fmt: skip

    def _draw_finish(self, ax: Axes, place: list[float]) -> None:
        rows = self.sessions
        middle, height = sum(_FAN) / 2, _FAN[1] - _FAN[0]
        y = np.array(place) + middle
        for low, high, colour, hatch, label in (
            ("finish_q50_min", "finish_q80_min", "#7FCDB5", "", "finish: median to 80 %"),
            ("finish_q80_min", "finish_q90_min", "#FFFFFF", "//////", "finish: 80 to 90 %"),
        ):
            known = (rows[low].notna() & rows[high].notna()).to_numpy()
            if known.any():
                ax.barh(y[known], (rows[high] - rows[low])[known], height, left=rows.loc[known, low], color=colour,
                        edgecolor=GREEN, linewidth=0.8, hatch=hatch, zorder=2, label=label)  # fmt: skip
        known = rows["finish_q50_min"].notna().to_numpy()
        if known.any():
            ax.scatter(rows.loc[known, "finish_q50_min"], y[known], 16, color=GREEN, edgecolors=BLACK, linewidths=0.5,
                       zorder=4, label="median finish")  # fmt: skip

    def _label(self, ax: Axes, place: list[float]) -> None:
        from matplotlib.ticker import FuncFormatter, MultipleLocator

        rows = self.sessions
        ax.set_yticks(place, [_session_words(row) for row in rows_of(rows)], fontsize=7.5)
        ax.tick_params(axis="y", length=0)
        right = ax.secondary_yaxis("right")
        told = [f"{percent(row.overrun_risk)}\n(limit {percent(row.overrun_limit)})" for row in rows_of(rows)]
        right.set_yticks(place, told, fontsize=7.5)
        right.tick_params(axis="y", length=0)
        right.set_ylabel("chance of overrun", fontsize=8)
        ends = _finite(rows["end_min"], rows["finish_q90_min"], self.slots["start_min"] + self.slots["slot_min"])
        starts = _finite(rows["start_min"], self.slots["start_min"])
        low, high = (min(starts), max(ends)) if starts and ends else (480.0, 1020.0)
        ax.set_xlim(low - 10.0, high + 10.0)
        step = 30.0 if high - low <= 360 else 60.0 if high - low <= 900 else 120.0
        ax.xaxis.set_major_locator(MultipleLocator(step))
        ax.xaxis.set_major_formatter(FuncFormatter(lambda minutes, _: _clock(minutes)))
        ax.grid(axis="x", color="#D5D5D5", linewidth=0.6, zorder=0.5)
        ax.set_axisbelow(True)
        ax.set_xlabel("time of day", fontsize=8)
        ax.tick_params(axis="x", labelsize=8)


def _places(days: pd.Series[pd.Timestamp]) -> tuple[list[float], list[tuple[pd.Timestamp, float]]]:
    """Where each session's row lies, downwards, and where each day's heading."""
    place: list[float] = []
    headings: list[tuple[pd.Timestamp, float]] = []
    height, before = 0.0, None
    for day in days:
        if day != before:
            headings.append((day, height + _DAY_ROW / 2))
            height, before = height + _DAY_ROW, day
        place.append(height + 0.5)
        height += 1.0
    return place, headings


def _slot_words(row: Any, points: float) -> str:
    """The most that can be said of a slot in so much width."""
    mark, gland = "*" if row.large else "", number(row.gland_ml)
    for words in (
        f"{row.position}:  {gland} mL{mark}",
        f"{row.position}: {gland}{mark}",
        f"{row.position}\n{gland}{mark}",
    ):
        if _CHARACTER * _SMALL * max(map(len, words.split("\n"))) <= points - 3.0:
            return words
    return str(row.position) + mark


def _session_words(row: Any) -> str:
    who = ", ".join(one_line(part) for part in (row.room, row.surgeon) if part and not is_missing(part))
    return "\n".join(_short(text) for text in (one_line(row.session_id), who) if text)


def _short(text: str) -> str:
    # Matplotlib reads what stands between two dollar signs as a formula.
    text = text if len(text) <= _LONGEST_NAME else text[: _LONGEST_NAME - 1] + "…"
    return text.replace("$", "\\$")


def _finite(*columns: Iterable[float]) -> list[float]:
    return [float(value) for column in columns for value in column if math.isfinite(value)]


def _clock(minutes: float) -> str:
    return f"{int(minutes // 60) % 24:02d}:{int(minutes % 60):02d}"
