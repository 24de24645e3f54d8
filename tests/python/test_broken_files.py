"""Every broken file is refused with all of its problems, row, column, value and what is allowed, and nothing is
written.
"""

from __future__ import annotations

import datetime as dt
import pickle
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

import lobetime as lt
from lobetime.cases import check_file
from lobetime.identity import heading_tells

GLAND = "a number above 0 and at most 1000 mL"
TISSUE = "a number above 0 and at most 1000 g, or blank"
MINUTES = "a number above 0 and at most 1440 min, or blank"
CANISTER = "a number from 100 to 100000 mL; inf or blank for a continuous drain"
SWAPS = "a whole number from 0 to 100, or blank"
CASE_NO = "a whole number from 1 to 100000, or blank"
FLAG = "0, 1, yes, no, true or false, or blank"
DATE = "a date written YYYY-MM-DD, not before 1990-01-01, or blank"
UNIT = "; the number alone, the column is in "
COMMA = "; a decimal comma is read only in files separated by semicolons or tabs"
NOT_UTF8 = "; saved as UTF-8, which this is not"
GLAND_COLUMN = "a column gland_ml (mL), or a mapping of it to a heading"
TIMES = "enucleation_min, haemostasis_min, morcellation_min, operative_min, theatre_min"
ONE_TIME = (1, TIMES, "", "at least one of these columns, or a mapping of one to a heading")

Problem = tuple[int, str, str, str]


def patient(meaning: str) -> str:
    """What is said of a heading that tells this of a patient."""
    advice = "remove it from the file, or name it to be dropped; nothing here needs it"
    return f"no column that can identify a patient (its heading says {meaning}): {advice}"


@dataclass(frozen=True)
class Broken:
    """A file (a text, bytes, or a function that writes it) and all of its problems."""

    name: str
    content: str | bytes | Callable[[Path], None]
    problems: list[Problem]
    file: str = "unit.csv"
    kind: str = "history"

    def write(self, folder: Path) -> Path:
        path = folder / self.file
        if callable(self.content):
            self.content(path)
        else:
            path.write_bytes(self.content if isinstance(self.content, bytes) else self.content.encode())
        return path


def workbook(*rows: list[object]) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        book = openpyxl.Workbook()
        for row in rows:
            book.active.append(row)
        book.save(path)

    return write


def parquet(**columns: list[object]) -> Callable[[Path], None]:
    return lambda path: pd.DataFrame(columns).to_parquet(path)


def one_cell(column: str, value: str, allowed: str, shown: str | None = None, name: str = "") -> Broken:
    """Three cases; the second has one bad value."""
    if column == "gland_ml":
        text = f'gland_ml,operative_min\n60,75\n"{value}",80\n90,95\n'
    elif column == "operative_min":
        text = f'gland_ml,operative_min\n60,75\n70,"{value}"\n90,95\n'
    else:
        text = f'gland_ml,operative_min,{column}\n60,75,\n70,80,"{value}"\n90,95,\n'
    problem = (3, column, value if shown is None else shown, allowed)
    return Broken(name or f"{column} {value or 'blank'}", text, [problem])


def everywhere(word: str) -> Broken:
    """One word in every numeric column; a canister may be inf, nothing else."""
    allowed = {
        "surgeon_case_no": CASE_NO,
        "gland_ml": GLAND,
        "tissue_g": TISSUE,
        "canister_ml": CANISTER,
        "canister_swaps": SWAPS,
        **dict.fromkeys([*TIMES.split(", "), "turnover_min"], MINUTES),
        **dict.fromkeys(["device_fault", "hard_nodule", "trainee", "anticoagulated"], FLAG),
    }
    text = ",".join(allowed) + "\n" + ",".join([word] * len(allowed)) + "\n"
    told = [(2, column, word, what) for column, what in allowed.items() if (column, word) != ("canister_ml", "inf")]
    return Broken(f"{word} everywhere", text, told)


def hours(column: str) -> str:
    return f"gland_ml,{column}\n" + "".join(f"{60 + i},{value}\n" for i, value in enumerate(["0.75", "1.1", "1.5"]))


SINGLE_CELLS = [
    one_cell("gland_ml", "", GLAND),
    one_cell("gland_ml", "-60", GLAND),
    one_cell("gland_ml", "0", GLAND),
    one_cell("gland_ml", "6000", GLAND),
    one_cell("gland_ml", "sixty", GLAND),
    one_cell("gland_ml", "60 mL", GLAND + UNIT + "mL"),
    one_cell("gland_ml", "62,5", GLAND + COMMA),
    one_cell("gland_ml", "1,000", GLAND + COMMA),
    one_cell("gland_ml", "60-70", GLAND),
    one_cell("gland_ml", "~60", GLAND),
    one_cell("gland_ml", "NA", GLAND),
    one_cell("gland_ml", "1e999", GLAND),
    one_cell("gland_ml", "0x3C", GLAND),
    one_cell("tissue_g", "0", TISSUE),
    one_cell("tissue_g", "45g", TISSUE + UNIT + "g"),
    one_cell("operative_min", "1h15", MINUTES),
    one_cell("operative_min", "1:15", MINUTES),
    one_cell("operative_min", "75 min", MINUTES + UNIT + "min"),
    one_cell("operative_min", "-", MINUTES),
    one_cell("operative_min", "n/a", MINUTES),
    one_cell("operative_min", "1500", MINUTES),
    one_cell("canister_ml", "2", CANISTER),
    one_cell("canister_ml", "-inf", CANISTER),
    one_cell("canister_ml", "1e999", CANISTER),
    one_cell("canister_ml", "2 L", CANISTER + UNIT + "mL"),
    one_cell("canister_swaps", "1.5", SWAPS),
    one_cell("canister_swaps", "-1", SWAPS),
    one_cell("surgeon_case_no", "0", CASE_NO),
    one_cell("surgeon_case_no", "12.5", CASE_NO),
    one_cell("trainee", "2", FLAG),
    one_cell("hard_nodule", "maybe", FLAG),
    one_cell("blade", "spinning", "reciprocating or oscillating, or blank"),
    one_cell("suction", "pump", "vacuum, peristaltic or wall, or blank"),
    one_cell("anaesthesia", "none", "general or spinal, or blank"),
    one_cell("morcellation_outcome", "stopped", "complete, deferred or other_route, or blank"),
    one_cell("operated_on", "05/04/2024", DATE + "; day and month cannot be told apart here"),
    one_cell("operated_on", "19/03/2022", DATE + "; the year comes first"),
    one_cell("operated_on", "5.4.24", DATE + "; day and month cannot be told apart here"),
    one_cell("operated_on", "45387", DATE + "; 45387 looks like a spreadsheet's day number: format the cells as dates"),
    one_cell("operated_on", "2024-02-30", DATE),
    one_cell("operated_on", "1924-02-03", DATE),
    one_cell("operated_on", "yesterday", DATE),
]

HEADINGS = [
    Broken("no gland", "surgeon,operative_min\nA,75\n", [(1, "gland_ml", "", GLAND_COLUMN)]),
    Broken("no time", "gland_ml,surgeon\n60,A\n", [ONE_TIME]),
    Broken("neither", "surgeon\nA\n", [(1, "gland_ml", "", GLAND_COLUMN), ONE_TIME]),
    Broken("only turnover", "gland_ml,turnover_min\n60,20\n", [ONE_TIME]),
    Broken(
        "gland in litres by name",
        "gland_l,operative_min\n0.06,75\n",
        [(1, "gland_ml", "gland_l", "the heading gland_ml, values in mL")],
    ),
    Broken(
        "time in hours by name",
        "gland_ml,enucleation_h\n60,0.75\n",
        [(1, "enucleation_min", "enucleation_h", "the heading enucleation_min, values in min")],
    ),
    Broken(
        "tissue in kilograms by name",
        "gland_ml,operative_min,Tissue (kg)\n60,75,0.04\n",
        [(1, "tissue_g", "Tissue (kg)", "the heading tissue_g, values in g")],
    ),
    Broken(
        "misspelt",
        "gland_ml,operative_mins,surgon\n60,75,A\n",
        [
            (1, "operative_min", "operative_mins", "the heading operative_min, values in min"),
            (1, "surgeon", "surgon", "the heading surgeon"),
        ],
    ),
    Broken(
        "heading twice",
        "gland_ml,operative_min,Gland mL\n60,75,61\n",
        [(1, "gland_ml", "Gland mL", "one column of this heading")],
    ),
    Broken(
        "no heading above values",
        "gland_ml,operative_min,,\n60,75,,\n70,80,,late\n",
        [(1, "", "", "a heading above column 4, which holds values")],
    ),
    *(
        Broken(
            f"patient: {heading}",
            f"gland_ml,operative_min,{heading}\n60,75,x\n",
            [(1, heading, heading, patient(heading_tells(heading)))],
        )
        for heading in [
            "name",
            "Patient",
            "patient_name",
            "MRN",
            "nhs",
            "hospital_no",
            "DOB",
            "date of birth",
            "surname",
        ]
    ),
    Broken(
        "no heading line",
        "60,75\n70,80\n",
        [(1, "gland_ml", "", GLAND_COLUMN), ONE_TIME],
    ),
    Broken(
        "two separators",
        "gland_ml,operative_min;surgeon\n60,75;A\n",
        [(1, "", "',' ';'", "one separator in the heading line")],
    ),
]

WHOLE_COLUMNS = [
    Broken(
        "gland in litres",
        "gland_ml,operative_min\n0.06,75\n0.08,80\n0.12,95\n",
        [(1, "gland_ml", "median 0.08", "millilitres; the column looks like litres or centilitres")],
    ),
    Broken(
        "tissue in kilograms",
        "gland_ml,operative_min,tissue_g\n60,75,0.04\n80,80,0.05\n99,95,0.06\n",
        [(1, "tissue_g", "median 0.05", "grams; the column looks like kilograms")],
    ),
    *(
        Broken(f"{column} in hours", hours(column), [(1, column, "median 1.1", "minutes; the column looks like hours")])
        for column in ["enucleation_min", "operative_min", "theatre_min"]
    ),
    Broken(
        "time in seconds",
        "gland_ml,morcellation_min\n60,600\n80,720\n99,900\n",
        [(1, "morcellation_min", "median 720", "minutes; the column looks like seconds")],
    ),
    Broken(
        "20 equal rows",
        "gland_ml,operative_min\n" + "60,75\n" * 20,
        [(1, "", "20 equal rows", "rows that differ: every row is the same")],
    ),
    Broken(
        "ids used twice",
        "case_id,gland_ml,operative_min\na,60,75\nb,70,80\na,80,85\na,90,95\n",
        [
            (4, "case_id", "a", "an id of its own; row 2 has this one"),
            (5, "case_id", "a", "an id of its own; row 2 has this one"),
        ],
    ),
]

FILES = [
    Broken("empty", "", [(1, "", "", "a heading and at least one case; the file is empty")]),
    Broken("byte order mark only", "\ufeff", [(1, "", "", "a heading and at least one case; the file is empty")]),
    Broken("blank lines only", "\n \n\n", [(1, "", "", "a heading and at least one case; the file is empty")]),
    Broken("heading only", "gland_ml,operative_min\n", [(1, "", "", "at least one case below the heading")]),
    Broken("heading and blanks", "gland_ml,operative_min\n,\n\n", [(1, "", "", "at least one case below the heading")]),
    Broken(
        "rows too long and too short",
        "gland_ml,operative_min\n60,75\n\n70,80,9\n80\n90,95\n",
        [
            (4, "", "3 fields", "2 fields, as in the heading"),
            (5, "", "1 field", "2 fields, as in the heading"),
        ],
    ),
    Broken(
        "bare decimal comma",
        "gland_ml,operative_min\n62,5,75\n",
        [(2, "", "3 fields", "2 fields, as in the heading")],
    ),
    Broken(
        "open quotation mark",
        'gland_ml,operative_min\n60,75\n70,"80\n90,95\n',
        [(3, "", "unexpected end of data", "quotation marks in pairs, around whole fields")],
    ),
    Broken(
        "half-quoted field",
        'gland_ml,operative_min\n60,75\n70,"80"5\n',
        [(3, "", "',' expected after '\"'", "quotation marks in pairs, around whole fields")],
    ),
    Broken(
        "both decimal marks",
        "gland_ml;operative_min;canister_ml\n62,5;75;\n60.5;80;2.000\n",
        [
            (3, "gland_ml", "60.5", GLAND + "; with a decimal comma, as elsewhere in the file"),
            (3, "canister_ml", "2.000", CANISTER + "; with a decimal comma, as elsewhere in the file"),
        ],
    ),
    Broken("thousands", "gland_ml;operative_min\n60;75\n1.060,5;80\n", [(3, "gland_ml", "1.060,5", GLAND)]),
    Broken(
        "cp1252",
        "gland_ml,operative_min,surgeon\n60,75,A\n70,80,Bj\xf6rk\n".encode("cp1252"),
        [(3, "surgeon", "Bj\ufffdrk", "text, or blank" + NOT_UTF8)],
    ),
    Broken(
        "cp1252 in a heading and in a column that is not read",
        "gland_ml,operative_min,gr\xf6\xdfe\n60,75,x\n70,80,\xe9\n".encode("cp1252"),
        [
            (1, "gr\ufffd\ufffde", "gr\ufffd\ufffde", "text" + NOT_UTF8),
            (3, "gr\ufffd\ufffde", "\ufffd", "text" + NOT_UTF8),
        ],
    ),
    Broken(
        "UTF-16",
        "gland_ml,operative_min\n60,75\n".encode("utf-16"),
        [(1, "", "a byte 0", "text saved as UTF-8; this is another encoding or no text")],
    ),
    Broken(
        "binary",
        b"gland_ml\n\x89PNG\r\n\x1a\n\x00\x00\x01",
        [(4, "", "a byte 0", "text saved as UTF-8; this is another encoding or no text")],
    ),
    Broken(
        "text file", "gland_ml\n60\n", [(1, "", ".doc", "a file that ends in .csv, .tsv, .xlsx, .parquet")], "a.doc"
    ),
    Broken("old workbook", b"\xd0\xcf", [(1, "", ".xls", "a file that ends in .csv, .tsv, .xlsx, .parquet")], "a.xls"),
    Broken(
        "empty workbook", workbook(), [(1, "", "", "a heading and at least one case; the sheet is empty")], "a.xlsx"
    ),
    Broken(
        "damaged workbook",
        b"PK\x03\x04 damaged",
        [(1, "", "File is not a zip file", "an .xlsx workbook that can be opened")],
        "a.xlsx",
    ),
    Broken(
        "workbook cells",
        workbook(
            ["gland_ml", "operative_min", "operated_on", "trainee"],
            [60, 75, dt.date(2024, 5, 4), True],
            [],
            ["70", dt.time(1, 15), 45387, 3],
            [True, "=A2+15", dt.datetime(2024, 5, 4, 8, 30), False],
            [80, "#DIV/0!", "4 May 2024", "yes"],
        ),
        [
            (
                4,
                "operated_on",
                "45387",
                DATE + "; 45387 looks like a spreadsheet's day number: format the cells as dates",
            ),
            (4, "operative_min", "01:15:00", MINUTES),
            (4, "trainee", "3", FLAG),
            (5, "gland_ml", "true", GLAND),
            (5, "operative_min", "=A2+15", MINUTES),
            (6, "operated_on", "4 May 2024", DATE),
            (6, "operative_min", "#DIV/0!", MINUTES),
        ],
        "a.xlsx",
    ),
    Broken(
        "workbook with a title above its heading",
        workbook(["Our unit"], [], ["gland_ml", "operative_min"], [60, 75]),
        [
            (1, "gland_ml", "", GLAND_COLUMN),
            ONE_TIME,
            (1, "", "", "a heading above column 2, which holds values"),
        ],
        "a.xlsx",
    ),
    Broken(
        "parquet cells",
        parquet(gland_ml=[60.0, float("inf"), float("nan")], operative_min=["75", "inf", None]),
        [
            (3, "gland_ml", "inf", GLAND),
            (3, "operative_min", "inf", MINUTES),
            (4, "gland_ml", "", GLAND),
        ],
        "a.parquet",
    ),
    everywhere("inf"),
    everywhere("nan"),
    everywhere("NaN"),
    everywhere("abc"),
    Broken(
        "several at once",
        "gland_ml,operative_min,tissue_kg,mrn,case_id\n-60,75,1,2,a\n70,x,1,2,b\n80,85,1,2\n90,2000,1,2,a\n",
        [
            (1, "mrn", "mrn", patient("hospital number")),
            (1, "tissue_g", "tissue_kg", "the heading tissue_g, values in g"),
            (2, "gland_ml", "-60", GLAND),
            (3, "operative_min", "x", MINUTES),
            (4, "", "4 fields", "5 fields, as in the heading"),
            (5, "operative_min", "2000", MINUTES),
            (5, "case_id", "a", "an id of its own; row 2 has this one"),
        ],
    ),
]

BOOKINGS = [
    Broken("bookings: no gland", "case_id\na\n", [(1, "gland_ml", "", GLAND_COLUMN)], kind="bookings"),
    Broken("bookings: blank gland", "case_id,gland_ml\na,\n", [(2, "gland_ml", "", GLAND)], kind="bookings"),
    Broken(
        "bookings: waiting and due",
        "gland_ml,days_waiting,due_by\n60,-3,2030-01-05\n70,30,05/01/2030\n80,5,1980-01-01\n",
        [
            (2, "days_waiting", "-3", "a number from 0 to 36500 d, or blank"),
            (3, "due_by", "05/01/2030", DATE + "; day and month cannot be told apart here"),
            (4, "due_by", "1980-01-01", DATE),
        ],
        kind="bookings",
    ),
    Broken(
        "bookings: id used twice",
        "case_id,gland_ml\na,60\na,70\n",
        [(3, "case_id", "a", "an id of its own; row 2 has this one")],
        kind="bookings",
    ),
]

ALL = [*SINGLE_CELLS, *HEADINGS, *WHOLE_COLUMNS, *FILES, *BOOKINGS]


def read(path: Path, kind: str) -> object:
    return lt.read_cases(path) if kind == "history" else lt.read_bookings(path)


def told(problems: object) -> list[tuple[object, ...]]:
    return sorted(map(tuple, problems.to_numpy().tolist()))  # type: ignore[attr-defined]


@pytest.mark.parametrize("broken", ALL, ids=lambda broken: broken.name)
def test_is_refused_with_all_its_problems(broken, tmp_path):
    path = broken.write(tmp_path)
    before = path.read_bytes()
    with pytest.raises(lt.InvalidData) as refused:
        read(path, broken.kind)
    problems = refused.value.problems
    assert told(problems) == sorted(broken.problems)
    assert problems["row"].is_monotonic_increasing
    for row, column, value, allowed in broken.problems:
        assert f"row {row}{', ' * bool(column)}{column}: " in str(refused.value)
        assert value in str(refused.value) and allowed in str(refused.value)
    assert [file.name for file in tmp_path.iterdir()] == [path.name]
    assert path.read_bytes() == before


@pytest.mark.parametrize("broken", ALL, ids=lambda broken: broken.name)
def test_check_file_says_the_same_without_raising(broken, tmp_path):
    findings = check_file(broken.write(tmp_path), broken.kind)
    problems = findings[findings["severity"] == "problem"]
    assert told(problems[["row", "column", "value", "message"]]) == sorted(broken.problems)
    assert list(findings.columns) == ["row", "column", "value", "severity", "kind", "message"]


def test_there_are_enough_of_them():
    names = [broken.name for broken in ALL]
    assert len(names) == len(set(names)) >= 80


@pytest.mark.parametrize("source", ["missing.csv", "missing.xlsx", "missing.parquet", "missing.doc"])
def test_a_missing_file_is_no_question_of_data(source, tmp_path):
    with pytest.raises(FileNotFoundError):
        lt.read_cases(tmp_path / source)


def test_a_million_equal_rows(tmp_path):
    path = tmp_path / "unit.csv"
    path.write_text("gland_ml,operative_min\n" + "60,75\n" * 1_000_000)
    with pytest.raises(lt.InvalidData) as refused:
        lt.read_cases(path)
    assert told(refused.value.problems) == [
        (1, "", "1000000 equal rows", "rows that differ: every row is the same"),
    ]


def test_a_damaged_parquet_file(tmp_path):
    path = tmp_path / "unit.parquet"
    path.write_bytes(b"PAR1 damaged PAR1")
    with pytest.raises(lt.InvalidData) as refused:
        lt.read_cases(path)
    (row, column, _, allowed), *others = told(refused.value.problems)
    assert (row, column, allowed, others) == (1, "", "a .parquet file that can be opened", [])


def test_the_message_of_many_problems_stays_readable(tmp_path):
    path = tmp_path / "unit.csv"
    path.write_text("gland_ml,operative_min\n" + "".join(f"-{i},75\n" for i in range(1, 201)))
    with pytest.raises(lt.InvalidData, match=r"unit\.csv: 200 problems") as refused:
        lt.read_cases(path)
    assert len(refused.value.problems) == 200
    assert str(refused.value).endswith("and 150 more; .problems holds all of them")
    assert len(str(refused.value).splitlines()) == 52


def test_the_error_goes_through_pickle(tmp_path):
    path = tmp_path / "unit.csv"
    path.write_text("gland_ml,operative_min\n-1,75\n")
    with pytest.raises(lt.InvalidData) as refused:
        lt.read_cases(path)
    copy = pickle.loads(pickle.dumps(refused.value))
    assert str(copy) == str(refused.value)
    assert copy.problems.equals(refused.value.problems)
