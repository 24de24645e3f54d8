"""Slots to take along: a CSV file, a workbook, a calendar. Of a case they name its opaque case_id and nothing else."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import pandas as pd

from .. import _core
from ..caution import CAUTION
from ..lists._outputs import event_id, gland_class, number, one_line, percent
from ..lists.calendar import _event
from ..lists.workbook import Column, add_sheet, new_book
from ..spreadsheet import neutral_table

_SLOTS = [
    Column("case_id", "Case", "text"),
    Column("surgeon", "Surgeon", "text"),
    Column("gland_ml", "Gland (mL)"),
    Column("slot_min", "Slot (min)"),
    Column("overrun_risk", "Chance of overrun (%)", "percent"),
    Column("median_min", "Theatre time, median (min)"),
    Column("q80_min", "Theatre time, 80 % (min)"),
    Column("q90_min", "Theatre time, 90 % (min)"),
    Column("enucleation_min", "Enucleation, median (min)"),
    Column("haemostasis_min", "Haemostasis and rest of the operation, median (min)"),
    Column("morcellation_min", "Morcellation, median (min)"),
    Column("room_min", "Room, median (min)"),
    Column("expected_swaps", "Canister swaps, mean (count)", digits=1),
    Column("why", "Why", "text"),
    Column("warnings", "Where the model is guessing", "text"),
]


def csv_file(slots: pd.DataFrame) -> bytes:
    """What ``lobetime slots --csv`` writes."""
    return str(neutral_table(slots.reset_index()).to_csv(index=False, lineterminator="\n")).encode()


def workbook(slots: pd.DataFrame, told: str) -> bytes:
    """The slots as an Excel workbook; ``told`` says what they rest on. Texts are never formulas."""
    book = new_book("Theatre slots")
    add_sheet(book, "Slots", slots.reset_index(), _SLOTS, f"{told} {CAUTION}", frozen=1)
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def calendar(
    slots: pd.DataFrame, starts_at: datetime, turnover_min: float, told: str, *, stamp: datetime | None = None
) -> bytes:
    """The slots as one list in the order of the table, as iCalendar (RFC 5545).

    Parameters
    ----------
    starts_at : datetime
        When the first case enters, as the clock on the wall shows it (no time zone).
    turnover_min : float
        Minutes from one slot's end to the next one's start.
    stamp : datetime, optional
        When the events were made, with a time zone; by default now. The same slots and stamp give the same bytes.
    """
    try:
        import icalendar
    except ImportError as error:
        raise ImportError("writing a calendar needs icalendar: pip install 'lobetime[calendar]'") from error
    stamp = (datetime.now(UTC) if stamp is None else stamp).astimezone(UTC).replace(microsecond=0)
    book = icalendar.Calendar()
    book.add("prodid", f"-//lobetime//lobetime {_core.__version__}//EN")
    book.add("version", "2.0")
    at = pd.Timestamp(starts_at)
    for place, (case_id, row) in enumerate(slots.iterrows(), start=1):
        uid = event_id("", "slot", starts_at.isoformat(), place, case_id) + "@lobetime"
        event = _event(uid, stamp, None, at, float(row["slot_min"]))
        case = one_line(case_id)
        event.add("summary", f"{case}: gland {gland_class(row['gland_ml'])}, {number(row['slot_min'])} min")
        lines = [
            f"Slot {place} of {len(slots)}, wheels in to wheels out: {number(row['slot_min'])} min",
            f"Chance that the case overruns it: {percent(row['overrun_risk'])}",
            f"Theatre time: median {number(row['median_min'])} min, 90 % by {number(row['q90_min'])} min",
            told,
            CAUTION,
        ]
        event.add("description", "\n".join(lines))
        book.add_component(event)
        at += pd.Timedelta(minutes=float(row["slot_min"]) + turnover_min)
    return bytes(book.to_ical())
