"""lobetime check."""

from __future__ import annotations

import os
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
import typer.core
from rich.console import Console

# Names of the package are looked up where they are used, and pandas is imported there: --help needs neither.
import lobetime as lt

if TYPE_CHECKING:
    import pandas as pd

from . import asking, screen
from .program import EPILOG, app


class Kind(StrEnum):
    history = "history"
    bookings = "bookings"


@app.command(epilog=EPILOG)
def check(
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", help="Past cases or bookings: .csv, .tsv, .xlsx or .parquet.", **asking.EXISTING
        ),
    ],
    kind: Annotated[
        Kind | None,
        typer.Option(
            "--kind", help="What the file holds; by default a file with times is a history.", show_default=False
        ),
    ] = None,
    column: asking.ColumnOption = [],  # noqa: B006 - typer copies it
    drop: asking.DropOption = [],  # noqa: B006 - typer copies it
    device_classes: asking.ClassesOption = None,
    csv: asking.CsvOption = None,
    json: asking.JsonOption = False,
) -> None:
    """Show everything in a file that would be refused, and everything that looks wrong and would be kept.

    Exit code 0 without problems (warnings do not count), 1 with problems.
    """
    asking.check_output(csv, "--csv", file)
    mapping = asking.columns(column)
    with screen.busy(f"checking {file.name}"):
        classes = asking.classes(device_classes)
        findings = lt.check_file(file, kind.value if kind else None, columns=mapping, drop=drop, **classes)
    n_problems = int((findings["severity"] == "problem").sum())
    n_warnings = len(findings) - n_problems
    read_as, n_cases = findings.attrs["kind"], findings.attrs["n_cases"]

    what = (
        f"{screen.shown(file.name)}, read as {read_as}: {screen.count(n_cases, 'row')}"
        if read_as
        else f"{screen.shown(file.name)}: not read"
    )
    summary = f"{what}, {screen.count(n_problems, 'problem')}, {screen.count(n_warnings, 'warning')}"
    if csv is not None:
        screen.note(summary)
        screen.write_csv(csv, findings)
    if json:
        content = {
            "file": os.fspath(file),
            "kind": read_as,
            "n_cases": n_cases,
            "n_problems": n_problems,
            "n_warnings": n_warnings,
            "findings": findings,
        }
        screen.print_json("check", content)
    if csv is None and not json:
        console = screen.new_console()
        console.print(summary, style="bold")
        _print_checked(console, findings)
        screen.print_caution(console)
    if n_problems:
        raise typer.Exit(1)


def _print_checked(console: Console, findings: pd.DataFrame) -> None:
    if findings.empty:
        console.print("Nothing is wrong with it.")
        return
    meanings = []
    if (findings["severity"] == "problem").any():
        meanings.append("A problem has to be put right; until then the whole file is refused.")
    if (findings["severity"] == "warning").any():
        meanings.append("A warning is kept as it is; the fit gives little weight to what lies far off.")
    console.print(" ".join(meanings) + "\n")
    columns = ["row", "column", "value", "severity", "what is allowed, or looks wrong"]
    screen.print_findings(console, findings.rename(columns={"message": columns[-1]}), columns)
