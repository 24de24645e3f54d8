"""A fitted model in words: as text, as HTML for notebooks and reports, as LaTeX for a paper."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from . import _core
from . import quantities as q
from .caution import CAUTION
from .markup import Table, latex, paragraph
from .rounding import at, decimals_of, interval, with_error

if TYPE_CHECKING:
    from .model import TheatreTimeModel

SOURCE_WORDS = {"fitted from cases": "cases"}
"""Where an origin has a shorter word; "published", "common practice", "assumption", "held by the user" stay."""

SPREAD_WORDS = {
    "tissue": "tissue",
    "enucleation": "enucleation",
    "haemostasis": "haemostasis and rest of the operation",
    "morcellation": "morcellation",
    "room": "room",
    "operative": "operative time recorded as one sum",
    "theatre": "theatre time recorded as one sum",
}

TREND_WORDS = {"per_doubling": "per doubling of the gland", "first_case": "at a first case against the plateau"}
"""Columns of ``scale_`` that say by what ratio a spread changes."""

_NOTE = (
    "±: standard error, to two significant digits; all of a row is rounded at its place. Source cases: the unit's "
    "cases settle the number; any other still rests on evidence or assumption, and so does its interval. A ratio is "
    "the exponential of the parameter, which is its logarithm. An open end is one that the cases do not close."
)


@dataclass(frozen=True)
class Summary:
    """A fitted model to read: ``str()`` gives text, ``to_html()`` and ``to_latex()`` the same as tables.

    Attributes
    ----------
    head : dict of str
        What was fitted to what.
    table : pandas.DataFrame
        One row a parameter, unrounded: meaning, unit, estimate, standard_error, lower, upper, open, reason, origin,
        share_from_cases, source. Log ratios are logarithms here, and ratios where people read them.
    spreads : pandas.DataFrame
        One row a channel: spread, log_se, observations, and how it changes (see ``TheatreTimeModel.scale_``).
    level : float
        Of the intervals.
    """

    head: dict[str, str]
    table: pd.DataFrame
    spreads: pd.DataFrame
    level: float

    def tables(self, *, surgeons: bool = True) -> list[Table]:
        """The tables that people read, every number rounded: parameters, surgeons (unless left out), spreads."""
        own = self.table.index.str.startswith(("surgeon_", "device["))
        headings = ["what", "symbol", "estimate", "±", f"{100 * self.level:g} % interval", "unit", "source"]
        found = [Table("Parameters", headings, _parameter_rows(self.table[~own]), right=(2, 3))]
        if surgeons and own.any():
            rows = _parameter_rows(self.table[own])
            found.append(Table("Surgeons and devices", headings, rows, right=(2, 3)))
        changes = [name for name in TREND_WORDS if self.spreads[name].notna().any()]
        spreads = []
        for row in self.spreads.reset_index().to_dict("records"):
            unit = "ratio" if row["name"] in ("operative", "theatre") else "log SD"
            error = row["spread"] * row["log_se"]
            place = decimals_of(error)
            cells = (at(row["spread"], place), at(error, place) if place is not None else "")
            trend = [with_error(row[name], row[f"{name}_se"]) for name in changes]
            spreads.append((SPREAD_WORDS[str(row["name"])], *cells, unit, f"{row['observations']:.0f}", *trend))
        columns = ["of", "spread", "±", "unit", "recorded values", *(f"ratio {TREND_WORDS[name]}" for name in changes)]
        return [*found, Table("Spread of one case about its curve", columns, spreads, right=(1, 2, 4))]

    def __str__(self) -> str:
        width = max(map(len, self.head))
        head = "\n".join(f"{name:<{width}}  {value}" for name, value in self.head.items())
        parts = ["Theatre time model", head]
        parts += [f"\n{table.caption}\n{table.to_text()}" for table in self.tables()]
        return "\n".join([*parts, f"\n{_NOTE}\n\n{CAUTION}"])

    def to_html(self) -> str:
        """Tables with captions and scopes, to be put into a page; texts are escaped."""
        head = Table("Theatre time model", ["what", "says"], list(self.head.items()))
        pieces = [head.to_html(), *(table.to_html() for table in self.tables())]
        return "\n".join([*pieces, paragraph(_NOTE, small=True), paragraph(CAUTION, small=True)])

    _repr_html_ = to_html

    def to_latex(self) -> str:
        r"""Tables for a paper, surgeons left out; they need \usepackage{booktabs}."""
        head = "% " + "; ".join(f"{name}: {value}" for name, value in self.head.items())
        return "\n\n".join([head, *(table.to_latex() for table in self.tables(surgeons=False)), latex(_NOTE)]) + "\n"


def _parameter_rows(table: pd.DataFrame) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for name, row in table.iterrows():
        numbers, unit = [row["estimate"], row["lower"], row["upper"]], row["unit"]
        error = row["standard_error"]
        if unit == "log ratio":
            numbers, unit = [math.exp(number) for number in numbers], "ratio"
            error *= numbers[0]
        place = decimals_of(error)
        held = place is None
        rows.append(
            (
                str(row["meaning"]),
                str(name),
                at(numbers[0], place),
                "" if held else at(error, place),
                "held" if held else interval(numbers[1], numbers[2], place),
                "" if unit == "1" else str(unit),
                SOURCE_WORDS.get(str(row["origin"]), str(row["origin"])),
            )
        )
    return rows


def summary_of(model: TheatreTimeModel, level: float) -> Summary:
    """See :meth:`TheatreTimeModel.summary`."""
    params, fitted = model.params_, model.fitted_
    table = params[["meaning", "unit"]].join(model.conf_int(level=level))
    working = np.sqrt(np.diag(fitted.covariance))
    slope = np.where(params["scale"] == "log", params["estimate"], 1.0)
    table.insert(3, "standard_error", working * slope)
    table = table.join(params[["origin", "share_from_cases", "source"]])
    low, median, high = fitted.gland_ml
    head = {
        "cases": f"{fitted.n_cases:,}",
        "glands": f"{low:.0f} to {high:.0f} mL, median {median:.0f}",
        "loss": f"{fitted.loss}, {fitted.estimator.upper()} estimation",
        "prior": "none: the cases alone" if fitted.prior == "none" else fitted.prior,
    }
    if getattr(model, "on_bound_", []):
        head["bounds"] = "reached by " + ", ".join(model.on_bound_)
    return Summary(head, table, model.scale_, level)


def trends_of(model: TheatreTimeModel) -> list[str]:
    """How spreads change, in words; empty where the cases show no change."""
    return [
        f"{row['name']} {with_error(row[name], row[f'{name}_se'])} times as widely {words}"
        for row in model.scale_.reset_index().to_dict("records")
        for name, words in TREND_WORDS.items()
        if not math.isnan(row[name])
    ]


def facts_of(model: TheatreTimeModel) -> dict[str, str]:
    """What a fitted model rests on, in words."""
    fitted = model.fitted_
    low, median, high = fitted.gland_ml
    said = {"cases": f"{fitted.n_cases:,}", "glands": f"median {median:.0f} mL, {low:.0f} to {high:.0f}"}
    said["surgeons"] = f"{len(model.surgeons_)}"
    classes = ", ".join(f"{name} {count}" for name, count in fitted.device_classes)
    said["device classes"] = classes or "none recorded"
    origins = model.params_["origin"].value_counts()
    said["source of its numbers"] = ", ".join(f"{SOURCE_WORDS.get(str(k), str(k))} {n}" for k, n in origins.items())
    if fitted.held_out:
        said["held-out cases"] = f"{len(fitted.held_out)}"
    return said


def usual_class(fitted: _core.FittedModel) -> str | None:
    """The device class that most cases of the fit had; None where none is known."""
    known = [(count, name) for name, count in fitted.device_classes if "unknown" not in name]
    return max(known)[1] if known else None


def answers_of(model: TheatreTimeModel) -> Table:
    """Minutes that the model expects at small, middle and large glands, rounded with their intervals."""
    fitted = model.fitted_
    low, median, high = fitted.gland_ml
    most = usual_class(fitted)
    glands = sorted({float(round(v)) for v in (max(low, 0.5 * median), median, min(high, 2.0 * median))})
    asked = {}
    for gland in glands:
        asked[f"enucleation of {gland:.0f} mL"] = q.enucleation_min(gland)
        asked[f"morcellation of {gland:.0f} mL, no stops"] = q.morcellation_min(gland, device_class=most)
    found = model.conf_int(functions=asked)
    rows = []
    for name, row in found.iterrows():
        ends = [end for end in (row["lower"], row["upper"]) if math.isfinite(end)]
        place = decimals_of((max(ends) - min(ends)) / 3.92) if len(ends) == 2 else None
        rows.append((str(name), at(row["estimate"], place), interval(row["lower"], row["upper"], place)))
    caption = "Median minutes of the average surgeon past the learning curve" + (f"; {most}" if most else "")
    return Table(caption, ["what", "min", "95 % interval"], rows, right=[1])


def model_html(model: TheatreTimeModel) -> str:
    """What a notebook shows of a model."""
    if not hasattr(model, "fitted_"):
        return paragraph(f"{model!r}: not fitted; it predicts from published evidence and stated assumptions alone.")
    facts = Table("Theatre time model, fitted", ["what", "says"], list(facts_of(model).items()))
    said = "model.summary() has every number with its interval and source."
    return "\n".join([facts.to_html(), answers_of(model).to_html(), paragraph(said), paragraph(CAUTION, small=True)])
