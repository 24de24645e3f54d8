"""Reading good data: formats, columns, blanks, words, derived case numbers, named warnings."""

from __future__ import annotations

import datetime as dt
import io
import sys
import warnings

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import lobetime as lt
from lobetime import _core
from lobetime.cases import check_file

HISTORY = """\
case_id,operated_on,surgeon,surgeon_case_no,gland_ml,tissue_g,blade,suction,canister_ml,operative_min,trainee,\
morcellation_outcome
a1,2024-01-05,A,41,60,40,oscillating,vacuum,2000,75,0,complete
a2,2024-01-09,B,7,120.5,,reciprocating,peristaltic,,110,yes,
a3,2024-02-01,A,,85,52,,,inf,,,
"""


@pytest.fixture
def csv(tmp_path):
    def write(content, name="unit.csv"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def read_quietly(source, **options):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        return lt.read_cases(source, **options)


def expected_frame():
    nan = np.nan
    return pd.DataFrame(
        {
            "case_id": ["a1", "a2", "a3"],
            "operated_on": pd.to_datetime(["2024-01-05", "2024-01-09", "2024-02-01"]),
            "surgeon": ["A", "B", "A"],
            "surgeon_case_no": [41.0, 7.0, 42.0],
            "gland_ml": [60.0, 120.5, 85.0],
            "tissue_g": [40.0, nan, 52.0],
            "blade": ["oscillating", "reciprocating", None],
            "suction": ["vacuum", "peristaltic", None],
            "canister_ml": [2000.0, np.inf, np.inf],
            "operative_min": [75.0, 110.0, nan],
            "morcellation_outcome": ["complete", None, None],
            "trainee": [0.0, 1.0, nan],
        }
    )


def assert_same(frame, expected):
    pd.testing.assert_frame_equal(frame, expected, check_dtype=False)


def test_csv_becomes_a_frame_a_table_and_warnings(csv):
    with pytest.warns(lt.DataWarning, match="no_time 1"):
        cases = lt.read_cases(csv(HISTORY))
    assert_same(cases.frame, expected_frame())
    assert cases.warnings[["row", "kind"]].to_numpy().tolist() == [[4, "no_time"]]
    assert len(cases) == len(cases.table) == 3
    assert repr(cases) == (
        "<Cases: 3 cases; glands: median 85 mL, 60 to 120.5; operated: 2024-01-05 to 2024-02-01; surgeons: 2; "
        "device classes: oscillating/vacuum 1, reciprocating/peristaltic 1; times recorded: operative 2; "
        "looks wrong: 1 value>"
    )
    assert cases.table.blade.tolist() == ["oscillating", "reciprocating", ""]
    assert cases.table.morcellation_outcome.tolist() == ["complete"] * 3
    np.testing.assert_array_equal(cases.table.canister_ml, [2000, np.inf, np.inf])
    np.testing.assert_array_equal(cases.table.surgeon_case_no, [41, 7, 42])
    assert np.isnan(cases.table.theatre_min).all()


@pytest.mark.parametrize(
    "content",
    [
        pytest.param("\ufeff" + HISTORY, id="byte order mark"),
        pytest.param(HISTORY.replace("\n", "\r\n"), id="CRLF"),
        pytest.param(HISTORY.replace("\n", "\r"), id="CR"),
        pytest.param(HISTORY.rstrip("\n"), id="no last line end"),
        pytest.param(HISTORY.replace(",", ";"), id="semicolons"),
        pytest.param(HISTORY.replace(",", "\t"), id="tabs"),
        pytest.param(HISTORY.replace(",", ";").replace(".", ","), id="decimal commas"),
        pytest.param(HISTORY.replace("60,", '"60",').replace("a1", '" a1 "'), id="quotes"),
        pytest.param(HISTORY.replace("gland_ml", " Gland mL ").replace("operated_on", "Operated-On"), id="headings"),
        pytest.param(
            HISTORY.replace("oscillating", " Oscillating").replace("vacuum", "VACUUM"), id="words in capitals"
        ),
        pytest.param(HISTORY.replace("inf", "INF").replace("yes", "True").replace("60,", "6e1,"), id="spellings"),
    ],
)
def test_the_same_file_in_other_clothes(csv, content):
    assert_same(read_quietly(csv(content)).frame, expected_frame())


def test_blank_lines_count_as_rows_and_empty_columns_do_not_matter(csv):
    text = "\ngland_ml,operative_min,\n\n60,75,\n,,\n600,80,\n"
    with pytest.warns(lt.DataWarning, match="gland_suspicious 1"):
        cases = lt.read_cases(csv(text))
    assert cases.warnings["row"].tolist() == [6]
    assert list(cases.frame.columns) == ["gland_ml", "operative_min"]


def test_a_row_is_the_line_on_which_it_starts(csv):
    with pytest.warns(lt.DataWarning):
        cases = lt.read_cases(csv('case_id,gland_ml,operative_min\n"two\nlines",60,75\nb,600,75\n'))
    assert cases.warnings["row"].tolist() == [4]
    assert cases.frame["case_id"].tolist() == ["two\nlines", "b"]


def test_excel_and_parquet_and_a_frame_give_the_same(csv, tmp_path):
    frame = pd.read_csv(io.StringIO(HISTORY), parse_dates=["operated_on"])
    frame.to_parquet(tmp_path / "unit.parquet")
    frame.set_index("case_id").to_parquet(tmp_path / "indexed.parquet")
    book = openpyxl.Workbook()
    for row in HISTORY.splitlines():
        cells = [float(cell) if cell.replace(".", "").isdigit() else cell or None for cell in row.split(",")]
        book.active.append(
            [dt.date.fromisoformat(cell) if str(cell)[:3] == "202" and "-" in str(cell) else cell for cell in cells]
        )
    book.save(tmp_path / "unit.xlsx")
    for source in (
        frame,
        frame.set_index("case_id"),
        frame.set_index(np.array([7, 7, 9])),
        frame.astype({"surgeon": "category", "blade": "category", "trainee": "object", "gland_ml": "category"}),
        frame.convert_dtypes(),
        frame.assign(operated_on=frame["operated_on"].dt.tz_localize("Europe/London")),
        frame.assign(operated_on=frame["operated_on"].dt.date),
        tmp_path / "unit.parquet",
        tmp_path / "indexed.parquet",
        tmp_path / "unit.xlsx",
        str(tmp_path / "unit.xlsx"),
    ):
        cases = read_quietly(source)
        assert_same(cases.frame, expected_frame())
        assert cases.warnings[["row", "kind"]].to_numpy().tolist() == [[4, "no_time"]]


def test_a_data_frame_is_left_as_it_was():
    frame = pd.read_csv(io.StringIO(HISTORY))
    before = frame.copy(deep=True)
    read_quietly(frame)
    pd.testing.assert_frame_equal(frame, before)


def test_codes_that_are_numbers_stay_codes():
    frame = pd.DataFrame({"gland_ml": [60, 70, 80], "operative_min": [75, 80, 85], "surgeon": [1.0, 2.0, np.nan]})
    assert read_quietly(frame).table.surgeon.tolist() == ["1", "2", ""]


def test_a_canister_column_that_is_not_there_is_not_recorded(csv):
    table = lt.read_cases(csv("gland_ml,operative_min\n60,75\n70,80\n")).table
    assert np.isnan(table.canister_ml).all()


def test_mapping(csv):
    text = "Prostate size,Knife to skin,Op date,psa\n60,75,2024-01-05,4\n"
    columns = {"gland_ml": "Prostate size", "operative_min": "Knife to skin", "operated_on": "Op date"}
    with pytest.warns(lt.DataWarning, match="unknown_column 1"):
        cases = lt.read_cases(csv(text), columns=columns)
    assert list(cases.frame.columns) == ["operated_on", "gland_ml", "operative_min"]
    assert cases.warnings["column"].tolist() == ["psa"]


@pytest.mark.parametrize(
    ("columns", "problem"),
    [
        ({"gland_ml": "Size (L)"}, (1, "gland_ml", "Size (L)", "values in mL; the heading says otherwise")),
        ({"gland_ml": "Sise"}, (1, "gland_ml", "Sise", "a heading of the file: Size (L), operative_min")),
    ],
)
def test_mapping_that_cannot_be(csv, columns, problem):
    with pytest.raises(lt.InvalidData) as refused:
        lt.read_cases(csv("Size (L),operative_min\n0.06,75\n"), columns=columns)
    assert problem in map(tuple, refused.value.problems.to_numpy().tolist())


def test_bookings(csv):
    text = """\
case_id,gland_ml,surgeon,canister_ml,days_waiting,priority,due_by,operative_min
,60,A,,30,urgent,2030-01-05,
,500,,2000,,,,
"""
    with pytest.warns(lt.DataWarning):
        bookings = lt.read_bookings(csv(text))
    assert isinstance(bookings, lt.Bookings)
    assert bookings.warnings[["row", "kind"]].to_numpy().tolist() == [[1, "unused_column"], [3, "gland_suspicious"]]
    np.testing.assert_array_equal(bookings.table.canister_ml, [np.inf, 2000])
    assert bookings.frame["due_by"].tolist() == [pd.Timestamp("2030-01-05"), pd.NaT]
    assert bookings.frame["days_waiting"].tolist()[0] == 30
    assert "operative_min" not in bookings.frame
    assert len(lt.read_bookings(csv("gland_ml\n60\n"))) == 1


def test_every_named_warning_of_a_row(csv):
    text = """\
operated_on,surgeon,surgeon_case_no,gland_ml,tissue_g,canister_ml,canister_swaps,enucleation_min,morcellation_min,\
operative_min,theatre_min,morcellation_outcome
2024-01-01,A,9,60,40,2000,1,40,20,75,100,complete
2024-01-02,A,8,600,400,2000,,40,20,75,100,
2024-01-03,A,11,60,70,2000,,40,20,75,100,
2024-01-04,A,12,80,5,2000,,40,20,75,100,
2024-01-05,A,13,60,40,2000,,0.7,20,75,100,
2024-01-06,A,14,60,40,2000,,40,20,490,500,
2024-01-07,A,15,60,40,2000,,70,20,75,100,
2024-01-08,A,16,60,40,,2,40,20,75,100,
2024-01-09,A,17,60,40,2000,,40,,75,100,deferred
2024-01-10,A,18,60,40,2000,,,,,,
2999-01-01,A,19,60,40,2000,,40,20,75,100,
2024-01-12,B,,60,40,2000,,40,20,75,100,
"""
    found = read_quietly(csv(text)).warnings
    assert found[["row", "kind"]].to_numpy().tolist() == [
        [3, "gland_suspicious"],
        [3, "case_number_out_of_order"],
        [4, "tissue_heavier_than_gland"],
        [5, "tissue_far_from_gland"],
        [6, "hours_not_minutes"],
        [7, "time_suspicious"],
        [7, "time_suspicious"],
        [8, "contradictory_sum"],
        [9, "swaps_without_canister"],
        [10, "outcome_without_time"],
        [11, "no_time"],
        [12, "date_in_future"],
        [13, "case_numbers_counted_from_file"],
    ]
    assert found["value"].tolist()[3:5] == ["5", "0.7"]


def test_twenty_cases_of_one_gland_are_warned_about(csv):
    with pytest.warns(lt.DataWarning, match="constant_gland 1"):
        lt.read_cases(csv("gland_ml,operative_min\n" + "".join(f"60,{70 + i}\n" for i in range(20))))


def test_check_file_tells_histories_from_bookings(csv):
    assert check_file(csv("gland_ml,operative_min\n60,75\n")).attrs == {"kind": "history", "n_cases": 1}
    assert check_file(csv("gland_ml,operative_mins\n60,75\n")).attrs["kind"] == "history"
    assert check_file(csv("gland_ml,due_by\n60,2030-01-01\n")).attrs["kind"] == "bookings"
    findings = check_file(csv("gland_ml,operative_min\n-60,75\n600,80\n"))
    assert findings[["row", "severity", "kind"]].to_numpy().tolist() == [
        [2, "problem", ""],
        [3, "warning", "gland_suspicious"],
    ]
    assert check_file(csv("Size,Cut\n60,75\n"), columns={"gland_ml": "Size", "operative_min": "Cut"}).empty


@pytest.mark.parametrize(("module", "name"), [("openpyxl", "excel"), ("pyarrow", "parquet")])
def test_a_missing_optional_library_says_what_to_install(csv, monkeypatch, module, name):
    monkeypatch.setitem(sys.modules, module, None)
    path = csv("", "unit.xlsx" if name == "excel" else "unit.parquet")
    with pytest.raises(ImportError, match=rf"pip install 'lobetime\[{name}\]'"):
        lt.read_cases(path)


# --- the table by itself ---------------------------------------------------------------------------------------------


def test_table_from_columns():
    table = _core.CaseTable(gland_ml=np.array([60, 70, 80]), surgeon=["A", "", "B"], blade=["oscillating", "", ""])
    assert len(table) == 3 and repr(table) == "<CaseTable of 3 cases>"
    np.testing.assert_array_equal(table.gland_ml, [60.0, 70.0, 80.0])
    assert table.gland_ml.dtype == np.float64 and np.isnan(table.tissue_g).all()
    table.gland_ml[0] = 1.0
    assert table.gland_ml[0] == 60.0
    taken = table.take(np.array([2, 0, 2]))
    assert taken.surgeon.tolist() == ["B", "A", "B"]
    assert len(_core.CaseTable()) == 0


@pytest.mark.parametrize(
    ("columns", "error"),
    [
        ({"gland_ml": [60.0], "tissue_g": [1.0, 2.0]}, ValueError),
        ({"gland_ml": [[60.0]]}, ValueError),
        ({"gland_ml": [60.0], "blade": ["spinning"]}, ValueError),
        ({"gland_ml": [60.0], "weight": [1.0]}, TypeError),
    ],
)
def test_table_refuses(columns, error):
    with pytest.raises(error, match=r"tissue_g|gland_ml|blade|weight"):
        _core.CaseTable(**columns)


def test_take_refuses_positions_outside():
    with pytest.raises(IndexError, match="3 is outside a table of 2 cases"):
        _core.CaseTable(gland_ml=[60.0, 70.0]).take([0, 3])
    with pytest.raises(IndexError):
        _core.CaseTable(gland_ml=[60.0]).take([-1])


# --- what must hold for any data -------------------------------------------------------------------------------------

maybe = st.one_of
codes = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"], exclude_characters="\ufffd"), max_size=6)


def minutes(low, high):
    return maybe(st.none(), st.floats(low, high).map(lambda value: round(value, 3)))


rows = st.fixed_dictionaries(
    {
        "operated_on": maybe(st.none(), st.dates(dt.date(1990, 1, 1), dt.date(2025, 1, 1))),
        "surgeon": maybe(st.none(), codes),
        "surgeon_case_no": maybe(st.none(), st.integers(1, 2000)),
        "gland_ml": st.floats(5, 1000),
        "tissue_g": maybe(st.none(), st.floats(1, 1000)),
        "blade": st.sampled_from(["", "reciprocating", "oscillating"]),
        "canister_ml": maybe(st.none(), st.just(np.inf), st.floats(100, 100_000)),
        "canister_swaps": maybe(st.none(), st.integers(0, 100)),
        "operative_min": minutes(5, 480),
        "theatre_min": minutes(10, 480),
        "morcellation_outcome": st.sampled_from(["", "complete", "deferred", "other_route"]),
        "trainee": maybe(st.none(), st.booleans(), st.integers(0, 1)),
    }
)
histories = st.lists(rows, min_size=1, max_size=12).map(pd.DataFrame)
in_a_folder = settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])


@in_a_folder
@given(histories)
def test_what_was_read_reads_the_same_from_any_format(tmp_path, history):
    cases = read_quietly(history)
    assert len(cases) == len(history)
    cases.frame.to_csv(tmp_path / "unit.csv", index=False)
    cases.frame.to_csv(tmp_path / "unit.tsv", index=False, sep="\t", decimal=",")
    cases.frame.to_parquet(tmp_path / "unit.parquet")
    for name in ("unit.csv", "unit.tsv", "unit.parquet"):
        assert_same(read_quietly(tmp_path / name).frame, cases.frame)


@in_a_folder
@given(histories, st.randoms(use_true_random=False))
def test_the_order_of_columns_does_not_matter(history, random):
    columns = list(history.columns)
    random.shuffle(columns)
    cases, shuffled = read_quietly(history), read_quietly(history[columns])
    assert_same(shuffled.frame, cases.frame)
    pd.testing.assert_frame_equal(shuffled.warnings, cases.warnings)


@in_a_folder
@given(histories, st.data())
def test_one_bad_cell_is_one_problem_at_its_place(history, data):
    text = history.astype(object).where(history.notna(), "")
    row = data.draw(st.integers(0, len(text) - 1))
    column = data.draw(st.sampled_from([name for name in text.columns if name != "surgeon"]))
    text.loc[row, column] = "?!"
    with pytest.raises(lt.InvalidData) as refused:
        lt.read_cases(text)
    assert refused.value.problems[["row", "column", "value"]].to_numpy().tolist() == [[row + 2, column, "?!"]]


@in_a_folder
@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(tmp_path, content):
    path = tmp_path / "unit.csv"
    path.write_bytes(b"gland_ml,operative_min\n60,75\n" + content)
    try:
        read_quietly(path)
    except lt.InvalidData as refused:
        assert len(refused.problems)


@in_a_folder
@given(st.sampled_from([".xlsx", ".parquet"]), st.binary(max_size=200))
def test_any_damage_is_refused(tmp_path, suffix, content):
    path = tmp_path / f"unit{suffix}"
    path.write_bytes(content)
    with pytest.raises(lt.InvalidData):
        lt.read_cases(path)


# ------------------------------------------------------------------------------------------- reading that says less


def test_quiet_reading_keeps_what_looks_wrong_without_a_warning():
    frame = pd.DataFrame({"gland_ml": [80.0, 800.0], "theatre_min": [120.0, 2.5]})
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        quiet = lt.read_cases(frame, quiet=True)
        lt.read_bookings(frame[["gland_ml"]], quiet=True)
    with pytest.warns(lt.DataWarning):
        told = lt.read_cases(frame)
    pd.testing.assert_frame_equal(quiet.warnings, told.warnings)
    assert len(quiet.warnings)


def test_a_blank_canister_is_said_to_be_taken_for_a_drain():
    frame = pd.DataFrame({"gland_ml": [80.0, 90.0, 70.0], "theatre_min": 120.0, "canister_ml": ["2000", "", "inf"]})
    cases = lt.read_cases(frame)
    assert list(cases.frame["canister_ml"]) == [2000.0, np.inf, np.inf]
    assert list(cases.drain_assumed) == [False, True, False]
    assert cases.notes == ["canister blank in 1 of 3 rows: read as continuous drain"]
    assert cases.notes[0] in cases._repr_html_()
    bookings = lt.read_bookings(frame[["gland_ml", "canister_ml"]])
    pred = lt.TheatreTimeModel().predict(bookings, draws=100)
    assert [("canister_blank" in flags) for flags in pred.flags] == [False, True, False]
    assert "canister blank: taken as continuous drain" in lt.slots(pred)["warnings"].iloc[1]
    assert lt.read_cases(frame.drop(columns="canister_ml")).notes == []


def test_rows_are_those_of_the_file(tmp_path):
    (tmp_path / "unit.csv").write_text("\ngland_ml,theatre_min\n80,100\n\n90,110\n")
    cases = lt.read_cases(tmp_path / "unit.csv")
    assert list(cases.rows) == [3, 5]
    frame = pd.DataFrame({"gland_ml": [80.0, 90.0], "theatre_min": [100.0, 110.0]})
    assert list(lt.read_cases(frame).rows) == [2, 3]


def test_a_fit_and_its_diagnostics_name_the_files_rows(cases, model):
    assert (model.weights_["row"] == cases.rows[model.weights_["case_index"]]).all()
    found = model.diagnostics(cases)
    assert list(found.cases["row"]) == list(cases.rows)
    display = found.influence_display(3)
    assert display.label_name == "row of the file"
    assert display.labels == [str(row) for row in found.most_influential(3)["row"]]


# ------------------------------------------------------------------------------------------------- a usual booking


def test_a_usual_booking_is_the_most_common_one(cases, model):
    booking = cases.usual_booking()
    frame = cases.frame
    assert booking["gland_ml"].item() == frame["gland_ml"].median()
    assert booking["surgeon"].item() == frame["surgeon"].mode()[0]
    together = frame[["blade", "suction", "canister_ml"]].value_counts().index[0]
    assert tuple(booking[["blade", "suction", "canister_ml"]].iloc[0]) == together
    assert model.predict(booking, draws=100).case_ids == ["usual"]


def test_a_usual_booking_is_there_to_be_changed(cases, model):
    booking = cases.usual_booking(gland_ml=[60, 130], surgeon="B", case_id=["x", "y"])
    assert list(booking["case_id"]) == ["x", "y"]
    assert list(booking["gland_ml"]) == [60, 130]
    assert set(booking["surgeon"]) == {"B"}
    medians = model.predict(booking, draws=2000).quantile(0.5)[0.5]
    assert medians["x"] < medians["y"]
    assert list(cases.usual_booking(gland_ml=130, trainee=1)["case_id"]) == ["gland_ml 130, trainee 1"]


def test_a_usual_booking_that_cannot_be(cases):
    with pytest.raises(lt.InvalidArgument, match="no booking has 'theatre_min', 'colour'; allowed: case_id, surgeon"):
        cases.usual_booking(theatre_min=1, colour="red")
    with pytest.raises(lt.InvalidArgument, match="lists of different lengths"):
        cases.usual_booking(gland_ml=[60, 130], surgeon=["A"])


def test_a_usual_booking_of_a_bare_file():
    bare = lt.read_cases(pd.DataFrame({"gland_ml": [60.0, 80.0, 100.0], "theatre_min": 120.0}))
    assert bare.usual_booking().to_dict("records") == [{"case_id": "usual", "gland_ml": 80.0}]
