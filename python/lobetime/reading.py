"""Opening tables that people keep, and turning their cells into numbers, words and times, guessing nothing.

A file is opened as it stands; what its columns mean, and what they allow, the caller says in `Column` objects. Rows are
counted as a spreadsheet or an editor shows them: the heading is row 1. The first row of a data frame is row 2. Blank
lines of a file are passed over, yet they count.
"""

from __future__ import annotations

import csv
import io
import itertools
import os
import re
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from numbers import Number, Real
from pathlib import Path
from typing import Any, NoReturn, TypeAlias
from uuid import UUID

import numpy as np
import numpy.typing as npt
import pandas as pd

from .memory import need_for_file
from .tables import Source as Source
from .tables import as_pandas

Doubles: TypeAlias = npt.NDArray[np.float64]
Problem: TypeAlias = tuple[int, str, str, str]

WARNING_COLUMNS = ["row", "column", "value", "kind", "message"]
_PROBLEM_COLUMNS = ["row", "column", "value", "allowed"]
_SHOWN_PROBLEMS = 50
_SEPARATORS = ",;\t"
_CHUNK = 100_000  # records turned into columns at a time, to keep the memory of large files low
_REPLACED = "\ufffd"  # stands where bytes were no UTF-8
_FOREIGN = "\ufdd0"  # no character: stands before what is neither text, number nor time
_NOT_UTF8 = "; saved as UTF-8, which this is not"
_HALVES = re.compile("[\ud800-\udfff]")
_PLAIN = (Number, date, time, timedelta, pd.Period, UUID)
_FLAG_WORDS = {"no": "0", "false": "0", "yes": "1", "true": "1"}
_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_DAY = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
_DATE = _DAY + r"(?:[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2})?)?"
_MOMENT = _DAY + r"[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,9})?)?"
_ZONE = r"\s*(?:Z|UTC|[+-][0-9]{2}:?(?:[0-9]{2})?)"


@dataclass(frozen=True)
class Column:
    """What the cells of a column mean.

    Attributes
    ----------
    kind : {"text", "word", "number", "count", "flag", "date", "moment"}
        A moment is a day with a time of day, as the clock on the wall shows it.
    allowed : str
        What is allowed, in words.
    words : sequence of str
        The words of a "word" column.
    infinite : bool
        Whether a number may be inf.
    blank : float
        What a blank number means.
    """

    name: str
    kind: str
    allowed: str
    unit: str = ""
    words: tuple[str, ...] = ()
    infinite: bool = False
    blank: float = np.nan


class InvalidData(ValueError):  # noqa: N818 - said of the data, as people say it
    """The data were refused.

    Attributes
    ----------
    problems : pandas.DataFrame
        Every problem, in order of row: ``row``, ``column``, ``value``, ``allowed``. Problems of a whole column stand
        at the row of the heading.
    """

    def __init__(self, problems: pd.DataFrame, source: str = "the data") -> None:
        self.problems = problems.reset_index(drop=True)
        self.source = source
        count = len(problems)
        lines = [f"{source}: {count} problem{'' if count == 1 else 's'}"]
        for row, column, value, allowed in self.problems.head(_SHOWN_PROBLEMS).to_numpy().tolist():
            where = f"row {row}, {column}" if column else f"row {row}"
            what = f'"{value}" is not allowed' if value else "blank or missing"
            lines.append(f"  {where}: {what}; allowed: {allowed}")
        if count > _SHOWN_PROBLEMS:
            lines.append(f"  and {count - _SHOWN_PROBLEMS} more; .problems holds all of them")
        super().__init__("\n".join(lines))

    def __reduce__(self) -> tuple[type[InvalidData], tuple[pd.DataFrame, str]]:
        return type(self), (self.problems, self.source)


class DataWarning(UserWarning):
    """Something in the data looks wrong and was kept; ``.warnings`` of what was read says what and where."""


# --- opening -----------------------------------------------------------------------------------------------------


@dataclass
class Sheet:
    """A source as it stands: cells by position, nothing interpreted yet."""

    name: str
    headings: list[str]
    cells: pd.DataFrame
    rows: npt.NDArray[np.int64]
    heading_row: int = 1
    decimal_comma: bool = False
    undecoded: bool = False  # some bytes were no UTF-8
    problems: list[Problem] = field(default_factory=list)


def problem_frame(problems: list[Problem]) -> pd.DataFrame:
    """Problems as a table."""
    return pd.DataFrame(problems, columns=_PROBLEM_COLUMNS)


def _refuse(name: str, row: int, value: str, allowed: str) -> NoReturn:
    raise InvalidData(problem_frame([(row, "", value, allowed)]), name)


def open_sheet(source: Source, one: str) -> Sheet:
    """Open a file or a table whose rows hold ``one`` ("case") each.

    Raises
    ------
    InvalidData
        If nothing can be read from it. Problems of single rows are noted in the sheet instead.
    """
    if not isinstance(source, (str, os.PathLike)):
        sheet = _from_frame(as_pandas(source, f"a table of {one}s"), "the data frame")
    else:
        path = Path(source)
        readers = {".csv": _open_csv, ".tsv": _open_csv, ".xlsx": _open_excel, ".parquet": _open_parquet}
        reader = readers.get(path.suffix.lower())
        with path.open("rb"):  # a missing file or folder is the caller's mistake, not the data's
            need_for_file(path)
        if reader is None:
            _refuse(path.name, 1, path.suffix, "a file that ends in " + ", ".join(readers))
        sheet = reader(path, one)
    if not len(sheet.rows) and not sheet.problems:
        sheet.problems.append((sheet.heading_row, "", "", f"at least one {one} below the heading"))
    return sheet


def _open_csv(path: Path, one: str) -> Sheet:
    data = path.read_bytes()
    if b"\0" in data:
        row = data.count(b"\n", 0, data.index(b"\0")) + 1
        _refuse(path.name, row, "a byte 0", "text saved as UTF-8; this is another encoding or no text")
    text = data.decode("utf-8-sig", errors="replace")
    if not text.strip():
        _refuse(path.name, 1, "", f"a heading and at least one {one}; the file is empty")
    separator = _separator(path.name, text)
    sheet = Sheet(path.name, [], pd.DataFrame(), np.empty(0, np.int64))
    sheet.decimal_comma, sheet.undecoded = separator != ",", _REPLACED in text
    chunks: list[pd.DataFrame] = []
    records = _records(sheet, text, separator)
    while chunk := list(itertools.islice(records, _CHUNK)):
        chunks.append(pd.DataFrame(chunk).astype(dict.fromkeys(range(1, len(sheet.headings) + 1), "str")))
    if chunks:
        numbered = pd.concat(chunks, ignore_index=True)
        sheet.rows = numbered[0].to_numpy(np.int64)
        sheet.cells = numbered.drop(columns=0).set_axis(range(len(sheet.headings)), axis=1)
    return sheet


def _separator(name: str, text: str) -> str:
    """The separator that cuts the heading into most fields."""

    def heading(separator: str) -> list[str]:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
        try:
            return next(record for record in reader if any(map(str.strip, record)))
        except (csv.Error, StopIteration):
            return []

    widths = {separator: len(heading(separator)) for separator in _SEPARATORS}
    widest = max(widths.values())
    best = [separator for separator, width in widths.items() if width == widest]
    if len(best) > 1 and widest > 1:
        _refuse(name, 1, " ".join(repr(separator) for separator in best), "one separator in the heading line")
    return best[0]


def _records(sheet: Sheet, text: str, separator: str) -> Iterator[tuple[int | str, ...]]:
    """Rows below the heading that fit it, each after its line number. Notes heading and problems in the sheet."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    row = 1
    try:
        for record in reader:
            if any(map(str.strip, record)):
                if not sheet.headings:
                    sheet.headings, sheet.heading_row = record, row
                elif len(record) == len(sheet.headings):
                    yield row, *record
                else:
                    expected = f"{_fields(sheet.headings)}, as in the heading"
                    sheet.problems.append((row, "", _fields(record), expected))
            row = reader.line_num + 1
    except csv.Error as error:
        sheet.problems.append((row, "", str(error), "quotation marks in pairs, around whole fields"))


def _fields(record: list[str]) -> str:
    return f"{len(record)} field{'' if len(record) == 1 else 's'}"


def _open_excel(path: Path, one: str) -> Sheet:
    try:
        import openpyxl
    except ImportError as error:
        raise ImportError("reading Excel files needs openpyxl: pip install 'lobetime[excel]'") from error
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # openpyxl on styles and extensions, of no matter here
            values = _sheet_rows(openpyxl.load_workbook(path, read_only=True, data_only=True))
            formulas = _sheet_rows(openpyxl.load_workbook(path, read_only=True))
    except Exception as error:  # a damaged file makes openpyxl fail in a dozen ways
        _refuse(path.name, 1, str(error), "an .xlsx workbook that can be opened")
    # A formula that no program has calculated has no value yet: its text is refused where a number belongs.
    grid = [
        [formula if value is None else value for value, formula in zip(*pair, strict=True)]
        for pair in zip(values, formulas, strict=True)
    ]
    filled = [(row, cells) for row, cells in enumerate(grid, start=1) if any(map(_cell_text, cells))]
    if not filled:
        _refuse(path.name, 1, "", f"a heading and at least one {one}; the sheet is empty")
    width = max(len(cells) for _, cells in filled)
    padded = [cells + [None] * (width - len(cells)) for _, cells in filled]
    cells = pd.DataFrame(padded[1:], columns=range(width), dtype=object)
    rows = np.array([row for row, _ in filled[1:]], np.int64)
    return Sheet(path.name, [_cell_text(heading) for heading in padded[0]], cells, rows, filled[0][0])


def _sheet_rows(workbook: Any) -> list[tuple[Any, ...]]:
    sheet = workbook.worksheets[0]
    sheet.reset_dimensions()  # the size a file states may be wrong
    rows = list(sheet.iter_rows(values_only=True))
    workbook.close()
    return rows


def _open_parquet(path: Path, one: str) -> Sheet:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise ImportError("reading Parquet files needs pyarrow: pip install 'lobetime[parquet]'") from error
    try:
        frame = pyarrow.parquet.read_table(path).to_pandas(ignore_metadata=True)
    except (pyarrow.ArrowException, OSError) as error:
        _refuse(path.name, 1, str(error), "a .parquet file that can be opened")
    return _from_frame(frame, path.name)


def _from_frame(frame: pd.DataFrame, name: str) -> Sheet:
    if any(level is not None for level in frame.index.names):
        frame = frame.reset_index(allow_duplicates=True)  # said twice, a heading is refused as such
    cells = frame.reset_index(drop=True).set_axis(range(frame.shape[1]), axis=1)
    headings = [whole_text(str(heading)) for heading in frame.columns]
    return Sheet(name, headings, cells, np.arange(len(frame), dtype=np.int64) + 2)


# --- reading cells -----------------------------------------------------------------------------------------------


def whole_text(text: str) -> str:
    """The text with a mark where it holds halves of a character, which no UTF-8 can hold."""
    return _HALVES.sub(_REPLACED, text)


def _cell_text(value: object, moment: bool = False) -> str:
    """A cell as a CSV file would hold it; a time of day and its zone stay only if the column holds moments."""
    if value is None or value is pd.NA or value is pd.NaT:
        return ""
    if isinstance(value, str):
        return whole_text(value).strip()
    if isinstance(value, (bool, np.bool_)):
        return str(value).lower()
    if isinstance(value, (np.datetime64, np.timedelta64)):  # the latter calls itself an integer
        return "" if np.isnat(value) else str(value)
    if not isinstance(value, _PLAIN):
        return f"{_FOREIGN}{type(value).__name__} {whole_text(str(value))[:40]}"
    try:
        if isinstance(value, int):
            return str(value)
        if isinstance(value, Real):
            number = float(value)
            if np.isinf(number) and value != number:
                raise OverflowError
            return "" if np.isnan(number) else str(int(number)) if number.is_integer() else repr(number)
    except (OverflowError, ValueError):  # beyond all floats; beyond the digits that Python writes
        return f"{_FOREIGN}a number of more than 308 digits"
    if isinstance(value, datetime):
        if moment:
            return value.isoformat()
        value = value.replace(tzinfo=None)
        return value.date().isoformat() if value.time() == time() else value.isoformat(timespec="seconds")
    return value.isoformat() if isinstance(value, date) else str(value).strip()


@dataclass
class _Texts:
    """A column of texts, each different one only once: files repeat themselves, so this saves nearly all the work."""

    codes: npt.NDArray[np.int64]
    unique: pd.Series[str]

    @classmethod
    def of(cls, cells: pd.Series[Any], moment: bool = False) -> _Texts:
        if not isinstance(cells.dtype, pd.StringDtype):
            cells = pd.Series([_cell_text(cell, moment) for cell in cells], dtype="str")
        codes, unique = pd.factorize(cells.fillna("").str.strip())
        if (
            isinstance(cells.dtype, pd.StringDtype) and cells.dtype.storage == "python"
        ):  # the other storage cannot hold halves of a character
            unique = pd.Index([whole_text(text) for text in unique])
        return cls(codes, pd.Series(unique, dtype="str"))


def _typed(cells: pd.Series[Any], kind: str) -> pd.Series[Any] | None:
    """The column as it is, if its type already says what the cells mean."""
    types = pd.api.types
    is_bool = types.is_bool_dtype(cells.dtype)
    is_number = types.is_numeric_dtype(cells.dtype) and not is_bool and not types.is_complex_dtype(cells.dtype)
    if (kind in ("number", "count", "flag") and is_number) or (kind == "flag" and is_bool):
        return pd.Series(cells.to_numpy(np.float64, na_value=np.nan))
    # Arrow's days and moments have other ways with zones: they are read cell by cell.
    arrow = isinstance(cells.dtype, pd.ArrowDtype)
    if kind == "date" and types.is_datetime64_any_dtype(cells.dtype) and not arrow:
        dates: pd.Series[Any] = cells.dt.tz_localize(None)
        return dates
    # Moments with a zone are often not those of the clock on the wall: they are refused cell by cell.
    if kind == "moment" and types.is_datetime64_dtype(cells.dtype):
        return cells.copy()
    return None


def _uses_comma(texts: _Texts) -> bool:
    return bool((texts.unique.str.contains(",") & _is_number(texts.unique.str.replace(",", ".", regex=False))).any())


def _is_number(texts: pd.Series[str]) -> pd.Series[bool]:
    return texts.str.fullmatch(_NUMBER)


def _values(texts: pd.Series[str], column: Column, mark: str) -> tuple[pd.Series[Any], pd.Series[bool]]:
    """What the texts of a column mean, blanks as NaN, and which of them mean nothing."""
    kind = column.kind
    blank = texts == ""
    if kind in ("date", "moment"):
        written = texts.str.fullmatch(_DATE if kind == "date" else _MOMENT)
        dates = pd.to_datetime(texts.where(written), format="ISO8601", errors="coerce")
        return dates, dates.isna() & ~blank
    if kind in ("text", "word"):
        words = texts.str.lower() if kind == "word" else texts
        known = words.isin(column.words) if kind == "word" else ~texts.str.contains(f"[{_REPLACED}{_FOREIGN}]")
        return words.where(~blank), ~known & ~blank
    if kind == "flag":
        lower = texts.str.lower()
        texts = lower.map(_FLAG_WORDS).fillna(lower)
    other = "," if mark == "." else "."
    bad = texts.str.contains(other, regex=False)
    texts = texts.str.replace(mark, ".", regex=False)
    bad |= ~_is_number(texts)
    numbers = pd.to_numeric(texts.mask(bad), errors="coerce").astype(np.float64)
    bad |= ~np.isfinite(numbers)  # 1e999 is written like a number, yet too large for one
    if column.infinite:
        infinite = texts.str.lower() == "inf"
        numbers, bad = numbers.mask(infinite, np.inf), bad & ~infinite
    return numbers.mask(blank, column.blank), bad & ~blank


def _hint(value: str, column: Column, mark: str) -> str:
    """What may help with a cell that was refused."""
    kind = column.kind
    if _REPLACED in value:
        return _NOT_UTF8
    if kind in ("date", "moment") and re.fullmatch(_NUMBER, value):
        return f"; {value} looks like a spreadsheet's day number: format the cells as dates"
    if kind in ("date", "moment") and (parts := re.fullmatch(r"(\d{1,2})([./-])(\d{1,2})\2\d{2,4}(?:[T ].*)?", value)):
        apart = max(int(parts[1]), int(parts[3])) > 12
        return "; the year comes first" if apart else "; day and month cannot be told apart here"
    if kind == "moment" and re.fullmatch(_DAY, value):
        return "; with its time of day"
    if kind == "moment" and re.fullmatch(_MOMENT + _ZONE, value):
        return "; without a time zone, as the clock on the wall shows it"
    if kind not in ("number", "count"):
        return ""
    if mark == "," and "." in value and re.fullmatch(_NUMBER, value):
        return "; with a decimal comma, as elsewhere in the file"
    if mark == "." and "," in value and re.fullmatch(_NUMBER, value.replace(",", ".")):
        return "; a decimal comma is read only in files separated by semicolons or tabs"
    if column.unit and re.fullmatch(_NUMBER + r"\s*[^\W\d_]+", value):
        return f"; the number alone, the column is in {column.unit}"
    return ""


def problems_kept_out(sheet: Sheet, names: list[str]) -> list[Problem]:
    """Values without a heading, and what is no UTF-8 in the headings or outside the columns that are read."""
    problems: list[Problem] = []
    for position, (heading, name) in enumerate(zip(sheet.headings, names, strict=True)):
        if _REPLACED in heading:
            problems.append((sheet.heading_row, heading, heading, "text" + _NOT_UTF8))
        if name or not len(sheet.rows) or (heading.strip() and not sheet.undecoded):
            continue
        texts = _Texts.of(sheet.cells[position])
        if not heading.strip() and (texts.unique != "").any():
            problems.append((sheet.heading_row, "", "", f"a heading above column {position + 1}, which holds values"))
        for at in np.flatnonzero(texts.unique.str.contains(_REPLACED).to_numpy(bool)[texts.codes]):
            # The cell's text is not told: nobody knows what is in a column that nothing here needs.
            problems.append((int(sheet.rows[at]), heading, _REPLACED, "text" + _NOT_UTF8))
    return problems


def parse(sheet: Sheet, names: list[str], columns: Mapping[str, Column]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The columns as numbers, dates and texts, and the cells that are none; those are blank in the columns.

    Parameters
    ----------
    names : list of str
        For each heading of the sheet the column it is, or "" where it is kept out.
    """
    found = {name: sheet.cells[position] for position, name in enumerate(names) if name and len(sheet.rows)}
    cells = {name: found[name] for name in columns if name in found}
    values: dict[str, pd.Series[Any]] = {}
    texts: dict[str, _Texts] = {}
    for name, column in cells.items():
        if isinstance(column.dtype, pd.CategoricalDtype):
            column = column.astype(column.cat.categories.dtype)
        typed = _typed(column, columns[name].kind)
        if typed is None:
            texts[name] = _Texts.of(column, columns[name].kind == "moment")
        else:
            values[name] = typed.fillna(columns[name].blank) if columns[name].kind == "number" else typed

    numeric = [column for name, column in texts.items() if columns[name].kind in ("number", "count")]
    mark = "," if sheet.decimal_comma and any(map(_uses_comma, numeric)) else "."
    problems = [problem_frame([])]
    for name, text in texts.items():
        meaning, bad = _values(text.unique, columns[name], mark)
        values[name] = meaning.mask(bad).take(text.codes).reset_index(drop=True)
        if not bad.any():
            continue
        at = np.flatnonzero(bad.to_numpy(bool)[text.codes])
        value = text.unique.take(text.codes[at]).reset_index(drop=True)
        hints = {refused: columns[name].allowed + _hint(refused, columns[name], mark) for refused in text.unique[bad]}
        shown = value.str.replace(_FOREIGN, "", regex=False)
        rows = {"row": sheet.rows[at], "column": name, "value": shown, "allowed": value.map(hints)}
        problems.append(pd.DataFrame(rows))
    return pd.DataFrame({name: values[name] for name in cells}), pd.concat(problems)


def merge_findings(
    problems: list[pd.DataFrame], found: list[pd.DataFrame], heading_row: int
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Both lists in order of row. A refused cell is told once, and a row with a problem is not warned about."""
    refused = pd.concat(problems).astype({"row": np.int64})
    told = refused.duplicated(["row", "column"]) & (refused["row"] > heading_row)
    refused = refused[~told].sort_values("row", kind="stable", ignore_index=True)
    looks_wrong = pd.concat(found).astype({"row": np.int64})
    judged = looks_wrong["row"].isin(refused["row"]) & (looks_wrong["row"] > heading_row)
    return refused, looks_wrong[~judged].sort_values("row", kind="stable", ignore_index=True)


def refuse_or_warn(name: str, problems: pd.DataFrame, found: pd.DataFrame, stacklevel: int) -> None:
    """Refuse what has problems; warn once of what looks wrong."""
    if len(problems):
        raise InvalidData(problems, name)
    if len(found):
        kinds = ", ".join(f"{kind} {count}" for kind, count in found["kind"].value_counts().items())
        message = f"{name}: read with warnings, see .warnings: {kinds}"
        warnings.warn(message, DataWarning, stacklevel=stacklevel + 1)
