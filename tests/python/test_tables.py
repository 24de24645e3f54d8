"""Tables of pandas, polars and pyarrow say the same."""

import warnings
from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any

import pandas as pd
import polars as pl
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import lobetime as lt
from lobetime.tables import as_pandas

Reader = Callable[[Any], Any]


def polars_of(frame: pd.DataFrame) -> pl.DataFrame:
    """Column for column, by way of Python objects: not by the code that is tested."""
    return pl.DataFrame({name: objects_of(frame[name]) for name in frame}, strict=False)


def arrow_of(frame: pd.DataFrame) -> pa.Table:
    return pa.table({name: pa.array(objects_of(frame[name])) for name in frame})


def objects_of(column: pd.Series) -> list[Any]:
    return [None if pd.isna(cell) else cell for cell in column.astype(object)]


def outcome(reader: Reader, table: Any) -> tuple[Any, ...]:
    """What reading gives: the frame and the warnings, or the problems."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            read = reader(table)
        except lt.InvalidData as refused:
            return "refused", str(refused), refused.problems
    return "read", [str(one.message) for one in caught], read.frame, read.warnings


def assert_same(found: tuple[Any, ...], expected: tuple[Any, ...]) -> None:
    assert found[:2] == expected[:2]
    for one, other in zip(found[2:], expected[2:], strict=True):
        pd.testing.assert_frame_equal(one, other, check_dtype=False)


@pytest.mark.parametrize("convert", [polars_of, arrow_of, lambda frame: polars_of(frame).lazy()])
@pytest.mark.parametrize(
    ("reader", "name"),
    [
        (lt.read_cases, "history"),
        (lt.read_bookings, "bookings"),
        (lt.read_sessions, "sessions"),
        (lt.read_stock, "stock"),
    ],
)
def test_the_demo_unit_reads_alike(convert, reader, name):
    frame = getattr(lt.datasets.load_demo_unit(), name)
    expected = outcome(reader, frame)
    assert expected[0] == "read"
    assert_same(outcome(reader, convert(frame)), expected)


CELLS: dict[str, st.SearchStrategy[Any]] = {
    "gland_ml": st.one_of(st.floats(-5, 900), st.integers(20, 200)),
    "surgeon": st.sampled_from(["A", "B", " B ", ""]),
    "surgeon_case_no": st.one_of(st.integers(0, 60), st.just(2.5)),
    "operated_on": st.dates(date(2019, 1, 1), date(2030, 1, 1)),
    "blade": st.sampled_from(["oscillating", "Reciprocating", "sideways"]),
    "canister_ml": st.sampled_from([2000.0, 3000.0, float("inf"), -1.0]),
    "trainee": st.sampled_from([0, 1]),
    "enucleation_min": st.floats(1, 400),
    "theatre_min": st.floats(1, 900),
    "notes": st.sampled_from(["x", "y"]),
}


@st.composite
def tables(draw: st.DrawFn) -> dict[str, list[Any]]:
    """Columns of one type each, with blanks, and values that are allowed, look wrong, or are neither."""
    names = draw(st.lists(st.sampled_from(sorted(CELLS)), min_size=1, unique=True))
    rows = draw(st.integers(1, 6))
    columns = {}
    for name in names:
        values = draw(st.lists(st.one_of(st.none(), CELLS[name]), min_size=rows, max_size=rows))
        kinds = {type(value) for value in values if value is not None}
        columns[name] = [float(v) if v is not None and kinds == {int, float} else v for v in values]
    return columns


@settings(max_examples=150, deadline=None)
@given(tables())
def test_three_libraries_agree(columns):
    expected = outcome(lt.read_cases, pd.DataFrame(columns))
    assert_same(outcome(lt.read_cases, pl.DataFrame(columns, strict=False)), expected)
    assert_same(outcome(lt.read_cases, pa.table({k: pa.array(v) for k, v in columns.items()})), expected)


def test_other_places_take_them_too(model, cases):
    unit = lt.datasets.load_demo_unit()
    bookings = polars_of(unit.bookings)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        pd.testing.assert_frame_equal(
            lt.slots(model.predict(bookings, draws=256)), lt.slots(model.predict(unit.bookings, draws=256))
        )
        checked = lt.check_file(arrow_of(unit.history))
    pd.testing.assert_frame_equal(checked, lt.check_file(unit.history), check_dtype=False)

    own = pd.DataFrame({"class": ["oscillating/vacuum"], "event": ["wall_injury"], "events": [1], "cases": [90]})
    told = [lt.device_safety(own=table).table for table in (own, polars_of(own), arrow_of(own))]
    pd.testing.assert_frame_equal(told[1], told[0])
    pd.testing.assert_frame_equal(told[2], told[0])

    rows = pd.DataFrame({"id": ["own"], "citation": ["own"], "n": [80], "enucleation_min": [50.0]})
    priors = [lt.PublishedPrior(extra=table) for table in (rows, polars_of(rows), arrow_of(rows))]
    pd.testing.assert_frame_equal(priors[1].table, priors[0].table)
    pd.testing.assert_frame_equal(priors[2].table, priors[0].table)

    classes = pd.DataFrame(
        {"blade": ["rotating"], "suction": ["vacuum"], "like_blade": ["oscillating"], "like_suction": ["vacuum"]}
    ).assign(rate_ratio=1.0, rate_low=0.5, rate_high=2.0, source="assumption: nobody has measured it")
    assert lt.read_device_classes(polars_of(classes)) == lt.read_device_classes(classes)


def test_cells_arrive_as_they_are():
    moment, long = datetime(2026, 1, 5, 8, 30), 2**60 + 1
    table = pl.DataFrame(
        {
            "long": [long, None],
            "share": [0.1, None],
            "text": ["a", None],
            "day": [date(2026, 1, 5), None],
            "moment": [moment, None],
            "there": [moment.replace(tzinfo=UTC), None],
            "flag": [True, None],
            "word": pl.Series(["x", None], dtype=pl.Categorical),
        }
    )
    for one in (table, table.to_arrow(), table.lazy()):
        frame = as_pandas(one)
        assert frame.loc[0, "long"] == long
        assert frame["share"].dtype == "float64" and frame["moment"].dtype.kind == "M"
        assert frame["there"][0].utcoffset().total_seconds() == 0 and frame["there"][0].hour == 8
        assert list(frame.loc[0, ["text", "flag", "word"]]) == ["a", True, "x"]
        assert frame.loc[0, "day"] == date(2026, 1, 5)
        assert frame.loc[1].isna().all()


@pytest.mark.parametrize("wrong", [None, 5, [{"gland_ml": 80}], {"gland_ml": [80]}])
def test_what_is_no_table_is_refused(wrong):
    with pytest.raises(lt.InvalidArgument, match="must be a DataFrame"):
        lt.read_cases(wrong)


def test_two_columns_of_one_name_are_refused():
    with pytest.raises(lt.InvalidArgument, match="gland_ml"):
        lt.read_cases(pa.table([[80], [90]], names=["gland_ml", "gland_ml"]))
