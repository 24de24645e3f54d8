"""lobetime monitor."""

from __future__ import annotations

import os
import warnings
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer
import typer.core
from rich.console import Console

# Names of the package are looked up where they are used, and pandas is imported there: --help needs neither.
import lobetime as lt

from . import asking, screen
from .program import EPILOG, app


@app.command(epilog=EPILOG)
def monitor(
    history: Annotated[
        Path,
        typer.Argument(metavar="HISTORY", help="Cases to monitor: .csv, .tsv, .xlsx or .parquet.", **asking.EXISTING),
    ],
    model: Annotated[
        Path | None,
        typer.Option(
            "--model", metavar="MODEL", help="Model file that lobetime fit wrote, of earlier cases.", **asking.EXISTING
        ),
    ] = None,
    since: Annotated[
        datetime | None,
        typer.Option(
            "--since",
            metavar="DATE",
            formats=["%Y-%m-%d"],
            help="First day of the monitored cases; without --model the cases before it are fitted.",
            show_default=False,
        ),
    ] = None,
    run_length: Annotated[
        float,
        typer.Option(
            "--run-length",
            metavar="CASES",
            min=10,
            max=500_000,
            help="Cases after which a chart signals on average though nothing has changed.",
        ),
    ] = 500,
    unfinished_chance: Annotated[
        float | None,
        typer.Option(
            "--unfinished-chance",
            metavar="CHANCE",
            callback=asking.chance_if_given,
            help="Usual chance that morcellation is deferred or ends by another route; by default as in the fit.",
            show_default=False,
        ),
    ] = None,
    draws: Annotated[int, typer.Option("--draws", min=1000, max=10_000_000, help="Draws a case.")] = 4096,
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**64 - 1, help="The same seed gives the same charts.")] = 1,
    column: asking.ColumnOption = [],  # noqa: B006 - typer copies it
    drop: asking.DropOption = [],  # noqa: B006 - typer copies it
    device_classes: asking.ClassesOption = None,
    csv: asking.CsvOption = None,
    json: asking.JsonOption = False,
) -> None:
    """Say whether times, events or surgeons have changed since the fit.

    Give --model, and a HISTORY of the cases after its fit; or --since, and a HISTORY of all cases; or both. Exit code 0
    with signals or without.
    """
    if model is None and since is None:
        raise typer.BadParameter(
            "give --model for a model of earlier cases, or --since to fit the cases before a day", param_hint="--model"
        )
    asking.check_output(csv, "--csv", history, model)
    mapping = asking.columns(column)
    with screen.busy(f"reading {history.name}"):
        classes = asking.classes(device_classes)
        cases = asking.read(lt.read_cases, history, mapping, drop=drop, **classes)
    found = cases.warnings
    earlier, watched = (None, cases) if since is None else _split(cases, since)
    fitted, _ = asking.model_of(model, earlier, classes)
    with screen.busy(f"monitoring {screen.count(len(watched), 'case')}"), warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", lt.MonitorWarning)
        told = lt.monitor(
            fitted, watched, run_length=run_length, unfinished_chance=unfinished_chance, draws=draws, seed=seed
        )
    cautions = [str(one.message) for one in said if issubclass(one.category, lt.MonitorWarning)]

    if csv is not None:
        for words in [*cautions, *told.worth()]:
            screen.note(words)
        screen.write_csv(csv, told.signals)
    if json:
        content = {
            "history": {"file": os.fspath(history), "n_cases": len(cases)},
            "model": {"file": None if model is None else os.fspath(model), **screen.model_facts(fitted)},
            "asked": {
                "since": None if since is None else f"{since:%Y-%m-%d}",
                "run_length": run_length,
                "unfinished_chance": unfinished_chance,
                "draws": draws,
                "seed": seed,
            },
            "n_cases": told.n_cases,
            "false_per_100": told.false_per_100,
            "signals": told.signals,
            "limits": told.limits,
            "notes": [*cautions, *told.worth()],
            "warnings": screen.named(found, history),
        }
        screen.print_json("monitor", content)
    if csv is None and not json:
        console = screen.new_console()
        start = "" if since is None else f" from {since:%Y-%m-%d} on"
        console.print(f"{screen.shown(history.name)}{start}: {' '.join(told.head())}", style="bold")
        console.print(f"Held against {screen.unit_line(fitted)}.\n")
        _print_signals(console, told)
        console.print()
        for words in [*cautions, *told.worth()]:
            console.print(screen.printable(words))
        screen.print_warnings(console, found, history.name)
        screen.print_caution(console)


def _split(cases: lt.Cases, day: datetime) -> tuple[lt.Cases, lt.Cases]:
    """Cases before a day, to fit, and from it on, to watch."""
    import numpy as np

    if "operated_on" not in cases.frame or cases.frame["operated_on"].isna().any():
        raise lt.InvalidArgument("--since needs a date, operated_on, of every case")
    later = (cases.frame["operated_on"] >= day).to_numpy()
    if later.all() or not later.any():
        side = "before" if later.all() else "from"
        raise lt.InvalidArgument(f"no case lies {side} {day:%Y-%m-%d}{'' if later.all() else ' on'}")

    def take(which: np.ndarray[Any, Any]) -> lt.Cases:
        at = np.flatnonzero(which)
        return lt.Cases(
            cases.frame.iloc[at].reset_index(drop=True), cases.table.take(at), cases.warnings.head(0), cases.rows[at]
        )

    return take(~later), take(later)


def _print_signals(console: Console, told: lt.Monitoring) -> None:
    """A line a signal, and under it how sure it is."""
    if told.signals.empty:
        console.print("No signal.")
        return
    rows = told.signals.to_dict("records")

    def when(row: Mapping[Any, Any], day: str, case: str) -> str:
        return f"{row[day]:%Y-%m-%d}" if row[day] == row[day] else screen.shown(row[case])  # NaT is not itself

    columns = [
        screen.Column("signal", [row["direction"] for row in rows], "left", style="bold"),
        screen.Column("of", [row["phase"].replace("_", " ") for row in rows], "left"),
        screen.Column("who", [screen.shown(row["group"]) for row in rows], "left"),
        screen.Column("change", [f"{row['change_percent']:+.0f} %" for row in rows]),
        screen.Column("since", [when(row, "since", "since_case_id") for row in rows], "left"),
        screen.Column("told at", [when(row, "operated_on", "case_id") for row in rows], "left"),
    ]
    for column in (columns[2], columns[4], columns[5]):
        column.width = min(column.width, 23)

    def print_beneath(i: int) -> None:
        row = rows[i]
        learning = row["chart"] == "learning curve"
        against = "an experienced surgeon's" if learning else "what was expected"
        by_itself = "calls a surgeon adequate who is not" if learning else "signals by itself"
        kind = "" if row["group_kind"] == "all" else f"{row['group_kind']}; "
        words = f"{kind}{screen.count(row['n_since'], 'case')}, change against {against}, "
        words += f"95 % interval {row['lower']:+.0f} to "
        words += f"{row['upper']:+.0f} %; such a chart {by_itself} once in {row['run_length']:,.0f} cases"
        screen.print_beneath(console, "", words)

    screen.print_lines(console, columns, print_beneath)
