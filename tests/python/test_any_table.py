"""Any table that pandas can hold, and any bytes that call themselves CSV, load or are refused with row and column.

What loads is held against what each cell says, read here by rules of this file alone: nothing was coerced, dropped or
rounded on the way.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

import lobetime as lt
from lobetime import _core
from lobetime.lists import sessions


@dataclass(frozen=True)
class Reader:
    """What reads, and what its columns are."""

    read: Callable[..., Any]
    kinds: dict[str, str]
    words: dict[str, list[str]]
    needed: tuple[str, ...]
    filled: dict[str, str]  # columns that another fills where they are blank


CASE_KINDS = {str(column["name"]): str(column["kind"]) for column in _core.columns()}
CASE_WORDS = {str(column["name"]): list(column["words"]) for column in _core.columns()}


def reader_of_lists(read: Callable[..., Any], columns: Any, needed: tuple[str, ...], filled: dict[str, str]) -> Reader:
    words = {name: list(column.words) for name, column in columns.items()}
    return Reader(read, {name: column.kind for name, column in columns.items()}, words, needed, filled)


READERS = {
    "history": Reader(lt.read_cases, CASE_KINDS, CASE_WORDS, ("gland_ml", "theatre_min"), {}),
    "bookings": Reader(lt.read_bookings, CASE_KINDS, CASE_WORDS, ("gland_ml", "theatre_min"), {}),
    "sessions": reader_of_lists(
        lt.read_sessions,
        sessions._SESSION_COLUMNS,
        ("session_id", "starts_at", "minutes"),
        {"minutes": "ends_at", "ends_at": "minutes"},
    ),
    "stock": reader_of_lists(lt.read_stock, sessions._STOCK_COLUMNS, ("what", "amount"), {}),
}
CASE_READERS = ["bookings", "history"]
NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
FLAGS = {"no": 0.0, "false": 0.0, "0": 0.0, "yes": 1.0, "true": 1.0, "1": 1.0}

bounded = settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])


# --- what is generated ---------------------------------------------------------------------------------------------

ANY_TEXT = st.one_of(
    st.text(max_size=12),
    st.text(st.characters(), max_size=4),  # lone surrogates among them
    st.sampled_from(
        (
            *(
                "",
                " ",
                "nan",
                "NaN",
                "NA",
                "None",
                "null",
                "inf",
                "-inf",
                "Infinity",
                "1e999",
                "1e400",
                "0x3C",
                "1_000",
            ),
            *(
                "٣",
                "６０",
                "60 mL",
                "60,5",
                "1,000",
                "=1+1",
                "true",
                "2024-02-30",
                "2024-03-01",
                "01/02/2024",
                "\ufffd",
            ),
            *("9" * 400, "0." + "0" * 400 + "1", "1e-400", "60\n", "\u00a060\u2003", '"', "'60", "−5", "<NA>", "NaT"),
        )
    ),
)
ANY_CELL = st.one_of(
    ANY_TEXT,
    st.none(),
    st.booleans(),
    st.integers(),
    st.sampled_from([10**400, -(10**400), 10**5000, 2**63, 2**53 + 1]),
    st.floats(),
    st.sampled_from([np.float16(60.1), np.float32(60.1), np.longdouble("1e4000"), np.int8(60), np.bool_(True)]),
    st.sampled_from([pd.NA, pd.NaT, np.nan, np.inf, -np.inf, np.datetime64("2024-03-01"), np.timedelta64(75, "m")]),
    st.sampled_from([Decimal("60.5"), Decimal("NaN"), Fraction(1, 3), Fraction(10**400), 60j]),
    st.dates(),
    st.datetimes(),
    st.datetimes(timezones=st.just(dt.UTC)),
    st.times(),
    st.timedeltas(),
    st.binary(max_size=6),
    st.sampled_from(
        [[60], {"gland_ml": 60}, (60,), {60}, np.array([60.0]), object, pd.Timestamp.max, pd.Period("2024")]
    ),
)


SMALL = {"overrun_risk": (0.05, 0.9), "max_cases": (1, 12), "max_large": (0, 12)}  # columns of lists within 100


def fitting(reader: Reader, name: str) -> st.SearchStrategy[Any]:
    """Cells that the column may hold."""
    kind = reader.kinds[name]
    if name in reader.needed and kind == "text":
        return st.text("abcdefgh", min_size=3, max_size=8)  # ids that are mostly of their own
    if name in SMALL and kind == "number":
        return st.floats(*SMALL[name])
    if name in SMALL:
        return st.one_of(st.integers(*map(int, SMALL[name])), st.none())
    if kind == "flag":
        return st.sampled_from([0, 1, 0.0, True, False, "yes", "No", "1", None, np.nan])
    if kind == "word":
        words = reader.words[name]
        return st.sampled_from(words if name in reader.needed else [*words, None, "", words[0].upper()])
    if kind == "moment":
        moments = st.datetimes(dt.datetime(2026, 1, 5), dt.datetime(2026, 3, 1)).map(
            lambda one: one.replace(microsecond=0)
        )
        return st.one_of(moments, moments.map(pd.Timestamp), moments.map(lambda one: one.isoformat(timespec="seconds")))
    if kind == "date":
        days = st.dates(dt.date(1990, 1, 2), dt.date(2025, 1, 1))
        return st.one_of(days, days.map(str), days.map(pd.Timestamp), st.none(), st.just(pd.NaT))
    if kind == "text":
        return st.one_of(st.sampled_from(["A", "B", "", None, 7, 7.0, "7.0", 2.5, True]), st.text("äB 外1", max_size=3))
    if kind == "count":
        return st.one_of(st.integers(1, 90), st.integers(1, 90).map(float), st.integers(1, 90).map(str), st.none())
    numbers = st.floats(100, 900)
    return st.one_of(numbers, numbers.map(np.float32), st.integers(100, 900), numbers.map(repr), st.just(" 120 "))


DTYPES = ["float64", "float32", "Float64", "int64", "Int64", "uint8", "bool", "boolean", "str", "string", "object"]
DTYPES += ["category", "datetime64[s]", "datetime64[ns, UTC]", "timedelta64[s]", "complex128", "Sparse[float64]"]
DTYPES += ["double[pyarrow]", "int64[pyarrow]", "string[pyarrow]", "bool[pyarrow]", "date32[day][pyarrow]"]
DTYPES += ["timestamp[s][pyarrow]", "duration[s][pyarrow]", "binary[pyarrow]"]
DTYPES += ["null[pyarrow]", "period[D]"]


@st.composite
def heading_of(draw: st.DrawFn, name: str) -> Any:
    spellings = [name, name.upper(), name.replace("_", " "), f" {name} ", name.replace("_", "-")]
    return draw(st.sampled_from([name] * 6 + spellings))


ANY_HEADING = st.one_of(
    ANY_TEXT,
    st.sampled_from(
        ["gland_ml", "gland", "gland_l", "Prostate size", "theatre_hours", "Patient name", "NHS no", "dob"]
    ),
    st.sampled_from([0, 1, None, np.nan, b"gland_ml", ("gland_ml", "x"), pd.Timestamp("2024-03-01"), True, 1.5]),
)


@st.composite
def columns_of(draw: st.DrawFn, reader: Reader, calm: bool) -> tuple[list[Any], list[list[Any]], int]:
    """Headings and columns of cells: what is needed and fits, mostly, and anything else; calm: what fits alone."""
    rows = draw(st.integers(1 if calm else 0, 5))
    names = draw(st.lists(st.sampled_from(sorted(reader.kinds)), max_size=2 if calm else 5, unique=calm))
    if calm or draw(st.integers(0, 9)) > 0:
        names = [*reader.needed, *(name for name in names if name not in reader.needed)]
    headings: list[Any] = []
    cells: list[list[Any]] = []
    spoilt = 0 if calm else draw(st.sampled_from([0, 0, 0, 1, 8]))  # in ten cells
    for name in names:
        headings.append(draw(heading_of(name)))
        bad = [draw(st.integers(0, 9)) < spoilt for _ in range(rows)]
        cells.append([draw(ANY_CELL if one else fitting(reader, name)) for one in bad])
    for _ in range(0 if calm else draw(st.sampled_from([0, 0, 1, 2]))):
        headings.append(draw(ANY_HEADING))
        cells.append([draw(ANY_CELL) for _ in range(rows)])
    return headings, cells, rows


def series_of(draw: st.DrawFn, cells: list[Any], calm: bool) -> pd.Series[Any]:
    """As object, as pandas takes it by itself, or, unless calm, in any type that it agrees to."""
    choice = draw(st.sampled_from(["object", "inferred", *([] if calm else DTYPES)]))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return pd.Series(cells) if choice == "inferred" else pd.Series(cells, dtype=choice)
        except Exception:  # whatever pandas does not want to hold is no table
            return pd.Series(cells, dtype=object)


@st.composite
def frames(draw: st.DrawFn, kind: str) -> pd.DataFrame:
    calm = draw(st.booleans())
    headings, cells, rows = draw(columns_of(READERS[kind], calm))
    series = [series_of(draw, column, calm) for column in cells]
    frame = pd.concat(series, axis=1, ignore_index=True) if series else pd.DataFrame(index=range(rows))
    frame.columns = pd.Index(headings, dtype=object, tupleize_cols=False)
    others = [] if calm else ["named", "named like a column", "duplicated", "many"]
    index = draw(st.sampled_from(["plain", "plain", *others]))
    if index == "named":
        frame.index = pd.Index(range(rows), name="case_id")
    elif index == "named like a column":
        frame.index = pd.Index([100.0] * rows, name="gland_ml")
    elif index == "duplicated":
        frame.index = pd.Index([7] * rows)
    elif index == "many":
        frame.index = pd.MultiIndex.from_arrays([[1] * rows, [2] * rows], names=["surgeon", None])
    return frame


MAPPINGS = st.one_of(
    st.none(),
    st.just({"gland_ml": "Prostate size"}),
    st.dictionaries(st.one_of(st.sampled_from(sorted(CASE_KINDS)), ANY_TEXT), ANY_TEXT, max_size=2),
)
KIND = st.sampled_from(sorted(READERS))


# --- what is asserted ----------------------------------------------------------------------------------------------


def judged(source: Any, kind: str, mapping: dict[str, str] | None) -> Any:
    """What was read, or None; a refusal names rows and columns."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        try:
            read = READERS[kind].read(source, columns=mapping)
        except lt.InvalidData as refused:
            event(f"refused {kind}")
            problems = refused.problems
            assert len(problems), "refused without a problem"
            assert list(problems) == ["row", "column", "value", "allowed"]
            assert (problems["row"] >= 1).all()
            assert all(isinstance(column, str) for column in problems["column"])
            assert all(isinstance(allowed, str) and allowed for allowed in problems["allowed"])
            str(refused).encode("utf-8")  # can be shown and written to a log
            return None
    event(f"loaded {kind} of {min(len(read), 2)}")
    return read


def same(found: float, meant: float) -> bool:
    return found == meant or (np.isnan(found) and np.isnan(meant))


def blank(cell: Any) -> bool:
    if cell is None or cell is pd.NA or cell is pd.NaT or (isinstance(cell, str) and not cell.strip()):
        return True
    return isinstance(cell, (float, np.floating)) and bool(np.isnan(cell))


def says_number(cell: Any, found: float, comma: bool = False) -> bool:
    """Whether a cell says this number, in its own digits."""
    if isinstance(cell, str):
        text = cell.strip()
        if text.lower() == "inf":
            return found == np.inf
        return any(
            NUMBER.fullmatch(one) is not None and float(one) == found
            for one in ([text, text.replace(",", ".")] if comma else [text])
        )
    if isinstance(cell, (bool, np.bool_, bytes)):
        return False
    return isinstance(cell, (int, float, np.integer, np.floating, Decimal, Fraction)) and bool(
        abs(Fraction(float(cell)) - Fraction(found)) == 0 if np.isfinite(float(cell)) else float(cell) == found
    )


def says(table: str, name: str, cell: Any, found: Any, comma: bool = False) -> bool:
    """Whether the cell of a source says what was read from it."""
    reader = READERS[table]
    kind = reader.kinds[name]
    if name in reader.filled and blank(cell):
        return not blank(found)
    if kind in ("number", "count"):
        if blank(cell):
            return same(found, np.inf if name == "canister_ml" and table in CASE_READERS else np.nan)
        return says_number(cell, found, comma)
    if kind == "flag":
        if blank(cell):
            return bool(np.isnan(found))
        if isinstance(cell, (bool, np.bool_)):
            return bool(found == float(cell))
        return says_number(cell, found, comma) or (isinstance(cell, str) and FLAGS.get(cell.strip().lower()) == found)
    if blank(cell):
        return blank(found)
    if kind in ("date", "moment"):
        if isinstance(cell, str):
            return bool(pd.Timestamp(cell.strip()) == found)
        if isinstance(cell, (dt.datetime, np.datetime64)):
            seen = pd.Timestamp(cell)
            wall = seen.tz_localize(None)
            return bool(wall.floor("s") == found.floor("s"))
        return isinstance(cell, dt.date) and bool(pd.Timestamp(cell) == found)
    if isinstance(cell, str):
        return bool(found == (cell.strip().lower() if kind == "word" else cell.strip()))
    if isinstance(cell, (bool, np.bool_)):
        return bool(found == str(cell).lower())
    if isinstance(cell, (int, np.integer)):
        return Fraction(found) == int(cell)  # exactly: a float holds neither all digits nor the longest
    if isinstance(cell, (float, np.floating, Fraction)):
        return float(found) == float(cell)
    plain = (Decimal, complex, dt.date, dt.time, dt.timedelta, np.datetime64, np.timedelta64, pd.Period)
    return isinstance(cell, plain) and isinstance(found, str) and bool(found)


def column_for(headings: list[Any], name: str, mapping: dict[str, str] | None) -> int | None:
    """The heading that a column was read from; sessions and stock have all columns, given or not."""
    if mapping and name in mapping:
        return [str(heading).strip() for heading in headings].index(mapping[name].strip())
    plain = [re.sub(r"[\s-]+", "_", str(heading).strip().lower()) for heading in headings]
    return plain.index(name) if name in plain else None


@given(table=KIND.flatmap(lambda kind: st.tuples(st.just(kind), frames(kind))), mapping=MAPPINGS)
@bounded
def test_any_frame_loads_or_is_refused(table: tuple[str, pd.DataFrame], mapping: dict[str, str] | None) -> None:
    kind, frame = table
    before = frame.copy(deep=True)
    read = judged(frame, kind, mapping)
    pd.testing.assert_frame_equal(frame, before)  # a reader leaves its source alone
    if read is None:
        return
    assert len(read) == len(frame)
    flat = frame.reset_index() if any(name is not None for name in frame.index.names) else frame
    for name in read.frame:
        if name == "surgeon_case_no" and "operated_on" in read.frame:
            continue  # may have been counted
        position = column_for(list(flat.columns), name, mapping)
        if position is None:
            assert name in READERS[kind].filled or all(blank(found) for found in read.frame[name])
            continue
        for cell, found in zip(flat.iloc[:, position], read.frame[name], strict=True):
            assert says(kind, name, cell, found), (name, cell, found)


@st.composite
def csv_texts(draw: st.DrawFn, kind: str) -> tuple[str, str, list[str], list[list[str]], str]:
    """What it is of, a CSV text, its headings, its rows that are not blank, and its separator."""
    headings, cells, rows = draw(columns_of(READERS[kind], draw(st.booleans())))
    separator = draw(st.sampled_from([",", ";", "\t"]))

    def text(cell: Any) -> str:
        try:
            return "" if cell is None else str(cell)
        except ValueError:  # integers beyond what Python turns into text
            return "9" * 300

    grid = [[text(column[row]) for column in cells] for row in range(rows)]
    names = [text(heading) for heading in headings]
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, delimiter=separator, lineterminator=draw(st.sampled_from(["\n", "\r\n"])))
    writer.writerow(names)
    for record in grid:
        writer.writerow(record)
    filled = [record for record in grid if any(cell.strip() for cell in record)]
    return kind, stream.getvalue(), names, filled, separator


@given(table=KIND.flatmap(csv_texts), mapping=MAPPINGS)
@bounded
def test_any_csv_text_loads_or_is_refused(
    table: tuple[str, str, list[str], list[list[str]], str],
    mapping: dict[str, str] | None,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    kind, text, headings, grid, separator = table
    path = tmp_path_factory.mktemp("any") / "unit.csv"
    path.write_bytes(text.encode("utf-8", errors="surrogatepass"))
    read = judged(path, kind, mapping)
    if read is None:
        return
    assert len(read) == len(grid)
    for name in read.frame:
        if name == "surgeon_case_no" and "operated_on" in read.frame:
            continue
        position = column_for(headings, name, mapping)
        if position is None:
            assert name in READERS[kind].filled or all(blank(found) for found in read.frame[name])
            continue
        for record, found in zip(grid, read.frame[name], strict=True):
            assert says(kind, name, record[position], found, separator != ","), (name, record[position], found)


@given(
    data=st.one_of(
        st.binary(max_size=200),
        st.builds(
            lambda head, tail, encoding: (head + tail).encode(encoding, errors="replace"),
            st.sampled_from(
                [
                    *("", "gland_ml,theatre_min\n60,90\n", "gland_ml;theatre_min\n60,5;90\n", "gland_ml\n"),
                    *("session_id,starts_at,minutes\na,2026-01-05T08:00,240\n", "what,amount\ndevice_set,2\n"),
                ]
            ),
            st.text('0123456789,;\t"\n\r .eE+-\ufeffé\x00', max_size=60),
            st.sampled_from(["utf-8", "utf-8-sig", "latin-1", "utf-16", "utf-32", "cp1252"]),
        ),
    ),
    suffix=st.sampled_from([".csv", ".tsv", ".xlsx", ".parquet", ".txt", ""]),
    kind=KIND,
)
@bounded
def test_any_bytes_load_or_are_refused(
    data: bytes, suffix: str, kind: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path: Path = tmp_path_factory.mktemp("any") / f"unit{suffix}"
    path.write_bytes(data)
    read = judged(path, kind, None)
    if read is not None:
        most = {"gland_ml": 1000.0, "minutes": 1440.0, "amount": np.inf}
        (name,) = set(most) & set(READERS[kind].needed)
        found = read.frame[name].to_numpy()
        assert ((found >= 0) & (found <= most[name])).all()
        assert name.encode() in data.lower() or name.encode("utf-16")[2:] in data.lower()


# --- what it found -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cell", "shown"),
    [
        (b"A", "bytes b'A'"),
        (["A"], "list ['A']"),
        ({"A": 1}, "dict {'A': 1}"),
        (Fraction(10**400), "a number of more than 308 digits"),
        (10**5000, "a number of more than 308 digits"),
        ("A\ud800", "A\ufffd"),
    ],
    ids=["bytes", "list", "dict", "fraction", "digits", "half a character"],
)
@pytest.mark.parametrize("dtype", ["object", pd.StringDtype("python")])
def test_what_is_no_text_is_no_surgeon(cell: Any, shown: str, dtype: Any) -> None:
    if dtype != "object" and not isinstance(cell, str):
        pytest.skip("a text column holds texts only")
    frame = pd.DataFrame({"gland_ml": [60, 70], "surgeon": pd.Series(["A", cell], dtype=dtype)})
    with pytest.raises(lt.InvalidData) as refused:
        lt.read_bookings(frame)
    (problem,) = refused.value.problems.to_numpy().tolist()
    assert problem[:3] == [3, "surgeon", shown]


@pytest.mark.parametrize(
    "cell",
    [10**5000, Fraction(10**400), np.longdouble("1e4000"), np.timedelta64(75, "m"), b"60"],
    ids=["digits", "fraction", "beyond floats", "duration", "bytes"],
)
@pytest.mark.parametrize("column", ["gland_ml", "canister_ml", "surgeon_case_no", "trainee", "due_by"])
def test_a_cell_of_no_number_is_refused_with_its_row(cell: Any, column: str) -> None:
    frame = pd.DataFrame({"gland_ml": [60, 70]}).assign(**{column: pd.Series([None, cell], dtype=object)})
    with pytest.raises(lt.InvalidData) as refused:
        lt.read_bookings(frame)
    assert [3, column] in refused.value.problems[["row", "column"]].to_numpy().tolist()


def test_a_time_that_is_not_is_blank() -> None:
    none = pd.Series([np.datetime64("NaT"), np.timedelta64("NaT")], dtype=object)
    read = lt.read_bookings(pd.DataFrame({"gland_ml": [60, 70], "due_by": none, "trainee": none}))
    assert read.frame[["due_by", "trainee"]].isna().all(axis=None)


def test_an_index_named_like_a_column_is_that_column_twice() -> None:
    frame = pd.DataFrame({"gland_ml": [60.0]}, index=pd.Index([70.0], name="gland_ml"))
    with pytest.raises(lt.InvalidData, match="one column of this heading"):
        lt.read_bookings(frame)


@pytest.mark.parametrize("mapping", [None, {"gland_ml": "Gr\udc80sse"}])
def test_headings_of_halves_of_characters_are_refused(mapping: dict[str, str] | None) -> None:
    frame = pd.DataFrame([[60.0, 70.0]], columns=pd.Index(["gland_ml", "Gr\udc80sse"], dtype=object))
    with pytest.raises(lt.InvalidData, match="Gr\ufffdsse"):
        lt.read_bookings(frame, columns=mapping)


@pytest.mark.parametrize("dtype", ["date32[day][pyarrow]", "timestamp[s][pyarrow]"])
def test_days_of_arrow_are_read(dtype: str) -> None:
    due = pd.Series([dt.date(2030, 1, 2), None], dtype=dtype)
    read = lt.read_bookings(pd.DataFrame({"gland_ml": [60, 70], "due_by": due}))
    assert read.frame["due_by"].tolist() == [pd.Timestamp("2030-01-02"), pd.NaT]
