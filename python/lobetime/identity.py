"""Telling columns that can identify a patient, by their heading or by the shape of their values.

Nothing in lobetime needs such a column, so a table that has one is refused until the column is removed or named as
dropped. Two kinds of evidence count:

- the heading: the usual words of some twenty languages for a name, a date of birth, an address, a hospital or a
  national number;
- the values: dates of birth, full names, addresses, and national numbers whose check digits are right far more often
  than those of opaque codes are.

A column of lobetime's own (`case_id`, `surgeon` ...) is judged by its values alone. Opaque codes pass: a code has the
right check digit once in ten or so, so it takes several right ones without a wrong one. A `case_id` that holds names or
national numbers is refused, because plans, calendars and room sheets show it. A `surgeon` that holds names is refused
where there is nearly a name a case (patients), and a warning where few names repeat (colleagues).

No reason ever holds a value of the table.
"""

from __future__ import annotations

import importlib
import re
import unicodedata
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from .reading import Problem, Sheet, _cell_text

__all__ = ["identity_columns"]

_ROWS = 2000  # that are looked at, evenly over the table: a column is of one kind
_SURE = 1e-4  # opaque codes look like this kind of number no more often
_DOUBTFUL = 0.02
_MOST = 0.9  # share of a column's values that makes it a column of that kind

# ------------------------------------------------------------------------------------------------------- headings

# Without spaces, case, accents. A heading made of these alone tells what the column is.
_WHOLE_HEADINGS = {
    "name": "name names fullname firstname lastname givenname familyname secondname middlename nameofpatient initials "
    "patient patientname patients nachname vorname familienname geburtsname nom prenom nomprenom nomdenaissance nombre "
    "nombres apellido apellidos nombreyapellidos nombrecompleto nome cognome cognomenome nomecognome nomecompleto "
    "sobrenome apelido naam achternaam voornaam navn fornavn etternavn efternavn namn fornamn efternamn nimi etunimi "
    "sukunimi nafn imie nazwisko imieinazwisko jmeno prijmeni meno priezvisko nev vezeteknev keresztnev nume prenume "
    "ime prezime priimek adsoyad soyad soyadi hastaadi paciente paziente pasient pacjent potilas ονομα επωνυμο "
    "ονοματεπωνυμο фио имя фамилия отчество пациент 姓名 患者姓名 病人姓名 氏名 患者名 患者氏名 이름 성명 환자명 الاسم "
    "اسمالمريض שם",
    "date of birth": "dob birthdate birthday dateofbirth yearofbirth gebdatum geburtsdatum gebdat geb gebjahr ddn "
    "datenaiss fechanac fechanacimiento datanascita datanasc gebdat fodt fodd narozen rokurodzenia rocnik dogumtarihi "
    "dogumyili 出生日期 出生年月日 生年月日 생년월일 تاريخالميلاد датарождения годрождения",
    "hospital number": "patientid patientno patientnumber patientnr patnr patid patientennummer patientennr "
    "patientenid patientnummer pasientnr potilasnumero hospitalno hospitalid hospitalnumber unitnumber recordnumber "
    "medicalrecordnumber krankenaktennummer aktennummer numerodossier numdossier ndossier iep ipp nhc "
    "numerodehistoria numerohistoriaclinica historiaclinica numerocartella cartellaclinica dossiernummer "
    "journalnummer accountnumber 病历号 住院号 患者番号 患者id 診察券番号 환자번호",
    "national number": "idnumber nationalid nationalidnumber identitynumber socialsecuritynumber insurancenumber "
    "kvnr versichertennummer versichertennr krankenversichertennummer versicherungsnummer ahvnummer ahvnr svnummer "
    "svnr numerosecuritesociale numsecu nir nss dni nie nif cip tarjetasanitaria codicefiscale codfiscale "
    "tesserasanitaria utente numeroutente cpf rg bsn rijksregisternummer personnummer personnr fodselsnummer cpr "
    "cprnr cprnummer henkilotunnus hetu kennitala pesel rodnecislo tajszam taj cnp egn oib jmbg emso amka снилс "
    "полис tckimlikno tckn curp rut 身份证号 身份证号码 マイナンバー 주민등록번호 رقمالهوية תעודתזהות",
    "address, telephone or e-mail": "address homeaddress street zip zipcode anschrift adresse strasse plz "
    "postleitzahl handy codepostal courriel direccion codigopostal correo correoelectronico indirizzo endereco morada "
    "adres adress osoite kodpocztowy adresa psc lakcim mail 地址 住所 주소 адрес العنوان",
}
# A heading that holds one of these words tells it, whatever else it holds.
_TELLING_WORDS = {
    "name": "surname forename patientenname patientname patientennamen",
    "date of birth": "dob birth birthdate birthday geburtsdatum geburtstag geburtsjahr naissance nacimiento nascita "
    "nascimento geboortedatum geboorte geboortejaar fodselsdato fodselsdag fodelsedatum fodelsedag syntymaaika "
    "urodzenia narozeni narodenia szuletesi szuletes nasterii rodenja rojstva dogum γεννησης рождения",
    "hospital number": "mrn",
    "national number": "nhs ssn passport pesel bsn kvnr codicefiscale personnummer fodselsnummer henkilotunnus cpr",
    "address, telephone or e-mail": "address postcode email phone telephone mobile telefon telefonnummer telefono "
    "telefone telemovel telefoon puhelin telefonszam cellulare anschrift wohnort domicilio домашний телефон 电话 電話",
}


def _set_of(words: str) -> frozenset[str]:
    return frozenset(words.split())


_PATIENT_STEMS = ("patient", "pacient", "pazient", "pasient", "pacjent", "potila")
_NAME_WORDS = _set_of("name names namen nom nombre nome naam navn namn nimi initials")


def _plain(text: str) -> str:
    """In lower case, without accents; scripts without case stay."""
    folded = unicodedata.normalize("NFKD", text.casefold().replace("ø", "o").replace("ł", "l").replace("ß", "ss"))
    return "".join(letter for letter in folded if not unicodedata.combining(letter))


@cache
def _headings(whole: bool) -> dict[str, str]:
    groups = _WHOLE_HEADINGS if whole else _TELLING_WORDS
    return {_plain(word): meaning for meaning, words in groups.items() for word in words.split()}


def heading_tells(heading: str) -> str:
    """What a heading says the column is ("date of birth"), or "" where it says nothing of a patient."""
    words = re.findall(r"[^\W_]+", _plain(heading))
    if told := _headings(whole=True).get("".join(words)):
        return told
    for word in words:
        if told := _headings(whole=False).get(word):
            return told
    of_patient = any(word.startswith(_PATIENT_STEMS) for word in words)
    return "name" if of_patient and not _NAME_WORDS.isdisjoint(words) else ""


# --------------------------------------------------------------------------------------------------------- values


@dataclass(frozen=True)
class _Number:
    """A national number: how it is written, and how often an opaque code written so passes its check."""

    words: str
    written: re.Pattern[str]
    module: str
    chance: float

    def holds(self, text: str) -> bool:
        if self.module == "kvnr":
            return _is_kvnr(text)
        module: Any = _stdnum(self.module)
        try:
            valid = bool(module.is_valid(text))
        except Exception:  # some checks look up places and trip over those that never were
            return False
        # The Danish check digits were given up in 2007; whoever has a prostate to enucleate was born long before.
        return valid and (self.module != "dk.cpr" or module.checksum(re.sub(r"\D", "", text)) == 0)


@cache
def _stdnum(name: str) -> Any:
    return importlib.import_module("stdnum." + name)


def _is_kvnr(text: str) -> bool:
    """German health insurance number: sum of the digits of products with 1, 2, 1, 2 ...; the letter counts as two."""
    digits = [int(digit) for digit in f"{ord(text[0]) - 64:02d}{text[1:]}"]
    products = [digit * (1 + i % 2) for i, digit in enumerate(digits[:-1])]
    return sum(product // 10 + product % 10 for product in products) % 10 == digits[-1]


# The chances are held against random codes in tests/python/test_identity.py. Where a number holds a date, so may an
# opaque code: its chance is not below 0.05 unless there are two check digits.
_NUMBERS = [
    _Number(words, re.compile(written), module, chance)
    for words, written, module, chance in [
        ("NHS, CHI or H&C numbers (United Kingdom)", r"[0-9]{10}", "gb.nhs", 0.1),
        ("PPS numbers (Ireland)", r"[0-9]{7}[A-W][A-IW]?", "ie.pps", 0.06),
        ("health insurance numbers (Germany)", r"[A-Z][0-9]{9}", "kvnr", 0.12),
        ("tax numbers of persons (Germany)", r"[0-9]{11}", "de.idnr", 0.05),
        ("social security numbers (Austria)", r"[0-9]{10}", "at.vnr", 0.1),
        ("AHV numbers (Switzerland)", r"756[0-9]{10}", "ch.ssn", 0.12),
        ("NIR (France)", r"[12][0-9]{4}[0-9AB][0-9]{9}", "fr.nir", 0.02),
        ("DNI (Spain)", r"[0-9]{8}[A-Z]", "es.dni", 0.06),
        ("NIE (Spain)", r"[XYZ][0-9]{7}[A-Z]", "es.nie", 0.06),
        ("codice fiscale (Italy)", r"[A-Z]{6}[0-9]{2}[A-Z][0-9]{2}[A-Z][0-9]{3}[A-Z]", "it.codicefiscale", 0.03),
        ("citizen card numbers (Portugal)", r"[0-9]{9}[A-Z0-9]{2}[0-9]", "pt.cc", 0.12),
        ("BSN (Netherlands)", r"[0-9]{9}", "nl.bsn", 0.1),
        ("national numbers (Belgium)", r"[0-9]{11}", "be.nn", 0.02),
        ("personnummer (Sweden)", r"[0-9]{10}|[0-9]{12}", "se.personnummer", 0.05),
        ("fødselsnummer (Norway)", r"[0-9]{11}", "no.fodselsnummer", 0.01),
        ("CPR numbers (Denmark)", r"[0-9]{10}", "dk.cpr", 0.05),
        ("henkilötunnus (Finland)", r"[0-9]{6}[-+A][0-9]{3}[0-9A-Z]", "fi.hetu", 0.02),
        ("kennitala (Iceland)", r"[0-9]{10}", "is_.kennitala", 0.05),
        ("PESEL (Poland)", r"[0-9]{11}", "pl.pesel", 0.05),
        ("birth numbers (Czechia, Slovakia)", r"[0-9]{10}", "cz.rc", 0.05),
        ("CNP (Romania)", r"[0-9]{13}", "ro.cnp", 0.05),
        ("EGN (Bulgaria)", r"[0-9]{10}", "bg.egn", 0.05),
        ("AMKA (Greece)", r"[0-9]{11}", "gr.amka", 0.05),
        ("OIB (Croatia)", r"[0-9]{11}", "hr.oib", 0.12),
        ("EMŠO or JMBG", r"[0-9]{13}", "si.emso", 0.05),
        ("personal codes (Estonia, Lithuania)", r"[0-9]{11}", "ee.ik", 0.05),
        ("identity numbers (Türkiye)", r"[0-9]{11}", "tr.tckimlik", 0.02),
        ("identity numbers (Israel)", r"[0-9]{9}", "il.idnr", 0.12),
        ("identity numbers (South Africa)", r"[0-9]{13}", "za.idnr", 0.05),
        ("social insurance numbers (Canada)", r"[0-9]{9}", "ca.sin", 0.12),
        # No check digit; yet hardly anything else is written so.
        ("social security numbers (United States)", r"[0-9]{3}-[0-9]{2}-[0-9]{4}", "us.ssn", 0.1),
        ("CPF (Brazil)", r"[0-9]{11}", "br.cpf", 0.02),
        ("CURP (Mexico)", r"[A-Z]{4}[0-9]{6}[HM][A-Z]{5}[0-9A-Z][0-9]", "mx.curp", 0.12),
        ("Aadhaar numbers (India)", r"[2-9][0-9]{11}", "in_.aadhaar", 0.12),
        ("identity card numbers (China)", r"[0-9]{17}[0-9X]", "cn.ric", 0.02),
        ("registration numbers (Korea)", r"[0-9]{13}", "kr.rrn", 0.05),
    ]
]

_TITLE = r"(?:mr|mrs|ms|miss|herr|frau|hr|monsieur|m|mme|sr|sra|señor|sig|signor|pan|pani|dhr|mevr)\.?\s+"
_PARTICLES = _set_of("de del della der den di da do dos das du la le van von zu zur bin al el ten ter y e af av")
_NAME_PART = re.compile(r"[^\W\d_]+(?:['’.-][^\W\d_]+)*\.?")
# Usual given names of men: they tell a name from two words of anything else. The patients are men.
_GIVEN_NAMES = _set_of(
    "adam alan albert alberto alejandro aleksander alexander alfred alessandro ali anders andre andrea andreas andrew "
    "andrzej angelo anthony antonio antti arne arthur barry ben benjamin bernard bernd bjorn brian bruno carl carlos "
    "charles christian christopher claude colin daniel dave david dennis derek dieter dimitris dirk dmitri donald "
    "douglas edward eric erik ernst eugene fernando francesco francis francisco francois frank franz fred frederick "
    "fritz gareth gary geoffrey george georges gerald gerard gerhard giovanni giuseppe gordon graham gregory guido "
    "gunter gustav guy hans harald harold harry hassan heinrich heinz helmut hendrik henri henrik henry herbert "
    "hermann horst howard hugh hussein ian igor ivan jack jacques jaime james jan janos javier jean jeffrey jens jerzy "
    "jesus jim joachim joao joe johan johann johannes john jonathan jorge jose josef joseph juan juha jurgen karel "
    "karl keith ken kenneth kevin klaus konrad kurt lars laszlo laurent leonard lorenzo louis luca ludwig luigi luis "
    "manfred manuel marcel marco marek mario mark markus martin massimo matthew matti maurice max mehmet michael "
    "michel miguel mike mikhail mohamed mohammad mohammed muhammad mustafa neil nicholas nicolas nigel nikolai "
    "norbert norman olaf ole oliver omar oscar otto pablo paolo pascal patrick paul pavel pedro per peter petr philip "
    "philippe pierre pieter piotr ralf ralph ramon raymond reinhard rene ricardo richard rob robert roberto roger "
    "roland rolf roman ron ronald roy rudolf russell salvatore samuel sergei sergio simon stanley stefan stefano "
    "stephen steven stuart sven terence terry thomas tim timothy tom tomas tomasz tony trevor uwe vincent victor "
    "vladimir walter werner wilhelm willem william wolfgang xavier yusuf"
)
_DATE_FORMS = (
    r"(?P<y>[0-9]{4})[-./](?P<m>[0-9]{1,2})[-./](?P<d>[0-9]{1,2})(?:[T ].*)?",
    r"(?P<d>[0-9]{1,2})[-./ ](?P<m>[0-9]{1,2})[-./ ](?P<y>[0-9]{4})(?: .*)?",
    r"(?P<d>[0-9]{1,2})[-./ ](?P<m>[A-Za-z]{3,9})\.?[-./ ,]+(?P<y>[0-9]{4})",
    r"(?P<y>[0-9]{4})(?P<m>[01][0-9])(?P<d>[0-3][0-9])",
    r"(?P<d>[0-3][0-9])(?P<m>[01][0-9])(?P<y>(?:19|20)[0-9]{2})",
)
_CONTACTS = {
    "e-mail addresses": r"[^@\s]+@[^@\s]+\.[A-Za-z]{2,}",
    "telephone numbers": r"(?:\+|00)[1-9][0-9 ()/.-]{7,17}|\(?0[0-9]{2,5}\)?[ /-][0-9 /-]{5,12}",
    "postcodes": r"[A-Z]{1,2}[0-9][0-9A-Z]? [0-9][A-Z]{2}",
    "addresses": r"(?i:[0-9]+[a-z]? [\w .'’-]+ (?:street|st|road|rd|lane|avenue|ave|drive|close|way|court|place)\.?.*"
    r"|[\w .'’-]+(?:stra(?:ß|ss)e|str\.|weg|gasse|allee|platz|straat|laan|gatan|vägen|vej|veien) [0-9]+.*"
    r"|(?:[0-9]+,? )?(?:rue|via|calle|avenida|rua|avenue|ul\.) [\w .,'’-]+)",
}


@dataclass(frozen=True)
class _Values:
    """Texts of a column, blanks left out; the different ones, and how many values there are."""

    different: list[str]
    count: int

    @classmethod
    def of(cls, cells: pd.Series[Any]) -> _Values:
        if len(cells) > _ROWS:
            cells = cells.iloc[np.linspace(0, len(cells) - 1, _ROWS).astype(np.int64)]
        texts = [text for text in (_cell_text(cell).strip() for cell in cells.tolist()) if text]
        return cls(list(dict.fromkeys(texts)), len(texts))

    def share(self, holds: Callable[[str], object]) -> float:
        return sum(bool(holds(text)) for text in self.different) / max(len(self.different), 1)


def _look_like_numbers(values: _Values) -> Iterator[tuple[str, bool]]:
    """Which national numbers the values are, and whether that is beyond doubt."""
    compact = {re.sub(r"[\s./]", "", text).upper() for text in values.different}
    compact |= {text.replace("-", "") for text in compact}
    for number in _NUMBERS:
        written = [text for text in compact if number.written.fullmatch(text)]
        valid = sum(map(number.holds, written))
        chance = number.chance**valid
        # Among few codes of other lengths that are written like this the check tells nothing of the column.
        if (
            valid
            and valid >= _MOST * len(written)
            and len(written) >= 0.2 * len(values.different)
            and chance < _DOUBTFUL
        ):
            yield number.words, chance < _SURE


def _is_name(text: str) -> bool:
    """Two to five words that begin with a capital letter, or a title and a word."""
    bare = re.sub("^" + _TITLE, "", text, flags=re.IGNORECASE)
    parts = bare.replace(",", " ").split()
    names = [part for part in parts if part.casefold() not in _PARTICLES]
    shaped = all(_NAME_PART.fullmatch(part) for part in parts) and all(name[0].isupper() for name in names)
    whole = any(len(name) > 2 for name in names)
    return shaped and whole and len(parts) <= 5 and (len(names) >= 2 or (bare != text and bool(names)))


def _surely_name(text: str) -> bool:
    """A name with a title, or with a usual given name in it."""
    if not _is_name(text):
        return False
    words = re.findall(r"[^\W\d_]+", _plain(text))
    return not _GIVEN_NAMES.isdisjoint(words) or bool(re.match(_TITLE, text, flags=re.IGNORECASE))


def _look_like_names(values: _Values, *, guess: bool) -> bool:
    """Whether the values are full names; with ``guess`` also without a usual given name, where hardly one repeats."""
    if not values.different or values.share(_is_name) < _MOST:
        return False
    if values.share(_surely_name) >= 0.2:
        return True
    return guess and len(values.different) >= 5 and len(values.different) >= 0.8 * values.count


def _birth_year(text: str) -> int:
    """The year of a date that could be one of birth, 0 of anything else."""
    for form in _DATE_FORMS:
        if found := re.fullmatch(form, text):
            year, month, day = int(found["y"]), found["m"], int(found["d"])
            # Day and month may stand either way round.
            possible = not month.isdigit() or (1 <= int(month) <= 31 and min(int(month), day) <= 12)
            return year if 1900 <= year <= 2012 and 1 <= day <= 31 and possible else 0
    return 0


def _look_like_births(values: _Values) -> bool:
    """Dates of decades ago: those of referrals and operations lie close together, and later."""
    years = [year for year in map(_birth_year, values.different) if year]
    return len(years) >= max(_MOST * len(values.different), 1) and float(np.median(years)) < 1990


def _look_like_hospital_numbers(values: _Values) -> bool:
    """Long numbers of one width, a letter or two before or after, that hardly ever repeat."""
    if len(values.different) < max(5, 0.95 * values.count) or len({len(text) for text in values.different}) > 2:
        return False
    written = re.compile(r"[A-Z]{0,3}[-/ ]?[0-9]{6,12}[A-Z]?")
    return all(written.fullmatch(text) and not _is_compact_day(text) for text in values.different)


def _is_compact_day(text: str) -> bool:
    return bool(re.fullmatch(r"(?:19|20)[0-9]{2}[01][0-9][0-3][0-9]|[0-3][0-9][01][0-9](?:19|20)[0-9]{2}", text))


# ------------------------------------------------------------------------------------------------------ judgements


@dataclass(frozen=True)
class _Judgement:
    """Of one column: what it looks like, and whether that is beyond doubt."""

    position: int
    reason: str
    sure: bool = True
    advice: str = ""


_REMOVE = "remove it from the file, or name it to be dropped; nothing here needs it"
_CODES = "put your own opaque codes in their place, or name the column to be dropped"


def _judged(headings: Sequence[str], columns: Sequence[pd.Series[Any]], known: Mapping[str, str]) -> list[_Judgement]:
    found = []
    for position, (heading, cells) in enumerate(zip(headings, columns, strict=True)):
        role = known.get(heading, "")
        judgement = _judged_known(role, cells) if role else _judged_unknown(heading, cells)
        if judgement is not None:
            found.append(replace(judgement, position=position))
    return found


def _judged_unknown(heading: str, cells: pd.Series[Any]) -> _Judgement | None:
    if told := heading_tells(heading):
        return _Judgement(0, f"its heading says {told}")
    if pd.api.types.is_bool_dtype(cells.dtype):
        return None
    values = _Values.of(cells)
    looks = [f"they look like {words}" for words, sure in _look_like_numbers(values) if sure][:1]
    if _look_like_names(values, guess=True):
        looks.append("they look like full names")
    if _look_like_births(values):
        looks.append("they look like dates of birth")
    for words, form in _CONTACTS.items():
        if values.different and values.share(re.compile(form).fullmatch) >= _MOST:
            looks.append(f"they look like {words}")
    if not looks and _look_like_hospital_numbers(values):
        looks.append("they look like hospital numbers")
    return _Judgement(0, "its values, " + ", ".join(looks)) if looks else None


def _judged_known(role: str, cells: pd.Series[Any]) -> _Judgement | None:
    if pd.api.types.is_bool_dtype(cells.dtype) or (pd.api.types.is_float_dtype(cells.dtype) and role != "case_id"):
        return None
    values = _Values.of(cells)
    if _look_like_names(values, guess=role == "case_id"):
        if role != "surgeon" or (len(values.different) >= 5 and len(values.different) > 0.5 * values.count):
            return _Judgement(0, "its values look like names of patients", advice=_CODES)
        said = "its values look like names; the model file and every table show them, so a code is better"
        return _Judgement(0, said, sure=False)
    for words, sure in _look_like_numbers(values):
        said = f"its values look like {words}"
        return _Judgement(0, said if sure else said + ", though they are too few to tell", sure, _CODES)
    if values.different and values.share(re.compile(_CONTACTS["e-mail addresses"]).fullmatch) >= _MOST:
        return _Judgement(0, "its values look like e-mail addresses", advice=_CODES)
    return None


def identity_columns(table: pd.DataFrame, known: Mapping[str, str] | Collection[str] = ()) -> list[tuple[str, str]]:
    """Columns of a table that can identify a patient, and would be refused.

    Parameters
    ----------
    table : pandas.DataFrame
        A unit's own table, one row a case, booking or session; headings as the unit writes them. Of long tables two
        thousand rows are looked at, evenly spread.
    known : mapping or collection of str, optional
        Headings that are columns of lobetime, or of which column they are: ``{"Operateur": "surgeon"}``. They are
        judged by their values alone.

    Returns
    -------
    list of (str, str)
        Heading and reason, in words, in the order of the table. No reason holds a value of the table.
    """
    roles = dict(known) if isinstance(known, Mapping) else {name: _role(name) for name in known}
    headings = [str(heading) for heading in table.columns]
    columns = [table.iloc[:, position] for position in range(table.shape[1])]
    return [(headings[one.position], one.reason) for one in _judged(headings, columns, roles) if one.sure]


def _role(heading: str) -> str:
    return re.sub("[ -]", "_", heading.strip()).lower()


def without(sheet: Sheet, drop: Collection[str]) -> Sheet:
    """The sheet without the columns of these headings, as if they had never been there. Case does not matter.

    A heading that the sheet does not have is passed over: one list serves several files.
    """
    wanted = {heading.strip().casefold() for heading in ([drop] if isinstance(drop, str) else drop)}
    kept = [i for i, heading in enumerate(sheet.headings) if heading.strip().casefold() not in wanted]
    if len(kept) == len(sheet.headings):
        return sheet
    cells = sheet.cells if sheet.cells.empty else sheet.cells[kept].set_axis(range(len(kept)), axis=1)
    return replace(sheet, headings=[sheet.headings[i] for i in kept], cells=cells)


def identity_findings(
    sheet: Sheet, names: Sequence[str]
) -> tuple[list[Problem], list[tuple[int, str, str, str, str]], list[str]]:
    """Problems of columns that identify patients, warnings of those that may, and the names without the former.

    A column that is refused is not read either, so that no other problem tells a value of it.

    Parameters
    ----------
    names : sequence of str
        For each heading the column of lobetime that it is, or "".
    """
    problems: list[Problem] = []
    warnings: list[tuple[int, str, str, str, str]] = []
    known = {heading: name for heading, name in zip(sheet.headings, names, strict=True) if name}
    columns = [sheet.cells[i] if len(sheet.rows) else pd.Series(dtype="str") for i in range(len(sheet.headings))]
    for one in _judged(sheet.headings, columns, known):
        heading, name = sheet.headings[one.position], names[one.position] or sheet.headings[one.position].strip()
        if one.sure:
            allowed = f"no column that can identify a patient ({one.reason}): {one.advice or _REMOVE}"
            problems.append((sheet.heading_row, name, heading, allowed))
        else:
            warnings.append((sheet.heading_row, name, heading, "identity_possible", one.reason))
    refused = {heading for _, _, heading, _ in problems}
    return problems, warnings, ["" if h in refused else name for h, name in zip(sheet.headings, names, strict=True)]
