"""lobetime fit."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
import typer.core
from rich.console import Console
from rich.text import Text

# Names of the package are looked up where they are used, and pandas is imported there: --help needs neither.
import lobetime as lt

if TYPE_CHECKING:
    import pandas as pd

from . import asking, screen
from .program import EPILOG, app

_LITTLE_WEIGHT = 0.1


class Loss(StrEnum):
    bisquare = "bisquare"
    huber = "huber"
    soft_l1 = "soft_l1"
    cauchy = "cauchy"
    squares = "squares"


@app.command(epilog=EPILOG)
def fit(
    history: asking.HistoryArgument,
    out: Annotated[
        Path,
        typer.Option("--out", metavar="MODEL", help="Model file to write, whole or not at all.", show_default=False),
    ],
    loss: Annotated[Loss, typer.Option("--loss", help="What a case far off the curve may pull.")] = Loss.bisquare,
    no_prior: Annotated[
        bool, typer.Option("--no-prior", help="Leave published evidence out: the cases must tell everything.")
    ] = False,
    column: asking.ColumnOption = [],  # noqa: B006 - typer copies it
    drop: asking.DropOption = [],  # noqa: B006 - typer copies it
    device_classes: asking.ClassesOption = None,
    csv: asking.CsvOption = None,
    json: asking.JsonOption = False,
) -> None:
    """Fit the time model to a unit's past cases and write it to a file."""
    if no_prior and device_classes is not None:
        raise typer.BadParameter("an own device class needs its range, so not --no-prior", param_hint="--no-prior")
    asking.check_output(out, "--out", history)
    asking.check_output(csv, "--csv", history, out)
    mapping = asking.columns(column)
    with screen.busy(f"reading {history.name}"):
        classes = asking.classes(device_classes)
        cases = asking.read(lt.read_cases, history, mapping, drop=drop, **classes)
    prior = lt.PublishedPrior(**classes) if classes else None if no_prior else "published"
    model = asking.fit_model(lt.TheatreTimeModel(loss=loss.value, prior=prior), cases)
    parameters = model.params_.join(model.conf_int()[["lower", "upper", "open"]]).reset_index()
    parameters = parameters[
        ["name", "meaning", "estimate", "lower", "upper", "open", "unit", "origin", "share_from_cases", "source"]
    ]
    with screen.writing():
        model.save(out)
    if csv is not None:
        screen.write_csv(csv, parameters)
    if json:
        content = {
            "origin": "history",
            "history": {"file": os.fspath(history), "n_cases": len(cases)},
            "model": {"file": os.fspath(out), **screen.model_facts(model)},
            "parameters": parameters,
            "interval_level": 0.95,
            "spreads": model.scale_.reset_index(),
            "surgeons": model.surgeons_.reset_index(),
            "warnings": screen.named(cases.warnings, history),
        }
        screen.print_json("fit", content)
    if csv is None and not json:
        console = screen.new_console()
        _print_fit(console, model, parameters)
        screen.print_warnings(console, cases.warnings, history.name)
        console.print(f"\nModel written to {out}: the numbers above, no case and no case id.", soft_wrap=True)
        screen.print_caution(console)
    else:
        screen.note(f"{out}: model written; {screen.count(len(cases.warnings), 'warning')} in {history.name}")


def _interval(estimate: float, lower: float, upper: float) -> tuple[str, str]:
    """Estimate and interval, rounded together to two figures of the interval's width. An open end has no number."""
    ends = [end for end in (lower, upper) if math.isfinite(end)]
    width = max([*ends, estimate]) - min([*ends, estimate])
    if not width > 0:
        return f"{estimate:.4g}", "open" if not ends else "–"
    decimals = min(max(1 - math.floor(math.log10(width)), 0), 6)
    low, high = (f"{end:.{decimals}f}" for end in (lower, upper))
    words = f"{low} to {high}"
    if math.isnan(lower):
        words = f"up to {high}"
    elif math.isnan(upper):
        words = f"from {low}"
    return f"{estimate:.{decimals}f}", words


def _print_fit(console: Console, model: lt.TheatreTimeModel, parameters: pd.DataFrame) -> None:
    console.print(f"Theatre time model from {screen.unit_line(model)}", style="bold")
    prior = "with published evidence as its start" if model.fitted_.prior == "published" else "from these cases alone"
    few = int((model.weights_["weight"] < _LITTLE_WEIGHT).sum())
    console.print(
        f"{model.loss} loss, {prior}, {screen.count(model.fit_.rounds, 'round')}. "
        f"Of {len(model.weights_):,} recorded values {few:,} lie so far off the curve that they count less "
        "than a tenth.\n"
    )

    surgeons = {
        f"surgeon_{part}[{code}]"
        for part in ("enucleation", "morcellation", "learning")
        for code in model.surgeons_.index
    }
    rows = [_parameter_cells(row) for row in parameters.to_dict("records") if row["name"] not in surgeons]
    meanings, *cells = (list(column) for column in zip(*rows, strict=True))
    symbol, estimate, interval, unit, origin = cells
    columns = [
        screen.Column("symbol", symbol, "left"),
        screen.Column("estimate", estimate),
        screen.Column("95 % interval", interval, "left"),
        screen.Column("unit", unit, "left"),
        screen.Column("origin", origin, "left"),
    ]
    meaning = screen.Column("meaning", meanings, "left")
    if screen.total_width([meaning, *columns], 2) <= console.width:
        screen.print_lines(console, [meaning, *columns], lambda _: None)
    else:
        screen.print_lines(console, columns, lambda i: screen.print_beneath(console, "", meanings[i]))
    console.print(
        "Origin cases: these cases settle the number; any other still rests on evidence or assumption, and its "
        "interval too. A ratio is a log ratio in the model file, CSV and JSON.\n"
    )
    if model.on_bound_:
        reached = ", ".join(model.on_bound_)
        console.print(f"On a bound of what is allowed, so that the interval says less than it seems to: {reached}.\n")
    _print_surgeons(console, model, parameters)
    _print_spreads(console, model)


def _parameter_cells(row: Mapping[Any, Any]) -> tuple[str, ...]:
    numbers, unit = [row["estimate"], row["lower"], row["upper"]], row["unit"]
    if unit == "log ratio":
        numbers, unit = [math.exp(number) for number in numbers], "ratio"
    origin = "cases" if row["origin"] == "fitted from cases" else row["origin"]
    return row["meaning"], screen.shown(row["name"]), *_interval(*numbers), "" if unit == "1" else unit, origin


def _print_surgeons(console: Console, model: lt.TheatreTimeModel, parameters: pd.DataFrame) -> None:
    if model.surgeons_.empty:
        return
    console.print("Surgeons, past the learning curve, as ratios to the unit's average (below 1: faster)", style="bold")
    table = screen.new_table(
        "surgeon", "cases", "latest case", "enucleation", "95 % interval", "blade time", "95 % interval"
    )
    for column in table.columns:
        column.justify = "left" if column.header in ("surgeon", "95 % interval") else "right"
    known = {row["name"]: _parameter_cells(row) for row in parameters.to_dict("records")}
    for row in model.surgeons_.reset_index().to_dict("records"):
        latest = "unknown" if math.isnan(row["last_case_no"]) else f"{row['last_case_no']:.0f}"
        cells = [screen.shown(row["code"]), f"{row['cases']:.0f}", latest]
        for phase in ("enucleation", "morcellation"):
            cells += known[f"surgeon_{phase}[{row['code']}]"][2:4]
        table.add_row(*(Text(cell) for cell in cells))
    console.print(table)
    learners = model.surgeons_.index[model.surgeons_["learning"].notna()]
    if len(learners) > 0:
        console.print("\nExtra enucleation time of first cases, as ratios to the unit's average", style="bold")
        table = screen.new_table("surgeon", "extra time", "95 % interval", right=["extra time"])
        for code in learners:
            cells = [screen.shown(code), *known[f"surgeon_learning[{code}]"][2:4]]
            table.add_row(*(Text(cell) for cell in cells))
        console.print(table)
    console.print()


_SPREAD_WORDS = {
    "tissue": "tissue",
    "enucleation": "enucleation",
    "haemostasis": "haemostasis and rest of the operation",
    "morcellation": "morcellation",
    "room": "room",
    "operative": "operative time recorded as one sum",
    "theatre": "theatre time recorded as one sum",
}


def _print_spreads(console: Console, model: lt.TheatreTimeModel) -> None:
    from ..summary import trends_of  # it needs pandas

    console.print("Spread of one case about its curve", style="bold")
    table = screen.new_table(
        "of", "spread", "95 % interval", "unit", "recorded values", right=["spread", "recorded values"]
    )
    for row in model.scale_.reset_index().to_dict("records"):
        half = math.exp(1.96 * row["log_se"])
        numbers = _interval(row["spread"], row["spread"] / half, row["spread"] * half)
        unit = "ratio" if row["name"] in ("operative", "theatre") else "log SD"
        table.add_row(_SPREAD_WORDS[row["name"]], *numbers, unit, f"{row['observations']:.0f}")
    console.print(table)
    for trend in trends_of(model):
        console.print(f"Cases scatter in {trend}.", soft_wrap=True)
