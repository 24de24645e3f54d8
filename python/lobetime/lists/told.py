"""What patients were told before: the lists of an earlier plan, read back."""

from __future__ import annotations

import os

import pandas as pd

from ..reading import InvalidData, Problem
from ..spreadsheet import as_written

_COLUMNS = ("case_id", "session_id")


def read_told(path: str | os.PathLike[str]) -> dict[str, str]:
    """case_id to session_id from a CSV file with these columns, such as a plan's own; blank sessions are left out.

    Raises InvalidData with every problem, OSError if the file cannot be read.
    """
    name = os.fspath(path)
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
    except (ValueError, UnicodeDecodeError) as error:  # pandas' own errors are ValueErrors
        raise InvalidData(_frame([(1, "", "", f"a CSV file with case_id and session_id ({error})")]), name) from None
    problems: list[Problem] = [
        (1, column, "", f"a column {column}") for column in _COLUMNS if column not in table.columns
    ]
    told: dict[str, str] = {}
    if not problems:
        for row, (case, session) in enumerate(zip(table["case_id"], table["session_id"], strict=True), start=2):
            case, session = as_written(case.strip()), as_written(session.strip())
            if not session:
                continue
            if not case:
                problems.append((row, "case_id", "", "the case_id of a case that has a session"))
            elif told.setdefault(case, session) != session:
                problems.append((row, "session_id", session, f"one session for {case}; a row before says {told[case]}"))
    if problems:
        raise InvalidData(_frame(problems), name)
    return told


def _frame(problems: list[Problem]) -> pd.DataFrame:
    return pd.DataFrame(problems, columns=["row", "column", "value", "allowed"])
