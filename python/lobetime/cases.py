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
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from . import _core
from .device_classes import DeviceClasses, read_device_classes
from .identity import identity_findings, without
from .markup import Table, paragraph
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
    whole_text,
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
    rows: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    drain_assumed: npt.NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, np.bool_))

    def __post_init__(self) -> None:
        n = len(self.frame)
        if len(self.rows) != n:
            object.__setattr__(self, "rows", np.arange(n, dtype=np.int64) + 2)
        if len(self.drain_assumed) != n:
            object.__setattr__(self, "drain_assumed", np.zeros(n, np.bool_))

    def __len__(self) -> int:
        return len(self.frame)

    def __reduce__(self) -> tuple[Any, ...]:
        # The engine's table travels as its columns: data only.
        columns = {name: getattr(self.table, name) for name in _TABLE_COLUMNS}
        return _read_before, (type(self), self.frame, columns, self.warnings, self.rows, self.drain_assumed)

    def __repr__(self) -> str:
        facts = [f"{what}: {said}" for what, said in self.facts().items()][1:]
        return f"<{type(self).__name__}: {'; '.join([_counted(len(self), self._one), *facts])}>"

    def facts(self) -> dict[str, str]:
        """What was read, in words."""
        return _facts(self.frame, self._one, self.warnings)

    @property
    def notes(self) -> list[str]:
        """What was taken for granted in reading."""
        n = int(self.drain_assumed.sum())
        if not n:
            return []
        return [f"canister blank in {n} of {len(self)} rows: read as continuous drain"]

    @property
    def _one(self) -> str:
        return "booking" if isinstance(self, Bookings) else "case"

    def _repr_html_(self) -> str:
        return "\n".join(_pieces(self))


def _read_before(kind: type[_Read], frame: pd.DataFrame, columns: dict[str, Any], *rest: Any) -> _Read:
    return kind(frame, _core.CaseTable(**columns), *rest)


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
    rows : numpy.ndarray of int
        Row of each case in its file, the heading being row 1 (the first row of a data frame is row 2).
    drain_assumed : numpy.ndarray of bool
        Where a blank canister was read as a continuous drain.
    """

    def usual_booking(self, **changes: Any) -> pd.DataFrame:
        """A typical booking of the unit, to be changed: what ``TheatreTimeModel.predict`` takes.

        ``model.predict(cases.usual_booking(gland_ml=130))``; a list of values gives a row each:
        ``cases.usual_booking(gland_ml=[60, 130], surgeon="B")``.

        Columns: gland_ml (the median), surgeon, the blade, suction and canister most often used together, and
        anaesthesia, each as in most cases and left out where no case has it recorded; ``case_id`` says what was
        changed.

        Raises
        ------
        InvalidArgument
            For a column that no booking has, or lists of different lengths.
        """
        allowed = [name for name, column in _SCHEMA.items() if column["need"]["bookings"] in ("required", "optional")]
        unknown = [repr(name) for name in changes if name not in allowed]
        if unknown:
            raise _core.InvalidArgument(f"no booking has {', '.join(unknown)}; allowed: {', '.join(allowed)}")
        usual: dict[str, Any] = {"gland_ml": float(self.frame["gland_ml"].median())}
        for together in (["surgeon"], ["blade", "suction", "canister_ml"], ["anaesthesia"]):
            known = [name for name in together if name in self.frame and self.frame[name].notna().any()]
            if known:
                usual |= dict(zip(known, self.frame[known].value_counts().index[0], strict=True))
        listed = {
            name: list(values) for name, values in changes.items() if isinstance(values, (list, tuple, np.ndarray))
        }
        lengths = {len(values) for values in listed.values()}
        if len(lengths) > 1:
            raise _core.InvalidArgument(f"usual_booking: lists of different lengths: {', '.join(map(str, lengths))}")
        n = lengths.pop() if lengths else 1
        rows = []
        for k in range(n):
            one = {name: listed[name][k] if name in listed else value for name, value in changes.items()}
            said = ", ".join(f"{name} {value}" for name, value in one.items() if name != "case_id") or "usual"
            rows.append({"case_id": said} | usual | one)
        return pd.DataFrame(rows)


class Bookings(_Read):
    """Booked cases, checked. Same attributes as `Cases`."""


def _counted(n: int, one: str) -> str:
    return f"{n:,} {one}{'' if n == 1 else 's'}"


def operation_dates(frame: pd.DataFrame) -> pd.Series[Any]:
    """Days of operation that are known; those after today are slips (and warned of), and belong to no span of dates."""
    if "operated_on" not in frame:
        return pd.Series(dtype="datetime64[us]")
    dates = frame["operated_on"].dropna()
    return dates[dates <= pd.Timestamp(date.today())]


def span_of(dates: pd.Series[Any]) -> str:
    """The first and the last day, or nothing where there is none."""
    return f"{dates.min():%Y-%m-%d} to {dates.max():%Y-%m-%d}" if len(dates) else ""


def _facts(frame: pd.DataFrame, one: str, found: pd.DataFrame) -> dict[str, str]:
    glands = frame["gland_ml"]
    said = {f"{one}s": f"{len(frame):,}"}
    said["glands"] = f"median {glands.median():.0f} mL, {glands.min():g} to {glands.max():g}"
    if dates := span_of(operation_dates(frame)):
        said["operated"] = dates
    if "surgeon" in frame:
        said["surgeons"] = f"{frame['surgeon'].nunique()}"
    if {"blade", "suction"} <= set(frame.columns):
        classes = (frame["blade"] + "/" + frame["suction"]).dropna().value_counts()
        said["device classes"] = ", ".join(f"{name} {n}" for name, n in classes.items()) or "none recorded"
    times = {name.removesuffix("_min"): int(frame[name].notna().sum()) for name in frame if name in _CASE_TIMES}
    if times:
        said["times recorded"] = ", ".join(f"{name} {n}" for name, n in times.items() if n) or "none"
    said["looks wrong"] = _counted(len(found), "value")
    return said


def _pieces(read: _Read) -> list[str]:
    """A notebook's view: what was read, what was taken for granted, and what looks wrong, by kind."""
    facts = Table(f"{type(read).__name__}, as read", ["what", "says"], [(k, v) for k, v in read.facts().items()])
    pieces = [facts.to_html(), *map(paragraph, read.notes)]
    if len(read.warnings):
        rows = []
        for kind, group in read.warnings.groupby("kind", sort=False):
            at = sorted(set(group["row"]))
            more = f" and {len(at) - 5} more" if len(at) > 5 else ""
            rows.append((str(kind).replace("_", " "), f"{len(group)}", ", ".join(map(str, at[:5])) + more))
        pieces.append(Table("What looks wrong, and was kept", ["what", "values", "rows"], rows, right=[1]).to_html())
        pieces.append(paragraph("A fit gives little weight to what lies far off; .warnings holds each of them."))
    return pieces


def read_cases(
    source: Source,
    *,
    columns: Mapping[str, str] | None = None,
    device_classes: DeviceClasses | Source | None = None,
    drop: Collection[str] = (),
    quiet: bool = False,
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
    quiet : bool
        Whether to leave what looks wrong to ``.warnings`` and to what a notebook shows of the cases, without a warning.

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
        Once, if anything looks wrong and not ``quiet``; the details are in ``.warnings``.
    """
    return Cases(*_read(source, "history", columns, device_classes, drop, quiet))


def read_bookings(
    source: Source,
    *,
    columns: Mapping[str, str] | None = None,
    device_classes: DeviceClasses | Source | None = None,
    drop: Collection[str] = (),
    quiet: bool = False,
) -> Bookings:
    """Read booked cases; as `read_cases`, but only ``gland_ml`` must be there.

    ``case_id`` must be unique where given. Times and other columns that only past cases have are kept out with a
    warning.
    """
    return Bookings(*_read(source, "bookings", columns, device_classes, drop, quiet))


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
    drain_assumed: npt.NDArray[np.bool_]


def _kind_of(sheet: Sheet, mapping: Mapping[str, str]) -> Kind:
    columns, problems, _ = _core.match_headings(sheet.headings, "history", _told(mapping), sheet.heading_row)
    meant = {*columns, *problems["column"]}  # a misspelt time still shows a history
    return "history" if meant & _CASE_TIMES else "bookings"


def _told(mapping: Mapping[str, str]) -> dict[str, str]:
    return {whole_text(name): whole_text(heading) for name, heading in mapping.items()}


def _columns(kind: Kind) -> dict[str, Column]:
    def column(name: str, rules: Mapping[str, Any]) -> Column:
        allowed = _core.allowed_values(name, kind)
        return Column(name, rules["kind"], allowed, rules["unit"], tuple(rules["words"]), name == "canister_ml")

    return {name: column(name, rules) for name, rules in _SCHEMA.items()}


def _check(
    sheet: Sheet, kind: Kind, mapping: Mapping[str, str], device_classes: DeviceClasses | None = None
) -> _Checked:
    names, heading_problems, heading_warnings = _core.match_headings(
        sheet.headings, kind, _told(mapping), sheet.heading_row
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
    assumed = np.zeros(len(frame), np.bool_)
    if "canister_ml" in frame:
        assumed = frame["canister_ml"].isna().to_numpy()
        frame["canister_ml"] = frame["canister_ml"].fillna(np.inf)

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
    return _Checked(frame, table, *merge_findings(problems, found, sheet.heading_row), assumed)


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
    quiet: bool = False,
) -> tuple[pd.DataFrame, _core.CaseTable, pd.DataFrame, npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    sheet = without(open_sheet(source, "case"), drop)
    classes = None if device_classes is None else read_device_classes(device_classes)
    checked = _check(sheet, kind, columns or {}, classes)
    told = checked.warnings.head(0) if quiet else checked.warnings
    refuse_or_warn(sheet.name, checked.problems, told, stacklevel=3)
    return checked.frame, checked.table, checked.warnings, sheet.rows, checked.drain_assumed
