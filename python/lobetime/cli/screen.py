"""How things are said: on a terminal, in a file, as JSON."""

from __future__ import annotations

import contextlib
import json
import os
import re
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer
import typer.core
from rich import box
from rich.cells import cell_len
from rich.console import Console
from rich.table import Table
from rich.text import Text

# Names of the package are looked up where they are used, and pandas is imported there: --help needs neither.
import lobetime as lt

from .. import _core
from ..caution import CAUTION
from ..plain import plain

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure


_MOST_ROWS = 1000  # of one table on a screen; files and JSON hold all of them


_MOST_CHARACTERS = 80  # of a value from a file, on a screen


_FULL_WARNINGS = 8  # up to so many are shown one by one, more are counted


def new_console(*, stderr: bool = False) -> Console:
    # Markup and highlighting would read a unit's own texts as instructions.
    # Named as it is now, the stream also tells its encoding, and lines are drawn in characters that it knows.
    return Console(file=sys.stderr if stderr else sys.stdout, markup=False, highlight=False, emoji=False)


def printable(value: object) -> str:
    """A text as it may be put on a screen: a file's control characters have no business there."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in str(value))


def shown(value: object) -> str:
    """A value from a file, printable and not too long."""
    text = printable(value)
    return text if len(text) <= _MOST_CHARACTERS else text[: _MOST_CHARACTERS - 1] + "…"


def count(number: int, one: str, many: str | None = None) -> str:
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def new_table(*columns: str, right: Iterable[str] = ()) -> Table:
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    for column in columns:
        table.add_column(column, justify="right" if column in right else "left", overflow="fold")
    return table


@dataclass
class Column:
    """A column of lines that other lines may stand between; as wide as its texts, unless told otherwise."""

    heading: str
    cells: list[str]
    justify: Any = "right"
    style: str = ""
    is_phase: bool = False

    def __post_init__(self) -> None:
        self.width = max(map(cell_len, [*self.heading.split("\n"), *self.cells]))


def total_width(columns: Sequence[Column], gap: int) -> int:
    return sum(column.width + gap for column in columns) - gap


def print_lines(console: Console, columns: Sequence[Column], print_beneath: Callable[[int], None]) -> None:
    """Like a table, but with room for whole sentences under each line."""
    gap = 2 if total_width(columns, 2) <= console.width else 1
    rule = min(total_width(columns, gap), console.width) * ("-" if console.options.ascii_only else "─")

    def print_line(cells: Iterable[str], styles: Iterable[str]) -> None:
        grid = Table(box=None, show_header=False, pad_edge=False, padding=(0, gap, 0, 0))
        for column in columns:
            grid.add_column(width=column.width, justify=column.justify, overflow="fold")
        grid.add_row(*(Text(cell, style=style) for cell, style in zip(cells, styles, strict=True)))
        console.print(grid)

    print_line((column.heading for column in columns), ["bold"] * len(columns))
    console.print(rule)
    for i in range(len(columns[0].cells)):
        print_line((column.cells[i] for column in columns), (column.style for column in columns))
        print_beneath(i)
    console.print(rule)


def print_beneath(console: Console, label: str, words: str) -> None:
    # A figure stays on the line of its first word.
    words = re.sub(r"([+-]\d+) min ", "\\1\N{NO-BREAK SPACE}min\N{NO-BREAK SPACE}", words)
    start = f"  {label:<8}" if label else "    "
    for line in textwrap.wrap(words, max(console.width - len(start), 20)):
        console.print(Text(start + line.replace("\N{NO-BREAK SPACE}", " ")), soft_wrap=True)
        start = " " * len(start)


def print_findings(console: Console, findings: pd.DataFrame, columns: Sequence[str]) -> None:
    """Rows of a file with what is said about them, which the last column holds."""
    table = new_table(*columns, right=["row"])
    for *cells, words in findings[list(columns)].head(_MOST_ROWS).itertuples(index=False):
        table.add_row(*(Text(shown(cell)) for cell in cells), Text(printable(words)))
    console.print(table)
    if len(findings) > _MOST_ROWS:
        rest = count(len(findings) - _MOST_ROWS, "more row")
        console.print(f"and {rest}: lobetime check FILE --csv PATH lists all of them")


def print_caution(console: Console) -> None:
    console.print()
    console.print(CAUTION, style="italic")


def note(text: str) -> None:
    new_console(stderr=True).print(printable(text), soft_wrap=True)


@contextlib.contextmanager
def busy(doing: str) -> Iterator[Callable[[str], None]]:
    """Shows on a terminal what is being done; the value changes the words."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    with new_console(stderr=True).status(doing, spinner="line") as status:
        yield status.update


def json_text(content: dict[str, Any]) -> str:
    # ASCII only: a control character of a file cannot reach the terminal, nor an encoding spoil the text.
    return json.dumps(plain(content), indent=2, allow_nan=False) + "\n"


def print_json(command: str, content: dict[str, Any]) -> None:
    sys.stdout.write(json_text({"lobetime": lt.__version__, "command": command, "caution": CAUTION} | content))


def write_csv(path: Path, table: pd.DataFrame) -> None:
    from ..spreadsheet import neutral_table  # it needs pandas

    with writing():
        _core.write_whole(os.fspath(path), neutral_table(table).to_csv(index=False, lineterminator="\n"))
    note(f"{path}: {count(len(table), 'row')} written. {CAUTION}")


@contextlib.contextmanager
def writing() -> Iterator[None]:
    try:
        yield
    except lt.Error as error:
        raise OSError(str(error)) from error


def print_warnings(console: Console, found: pd.DataFrame, name: str) -> None:
    """What looks wrong in a file that was read: one by one if few, else counted by kind."""
    if found.empty:
        return
    wrong = "thing looks wrong and was" if len(found) == 1 else "things look wrong and were"
    console.print(f"\n{shown(name)}: {len(found)} {wrong} kept", style="bold")
    if len(found) <= _FULL_WARNINGS:
        print_findings(console, found, ["row", "column", "value", "message"])
        return
    table = new_table("what looks wrong", "times", "rows", right=["times"])
    for kind, group in found.groupby("kind", sort=False):
        rows = sorted(set(group["row"]))
        more = f" and {len(rows) - 5} more" if len(rows) > 5 else ""
        table.add_row(str(kind).replace("_", " "), f"{len(group):,}", ", ".join(map(str, rows[:5])) + more)
    console.print(table)
    console.print(f"lobetime check {shown(name)} shows each of them.")


def model_facts(model: lt.TheatreTimeModel) -> dict[str, Any]:
    fitted = model.fitted_
    lowest, median, highest = fitted.gland_ml
    return {
        "n_cases": fitted.n_cases,
        "gland_ml": {"lowest": lowest, "median": median, "highest": highest},
        "loss": fitted.loss,
        "prior": fitted.prior,
        "surgeons": list(model.surgeons_.index),
        "device_classes": {name: count for name, count in fitted.device_classes},
        "parameters_by_origin": {str(k): int(n) for k, n in model.params_["origin"].value_counts().items()},
    }


def named(found: pd.DataFrame, path: Path) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = plain(found)
    return [{"file": os.fspath(path), **row} for row in rows]


def unit_line(model: lt.TheatreTimeModel) -> str:
    facts = model_facts(model)
    gland = facts["gland_ml"]
    parts = [f"{facts['n_cases']:,} past cases of this unit"]
    parts.append(f"glands {gland['lowest']:.0f} to {gland['highest']:.0f} mL, median {gland['median']:.0f} mL")
    if facts["surgeons"]:
        parts.append(count(len(facts["surgeons"]), "surgeon"))
    return ", ".join(parts)


def percent(risk: float) -> str:
    return f"{100 * risk:.0f} %" if risk >= 0.0995 else f"{100 * risk:.1f} %"


def write_whole(path: Path, content: str | bytes) -> None:
    with writing():
        _core.write_whole(os.fspath(path), content)
    note(f"{path}: written. {CAUTION}")


def picture_kind(path: Path) -> str:
    kind = path.suffix.lower().lstrip(".")
    if kind not in ("png", "svg", "pdf"):
        raise typer.BadParameter(f"{path} does not end in .png, .svg or .pdf", param_hint="--picture")
    return kind


def write_picture(draw: Callable[[], Figure], path: Path) -> None:
    import io

    import matplotlib

    matplotlib.use("Agg")
    held = io.BytesIO()
    draw().savefig(held, format=picture_kind(path), dpi=150)
    write_whole(path, held.getvalue())
