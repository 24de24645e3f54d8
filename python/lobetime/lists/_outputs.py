"""What the outputs of a plan share: the frames that they read, words for figures, files written whole."""

from __future__ import annotations

import hmac
import json
import math
import os
from collections.abc import Mapping
from datetime import tzinfo
from typing import Any, Protocol
from zoneinfo import ZoneInfo

import pandas as pd

from .. import _core

_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
_GLAND_CLASSES = ((50.0, "under 50 mL"), (100.0, "50 to 99 mL"), (150.0, "100 to 149 mL"))

REASONS = {
    "surgeon": "no session of the surgeon",
    "anaesthesia": "no session with the anaesthetic",
    "device_class": "no session with the device class",
    "due_by": "no session by the latest day",
    "gland_rule": "limit on large glands",
    "time_alone": "too long for every session, even alone",
    "device_set": "no device set left",
    "canister": "no canisters left",
    "irrigation": "no irrigation fluid left",
    "capacity": "no time left",
}


class PlanLike(Protocol):
    """What an output reads of a plan; see :class:`lobetime.lists.Plan` for the columns."""

    @property
    def lists(self) -> pd.DataFrame: ...
    @property
    def cases(self) -> pd.DataFrame: ...
    @property
    def unplaced(self) -> pd.DataFrame: ...
    @property
    def stock_use(self) -> pd.DataFrame: ...
    @property
    def sessions(self) -> pd.DataFrame: ...
    @property
    def facts(self) -> Mapping[str, Any]: ...
    @property
    def backup_at(self) -> float: ...
    @property
    def caution(self) -> str: ...


def write_bytes(path: str | os.PathLike[str], content: bytes) -> None:
    """Writes a file whole or not at all."""
    _core.write_whole(os.fspath(path), content)


# --- words -----------------------------------------------------------------------------------------------------------


def is_missing(value: Any) -> bool:
    return value is None or value is pd.NaT or value is pd.NA or (isinstance(value, float) and math.isnan(value))


def one_line(value: Any) -> str:
    """A text in one line, with nothing in it that a printer or a screen would take for an order."""
    if is_missing(value):
        return ""
    text = " ".join(str(value).split())
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def number(value: Any, digits: int = 0) -> str:
    return f"{value:,.{digits}f}" if not is_missing(value) and math.isfinite(value) else "-"


def percent(share: Any) -> str:
    if is_missing(share) or not math.isfinite(share):
        return "-"
    if 0 < share < 0.0005:
        return "<0.1 %"
    return f"{100 * share:.{1 if 0 < share < 0.0995 else 0}f} %"


def count(n: int, one: str, many: str | None = None) -> str:
    return f"{n} {one if n == 1 else many or one + 's'}"


def time_at(starts_at: pd.Timestamp, minutes: Any) -> pd.Timestamp | None:
    """The time of day so many minutes later, to the minute; None if that is not known."""
    if is_missing(starts_at) or is_missing(minutes) or not math.isfinite(minutes):
        return None
    return (starts_at + pd.Timedelta(seconds=round(60 * minutes))).round("min")


def clock(starts_at: pd.Timestamp, minutes: Any = 0.0) -> str:
    time = time_at(starts_at, minutes)
    if time is None:
        return "-"
    days = (time.normalize() - starts_at.normalize()).days
    return f"{time:%H:%M}" + (f" (+{count(days, 'day')})" if days else "")


def day_words(day: pd.Timestamp) -> str:
    # Not strftime: its names of days follow the machine's language.
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]} {day.year}"


def gland_class(gland_ml: float) -> str:
    if is_missing(gland_ml):
        return "size not known"
    return next((words for above, words in _GLAND_CLASSES if gland_ml < above), "150 mL or more")


def device_words(blade: Any, suction: Any) -> str:
    return "/".join(one_line(part) or "any" for part in (blade, suction)) if blade or suction else "not stated"


def canister_words(canister_ml: float) -> str:
    if is_missing(canister_ml):
        return "not stated"
    return "drain" if math.isinf(canister_ml) else f"{canister_ml:.0f} mL"


def overrun_words(facts: Mapping[str, Any]) -> str:
    """What the plan's chance of an overrun is the chance of."""
    words = "ends after its session's end" if facts.get("overrun_means") == "end" else "takes longer than its session"
    grace_min = float(facts.get("grace_min") or 0.0)
    return words + (f" by more than {grace_min:.0f} min" if grace_min > 0 else "")


# --- frames ----------------------------------------------------------------------------------------------------------


def rows_of(frame: pd.DataFrame) -> list[Any]:
    """The rows, their columns as attributes."""
    return list(frame.itertuples(index=False))


def cases_of(plan: PlanLike, session_id: Any) -> list[Any]:
    """Cases of one list in their order, as rows."""
    cases = plan.cases
    return rows_of(cases[cases["session_id"] == session_id].sort_values("position", kind="stable"))


def list_of(plan: PlanLike, session_id: Any) -> Any:
    """The row of one list, its columns as attributes."""
    rows = rows_of(plan.lists[plan.lists["session_id"] == session_id])
    if not rows:
        known = ", ".join(map(str, plan.lists["session_id"])) or "none"
        raise ValueError(f"session_id {session_id!r} has no list; lists: {known}")
    return rows[0]


def unused_sessions(plan: PlanLike) -> pd.DataFrame:
    unused: pd.DataFrame = plan.sessions[~plan.sessions["session_id"].isin(plan.lists["session_id"])]
    return unused


def time_zone(name: str) -> tzinfo:
    """A zone by its name. Raises ValueError."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:  # not known, not a name, a folder of zones
        raise ValueError(f"timezone {name!r} is not known; it is a name like 'Europe/London'") from error


def event_id(secret: str, *names: Any) -> str:
    """An identifier that is the same for the same names and secret, and does not tell them."""
    text = json.dumps([str(name) for name in names])
    return hmac.new(secret.encode(), text.encode(), "sha256").hexdigest()[:32]
