"""What a command is asked: the options that several share, and the reading of what they name."""

from __future__ import annotations

import os
import warnings
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, TypeVar

import typer
import typer.core

# Names of the package are looked up where they are used, and pandas is imported there: --help needs neither.
import lobetime as lt

from .. import _core
from . import screen

_Read = TypeVar("_Read", "lt.Cases", "lt.Bookings", "lt.Sessions", "lt.Stock")


def columns(pairs: Sequence[str], option: str = "--column") -> dict[str, str]:
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


def check_output(path: Path | None, option: str, *others: Path | None) -> None:
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


def chance(value: float) -> float:
    if not 0 < value < 1:
        raise typer.BadParameter(f"{value:g} is not a chance between 0 and 1, such as 0.2")
    return value


def chance_if_given(value: float | None) -> float | None:
    return None if value is None else chance(value)


def grid(value: float) -> float:
    if not 0.01 <= value <= 1440:
        raise typer.BadParameter(f"{value:g} is not between 0.01 and 1440 minutes")
    return value


def read(reader: Callable[..., _Read], path: Path, columns: dict[str, str], **settings: Any) -> _Read:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)  # told from .warnings, one by one
        return reader(path, columns=columns, **settings)


def classes(path: Path | None) -> dict[str, Any]:
    """Settings of readers and of the prior from a file of the unit's own device classes."""
    return {} if path is None else {"device_classes": lt.read_device_classes(path)}


def fit_model(model: lt.TheatreTimeModel, cases: lt.Cases) -> lt.TheatreTimeModel:
    doing = f"fitting {screen.count(len(cases), 'case')}"
    with screen.busy(doing) as say:
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


def check_one_of(model: Path | None, history: Path | None) -> None:
    if model is not None and history is not None:
        raise typer.BadParameter("give one of --model and --history, not both", param_hint="--history")


def model_of(
    model: Path | None, cases: lt.Cases | None, classes: Mapping[str, Any] = {}
) -> tuple[lt.TheatreTimeModel, str]:
    """The model that predicts, and what it rests on."""
    prior = lt.PublishedPrior(**classes) if classes else "published"
    if model is not None:
        return _load(model), "model file"
    if cases is not None:
        return fit_model(lt.TheatreTimeModel(prior=prior), cases), "history"
    return lt.TheatreTimeModel(prior=prior), "published prior"


EXISTING: dict[str, Any] = {"exists": True, "dir_okay": False, "readable": True, "show_default": False}


ColumnOption = Annotated[
    list[str],
    typer.Option(
        "--column",
        metavar="COLUMN=HEADING",
        help="A heading of the file that is not the column's own name, such as gland_ml='Prostate size'. Repeatable.",
        show_default=False,
    ),
]


DropOption = Annotated[
    list[str],
    typer.Option(
        "--drop",
        metavar="HEADING",
        help="A column of the files that is not looked at. Columns that can identify a patient are refused unless they "
        "are named here. Repeatable.",
        show_default=False,
    ),
]


CsvOption = Annotated[
    Path | None,
    typer.Option(
        "--csv", metavar="PATH", help="Write a CSV file, whole or not at all, instead of a table.", show_default=False
    ),
]


ModelOption = Annotated[
    Path | None, typer.Option("--model", metavar="MODEL", help="Model file that lobetime fit wrote.", **EXISTING)
]


HistoryArgument = Annotated[
    Path,
    typer.Argument(metavar="HISTORY", help="Past cases, one row a case: .csv, .tsv, .xlsx or .parquet.", **EXISTING),
]
HistoryOption = Annotated[
    Path | None,
    typer.Option("--history", metavar="HISTORY", help="Past cases to fit first, instead of a model file.", **EXISTING),
]


ClassesOption = Annotated[
    Path | None,
    typer.Option(
        "--device-classes",
        metavar="PATH",
        help="Blade motions or suctions of your own: a row each, with the class that it resembles and a wide range.",
        **EXISTING,
    ),
]


JsonOption = Annotated[bool, typer.Option("--json", help="JSON on standard output instead of a table.")]


def pairs(option: str, form: str, pairs: Sequence[str]) -> dict[str, str]:
    """LEFT=RIGHT of a repeatable option; one right side for each left one."""
    found: dict[str, str] = {}
    for pair in pairs:
        left, sign, right = (part.strip() for part in pair.partition("="))
        if not (left and sign and right):
            raise typer.BadParameter(f"{pair!r} is not {form}", param_hint=option)
        if found.setdefault(left, right) != right:
            raise typer.BadParameter(f"{left} is given twice", param_hint=option)
    return found
