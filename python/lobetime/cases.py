"""Reading a unit's past cases and its bookings.

The rules (columns, units, limits, what looks wrong) live in the compiled part and hold for C++ as well. Here files are
opened, headings matched and texts turned into numbers, guessing nothing:

- a file is refused as a whole, with *every* problem it has (row, column, value, what is allowed);
- what only looks wrong is a named warning and stays in;
- nothing is dropped, clipped or rounded.

Rows are counted as a spreadsheet or an editor shows them: the heading is row 1. The first row of a data frame is
row 2. Blank lines of a file are passed over, yet they count.
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
from datetime import date, datetime, time
from numbers import Real
from pathlib import Path
from typing import Any, Literal, NoReturn, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from . import _core

Kind: TypeAlias = Literal["history", "bookings"]
Source: TypeAlias = "str | os.PathLike[str] | pd.DataFrame"
Doubles: TypeAlias = npt.NDArray[np.float64]

_PROBLEM_COLUMNS = ["row", "column", "value", "allowed"]
_WARNING_COLUMNS = ["row", "column", "value", "kind", "message"]
_SHOWN_PROBLEMS = 50
_SEPARATORS = ",;\t"
_CHUNK = 100_000  # records turned into columns at a time, to keep the memory of large files low
_REPLACED = "\ufffd"  # stands where bytes were no UTF-8
_NOT_UTF8 = "; saved as UTF-8, which this is not"
_FLAG_WORDS = {"no": "0", "false": "0", "yes": "1", "true": "1"}
_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?:[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2})?)?"
_SCHEMA = {str(column["name"]): column for column in _core.columns()}
_TABLE_COLUMNS = [name for name in _SCHEMA if hasattr(_core.CaseTable, name)]
_CASE_TIMES = {name for name, column in _SCHEMA.items() if column["is_case_time"]}


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


KNOWN_AT_BOOKING = (
    *("case_id", "surgeon", "surgeon_case_no", "gland_ml", "blade", "suction", "device", "canister_ml"),
    *("trainee", "anticoagulated", "anaesthesia"),
)
"""Columns of a past case that were known before it: what a prediction of it may look at."""


class DataWarning(UserWarning):
    """Something in the data looks wrong and was kept; ``.warnings`` of what was read says what and where."""


@dataclass(frozen=True, repr=False, eq=False)
class _Read:
    frame: pd.DataFrame
    table: _core.CaseTable
    warnings: pd.DataFrame

    def __len__(self) -> int:
        return len(self.frame)

    def __repr__(self) -> str:
        gland = self.frame["gland_ml"]
        parts = [f"{len(self)} {'case' if len(self) == 1 else 'cases'}", f"gland {gland.min():g} to {gland.max():g} mL"]
        if "surgeon" in self.frame:
            parts.append(f"surgeons: {self.frame['surgeon'].nunique()}")
        parts.append(f"warnings: {len(self.warnings)}")
        return f"<{type(self).__name__}: {', '.join(parts)}>"


class Cases(_Read):
    """Past cases, checked.

    Attributes
    ----------
    frame : pandas.DataFrame
        One row a case, in the order of the source; canonical columns only, blanks as NaN. A continuous drain has
        ``canister_ml`` inf. ``surgeon_case_no`` includes the derived numbers.
    table : lobetime._core.CaseTable
        The same, as the engine reads it.
    warnings : pandas.DataFrame
        What looks wrong and was kept: ``row``, ``column``, ``value``, ``kind``, ``message``.
    """


class Bookings(_Read):
    """Booked cases, checked. Same attributes as `Cases`."""


def read_cases(source: Source, *, columns: Mapping[str, str] | None = None) -> Cases:
    """Read past cases from a CSV, Excel or Parquet file, or from a data frame.

    Parameters
    ----------
    source : path or pandas.DataFrame
        ``.csv`` or ``.tsv`` (UTF-8; comma, semicolon or tab, as the heading line shows; a decimal comma with the
        latter two only), ``.xlsx`` (first sheet) or ``.parquet``.
    columns : mapping, optional
        The unit's own headings: ``{"gland_ml": "Prostate size"}``. Values stay in the unit the column's name says.

    Notes
    -----
    ``gland_ml`` and at least one time (``enucleation_min``, ``haemostasis_min``, ``morcellation_min``,
    ``operative_min``, ``theatre_min``) must be there. A heading counts as a column if it is that name in any case, with
    spaces or hyphens for underscores. Other headings are kept out with a warning; those that are nearly a column, or
    the column in another unit, and those that identify patients are problems.

    Blank case numbers are counted per surgeon by date, on from the recorded ones or else from 1 with the warning
    ``case_numbers_counted_from_file``.

    Raises
    ------
    InvalidData
        With every problem of the source.

    Warns
    -----
    DataWarning
        Once, if anything looks wrong; the details are in ``.warnings``.
    """
    return Cases(*_read(source, "history", columns))


def read_bookings(source: Source, *, columns: Mapping[str, str] | None = None) -> Bookings:
    """Read booked cases; as `read_cases`, but only ``gland_ml`` must be there.

    ``case_id`` must be unique where given. Times and other columns that only past cases have are kept out with a
    warning.
    """
    return Bookings(*_read(source, "bookings", columns))


def check_file(source: Source, kind: Kind | None = None, *, columns: Mapping[str, str] | None = None) -> pd.DataFrame:
    """Everything that `read_cases` or `read_bookings` would refuse or warn about, as one table.

    Parameters
    ----------
    kind : {"history", "bookings"}, optional
        By default a source with any time of a case is a history, any other holds bookings.

    Returns
    -------
    pandas.DataFrame
        In order of row: ``row``, ``column``, ``value``, ``severity`` ("problem" or "warning"), ``kind`` (of a warning)
        and ``message`` (what is allowed, or what looks wrong). ``attrs["kind"]`` says how the source was read,
        ``attrs["n_cases"]`` how many cases it has.
    """
    try:
        sheet = _open(source)
    except InvalidData as refused:
        problems, found, n_cases = refused.problems, pd.DataFrame(columns=_WARNING_COLUMNS), 0
    else:
        kind = kind or _kind_of(sheet, columns or {})
        checked = _check(sheet, kind, columns or {})
        problems, found, n_cases = checked.problems, checked.warnings, len(sheet.rows)
    problems = problems.rename(columns={"allowed": "message"}).assign(severity="problem", kind="")
    everything = pd.concat([problems, found.assign(severity="warning")]).sort_values("row", kind="stable")
    everything = everything[["row", "column", "value", "severity", "kind", "message"]].reset_index(drop=True)
    everything.attrs = {"kind": kind, "n_cases": n_cases}
    return everything


# --- opening -----------------------------------------------------------------------------------------------------


@dataclass
class _Sheet:
    """A source as it stands: cells by position, nothing interpreted yet."""

    name: str
    headings: list[str]
    cells: pd.DataFrame
    rows: npt.NDArray[np.int64]
    heading_row: int = 1
    decimal_comma: bool = False
    undecoded: bool = False  # some bytes were no UTF-8
    problems: list[tuple[int, str, str, str]] = field(default_factory=list)


def _problem_frame(problems: list[tuple[int, str, str, str]]) -> pd.DataFrame:
    return pd.DataFrame(problems, columns=_PROBLEM_COLUMNS)


def _refuse(name: str, row: int, value: str, allowed: str) -> NoReturn:
    raise InvalidData(_problem_frame([(row, "", value, allowed)]), name)


def _open(source: Source) -> _Sheet:
    if isinstance(source, pd.DataFrame):
        sheet = _from_frame(source, "the data frame")
    else:
        path = Path(source)
        readers = {".csv": _open_csv, ".tsv": _open_csv, ".xlsx": _open_excel, ".parquet": _open_parquet}
        reader = readers.get(path.suffix.lower())
        with path.open("rb"):  # a missing file or folder is the caller's mistake, not the data's
            pass
        if reader is None:
            _refuse(path.name, 1, path.suffix, "a file that ends in " + ", ".join(readers))
        sheet = reader(path)
    if not len(sheet.rows) and not sheet.problems:
        sheet.problems.append((sheet.heading_row, "", "", "at least one case below the heading"))
    return sheet


def _open_csv(path: Path) -> _Sheet:
    data = path.read_bytes()
    if b"\0" in data:
        row = data.count(b"\n", 0, data.index(b"\0")) + 1
        _refuse(path.name, row, "a byte 0", "text saved as UTF-8; this is another encoding or no text")
    text = data.decode("utf-8-sig", errors="replace")
    if not text.strip():
        _refuse(path.name, 1, "", "a heading and at least one case; the file is empty")
    separator = _separator(path.name, text)
    sheet = _Sheet(path.name, [], pd.DataFrame(), np.empty(0, np.int64))
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


def _records(sheet: _Sheet, text: str, separator: str) -> Iterator[tuple[int | str, ...]]:
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


def _open_excel(path: Path) -> _Sheet:
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
        [_cell_text(formula if value is None else value) for value, formula in zip(*pair, strict=True)]
        for pair in zip(values, formulas, strict=True)
    ]
    filled = [(row, cells) for row, cells in enumerate(grid, start=1) if any(cells)]
    if not filled:
        _refuse(path.name, 1, "", "a heading and at least one case; the sheet is empty")
    heading_row, headings = filled[0]
    width = max(len(cells) for _, cells in filled)
    padded = [cells + [""] * (width - len(cells)) for _, cells in filled[1:]]
    cells = pd.DataFrame(padded, columns=range(width), dtype="str")
    rows = np.array([row for row, _ in filled[1:]], np.int64)
    return _Sheet(path.name, headings + [""] * (width - len(headings)), cells, rows, heading_row)


def _sheet_rows(workbook: Any) -> list[tuple[Any, ...]]:
    sheet = workbook.worksheets[0]
    sheet.reset_dimensions()  # the size a file states may be wrong
    rows = list(sheet.iter_rows(values_only=True))
    workbook.close()
    return rows


def _open_parquet(path: Path) -> _Sheet:
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


def _from_frame(frame: pd.DataFrame, name: str) -> _Sheet:
    if any(level is not None for level in frame.index.names):
        frame = frame.reset_index()
    cells = frame.reset_index(drop=True).set_axis(range(frame.shape[1]), axis=1)
    return _Sheet(name, [str(heading) for heading in frame.columns], cells, np.arange(len(frame), dtype=np.int64) + 2)


# --- reading cells -----------------------------------------------------------------------------------------------


def _cell_text(value: object) -> str:
    """A cell as a CSV file would hold it."""
    if value is None or value is pd.NA or value is pd.NaT:
        return ""
    if isinstance(value, (bool, np.bool_)):
        return str(value).lower()
    if isinstance(value, int):
        return str(value)
    if isinstance(value, Real):
        number = float(value)
        return "" if np.isnan(number) else str(int(number)) if number.is_integer() else repr(number)
    if isinstance(value, datetime):
        value = value.replace(tzinfo=None)
        return value.date().isoformat() if value.time() == time() else value.isoformat(timespec="seconds")
    return value.isoformat() if isinstance(value, date) else str(value).strip()


@dataclass
class _Texts:
    """A column of texts, each different one only once: files repeat themselves, so this saves nearly all the work."""

    codes: npt.NDArray[np.int64]
    unique: pd.Series[str]

    @classmethod
    def of(cls, cells: pd.Series[Any]) -> _Texts:
        if not isinstance(cells.dtype, pd.StringDtype):
            cells = pd.Series([_cell_text(cell) for cell in cells], dtype="str")
        codes, unique = pd.factorize(cells.fillna("").str.strip())
        return cls(codes, pd.Series(unique, dtype="str"))


def _typed(cells: pd.Series[Any], kind: str) -> pd.Series[Any] | None:
    """The column as it is, if its type already says what the cells mean."""
    types = pd.api.types
    is_bool = types.is_bool_dtype(cells.dtype)
    is_number = types.is_numeric_dtype(cells.dtype) and not is_bool and not types.is_complex_dtype(cells.dtype)
    if (kind in ("number", "count", "flag") and is_number) or (kind == "flag" and is_bool):
        return pd.Series(cells.to_numpy(np.float64, na_value=np.nan))
    if kind == "date" and types.is_datetime64_any_dtype(cells.dtype):
        dates: pd.Series[Any] = cells.dt.tz_localize(None)
        return dates
    return None


def _uses_comma(texts: _Texts) -> bool:
    return bool((texts.unique.str.contains(",") & _is_number(texts.unique.str.replace(",", ".", regex=False))).any())


def _is_number(texts: pd.Series[str]) -> pd.Series[bool]:
    return texts.str.fullmatch(_NUMBER)


def _values(texts: pd.Series[str], column: str, mark: str) -> tuple[pd.Series[Any], pd.Series[bool]]:
    """What the texts of a column mean, blanks as NaN, and which of them mean nothing."""
    kind = _SCHEMA[column]["kind"]
    blank = texts == ""
    if kind == "date":
        written = texts.str.fullmatch(_DATE)
        dates = pd.to_datetime(texts.where(written), format="ISO8601", errors="coerce")
        return dates, dates.isna() & ~blank
    if kind in ("text", "word"):
        words = texts.str.lower() if kind == "word" else texts
        known = words.isin(_SCHEMA[column]["words"]) if kind == "word" else ~texts.str.contains(_REPLACED)
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
    if column == "canister_ml":
        drain = blank | (texts.str.lower() == "inf")
        numbers, bad = numbers.mask(drain, np.inf), bad & ~drain
    return numbers, bad & ~blank


def _hint(value: str, column: str, mark: str) -> str:
    """What may help with a cell that was refused."""
    kind = _SCHEMA[column]["kind"]
    if _REPLACED in value:
        return _NOT_UTF8
    if kind == "date" and re.fullmatch(_NUMBER, value):
        return f"; {value} looks like a spreadsheet's day number: format the cells as dates"
    if kind == "date" and re.fullmatch(r"\d{1,2}([./-])\d{1,2}\1\d{2,4}", value):
        return "; day and month cannot be told apart here"
    if kind not in ("number", "count"):
        return ""
    if mark == "," and "." in value and re.fullmatch(_NUMBER, value):
        return "; with a decimal comma, as elsewhere in the file"
    if mark == "." and "," in value and re.fullmatch(_NUMBER, value.replace(",", ".")):
        return "; a decimal comma is read only in files separated by semicolons or tabs"
    if _SCHEMA[column]["unit"] and re.fullmatch(_NUMBER + r"\s*[^\W\d_]+", value):
        return f"; the number alone, the column is in {_SCHEMA[column]['unit']}"
    return ""


# --- checking ----------------------------------------------------------------------------------------------------


@dataclass
class _Checked:
    frame: pd.DataFrame
    table: _core.CaseTable
    problems: pd.DataFrame
    warnings: pd.DataFrame


def _kind_of(sheet: _Sheet, mapping: Mapping[str, str]) -> Kind:
    columns, problems, _ = _core.match_headings(sheet.headings, "history", dict(mapping), sheet.heading_row)
    meant = {*columns, *problems["column"]}  # a misspelt time still shows a history
    return "history" if meant & _CASE_TIMES else "bookings"


def _check(sheet: _Sheet, kind: Kind, mapping: Mapping[str, str]) -> _Checked:
    names, heading_problems, heading_warnings = _core.match_headings(
        sheet.headings, kind, dict(mapping), sheet.heading_row
    )
    problems = [pd.DataFrame(heading_problems), _problem_frame(sheet.problems)]
    problems.append(_problem_frame(_problems_kept_out(sheet, names)))

    cells = {name: sheet.cells[position] for position, name in enumerate(names) if name and len(sheet.rows)}
    frame, cell_problems = _parse(sheet, {name: cells[name] for name in _SCHEMA if name in cells}, kind)
    problems.append(cell_problems)

    day = _days(frame["operated_on"]) if "operated_on" in frame else None
    today = (date.today() - date(1970, 1, 1)).days
    origin = _core.Origin(
        heading_row=sheet.heading_row, rows=sheet.rows, operated_on_day=day, today_day=np.nextafter(today + 1, 0)
    )
    table = _core.CaseTable(**{name: _for_table(frame[name]) for name in _TABLE_COLUMNS if name in frame})
    if "gland_ml" in frame:
        table_problems, table_warnings = _core.check_cases(table, kind, origin)
        problems.append(pd.DataFrame(table_problems))
    else:
        table_warnings = {column: [] for column in _WARNING_COLUMNS}
    for name in ("days_waiting", "due_by"):
        if name in frame:
            values = frame[name].to_numpy(np.float64) if name == "days_waiting" else _days(frame[name])
            problems.append(pd.DataFrame(_core.check_limits(name, values, kind, origin)))
    found = [pd.DataFrame(heading_warnings), pd.DataFrame(table_warnings)]
    if heading_problems["row"]:  # a time may be there under a refused heading
        found[1] = found[1][found[1]["kind"] != "no_time"]

    if kind == "history" and day is not None and "surgeon" in frame:
        found.append(pd.DataFrame(_core.derive_case_numbers(table, origin)))
        frame["surgeon_case_no"] = table.surgeon_case_no
        frame = frame[[name for name in _SCHEMA if name in frame]]
    return _Checked(frame, table, *_merge(problems, found, sheet.heading_row))


def _problems_kept_out(sheet: _Sheet, names: list[str]) -> list[tuple[int, str, str, str]]:
    """Values without a heading, and what is no UTF-8 in the headings or outside the columns that are read."""
    problems: list[tuple[int, str, str, str]] = []
    for position, (heading, name) in enumerate(zip(sheet.headings, names, strict=True)):
        if _REPLACED in heading:
            problems.append((sheet.heading_row, heading, heading, "text" + _NOT_UTF8))
        if name or not len(sheet.rows) or (heading.strip() and not sheet.undecoded):
            continue
        texts = _Texts.of(sheet.cells[position])
        if not heading.strip() and (texts.unique != "").any():
            problems.append((sheet.heading_row, "", "", f"a heading above column {position + 1}, which holds values"))
        for at in np.flatnonzero(texts.unique.str.contains(_REPLACED).to_numpy(bool)[texts.codes]):
            value = texts.unique[texts.codes[at]]
            problems.append((int(sheet.rows[at]), heading, value, "text" + _NOT_UTF8))
    return problems


def _parse(sheet: _Sheet, cells: Mapping[str, pd.Series[Any]], kind: Kind) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The columns as numbers, dates and texts, and the cells that are none; those are blank in the columns."""
    values: dict[str, pd.Series[Any]] = {}
    texts: dict[str, _Texts] = {}
    for name, column in cells.items():
        if isinstance(column.dtype, pd.CategoricalDtype):
            column = column.astype(column.cat.categories.dtype)
        typed = _typed(column, _SCHEMA[name]["kind"])
        if typed is None:
            texts[name] = _Texts.of(column)
        else:
            values[name] = typed.fillna(np.inf) if name == "canister_ml" else typed

    numeric = [column for name, column in texts.items() if _SCHEMA[name]["kind"] in ("number", "count")]
    mark = "," if sheet.decimal_comma and any(map(_uses_comma, numeric)) else "."
    problems = [_problem_frame([])]
    for name, text in texts.items():
        meaning, bad = _values(text.unique, name, mark)
        values[name] = meaning.mask(bad).take(text.codes).reset_index(drop=True)
        if not bad.any():
            continue
        at = np.flatnonzero(bad.to_numpy(bool)[text.codes])
        value = text.unique.take(text.codes[at]).reset_index(drop=True)
        allowed = _core.allowed_values(name, kind)
        hints = {refused: allowed + _hint(refused, name, mark) for refused in text.unique[bad]}
        rows = {"row": sheet.rows[at], "column": name, "value": value, "allowed": value.map(hints)}
        problems.append(pd.DataFrame(rows))
    return pd.DataFrame({name: values[name] for name in cells}), pd.concat(problems)


def _days(dates: pd.Series[Any]) -> Doubles:
    """Days since 1970-01-01, with the time of day as a fraction."""
    seconds = dates.to_numpy("datetime64[s]")
    return np.where(np.isnat(seconds), np.nan, seconds.astype(np.int64) / 86_400)


def _for_table(column: pd.Series[Any]) -> Doubles | list[str]:
    if pd.api.types.is_numeric_dtype(column.dtype):
        return column.to_numpy(np.float64)
    texts: list[str] = column.fillna("").tolist()
    return texts


def _merge(
    problems: list[pd.DataFrame], found: list[pd.DataFrame], heading_row: int
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Both lists in order of row. A refused cell is told once, and a row with a problem is not warned about."""
    refused = pd.concat(problems).astype({"row": np.int64})
    told = refused.duplicated(["row", "column"]) & (refused["row"] > heading_row)
    refused = refused[~told].sort_values("row", kind="stable", ignore_index=True)
    looks_wrong = pd.concat(found).astype({"row": np.int64})
    judged = looks_wrong["row"].isin(refused["row"]) & (looks_wrong["row"] > heading_row)
    return refused, looks_wrong[~judged].sort_values("row", kind="stable", ignore_index=True)


def _read(
    source: Source, kind: Kind, columns: Mapping[str, str] | None
) -> tuple[pd.DataFrame, _core.CaseTable, pd.DataFrame]:
    sheet = _open(source)
    checked = _check(sheet, kind, columns or {})
    if len(checked.problems):
        raise InvalidData(checked.problems, sheet.name)
    if len(checked.warnings):
        kinds = ", ".join(f"{kind} {count}" for kind, count in checked.warnings["kind"].value_counts().items())
        message = f"{sheet.name}: read with warnings, see .warnings: {kinds}"
        warnings.warn(message, DataWarning, stacklevel=3)
    return checked.frame, checked.table, checked.warnings
