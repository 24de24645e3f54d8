"""Reading sessions and stock: formats, headings, every problem at its place and all at once, named warnings."""

from __future__ import annotations

import datetime as dt
import warnings

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import lobetime as lt
from lobetime.lists.sessions import Sessions, Stock, read_sessions, read_stock

SESSIONS = """\
session_id,starts_at,minutes,ends_at,room,surgeon,blade,suction,canister_ml,anaesthesia,max_overtime_min,overrun_risk,\
max_large,max_gland_ml,max_cases
s1,2026-01-05T08:00,480,,R1,A,oscillating,vacuum,2000,spinal,30,0.15,1,150.5,4
s2,2026-01-05 08:30:00,,2026-01-05T12:30,R2,B,,,inf,,,,,,
s3,2026-01-06T13:00,240.5,2026-01-06T17:00:30,R1,,,,,General,0,,0,,
"""
STOCK = """\
day,what,blade,suction,canister_ml,amount,reprocess_min
,device_set,oscillating,vacuum,,3,180
2026-01-05,Device_Set,oscillating,vacuum,,2,180
,canister,,,2000,8,
,irrigation_l,,,,240.5,
"""

MOMENT = "a date and time written YYYY-MM-DDTHH:MM, not before 1990-01-01"
DATE = "a date written YYYY-MM-DD, not before 1990-01-01, or blank"
MINUTES = "a number above 0 and at most 1440 min"
CANISTER = "a number from 100 to 100000 mL, inf for a continuous drain, or blank"
RISK = "a number above 0 and below 1, or blank; a share: 20 % is 0.2"
LARGE = "a whole number of at least 0, or blank"
CASES = "a whole number from 1 to 12, or blank"
OVERTIME = "a number of at least 0 min, or blank"
GLAND = "a number above 0 mL, or blank"
NOT_UTF8 = "; saved as UTF-8, which this is not"


def patient(meaning: str) -> str:
    """What is said of a heading that tells this of a patient."""
    advice = "remove it from the file, or name it to be dropped; nothing here needs it"
    return f"no column that can identify a patient (its heading says {meaning}): {advice}"


HEADING = ", or a mapping of it to a heading"
ANY_HEADING = "at least one of these columns, or a mapping of one to a heading"
BOTH = "minutes, ends_at"


@pytest.fixture
def csv(tmp_path):
    def write(content, name="unit.csv"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def quietly(read, source, **options):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        return read(source, **options)


def problems_of(read, source, **options):
    with pytest.raises(lt.InvalidData) as refused:
        read(source, **options)
    return sorted(map(tuple, refused.value.problems.to_numpy().tolist()))


def reworded(text, reword):
    headings, *rows = text.splitlines()
    return "\n".join([",".join(map(reword, headings.split(","))), *rows])


def moments(*texts):
    return pd.Series(pd.to_datetime(list(texts))).astype("datetime64[us]")


def expected_sessions():
    nan = np.nan
    return pd.DataFrame(
        {
            "session_id": ["s1", "s2", "s3"],
            "starts_at": moments("2026-01-05T08:00:00", "2026-01-05T08:30:00", "2026-01-06T13:00:00"),
            "minutes": [480.0, 240.0, 240.5],
            "ends_at": moments("2026-01-05T16:00:00", "2026-01-05T12:30:00", "2026-01-06T17:00:30"),
            "room": ["R1", "R2", "R1"],
            "surgeon": ["A", "B", ""],
            "blade": ["oscillating", "", ""],
            "suction": ["vacuum", "", ""],
            "canister_ml": [2000.0, np.inf, nan],
            "anaesthesia": ["spinal", "", "general"],
            "max_overtime_min": [30.0, nan, 0.0],
            "overrun_risk": [0.15, nan, nan],
            "max_large": [1.0, nan, 0.0],
            "max_gland_ml": [150.5, nan, nan],
            "max_cases": [4.0, nan, nan],
        }
    )


def expected_stock():
    nan = np.nan
    return pd.DataFrame(
        {
            "day": pd.Series([pd.NaT, pd.Timestamp("2026-01-05"), pd.NaT, pd.NaT]).astype("datetime64[us]"),
            "what": ["device_set", "device_set", "canister", "irrigation_l"],
            "blade": ["oscillating", "oscillating", "", ""],
            "suction": ["vacuum", "vacuum", "", ""],
            "canister_ml": [nan, nan, 2000.0, nan],
            "amount": [3.0, 2.0, 8.0, 240.5],
            "reprocess_min": [180.0, 180.0, nan, nan],
        }
    )


# --- good data -------------------------------------------------------------------------------------------------------


def test_sessions_become_a_frame_with_every_column(csv):
    sessions = read_sessions(csv(SESSIONS))
    assert isinstance(sessions, Sessions)
    pd.testing.assert_frame_equal(sessions.frame, expected_sessions())
    assert sessions.warnings.empty
    assert list(sessions.warnings.columns) == ["row", "column", "value", "kind", "message"]
    assert len(sessions) == 3
    assert repr(sessions) == "<Sessions: 3 sessions, 2026-01-05 to 2026-01-06, surgeons: 2, warnings: 0>"


def test_stock_becomes_a_frame_with_every_column(csv):
    stock = read_stock(csv(STOCK))
    assert isinstance(stock, Stock)
    pd.testing.assert_frame_equal(stock.frame, expected_stock())
    assert stock.warnings.empty
    assert len(stock) == 4
    assert repr(stock) == "<Stock: 4 rows, device_set 2, canister 1, irrigation_l 1, warnings: 0>"


def test_columns_that_are_not_there_are_blank(csv):
    frame = read_sessions(csv("ends_at,session_id,starts_at\n2026-01-05T12:00,s,2026-01-05T08:00\n")).frame
    assert list(frame.columns) == list(expected_sessions().columns)
    assert frame.dtypes.tolist() == expected_sessions().dtypes.tolist()
    assert frame["minutes"].tolist() == [240.0]
    assert (frame[["room", "surgeon", "blade", "suction", "anaesthesia"]] == "").all(axis=None)
    rest = ["canister_ml", "max_overtime_min", "overrun_risk", "max_large", "max_gland_ml", "max_cases"]
    assert frame[rest].isna().all(axis=None)
    stock = read_stock(csv("what,amount\nirrigation_l,100\n")).frame
    assert list(stock.columns) == list(expected_stock().columns)
    assert stock.dtypes.tolist() == expected_stock().dtypes.tolist()
    assert stock["day"].isna().all()


@pytest.mark.parametrize(
    "clothe",
    [
        pytest.param(lambda text: "\ufeff" + text, id="byte order mark"),
        pytest.param(lambda text: text.replace("\n", "\r\n"), id="CRLF"),
        pytest.param(lambda text: text.replace(",", ";"), id="semicolons"),
        pytest.param(lambda text: text.replace(",", "\t"), id="tabs"),
        pytest.param(lambda text: text.replace(",", ";").replace(".", ","), id="decimal commas"),
        pytest.param(lambda text: reworded(text, lambda heading: heading.upper().replace("_", "-")), id="headings"),
        pytest.param(lambda text: reworded(text, lambda heading: f" {heading.replace('_', ' ')} "), id="more headings"),
        pytest.param(lambda text: text.replace("oscillating", " OSCILLATING"), id="words in capitals"),
    ],
)
@pytest.mark.parametrize(
    ("read", "text", "expected"),
    [(read_sessions, SESSIONS, expected_sessions), (read_stock, STOCK, expected_stock)],
    ids=["sessions", "stock"],
)
def test_the_same_file_in_other_clothes(csv, read, text, expected, clothe):
    pd.testing.assert_frame_equal(read(csv(clothe(text))).frame, expected())


@pytest.mark.parametrize(
    ("read", "expected"), [(read_sessions, expected_sessions), (read_stock, expected_stock)], ids=["sessions", "stock"]
)
def test_excel_parquet_and_frames_give_the_same(tmp_path, read, expected):
    frame = expected()
    frame.to_parquet(tmp_path / "unit.parquet")
    book = openpyxl.Workbook()
    book.active.append(list(frame.columns))
    for row in frame.astype(object).itertuples(index=False):
        book.active.append(["inf" if cell == np.inf else None if pd.isna(cell) else cell for cell in row])
    book.save(tmp_path / "unit.xlsx")
    before = frame.copy(deep=True)
    for source in (
        frame,
        frame.set_index(frame.columns[0]),
        frame.astype(object),
        frame.convert_dtypes(),
        frame.replace("", np.nan).astype({"blade": "category", "suction": "category"}),
        tmp_path / "unit.parquet",
        str(tmp_path / "unit.xlsx"),
    ):
        pd.testing.assert_frame_equal(read(source).frame, expected())
    pd.testing.assert_frame_equal(frame, before)


def test_sessions_keep_the_order_of_the_source_and_blank_lines_count(csv):
    text = "session_id,starts_at,minutes\n\nlate,2026-02-05T08:00,240\n,,\nearly,2026-01-05T04:00,240\n"
    with pytest.warns(lt.DataWarning, match=r"unit.csv: read with warnings, see .warnings: start_suspicious 1") as told:
        sessions = read_sessions(csv(text))
    assert told[0].filename == __file__
    assert sessions.frame["session_id"].tolist() == ["late", "early"]
    assert sessions.warnings["row"].tolist() == [5]


def test_mapping(csv):
    text = "Block,Anfang,Dauer (min),weekday\n1,2026-01-05T08:00,240,Mon\n"
    columns = {"session_id": "Block", "starts_at": "Anfang", "minutes": "Dauer (min)"}
    with pytest.warns(lt.DataWarning, match="unknown_column 1"):
        sessions = read_sessions(csv(text), columns=columns)
    assert sessions.frame["session_id"].tolist() == ["1"]
    assert sessions.frame["minutes"].tolist() == [240.0]
    told = (1, "weekday", "weekday", "unknown_column", "not a column of lobetime; kept out")
    assert list(map(tuple, sessions.warnings.to_numpy())) == [told]


def test_a_session_may_end_at_midnight_in_every_format(csv, tmp_path):
    midnight = dt.datetime(2026, 1, 6)
    frame = pd.DataFrame(
        {"session_id": ["s"], "starts_at": [dt.datetime(2026, 1, 5, 18)], "ends_at": [midnight]}, dtype=object
    )
    book = openpyxl.Workbook()
    book.active.append(list(frame.columns))
    book.active.append(frame.iloc[0].tolist())
    book.save(tmp_path / "unit.xlsx")
    text = "session_id,starts_at,ends_at\ns,2026-01-05T18:00,2026-01-06T00:00\n"
    for source in (frame, frame.infer_objects(), tmp_path / "unit.xlsx", csv(text)):
        assert read_sessions(source).frame["minutes"].tolist() == [360.0]


def test_sessions_that_touch_or_have_nobody_in_common_do_not_overlap(csv):
    text = """\
session_id,starts_at,minutes,room,surgeon
s1,2026-01-05T08:00,240,R1,A
s2,2026-01-05T12:00,240,R1,A
s3,2026-01-05T08:00,240,R2,B
s4,2026-01-05T08:00,240,,
s5,2026-01-05T08:00,240,,
"""
    assert len(read_sessions(csv(text))) == 5


# --- what looks wrong ------------------------------------------------------------------------------------------------


def test_every_named_warning_of_a_session(csv):
    text = """\
session_id,starts_at,minutes,ends_at
usual,2026-01-05T06:00,720,
usual too,2026-01-05T20:00,12.5,
long,2026-01-06T08:00,721,
long by its end,2026-01-07T08:00,,2026-01-07T20:01
hours,2026-01-08T08:00,4,
short by its end,2026-01-09T08:00,,2026-01-09T08:12
early,2026-01-10T05:59,240,
late,2026-01-11T20:00:01,240,
"""
    found = quietly(read_sessions, csv(text)).warnings
    assert found[["row", "column", "value", "kind"]].to_numpy().tolist() == [
        [4, "minutes", "721", "session_suspicious"],
        [5, "ends_at", "2026-01-07T20:01", "session_suspicious"],
        [6, "minutes", "4", "hours_not_minutes"],
        [7, "ends_at", "2026-01-09T08:12", "session_suspicious"],
        [8, "starts_at", "2026-01-10T05:59", "start_suspicious"],
        [9, "starts_at", "2026-01-11T20:00:01", "start_suspicious"],
    ]


def test_every_named_warning_of_stock(csv):
    text = """\
what,amount,reprocess_min,blade
device_set,0,12,
device_set,2,13,oscillating
irrigation_l,2001,,
canister,3000,,
"""
    found = quietly(read_stock, csv(text)).warnings
    assert found[["row", "column", "value", "kind"]].to_numpy().tolist() == [
        [2, "amount", "0", "amount_zero"],
        [2, "reprocess_min", "12", "hours_not_minutes"],
        [4, "amount", "2001", "amount_suspicious"],
    ]


def test_a_set_that_is_ready_at_once_is_fine(csv):
    assert read_stock(csv("what,amount,reprocess_min\ndevice_set,1,0\n")).warnings.empty


# --- problems --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("column", "value", "allowed"),
    [
        ("session_id", "", "text"),
        ("session_id", "s1", "an id of its own; row 2 has this one"),
        ("starts_at", "", MOMENT),
        ("starts_at", "2026-01-12", MOMENT + "; with its time of day"),
        ("starts_at", "2026-01-12T08:00Z", MOMENT + "; without a time zone, as the clock on the wall shows it"),
        ("starts_at", "2026-01-12T08:00+01:00", MOMENT + "; without a time zone, as the clock on the wall shows it"),
        ("starts_at", "12.1.2026 08:00", MOMENT + "; day and month cannot be told apart here"),
        ("starts_at", "2026-02-30T08:00", MOMENT),
        ("starts_at", "2026-01-12T25:00", MOMENT),
        ("starts_at", "2026-01-12T8:00", MOMENT),
        ("starts_at", "1989-12-31T08:00", MOMENT),
        ("starts_at", "08:00", MOMENT),
        (
            "starts_at",
            "46034.333",
            MOMENT + "; 46034.333 looks like a spreadsheet's day number: format the cells as dates",
        ),
        ("minutes", "", MINUTES + ", or a date and time in ends_at"),
        ("minutes", "0", MINUTES + ", or blank"),
        ("minutes", "-240", MINUTES + ", or blank"),
        ("minutes", "1441", MINUTES + ", or blank"),
        ("minutes", "inf", MINUTES + ", or blank"),
        ("minutes", "4 h", MINUTES + ", or blank; the number alone, the column is in min"),
        (
            "minutes",
            "240,5",
            MINUTES + ", or blank; a decimal comma is read only in files separated by semicolons or tabs",
        ),
        ("ends_at", "2026-01-12T07:59", "later than starts_at, 2026-01-12T08:00"),
        ("ends_at", "2026-01-12T08:00", "later than starts_at, 2026-01-12T08:00"),
        ("ends_at", "2026-01-12T12:01", "2026-01-12T12:00, since minutes is 240; or one of them blank"),
        ("ends_at", "12:00", MOMENT + ", or blank"),
        ("blade", "spinning", "reciprocating or oscillating, or blank"),
        ("suction", "pump", "vacuum, peristaltic or wall, or blank"),
        ("canister_ml", "2", CANISTER),
        ("canister_ml", "-inf", CANISTER),
        ("canister_ml", "2 L", CANISTER + "; the number alone, the column is in mL"),
        ("anaesthesia", "any", "general or spinal, or blank"),
        ("max_overtime_min", "-1", OVERTIME),
        ("max_overtime_min", "inf", OVERTIME),
        ("overrun_risk", "0", RISK),
        ("overrun_risk", "1", RISK),
        ("overrun_risk", "20", RISK),
        ("max_large", "-1", LARGE),
        ("max_large", "0.5", LARGE),
        ("max_gland_ml", "0", GLAND),
        ("max_cases", "0", CASES),
        ("max_cases", "13", CASES),
        ("max_cases", "two", CASES),
        (
            "surgeon",
            "A",
            "one session of this surgeon at a time; s2 (2026-01-12T08:00 to 2026-01-12T12:00) overlaps "
            "s1 (2026-01-12T07:00 to 2026-01-12T09:00) of row 2",
        ),
        (
            "room",
            "R1",
            "one session of this room at a time; s2 (2026-01-12T08:00 to 2026-01-12T12:00) overlaps "
            "s1 (2026-01-12T07:00 to 2026-01-12T09:00) of row 2",
        ),
    ],
)
def test_one_bad_cell_of_a_session(csv, column, value, allowed):
    rows = pd.DataFrame({"session_id": ["s1", "s2"], "starts_at": ["2026-01-12T07:00", "2026-01-12T08:00"]})
    rows = rows.assign(minutes=["120", "240"], room=["R1", ""], surgeon=["A", ""])
    if column not in rows:
        rows[column] = ""
    rows.loc[1, column] = value
    assert problems_of(read_sessions, csv(rows.to_csv(index=False))) == [(3, column, value, allowed)]


def test_a_session_of_more_than_a_day_by_its_end(csv):
    text = "session_id,starts_at,ends_at\ns,2026-01-05T08:00,2026-01-06T08:01\n"
    assert problems_of(read_sessions, csv(text)) == [
        (2, "ends_at", "2026-01-06T08:01", "at most 1440 min after starts_at, 2026-01-05T08:00")
    ]


@pytest.mark.parametrize(
    ("column", "value", "allowed"),
    [
        ("day", "2026-01-12T08:00", DATE),
        ("day", "1989-12-31", DATE),
        ("day", "12/01/2026", DATE + "; day and month cannot be told apart here"),
        ("day", "Monday", DATE),
        ("what", "", "device_set, canister or irrigation_l"),
        ("what", "saline", "device_set, canister or irrigation_l"),
        ("what", "device_set", "one row for this thing without a day; row 2 is one"),
        ("blade", "oscillating", "blank: only a device_set has it"),
        ("suction", "wall", "blank: only a device_set has it"),
        ("reprocess_min", "60", "blank: only a device_set has it"),
        ("reprocess_min", "0", "blank: only a device_set has it"),
        ("reprocess_min", "-1", "a number of at least 0 min, or blank"),
        ("canister_ml", "inf", "a number from 100 to 100000 mL, or blank"),
        ("canister_ml", "3", "a number from 100 to 100000 mL, or blank"),
        ("amount", "", "a number of at least 0"),
        ("amount", "-1", "a number of at least 0"),
        ("amount", "inf", "a number of at least 0"),
        ("amount", "2.5", "a whole number of at least 0, as of every canister"),
        ("amount", "many", "a number of at least 0"),
    ],
)
def test_one_bad_cell_of_stock(csv, column, value, allowed):
    rows = pd.DataFrame({"what": ["device_set", "canister"], "amount": ["2", "8"]})
    if column not in rows:
        rows[column] = ""
    rows.loc[1, column] = value
    assert problems_of(read_stock, csv(rows.to_csv(index=False))) == [(3, column, value, allowed)]


@pytest.mark.parametrize(
    ("row", "problems"),
    [
        (
            "2026-01-05,canister,,,2000,4,",
            [(3, "what", "canister", "one row for this thing on 2026-01-05; row 2 is one")],
        ),
        (",canister,,,2000,4,", []),
        ("2026-01-06,canister,,,2000,4,", []),
        ("2026-01-05,canister,,,3000,4,", []),
        ("2026-01-05,canister,,,,4,", []),
        ("2026-01-05,irrigation_l,,,2000,4,", [(3, "canister_ml", "2000", "blank: only a canister has it")]),
    ],
)
def test_one_row_for_a_thing_and_a_day(csv, row, problems):
    text = STOCK.splitlines()[0] + "\n2026-01-05,canister,,,2000,8,\n" + row + "\n"
    if problems:
        assert problems_of(read_stock, csv(text)) == problems
    else:
        assert len(read_stock(csv(text))) == 2


def test_a_time_zone_is_refused_in_a_data_frame_too():
    told = "; without a time zone, as the clock on the wall shows it"
    frame = pd.DataFrame({"session_id": ["s"], "starts_at": pd.to_datetime(["2026-01-05T08:00"]), "minutes": [240]})
    frame["starts_at"] = frame["starts_at"].dt.tz_localize("Europe/London")
    for source in (frame, frame.astype(object)):
        expected = [(2, "starts_at", "2026-01-05T08:00:00+00:00", MOMENT + told)]
        assert problems_of(read_sessions, source) == expected


HEADINGS = [
    ("session_id", (1, "session_id", "", "a column session_id" + HEADING)),
    ("starts_at", (1, "starts_at", "", "a column starts_at" + HEADING)),
    ("minutes", (1, BOTH, "", ANY_HEADING)),
]


@pytest.mark.parametrize(("column", "problem"), HEADINGS)
def test_a_required_column_of_sessions_that_is_not_there(csv, column, problem):
    rows = pd.DataFrame({"session_id": ["s1", "s2"], "starts_at": "2026-01-05T08:00", "minutes": 240})
    assert problems_of(read_sessions, csv(rows.drop(columns=column).to_csv(index=False))) == [problem]


def test_required_columns_of_stock_that_are_not_there(csv):
    assert problems_of(read_stock, csv("blade\noscillating\n")) == [
        (1, "amount", "", "a column amount" + HEADING),
        (1, "what", "", "a column what" + HEADING),
    ]


@pytest.mark.parametrize(
    ("heading", "column", "allowed"),
    [
        ("sesion_id", "session_id", "the heading session_id"),
        ("session", "session_id", "the heading session_id"),
        ("start_at", "starts_at", "the heading starts_at"),
        ("hours", "minutes", "the heading minutes, values in min"),
        ("min", "minutes", "the heading minutes, values in min"),
        ("canister_l", "canister_ml", "the heading canister_ml, values in mL"),
        ("Max gland (cc)", "max_gland_ml", "the heading max_gland_ml, values in mL"),
        ("max_overtime_h", "max_overtime_min", "the heading max_overtime_min, values in min"),
        ("surgeons", "surgeon", "the heading surgeon"),
    ],
)
def test_a_heading_that_is_nearly_a_column(csv, heading, column, allowed):
    rows = pd.DataFrame({"session_id": ["s1"], "starts_at": ["2026-01-05T08:00"], "minutes": [240]})
    rows = rows.drop(columns=column, errors="ignore").assign(**{heading: ""})
    assert problems_of(read_sessions, csv(rows.to_csv(index=False))) == [(1, column, heading, allowed)]


@pytest.mark.parametrize("heading", ["day", "l", "comment", "theatre", "days"])
def test_a_heading_that_is_far_from_every_column_is_kept_out(csv, heading):
    text = f"session_id,starts_at,minutes,{heading}\ns,2026-01-05T08:00,240,x\n"
    found = quietly(read_sessions, csv(text)).warnings
    assert found[["row", "column", "kind"]].to_numpy().tolist() == [[1, heading, "unknown_column"]]


@pytest.mark.parametrize(("read", "text"), [(read_sessions, SESSIONS), (read_stock, STOCK)], ids=["sessions", "stock"])
@pytest.mark.parametrize(
    ("heading", "meaning"),
    [
        ("Patient name", "name"),
        ("nhs_number", "national number"),
        ("DOB", "date of birth"),
        ("hospital no", "hospital number"),
    ],
)
def test_headings_that_identify_patients_are_refused(csv, read, text, heading, meaning):
    lines = text.splitlines()
    content = "\n".join([f"{lines[0]},{heading}", *(f"{line},x" for line in lines[1:])])
    assert problems_of(read, csv(content)) == [(1, heading, heading, patient(meaning))]


@pytest.mark.parametrize(
    ("columns", "problem"),
    [
        ({"minutes": "Length (h)"}, (1, "minutes", "Length (h)", "values in min; the heading says otherwise")),
        ({"minutes": "Len"}, (1, "minutes", "Len", "a heading of the file: session_id, starts_at, Length (h)")),
        ({"gland_ml": "Length (h)"}, None),
    ],
)
def test_mapping_that_cannot_be(csv, columns, problem):
    text = "session_id,starts_at,Length (h)\ns,2026-01-05T08:00,4\n"
    told = problems_of(read_sessions, csv(text), columns=columns)
    if problem is None:
        assert told[0][:3] == (1, "gland_ml", "Length (h)")
        assert told[0][3].startswith("a mapping of one of these columns: session_id, starts_at, minutes")
        assert told[1:] == [(1, BOTH, "", ANY_HEADING)]
    else:
        assert told == [problem]


@pytest.mark.parametrize(
    ("content", "name", "problems"),
    [
        ("", "a.csv", [(1, "", "", "a heading and at least one session; the file is empty")]),
        (SESSIONS.splitlines()[0], "a.csv", [(1, "", "", "at least one session below the heading")]),
        (b"PK\x03\x04 damaged", "a.xlsx", [(1, "", "File is not a zip file", "an .xlsx workbook that can be opened")]),
        ("x", "a.txt", [(1, "", ".txt", "a file that ends in .csv, .tsv, .xlsx, .parquet")]),
        (
            "session_id,starts_at,minutes,,Minutes\na,2026-01-05T08:00\nb,2026-01-06T08:00,240,x,240\n",
            "a.csv",
            [
                (1, "", "", "a heading above column 4, which holds values"),
                (1, "minutes", "Minutes", "one column of this heading"),
                (2, "", "2 fields", "5 fields, as in the heading"),
            ],
        ),
        (
            "session_id,starts_at,minutes,surgeon\na,2026-01-05T08:00,240,Bj\xf6rk\n".encode("cp1252"),
            "a.csv",
            [(2, "surgeon", "Bj\ufffdrk", "text, or blank" + NOT_UTF8)],
        ),
        (
            "session_id;starts_at;minutes;max_gland_ml\na;2026-01-05T08:00;240,5;150.5\n",
            "a.csv",
            [(2, "max_gland_ml", "150.5", GLAND + "; with a decimal comma, as elsewhere in the file")],
        ),
    ],
)
def test_files_that_cannot_be_read(csv, content, name, problems):
    assert problems_of(read_sessions, csv(content, name)) == problems


def test_every_problem_of_sessions_is_told_at_once(csv):
    text = """\
session_id,starts_at,minutes,ends_at,room,surgeon,overrun_risk,mrn,max_large
a,2026-01-05T08:00,480,,R1,A,0.2,,1
a,2026-01-05T09:00,,2026-01-05T12:00,R1,A,20,,0.5
,,4 h,2026-01-06T07:30,R2,B,,,
c,2026-01-06T08:00,,2026-01-06T07:30,R2,B,0,,

d,2026-01-06T09:00,240,2026-01-06T12:00,R2,B
e,2026-01-07T08:00,,,R2,B,,,-1
f,2026-01-05T11:00,240,,R2,A,,,
"""
    overlap = "one session of this {} at a time; {} overlaps a (2026-01-05T08:00 to 2026-01-05T16:00) of row 2"
    second, last = "a (2026-01-05T09:00 to 2026-01-05T12:00)", "f (2026-01-05T11:00 to 2026-01-05T15:00)"
    assert problems_of(read_sessions, csv(text)) == sorted(
        [
            (1, "mrn", "mrn", patient("hospital number")),
            (3, "session_id", "a", "an id of its own; row 2 has this one"),
            (3, "overrun_risk", "20", RISK),
            (3, "max_large", "0.5", LARGE),
            (3, "surgeon", "A", overlap.format("surgeon", second)),
            (3, "room", "R1", overlap.format("room", second)),
            (4, "session_id", "", "text"),
            (4, "starts_at", "", MOMENT),
            (4, "minutes", "4 h", MINUTES + ", or blank; the number alone, the column is in min"),
            (5, "ends_at", "2026-01-06T07:30", "later than starts_at, 2026-01-06T08:00"),
            (5, "overrun_risk", "0", RISK),
            (7, "", "6 fields", "9 fields, as in the heading"),
            (8, "minutes", "", MINUTES + ", or a date and time in ends_at"),
            (8, "max_large", "-1", LARGE),
            (9, "surgeon", "A", overlap.format("surgeon", last)),
        ]
    )


def test_every_problem_of_stock_is_told_at_once(csv):
    text = """\
day,what,blade,suction,canister_ml,amount,reprocess_min
,device_set,,,,2,60
,device_set,,,,3,60
2026-01-05 08:00,canister,oscillating,wall,2000,2.5,30
2026-01-05,irrigation_l,,,2000,,
2026-01-05,pump,spinning,,2000,-1,
1980-01-01,canister,,,inf,x,
"""
    assert problems_of(read_stock, csv(text)) == sorted(
        [
            (3, "what", "device_set", "one row for this thing without a day; row 2 is one"),
            (4, "day", "2026-01-05T08:00", DATE),
            (4, "blade", "oscillating", "blank: only a device_set has it"),
            (4, "suction", "wall", "blank: only a device_set has it"),
            (4, "reprocess_min", "30", "blank: only a device_set has it"),
            (4, "amount", "2.5", "a whole number of at least 0, as of every canister"),
            (5, "canister_ml", "2000", "blank: only a canister has it"),
            (5, "amount", "", "a number of at least 0"),
            (6, "what", "pump", "device_set, canister or irrigation_l"),
            (6, "blade", "spinning", "reciprocating or oscillating, or blank"),
            (6, "amount", "-1", "a number of at least 0"),
            (7, "day", "1980-01-01", DATE),
            (7, "canister_ml", "inf", "a number from 100 to 100000 mL, or blank"),
            (7, "amount", "x", "a number of at least 0"),
        ]
    )


def test_a_refused_end_or_start_does_not_overlap_anything(csv):
    text = """\
session_id,starts_at,minutes,ends_at,surgeon
a,2026-01-05T08:00,,2026-01-09T08:00,A
b,2026-01-06T08:00,240,,A
"""
    assert [problem[:2] for problem in problems_of(read_sessions, csv(text))] == [(2, "ends_at")]


# --- what must hold for any data -------------------------------------------------------------------------------------

maybe = st.one_of
codes = st.text(
    st.characters(codec="utf-8", exclude_categories=["C", "Z"], exclude_characters="\ufffd"), min_size=1, max_size=6
)
FIRST = dt.datetime(2026, 1, 5)
session_rows = st.fixed_dictionaries(
    {
        "starts_min": st.integers(1, 1439),
        "minutes": st.integers(1, 2880).map(lambda halves: halves / 2),
        "told": st.sampled_from(["minutes", "ends_at", "both"]),
        "room": maybe(st.none(), codes),
        "surgeon": maybe(st.none(), codes),
        "blade": st.sampled_from(["", "reciprocating", "oscillating"]),
        "canister_ml": maybe(st.none(), st.just(np.inf), st.floats(100, 100_000)),
        "anaesthesia": st.sampled_from(["", "general", "spinal"]),
        "max_overtime_min": maybe(st.none(), st.floats(0, 600)),
        "overrun_risk": maybe(st.none(), st.floats(0.001, 0.999)),
        "max_large": maybe(st.none(), st.integers(0, 12)),
        "max_cases": maybe(st.none(), st.integers(1, 12)),
    }
)


def sessions_frame(rows):
    """Sessions of one day each with a day between them: none overlaps another."""
    frame = pd.DataFrame(rows).drop(columns=["starts_min", "told"])
    starts = [FIRST + dt.timedelta(days=2 * i, minutes=row["starts_min"]) for i, row in enumerate(rows)]
    ends = [start + dt.timedelta(minutes=row["minutes"]) for start, row in zip(starts, rows, strict=True)]
    told = [row["told"] for row in rows]
    frame.insert(0, "session_id", [f"s{i}" for i in range(len(rows))])
    frame.insert(1, "starts_at", starts)
    frame["ends_at"] = [None if what == "minutes" else end for what, end in zip(told, ends, strict=True)]
    frame["minutes"] = frame["minutes"].where(np.array([what != "ends_at" for what in told]))
    return frame, ends


many_sessions = st.lists(session_rows, min_size=1, max_size=8)
in_a_folder = settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])


@in_a_folder
@given(many_sessions)
def test_sessions_that_were_read_read_the_same_from_any_format(tmp_path, rows):
    source, ends = sessions_frame(rows)
    frame = quietly(read_sessions, source).frame
    assert frame["minutes"].tolist() == [row["minutes"] for row in rows]
    assert frame["ends_at"].tolist() == list(map(pd.Timestamp, ends))
    iso = "%Y-%m-%dT%H:%M:%S"
    frame.to_csv(tmp_path / "unit.csv", index=False, date_format=iso)
    frame.to_csv(tmp_path / "unit.tsv", index=False, date_format=iso, sep="\t", decimal=",")
    frame.to_parquet(tmp_path / "unit.parquet")
    frame.replace(np.inf, "inf").to_excel(tmp_path / "unit.xlsx", index=False)
    for again in (frame, *(tmp_path / f"unit.{ending}" for ending in ("csv", "tsv", "parquet", "xlsx"))):
        pd.testing.assert_frame_equal(quietly(read_sessions, again).frame, frame)


@in_a_folder
@given(many_sessions, st.randoms(use_true_random=False))
def test_the_order_of_columns_does_not_matter(rows, random):
    source, _ = sessions_frame(rows)
    columns = list(source.columns)
    random.shuffle(columns)
    one, other = quietly(read_sessions, source), quietly(read_sessions, source[columns])
    pd.testing.assert_frame_equal(one.frame, other.frame)
    pd.testing.assert_frame_equal(one.warnings, other.warnings)


@in_a_folder
@given(many_sessions, st.data())
def test_one_bad_cell_is_one_problem_at_its_place(rows, data):
    source, _ = sessions_frame(rows)
    text = source.astype(object).where(source.notna(), None)
    row = data.draw(st.integers(0, len(text) - 1))
    column = data.draw(
        st.sampled_from([name for name in text.columns if name not in ("session_id", "room", "surgeon")])
    )
    text.loc[row, column] = "?!"
    told = [problem[:3] for problem in problems_of(read_sessions, text)]
    assert told == [(row + 2, column, "?!")]


@in_a_folder
@given(
    st.lists(
        st.tuples(st.integers(0, 20), st.integers(1, 8), st.sampled_from("AB"), st.sampled_from(["R1", "R2", ""])),
        min_size=1,
        max_size=8,
    )
)
def test_sessions_overlap_where_two_of_them_share_a_minute(rows):
    start, length, surgeon, room = zip(*rows, strict=True)
    frame = pd.DataFrame({"session_id": [f"s{i}" for i in range(len(rows))], "surgeon": surgeon, "room": room})
    frame["starts_at"] = [FIRST + dt.timedelta(hours=hour) for hour in start]
    frame["minutes"] = [60.0 * hours for hours in length]
    order = sorted(range(len(rows)), key=lambda i: (start[i], i))
    expected = {
        (later + 2, column)
        for place, later in enumerate(order)
        for column, who in (("surgeon", surgeon), ("room", room))
        if who[later] and any(who[i] == who[later] and start[i] + length[i] > start[later] for i in order[:place])
    }
    try:
        quietly(read_sessions, frame)
        told = set()
    except lt.InvalidData as refused:
        told = set(zip(refused.problems["row"], refused.problems["column"], strict=True))
    assert told == expected


stock_rows = st.fixed_dictionaries(
    {
        "day": maybe(st.none(), st.dates(dt.date(2026, 1, 5), dt.date(2026, 1, 9))),
        "what": st.sampled_from(["device_set", "canister", "irrigation_l"]),
        "blade": st.sampled_from(["", "reciprocating", "oscillating"]),
        "canister_ml": maybe(st.none(), st.sampled_from([2000.0, 3000.0])),
        "amount": st.integers(0, 50),
        "reprocess_min": maybe(st.none(), st.floats(0, 600)),
    }
)


@in_a_folder
@given(st.lists(stock_rows, min_size=1, max_size=8, unique_by=lambda row: (row["day"], row["what"])))
def test_stock_that_was_read_reads_the_same_from_any_format(tmp_path, rows):
    source = pd.DataFrame(rows)
    sets, canisters = source["what"] == "device_set", source["what"] == "canister"
    source["blade"] = source["blade"].where(sets, "")
    source["reprocess_min"] = source["reprocess_min"].astype(float).where(sets)
    source["canister_ml"] = source["canister_ml"].astype(float).where(canisters)
    frame = quietly(read_stock, source).frame
    assert frame["amount"].tolist() == source["amount"].tolist()
    frame.to_csv(tmp_path / "unit.csv", index=False)
    frame.to_csv(tmp_path / "unit.tsv", index=False, sep="\t", decimal=",")
    frame.to_parquet(tmp_path / "unit.parquet")
    frame.to_excel(tmp_path / "unit.xlsx", index=False)
    for again in (frame, *(tmp_path / f"unit.{ending}" for ending in ("csv", "tsv", "parquet", "xlsx"))):
        pd.testing.assert_frame_equal(quietly(read_stock, again).frame, frame)


@in_a_folder
@given(st.binary(max_size=200))
@pytest.mark.parametrize(("read", "text"), [(read_sessions, SESSIONS), (read_stock, STOCK)], ids=["sessions", "stock"])
def test_any_bytes_are_read_or_refused(tmp_path, read, text, content):
    path = tmp_path / "unit.csv"
    path.write_bytes(text.encode() + content)
    try:
        quietly(read, path)
    except lt.InvalidData as refused:
        assert len(refused.problems)
