"""Displays of what a model says of its unit: time against volume, phases of a case, learning curves, canister swaps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
import numpy.typing as npt
import pandas as pd

from .. import _core
from .. import quantities as q
from ..calibration import looks_mistyped
from ..cases import KNOWN_AT_BOOKING, Cases, read_bookings
from ..caution import CAUTION
from .style import (
    BLACK,
    BLUE,
    LINES,
    RED,
    Display,
    band,
    draw_legend,
    name_ends,
    new_figure,
    own_axes,
    plain_log,
    starred,
    titled_legend,
    untried_note,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..model import TheatreTimeModel
    from ..prediction import Prediction

Doubles = npt.NDArray[np.float64]
Time = Literal["theatre", "enucleation", "morcellation"]
Phase = Literal["enucleation", "morcellation"]

_MIX = 40  # cases of the unit that stand at every gland of a curve
_GRID = 21
_USUAL_SHARE = 0.05  # a class with a canister that so many cases had is worth a line
_PHASES = {
    "enucleation": ("enucleation", "0.45", ""),
    "haemostasis": ("haemostasis and the rest of the operation", "0.92", "////"),
    "morcellation": ("morcellation with its stops", "0.72", ""),
    "room": ("room, before and after the operation", "1.0", "...."),
}


def _cases_of(model: TheatreTimeModel, cases: Cases | None) -> Cases | None:
    return cases if cases is not None else getattr(model, "_cases", None)


@dataclass(frozen=True)
class _Unit:
    """Cases of the unit, and in which of them the data checks take nothing for a slip."""

    frame: pd.DataFrame
    sound: npt.NDArray[np.bool_]

    @classmethod
    def of(cls, model: TheatreTimeModel, cases: Cases | None) -> _Unit | None:
        unit = _cases_of(model, cases)
        return None if unit is None else cls(unit.frame.reset_index(drop=True), ~looks_mistyped(unit.frame))


def _grid(unit: _Unit | None) -> Doubles:
    """Glands from the smallest to the largest of the unit, evenly in their logarithm; without a unit 30 to 200 mL."""
    glands = np.array([30.0, 200.0]) if unit is None else unit.frame["gland_ml"].to_numpy(float)[unit.sound]
    low, high = (30.0, 200.0) if not len(glands) else (float(glands.min()), float(glands.max()))
    return np.geomspace(low, max(high, 1.05 * low), _GRID)


def _mix(unit: _Unit | None) -> pd.DataFrame:
    """Some cases of the unit, spread evenly over the file, as bookings without a name."""
    rows = np.flatnonzero(unit.sound) if unit is not None else np.empty(0, np.intp)
    if unit is None or not len(rows):
        return pd.DataFrame({"gland_ml": [80.0]})
    rows = rows[np.unique(np.linspace(0, len(rows) - 1, min(_MIX, len(rows))).round().astype(int))]
    kept = [name for name in KNOWN_AT_BOOKING if name in unit.frame and name != "case_id"]
    return pd.DataFrame(unit.frame[kept].iloc[rows].reset_index(drop=True))


def _at_glands(mix: pd.DataFrame, glands: Doubles) -> pd.DataFrame:
    """The mix at every gland: len(glands) x len(mix) bookings, gland by gland."""
    booked = pd.concat([mix.assign(gland_ml=float(gland)) for gland in glands], ignore_index=True)
    booked["case_id"] = [f"{k // len(mix)}/{k % len(mix)}" for k in range(len(booked))]
    return booked


@dataclass(eq=False, repr=False)
class TimeVolumeDisplay(Display):
    """Time against gland volume: the model's bands for the unit's own mix, and the unit's cases.

    Attributes
    ----------
    curve : pandas.DataFrame
        One row a gland: gland_ml, median_min, and the ends between which 50 and 80 of 100 cases lie: low50_min,
        high50_min, low80_min, high80_min.
    cases : pandas.DataFrame
        One row a recorded case: gland_ml, minutes, unfinished (the time is a lower bound), mistyped (the data checks
        take something in it for a slip).
    time : str
        "theatre" (wheels in to wheels out), "enucleation" or "morcellation" (stops included).
    """

    curve: pd.DataFrame
    cases: pd.DataFrame
    time: str

    @classmethod
    def from_model(
        cls,
        model: TheatreTimeModel,
        cases: Cases | None = None,
        *,
        time: Time = "theatre",
        draws: int = 400,
        seed: int = 1,
    ) -> Self:
        """At each of 21 glands up to 40 cases of the unit are predicted with their gland replaced.

        ``cases`` are by default those of the fit; without any (a model from a file) the curve is that of a booking of
        which nothing but the gland is known.
        """
        if time not in ("theatre", "enucleation", "morcellation"):
            raise _core.InvalidArgument(f"time must be 'theatre', 'enucleation' or 'morcellation', not {time!r}")
        unit = _Unit.of(model, cases)
        shown = pd.DataFrame({name: pd.Series(dtype=float) for name in ("gland_ml", "minutes")})
        shown = shown.assign(unfinished=pd.Series(dtype=bool), mistyped=pd.Series(dtype=bool))
        if unit is not None and f"{time}_min" in unit.frame:
            frame = unit.frame
            outcome = frame.get("morcellation_outcome", pd.Series("complete", index=frame.index))
            shown = pd.DataFrame(
                {
                    "gland_ml": frame["gland_ml"],
                    "minutes": frame[f"{time}_min"],
                    "unfinished": (outcome.astype(object).fillna("complete") != "complete") & (time != "enucleation"),
                    "mistyped": ~unit.sound,
                }
            ).dropna(subset=["minutes"])
        glands, mix = _grid(unit), _mix(unit)
        pred = model.predict(read_bookings(_at_glands(mix, glands), quiet=True), draws=draws, seed=seed)
        phases = {"theatre": range(len(_PHASES)), "enucleation": [0], "morcellation": [2]}[time]
        minutes = pred.draws[:, :, list(phases)].sum(axis=2).reshape(len(glands), -1)
        levels = np.quantile(minutes, [0.1, 0.25, 0.5, 0.75, 0.9], axis=1)
        names = ["low80_min", "low50_min", "median_min", "high50_min", "high80_min"]
        curve = pd.DataFrame({"gland_ml": glands, **dict(zip(names, levels, strict=True))})
        return cls(curve, shown.reset_index(drop=True), time, caution=CAUTION)

    @property
    def share_within(self) -> float:
        """Share of the finished cases that do not look mistyped inside the 80 of 100 band; NaN without any."""
        rows = self.cases[~self.cases["unfinished"].astype(bool) & ~self.cases["mistyped"].astype(bool)]
        if rows.empty:
            return math.nan
        low, high = (np.interp(rows["gland_ml"], self.curve["gland_ml"], self.curve[f"{end}80_min"])
                     for end in ("low", "high"))  # fmt: skip
        return float(((rows["minutes"] >= low) & (rows["minutes"] <= high)).mean())

    @property
    def words(self) -> str:
        """What the picture shows, for those who cannot see it."""
        first, last = self.curve.iloc[0], self.curve.iloc[-1]
        said = (
            f"Median {self.time} time rises from {first['median_min']:.0f} min at {first['gland_ml']:.0f} mL to "
            f"{last['median_min']:.0f} min at {last['gland_ml']:.0f} mL; 80 of 100 cases at the largest gland are "
            f"expected between {last['low80_min']:.0f} and {last['high80_min']:.0f} min."
        )
        share = self.share_within
        return said if math.isnan(share) else f"{said} Of the unit's own cases {100 * share:.0f} % lie in that band."

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        own, ax = ax is None, own_axes(ax, self.caution, (8.0, 5.2))
        curve, rows = self.curve, self.cases
        x = curve["gland_ml"]
        ax.fill_between(x, curve["low80_min"], curve["high80_min"], color="0.88", linewidth=0, zorder=0,
                        label="80 of 100 cases lie here")  # fmt: skip
        ax.fill_between(x, curve["low50_min"], curve["high50_min"], color="0.72", linewidth=0, zorder=0.5,
                        label="50 of 100")  # fmt: skip
        ax.plot(x, curve["median_min"], color=BLACK, linewidth=2.0, zorder=3, label="half take less")
        mistyped, unfinished = rows["mistyped"].astype(bool), rows["unfinished"].astype(bool)
        sound = rows[~mistyped]
        top = 1.08 * max([float(curve["high80_min"].max()), *sound["minutes"]])
        left, right = float(x.min()), float(x.max())
        for chosen, label, style in (
            (~mistyped & ~unfinished, "case of the unit", {"marker": "o", "s": 13, "color": BLUE, "linewidths": 0}),
            (~mistyped & unfinished, "not finished: took longer", {"marker": "^", "s": 26, "facecolors": "none",
                                                                  "edgecolors": BLACK}),
            (mistyped, "looks mistyped", {"marker": "x", "s": 26, "color": RED, "linewidths": 1.2}),
        ):  # fmt: skip
            part = rows[chosen]
            if len(part):
                beyond = int(((part["minutes"] > top) | (part["gland_ml"] > 1.05 * right)).sum())
                said = f"{label} ({len(part)}" + (f", {beyond} beyond the axes)" if beyond else ")")
                ax.scatter(part["gland_ml"], part["minutes"], zorder=2, alpha=0.75, label=said, **style)  # type: ignore[arg-type]
        ax.set_xlim(left - 0.02 * (right - left), right + 0.02 * (right - left))
        ax.set_ylim(0.0, top)
        ax.set_xlabel("gland volume (mL)")
        ax.set_ylabel(f"{self.time} time (min)")
        ax.set_title(f"{self.time.capitalize()} time against gland volume, the unit's own mix of cases", fontsize=10)
        if legend:
            draw_legend(ax, own, columns=3)
        return self.drawn(ax)


@dataclass(eq=False, repr=False)
class CasePhasesDisplay(Display):
    """Phases of cases as stacked bars, with how sure each phase and the whole are.

    Attributes
    ----------
    rows : pandas.DataFrame
        One row a case and phase (enucleation, haemostasis, morcellation, room, total): case_id, phase, start_min
        (where its part of the bar begins), mean_min, q10_min, q50_min, q90_min. Means add up; quantiles do not.
    slots : pandas.Series or None
        Slot of each case in minutes, marked where there is one.
    """

    rows: pd.DataFrame
    slots: pd.Series[float] | None = None

    @classmethod
    def from_prediction(
        cls, prediction: Prediction, case_ids: Sequence[str] | str | None = None, *, overrun_risk: float | None = 0.2
    ) -> Self:
        """Of the named cases, by default the first six; slots at ``overrun_risk`` are marked unless it is None."""
        known = prediction.case_ids
        asked = known[:6] if case_ids is None else [case_ids] if isinstance(case_ids, str) else list(case_ids)
        unknown = [repr(name) for name in asked if name not in known]
        if unknown or not asked:
            raise _core.InvalidArgument(
                f"no booking is called {', '.join(unknown) or '(none)'}; known: {', '.join(known)}"
            )
        rows = []
        for name in asked:
            draws = prediction.draws[known.index(name)]
            start = 0.0
            for k, phase in enumerate(_PHASES):
                mean = float(draws[:, k].mean())
                rows.append((name, phase, start, mean, *np.quantile(draws[:, k], [0.1, 0.5, 0.9])))
                start += mean
            total = draws.sum(axis=1)
            rows.append((name, "total", 0.0, float(total.mean()), *np.quantile(total, [0.1, 0.5, 0.9])))
        columns = ["case_id", "phase", "start_min", "mean_min", "q10_min", "q50_min", "q90_min"]
        slots = None
        if overrun_risk is not None:
            from ..slots import slots as slots_of

            slots = slots_of(prediction, overrun_risk=overrun_risk)["slot_min"].loc[asked]
        return cls(pd.DataFrame(rows, columns=columns), slots, caution=CAUTION)

    @property
    def words(self) -> str:
        """What the picture shows, for those who cannot see it."""
        said = []
        for name, rows in self.rows.groupby("case_id", sort=False):
            means = rows.set_index("phase")["mean_min"]
            total = rows.set_index("phase").loc["total"]
            parts = ", ".join(f"{phase} {means[phase]:.0f}" for phase in _PHASES)
            said.append(
                f"{name}: {total['mean_min']:.0f} min on average ({parts}); 80 of 100 such cases take "
                f"{total['q10_min']:.0f} to {total['q90_min']:.0f} min."
            )
        return " ".join(said)

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        names = list(dict.fromkeys(self.rows["case_id"]))
        own, ax = ax is None, own_axes(ax, self.caution, (9.5, 2.2 + 1.15 * len(names)))
        table = self.rows.set_index(["case_id", "phase"])
        place = np.arange(len(names), dtype=float)
        for k, (phase, (words, shade, hatch)) in enumerate(_PHASES.items()):
            part = table.xs(phase, level="phase").loc[names]
            ax.barh(place, part["mean_min"], 0.34, left=part["start_min"], color=shade, hatch=hatch, edgecolor=BLACK,
                    linewidth=0.8, zorder=2, label=words)  # fmt: skip
            lane = place + 0.25 + 0.085 * k
            start = part["start_min"].to_numpy()
            ax.hlines(lane, start + part["q10_min"], start + part["q90_min"], color=BLUE, linewidth=1.6, zorder=3,
                      label="80 of 100 cases: of a phase, from where it begins" if k == 0 else "")  # fmt: skip
            ax.plot(start + part["q50_min"], lane, linestyle="none", marker="|", color=BLUE, markersize=6, zorder=4)
            for y, at, mean, low, high in zip(
                place, start, part["mean_min"], part["q10_min"], part["q90_min"], strict=True
            ):
                if mean > 0.045 * float(self.rows["q90_min"].max()):
                    ax.text(at + mean / 2, y, f"{mean:.0f}", ha="center", va="center", fontsize=8.5, zorder=5,
                            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8})  # fmt: skip
                if len(names) <= 4:
                    ax.text(at + high, y + 0.25 + 0.085 * k, f"  {phase} {low:.0f} to {high:.0f}", fontsize=6.5,
                            va="center", color=BLACK)  # fmt: skip
        total = table.xs("total", level="phase").loc[names]
        ax.hlines(place - 0.26, total["q10_min"], total["q90_min"], color=BLACK, linewidth=2.4, zorder=3,
                  label="80 of 100 cases: of the whole")  # fmt: skip
        ax.plot(total["q50_min"], place - 0.26, linestyle="none", marker="o", color="white", markeredgecolor=BLACK,
                markersize=6, zorder=4, label="half take less")  # fmt: skip
        if self.slots is not None:
            ax.plot(self.slots.loc[names], place - 0.26, linestyle="none", marker="v", color=BLACK, markersize=8,
                    zorder=4, label="slot")  # fmt: skip
        ax.set_yticks(place, [str(name).replace("$", "\\$") for name in names])
        ax.set_ylim(len(names) - 0.3, -0.5)
        furthest = max([float(total["q90_min"].max()), *([] if self.slots is None else self.slots)])
        ax.set_xlim(0.0, 1.12 * furthest)
        ax.set_xlabel("minutes, wheels in to wheels out (numbers in the bars: mean minutes of each phase)")
        ax.set_title("Phases of a case" if len(names) == 1 else "Phases of the cases", fontsize=10)
        if legend:
            draw_legend(ax, own, columns=3)
        return self.drawn(ax)


@dataclass(eq=False, repr=False)
class LearningCurveDisplay(Display):
    """Time of one phase against the surgeon's case number, a curve with its interval a surgeon.

    Attributes
    ----------
    curves : pandas.DataFrame
        One row a surgeon and case number: surgeon, case_no, minutes, lower, upper (interval of the curve, not of a
        case). Open ends are NaN.
    cases : pandas.DataFrame
        One row a recorded case that does not look mistyped, brought to the same gland (and class, canister, no
        trainee): surgeon, case_no, minutes, weight (of the fit; NaN where it is not in memory).
    phase : str
    gland_ml : float
    """

    curves: pd.DataFrame
    cases: pd.DataFrame
    phase: str
    gland_ml: float
    axes_: list[Axes] = field(init=False)

    @classmethod
    def from_model(
        cls,
        model: TheatreTimeModel,
        cases: Cases | None = None,
        *,
        phase: Phase = "enucleation",
        gland_ml: float | None = None,
        surgeons: Sequence[str] | None = None,
        level: float = 0.95,
    ) -> Self:
        """Curves over the case numbers that the cases hold, sandwich intervals at ``level``.

        ``gland_ml`` is the unit's median by default, ``surgeons`` the six with most cases. Where no case has both
        surgeon and number, the one curve is that of the unit's average surgeon from the first to the 200th case.
        Morcellation is without stops and as halves of the known classes lets expect.
        """
        if phase not in ("enucleation", "morcellation"):
            raise _core.InvalidArgument(f"phase must be 'enucleation' or 'morcellation', not {phase!r}")
        fitted = model.fitted_
        gland = float(fitted.gland_ml[1] if gland_ml is None else gland_ml)
        unit = _cases_of(model, cases)
        known = pd.DataFrame({"surgeon": [], "surgeon_case_no": []})
        if unit is not None:
            frame = unit.frame.reset_index(drop=True)
            known = frame.reindex(columns=["surgeon", "surgeon_case_no"])[~looks_mistyped(frame)].dropna()
            known = known[known["surgeon"].isin(model.surgeons_.index)]
        wanted = list(known["surgeon"].value_counts().index[:6].sort_values()) if surgeons is None else list(surgeons)
        unknown = [repr(code) for code in wanted if code not in model.surgeons_.index]
        if unknown:
            raise _core.InvalidArgument(
                f"no surgeon is called {', '.join(unknown)}; known: {', '.join(map(str, model.surgeons_.index))}"
            )
        quantity = q.enucleation_min if phase == "enucleation" else q.morcellation_min
        asked, places = [], []
        for code in wanted or [None]:
            numbers = known.loc[known["surgeon"] == code, "surgeon_case_no"]
            low, high = (1.0, 200.0) if numbers.empty else (float(numbers.min()), float(numbers.max()))
            for k in np.unique(np.geomspace(low, max(high, low + 1.0), 15).round()):
                asked.append(quantity(gland, surgeon=code, surgeon_case_no=float(k), name=f"{code}/{k:g}"))
                places.append((code or "the unit's average", float(k)))
        found = model.conf_int(functions=asked, level=level)
        curves = pd.DataFrame(places, columns=["surgeon", "case_no"])
        curves[["minutes", "lower", "upper"]] = found[["estimate", "lower", "upper"]].to_numpy()
        rows = _brought(model, unit, known[known["surgeon"].isin(wanted)], phase, gland)
        return cls(curves, rows, phase, gland, caution=CAUTION)

    @property
    def words(self) -> str:
        """What the picture shows, for those who cannot see it."""
        said = []
        for code, rows in self.curves.groupby("surgeon", sort=False):
            first, last = rows.iloc[0], rows.iloc[-1]
            said.append(
                f"{code}: {first['minutes']:.0f} min at case {first['case_no']:.0f}, {last['minutes']:.0f} min at case "
                f"{last['case_no']:.0f}."
            )
        return f"Median {self.phase} minutes of a {self.gland_ml:.0f} mL gland by surgeon. " + " ".join(said)

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        """All surgeons on one pair of axes, without the cases; :meth:`plot_panels` has a panel a surgeon, with them."""
        own, ax = ax is None, own_axes(ax, self.caution, (8.5, 5.2))
        ends = []
        for k, (code, rows) in enumerate(self.curves.groupby("surgeon", sort=False)):
            style = LINES[k % len(LINES)]
            band(ax, rows["case_no"], rows["lower"], rows["upper"], style, alpha=0.07)
            ax.plot(rows["case_no"], rows["minutes"], color=style[0], linestyle=style[1], marker=style[2],
                    markersize=5.5, markevery=(k % 3, 4), linewidth=1.8, zorder=3, label=f"surgeon {code}")  # fmt: skip
            ends.append((str(code), float(rows["case_no"].iloc[-1]), float(rows["minutes"].iloc[-1])))
        self._label(ax, self.curves["case_no"])
        ax.set_title(f"{self._title()}; thin lines: 95 % interval of the curve", fontsize=10)
        if legend:
            draw_legend(ax, own, columns=3)
        return self.drawn(ax)

    def plot_panels(self, figure: Figure | None = None) -> Self:
        """A panel a surgeon: the curve with its interval, and the cases brought to the same gland."""
        codes = list(dict.fromkeys(self.curves["surgeon"]))
        columns = min(3, len(codes))
        lines = -(-len(codes) // columns)
        self.figure_ = new_figure((3.5 * columns + 0.6, 3.0 * lines + 0.9), self.caution) if figure is None else figure
        grid = self.figure_.subplots(lines, columns, sharey=True, squeeze=False)
        self.axes_ = list(grid.ravel()[: len(codes)])
        for ax in grid.ravel()[len(codes) :]:
            ax.set_visible(False)
        for ax, code in zip(self.axes_, codes, strict=True):
            rows = self.curves[self.curves["surgeon"] == code]
            own = self.cases[self.cases["surgeon"] == code]
            ax.scatter(own["case_no"], own["minutes"], s=11, color=BLUE, alpha=0.6, linewidths=0, label="case")
            band(ax, rows["case_no"], rows["lower"], rows["upper"], (BLACK, "--", ""), "95 % interval of the curve")
            ax.plot(rows["case_no"], rows["minutes"], color=BLACK, linewidth=2.0, zorder=3, label="model")
            self._label(ax, rows["case_no"])
            ax.set_title(f"surgeon {code} ({len(own)} cases)", fontsize=9)
        self.axes_[0].set_ylim(0.0, self._top())
        titled_legend(self.figure_, self._title(), self.axes_)
        self.ax_ = self.axes_[0]
        return self

    def _title(self) -> str:
        stops = "" if self.phase == "enucleation" else ", no stops"
        return f"{self.phase.capitalize()}{stops}, {self.gland_ml:.0f} mL gland, by the surgeon's case number"

    def _top(self) -> float:
        """High enough for the curves and for 98 of 100 cases."""
        most = [float(self.curves["minutes"].max()), float(self.curves["upper"].max(skipna=True))]
        if len(self.cases):
            most.append(float(self.cases["minutes"].quantile(0.98)))
        return 1.08 * float(np.nanmax(most))

    def _label(self, ax: Axes, numbers: pd.Series[float]) -> None:
        if numbers.max() > 5 * numbers.min():
            ax.set_xscale("log")
            plain_log(ax.xaxis)
        ax.set_ylim(bottom=0.0)
        ax.set_xlabel("case number of the surgeon")
        ax.set_ylabel(f"{self.phase} (min)")


def _brought(
    model: TheatreTimeModel, unit: Cases | None, known: pd.DataFrame, phase: Phase, gland_ml: float
) -> pd.DataFrame:
    """Recorded minutes times the model's ratio of the display's case to the recorded one, both of the same surgeon."""
    columns = ["surgeon", "case_no", "minutes", "weight"]
    if unit is None or f"{phase}_min" not in unit.frame or known.empty:
        return pd.DataFrame({name: pd.Series(dtype=object if name == "surgeon" else float) for name in columns})
    fitted, theta = model.fitted_, model.fitted_.theta
    frame = unit.frame.reset_index(drop=True).loc[known.index]
    trainee = math.exp(model.params_["estimate"]["e_trainee" if phase == "enucleation" else "m_trainee"])
    weights = pd.Series(dtype=float)
    if hasattr(model, "weights_") and unit is getattr(model, "_cases", None):
        of_phase = model.weights_[model.weights_["channel"] == phase]
        weights = of_phase.drop_duplicates("case_index").set_index("case_index")["weight"]
    rows = []
    for at, row in zip(frame.index, frame.to_dict("records"), strict=True):
        minutes = row[f"{phase}_min"]
        if pd.isna(minutes) or (phase == "morcellation" and row.get("morcellation_outcome", "complete") not in
                                ("complete", None, np.nan)):  # fmt: skip
            continue
        who: dict[str, Any] = {"surgeon": row["surgeon"], "surgeon_case_no": float(row["surgeon_case_no"])}
        if phase == "enucleation":
            mine = q.enucleation_min(float(row["gland_ml"]), **who)
            shown = q.enucleation_min(gland_ml, **who)
        else:
            blade, suction = row.get("blade"), row.get("suction")
            named = isinstance(blade, str) and isinstance(suction, str)
            capacity = row.get("canister_ml", math.inf)
            mine = q.morcellation_min(
                float(row["gland_ml"]),
                device_class=f"{blade}/{suction}" if named else None,
                canister_ml=float(capacity) if np.isfinite(capacity) else None,
                **who,
            )
            shown = q.morcellation_min(gland_ml, **who)
        ratio = shown.of(fitted).value(theta) / mine.of(fitted).value(theta)
        ratio /= trainee if row.get("trainee") == 1 else 1.0
        rows.append((row["surgeon"], who["surgeon_case_no"], minutes * ratio, weights.get(at, np.nan)))
    return pd.DataFrame(rows, columns=columns)


@dataclass(eq=False, repr=False)
class SwapsDisplay(Display):
    """Expected canister swaps a case against gland volume.

    Attributes
    ----------
    rows : pandas.DataFrame
        One row an option and gland: option (class and canister), gland_ml, swaps.
    cases : pandas.DataFrame or None
        One row a case with a recorded count: option, gland_ml, swaps.
    untried : sequence of str
        Options that no case of the unit is recorded with; starred in the picture.
    """

    rows: pd.DataFrame
    cases: pd.DataFrame | None = None
    untried: Sequence[str] = ()

    @classmethod
    def from_model(
        cls,
        model: TheatreTimeModel,
        cases: Cases | None = None,
        *,
        canisters_ml: Sequence[float] | None = None,
        device_classes: Sequence[str] | None = None,
        draws: int = 2048,
        seed: int = 1,
    ) -> Self:
        """A line for every class with every canister that at least 5 % of the cases had, or for those given.

        Without cases and without a choice: a reciprocating blade with vacuum and 2000 mL (common practice, no source).
        The surgeon is one of the unit's whom nobody named.
        """
        unit = _Unit.of(model, cases)
        options: list[tuple[str, float]] = []
        had: set[tuple[str, float]] = set()
        frame = None if unit is None else unit.frame
        named = frame is not None and {"blade", "suction", "canister_ml"} <= set(frame.columns)
        if frame is not None and named:
            used = (frame["blade"] + "/" + frame["suction"]).rename("device_class").to_frame()
            used["canister_ml"] = frame["canister_ml"]
            counts = used[np.isfinite(used["canister_ml"])].dropna().value_counts()
            had = {(str(one[0]), float(one[1])) for one in counts.index}
            options = [(str(one[0]), float(one[1])) for one, n in counts.items() if n >= _USUAL_SHARE * len(frame)]
        classes = list(device_classes or dict.fromkeys(name for name, _ in options) or ["reciprocating/vacuum"])
        if device_classes is not None or canisters_ml is not None or not options:
            capacities = list(canisters_ml or dict.fromkeys(ml for _, ml in options) or [2000.0])
            options = [(name, float(ml)) for name in classes for ml in capacities]
        glands = _grid(unit)
        parts = []
        for name, ml in sorted(options):
            pieces = name.split("/")
            if len(pieces) != 2:
                raise _core.InvalidArgument(f"a device class is blade/suction, not {name!r}")
            booked = pd.DataFrame({"gland_ml": glands, "canister_ml": ml, "blade": pieces[0], "suction": pieces[1]})
            pred = model.predict(read_bookings(booked, quiet=True), draws=draws, seed=seed)
            words = f"{name}, {ml:g} mL"
            parts.append(pd.DataFrame({"option": words, "gland_ml": glands, "swaps": pred.expected_swaps}))
        rows = pd.concat(parts, ignore_index=True)
        seen = None
        if unit is not None and named and "canister_swaps" in unit.frame:
            frame = unit.frame[unit.sound]
            option = frame["blade"] + "/" + frame["suction"] + ", " + frame["canister_ml"].map("{:g}".format) + " mL"
            seen = pd.DataFrame({"option": option, "gland_ml": frame["gland_ml"], "swaps": frame["canister_swaps"]})
            seen = seen[seen["option"].isin(rows["option"])].dropna().reset_index(drop=True)
        untried = tuple(f"{name}, {ml:g} mL" for name, ml in sorted(options) if (name, ml) not in had)
        return cls(rows, seen, untried, caution=CAUTION)

    @property
    def words(self) -> str:
        """What the picture shows, for those who cannot see it."""
        said = []
        for name, rows in self.rows.groupby("option", sort=False):
            first, last = rows.iloc[0], rows.iloc[-1]
            said.append(f"{name}: {first['swaps']:.1f} at {first['gland_ml']:.0f} mL, {last['swaps']:.1f} at "
                        f"{last['gland_ml']:.0f} mL.")  # fmt: skip
        return "Expected canister swaps a case. " + " ".join(said)

    def plot(self, ax: Axes | None = None, *, legend: bool = True) -> Self:
        own, ax = ax is None, own_axes(ax, self.caution, (8.5, 5.0))
        ends = []
        lines = list(self.rows.groupby("option", sort=False))
        for k, (name, rows) in enumerate(lines):
            colour, line, marker = LINES[k % len(LINES)]
            if self.cases is not None:
                own_cases = self.cases[self.cases["option"] == name]
                # Counts are whole: the options' marks lie a little apart, so that none hides another.
                apart = 0.07 * (k - 0.5 * (len(lines) - 1))
                ax.scatter(own_cases["gland_ml"], own_cases["swaps"] + apart, 16, marker=marker, facecolors="none",
                           edgecolors=colour, linewidths=0.7, alpha=0.7, zorder=1)  # fmt: skip
            ax.plot(rows["gland_ml"], rows["swaps"], color=colour, linestyle=line, marker=marker, markersize=5,
                    markevery=(k % 3, 3), label=starred(str(name), self.untried), zorder=3)  # fmt: skip
            ends.append(
                (starred(str(name), self.untried), float(rows["gland_ml"].iloc[-1]), float(rows["swaps"].iloc[-1]))
            )
        most = max(float(self.rows["swaps"].max()), 0.1)
        if self.cases is not None and len(self.cases):
            most = max(most, float(self.cases["swaps"].max()) + 0.3)
        ax.set_ylim(-0.05 * most, 1.05 * most)
        name_ends(ax, ends)
        ax.set_xlabel("gland volume (mL)" + untried_note(self.untried))
        ax.set_ylabel("canister swaps a case")
        marks = "" if self.cases is None else "; open marks: recorded counts"
        ax.set_title(f"Expected canister swaps against volume and collection{marks}", fontsize=10)
        if legend:
            draw_legend(ax, own, columns=2)
        return self.drawn(ax)
