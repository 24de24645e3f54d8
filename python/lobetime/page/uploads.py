"""What a visitor hands in, judged before anything is read from it.

Uploads live in memory. The readers open files by name, so for the time of reading a copy lies in a private folder.
"""

from __future__ import annotations

import io
import tempfile
import warnings
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePath
from typing import Any

import pandas as pd

from ..cases import Bookings, DataWarning, InvalidData, read_bookings
from ..model import TheatreTimeModel, model_from_json
from ..plain import plain

LARGEST_BYTES = 5_000_000
MOST_BOOKINGS = 500
_MOST_UNPACKED_BYTES = 100_000_000  # a small workbook may unfold into one that fills the memory
_MOST_PROBLEMS = 200  # that a page shows
_IDENTITY = "no column that can identify a patient"  # how the readers begin to say so

BOOKING_FILES = (".csv", ".xlsx")
MODEL_FILES = (".json",)


@dataclass(eq=False)
class Refused(Exception):  # noqa: N818 - said of the upload, as people say it
    """Something was not taken.

    Attributes
    ----------
    title, words : str
        What is wrong, and what to do.
    problems : list of dict
        row, column, value, allowed; ``more`` counts those beyond the ones that are listed.
    """

    title: str
    words: str
    problems: list[dict[str, Any]] = field(default_factory=list)
    more: int = 0


def check_file(name: str, content: bytes, kinds: Sequence[str]) -> None:
    """Refuses a file that is too large, or of another kind than these endings."""
    if len(content) > LARGEST_BYTES:
        raise Refused(
            "The file is too large",
            f"It has {len(content) / 1e6:.1f} MB, and a file of at most {LARGEST_BYTES / 1e6:.0f} MB is taken. "
            "Nothing was read from it.",
        )
    if PurePath(name).suffix.lower() not in kinds:
        raise Refused(
            "The file is of another kind",
            f"A file whose name ends in {' or '.join(kinds)} is taken. Nothing was read from it.",
        )


def read_bookings_file(name: str, content: bytes) -> Bookings:
    """Bookings of an uploaded file. Raises Refused."""
    check_file(name, content, BOOKING_FILES)
    suffix = PurePath(name).suffix.lower()
    if suffix == ".xlsx":
        _check_workbook(content)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"the file{suffix}"
        path.write_bytes(content)
        return bookings_of(path, f"{name} was refused as a whole, and nothing was read from it.")


def bookings_of(source: Path | pd.DataFrame, refusal: str) -> Bookings:
    """Bookings, or Refused with every problem; of a column that can identify a patient no value is told."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DataWarning)  # told one by one on the page
            bookings = read_bookings(source)
    except InvalidData as refused:
        raise _refusal(refused.problems, refusal) from None
    if len(bookings) > MOST_BOOKINGS:
        raise Refused(
            "The file holds too many bookings",
            f"It has {len(bookings):,}, and the page takes {MOST_BOOKINGS} at a time. In a terminal, lobetime slots "
            "takes any number.",
        )
    return bookings


def _refusal(problems: pd.DataFrame, words: str) -> Refused:
    identifies = problems["allowed"].str.startswith(_IDENTITY)
    if identifies.any():
        columns = ", ".join(f"“{one}”" for one in dict.fromkeys(problems.loc[identifies, "column"]))
        told = problems[identifies].assign(value="")
        return Refused(
            "The file can identify patients",
            f"{words} Nothing here needs to know who a patient is. Take the column {columns} out of the file, save it "
            "under another name, and choose that one.",
            _rows(told),
        )
    title = "One thing is wrong" if len(problems) == 1 else f"{len(problems):,} things are wrong"
    return Refused(title, words, _rows(problems.head(_MOST_PROBLEMS)), max(len(problems) - _MOST_PROBLEMS, 0))


def _rows(problems: pd.DataFrame) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = plain(problems)
    return rows


def _check_workbook(content: bytes) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            unpacked = sum(one.file_size for one in archive.infolist())
    except zipfile.BadZipFile:
        raise Refused(
            "The file is no workbook", "Its name ends in .xlsx, but it cannot be opened as such. Nothing was read."
        ) from None
    if unpacked > _MOST_UNPACKED_BYTES:
        raise Refused(
            "The workbook is too large",
            f"Unpacked it has {unpacked / 1e6:,.0f} MB, and at most {_MOST_UNPACKED_BYTES / 1e6:.0f} MB are taken. "
            "Nothing was read from it.",
        )


def read_model_file(name: str, content: bytes) -> TheatreTimeModel:
    """The model of an uploaded model file, which is data and never a program. Raises Refused."""
    check_file(name, content, MODEL_FILES)
    try:
        return model_from_json(content)
    except ValueError as error:  # InvalidModelFile is one, and so are bytes that are no text
        raise Refused("The file is no model file", f"{name}: {error}. lobetime fit writes model files.") from None
