"""lobetime slots."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
import typer.core
from rich.console import Console

# Names of the package are looked up where they are used, and pandas is imported there: --help needs neither.
import lobetime as lt

from ..plain import plain

if TYPE_CHECKING:
    import pandas as pd

from . import asking, screen
from .program import EPILOG, app

_PRIOR_ALONE = (
    "NO HISTORY: these slots rest on published evidence and stated assumptions alone, on no case of this unit. "
    "Give past cases with --history, or a fitted model with --model."
)


@app.command(epilog=EPILOG)
def slots(
    bookings: Annotated[
        Path,
        typer.Argument(
            metavar="BOOKINGS", help="Bookings, one row a case: .csv, .tsv, .xlsx or .parquet.", **asking.EXISTING
        ),
    ],
    model: asking.ModelOption = None,
    history: asking.HistoryOption = None,
    overrun_risk: Annotated[
        float,
        typer.Option(
            "--overrun-risk",
            metavar="CHANCE",
            callback=asking.chance,
            help="Accepted chance that a case overruns its slot, 0 to 1.",
        ),
    ] = 0.2,
    round_to: Annotated[
        float,
        typer.Option(
            "--round-to",
            metavar="MINUTES",
            callback=asking.grid,
            help="Slots are rounded up to a multiple of so many minutes.",
        ),
    ] = 5,
    draws: Annotated[int, typer.Option("--draws", min=100, max=10_000_000, help="Draws a case.")] = 4096,
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**64 - 1, help="The same seed gives the same slots.")] = 1,
    column: asking.ColumnOption = [],  # noqa: B006 - typer copies it
    history_column: Annotated[
        list[str],
        typer.Option(
            "--history-column",
            metavar="COLUMN=HEADING",
            help="As --column, for the --history file.",
            show_default=False,
        ),
    ] = [],  # noqa: B006 - typer copies it
    drop: asking.DropOption = [],  # noqa: B006 - typer copies it
    device_classes: asking.ClassesOption = None,
    csv: asking.CsvOption = None,
    json: asking.JsonOption = False,
) -> None:
    """Say how long to book for each case, and why.

    With neither --model nor --history the slots rest on published evidence alone.
    """
    asking.check_one_of(model, history)
    if history_column and history is None:
        raise typer.BadParameter("needs --history", param_hint="--history-column")
    asking.check_output(csv, "--csv", bookings, model, history)
    mapping, history_mapping = asking.columns(column), asking.columns(history_column, "--history-column")

    # All files are read before anything is computed, so that what is refused is refused at once.
    with screen.busy(f"reading {bookings.name}"):
        classes = asking.classes(device_classes)
        booked = asking.read(lt.read_bookings, bookings, mapping, drop=drop, **classes)
        cases = (
            asking.read(lt.read_cases, history, history_mapping, drop=drop, **classes) if history is not None else None
        )
    fitted, origin = asking.model_of(model, cases, classes)
    with screen.busy(f"predicting {screen.count(len(booked), 'booking')}"):
        prediction = fitted.predict(booked, draws=draws, seed=seed)
        table = lt.slots(prediction, overrun_risk=overrun_risk, round_to=round_to).reset_index()

    told = [(bookings, booked.warnings)]
    if history is not None and cases is not None:
        told.append((history, cases.warnings))
    if csv is not None:
        if origin == "published prior":
            screen.note(_PRIOR_ALONE)
        for path, found in told:
            if len(found):
                screen.note(
                    f"{path.name}: {screen.count(len(found), 'warning')}; lobetime check {path.name} shows each of them"
                )
        screen.write_csv(csv, table)
    if json:
        rows = plain(table)
        for row, guesses in zip(rows, _guesses(prediction), strict=True):
            row["flags"], row["warnings"] = list(guesses), list(guesses.values())
        source = {"model file": model, "history": history}.get(origin)
        content = {
            "origin": origin,
            "asked": {"overrun_risk": overrun_risk, "round_to_min": round_to, "draws": draws, "seed": seed},
            "bookings": {"file": os.fspath(bookings), "n_cases": len(booked)},
            "model": None if source is None else {"file": os.fspath(source), **screen.model_facts(fitted)},
            "slots": rows,
            "warnings": [row for path, found in told for row in screen.named(found, path)],
        }
        screen.print_json("slots", content)
    if csv is None and not json:
        console = screen.new_console()
        risk = f"{100 * overrun_risk:g} %"
        console.print(
            f"Slots for {screen.count(len(booked), 'booking')} of {screen.shown(bookings.name)}: "
            f"chance of overrun at most {risk}, rounded up to {round_to:g} min",
            style="bold",
        )
        console.print(_PRIOR_ALONE if origin == "published prior" else f"From {screen.unit_line(fitted)}.")
        _print_slots(console, table, _guesses(prediction))
        for path, found in told:
            screen.print_warnings(console, found, path.name)
        screen.print_caution(console)


def _guesses(prediction: lt.Prediction) -> list[dict[str, str]]:
    """Where the model is guessing, for each booking: name and words."""
    words = (joined.split("; ") if joined else [] for joined in prediction.warnings())
    return [dict(zip(*pair, strict=True)) for pair in zip(prediction.flags, words, strict=True)]


_PHASE_HEADINGS = {
    "enucleation_min": "enucle-\nation",
    "haemostasis_min": "rest\nof op.",
    "morcellation_min": "morcel-\nlation",
    "room_min": "room\n",
}


_PHASE_WORDS = {"haemostasis_min": "rest of the operation"}


def _slot_columns(table: pd.DataFrame) -> list[screen.Column]:
    def minutes(name: str) -> list[str]:
        return [f"{value:.0f}" for value in table[name]]

    columns = [
        screen.Column("case", [screen.shown(case) for case in table["case_id"]], "left"),
        screen.Column("surgeon", [screen.shown(code) for code in table["surgeon"]], "left"),
        screen.Column("gland\nmL", [f"{value:g}" for value in table["gland_ml"]]),
        screen.Column("slot\nmin", [f"{value:g}" for value in table["slot_min"]], style="bold"),
        screen.Column("risk\nleft", [screen.percent(value) for value in table["overrun_risk"]]),
        screen.Column("median\nmin", minutes("median_min")),
        screen.Column("90 %\nmin", minutes("q90_min")),
    ]
    columns += [screen.Column(heading, minutes(name), is_phase=True) for name, heading in _PHASE_HEADINGS.items()]
    columns.append(screen.Column("swaps\n", [f"{value:.1f}" for value in table["expected_swaps"]]))
    return columns


def _print_slots(console: Console, table: pd.DataFrame, guesses: list[dict[str, str]]) -> None:
    """A line of numbers for each booking, and under it why, and where the model is guessing.

    A table of one line a booking has no room for the reasons, and reasons far from their numbers are not read. On a
    screen too narrow for all numbers, the phases go under the line, too.
    """
    said = [[words for name, words in one.items() if name != "no_history"] for one in guesses]  # that is said above
    common = [one for one in said[0] if all(one in others for others in said)] if len(said) > 1 else []
    if common:
        console.print("Guessed for every booking: " + "; ".join(common) + ".")
    console.print(
        "Slot, risk, median and 90 % are of theatre time, wheels in to wheels out; phases are their medians. Turnover "
        "between cases is not in a slot.\n"
    )

    columns = _slot_columns(table)
    case, surgeon, *rest = columns
    surgeon.width = min(surgeon.width, 14)
    case.width = min(case.width, max(console.width - screen.total_width([surgeon, *rest], 2) - 2, 14))
    phases_beneath = screen.total_width(columns, 1) > console.width
    rows = table.to_dict("records")

    def print_beneath(i: int) -> None:
        if phases_beneath:
            phases = (f"{_PHASE_WORDS.get(name, name[:-4])} {rows[i][name]:.0f}" for name in _PHASE_HEADINGS)
            screen.print_beneath(console, "phases", ", ".join(phases) + " min")
        screen.print_beneath(console, "why", rows[i]["why"])
        for one in said[i]:
            if one not in common:
                screen.print_beneath(console, "guess", one)

    screen.print_lines(console, [one for one in columns if not (phases_beneath and one.is_phase)], print_beneath)
    foot = []
    if len(rows) > 1:
        foot.append(f"The {len(rows):,} slots add up to {table['slot_min'].sum():,.0f} min.")
    if partly := sum(any(one not in common for one in one_case) for one_case in said):
        foot.append(f"{screen.count(partly, 'booking')} partly guessed: see the lines that begin with guess.")
    if foot:
        console.print(" ".join(foot))
