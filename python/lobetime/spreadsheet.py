"""Texts that a spreadsheet would take for an order.

A cell of a CSV file that begins with one of the signs below is run as a formula when a spreadsheet opens the file,
whoever wrote it. Such texts get an apostrophe in front, which spreadsheets know as "this is a text". Numbers stay.
"""

from __future__ import annotations

import re

import pandas as pd

_SIGNS = "=+-@\t\r\n＝＋－＠"
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


def neutral(text: str) -> str:
    """The text, with an apostrophe in front if a spreadsheet would run it."""
    return "'" + text if text[:1] and text[0] in _SIGNS and not _NUMBER.fullmatch(text) else text


def as_written(text: str) -> str:
    """What `neutral` was given."""
    return text[1:] if text[:1] == "'" and neutral(text[1:]) == text else text


def neutral_table(table: pd.DataFrame) -> pd.DataFrame:
    """The table with texts, headings included, that no spreadsheet runs. Columns of numbers and dates are as before."""

    def cell(value: object) -> object:
        return neutral(value) if isinstance(value, str) else value

    table = table.rename(columns=cell)
    for position, dtype in enumerate(table.dtypes):
        if isinstance(dtype, pd.StringDtype | pd.CategoricalDtype) or pd.api.types.is_object_dtype(dtype):
            column = table.iloc[:, position].map(cell)
            table.isetitem(position, column.array)
    return table
