"""Reading the sessions of a plan, and what there is of sets, canisters and irrigation.

Both are read as cases and bookings are: a file is refused as a whole with every problem it has, what only looks wrong
is a named warning and stays in, nothing is guessed. Which days have passed is the planner's to judge.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from .. import _core
from ..identity import without
from ..reading import (
    WARNING_COLUMNS,
    Column,
    Doubles,
    Problem,
    Sheet,
    Source,
    merge_findings,
    open_sheet,
    parse,
    problem_frame,
    problems_kept_out,
    refuse_or_warn,
)
from ._outputs import rows_of
from .headings import match_headings

__all__ = ["Sessions", "Stock", "read_sessions", "read_stock"]

_SECOND_MIN = 1.0 / 60.0  # minutes and ends_at that lie this close agree
_DAY_MIN = 1440.0
_LONG_SESSION_MIN = 720.0
_LOOKS_LIKE_HOURS = 12.0
_EARLY_HOUR, _LATE_HOUR = 6, 20
_MANY_LITRES = 2000.0
_FIRST_DAY = pd.Timestamp("1990-01-01")


@dataclass(frozen=True)
class _ListColumn(Column):
    """A column with its limits; a required one may not be blank."""

    low: float = -np.inf
    high: float = np.inf
    low_included: bool = True
    high_included: bool = True
    required: bool = False

    def inside(self, values: Doubles) -> npt.NDArray[np.bool_]:
        """Which values keep the limits; a blank keeps none."""
        above = values >= self.low if self.low_included else values > self.low
        below = values <= self.high if self.high_included else values < self.high
        whole = (values == np.floor(values)) | (self.kind != "count")
        keeps: npt.NDArray[np.bool_] = np.isfinite(values) & whole & above & below
        keeps |= self.infinite & (values == np.inf)
        return keeps


def _text(name: str, *, required: bool = False) -> _ListColumn:
    return _ListColumn(name, "text", "text" if required else "text, or blank", required=required)


def _number(
    name: str,
    unit: str,
    low: float,
    high: float = np.inf,
    *,
    low_included: bool = True,
    high_included: bool = True,
    kind: str = "number",
    required: bool = False,
    inf: str = "",
) -> _ListColumn:
    """A column of numbers; ``inf`` says what inf means, where it may be."""
    words = "a whole number" if kind == "count" else "a number"
    if high == np.inf:
        words += f" of at least {low:g}" if low_included else f" above {low:g}"
    elif low_included:
        words += f" from {low:g} to {high:g}"
    else:
        words += f" above {low:g} and " + (f"at most {high:g}" if high_included else f"below {high:g}")
    words += f" {unit}" if unit else ""
    words += f", inf for {inf}" if inf else ""
    words += "" if required else ", or blank"
    return _ListColumn(
        name,
        kind,
        words,
        unit,
        infinite=bool(inf),
        low=low,
        high=high,
        low_included=low_included,
        high_included=high_included,
        required=required,
    )


def _time(name: str, kind: str, *, required: bool = False) -> _ListColumn:
    words = "a date written YYYY-MM-DD" if kind == "date" else "a date and time written YYYY-MM-DDTHH:MM"
    words += f", not before {_FIRST_DAY:%Y-%m-%d}"
    return _ListColumn(name, kind, words if required else words + ", or blank", required=required)


def _words(name: str, words: tuple[str, ...], *, required: bool = False) -> _ListColumn:
    listed = ", ".join(words[:-1]) + " or " + words[-1]
    return _ListColumn(name, "word", listed if required else listed + ", or blank", words=words, required=required)


def _words_of_cases(name: str) -> _ListColumn:
    (words,) = (column["words"] for column in _core.columns() if column["name"] == name)
    return _words(name, tuple(words))


def _by_name(*columns: _ListColumn) -> dict[str, _ListColumn]:
    return {column.name: column for column in columns}


_SESSION_COLUMNS = _by_name(
    _text("session_id", required=True),
    _time("starts_at", "moment", required=True),
    _number("minutes", "min", 0.0, _DAY_MIN, low_included=False),
    _time("ends_at", "moment"),
    _text("room"),
    _text("surgeon"),
    _words_of_cases("blade"),
    _words_of_cases("suction"),
    _number("canister_ml", "mL", 100.0, 100_000.0, inf="a continuous drain"),
    _words_of_cases("anaesthesia"),
    _number("max_overtime_min", "min", 0.0),
    _number("overrun_risk", "", 0.0, 1.0, low_included=False, high_included=False),
    _number("max_large", "", 0.0, kind="count"),
    _number("max_gland_ml", "mL", 0.0, low_included=False),
    _number("max_cases", "", 1.0, 12.0, kind="count"),
)
_STOCK_COLUMNS = _by_name(
    _time("day", "date"),
    _words("what", ("device_set", "canister", "irrigation_l"), required=True),
    _words_of_cases("blade"),
    _words_of_cases("suction"),
    _number("canister_ml", "mL", 100.0, 100_000.0),
    _number("amount", "", 0.0, required=True),
    _number("reprocess_min", "min", 0.0),
)
_ONLY_FOR = {"blade": "device_set", "suction": "device_set", "reprocess_min": "device_set", "canister_ml": "canister"}


@dataclass(frozen=True, repr=False, eq=False)
class _Read:
    frame: pd.DataFrame
    warnings: pd.DataFrame

    def __len__(self) -> int:
        return len(self.frame)


class Sessions(_Read):
    """Sessions, checked.

    Attributes
    ----------
    frame : pandas.DataFrame
        One row a session, in the order of the source, with all columns: ``session_id``, ``starts_at``, ``minutes``,
        ``ends_at``, ``room``, ``surgeon``, ``blade``, ``suction``, ``canister_ml``, ``anaesthesia``,
        ``max_overtime_min``, ``overrun_risk``, ``max_large``, ``max_gland_ml``, ``max_cases``. Blanks are NaN in
        numbers and "" in texts; ``minutes`` and ``ends_at`` are always there. A continuous drain has ``canister_ml``
        inf.
    warnings : pandas.DataFrame
        What looks wrong and was kept: ``row``, ``column``, ``value``, ``kind``, ``message``.
    """

    def __repr__(self) -> str:
        days = self.frame["starts_at"].dt.strftime("%Y-%m-%d")
        count = f"{len(self)} session{'' if len(self) == 1 else 's'}"
        surgeons = self.frame.loc[self.frame["surgeon"] != "", "surgeon"].nunique()
        span = f"{days.min()} to {days.max()}"
        return f"<Sessions: {count}, {span}, surgeons: {surgeons}, warnings: {len(self.warnings)}>"


class Stock(_Read):
    """Sets, canisters and irrigation that there are, checked.

    Attributes
    ----------
    frame : pandas.DataFrame
        One row a resource, in the order of the source, with all columns: ``day``, ``what``, ``blade``, ``suction``,
        ``canister_ml``, ``amount``, ``reprocess_min``. Blanks are NaT, NaN in numbers and "" in texts.
    warnings : pandas.DataFrame
        What looks wrong and was kept: ``row``, ``column``, ``value``, ``kind``, ``message``.
    """

    def __repr__(self) -> str:
        kinds = ", ".join(f"{what} {count}" for what, count in self.frame["what"].value_counts(sort=False).items())
        count = f"{len(self)} row{'' if len(self) == 1 else 's'}"
        return f"<Stock: {count}, {kinds}, warnings: {len(self.warnings)}>"


def read_sessions(source: Source, *, columns: Mapping[str, str] | None = None, drop: Collection[str] = ()) -> Sessions:
    """Read sessions from a CSV, Excel or Parquet file, or from a data frame.

    Parameters
    ----------
    source : path or pandas.DataFrame
        As for `read_cases`; one row a session.
    columns : mapping, optional
        The unit's own headings: ``{"starts_at": "Session start"}``. Values stay in the unit the column's name says.
    drop : collection of str, optional
        Headings of columns that are not looked at, as for `read_cases`.

    Notes
    -----
    ``session_id``, ``starts_at`` and one of ``minutes`` and ``ends_at`` must be there; times are those of the clock on
    the wall, YYYY-MM-DDTHH:MM without a time zone. A blank ``surgeon`` means each booking's own; blank ``blade``,
    ``suction`` and ``canister_ml`` what the booking says; blank ``anaesthesia`` any; other blanks what the plan says.
    Sessions of one surgeon, or in one room, must not overlap.

    Raises
    ------
    InvalidData
        With every problem of the source.

    Warns
    -----
    DataWarning
        Once, if anything looks wrong; the details are in ``.warnings``.
    """
    return Sessions(*_SessionTable(without(open_sheet(source, "session"), drop), columns or {}).finish())


def read_stock(source: Source, *, columns: Mapping[str, str] | None = None, drop: Collection[str] = ()) -> Stock:
    """Read what there is a day of device sets, canisters and irrigation.

    Parameters
    ----------
    source : path or pandas.DataFrame
        As for `read_cases`; one row a resource.
    columns : mapping, optional
        The unit's own headings, as for `read_sessions`.
    drop : collection of str, optional
        Headings of columns that are not looked at, as for `read_cases`.

    Notes
    -----
    ``what`` (device_set, canister, irrigation_l) and ``amount`` (sets, canisters, litres) must be there. A blank
    ``day`` means every day that no other row of the same kind names. ``blade``, ``suction`` and ``reprocess_min``
    belong to device sets, ``canister_ml`` to canisters; blank means any. Without ``reprocess_min`` a used set is not
    back the same day.

    Raises
    ------
    InvalidData
        With every problem of the source.

    Warns
    -----
    DataWarning
        Once, if anything looks wrong; the details are in ``.warnings``.
    """
    return Stock(*_StockTable(without(open_sheet(source, "resource"), drop), columns or {}).finish())


class _Table:
    """A sheet turned into its columns, and what was found on the way."""

    columns: Mapping[str, _ListColumn]
    one_of: tuple[str, ...] = ()

    def __init__(self, sheet: Sheet, mapping: Mapping[str, str]) -> None:
        self.sheet = sheet
        self._late: list[Problem] = []  # of cells that can be read, seen with others
        required = [name for name, column in self.columns.items() if column.required]
        names, told, self._looks_wrong = match_headings(sheet, self.columns, mapping, required, self.one_of)
        given = {name for name in names if name}
        parsed, cell_problems = parse(sheet, names, self.columns)
        found = {name: parsed[name] for name in self.columns if name in parsed}
        limits = problem_frame([problem for name in found for problem in self._limits(name, found[name])])
        self._problems = [problem_frame([*told, *sheet.problems, *problems_kept_out(sheet, names)])]
        self._problems += [cell_problems, limits]
        self._refused = {
            *zip(cell_problems["row"], cell_problems["column"], strict=True),
            *zip(limits["row"], limits["column"], strict=True),
        }
        self.frame = pd.DataFrame({name: self._whole_column(name, found.get(name)) for name in self.columns})
        self.check(given)

    def check(self, given: set[str]) -> None:
        """Tell what is wrong between cells, and what looks wrong."""
        raise NotImplementedError

    def finish(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """The frame and its warnings, unless there is a problem."""
        problems, found = merge_findings(
            [*self._problems, problem_frame(self._late)],
            [pd.DataFrame(self._looks_wrong, columns=WARNING_COLUMNS)],
            self.sheet.heading_row,
        )
        refuse_or_warn(self.sheet.name, problems, found, stacklevel=3)
        return self.frame, found

    def refuse(self, i: int, column: str, value: object, allowed: str) -> None:
        """Tell a problem of row i of the frame."""
        row = int(self.sheet.rows[i])
        self._late.append((row, column, _shown(value), allowed))
        self._refused.add((row, column))

    def warn(self, i: int, column: str, value: object, kind: str, message: str) -> None:
        """Tell what looks wrong in row i of the frame."""
        self._looks_wrong.append((int(self.sheet.rows[i]), column, _shown(value), kind, message))

    def was_refused(self, i: int, *columns: str) -> bool:
        """Whether a problem of row i and one of the columns was told."""
        return any((int(self.sheet.rows[i]), column) in self._refused for column in columns)

    def _limits(self, name: str, values: pd.Series[Any]) -> Iterator[Problem]:
        column = self.columns[name]
        blank = values.isna().to_numpy(bool)
        if column.kind in ("number", "count"):
            inside = column.inside(values.to_numpy(np.float64))
        elif column.kind in ("date", "moment"):
            inside = (values >= _FIRST_DAY).to_numpy(bool)
            if column.kind == "date":
                inside = inside & (values == values.dt.normalize()).to_numpy(bool)
        else:
            inside = ~blank
        for i in np.flatnonzero(~inside & (column.required | ~blank)):
            hint = "; a share: 20 % is 0.2" if name == "overrun_risk" else ""
            shown = _shown(values.iloc[i])
            if column.kind == "date":
                shown = shown.removesuffix("T00:00")
            yield int(self.sheet.rows[i]), name, shown, column.allowed + hint

    def _whole_column(self, name: str, values: pd.Series[Any] | None) -> pd.Series[Any]:
        """The column as the frame has it, blank where a value was refused."""
        kind, rows = self.columns[name].kind, range(len(self.sheet.rows))
        refused = np.array([self.was_refused(i, name) for i in rows], bool)
        whole: pd.Series[Any]
        if kind in ("text", "word"):
            whole = pd.Series("", index=rows, dtype="str") if values is None else values.fillna("").astype("str")
            return whole.mask(refused, "")
        if kind in ("date", "moment"):
            whole = pd.Series(pd.NaT, index=rows) if values is None else values
            return whole.astype("datetime64[us]").mask(refused)
        whole = pd.Series(np.nan, index=rows) if values is None else values
        return whole.astype(np.float64).mask(refused)


class _SessionTable(_Table):
    columns = _SESSION_COLUMNS
    one_of = ("minutes", "ends_at")

    def check(self, given: set[str]) -> None:
        typed = self.frame["minutes"].notna().to_numpy(bool)
        self._own_ids()
        self._fill_ends(given)
        for column in ("surgeon", "room"):
            self._one_at_a_time(column)
        for i, session in enumerate(rows_of(self.frame)):
            self._looks(i, session, "minutes" if typed[i] else "ends_at")

    def _own_ids(self) -> None:
        first: dict[str, int] = {}
        for i, name in enumerate(self.frame["session_id"]):
            if name in first:
                self.refuse(i, "session_id", name, f"an id of its own; row {self.sheet.rows[first[name]]} has this one")
            elif name:
                first[name] = i

    def _fill_ends(self, given: set[str]) -> None:
        """Minutes from ends_at and the reverse; both given must agree."""
        frame = self.frame
        told_min = (frame["ends_at"] - frame["starts_at"]).dt.total_seconds() / 60.0
        # A fraction of a microsecond is lost here and nowhere else: minutes stay as they were given.
        due = (frame["starts_at"] + pd.to_timedelta(frame["minutes"], unit="min")).astype("datetime64[us]")
        for i, session in enumerate(rows_of(frame)):
            start, minutes = session.starts_at, session.minutes
            if pd.isna(session.ends_at):
                if np.isnan(minutes) and given & set(self.one_of) and not self.was_refused(i, "ends_at"):
                    allowed = self.columns["minutes"].allowed.removesuffix(", or blank")
                    self.refuse(i, "minutes", "", f"{allowed}, or a date and time in ends_at")
            elif pd.isna(start):
                continue
            elif session.ends_at <= start:
                self.refuse(i, "ends_at", session.ends_at, f"later than starts_at, {_shown(start)}")
            elif abs(told_min[i] - minutes) > _SECOND_MIN:
                allowed = f"{_shown(due[i])}, since minutes is {_shown(minutes)}; or one of them blank"
                self.refuse(i, "ends_at", session.ends_at, allowed)
            elif np.isnan(minutes) and told_min[i] > _DAY_MIN:
                self.refuse(i, "ends_at", session.ends_at, f"at most 1440 min after starts_at, {_shown(start)}")
        frame["minutes"] = frame["minutes"].fillna(told_min)
        # An end that was refused says nothing about what overlaps.
        refused = np.array([self.was_refused(i, "ends_at") for i in range(len(frame))], bool)
        frame["ends_at"] = frame["ends_at"].fillna(due).mask(refused)

    def _one_at_a_time(self, column: str) -> None:
        timed = self.frame[(self.frame["ends_at"] > self.frame["starts_at"]) & (self.frame[column] != "")]
        for who, own in timed.sort_values("starts_at", kind="stable").groupby(column, sort=False):
            last: tuple[int, Any] | None = None  # of those that started before, the one that ends last
            for i, session in zip(own.index, rows_of(own), strict=True):
                if last is not None and session.starts_at < last[1].ends_at:
                    both = f"{_span(session)} overlaps {_span(last[1])} of row {self.sheet.rows[last[0]]}"
                    self.refuse(int(i), column, who, f"one session of this {column} at a time; {both}")
                if last is None or session.ends_at > last[1].ends_at:
                    last = int(i), session

    def _looks(self, i: int, session: Any, length: str) -> None:
        value = getattr(session, length)
        if session.minutes > _LONG_SESSION_MIN:
            self.warn(i, length, value, "session_suspicious", "a session of more than 12 h")
        elif session.minutes <= _LOOKS_LIKE_HOURS and length == "minutes":
            self.warn(i, length, value, "hours_not_minutes", "very short: typed in hours?")
        elif session.minutes <= _LOOKS_LIKE_HOURS:
            self.warn(i, length, value, "session_suspicious", "a session of 12 min or less")
        if pd.isna(session.starts_at):
            return
        hours = (session.starts_at - session.starts_at.normalize()) / pd.Timedelta(hours=1)
        if not _EARLY_HOUR <= hours <= _LATE_HOUR:
            message = "a session that starts before 06:00 or after 20:00"
            self.warn(i, "starts_at", session.starts_at, "start_suspicious", message)


class _StockTable(_Table):
    columns = _STOCK_COLUMNS

    def check(self, given: set[str]) -> None:
        first: dict[tuple[str, ...], int] = {}
        for i, thing in enumerate(rows_of(self.frame)):
            if not thing.what:
                continue
            self._belongs(i, thing)
            self._looks(i, thing)
            # A row whose day or thing could not be read may be another day or thing.
            if not self.was_refused(i, "day", "blade", "suction", "canister_ml"):
                self._stands_once(i, thing, first)

    def _belongs(self, i: int, thing: Any) -> None:
        for column, what in _ONLY_FOR.items():
            value = getattr(thing, column)
            if thing.what != what and _shown(value):
                self.refuse(i, column, value, f"blank: only a {what} has it")
        if thing.what != "irrigation_l" and thing.amount % 1 > 0:
            self.refuse(i, "amount", thing.amount, f"a whole number of at least 0, as of every {thing.what}")

    def _stands_once(self, i: int, thing: Any, first: dict[tuple[str, ...], int]) -> None:
        key = tuple(_shown(x) for x in (thing.day, thing.what, thing.blade, thing.suction, thing.canister_ml))
        if key in first:
            when = f"on {thing.day:%Y-%m-%d}" if key[0] else "without a day"
            allowed = f"one row for this thing {when}; row {self.sheet.rows[first[key]]} is one"
            self.refuse(i, "what", thing.what, allowed)
        first.setdefault(key, i)

    def _looks(self, i: int, thing: Any) -> None:
        if thing.amount == 0:
            self.warn(i, "amount", thing.amount, "amount_zero", "none: no case that needs it can be planned")
        elif thing.what == "irrigation_l" and thing.amount > _MANY_LITRES:
            self.warn(i, "amount", thing.amount, "amount_suspicious", "very much: typed in millilitres?")
        if 0 < thing.reprocess_min <= _LOOKS_LIKE_HOURS:
            self.warn(i, "reprocess_min", thing.reprocess_min, "hours_not_minutes", "very short: typed in hours?")


def _shown(value: Any) -> str:
    """A value as a file would hold it."""
    if pd.isna(value):
        return ""
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%dT%H:%M:%S}".removesuffix(":00")
    return value if isinstance(value, str) else f"{value:.15g}"


def _span(session: Any) -> str:
    return f"{session.session_id} ({_shown(session.starts_at)} to {_shown(session.ends_at)})"
