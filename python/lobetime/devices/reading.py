"""Files of the unit's own that a comparison of devices may be given: counts of events, and prices by class."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import fields
from typing import Any

import pandas as pd

from .. import _core
from ..device_classes import NewClass
from ..lists.headings import match_headings
from ..reading import (
    Column,
    Problem,
    Sheet,
    Source,
    merge_findings,
    open_sheet,
    parse,
    problem_frame,
    problems_kept_out,
)
from ..reading import refuse_or_warn as refuse
from .cost import LEAST, Amount, CostInputs, amount_problem
from .safety import EVENTS
from .words import Collection, DeviceClass, Option

_RANGE = re.compile(r"\s+to\s+")
_CLASS = "a device class, such as oscillating/vacuum"
_AMOUNT = "a number, or a range such as 150 to 250"
_COUNTS = {
    "class": Column("class", "text", _CLASS),
    "event": Column("event", "word", " or ".join(EVENTS), words=EVENTS),
    "events": Column("events", "number", "a number from 0 to the cases"),
    "cases": Column("cases", "number", "a number above 0"),
}
_PRICES = {"class": Column("class", "text", _CLASS)} | {
    one.name: Column(one.name, "text", _AMOUNT) for one in fields(CostInputs)
}


def read_counts(source: Source, own: Iterable[NewClass] = ()) -> pd.DataFrame:
    """Read the unit's own counts of wall injuries and malfunctions, as :func:`device_safety` takes them in ``own``.

    Parameters
    ----------
    source : path or pandas.DataFrame
        CSV, Excel or Parquet; one row a class and event. ``class``; ``event``, wall_injury or malfunction; ``events``
        of ``cases``, both counts. Nothing may be blank, and a class and event stand once.
    own : iterable of NewClass
        Classes of the unit's own file, which go by their names.

    Raises
    ------
    InvalidData
        With every problem: row, column, value, what is allowed.
    """
    sheet, frame, problems = _opened(source, "count", _COUNTS)
    seen: set[tuple[str, str]] = set()
    for i, row in enumerate(frame.to_dict("records")):
        name, told = _tried(lambda text: _class_name(text, own), row["class"])
        if told:
            problems.append(_problem(sheet, i, "class", row["class"], told))
        if name and (name, row["event"]) in seen:
            problems.append(_problem(sheet, i, "class", row["class"], f"{row['event']} of a class once"))
        seen.add((name, row["event"]))
        frame.loc[frame.index[i], "class"] = name
        if row["cases"] <= 0:
            problems.append(_problem(sheet, i, "cases", row["cases"], _COUNTS["cases"].allowed))
        elif row["events"] < 0 or row["events"] > row["cases"]:  # of numbers; what is none is told already
            problems.append(_problem(sheet, i, "events", row["events"], f"0 to the {row['cases']:g} cases"))
    _finish(sheet, problems)
    return frame


def read_costs(source: Source, own: Iterable[NewClass] = ()) -> dict[str, CostInputs]:
    """Read the unit's own prices, as :func:`device_cost` takes them.

    Parameters
    ----------
    source : path or pandas.DataFrame
        CSV, Excel or Parquet; one row a class, or one option ("oscillating/vacuum, 2000 mL"), in ``class``. All columns
        of :class:`CostInputs` must be there; each cell is a number or a range ("150 to 250": 90 % of a uniform one). No
        cell has a default: 0 is a price, and blank is refused. Money in one currency, times in years, uses in cases.
    own : iterable of NewClass
        Classes of the unit's own file, which go by their names.

    Raises
    ------
    InvalidData
        With every problem: row, column, value, what is allowed.
    """
    sheet, frame, problems = _opened(source, "class", _PRICES)
    inputs: dict[str, CostInputs] = {}
    for i, row in enumerate(frame.to_dict("records")):
        name, told = _tried(lambda text: _option_name(text, own), row["class"])
        if told or (name and name in inputs):
            problems.append(_problem(sheet, i, "class", row["class"], told or "one row a class"))
        amounts: dict[str, Amount] = {}
        for column in (one.name for one in fields(CostInputs) if one.name in row and isinstance(row[one.name], str)):
            try:
                amounts[column] = amount_of(row[column], decimal_comma=sheet.decimal_comma)
            except _core.InvalidArgument:
                amounts[column] = math.nan
            if amount_problem(column, amounts[column]):
                allowed = f"{_AMOUNT}, the lower end first, of at least {LEAST.get(column, 0):g}"
                problems.append(_problem(sheet, i, column, row[column], allowed))
        inputs[name] = CostInputs(**amounts)
    _finish(sheet, problems)
    return inputs


def amount_of(text: str, *, decimal_comma: bool = False) -> Amount:
    """From ``"200"``, or a range ``"150 to 250"``.

    Raises InvalidArgument.
    """
    try:
        ends = [float(part.replace(",", ".") if decimal_comma else part) for part in _RANGE.split(text.strip())]
    except ValueError:
        ends = []
    if len(ends) not in (1, 2) or not all(map(math.isfinite, ends)):
        raise _core.InvalidArgument(f"{_AMOUNT}, not {text!r}")
    return ends[0] if len(ends) == 1 else (ends[0], ends[1])


def _opened(source: Source, one: str, columns: Mapping[str, Column]) -> tuple[Sheet, pd.DataFrame, list[Problem]]:
    """The sheet, its columns as far as they can be read, and what is wrong with headings and single cells."""
    sheet = open_sheet(source, one)
    names, told, unknown = match_headings(sheet, columns, {}, list(columns))
    # There is no mapping of these columns to a unit's own headings.
    problems = [(*one[:3], one[3].removesuffix(", or a mapping of it to a heading")) for one in told]
    problems += [(row, "", value, "a column of these: " + ", ".join(columns)) for row, _, value, *_ in unknown]
    frame, cells = parse(sheet, names, columns)
    problems += [*sheet.problems, *problems_kept_out(sheet, names), *_tuples(cells)]
    for name in frame:
        refused = set(cells.loc[cells["column"] == name, "row"])
        for i in frame.index[frame[name].isna()]:
            if int(sheet.rows[i]) not in refused:
                problems.append(_problem(sheet, i, str(name), "", columns[str(name)].allowed))
    for name in columns:
        if name not in frame:
            frame[name] = math.nan
    return sheet, frame[list(columns)], problems


def _tuples(found: pd.DataFrame) -> Iterator[Problem]:
    for row in found.to_dict("records"):
        yield int(row["row"]), str(row["column"]), str(row["value"]), str(row["allowed"])


def _problem(sheet: Sheet, i: int, column: str, value: object, allowed: str) -> Problem:
    return int(sheet.rows[i]), column, f"{value:g}" if isinstance(value, float) else str(value), allowed


def _finish(sheet: Sheet, problems: list[Problem]) -> None:
    found, _ = merge_findings([problem_frame(problems)], [problem_frame([])], sheet.heading_row)
    refuse(sheet.name, found, problem_frame([]), stacklevel=3)


def _tried(call: Callable[[str], str], text: Any) -> tuple[str, str]:
    """The name, and what is wrong with it; a blank is told elsewhere."""
    if not isinstance(text, str):
        return "", ""
    try:
        return call(text), ""
    except _core.InvalidArgument as error:
        return text, str(error)


def _class_name(text: str, own: Iterable[NewClass]) -> str:
    """A class as every table names it; what follows a comma parts classes of the evidence ("..., newer")."""
    head, comma, rest = text.partition(",")
    return str(DeviceClass.of(head, own)) + (f", {rest.strip()}" if comma else "")


def _option_name(text: str, own: Iterable[NewClass]) -> str:
    """A class, or a class with its collection, as every table names it."""
    head, comma, rest = text.partition(",")
    one = DeviceClass.of(head, own)
    return str(Option(one, Collection.of(rest))) if comma else str(one)
