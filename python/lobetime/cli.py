"""The command line: the library's own words, a table for people, CSV or JSON for machines.

What a command says goes to standard output; problems, notes and progress go to standard error. Exit codes: 0 done, 1
the data were refused, 2 wrong usage (a file that cannot be read or written included), 130 interrupted.
"""

from __future__ import annotations

import contextlib
import importlib.metadata
import json
import math
import os
import platform
import re
import signal
import sys
import textwrap
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import IO, TYPE_CHECKING, Annotated, Any, TypeVar

import typer
import typer.core
from rich import box
from rich.cells import cell_len
from rich.console import Console
from rich.table import Table
from rich.text import Text

# Names of the package are looked up where they are used, and pandas is imported there: --help needs neither.
import lobetime as lt

from . import _core
from .caution import CAUTION
from .plain import plain

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from .devices import Comparison, Decision, DeviceCost, Safety

_Read = TypeVar("_Read", "lt.Cases", "lt.Bookings", "lt.Sessions", "lt.Stock")

_MOST_ROWS = 1000  # of one table on a screen; files and JSON hold all of them
_MOST_CHARACTERS = 80  # of a value from a file, on a screen
_FULL_WARNINGS = 8  # up to so many are shown one by one, more are counted
_LITTLE_WEIGHT = 0.1
_WIDE = 92  # columns of a screen on which tables of device classes need no narrower names
_PRIOR_ALONE = (
    "NO HISTORY: these slots rest on published evidence and stated assumptions alone, on no case of this unit. "
    "Give past cases with --history, or a fitted model with --model."
)
_EPILOG = (
    "Exit codes: 0 done; 1 the data were refused, with every problem listed and nothing written; 2 wrong usage; "
    "130 interrupted."
)


class Kind(StrEnum):
    history = "history"
    bookings = "bookings"


class Loss(StrEnum):
    bisquare = "bisquare"
    huber = "huber"
    soft_l1 = "soft_l1"
    cauchy = "cauchy"
    squares = "squares"


# --- saying things ---------------------------------------------------------------------------------------------------


def _console(*, stderr: bool = False) -> Console:
    # Markup and highlighting would read a unit's own texts as instructions.
    # Named as it is now, the stream also tells its encoding, and lines are drawn in characters that it knows.
    return Console(file=sys.stderr if stderr else sys.stdout, markup=False, highlight=False, emoji=False)


def _printable(value: object) -> str:
    """A text as it may be put on a screen: a file's control characters have no business there."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in str(value))


def _shown(value: object) -> str:
    """A value from a file, printable and not too long."""
    text = _printable(value)
    return text if len(text) <= _MOST_CHARACTERS else text[: _MOST_CHARACTERS - 1] + "…"


def _count(number: int, one: str, many: str | None = None) -> str:
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def _table(*columns: str, right: Iterable[str] = ()) -> Table:
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    for column in columns:
        table.add_column(column, justify="right" if column in right else "left", overflow="fold")
    return table


@dataclass
class _Column:
    """A column of lines that other lines may stand between; as wide as its texts, unless told otherwise."""

    heading: str
    cells: list[str]
    justify: Any = "right"
    style: str = ""
    is_phase: bool = False

    def __post_init__(self) -> None:
        self.width = max(map(cell_len, [*self.heading.split("\n"), *self.cells]))


def _total_width(columns: Sequence[_Column], gap: int) -> int:
    return sum(column.width + gap for column in columns) - gap


def _print_lines(console: Console, columns: Sequence[_Column], print_beneath: Callable[[int], None]) -> None:
    """Like a table, but with room for whole sentences under each line."""
    gap = 2 if _total_width(columns, 2) <= console.width else 1
    rule = min(_total_width(columns, gap), console.width) * ("-" if console.options.ascii_only else "─")

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


def _print_beneath(console: Console, label: str, words: str) -> None:
    # A figure stays on the line of its first word.
    words = re.sub(r"([+-]\d+) min ", "\\1\N{NO-BREAK SPACE}min\N{NO-BREAK SPACE}", words)
    start = f"  {label:<8}" if label else "    "
    for line in textwrap.wrap(words, max(console.width - len(start), 20)):
        console.print(Text(start + line.replace("\N{NO-BREAK SPACE}", " ")), soft_wrap=True)
        start = " " * len(start)


def _print_findings(console: Console, findings: pd.DataFrame, columns: Sequence[str]) -> None:
    """Rows of a file with what is said about them, which the last column holds."""
    table = _table(*columns, right=["row"])
    for *cells, words in findings[list(columns)].head(_MOST_ROWS).itertuples(index=False):
        table.add_row(*(Text(_shown(cell)) for cell in cells), Text(_printable(words)))
    console.print(table)
    if len(findings) > _MOST_ROWS:
        rest = _count(len(findings) - _MOST_ROWS, "more row")
        console.print(f"and {rest}: lobetime check FILE --csv PATH lists all of them")


def _print_caution(console: Console) -> None:
    console.print()
    console.print(CAUTION, style="italic")


def _note(text: str) -> None:
    _console(stderr=True).print(_printable(text), soft_wrap=True)


@contextlib.contextmanager
def _busy(doing: str) -> Iterator[Callable[[str], None]]:
    """Shows on a terminal what is being done; the value changes the words."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    with _console(stderr=True).status(doing, spinner="line") as status:
        yield status.update


# --- machine-readable ------------------------------------------------------------------------------------------------


def _json_text(content: dict[str, Any]) -> str:
    # ASCII only: a control character of a file cannot reach the terminal, nor an encoding spoil the text.
    return json.dumps(plain(content), indent=2, allow_nan=False) + "\n"


def _print_json(command: str, content: dict[str, Any]) -> None:
    sys.stdout.write(_json_text({"lobetime": lt.__version__, "command": command, "caution": CAUTION} | content))


def _write_csv(path: Path, table: pd.DataFrame) -> None:
    with _writing():
        _core.write_whole(os.fspath(path), table.to_csv(index=False, lineterminator="\n"))
    _note(f"{path}: {_count(len(table), 'row')} written. {CAUTION}")


@contextlib.contextmanager
def _writing() -> Iterator[None]:
    try:
        yield
    except lt.Error as error:
        raise OSError(str(error)) from error


# --- reading what was asked ------------------------------------------------------------------------------------------


class _Commands(typer.core.TyperGroup):
    """Turns what the library raises into words and an exit code, for every command alike."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except (typer.Exit, typer.Abort):
            raise
        except lt.InvalidData as refused:
            console = _console(stderr=True)
            problems = _count(len(refused.problems), "problem")
            console.print(f"{_shown(refused.source)}: the data were refused, {problems}; nothing was written\n")
            _print_findings(console, refused.problems, ["row", "column", "value", "allowed"])
            raise typer.Exit(1) from None
        except lt.Error as error:
            _note(f"the data were refused; nothing was written: {error}")
            raise typer.Exit(1) from None
        except (OSError, ImportError, UnicodeError) as error:
            if isinstance(error, BrokenPipeError):
                raise
            _note(f"Error: {error}")
            raise typer.Exit(2) from None
        except MemoryError:
            _note("Error: not enough memory for so much; fewer --draws need less")
            raise typer.Exit(2) from None
        except KeyboardInterrupt:
            raise typer.Exit(130) from None


def _columns(pairs: Sequence[str], option: str = "--column") -> dict[str, str]:
    known = [str(column["name"]) for column in _core.columns()]
    mapping: dict[str, str] = {}
    for pair in pairs:
        name, sign, heading = (part.strip() for part in pair.partition("="))
        if not (name and sign and heading):
            raise typer.BadParameter(
                f"{pair!r} is not COLUMN=HEADING, such as gland_ml='Prostate size'", param_hint=option
            )
        if name not in known:
            raise typer.BadParameter(f"no column is called {name!r}; known are {', '.join(known)}", param_hint=option)
        if name in mapping:
            raise typer.BadParameter(f"{name} is given twice", param_hint=option)
        mapping[name] = heading
    return mapping


def _check_output(path: Path | None, option: str, *others: Path | None) -> None:
    """Refuses at once what could not be written later, and what would overwrite a file that is being used."""
    if path is None:
        return
    if path.exists() and not path.is_file():
        raise typer.BadParameter(f"{path} is not an ordinary file", param_hint=option)
    if not path.parent.is_dir():
        raise typer.BadParameter(f"the folder {path.parent} does not exist", param_hint=option)
    if not os.access(path.parent, os.W_OK):
        raise typer.BadParameter(f"the folder {path.parent} cannot be written to", param_hint=option)
    for other in others:
        if other is not None and path.resolve() == other.resolve():
            raise typer.BadParameter(
                f"{path} is already used in this command and would be overwritten", param_hint=option
            )


def _chance(value: float) -> float:
    if not 0 < value < 1:
        raise typer.BadParameter(f"{value:g} is not a chance between 0 and 1, such as 0.2")
    return value


def _chance_if_given(value: float | None) -> float | None:
    return None if value is None else _chance(value)


def _grid(value: float) -> float:
    if not 0.01 <= value <= 1440:
        raise typer.BadParameter(f"{value:g} is not between 0.01 and 1440 minutes")
    return value


def _read(reader: Callable[..., _Read], path: Path, columns: dict[str, str], **settings: Any) -> _Read:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)  # told from .warnings, one by one
        return reader(path, columns=columns, **settings)


def _classes(path: Path | None) -> dict[str, Any]:
    """Settings of readers and of the prior from a file of the unit's own device classes."""
    return {} if path is None else {"device_classes": lt.read_device_classes(path)}


def _fit(model: lt.TheatreTimeModel, cases: lt.Cases) -> lt.TheatreTimeModel:
    doing = f"fitting {_count(len(cases), 'case')}"
    with _busy(doing) as say:
        return model.fit(
            cases, progress=lambda done, change: say(f"{doing}: round {done}, the numbers still move by {change:.1e}")
        )


def _load(path: Path) -> lt.TheatreTimeModel:
    try:
        return lt.load_model(path)
    except UnicodeDecodeError as error:
        raise lt.InvalidModelFile(f"{path}: not a model file: {error}") from error
    except lt.InvalidModelFile as error:
        raise lt.InvalidModelFile(f"{path}: {error}") from error


def _check_one_of(model: Path | None, history: Path | None) -> None:
    if model is not None and history is not None:
        raise typer.BadParameter("give one of --model and --history, not both", param_hint="--history")


def _model_of(
    model: Path | None, cases: lt.Cases | None, classes: Mapping[str, Any] = {}
) -> tuple[lt.TheatreTimeModel, str]:
    """The model that predicts, and what it rests on."""
    prior = lt.PublishedPrior(**classes) if classes else "published"
    if model is not None:
        return _load(model), "model file"
    if cases is not None:
        return _fit(lt.TheatreTimeModel(prior=prior), cases), "history"
    return lt.TheatreTimeModel(prior=prior), "published prior"


# --- arguments -------------------------------------------------------------------------------------------------------

_EXISTING: dict[str, Any] = {"exists": True, "dir_okay": False, "readable": True, "show_default": False}
_ColumnOption = Annotated[
    list[str],
    typer.Option(
        "--column",
        metavar="COLUMN=HEADING",
        help="A heading of the file that is not the column's own name, such as gland_ml='Prostate size'. Repeatable.",
        show_default=False,
    ),
]
_CsvOption = Annotated[
    Path | None,
    typer.Option(
        "--csv", metavar="PATH", help="Write a CSV file, whole or not at all, instead of a table.", show_default=False
    ),
]
_ModelOption = Annotated[
    Path | None, typer.Option("--model", metavar="MODEL", help="Model file that lobetime fit wrote.", **_EXISTING)
]
_HistoryOption = Annotated[
    Path | None,
    typer.Option("--history", metavar="HISTORY", help="Past cases to fit first, instead of a model file.", **_EXISTING),
]
_ClassesOption = Annotated[
    Path | None,
    typer.Option(
        "--device-classes",
        metavar="PATH",
        help="Blade motions or suctions of your own: a row each, with the class that it resembles and a wide range.",
        **_EXISTING,
    ),
]
_JsonOption = Annotated[bool, typer.Option("--json", help="JSON on standard output instead of a table.")]

app = typer.Typer(
    cls=_Commands,
    help="Theatre time for transurethral enucleation of the prostate: slots with a stated overrun risk.",
    epilog=f"{_EPILOG} {CAUTION}",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["--help", "-h"]},
)


def _print_version(asked: bool) -> None:
    if not asked:
        return
    parts = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in ("numpy", "pandas", "typer", "rich"))
    python = f"{platform.python_implementation()} {platform.python_version()}"
    _console().print(f"lobetime {lt.__version__}\n{python}, {parts}\n{platform.platform()}", soft_wrap=True)
    raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Show the versions and exit.")
    ] = False,
) -> None:
    del version


# --- check -----------------------------------------------------------------------------------------------------------


@app.command(epilog=_EPILOG)
def check(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="Past cases or bookings: .csv, .tsv, .xlsx or .parquet.", **_EXISTING)
    ],
    kind: Annotated[
        Kind | None,
        typer.Option(
            "--kind", help="What the file holds; by default a file with times is a history.", show_default=False
        ),
    ] = None,
    column: _ColumnOption = [],  # noqa: B006 - typer copies it
    device_classes: _ClassesOption = None,
    csv: _CsvOption = None,
    json: _JsonOption = False,
) -> None:
    """Show everything in a file that would be refused, and everything that looks wrong and would be kept.

    Exit code 0 without problems (warnings do not count), 1 with problems.
    """
    _check_output(csv, "--csv", file)
    mapping = _columns(column)
    with _busy(f"checking {file.name}"):
        classes = _classes(device_classes)
        findings = lt.check_file(file, kind.value if kind else None, columns=mapping, **classes)
    n_problems = int((findings["severity"] == "problem").sum())
    n_warnings = len(findings) - n_problems
    read_as, n_cases = findings.attrs["kind"], findings.attrs["n_cases"]

    what = (
        f"{_shown(file.name)}, read as {read_as}: {_count(n_cases, 'row')}"
        if read_as
        else f"{_shown(file.name)}: not read"
    )
    summary = f"{what}, {_count(n_problems, 'problem')}, {_count(n_warnings, 'warning')}"
    if csv is not None:
        _note(summary)
        _write_csv(csv, findings)
    if json:
        content = {
            "file": os.fspath(file),
            "kind": read_as,
            "n_cases": n_cases,
            "n_problems": n_problems,
            "n_warnings": n_warnings,
            "findings": findings,
        }
        _print_json("check", content)
    if csv is None and not json:
        console = _console()
        console.print(summary, style="bold")
        _print_checked(console, findings)
        _print_caution(console)
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
    _print_findings(console, findings.rename(columns={"message": columns[-1]}), columns)


def _print_warnings(console: Console, found: pd.DataFrame, name: str) -> None:
    """What looks wrong in a file that was read: one by one if few, else counted by kind."""
    if found.empty:
        return
    wrong = "thing looks wrong and was" if len(found) == 1 else "things look wrong and were"
    console.print(f"\n{_shown(name)}: {len(found)} {wrong} kept", style="bold")
    if len(found) <= _FULL_WARNINGS:
        _print_findings(console, found, ["row", "column", "value", "message"])
        return
    table = _table("what looks wrong", "times", "rows", right=["times"])
    for kind, group in found.groupby("kind", sort=False):
        rows = sorted(set(group["row"]))
        more = f" and {len(rows) - 5} more" if len(rows) > 5 else ""
        table.add_row(str(kind).replace("_", " "), f"{len(group):,}", ", ".join(map(str, rows[:5])) + more)
    console.print(table)
    console.print(f"lobetime check {_shown(name)} shows each of them.")


# --- fit -------------------------------------------------------------------------------------------------------------


@app.command(epilog=_EPILOG)
def fit(
    history: Annotated[
        Path,
        typer.Argument(
            metavar="HISTORY", help="Past cases, one row a case: .csv, .tsv, .xlsx or .parquet.", **_EXISTING
        ),
    ],
    out: Annotated[
        Path,
        typer.Option("--out", metavar="MODEL", help="Model file to write, whole or not at all.", show_default=False),
    ],
    loss: Annotated[Loss, typer.Option("--loss", help="What a case far off the curve may pull.")] = Loss.bisquare,
    no_prior: Annotated[
        bool, typer.Option("--no-prior", help="Leave published evidence out: the cases must tell everything.")
    ] = False,
    column: _ColumnOption = [],  # noqa: B006 - typer copies it
    device_classes: _ClassesOption = None,
    csv: _CsvOption = None,
    json: _JsonOption = False,
) -> None:
    """Fit the time model to a unit's past cases and write it to a file."""
    if no_prior and device_classes is not None:
        raise typer.BadParameter("an own device class needs its range, so not --no-prior", param_hint="--no-prior")
    _check_output(out, "--out", history)
    _check_output(csv, "--csv", history, out)
    mapping = _columns(column)
    with _busy(f"reading {history.name}"):
        classes = _classes(device_classes)
        cases = _read(lt.read_cases, history, mapping, **classes)
    prior = lt.PublishedPrior(**classes) if classes else None if no_prior else "published"
    model = _fit(lt.TheatreTimeModel(loss=loss.value, prior=prior), cases)
    parameters = model.params_.join(model.conf_int()[["lower", "upper", "open"]]).reset_index()
    parameters = parameters[
        ["name", "meaning", "estimate", "lower", "upper", "open", "unit", "origin", "share_from_cases", "source"]
    ]
    with _writing():
        model.save(out)
    if csv is not None:
        _write_csv(csv, parameters)
    if json:
        content = {
            "origin": "history",
            "history": {"file": os.fspath(history), "n_cases": len(cases)},
            "model": {"file": os.fspath(out), **_model_facts(model)},
            "parameters": parameters,
            "interval_level": 0.95,
            "spreads": model.scale_.reset_index(),
            "surgeons": model.surgeons_.reset_index(),
            "warnings": _named(cases.warnings, history),
        }
        _print_json("fit", content)
    if csv is None and not json:
        console = _console()
        _print_fit(console, model, parameters)
        _print_warnings(console, cases.warnings, history.name)
        console.print(f"\nModel written to {out}: the numbers above, no case and no case id.", soft_wrap=True)
        _print_caution(console)
    else:
        _note(f"{out}: model written; {_count(len(cases.warnings), 'warning')} in {history.name}")


def _model_facts(model: lt.TheatreTimeModel) -> dict[str, Any]:
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


def _named(found: pd.DataFrame, path: Path) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = plain(found)
    return [{"file": os.fspath(path), **row} for row in rows]


def _unit_line(model: lt.TheatreTimeModel) -> str:
    facts = _model_facts(model)
    gland = facts["gland_ml"]
    parts = [f"{facts['n_cases']:,} past cases of this unit"]
    parts.append(f"glands {gland['lowest']:.0f} to {gland['highest']:.0f} mL, median {gland['median']:.0f} mL")
    if facts["surgeons"]:
        parts.append(_count(len(facts["surgeons"]), "surgeon"))
    return ", ".join(parts)


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
    console.print(f"Theatre time model from {_unit_line(model)}", style="bold")
    prior = "with published evidence as its start" if model.fitted_.prior == "published" else "from these cases alone"
    few = int((model.weights_["weight"] < _LITTLE_WEIGHT).sum())
    console.print(
        f"{model.loss} loss, {prior}, {_count(model.fit_.rounds, 'round')}. Of {len(model.weights_):,} recorded values "
        f"{few:,} lie so far off the curve that they count less than a tenth.\n"
    )

    surgeons = {
        f"surgeon_{phase}[{code}]" for phase in ("enucleation", "morcellation") for code in model.surgeons_.index
    }
    rows = [_parameter_cells(row) for row in parameters.to_dict("records") if row["name"] not in surgeons]
    meanings, *cells = (list(column) for column in zip(*rows, strict=True))
    symbol, estimate, interval, unit, origin = cells
    columns = [
        _Column("symbol", symbol, "left"),
        _Column("estimate", estimate),
        _Column("95 % interval", interval, "left"),
        _Column("unit", unit, "left"),
        _Column("origin", origin, "left"),
    ]
    meaning = _Column("meaning", meanings, "left")
    if _total_width([meaning, *columns], 2) <= console.width:
        _print_lines(console, [meaning, *columns], lambda _: None)
    else:
        _print_lines(console, columns, lambda i: _print_beneath(console, "", meanings[i]))
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
    return row["meaning"], _shown(row["name"]), *_interval(*numbers), "" if unit == "1" else unit, origin


def _print_surgeons(console: Console, model: lt.TheatreTimeModel, parameters: pd.DataFrame) -> None:
    if model.surgeons_.empty:
        return
    console.print("Surgeons, past the learning curve, as ratios to the unit's average (below 1: faster)", style="bold")
    table = _table("surgeon", "cases", "latest case", "enucleation", "95 % interval", "blade time", "95 % interval")
    for column in table.columns:
        column.justify = "left" if column.header in ("surgeon", "95 % interval") else "right"
    known = {row["name"]: _parameter_cells(row) for row in parameters.to_dict("records")}
    for row in model.surgeons_.reset_index().to_dict("records"):
        latest = "unknown" if math.isnan(row["last_case_no"]) else f"{row['last_case_no']:.0f}"
        cells = [_shown(row["code"]), f"{row['cases']:.0f}", latest]
        for phase in ("enucleation", "morcellation"):
            cells += known[f"surgeon_{phase}[{row['code']}]"][2:4]
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
    console.print("Spread of one case about its curve", style="bold")
    table = _table("of", "spread", "95 % interval", "unit", "recorded values", right=["spread", "recorded values"])
    for row in model.scale_.reset_index().to_dict("records"):
        half = math.exp(1.96 * row["log_se"])
        numbers = _interval(row["spread"], row["spread"] / half, row["spread"] * half)
        unit = "ratio" if row["name"] in ("operative", "theatre") else "log SD"
        table.add_row(_SPREAD_WORDS[row["name"]], *numbers, unit, f"{row['observations']:.0f}")
    console.print(table)


# --- slots -----------------------------------------------------------------------------------------------------------


@app.command(epilog=_EPILOG)
def slots(
    bookings: Annotated[
        Path,
        typer.Argument(
            metavar="BOOKINGS", help="Bookings, one row a case: .csv, .tsv, .xlsx or .parquet.", **_EXISTING
        ),
    ],
    model: _ModelOption = None,
    history: _HistoryOption = None,
    overrun_risk: Annotated[
        float,
        typer.Option(
            "--overrun-risk",
            metavar="CHANCE",
            callback=_chance,
            help="Accepted chance that a case overruns its slot, 0 to 1.",
        ),
    ] = 0.2,
    round_to: Annotated[
        float,
        typer.Option(
            "--round-to",
            metavar="MINUTES",
            callback=_grid,
            help="Slots are rounded up to a multiple of so many minutes.",
        ),
    ] = 5,
    draws: Annotated[int, typer.Option("--draws", min=100, max=10_000_000, help="Draws a case.")] = 4096,
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**64 - 1, help="The same seed gives the same slots.")] = 1,
    column: _ColumnOption = [],  # noqa: B006 - typer copies it
    history_column: Annotated[
        list[str],
        typer.Option(
            "--history-column",
            metavar="COLUMN=HEADING",
            help="As --column, for the --history file.",
            show_default=False,
        ),
    ] = [],  # noqa: B006 - typer copies it
    device_classes: _ClassesOption = None,
    csv: _CsvOption = None,
    json: _JsonOption = False,
) -> None:
    """Say how long to book for each case, and why.

    With neither --model nor --history the slots rest on published evidence alone.
    """
    _check_one_of(model, history)
    if history_column and history is None:
        raise typer.BadParameter("needs --history", param_hint="--history-column")
    _check_output(csv, "--csv", bookings, model, history)
    mapping, history_mapping = _columns(column), _columns(history_column, "--history-column")

    # All files are read before anything is computed, so that what is refused is refused at once.
    with _busy(f"reading {bookings.name}"):
        classes = _classes(device_classes)
        booked = _read(lt.read_bookings, bookings, mapping, **classes)
        cases = _read(lt.read_cases, history, history_mapping, **classes) if history is not None else None
    fitted, origin = _model_of(model, cases, classes)
    with _busy(f"predicting {_count(len(booked), 'booking')}"):
        prediction = fitted.predict(booked, draws=draws, seed=seed)
        table = lt.slots(prediction, overrun_risk=overrun_risk, round_to=round_to).reset_index()

    told = [(bookings, booked.warnings)]
    if history is not None and cases is not None:
        told.append((history, cases.warnings))
    if csv is not None:
        if origin == "published prior":
            _note(_PRIOR_ALONE)
        for path, found in told:
            if len(found):
                _note(f"{path.name}: {_count(len(found), 'warning')}; lobetime check {path.name} shows each of them")
        _write_csv(csv, table)
    if json:
        rows = plain(table)
        for row, guesses in zip(rows, _guesses(prediction), strict=True):
            row["flags"], row["warnings"] = list(guesses), list(guesses.values())
        source = {"model file": model, "history": history}.get(origin)
        content = {
            "origin": origin,
            "asked": {"overrun_risk": overrun_risk, "round_to_min": round_to, "draws": draws, "seed": seed},
            "bookings": {"file": os.fspath(bookings), "n_cases": len(booked)},
            "model": None if source is None else {"file": os.fspath(source), **_model_facts(fitted)},
            "slots": rows,
            "warnings": [row for path, found in told for row in _named(found, path)],
        }
        _print_json("slots", content)
    if csv is None and not json:
        console = _console()
        risk = f"{100 * overrun_risk:g} %"
        console.print(
            f"Slots for {_count(len(booked), 'booking')} of {_shown(bookings.name)}: chance of overrun at most {risk}, "
            f"rounded up to {round_to:g} min",
            style="bold",
        )
        console.print(_PRIOR_ALONE if origin == "published prior" else f"From {_unit_line(fitted)}.")
        _print_slots(console, table, _guesses(prediction))
        for path, found in told:
            _print_warnings(console, found, path.name)
        _print_caution(console)


def _guesses(prediction: lt.Prediction) -> list[dict[str, str]]:
    """Where the model is guessing, for each booking: name and words."""
    words = (joined.split("; ") if joined else [] for joined in prediction.warnings())
    return [dict(zip(*pair, strict=True)) for pair in zip(prediction.flags, words, strict=True)]


def _percent(risk: float) -> str:
    return f"{100 * risk:.0f} %" if risk >= 0.0995 else f"{100 * risk:.1f} %"


_PHASE_HEADINGS = {
    "enucleation_min": "enucle-\nation",
    "haemostasis_min": "rest\nof op.",
    "morcellation_min": "morcel-\nlation",
    "room_min": "room\n",
}
_PHASE_WORDS = {"haemostasis_min": "rest of the operation"}


def _slot_columns(table: pd.DataFrame) -> list[_Column]:
    def minutes(name: str) -> list[str]:
        return [f"{value:.0f}" for value in table[name]]

    columns = [
        _Column("case", [_shown(case) for case in table["case_id"]], "left"),
        _Column("surgeon", [_shown(code) for code in table["surgeon"]], "left"),
        _Column("gland\nmL", [f"{value:g}" for value in table["gland_ml"]]),
        _Column("slot\nmin", [f"{value:g}" for value in table["slot_min"]], style="bold"),
        _Column("risk\nleft", [_percent(value) for value in table["overrun_risk"]]),
        _Column("median\nmin", minutes("median_min")),
        _Column("90 %\nmin", minutes("q90_min")),
    ]
    columns += [_Column(heading, minutes(name), is_phase=True) for name, heading in _PHASE_HEADINGS.items()]
    columns.append(_Column("swaps\n", [f"{value:.1f}" for value in table["expected_swaps"]]))
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
    case.width = min(case.width, max(console.width - _total_width([surgeon, *rest], 2) - 2, 14))
    phases_beneath = _total_width(columns, 1) > console.width
    rows = table.to_dict("records")

    def print_beneath(i: int) -> None:
        if phases_beneath:
            phases = (f"{_PHASE_WORDS.get(name, name[:-4])} {rows[i][name]:.0f}" for name in _PHASE_HEADINGS)
            _print_beneath(console, "phases", ", ".join(phases) + " min")
        _print_beneath(console, "why", rows[i]["why"])
        for one in said[i]:
            if one not in common:
                _print_beneath(console, "guess", one)

    _print_lines(console, [one for one in columns if not (phases_beneath and one.is_phase)], print_beneath)
    foot = []
    if len(rows) > 1:
        foot.append(f"The {len(rows):,} slots add up to {table['slot_min'].sum():,.0f} min.")
    if partly := sum(any(one not in common for one in one_case) for one_case in said):
        foot.append(f"{_count(partly, 'booking')} partly guessed: see the lines that begin with guess.")
    if foot:
        console.print(" ".join(foot))


# --- lists -----------------------------------------------------------------------------------------------------------


def _pairs(option: str, form: str, pairs: Sequence[str]) -> dict[str, str]:
    """LEFT=RIGHT of a repeatable option; one right side for each left one."""
    found: dict[str, str] = {}
    for pair in pairs:
        left, sign, right = (part.strip() for part in pair.partition("="))
        if not (left and sign and right):
            raise typer.BadParameter(f"{pair!r} is not {form}", param_hint=option)
        if found.setdefault(left, right) != right:
            raise typer.BadParameter(f"{left} is given twice", param_hint=option)
    return found


def _what_ifs(option: str, asked: Sequence[str]) -> dict[str, dict[str, Any]]:
    from .lists.what_if import parse_what_if

    try:
        return {text: parse_what_if(text) for text in asked}
    except lt.InvalidArgument as error:
        raise typer.BadParameter(str(error), param_hint=option) from None


def _check_settings(settings: Mapping[str, Any]) -> None:
    """Refuses what is no setting of lists, or out of range, before anything is computed."""
    usual = {one.name: one.default for one in fields(lt.ListOptions)}
    problems = [f"{name} is no setting; known: {', '.join(usual)}" for name in settings if name not in usual]
    for name, value in settings.items():
        if isinstance(value, str) and isinstance(usual.get(name), (int, float)):
            problems.append(f"{name} needs a number, not {value!r}")
    if not problems:
        try:
            lt.ListOptions(**settings)
        except lt.InvalidArgument as error:
            problems.append(str(error))
    if problems:
        raise typer.BadParameter("; ".join(problems), param_hint="--set")


def _what_if(plan: lt.Plan, asked: Mapping[str, Mapping[str, Any]]) -> dict[str, pd.DataFrame]:
    told = {}
    for text, change in asked.items():
        with _busy(f"what if {text}"):
            try:
                told[text] = plan.what_if(**change).differences
            except (TypeError, lt.InvalidArgument) as error:  # a name that is no setting; a value out of range
                words = str(error).removeprefix("ListOptions.__init__() ")
                raise typer.BadParameter(f"{text}: {words}", param_hint="--what-if") from None
    return told


@app.command(epilog=_EPILOG)
def lists(
    bookings: Annotated[
        Path, typer.Argument(metavar="BOOKINGS", help="Waiting cases: .csv, .tsv, .xlsx or .parquet.", **_EXISTING)
    ],
    sessions: Annotated[
        Path,
        typer.Argument(
            metavar="SESSIONS",
            help="Blocks of theatre time: session_id, starts_at, minutes or ends_at ...",
            **_EXISTING,
        ),
    ],
    stock: Annotated[
        Path | None,
        typer.Option("--stock", metavar="STOCK", help="Device sets, canisters and irrigation a day.", **_EXISTING),
    ] = None,
    model: _ModelOption = None,
    history: _HistoryOption = None,
    overrun_risk: Annotated[
        float,
        typer.Option(
            "--overrun-risk", metavar="CHANCE", callback=_chance, help="Accepted chance that a list overruns, 0 to 1."
        ),
    ] = 0.2,
    turnover: Annotated[
        float | None,
        typer.Option(
            "--turnover",
            metavar="MINUTES",
            min=0,
            max=240,
            show_default=False,
            help="Median turnover between cases; by default the history's own, or the published 31 min.",
        ),
    ] = None,
    fix: Annotated[
        list[str],
        typer.Option("--fix", metavar="CASE=SESSION", help="A case that must come there. Repeatable."),
    ] = [],  # noqa: B006 - typer copies it
    order: Annotated[
        list[str],
        typer.Option("--order", metavar="SESSION=CASE,CASE", help="Your own order of a list; its price is told."),
    ] = [],  # noqa: B006
    told: Annotated[
        Path | None,
        typer.Option(
            "--told",
            metavar="PATH",
            help="An earlier plan's --csv: what patients were told. Moves as few of them as is worth it.",
            **_EXISTING,
        ),
    ] = None,
    move_cost: Annotated[
        float,
        typer.Option("--move-cost", min=0, help="What moving a told case costs; 1 is a routine case not placed."),
    ] = 1.0,
    what_if: Annotated[
        list[str],
        typer.Option(
            "--what-if",
            metavar="NAME=VALUE",
            help="The difference another setting makes: overrun_risk=0.15; extra_sets=1,on=Tuesday; canister_ml=3000; "
            "session_min=300. Repeatable.",
        ),
    ] = [],  # noqa: B006
    policies: Annotated[
        bool, typer.Option("--policies", help="Compare with other ways to fill the lists, on the same draws.")
    ] = False,
    today: Annotated[
        datetime | None,
        typer.Option(
            "--today",
            metavar="DATE",
            formats=["%Y-%m-%d"],
            help="First day to plan for; by default the first session's.",
            show_default=False,
        ),
    ] = None,
    setting: Annotated[
        list[str],
        typer.Option(
            "--set",
            metavar="NAME=VALUE",
            help="Any other setting of the library's ListOptions: limit=newsvendor, overrun=end, large_ml=120, "
            "late_start_median_min=10. Repeatable.",
        ),
    ] = [],  # noqa: B006
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**32, help="The same seed gives the same plan.")] = 1,
    verify: Annotated[
        bool, typer.Option("--verify", help="Judge every list once more, on draws that decided nothing, and say so.")
    ] = False,
    excel: Annotated[
        Path | None, typer.Option("--excel", metavar="PATH", help="Write an .xlsx workbook.", show_default=False)
    ] = None,
    calendar: Annotated[
        Path | None, typer.Option("--calendar", metavar="PATH", help="Write an iCalendar file.", show_default=False)
    ] = None,
    picture: Annotated[
        Path | None,
        typer.Option("--picture", metavar="PATH", help="Write a picture: .png, .svg or .pdf.", show_default=False),
    ] = None,
    room_sheets: Annotated[
        Path | None,
        typer.Option(
            "--room-sheets", metavar="PATH", help="Write an .html page a list, to pin up.", show_default=False
        ),
    ] = None,
    fhir: Annotated[
        Path | None,
        typer.Option("--fhir", metavar="PATH", help="Write a FHIR R4 bundle; needs --timezone.", show_default=False),
    ] = None,
    timezone: Annotated[
        str | None,
        typer.Option("--timezone", metavar="NAME", help="Where the theatre is: Europe/London.", show_default=False),
    ] = None,
    device_classes: _ClassesOption = None,
    csv: _CsvOption = None,
    json: _JsonOption = False,
) -> None:
    """Choose whole lists: which cases on which session, in what order, at what risk."""
    _check_one_of(model, history)
    if fhir is not None and timezone is None:
        raise typer.BadParameter("FHIR's times need --timezone, such as Europe/London", param_hint="--fhir")
    inputs = (bookings, sessions, stock, model, history, told)
    outputs = {
        "--fhir": fhir,
        "--csv": csv,
        "--excel": excel,
        "--calendar": calendar,
        "--picture": picture,
        "--room-sheets": room_sheets,
    }
    for option, path in outputs.items():
        _check_output(path, option, *inputs, *(other for name, other in outputs.items() if name != option))
    fixed = _pairs("--fix", "CASE=SESSION", fix)
    orders = {
        session: [case.strip() for case in cases.split(",")]
        for session, cases in _pairs("--order", "SESSION=CASE,CASE", order).items()
    }
    asked = _what_ifs("--what-if", what_if)
    own = {name: value for one in _what_ifs("--set", setting).values() for name, value in one.items()}
    with _busy(f"reading {bookings.name}"):
        classes = _classes(device_classes)
        booked = _read(lt.read_bookings, bookings, {}, **classes)
        blocks = _read(lt.read_sessions, sessions, {})
        amounts = None if stock is None else _read(lt.read_stock, stock, {})
        cases = _read(lt.read_cases, history, {}, **classes) if history is not None else None
    from . import lists as outputs_of

    before = None if told is None else outputs_of.read_told(told)
    settings: dict[str, Any] = {} if cases is None else lt.recorded_turnover(cases)
    if turnover is not None:
        settings = {"turnover_median_min": turnover}
    settings |= {"overrun_risk": overrun_risk, "today": None if today is None else today.date(), "seed": seed} | own
    _check_settings(settings)
    fitted, _ = _model_of(model, cases, classes)
    with _busy("choosing lists"):
        pred = fitted.predict(booked, draws=1000, seed=seed)
        plan = lt.plan_lists(
            pred,
            booked,
            blocks,
            stock=amounts,
            fixed=fixed,
            told=before,
            move_cost=move_cost,
            **settings,
        )
    if orders:
        try:
            plan = plan.reorder(orders)
        except lt.InvalidArgument as error:
            raise typer.BadParameter(str(error), param_hint="--order") from None
    checked = plan.check() if verify else None
    if checked is not None and not checked.attrs["passed"]:
        raise lt.NotConverged("a list is over its limit on fresh draws: no plan is given")
    compared = _Compared(
        _what_if(plan, asked), lt.simulate_policies(pred, blocks, plan=plan) if policies else None, plan.changes
    )

    looks_wrong = [(bookings, booked.warnings), (sessions, blocks.warnings)]
    if stock is not None and amounts is not None:
        looks_wrong.append((stock, amounts.warnings))
    if history is not None and cases is not None:
        looks_wrong.append((history, cases.warnings))

    if excel is not None:
        outputs_of.write_workbook(plan, excel)
        _note(f"{excel}: written. {CAUTION}")
    if calendar is not None:
        if plan.lists.empty:
            raise lt.InvalidArgument("there is no list, so there is no calendar to write")
        _write_whole(calendar, outputs_of.to_icalendar(plan, timezone=timezone))
    if fhir is not None and timezone is not None:
        content = outputs_of.to_fhir_bundle(plan, timezone=timezone)
        _write_whole(fhir, _json_text(content))
    if picture is not None:
        _write_picture(lambda: lt.lists.plan_display(plan).plot().figure_, picture)
    if room_sheets is not None:
        _write_whole(room_sheets, outputs_of.room_sheet_html(plan))
    if csv is not None:
        _write_csv(csv, outputs_of.to_csv_table(plan))
    if json:
        content = outputs_of.to_json_dict(plan)
        content.pop("caution", None)
        if checked is not None:
            content["verified"] = checked
        content |= compared.content()
        content["warnings"] = [row for path, found in looks_wrong for row in _named(found, path)]
        _print_json("lists", content)
    if not json and all(path is None for path in outputs.values()):
        _print_plan(plan, checked, bookings.name)
        compared.print(_console())
        for path, found in looks_wrong:
            _print_warnings(_console(), found, path.name)
        _print_caution(_console())
    elif not json:
        if checked is not None:
            _note(_verified(checked))
        compared.print(_console(stderr=True))
        for path, found in looks_wrong:
            if len(found):
                _note(f"{path.name}: {_count(len(found), 'warning')}; without an output file each of them is shown")


@dataclass
class _Compared:
    """What a plan was compared with: other settings, other ways to fill lists, what patients were told."""

    what_if: dict[str, pd.DataFrame]
    policies: pd.DataFrame | None
    changes: pd.DataFrame

    def content(self) -> dict[str, Any]:
        """For JSON; what was not asked for is not there."""
        out: dict[str, Any] = {}
        if self.what_if:
            out["what_if"] = {text: found.reset_index() for text, found in self.what_if.items()}
        if self.policies is not None:
            out["policies"] = {"rule": self.policies.attrs["rule"], "table": self.policies}
        if len(self.changes):
            out["changes"] = self.changes[["case_id", "change", "told_session", "session_id", "starts_at"]]
        return out

    def print(self, console: Console) -> None:
        if len(self.changes):
            self._print_changes(console)
        for text, found in self.what_if.items():
            self._print_what_if(console, text, found)
        if self.policies is not None:
            self._print_policies(console, self.policies)

    def _print_changes(self, console: Console) -> None:
        counts = self.changes["change"].value_counts(sort=False)
        told = ", ".join(f"{count} {change}" for change, count in counts.items())
        console.print(f"\nAgainst what patients were told: {told}", style="bold")
        other = self.changes[self.changes["change"] != "kept"]
        table = _table("case", "change", "told", "now", "start")
        for row in other.to_dict("records"):
            start = "" if row["starts_at"] != row["starts_at"] else f"{row['starts_at']:%Y-%m-%d %H:%M}"
            table.add_row(
                _shown(row["case_id"]), row["change"], _shown(row["told_session"]), _shown(row["session_id"]), start
            )
        if len(other):
            console.print(table)

    def _print_what_if(self, console: Console, text: str, found: pd.DataFrame) -> None:
        console.print(f"\nWhat if {_shown(text)}", style="bold")
        table = _table("", "now", "then", "difference", right=["now", "then", "difference"])
        for figure, row in found.iterrows():
            name, scale, digits = _FIGURES[str(figure)]
            table.add_row(
                name,
                f"{scale * row['now']:.{digits}f}",
                f"{scale * row['then']:.{digits}f}",
                f"{scale * row['difference']:+.{digits}f}",
            )
        console.print(table)

    def _print_policies(self, console: Console, found: pd.DataFrame) -> None:
        console.print(f"\nOther ways to fill the lists, run on the same days; {found.attrs['rule']}", style="bold")
        numbers = ["lists", "booked", "done", "overrun %", "cancelled %", "overtime min", "touch %"]
        table = _table("", *numbers, right=numbers)
        for row in found.to_dict("records"):
            table.add_row(
                row["policy"].replace("_", " "),
                str(row["lists"]),
                str(row["booked_cases"]),
                f"{row['done_cases']:.1f}",
                f"{100 * row['overrun_share']:.0f}",
                f"{100 * row['cancelled_share']:.1f}",
                f"{row['overtime_mean_min']:.0f}",
                f"{100 * row['touch_utilisation']:.0f}",
            )
        console.print(table)
        words = (f"{row['policy'].replace('_', ' ')}: {row['words']}" for row in found.to_dict("records"))
        _print_beneath(console, "", "; ".join(words))


_FIGURES = {
    "placed": ("cases placed", 1, 0),
    "placement_value": ("worth placed", 1, 1),
    "hours_opened": ("hours of sessions used", 1, 1),
    "overtime_mean_min": ("mean overtime, min", 1, 0),
    "idle_mean_min": ("mean idle time, min", 1, 0),
    "booked_utilisation": ("booked utilisation, %", 100, 1),
    "touch_utilisation": ("touch utilisation, %", 100, 1),
}


def _write_whole(path: Path, content: str | bytes) -> None:
    with _writing():
        _core.write_whole(os.fspath(path), content)
    _note(f"{path}: written. {CAUTION}")


def _picture_kind(path: Path) -> str:
    kind = path.suffix.lower().lstrip(".")
    if kind not in ("png", "svg", "pdf"):
        raise typer.BadParameter(f"{path} does not end in .png, .svg or .pdf", param_hint="--picture")
    return kind


def _write_picture(draw: Callable[[], Figure], path: Path) -> None:
    import io

    import matplotlib

    matplotlib.use("Agg")
    held = io.BytesIO()
    draw().savefig(held, format=_picture_kind(path), dpi=150)
    _write_whole(path, held.getvalue())


def _verified(checked: pd.DataFrame) -> str:
    return f"Verified: {_count(len(checked), 'list')} on 200,000 fresh draws each, all within 0.002 of their limits."


def _print_plan(plan: lt.Plan, checked: pd.DataFrame | None, name: str) -> None:
    console, f = _console(), plan.facts
    risk = f"{100 * f['overrun_risk']:g} %"
    console.print(
        f"{f['placed']} of {f['waiting']} cases of {_shown(name)} on {_count(len(plan.lists), 'list')}", style="bold"
    )
    console.print(
        f"Chance of overrun at most {risk} a list, unless its session says otherwise. From {f['origin']}. Worth placed "
        f"{f['placement_value']:.1f}, no plan places more than {f['placement_bound']:.1f}; then overtime and idle "
        f"time, cost {f['cost']:.0f}, within {100 * f['cost_gap']:.1f} % of the least.\n"
    )
    cases = plan.cases.to_dict("records")
    for row in plan.lists.to_dict("records"):
        done = row["starts_at"] + _minutes(row["finish_q80_min"])
        console.print(
            f"{row['starts_at']:%a %Y-%m-%d %H:%M} to {row['ends_at']:%H:%M}  {_shown(row['session_id'])}  "
            f"surgeon {_shown(row['surgeon'] or '?')}  overrun {_percent(row['overrun_risk'])}  "
            f"80 % done by {done:%H:%M}  booked {100 * row['booked_utilisation']:.0f} %, "
            f"touch {100 * row['touch_utilisation']:.0f} %",
            style="bold",
        )
        right = ["gland mL", "slot min", "swaps", "bags"]
        table = _table("", "start", "case", *right, right=right)
        for case in cases:
            if case["session_id"] != row["session_id"]:
                continue
            table.add_row(
                str(case["position"]),
                f"{case['starts_at']:%H:%M}",
                _shown(case["case_id"]),
                f"{case['gland_ml']:g}" + (" large" if case["large"] else ""),
                f"{case['slot_min']:g}",
                f"{case['swaps_median']:g} to {case['swaps_q95']:g}",
                str(case["irrigation_bags_q95"]),
            )
        console.print(table)
        if row["words"]:
            _print_beneath(console, "help", row["words"])
    if len(plan.unplaced):
        console.print(f"\nNot placed: {len(plan.unplaced)}", style="bold")
        table = _table("case", "gland mL", "why", right=["gland mL"])
        for case in plan.unplaced.to_dict("records"):
            table.add_row(_shown(case["case_id"]), f"{case['gland_ml']:g}", _printable(case["words"]))
        console.print(table)
    for words in plan.stock_use["words"]:
        if words:
            console.print(_printable(words))
    scarce, worth = max(f["session_worth"].items(), key=lambda one: one[1], default=("", 0.0))
    if worth >= 0.05:
        console.print(f"Another session like {_shown(scarce)} would be worth about {worth:.1f} of an average case.")
    console.print(
        f"\nMean overtime {f['overtime_mean_min']:.0f} min, idle {f['idle_mean_min']:.0f} min in all; "
        f"{f['hours_given_back']:.1f} h of sessions are not used."
    )
    if checked is not None:
        console.print(_verified(checked))
    console.print("Taken from elsewhere: " + "; ".join(f["assumptions"]) + ".")


def _minutes(value: float) -> Any:
    import pandas as pd

    return pd.Timedelta(minutes=value)


# --- devices ---------------------------------------------------------------------------------------------------------


def _each(parse: Callable[[str], Any], option: str) -> Callable[[list[str]], list[str]]:
    """Refuses what the library would, as wrong usage."""

    def check(values: list[str]) -> list[str]:
        for value in values:
            with _usage(option):
                parse(value)
        return values

    return check


@contextlib.contextmanager
def _usage(option: str | None = None) -> Iterator[None]:
    """What the library refuses here was asked for on the command line."""
    try:
        yield
    except lt.InvalidArgument as error:
        raise typer.BadParameter(str(error), param_hint=option) from None


def _class(value: str) -> Any:
    from .devices import DeviceClass

    return DeviceClass.of(value)


def _canister(value: str) -> Any:
    from .devices import Collection

    return Collection.of(value)


def _amounts(option: str, form: str, pairs: Sequence[str]) -> dict[str, Any]:
    """NAME=AMOUNT, each a number or a range "3 to 5"."""
    from .devices.reading import amount_of

    with _usage(option):
        return {name: amount_of(text) for name, text in _pairs(option, form, pairs).items()}


@app.command(epilog=_EPILOG)
def devices(
    history: Annotated[
        Path, typer.Argument(metavar="HISTORY", help="Past cases: .csv, .tsv, .xlsx or .parquet.", **_EXISTING)
    ],
    model: _ModelOption = None,
    device_class: Annotated[
        list[str],
        typer.Option(
            "--class",
            metavar="BLADE/SUCTION",
            callback=_each(_class, "--class"),
            help="A device class, such as oscillating/vacuum, or oscillating/vacuum:X1 with the unit's own code. "
            "Repeatable; by default those of the history and those with published evidence.",
            show_default=False,
        ),
    ] = [],  # noqa: B006 - typer copies it
    canister: Annotated[
        list[str],
        typer.Option(
            "--canister",
            metavar="ML",
            callback=_each(_canister, "--canister"),
            help="A collection: mL of a canister, 3x2000 for a chain, or drain. Repeatable; by default the history's.",
            show_default=False,
        ),
    ] = [],  # noqa: B006 - typer copies it
    reference: Annotated[
        str | None,
        typer.Option(
            "--reference",
            metavar="OPTION",
            help="A class, or an option as the table names it; by default what most cases had.",
            show_default=False,
        ),
    ] = None,
    cases_per_year: Annotated[
        float | None,
        typer.Option(
            "--cases-per-year",
            metavar="N",
            min=1,
            max=100_000,
            help="By default counted from the dates of the history.",
            show_default=False,
        ),
    ] = None,
    overrun_risk: Annotated[
        float,
        typer.Option(
            "--overrun-risk", metavar="CHANCE", callback=_chance, help="At which cases of a session are counted."
        ),
    ] = 0.2,
    injuries: Annotated[
        Path | None,
        typer.Option(
            "--injuries",
            metavar="FILE",
            help="The unit's own counts: class, event (wall_injury, malfunction), events, cases.",
            **_EXISTING,
        ),
    ] = None,
    costs: Annotated[
        Path | None,
        typer.Option(
            "--costs",
            metavar="FILE",
            help="The unit's own prices, a row a class: class, capital, life_years, service_per_year, "
            "disposable_price, disposable_uses, other_per_case, canister_price. A cell may be a range: 150 to 250.",
            **_EXISTING,
        ),
    ] = None,
    minute_cost: Annotated[
        str | None,
        typer.Option(
            "--minute-cost",
            metavar="AMOUNT",
            help="With --costs: of a minute of theatre, a number or '15 to 25'.",
            show_default=False,
        ),
    ] = None,
    currency: Annotated[
        str | None,
        typer.Option(
            "--currency", metavar="WORD", help="With --costs: the word printed beside each.", show_default=False
        ),
    ] = None,
    weights: Annotated[
        str | None,
        typer.Option(
            "--weights",
            metavar="NAME=WEIGHT,...",
            help="Ranks the options by efficiency, wall_injury, malfunction, cost and service, such as "
            "efficiency=3,wall_injury='1 to 4'. A range: unsure; not named: weight 0.",
            show_default=False,
        ),
    ] = None,
    service: Annotated[
        list[str],
        typer.Option(
            "--service",
            metavar="CLASS=SCORE",
            help="With --weights: the unit's own score, 0 to 10, or '5 to 8'. Repeatable; no score: unknown.",
            show_default=False,
        ),
    ] = [],  # noqa: B006 - typer copies it
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture", metavar="PATH", help="Write the displays on a page: .png, .svg or .pdf.", show_default=False
        ),
    ] = None,
    draws: Annotated[int, typer.Option("--draws", min=100, max=100_000, help="Joint draws of every case.")] = 1000,
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**32, help="The same seed gives the same numbers.")] = 1,
    column: _ColumnOption = [],  # noqa: B006 - typer copies it
    device_classes: _ClassesOption = None,
    csv: _CsvOption = None,
    json: _JsonOption = False,
) -> None:
    """Compare device classes and fluid collections on the unit's own case mix: the same cases, the same draws."""
    mapping = _columns(column)
    inputs = (history, model, injuries, costs)
    _check_output(csv, "--csv", *inputs, picture)
    _check_output(picture, "--picture", *inputs, csv)
    if picture is not None:
        _picture_kind(picture)
    asked = _Asked.of(costs, minute_cost, currency, weights, service)
    from . import devices as room
    from .devices.reading import read_costs, read_counts
    from .devices.safety import with_variants

    with _busy(f"reading {history.name}"):
        own_classes = _classes(device_classes)
        cases = _read(lt.read_cases, history, mapping, **own_classes)
        own = None if injuries is None else read_counts(injuries)
        prices = None if costs is None else read_costs(costs)
    fitted, origin = _model_of(model, cases, own_classes)
    with _busy("predicting every case with every class and collection"), _usage():
        told = room.compare_devices(
            fitted,
            cases,
            device_class or None,
            canister or None,
            reference=reference,
            cases_per_year=cases_per_year,
            draws=draws,
            seed=seed,
            overrun_risk=overrun_risk,
        )
    yearly = told.facts["cases_per_year"]
    classes = with_variants(name.partition(":")[0] for name in told.options["device_class"])
    safety = room.device_safety(
        cases,
        classes,
        own=own,
        cases_per_year=yearly if math.isfinite(yearly) else None,
        model=fitted,
        seed=seed,
    )
    cost = None if prices is None else asked.cost(told, prices, seed)
    decision = asked.decision(told, safety, cost, seed)

    if picture is not None:
        _write_picture(lambda: room.device_page(told, safety, decision), picture)
    if csv is not None:
        _write_csv(csv, told.options.reset_index())
    if json:
        content = told.to_dict()
        content.pop("caution")
        content["origin"] = origin
        content["safety"] = safety.to_dict()
        if cost is not None:
            content["cost"] = cost.to_dict()
        if decision is not None:
            content["decision"] = decision.to_dict()
        content["warnings"] = _named(cases.warnings, history)
        _print_json("devices", content)
    elif csv is None and picture is None:
        _print_devices(told, history.name)
        _print_safety(safety)
        if cost is not None:
            _print_cost(cost)
        if decision is not None:
            _print_decision(decision)
        assumptions = [
            *told.assumptions,
            *(cost.assumptions if cost else []),
            *(decision.assumptions if decision else []),
        ]
        _console().print("\nTaken from elsewhere: " + _printable("; ".join(assumptions)) + ".")
        _print_warnings(_console(), cases.warnings, history.name)
        _print_caution(_console())


@dataclass
class _Asked:
    """What was asked of cost and ranks."""

    minute_cost: Any
    currency: str
    weights: dict[str, Any]
    service: dict[str, Any]

    @classmethod
    def of(
        cls,
        costs: Path | None,
        minute_cost: str | None,
        currency: str | None,
        weights: str | None,
        service: Sequence[str],
    ) -> _Asked:
        for option, value in (("--minute-cost", minute_cost), ("--currency", currency)):
            if (value is None) != (costs is None):
                raise typer.BadParameter("goes with --costs, and --costs with it", param_hint=option)
        if service and weights is None:
            raise typer.BadParameter("goes with --weights", param_hint="--service")
        weighed = _amounts("--weights", "NAME=WEIGHT", [] if weights is None else weights.split(","))
        if weights is not None and bool(service) != ("service" in weighed):
            raise typer.BadParameter("a weight of service and --service go together", param_hint="--weights")
        if "cost" in weighed and costs is None:
            raise typer.BadParameter("a weight of cost needs --costs", param_hint="--weights")
        minute = _amounts("--minute-cost", "AMOUNT", [f"minute={minute_cost}"])["minute"] if minute_cost else None
        return cls(minute, currency or "", weighed, _amounts("--service", "CLASS=SCORE", service))

    def cost(self, told: Comparison, prices: Mapping[str, Any], seed: int) -> DeviceCost:
        known = {*map(str, told.options.index), *told.options["device_class"]}
        if others := [name for name in prices if name not in known]:
            _note(f"prices of classes that are not compared: {', '.join(others)}")
        return lt.device_cost(
            told,
            {name: one for name, one in prices.items() if name in known},
            theatre_minute_cost=self.minute_cost,
            currency=self.currency,
            seed=seed,
        )

    def decision(self, told: Comparison, safety: Safety, cost: DeviceCost | None, seed: int) -> Decision | None:
        if not self.weights:
            return None
        from .devices import Criteria

        with _usage("--service"):
            criteria = Criteria.of(told, safety=safety, cost=cost, service=self.service or None, seed=seed)
        with _usage("--weights"):
            return lt.decision_table(criteria, dict.fromkeys(criteria.draws, 0.0) | self.weights, seed=seed)


def _option_cells(name: str, reference: str) -> str:
    """A class above its collection; the reference is marked."""
    one, _, collection = name.partition(", ")
    return f"{_class_cell(one)}\n{collection}" + (" *" if name == reference else "")


def _class_cell(name: str) -> str:
    """Over two lines where a screen is too narrow for more."""
    return name if _console().width >= _WIDE else name.replace("/", "/\n")


def _below(words: str) -> str:
    """The interval of a figure below it."""
    return words.replace(" (", "\n").removesuffix(")")


def _print_rows(rows: Iterable[Mapping[Any, Any]], first: str) -> None:
    """A table of dicts; texts of the first column to the left, figures to the right."""
    rows = list(rows)
    headings = list(rows[0])
    table = _table(first, *headings[1:], right=headings[1:])
    table.columns[0].no_wrap = True  # names stay whole; figures give way
    for row in rows:
        table.add_row(*(Text(_printable_lines(row[heading])) for heading in headings))
    _console().print(table)


def _printable_lines(text: str) -> str:
    return "\n".join(map(_printable, text.split("\n")))


def _print_devices(told: Comparison, name: str) -> None:
    console, f = _console(), told.facts
    console.print(
        f"{_count(len(told.options), 'option')} on the same {_count(f['cases'], 'case')} of {_shown(name)}",
        style="bold",
    )
    console.print(
        f"Minutes a case; less: those of the reference *, {_shown(told.reference)}. Below each figure: the 90 % "
        "interval of the mean.\n"
    )
    rows = told.options.reset_index().to_dict("records")

    def cells(row: Mapping[Any, Any], **columns: tuple[str, str]) -> dict[str, str]:
        first = {"": _option_cells(row["option"], told.reference)}
        return first | {
            heading.replace("_", " "): "" if "difference" in stem and row["option"] == told.reference
            else _below(with_interval(row, stem, form))
            for heading, (stem, form) in columns.items()
        }  # fmt: skip

    from .devices._saying import percent, with_interval

    minutes = {"morcellation": ("morcellation_min", ".1f"), "less_*": ("difference_min", "+.1f")}
    minutes |= {"theatre": ("theatre_min", ".0f"), "swaps": ("swaps", ".1f")}
    _print_rows(
        (cells(row, **minutes) | {"fastest": percent(row["p_fastest"])} for row in rows), "class and collection"
    )
    for words in told.origins():
        console.print(f"  {_printable(words)}")
    cases = ", ".join(f"{row.cases:,}" for row in told.by_gland.drop_duplicates("gland").itertuples())
    console.print(f"\nMinutes of morcellation less those of the reference, by gland (cases: {cases})", style="bold")
    by_gland = told.gland_table().map(_below)
    _print_rows(
        ({"": _option_cells(str(row.pop("option")), "")} | row for row in by_gland.reset_index().to_dict("records")),
        "class and collection",
    )
    console.print()
    for words in told.words():
        console.print(_printable(words))
    a_year = math.isfinite(f["cases_per_year"])
    console.print("\nGrams a minute" + (", and hours a year" if a_year else ""), style="bold")
    console.print("all / all: all grams over all minutes; each: the mean of each case's own grams over its minutes.\n")
    figures = {"all / all": ("g_min_ratio_of_means", ".1f"), "each": ("g_min_mean_of_ratios", ".1f")}
    if a_year:
        figures |= {"morcellation h": ("morcellation_h_year", ".0f"), "theatre h": ("theatre_h_year", ".0f")}
        figures |= {"theatre h less *": ("difference_h_year", "+.0f")}
    _print_rows((cells(row, **figures) for row in rows), "class and collection")


def _print_safety(safety: Safety) -> None:
    console = _console()
    yearly = safety.cases_per_year is not None
    shown = safety.table.assign(
        thousand=safety.ranges("per_1000"),
        year=safety.ranges("per_year") if yearly else "",
        own=safety.own_words(),
        behind=safety.studies_words(),
    )
    for event, rows in shown.groupby("event", sort=False):
        console.print(
            f"\n{str(event).replace('_', ' ').capitalize()}: expected events, 90 % interval below", style="bold"
        )
        _print_rows(
            (
                {"": _class_cell(row["class"]), "per 1,000": _below(row["thousand"])}
                | ({"a year": _below(row["year"])} if yearly else {})
                | {"own cases": row["own"], "studies": row["behind"].replace(" (", "\n("), "grade": row["grade"]}
                for row in rows.to_dict("records")
            ),
            "class",
        )
    console.print(
        "studies: with a source, and how many there are said to be by common practice, which names none and is taken "
        "for 200, 40 or 30 cases (assumption). unknown: no study, no case of one's own; it may be anything."
    )
    console.print(f"\nMinutes lost to malfunctions, chance times delay; {safety.delay_words()}", style="bold")
    lost = safety.minutes_lost_words().reset_index()
    _print_rows(lost.rename(columns={"class": ""}).to_dict("records"), "class")
    for row in safety.context.to_dict("records"):
        console.print(f"Of no class in particular: {_printable(row['sources'])}.")
    for words in safety.notes:
        console.print(f"Note: {_printable(words)}.")


def _print_cost(cost: DeviceCost) -> None:
    console = _console()
    console.print(f"\nCost of a case, {_shown(cost.currency)}; less: that of the reference *", style="bold")
    from .devices._saying import percent, with_interval

    _print_rows(
        (
            {
                "": _option_cells(row["option"], cost.reference),
                "a case": _below(with_interval(row, "cost_per_case", ",.0f")),
                "device": f"{row['device_per_case']:,.0f}",
                "theatre": f"{row['theatre_per_case']:,.0f}",
                "less *": "" if row["option"] == cost.reference else _below(with_interval(row, "difference", "+,.0f")),
                "cheapest": percent(row["p_cheapest"]),
            }
            for row in cost.table.reset_index().to_dict("records")
        ),
        "class and collection",
    )
    for words in cost.words():
        console.print(_printable(words))


def _more_cell(row: Mapping[Any, Any]) -> str:
    gain = f"{row['gain']:.4f}" if row["gain"] >= 0.00005 else "<0.0001"
    return f"{gain}\n{row['sd_now_min']:.2f}, {row['sd_then_min']:.2f}"


def _print_decision(decision: Decision) -> None:
    console = _console()
    console.print(f"\nRanked; {_shown(decision.weight_words)}", style="bold")
    from .devices._saying import percent, with_interval

    ranks = decision.acceptability
    more = decision.more_cases()
    _print_rows(
        (
            {
                "": _option_cells(row["option"], ""),
                "score": _below(with_interval(row, "score", ".2f")),
                "first": percent(row["p_first"]),
                "first 2": percent(min(float(ranks.loc[row["option"], :2].sum()), 1.0)),
                "last": percent(float(ranks.loc[row["option"]].iloc[-1])),
                "10 more tell": _more_cell(more.loc[row["option"]].to_dict()),
                "unknown": row["unknown"].replace(", ", "\n") or "-",
            }
            for row in decision.table.reset_index().to_dict("records")
        ),
        "class and collection",
    )
    console.print(
        "10 more tell: gain in expected score from ten more cases with the option before choosing; below, the SD of "
        "its mean minutes now, and then."
    )
    for words in decision.words():
        console.print(_printable(words))
    gains = ", ".join(f"{name} {row['gain']:.4f}" for name, row in decision.information.iterrows())
    console.print(f"Gain in expected score, were it known before choosing: {gains}.")


# --- monitor ---------------------------------------------------------------------------------------------------------


@app.command(epilog=_EPILOG)
def monitor(
    history: Annotated[
        Path,
        typer.Argument(metavar="HISTORY", help="Cases to monitor: .csv, .tsv, .xlsx or .parquet.", **_EXISTING),
    ],
    model: Annotated[
        Path | None,
        typer.Option(
            "--model", metavar="MODEL", help="Model file that lobetime fit wrote, of earlier cases.", **_EXISTING
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
            callback=_chance_if_given,
            help="Usual chance that morcellation is deferred or ends by another route; by default as in the fit.",
            show_default=False,
        ),
    ] = None,
    draws: Annotated[int, typer.Option("--draws", min=1000, max=10_000_000, help="Draws a case.")] = 4096,
    seed: Annotated[int, typer.Option("--seed", min=0, max=2**64 - 1, help="The same seed gives the same charts.")] = 1,
    column: _ColumnOption = [],  # noqa: B006 - typer copies it
    device_classes: _ClassesOption = None,
    csv: _CsvOption = None,
    json: _JsonOption = False,
) -> None:
    """Say whether times, events or surgeons have changed since the fit.

    Give --model, and a HISTORY of the cases after its fit; or --since, and a HISTORY of all cases; or both. Exit code 0
    with signals or without.
    """
    if model is None and since is None:
        raise typer.BadParameter(
            "give --model for a model of earlier cases, or --since to fit the cases before a day", param_hint="--model"
        )
    _check_output(csv, "--csv", history, model)
    mapping = _columns(column)
    with _busy(f"reading {history.name}"):
        classes = _classes(device_classes)
        cases = _read(lt.read_cases, history, mapping, **classes)
    found = cases.warnings
    earlier, watched = (None, cases) if since is None else _split(cases, since)
    fitted, _ = _model_of(model, earlier, classes)
    with _busy(f"monitoring {_count(len(watched), 'case')}"), warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always", lt.MonitorWarning)
        told = lt.monitor(
            fitted, watched, run_length=run_length, unfinished_chance=unfinished_chance, draws=draws, seed=seed
        )
    cautions = [str(one.message) for one in said if issubclass(one.category, lt.MonitorWarning)]

    if csv is not None:
        for words in [*cautions, *told.worth()]:
            _note(words)
        _write_csv(csv, told.signals)
    if json:
        content = {
            "history": {"file": os.fspath(history), "n_cases": len(cases)},
            "model": {"file": None if model is None else os.fspath(model), **_model_facts(fitted)},
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
            "warnings": _named(found, history),
        }
        _print_json("monitor", content)
    if csv is None and not json:
        console = _console()
        start = "" if since is None else f" from {since:%Y-%m-%d} on"
        console.print(f"{_shown(history.name)}{start}: {' '.join(told.head())}", style="bold")
        console.print(f"Held against {_unit_line(fitted)}.\n")
        _print_signals(console, told)
        console.print()
        for words in [*cautions, *told.worth()]:
            console.print(_printable(words))
        _print_warnings(console, found, history.name)
        _print_caution(console)


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
        return lt.Cases(cases.frame.iloc[at].reset_index(drop=True), cases.table.take(at), cases.warnings.head(0))

    return take(~later), take(later)


def _print_signals(console: Console, told: lt.Monitoring) -> None:
    """A line a signal, and under it how sure it is."""
    if told.signals.empty:
        console.print("No signal.")
        return
    rows = told.signals.to_dict("records")

    def when(row: Mapping[Any, Any], day: str, case: str) -> str:
        return f"{row[day]:%Y-%m-%d}" if row[day] == row[day] else _shown(row[case])  # NaT is not itself

    columns = [
        _Column("signal", [row["direction"] for row in rows], "left", style="bold"),
        _Column("of", [row["phase"].replace("_", " ") for row in rows], "left"),
        _Column("who", [_shown(row["group"]) for row in rows], "left"),
        _Column("change", [f"{row['change_percent']:+.0f} %" for row in rows]),
        _Column("since", [when(row, "since", "since_case_id") for row in rows], "left"),
        _Column("told at", [when(row, "operated_on", "case_id") for row in rows], "left"),
    ]
    for column in (columns[2], columns[4], columns[5]):
        column.width = min(column.width, 23)

    def print_beneath(i: int) -> None:
        row = rows[i]
        learning = row["chart"] == "learning curve"
        against = "an experienced surgeon's" if learning else "what was expected"
        by_itself = "calls a surgeon adequate who is not" if learning else "signals by itself"
        kind = "" if row["group_kind"] == "all" else f"{row['group_kind']}; "
        words = (
            f"{kind}{_count(row['n_since'], 'case')}, change against {against}, 95 % interval {row['lower']:+.0f} to "
        )
        words += f"{row['upper']:+.0f} %; such a chart {by_itself} once in {row['run_length']:,.0f} cases"
        _print_beneath(console, "", words)

    _print_lines(console, columns, print_beneath)


# --- starting --------------------------------------------------------------------------------------------------------


def _tolerant(stream: IO[str]) -> None:
    """A character that the terminal cannot show is shown as its number."""
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="backslashreplace")


def main() -> None:
    """What the command ``lobetime`` calls."""
    if hasattr(signal, "SIGPIPE"):
        signal.signal(signal.SIGPIPE, signal.SIG_DFL)  # `lobetime ... | head` ends quietly
    _tolerant(sys.stdout)
    _tolerant(sys.stderr)
    try:
        app(prog_name="lobetime")
    except KeyboardInterrupt:  # before the command has begun
        sys.exit(130)
