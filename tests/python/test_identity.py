"""Columns that can identify a patient are refused, by heading and by shape; opaque codes and everyday columns are not.

Names, numbers and dates are drawn here at random: they are nobody's.
"""

from __future__ import annotations

import random
import re
import string
import subprocess
import sys
import warnings
from datetime import date, timedelta

import pandas as pd
import pytest
from stdnum import luhn, verhoeff
from stdnum.ch import ssn as ahv
from stdnum.gb import nhs

import lobetime as lt
from lobetime import _core
from lobetime.identity import _NUMBERS, _Number, _Values, heading_tells, identity_columns

GIVEN = ["John", "Peter", "Hans-Jürgen", "José", "Włodzimierz", "Giuseppe", "Lars", "Ahmet", "Paul", "Michael"]
FAMILY = ["Smith", "Müller", "García", "O'Brien", "Kowalski", "de Vries", "Lindqvist", "Rossi", "Yılmaz", "Novák"]


def draws(make, n: int = 30, seed: int = 1) -> list[str]:
    chance = random.Random(seed)
    return [make(chance) for _ in range(n)]


def digits(chance: random.Random, n: int) -> str:
    return "".join(chance.choice("0123456789") for _ in range(n))


def nhs_number(chance: random.Random) -> str:
    while not nhs.is_valid(number := digits(chance, 10)):
        pass
    return number


def birth(chance: random.Random) -> date:
    return date(1930, 1, 1) + timedelta(days=chance.randrange(40 * 365))


def personnummer(chance: random.Random) -> str:
    start = f"{birth(chance):%y%m%d}" + digits(chance, 3)
    return start[:6] + "-" + start[6:] + luhn.calc_check_digit(start)


def name(chance: random.Random) -> str:
    return f"{chance.choice(GIVEN)} {chance.choice(FAMILY)}"


IDENTITY = {
    "NHS": nhs_number,
    "NHS with spaces": lambda c: "{0[0]}{0[1]}{0[2]} {0[3]}{0[4]}{0[5]} {0[6]}{0[7]}{0[8]}{0[9]}".format(nhs_number(c)),
    "AHV": lambda c: (lambda s: f"{s[:3]}.{s[3:7]}.{s[7:11]}.{s[11:]}")((s := "756" + digits(c, 9)) + ahv_check(s)),
    "personnummer": personnummer,
    "Aadhaar": lambda c: (s := c.choice("23456789") + digits(c, 10)) + verhoeff.calc_check_digit(s),
    "SSN": lambda c: f"{c.randint(100, 665)}-{c.randint(10, 99)}-{c.randint(1000, 9999)}",
    "names": name,
    "names, family first": lambda c: f"{c.choice(FAMILY).upper()}, {c.choice(GIVEN)}",
    "names with title": lambda c: f"Herr {c.choice(FAMILY)}",
    "unusual names": lambda c: f"{c.choice(string.ascii_uppercase)}{digits_as_letters(c)} Nguyen{digits_as_letters(c)}",
    "births": lambda c: f"{birth(c)}",
    "births, day first": lambda c: f"{birth(c):%d/%m/%Y}",
    "births, month first": lambda c: f"{birth(c):%m/%d/%Y}",
    "births with points": lambda c: f"{birth(c):%d.%m.%Y}",
    "births in words": lambda c: f"{birth(c):%d %b %Y}",
    "births without anything between": lambda c: f"{birth(c):%Y%m%d}",
    "e-mail": lambda c: f"{digits_as_letters(c)}@example.org",
    "telephone": lambda c: f"+44 7{digits(c, 3)} {digits(c, 6)}",
    "postcodes": lambda c: f"XX{c.randint(1, 9)} {c.randint(1, 9)}AB",
    "streets": lambda c: f"{c.randint(1, 99)} Invented Road",
    "hospital numbers": lambda c: f"K{digits(c, 7)}",
}


def digits_as_letters(chance: random.Random) -> str:
    return "".join(chance.choice(string.ascii_lowercase) for _ in range(6))


def ahv_check(start: str) -> str:
    return next(digit for digit in string.digits if ahv.is_valid(start + digit))


EVERYDAY = {
    "running numbers": lambda c: f"{c.randint(1, 9999)}",
    "weights": lambda c: f"{c.uniform(60, 120):.1f}",
    "remarks": lambda c: c.choice(["none", "large median lobe", "stones too", "on warfarin until last week", ""]),
    "diagnoses": lambda c: c.choice(["Benign Hyperplasia", "Urinary Retention", "Bladder Stones"]),
    "rooms": lambda c: c.choice(["Theatre One", "Theatre Two"]),
    "dates of referral": lambda c: f"{date(2024, 1, 1) + timedelta(days=c.randrange(500))}",
    "days without anything between": lambda c: f"{date(2024, 1, 1) + timedelta(days=c.randrange(500)):%Y%m%d}",
    "times": lambda c: f"{c.randint(7, 17):02d}:{c.randint(0, 59):02d}",
    "grades": lambda c: c.choice(["ASA I", "ASA II", "ASA III"]),
    "flags": lambda c: c.choice(["yes", "no"]),
    "PSA": lambda c: f"{c.uniform(0, 20):.2f}",
    "ages": lambda c: f"{c.randint(45, 95)}",
    "energies": lambda c: f"{c.randint(40_000, 250_000)}",
}

CODES = {
    "short": lambda c: f"C{c.randint(1, 999):03d}",
    "ten digits": lambda c: digits(c, 10),
    "nine digits": lambda c: digits(c, 9),
    "eleven digits": lambda c: digits(c, 11),
    "by day": lambda c: f"{date(2023, 1, 1) + timedelta(days=c.randrange(700)):%y%m%d}{c.randint(1, 9999):04d}",
    "hexadecimal": lambda c: f"{c.getrandbits(48):012x}",
    "uuid-like": lambda c: f"{c.getrandbits(32):08x}-{c.getrandbits(16):04x}",
    "letter and digits": lambda c: f"A{digits(c, 9)}",
    "words": lambda c: f"case {c.randint(1, 999)}",
}


def history(**columns: list[str]) -> pd.DataFrame:
    n = len(next(iter(columns.values())))
    return pd.DataFrame(
        {"gland_ml": [50.0 + i for i in range(n)], "operative_min": [60.0 + i for i in range(n)]} | columns
    )


def refused(read, *args, **settings) -> list[tuple[int, str, str, str]]:
    with pytest.raises(lt.InvalidData) as caught:
        read(*args, **settings)
    return [tuple(row) for row in caught.value.problems.to_numpy().tolist()]


@pytest.mark.parametrize("kind", IDENTITY)
def test_a_column_of_this_shape_is_refused_under_any_heading_and_no_value_is_told(kind):
    values = draws(IDENTITY[kind])
    ((row, column, value, allowed),) = refused(lt.read_cases, history(remark_2=values))
    assert (row, column, value) == (1, "remark_2", "remark_2")
    assert allowed.startswith("no column that can identify a patient (its values, they look like ")
    assert not any(text in allowed for text in values)


@pytest.mark.parametrize("kind", IDENTITY)
def test_it_is_read_once_it_is_dropped(kind):
    table = history(remark_2=draws(IDENTITY[kind]))
    cases = lt.read_cases(table, drop=["Remark_2", "not there"])
    assert list(cases.frame) == ["gland_ml", "operative_min"]
    assert cases.warnings.empty


@pytest.mark.parametrize("kind", EVERYDAY)
@pytest.mark.parametrize("n", [3, 30, 300])
def test_an_everyday_column_is_not_taken_for_identity(kind, n):
    assert identity_columns(history(remark_2=draws(EVERYDAY[kind], n))) == []


@pytest.mark.parametrize("kind", CODES)
@pytest.mark.parametrize("n", [3, 10, 300])
def test_opaque_codes_are_no_identity(kind, n):
    for seed in range(20):
        assert identity_columns(history(case_id=draws(CODES[kind], n, seed)), ["case_id"]) == []


@pytest.mark.parametrize("kind", ["NHS", "NHS with spaces", "AHV", "personnummer", "Aadhaar", "SSN", "names", "e-mail"])
def test_a_case_id_that_is_somebodys_is_refused_with_what_to_do(kind):
    ((row, column, value, allowed),) = refused(lt.read_cases, history(case_id=draws(IDENTITY[kind])))
    assert (row, column, value) == (1, "case_id", "case_id")
    assert "put your own opaque codes in their place" in allowed


def test_the_same_holds_for_numbers_that_a_spreadsheet_keeps_as_numbers():
    values = [int(text) for text in draws(nhs_number) if not text.startswith("0")]
    assert "case_id" in [name for name, _ in identity_columns(history(case_id=values), ["case_id"])]


def test_bookings_sessions_and_stock_are_judged_too():
    numbers = draws(nhs_number, 6)
    bookings = pd.DataFrame({"gland_ml": [60.0] * 6, "case_id": numbers})
    assert [row[1] for row in refused(lt.read_bookings, bookings)] == ["case_id"]
    starts = pd.date_range("2026-01-05 08:00", periods=6)
    sessions = pd.DataFrame({"session_id": list("abcdef"), "starts_at": starts, "minutes": 240, "first_case": numbers})
    assert [row[1] for row in refused(lt.read_sessions, sessions)] == ["first_case"]
    assert len(lt.read_sessions(sessions, drop=["first_case"])) == 6
    days = [f"2026-01-0{i}" for i in range(1, 7)]
    stock = pd.DataFrame({"day": days, "what": "canister", "amount": 3, "kept for": draws(name, 6)})
    assert [row[1] for row in refused(lt.read_stock, stock)] == ["kept for"]
    assert len(lt.read_stock(stock, drop=["kept for"])) == 6


def test_too_few_numbers_to_tell_are_a_warning():
    with pytest.warns(lt.DataWarning, match="identity_possible 1"):
        booked = lt.read_bookings(pd.DataFrame({"gland_ml": [60.0, 70.0], "case_id": draws(nhs_number, 2)}))
    assert booked.warnings["message"].item().endswith("though they are too few to tell")


def test_surgeons_by_name_are_a_warning_and_patients_in_their_place_are_refused():
    surgeons = draws(lambda c: c.choice(["Peter Novák", "Maria Rossi", "Lars Lindqvist"]))
    with pytest.warns(lt.DataWarning, match="identity_possible 1"):
        cases = lt.read_cases(history(surgeon=surgeons))
    assert cases.frame["surgeon"].tolist() == surgeons
    patients = [f"{given} {family}" for given in GIVEN for family in FAMILY]
    ((_, column, _, allowed),) = refused(lt.read_cases, history(surgeon=patients))
    assert column == "surgeon"
    assert "names of patients" in allowed


def test_a_mapped_heading_is_judged_as_the_column_that_it_is():
    surgeons = draws(lambda c: c.choice(["Peter Novák", "Maria Rossi", "Lars Lindqvist"]))
    table = history(Operateur=surgeons)
    assert identity_columns(table, {"Operateur": "surgeon"}) == []
    assert [name for name, _ in identity_columns(table)] == ["Operateur"]
    with pytest.warns(lt.DataWarning, match="identity_possible 1"):
        lt.read_cases(table, columns={"surgeon": "Operateur"})


@pytest.mark.parametrize(
    ("heading", "meaning"),
    [
        *[(one, "name") for one in ["Name", "Patientenname", "Nom du patient", "Apellidos", "Cognome", "Achternaam"]],
        *[
            (one, "name")
            for one in ["Nachname", "Prénom", "Efternavn", "Förnamn", "Nazwisko", "Příjmení", "姓名", "ФИО"]
        ],
        *[(one, "date of birth") for one in ["DOB", "Geburtsdatum", "Geb.-Datum", "Date de naissance", "Birth year"]],
        *[(one, "date of birth") for one in ["Fecha de nacimiento", "Data di nascita", "Født", "Data urodzenia"]],
        *[(one, "hospital number") for one in ["MRN", "Patient ID", "Patientennr.", "NHC", "IPP", "住院号"]],
        *[
            (one, "national number")
            for one in ["NHS number", "Codice fiscale", "BSN", "PESEL", "Rodné číslo", "CPR-nr"]
        ],
        *[(one, "address, telephone or e-mail") for one in ["Adresse", "PLZ", "Telefon", "E-mail address", "Postcode"]],
    ],
)
def test_headings_of_many_languages_tell_what_they_are(heading, meaning):
    assert heading_tells(heading) == meaning
    assert refused(lt.read_cases, history(**{heading: ["x", "y", "z"]})) == [
        (
            1,
            heading,
            heading,
            f"no column that can identify a patient (its heading says {meaning}): remove it from the file, or name it "
            "to be dropped; nothing here needs it",
        )
    ]


@pytest.mark.parametrize(
    "heading",
    [
        *(str(column["name"]) for column in _core.columns()),
        *("session_id", "starts_at", "room", "max_gland_ml", "Device name", "Nom du chirurgien", "Operation"),
        *("Anästhesie", "Remarks", "Age", "ASA", "PSA", "Hospital", "patient age", "Patient position", "Operateur"),
        *("name of device", "number", "Ward", "BMI", "Datum", "Saal"),
    ],
)
def test_other_headings_tell_nothing_of_a_patient(heading):
    assert heading_tells(heading) == ""


@pytest.mark.parametrize(
    "heading",
    ["patientname", "unit number", "given name", "forename", "postcode", "mobile", "ssn", "medical record number"],
)
def test_whatever_the_compiled_part_calls_identity_is_identity_here(heading):
    assert _core.match_headings([heading], "bookings")[1]["value"].count(heading) == 1
    assert heading_tells(heading)


def some(pattern: str, chance: random.Random) -> str:
    """A random text of a simple pattern: classes, counts, alternatives."""
    pattern = chance.choice(pattern.split("|"))
    text = ""
    for letters, low, _, high in re.findall(r"(\[[^]]+\]|[^][{}])(?:\{(\d+)(,(\d+))?\}|\?)?", pattern):
        allowed = re.sub(r"(.)-(.)", lambda m: "".join(map(chr, range(ord(m[1]), ord(m[2]) + 1))), letters.strip("[]"))
        text += "".join(chance.choice(allowed) for _ in range(chance.randint(int(low or 1), int(high or low or 1))))
    return text


@pytest.mark.parametrize("number", _NUMBERS, ids=lambda number: number.module)
def test_opaque_codes_pass_a_check_no_more_often_than_is_counted_with(number: _Number):
    chance, n = random.Random(2), 2000
    codes = [some(number.written.pattern, chance) for _ in range(n)]
    assert all(map(number.written.fullmatch, codes))
    allowed = 0.95 if number.module == "us.ssn" else number.chance + 3 * (number.chance / n) ** 0.5
    assert sum(map(number.holds, codes)) <= allowed * n


def test_the_demo_unit_holds_nobody():
    unit = lt.datasets.load_demo_unit()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        for found in (
            lt.read_cases(unit.history).warnings,
            lt.read_bookings(unit.bookings).warnings,
            lt.read_sessions(unit.sessions).warnings,
            lt.read_stock(unit.stock).warnings,
        ):
            assert "identity_possible" not in set(found["kind"])


def test_long_tables_are_looked_at_evenly():
    names = [f"x{i}" for i in range(30_000)]
    assert len(_Values.of(pd.Series(names)).different) == 2000
    assert _Values.of(pd.Series(names)).different[-1] == names[-1]


def test_drop_is_an_option_of_the_command_line(tmp_path):
    path = tmp_path / "unit.csv"
    history(**{"Geburtsdatum": draws(IDENTITY["births"])}).to_csv(path, index=False)

    def check(*more: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "lobetime", "check", str(path), *more]
        return subprocess.run(command, capture_output=True, text=True, check=False)

    found = check()
    assert found.returncode == 1
    assert "date of birth" in " ".join(found.stdout.split())
    assert check("--drop", "Geburtsdatum").returncode == 0
