"""lobetime report."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer
import typer.core

# Names of the package are looked up where they are used, and pandas is imported there: --help needs neither.
import lobetime as lt

from . import asking, screen
from .program import EPILOG, app


@app.command(epilog=EPILOG)
def report(
    history: asking.HistoryArgument,
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            metavar="PAGE",
            help="Page to write, whole or not at all: .html, or .pdf (needs lobetime[report]).",
            show_default=False,
        ),
    ],
    folds: Annotated[int, typer.Option("--folds", min=2, max=20, help="Parts that are held out in turn.")] = 3,
    draws: Annotated[int, typer.Option("--draws", min=100, max=20_000, help="Draws a held-out case.")] = 500,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Of searches and draws.")] = 1,
    column: asking.ColumnOption = [],  # noqa: B006 - typer copies it
    drop: asking.DropOption = [],  # noqa: B006 - typer copies it
    device_classes: asking.ClassesOption = None,
    csv: asking.CsvOption = None,
    json: asking.JsonOption = False,
) -> None:
    """Write one page about a unit: what its cases say, whether the model keeps its promise, and what a paper needs.

    No case, case id or surgeon's code is in it. --csv writes the table of numbers beside it.
    """
    if out.suffix.lower() not in (".html", ".pdf"):
        raise typer.BadParameter(f"{out} does not end in .html or .pdf", param_hint="--out")
    asking.check_output(out, "--out", history)
    asking.check_output(csv, "--csv", history, out)
    mapping = asking.columns(column)
    import matplotlib

    matplotlib.use("Agg")
    from ..report import unit_report

    with screen.busy(f"reading {history.name}"):
        classes = asking.classes(device_classes)
        cases = asking.read(lt.read_cases, history, mapping, drop=drop, **classes)
    prior = lt.PublishedPrior(**classes) if classes else "published"
    model = asking.fit_model(lt.TheatreTimeModel(prior=prior, seed=seed), cases)
    with screen.busy("predicting cases that the model has not seen") as say:
        page = unit_report(cases, model, folds=folds, draws=draws, seed=seed, say=say)
        content = page.content(out)
    screen.write_whole(out, content)
    if csv is not None:
        screen.write_csv(csv, page.table)
    if json:
        screen.print_json(
            "report",
            {
                "history": {"file": os.fspath(history), "n_cases": len(cases)},
                "page": {"file": os.fspath(out)},
                "facts": page.facts,
                "says": page.says,
                "kept": page.kept,
                "flags": page.flags,
                "parameters": page.table,
                "methods": page.methods,
                "citation": page.citation,
                "sources": page.sources,
            },
        )
    if csv is None and not json:
        console = screen.new_console()
        console.print(f"A unit of {page.facts['cases']} past cases", style="bold")
        for words in (*page.says, *page.kept, *page.flags):
            screen.print_beneath(console, "", words)
        console.print(f"\nPage written to {out}.", soft_wrap=True)
        screen.print_caution(console)
