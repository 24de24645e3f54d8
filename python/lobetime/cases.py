"""Reading a unit's past cases and its bookings.

The rules (columns, units, limits, what looks wrong) live in the compiled part and hold for C++ as well. Here headings
are matched and texts turned into numbers, guessing nothing:

- a file is refused as a whole, with *every* problem it has (row, column, value, what is allowed);
- what only looks wrong is a named warning and stays in;
- nothing is dropped, clipped or rounded.

Files are opened and their cells read by `reading`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal, TypeAlias

import numpy as np
import pandas as pd

from . import _core
from .device_classes import DeviceClasses, read_device_classes
from .identity import identity_findings, without
from .reading import (
    WARNING_COLUMNS,
    Column,
    DataWarning,
    Doubles,
    InvalidData,
    Sheet,
    Source,
    merge_findings,
    open_sheet,
    parse,
    problem_frame,
    problems_kept_out,
    refuse_or_warn,
)

__all__ = [
    "KNOWN_AT_BOOKING",
    "Bookings",
    "Cases",
    "DataWarning",
    "InvalidData",
    "Kind",
    "check_file",
    "read_bookings",
    "read_cases",
]

Kind: TypeAlias = Literal["history", "bookings"]

_SCHEMA = {str(column["name"]): column for column in _core.columns()}
_TABLE_COLUMNS = [name for name in _SCHEMA if hasattr(_core.CaseTable, name)]
_CASE_TIMES = {name for name, column in _SCHEMA.items() if column["is_case_time"]}

KNOWN_AT_BOOKING = (
    *("case_id", "surgeon", "surgeon_case_no", "gland_ml", "blade", "suction", "device", "canister_ml"),
    *("trainee", "anticoagulated", "anaesthesia"),
)
"""Columns of a past case that were known before it: what a prediction of it may look at."""


@dataclass(frozen=True, repr=False, eq=False)
class _Read:
    frame: pd.DataFrame
    table: _core.CaseTable
    warnings: pd.DataFrame

    def __len__(self) -> int:
        return len(self.frame)

    def __reduce__(self) -> tuple[Any, ...]:
        # The engine's table travels as its columns: data only.
        columns = {name: getattr(self.table, name) for name in _TABLE_COLUMNS}
        return _read_before, (type(self), self.frame, columns, self.warnings)

    def __repr__(self) -> str:
        gland = self.frame["gland_ml"]
        parts = [f"{len(self)} {'case' if len(self) == 1 else 'cases'}", f"gland {gland.min():g} to {gland.max():g} mL"]
        if "surgeon" in self.frame:
            parts.append(f"surgeons: {self.frame['surgeon'].nunique()}")
        parts.append(f"warnings: {len(self.warnings)}")
        return f"<{type(self).__name__}: {', '.join(parts)}>"


def _read_before(kind: type[_Read], frame: pd.DataFrame, columns: dict[str, Any], warnings: pd.DataFrame) -> _Read:
    return kind(frame, _core.CaseTable(**columns), warnings)


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


def read_cases(
    source: Source,
    *,
    columns: Mapping[str, str] | None = None,
    device_classes: DeviceClasses | Source | None = None,
    drop: Collection[str] = (),
) -> Cases:
    """Read past cases from a CSV, Excel or Parquet file, or from a data frame.

    Parameters
    ----------
    source : path or DataFrame
        A table of pandas, polars, pyarrow or any other library that narwhals knows; or a file:
        ``.csv`` or ``.tsv`` (UTF-8; comma, semicolon or tab, as the heading line shows; a decimal comma with the
        latter two only), ``.xlsx`` (first sheet) or ``.parquet``.
    columns : mapping, optional
        The unit's own headings: ``{"gland_ml": "Prostate size"}``. Values stay in the unit the column's name says.
    device_classes : DeviceClasses, path or pandas.DataFrame, optional
        Blade motions and suctions of the unit's own, see :func:`read_device_classes`.
    drop : collection of str, optional
        Headings of columns that are not looked at, as if the source did not have them. Columns that can identify a
        patient, by heading or by the shape of their values, are problems unless they are named here.

    Notes
    -----
    ``gland_ml`` and at least one time (``enucleation_min``, ``haemostasis_min``, ``morcellation_min``,
    ``operative_min``, ``theatre_min``) must be there. A heading counts as a column if it is that name in any case, with
    spaces or hyphens for underscores. Other headings are kept out with a warning; those that are nearly a column, or
    the column in another unit, are problems. So are columns that can identify a patient, whatever their heading: a
    ``case_id`` that holds names or national numbers is one.

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
    return Cases(*_read(source, "history", columns, device_classes, drop))


def read_bookings(
    source: Source,
    *,
    columns: Mapping[str, str] | None = None,
    device_classes: DeviceClasses | Source | None = None,
    drop: Collection[str] = (),
) -> Bookings:
    """Read booked cases; as `read_cases`, but only ``gland_ml`` must be there.

    ``case_id`` must be unique where given. Times and other columns that only past cases have are kept out with a
    warning.
    """
    return Bookings(*_read(source, "bookings", columns, device_classes, drop))


def check_file(
    source: Source,
    kind: Kind | None = None,
    *,
    columns: Mapping[str, str] | None = None,
    device_classes: DeviceClasses | Source | None = None,
    drop: Collection[str] = (),
) -> pd.DataFrame:
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
    classes = None if device_classes is None else read_device_classes(device_classes)
    try:
        sheet = without(open_sheet(source, "case"), drop)
    except InvalidData as refused:
        problems, found, n_cases = refused.problems, pd.DataFrame(columns=WARNING_COLUMNS), 0
    else:
        kind = kind or _kind_of(sheet, columns or {})
        checked = _check(sheet, kind, columns or {}, classes)
        problems, found, n_cases = checked.problems, checked.warnings, len(sheet.rows)
    problems = problems.rename(columns={"allowed": "message"}).assign(severity="problem", kind="")
    everything = pd.concat([problems, found.assign(severity="warning")]).sort_values("row", kind="stable")
    everything = everything[["row", "column", "value", "severity", "kind", "message"]].reset_index(drop=True)
    everything.attrs = {"kind": kind, "n_cases": n_cases}
    return everything


# --- checking ----------------------------------------------------------------------------------------------------


@dataclass
class _Checked:
    frame: pd.DataFrame
    table: _core.CaseTable
    problems: pd.DataFrame
    warnings: pd.DataFrame


def _kind_of(sheet: Sheet, mapping: Mapping[str, str]) -> Kind:
    columns, problems, _ = _core.match_headings(sheet.headings, "history", dict(mapping), sheet.heading_row)
    meant = {*columns, *problems["column"]}  # a misspelt time still shows a history
    return "history" if meant & _CASE_TIMES else "bookings"


def _columns(kind: Kind) -> dict[str, Column]:
    def column(name: str, rules: Mapping[str, Any]) -> Column:
        drains = name == "canister_ml"
        blank = np.inf if drains else np.nan
        allowed = _core.allowed_values(name, kind)
        return Column(name, rules["kind"], allowed, rules["unit"], tuple(rules["words"]), drains, blank)

    return {name: column(name, rules) for name, rules in _SCHEMA.items()}


def _check(
    sheet: Sheet, kind: Kind, mapping: Mapping[str, str], device_classes: DeviceClasses | None = None
) -> _Checked:
    names, heading_problems, heading_warnings = _core.match_headings(
        sheet.headings, kind, dict(mapping), sheet.heading_row
    )
    identity, doubts, names = identity_findings(sheet, names)
    identifying = {heading for _, _, heading, _ in identity}  # of which the compiled part may speak, too
    refused = pd.DataFrame(heading_problems)
    problems = [refused[~refused["value"].isin(identifying)], problem_frame(identity), problem_frame(sheet.problems)]
    problems.append(problem_frame(problems_kept_out(sheet, names)))
    if device_classes is not None:
        names = device_classes.translate(sheet, names)

    frame, cell_problems = parse(sheet, names, _columns(kind))
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
        table_warnings = {column: [] for column in WARNING_COLUMNS}
    for name in ("days_waiting", "due_by"):
        if name in frame:
            values = frame[name].to_numpy(np.float64) if name == "days_waiting" else _days(frame[name])
            problems.append(pd.DataFrame(_core.check_limits(name, values, kind, origin)))
    unknown = pd.DataFrame(heading_warnings)
    found = [unknown[~unknown["value"].isin(identifying)], pd.DataFrame(table_warnings)]
    found.append(pd.DataFrame(doubts, columns=WARNING_COLUMNS))
    if heading_problems["row"]:  # a time may be there under a refused heading
        found[1] = found[1][found[1]["kind"] != "no_time"]

    if kind == "history" and day is not None and "surgeon" in frame:
        found.append(pd.DataFrame(_core.derive_case_numbers(table, origin)))
        frame["surgeon_case_no"] = table.surgeon_case_no
        frame = frame[[name for name in _SCHEMA if name in frame]]
    return _Checked(frame, table, *merge_findings(problems, found, sheet.heading_row))


def _days(dates: pd.Series[Any]) -> Doubles:
    """Days since 1970-01-01, with the time of day as a fraction."""
    seconds = dates.to_numpy("datetime64[s]")
    return np.where(np.isnat(seconds), np.nan, seconds.astype(np.int64) / 86_400)


def _for_table(column: pd.Series[Any]) -> Doubles | list[str]:
    if pd.api.types.is_numeric_dtype(column.dtype):
        return column.to_numpy(np.float64)
    texts: list[str] = column.fillna("").tolist()
    return texts


def _read(
    source: Source,
    kind: Kind,
    columns: Mapping[str, str] | None,
    device_classes: DeviceClasses | Source | None = None,
    drop: Collection[str] = (),
) -> tuple[pd.DataFrame, _core.CaseTable, pd.DataFrame]:
    sheet = without(open_sheet(source, "case"), drop)
    classes = None if device_classes is None else read_device_classes(device_classes)
    checked = _check(sheet, kind, columns or {}, classes)
    refuse_or_warn(sheet.name, checked.problems, checked.warnings, stacklevel=3)
    return checked.frame, checked.table, checked.warnings
