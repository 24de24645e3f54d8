"""Headings of the tables that list planning reads, matched by the rules that hold for cases and bookings."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

from .. import _core
from ..identity import identity_findings
from ..reading import Column, Problem, Sheet

WarningRow = tuple[int, str, str, str, str]

_OWN_WORDS = {
    "mL": {"ml", "cc", "cm3", "millilitre", "millilitres", "milliliter", "milliliters"},
    "min": {"min", "mins", "minute", "minutes"},
}
_OTHER_WORDS = {
    "mL": {"l", "cl", "dl", "ul", "litre", "litres", "liter", "liters"},
    "min": {"h", "hr", "hrs", "hour", "hours", "s", "sec", "secs", "second", "seconds"},
}
_LONG_NAME = 8  # names this long may differ by two letters and still be a misspelling


def match_headings(
    sheet: Sheet,
    columns: Mapping[str, Column],
    mapping: Mapping[str, str],
    required: Sequence[str],
    one_of: Sequence[str] = (),
) -> tuple[list[str], list[Problem], list[WarningRow]]:
    """For each heading the column it is, or "" where it is kept out; problems; warnings.

    The mapping (column -> the unit's own heading) comes first. ``required`` columns must be there, and at least one
    of ``one_of``.
    """
    row = sheet.heading_row
    headings = [heading.strip() for heading in sheet.headings]
    names = [""] * len(headings)
    answered: set[str] = set()  # columns that are there, or about which a problem already speaks
    problems: list[Problem] = []
    warnings: list[WarningRow] = []

    settled = {i for i, heading in enumerate(headings) if not heading or _identifies(sheet.headings[i])}

    for name, wanted in mapping.items():
        if name not in columns:
            problems.append((row, name, wanted, "a mapping of one of these columns: " + ", ".join(columns)))
            continue
        answered.add(name)
        if wanted.strip() not in headings:
            problems.append((row, name, wanted, "a heading of the file: " + ", ".join(sheet.headings)))
        for i in [i for i, heading in enumerate(headings) if heading == wanted.strip() and i not in settled]:
            settled.add(i)
            if _names_another_unit(headings[i], columns[name]):
                allowed = f"values in {columns[name].unit}; the heading says otherwise"
                problems.append((row, name, sheet.headings[i], allowed))
            else:
                names[i] = name

    for i, heading in enumerate(headings):
        if i in settled:
            continue
        if (name := _column_name(heading)) in columns:
            answered.add(name)
            names[i] = name
        elif (meant := _nearly(heading, columns)) is not None:
            answered.add(meant.name)
            values = f", values in {meant.unit}" if meant.unit else ""
            problems.append((row, meant.name, sheet.headings[i], f"the heading {meant.name}{values}"))
        else:
            message = "not a column of lobetime; kept out"
            warnings.append((row, heading, sheet.headings[i], "unknown_column", message))

    identity, doubts, names = identity_findings(sheet, names)
    identifying = {heading for _, _, heading, _ in identity}
    problems += identity
    warnings = [one for one in warnings if one[2] not in identifying] + doubts
    problems += _twice(sheet, names)
    for name in required:
        if name not in answered:
            unit = f" ({columns[name].unit})" if columns[name].unit else ""
            problems.append((row, name, "", f"a column {name}{unit}, or a mapping of it to a heading"))
    if one_of and not answered & set(one_of):
        allowed = "at least one of these columns, or a mapping of one to a heading"
        problems.append((row, ", ".join(one_of), "", allowed))
    return names, problems, warnings


def _identifies(heading: str) -> bool:
    # The words that identify patients are known to the compiled part, which tells of them under the heading's own name.
    problems = _core.match_headings([heading], "bookings")[1]
    return (heading.strip(), heading) in zip(problems["column"], problems["value"], strict=True)


def _twice(sheet: Sheet, names: Sequence[str]) -> Iterator[Problem]:
    seen: set[str] = set()
    for heading, matched in zip(sheet.headings, names, strict=True):
        name = matched or _column_name(heading)
        if name and name in seen:
            yield sheet.heading_row, name, heading, "one column of this heading"
        seen.add(name)


def _column_name(heading: str) -> str:
    return re.sub("[ -]", "_", heading.strip()).lower()


def _words(heading: str) -> list[str]:
    return re.findall("[a-z0-9]+", heading.lower())


def _names_another_unit(heading: str, column: Column) -> bool:
    last = _words(heading)[-1:]
    others = set().union(*_OWN_WORDS.values(), *_OTHER_WORDS.values()) - _OWN_WORDS.get(column.unit, set())
    return bool(column.unit and last and last[0] in others)


def _nearly(heading: str, columns: Mapping[str, Column]) -> Column | None:
    """The column a heading seems to mean without being it."""
    words = _words(heading)
    for column in columns.values():
        column_words = _words(column.name)
        name = "".join(column_words)
        if _edit_distance("".join(words), name) <= (2 if len(name) >= _LONG_NAME else 1):
            return column
        units = _OWN_WORDS.get(column.unit, set()) | _OTHER_WORDS.get(column.unit, set())
        if column_words[-1] not in units:
            continue
        stem = words[:-1] if words and words[-1] in units else words
        if words and column_words[:-1] == stem:
            return column
    return None


def _edit_distance(one: str, other: str) -> int:
    """Letters to insert, delete or replace to turn one word into the other."""
    row = list(range(len(other) + 1))
    for i, letter in enumerate(one, start=1):
        diagonal, row[0] = row[0], i
        for j, there in enumerate(other, start=1):
            replaced = diagonal + (letter != there)
            diagonal, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, replaced)
    return row[-1]
