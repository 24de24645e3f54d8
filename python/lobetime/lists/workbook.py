"""A plan as an Excel workbook."""

from __future__ import annotations

import io
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

import pandas as pd

from ._outputs import (
    REASONS,
    PlanLike,
    canister_words,
    is_missing,
    one_line,
    overrun_words,
    time_at,
    unused_sessions,
    write_bytes,
)

_Kind = Literal["text", "day", "time", "clock", "number", "percent", "flag", "canister", "reason"]
_FORMATS: dict[str, str] = {
    "day": "yyyy-mm-dd",
    "time": "hh:mm",
    "clock": "hh:mm",
    "percent": "0.0%",
}
_RESOURCES = {"device_set": "device set", "canister": "canister", "irrigation_l": "irrigation (L)"}
_WIDEST = 60.0
_PAGE = 240.0  # characters across a page that can still be read
_MOST_CHARACTERS = 32_000  # a cell holds 32,767


@dataclass(frozen=True)
class Column:
    """A column of a sheet: what it is called in the frame and above it, and how its cells are written."""

    name: str
    heading: str
    kind: _Kind = "number"
    digits: int = 0


def _finish(words: str) -> list[Column]:
    return [Column(f"finish_q{q}_min", f"{words}, {q} % by (time)", "clock") for q in (50, 80, 90)]


_SUPPLIES = [
    Column("swaps_median", "Swaps, median (count)"),
    Column("swaps_q95", "Swaps, 95 % (count)"),
    Column("canisters_median", "Canisters, median (count)"),
    Column("canisters_q95", "Canisters, 95 % (count)"),
    Column("irrigation_l_median", "Irrigation, median (L)", digits=1),
    Column("irrigation_l_q95", "Irrigation, 95 % (L)", digits=1),
    Column("irrigation_bags_q95", "Irrigation bags, 95 % (count)"),
    Column("fault_chance", "Chance of a device fault (%)", "percent"),
]
_LISTS = [
    Column("session_id", "Session", "text"),
    Column("day", "Day (date)", "day"),
    Column("starts_at", "Start (time)", "time"),
    Column("ends_at", "End (time)", "time"),
    Column("minutes", "Length (min)"),
    Column("room", "Room", "text"),
    Column("surgeon", "Surgeon", "text"),
    Column("n_cases", "Cases (count)"),
    Column("n_large", "Large glands (count)"),
    Column("overrun_risk", "Chance of overrun (%)", "percent"),
    Column("overrun_limit", "Limit of that chance (%)", "percent"),
    Column("verified_risk", "Chance on fresh draws (%)", "percent"),
    Column("finish_mean_min", "Finish, mean (time)", "clock"),
    *_finish("Finish"),
    Column("overtime_mean_min", "Overtime, mean (min)", digits=1),
    Column("idle_mean_min", "Idle, mean (min)", digits=1),
    Column("order_price_min", "Price of this order (min of waiting)", digits=1),
    Column("large_first_price_min", "Price of large glands first (min of waiting)", digits=1),
    Column("booked_utilisation", "Utilisation, booked (%)", "percent"),
    Column("touch_utilisation", "Utilisation, touch time (%)", "percent"),
    Column("device_sets", "Device sets (count)"),
    *_SUPPLIES,
    Column("backup_set", "Backup set in the room", "flag"),
    Column("words", "Remarks", "text"),
]
_CASES = [
    Column("session_id", "Session", "text"),
    Column("day", "Day (date)", "day"),
    Column("position", "Place in the list"),
    Column("case_id", "Case", "text"),
    Column("starts_at", "Planned start (time)", "time"),
    Column("slot_min", "Slot (min)"),
    Column("turnover_min", "Turnover after it (min)"),
    Column("gland_ml", "Gland (mL)"),
    Column("large", "Large gland", "flag"),
    Column("surgeon", "Surgeon", "text"),
    Column("blade", "Blade motion", "text"),
    Column("suction", "Suction", "text"),
    Column("canister_ml", "Canister (mL)", "canister"),
    Column("anaesthesia", "Anaesthesia", "text"),
    Column("median_min", "Theatre time, median (min)"),
    Column("q90_min", "Theatre time, 90 % (min)"),
    Column("finish_q10_min", "Out of theatre, 10 % by (time)", "clock"),
    *_finish("Out of theatre"),
    *_SUPPLIES,
    Column("hard_nodule_chance", "Chance of a hard nodule (%)", "percent"),
    Column("fixed", "Fixed beforehand", "flag"),
    Column("days_waiting", "Waiting (days)"),
    Column("priority", "Priority", "text"),
    Column("due_by", "Latest day (date)", "day"),
    Column("warnings", "Warnings", "text"),
]
_NOT_PLACED = [
    Column("case_id", "Case", "text"),
    Column("gland_ml", "Gland (mL)"),
    Column("surgeon", "Surgeon", "text"),
    Column("days_waiting", "Waiting (days)"),
    Column("priority", "Priority", "text"),
    Column("due_by", "Latest day (date)", "day"),
    Column("reason", "Reason", "reason"),
    Column("words", "In words", "text"),
    Column("best_session", "Best session", "text"),
    Column("risk_if_added", "Chance of overrun there, if added (%)", "percent"),
]
_STOCK = [
    Column("day", "Day (date)", "day"),
    Column("what", "Resource", "text"),
    Column("which", "Which", "text"),
    Column("amount", "Amount (sets, canisters or L)", digits=1),
    Column("expected_use", "Expected use (same unit)", digits=1),
    Column("chance_short", "Chance that it runs short (%)", "percent"),
    Column("worth", "Worth of one more (average cases)", digits=2),
    Column("words", "In words", "text"),
]
_FACTS: list[Column] = [
    Column("status", "Status of the search", "text"),
    Column("placed", "Cases placed (count)"),
    Column("waiting", "Cases not placed (count)"),
    Column("placement_value", "Value of what was placed", digits=3),
    Column("placement_bound", "Bound of that value", digits=3),
    Column("placement_gap", "Gap to the bound (%)", "percent"),
    Column("cost", "Cost of overtime and idle time", digits=3),
    Column("cost_bound", "Bound of that cost", digits=3),
    Column("cost_gap", "Gap to the bound (%)", "percent"),
    Column("hours_opened", "Session time used (h)", digits=1),
    Column("hours_given_back", "Session time given back (h)", digits=1),
    Column("overtime_mean_min", "Overtime of all lists, mean (min)", digits=1),
    Column("idle_mean_min", "Idle time of all lists, mean (min)", digits=1),
    Column("booked_utilisation", "Utilisation, booked (%)", "percent"),
    Column("touch_utilisation", "Utilisation, touch time (%)", "percent"),
    Column("overrun_risk", "Accepted chance of overrun (%)", "percent"),
    Column("overrun_means", "An overrun is a list that", "text"),
    Column("grace_min", "Grace (min)"),
    Column("draws", "Draws (count)"),
    Column("seed", "Seed", "text"),
    Column("verified_draws", "Fresh draws for the check (count)"),
    Column("lobetime", "Version of lobetime", "text"),
    Column("origin", "What the times rest on", "text"),
]


def write_workbook(plan: PlanLike, path: str | os.PathLike[str]) -> None:
    """Write a plan as an Excel workbook, whole or not at all.

    Sheets: Lists, Cases, Not placed, Stock, Assumptions. Days and times are real ones, shares are percent, texts are
    never formulas; each sheet says the caution above its headings, which stand in row 2.
    """
    book = new_book("Theatre lists")
    add_sheet(book, "Lists", plan.lists, _LISTS, plan.caution, frozen=1)
    days = plan.lists.set_index("session_id")[["day", "starts_at"]].rename(columns={"starts_at": "session_starts_at"})
    cases = plan.cases.join(days, on="session_id")
    add_sheet(book, "Cases", cases, _CASES, plan.caution, frozen=4)
    add_sheet(book, "Not placed", plan.unplaced, _NOT_PLACED, plan.caution, frozen=1)
    stock = plan.stock_use.assign(what=[_RESOURCES.get(what, what) for what in plan.stock_use["what"]])
    add_sheet(book, "Stock", stock, _STOCK, plan.caution)
    _add_assumptions(book, plan)
    content = io.BytesIO()
    book.save(content)
    write_bytes(path, content.getvalue())


def new_book(title: str) -> Any:
    """An openpyxl workbook without sheets. Raises ImportError without openpyxl."""
    try:
        import openpyxl
    except ImportError as error:
        raise ImportError("writing Excel files needs openpyxl: pip install 'lobetime[excel]'") from error
    book = openpyxl.Workbook()
    book.properties.creator = "lobetime"
    book.properties.title = title
    book.remove(book.worksheets[0])
    return book


def add_sheet(
    book: Any, title: str, frame: pd.DataFrame, columns: Sequence[Column], caution: str, *, frozen: int = 0
) -> None:
    """A sheet of a workbook: a row a row of the frame, the caution above the headings, the first columns frozen."""
    sheet = book.create_sheet(title)
    widths = _write_headings(sheet, [column.heading for column in columns])
    for i, row in enumerate(frame.to_dict("records"), start=3):
        for k, column in enumerate(columns):
            width = _write_cell(sheet.cell(i, k + 1), column, row.get(column.name), row)
            widths[k] = min(max(widths[k], width), _WIDEST)
    _finish_sheet(sheet, widths, caution, frozen)


def _add_assumptions(book: Any, plan: PlanLike) -> None:
    sheet = book.create_sheet("Assumptions")
    widths = [38.0, 90.0]
    _write_headings(sheet, ["What", "Value"])
    facts: Mapping[str, Any] = dict(plan.facts) | {"overrun_means": overrun_words(plan.facts)}
    lines = [(column, facts[column.name]) for column in _FACTS if column.name in facts]
    lines += [(Column("", "Session not used", "text"), name) for name in unused_sessions(plan)["session_id"]]
    lines += [(Column("", "Assumption", "text"), text) for text in facts.get("assumptions", ())]
    for i, (column, value) in enumerate(lines, start=3):
        _write_text(sheet.cell(i, 1), column.heading)
        _write_cell(sheet.cell(i, 2), column, value, {})
        _align(sheet.cell(i, 2), "left")
    _finish_sheet(sheet, widths, plan.caution, 0)


def _write_headings(sheet: Any, headings: Sequence[str]) -> list[float]:
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side

    for k, heading in enumerate(headings, start=1):
        cell = sheet.cell(2, k)
        _write_text(cell, heading)
        cell.font = Font(bold=True)
        cell.fill = PatternFill("solid", fgColor="E6E6E6")
        cell.border = Border(bottom=Side("thin"))
        cell.alignment = Alignment(wrap_text=True, vertical="bottom")
    # Two or three words a line, and room for the button of the filter.
    return [max(9.0, *(len(word) + 2.0 for word in heading.split())) for heading in headings]


def _write_cell(cell: Any, column: Column, value: Any, row: Mapping[Any, Any]) -> float:
    """Writes a value as its column says; returns the characters that it takes."""
    kind = column.kind
    if kind in ("day", "time"):
        value = None if is_missing(value) else pd.Timestamp(value)
        value = value if value is None or kind == "time" else value.date()
    elif kind == "clock":
        start = row.get("session_starts_at", row.get("starts_at"))
        value = time_at(start, value)
    if is_missing(value):
        return 0.0
    if kind == "flag":
        return _write_text(cell, "yes" if value else "")
    if kind == "reason":
        return _write_text(cell, REASONS.get(str(value), str(value)))
    if kind == "text":
        return _write_text(cell, value)
    if kind == "canister" and math.isinf(value):
        return _write_text(cell, canister_words(value))
    if isinstance(value, (pd.Timestamp, date)):
        cell.value = value.to_pydatetime() if isinstance(value, pd.Timestamp) else value
    elif math.isfinite(value):
        cell.value = value.item() if hasattr(value, "item") else value
    cell.number_format = _FORMATS.get(kind) or ("#,##0" + ("." + "0" * column.digits if column.digits else ""))
    _align(cell, "right")
    return 11.0


def _write_text(cell: Any, value: Any) -> float:
    text = one_line(value)[:_MOST_CHARACTERS]
    if not text:
        return 0.0
    cell.value = text
    # A text that looks like a formula, a number or an error stays a text, when it is edited as well.
    cell.data_type = "s"
    cell.quotePrefix = text[0] in "=+-@'"
    _align(cell, "left")
    return len(text) + 3.0


def _align(cell: Any, horizontal: str) -> None:
    from openpyxl.styles import Alignment

    left = horizontal == "left"
    # A step in, so that a text does not touch the figure on its left.
    cell.alignment = Alignment(horizontal=horizontal, vertical="top", wrap_text=left, indent=1 if left else 0)


def _finish_sheet(sheet: Any, widths: Sequence[float], caution: str, frozen: int) -> None:
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    for k, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(k)].width = width
    # The caution takes so many columns as a screen shows.
    across, total = 0, 0.0
    while across < len(widths) and total < 110:
        total += widths[across]
        across += 1
    sheet.merge_cells(start_row=1, start_column=1, end_row=1, end_column=across)
    _write_text(sheet["A1"], caution)
    sheet["A1"].font = Font(italic=True)
    sheet["A1"].alignment = Alignment(wrap_text=True, vertical="top")
    sheet.row_dimensions[1].height = 15.0 * math.ceil(len(caution) / (0.9 * total))
    lines = max(math.ceil(len(str(cell.value)) / (widths[k] - 4)) for k, cell in enumerate(sheet[2]))
    sheet.row_dimensions[2].height = 15.0 * min(lines + 1, 5)
    for row in sheet.iter_rows(min_row=3):
        # Not every program makes a row as high as its text when it opens the file.
        lines = max(
            (math.ceil(len(cell.value) / (widths[k] - 4)) for k, cell in enumerate(row) if isinstance(cell.value, str)),
            default=1,
        )
        if lines > 1:
            sheet.row_dimensions[row[0].row].height = 13.5 * lines
    sheet.freeze_panes = sheet.cell(3, frozen + 1)
    sheet.auto_filter.ref = f"A2:{get_column_letter(len(widths))}{max(sheet.max_row, 3)}"
    sheet.print_title_rows = "1:2"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    # A wide table takes two pages across, or nobody could read it; what is frozen stands on both.
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = (1 if sum(widths) <= _PAGE else 2), 0
    if frozen:
        sheet.print_title_cols = f"A:{get_column_letter(frozen)}"
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.oddFooter.left.text = "&A"
    sheet.oddFooter.right.text = "Page &P of &N"
