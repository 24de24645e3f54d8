"""A plan as an iCalendar file (RFC 5545)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any

import pandas as pd

from .. import _core
from ._outputs import (
    PlanLike,
    canister_words,
    cases_of,
    clock,
    count,
    device_words,
    event_id,
    gland_class,
    number,
    one_line,
    overrun_words,
    percent,
    rows_of,
    time_zone,
)


def to_icalendar(
    plan: PlanLike, *, stamp: datetime | None = None, timezone: str | None = None, secret: str = ""
) -> bytes:
    """The plan's lists and cases as events.

    Parameters
    ----------
    stamp : datetime, optional
        When the events were made, with a time zone; by default now. The same plan and stamp give the same bytes.
    timezone : str, optional
        Where the theatre is, like ``"Europe/London"``. By default times are those of the clock on the wall, whatever
        the reader's zone.
    secret : str, optional
        Enters the events' identifiers. Without it, who knows a case_id and its session can tell which event is theirs.

    Returns
    -------
    bytes
        One event a list and one a case that names the list as its parent, all marked confidential. A case is shown by
        its place in the list, its gland's class of size and its slot; case_id and free texts stay out.

    Notes
    -----
    An event made again for the same case and session has the same identifier, so it replaces the one before. Events
    of cases that are no longer there are not taken back: give plans a calendar of their own and empty it first.

    Raises
    ------
    ValueError
        If there is no list (a calendar needs an event), ``stamp`` has no zone, or ``timezone`` is not known.
    """
    try:
        import icalendar
    except ImportError as error:
        raise ImportError("writing a calendar needs icalendar: pip install 'lobetime[calendar]'") from error
    if plan.lists.empty:
        raise ValueError("the plan has no list, and a calendar needs at least one event")
    stamp = datetime.now(UTC) if stamp is None else stamp
    if stamp.tzinfo is None:
        raise ValueError("stamp needs a time zone, like datetime.now(timezone.utc)")
    stamp = stamp.astimezone(UTC).replace(microsecond=0)
    zone = None if timezone is None else time_zone(timezone)

    calendar = icalendar.Calendar()
    calendar.add("prodid", f"-//lobetime//lobetime {_core.__version__}//EN")
    calendar.add("version", "2.0")
    for row in rows_of(plan.lists):
        cases = cases_of(plan, row.session_id)
        uid = event_id(secret, "list", row.session_id) + "@lobetime"
        event = _event(uid, stamp, zone, row.starts_at, row.minutes)
        event.add("summary", f"List {one_line(row.session_id)}: {count(len(cases), 'case')}")
        if room := one_line(row.room):
            event.add("location", room)
        event.add("description", _list_words(plan, row))
        calendar.add_component(event)
        for case in cases:
            event = _event(
                event_id(secret, "case", row.session_id, case.case_id) + "@lobetime",
                stamp,
                zone,
                case.starts_at,
                case.slot_min,
            )
            place = f"Case {case.position} of {len(cases)}"
            event.add("summary", f"{place}, gland {gland_class(case.gland_ml)}, {number(case.slot_min)} min")
            if room:
                event.add("location", room)
            event.add("description", _case_words(plan, row, case))
            # The list's event takes the time already.
            event.add("transp", "TRANSPARENT")
            event.add("related-to", uid, parameters={"RELTYPE": "PARENT"})
            calendar.add_component(event)
    if zone is not None:
        first, last = plan.lists["starts_at"].min(), plan.lists["ends_at"].max()
        calendar.add_missing_timezones(first.date() - timedelta(days=366), last.date() + timedelta(days=366))
    return bytes(calendar.to_ical())


def _event(uid: str, stamp: datetime, zone: tzinfo | None, starts_at: pd.Timestamp, minutes: float) -> Any:
    import icalendar

    event = icalendar.Event()
    event.add("uid", uid)
    event.add("dtstamp", stamp)
    event.add("dtstart", starts_at.round("s").to_pydatetime().replace(tzinfo=zone))
    event.add("duration", timedelta(seconds=round(60 * minutes)))
    event.add("class", "CONFIDENTIAL")
    event.add("status", "TENTATIVE")
    return event


def _list_words(plan: PlanLike, row: Any) -> str:
    finish = (f"{name} {clock(row.starts_at, value)}" for name, value in _finish(row))
    lines = [
        f"Surgeon {one_line(row.surgeon)}" if row.surgeon else "",
        f"{count(row.n_cases, 'case')}, large glands: {row.n_large}, device sets: {row.device_sets}",
        f"Chance that the list {overrun_words(plan.facts)}: {percent(row.overrun_risk)} "
        f"(limit {percent(row.overrun_limit)})",
        f"Finish: {', '.join(finish)}",
        f"Chance of a device fault on the list: {percent(row.fault_chance)}"
        + ("; have a backup set in the room" if row.backup_set else ""),
        plan.caution,
    ]
    return "\n".join(line for line in lines if line)


def _case_words(plan: PlanLike, row: Any, case: Any) -> str:
    finish = (f"{name} {clock(row.starts_at, value)}" for name, value in _finish(case))
    lines = [
        f"Device set {device_words(case.blade, case.suction)}, canister {canister_words(case.canister_ml)}",
        f"Out of theatre: {', '.join(finish)}",
        f"Irrigation {number(case.irrigation_l_median)} L (95 %: {number(case.irrigation_l_q95)} L)",
        plan.caution,
    ]
    return "\n".join(lines)


def _finish(row: Any) -> list[tuple[str, float]]:
    return [("median", row.finish_q50_min), ("80 % by", row.finish_q80_min), ("90 % by", row.finish_q90_min)]
