"""``python -m lobetime.validation REPORT.md``"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from .report import report
from .study import study


def main(
    path: Annotated[Path, typer.Argument(help="Markdown file to write.")],
    units: Annotated[int, typer.Option(min=2, help="Invented units for each number of past cases.")] = 40,
    first: Annotated[int, typer.Option(min=0, help="Number of the first unit.")] = 0,
    sizes: Annotated[str, typer.Option(help="Numbers of past cases, separated by commas.")] = "0,15,40,150,600,3000",
    baselines: Annotated[bool, typer.Option(help="Compare with the baselines.")] = True,
    processes: Annotated[int, typer.Option(min=1)] = os.cpu_count() or 1,
) -> None:
    """Judge predictions on invented units that do not obey the model, and write the report."""
    numbers = [int(word) for word in sizes.split(",")]
    for result in study(units, numbers, first=first, baselines=baselines, n_jobs=processes):
        typer.echo(result.table().round(4).to_string())
        path.write_text(report(result, f"--units {units} --first {first} --sizes {sizes}"), encoding="utf-8")


if __name__ == "__main__":
    typer.run(main)
