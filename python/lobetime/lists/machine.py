"""A plan for other programs: plain types for JSON, one table for CSV."""

from __future__ import annotations

import math
from datetime import date, datetime
from typing import Any

import pandas as pd

from ..spreadsheet import neutral_table
from ._outputs import PlanLike, is_missing, unused_sessions

_DAYS = {"day", "due_by"}
_UNPLACED = ["reason", "words", "best_session", "risk_if_added"]


def to_json_dict(plan: PlanLike) -> dict[str, Any]:
    """Everything a plan says, in types that JSON holds.

    Returns
    -------
    dict
        ``caution``, ``facts``, ``lists`` (each with its ``cases``), ``unplaced``, ``stock``, ``unused_sessions``. Days
        and times are ISO 8601; numbers that are not finite are None. ``continuous_drain`` beside each ``canister_ml``
        tells a drain from a capacity that is not known.
    """
    cases = _records(plan.cases)
    lists = _records(plan.lists)
    for one in lists:
        one["cases"] = [case for case in cases if case["session_id"] == one["session_id"]]
    return {
        "caution": str(plan.caution),
        "facts": _plain(dict(plan.facts)),
        "lists": lists,
        "unplaced": _records(plan.unplaced),
        "stock": _records(plan.stock_use),
        "unused_sessions": _records(unused_sessions(plan)),
    }


def to_csv_table(plan: PlanLike) -> pd.DataFrame:
    """One row a case, placed ones first, with its list's figures beside it (``list_…``) or why it was not placed.

    Columns that say nothing of a case are blank in its row. A text that a spreadsheet would run as a formula (one that
    begins with ``=``, ``+``, ``-`` or ``@``) has an apostrophe in front; :func:`lobetime.lists.read_told` takes it off.
    """
    lists = plan.lists.add_prefix("list_").rename(columns={"list_session_id": "session_id", "list_day": "day"})
    both = [name for name in plan.unplaced.columns if name in plan.cases.columns]
    placed = plan.cases.merge(lists, on="session_id", how="left", validate="many_to_one")
    columns = ["case_id", "placed", *placed.columns.drop("case_id"), *_UNPLACED]
    frames = [placed.assign(placed=True), plan.unplaced[[*both, *_UNPLACED]].assign(placed=False)]
    # Row by row, so that a column which one of them has not cannot change the other's types.
    records = [record for frame in frames for record in frame.to_dict("records")]
    table = pd.DataFrame(records, columns=columns)
    for name in columns:
        known = table[name].dropna()
        if name in placed.columns and pd.api.types.is_integer_dtype(placed[name]) and not known.empty:
            table[name] = table[name].astype("Int64")
        elif not known.empty and all(isinstance(value, bool) for value in known):
            table[name] = table[name].astype("boolean")
        elif not known.empty and all(isinstance(value, str) for value in known):
            table[name] = table[name].fillna("")
    return neutral_table(table)


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    rows = []
    for row in frame.to_dict("records"):
        out = {}
        for name, value in row.items():
            out[str(name)] = _plain(value, as_day=name in _DAYS)
            if name == "canister_ml" and "what" not in row:
                out["continuous_drain"] = not is_missing(value) and math.isinf(value)
        rows.append(out)
    return rows


def _plain(value: Any, *, as_day: bool = False) -> Any:
    if is_missing(value):
        return None
    if isinstance(value, dict):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d}" if as_day else value.isoformat(timespec="seconds")
    if isinstance(value, date):
        return value.isoformat()
    if hasattr(value, "item"):  # a number of numpy's
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if isinstance(value, (bool, int, float, str)) else str(value)
