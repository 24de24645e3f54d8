"""A plan as FHIR R4 resources: a Schedule a list, a Slot and a proposed Appointment a case."""

from __future__ import annotations

from datetime import timedelta, tzinfo
from typing import Any

import pandas as pd

from ._outputs import (
    REASONS,
    PlanLike,
    cases_of,
    count,
    event_id,
    gland_class,
    number,
    one_line,
    overrun_words,
    percent,
    rows_of,
    time_zone,
)

_RESTRICTED = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality",
    "code": "R",
    "display": "restricted",
}


def to_fhir_bundle(plan: PlanLike, *, timezone: str, secret: str = "") -> dict[str, Any]:
    """The plan as a FHIR R4 Bundle (type collection), in types that JSON holds.

    Parameters
    ----------
    timezone : str
        Where the theatre is, like ``"Europe/London"``: an instant of FHIR needs one.
    secret : str, optional
        Enters the resources' ids. Without it, who knows a case_id and its session can tell which resource is theirs.

    Returns
    -------
    dict
        A Schedule a list; a Slot (busy-tentative) and an Appointment (proposed) a placed case; an Appointment
        (waitlist) a case that was not placed. All are labelled restricted. No patient, case_id or free text is in it; a
        participant is the surgeon's code, or the patient without a reference.

    Raises
    ------
    ValueError
        If ``timezone`` is not known.

    Notes
    -----
    HL7 FHIR R4 (4.0.1), Schedule, Slot, Appointment. An Appointment is a proposal: who books it adds the patient.
    """
    zone = time_zone(timezone)
    entries = []
    for row in rows_of(plan.lists):
        cases = cases_of(plan, row.session_id)
        schedule = event_id(secret, "list", row.session_id)
        entries.append(_schedule(plan, row, schedule, zone))
        for case in cases:
            slot = event_id(secret, "case", row.session_id, case.case_id)
            entries += [_slot(case, slot, schedule, zone), _appointment(plan, case, slot, zone)]
    for case in rows_of(plan.unplaced):
        entries.append(_waiting(plan, case, event_id(secret, "waiting", case.case_id)))
    return {
        "resourceType": "Bundle",
        "meta": {"security": [_RESTRICTED]},
        "type": "collection",
        "entry": [{"fullUrl": f"urn:lobetime:{one['resourceType']}:{one['id']}", "resource": one} for one in entries],
    }


def _resource(kind: str, name: str) -> dict[str, Any]:
    return {"resourceType": kind, "id": name, "meta": {"security": [_RESTRICTED]}}


def _instant(at: pd.Timestamp, zone: tzinfo) -> str:
    return at.round("s").to_pydatetime().replace(tzinfo=zone).isoformat(timespec="seconds")


def _period(starts_at: pd.Timestamp, minutes: float, zone: tzinfo) -> dict[str, str]:
    end = starts_at + timedelta(minutes=float(minutes))
    return {"start": _instant(starts_at, zone), "end": _instant(end, zone)}


def _schedule(plan: PlanLike, row: Any, name: str, zone: tzinfo) -> dict[str, Any]:
    who = f"Surgeon {one_line(row.surgeon)}" if row.surgeon else "Theatre session"
    actors = [{"display": who}, *([{"display": f"Room {one_line(row.room)}"}] if row.room else [])]
    words = (
        f"{count(row.n_cases, 'case')}; chance that the list {overrun_words(plan.facts)} {percent(row.overrun_risk)} "
        f"(limit {percent(row.overrun_limit)}). {plan.caution}"
    )
    horizon = _period(row.starts_at, row.minutes, zone)
    return _resource("Schedule", name) | {"active": True, "actor": actors, "planningHorizon": horizon, "comment": words}


def _slot(case: Any, name: str, schedule: str, zone: tzinfo) -> dict[str, Any]:
    return _resource("Slot", name) | {
        "schedule": {"reference": f"Schedule/{schedule}"},
        "status": "busy-tentative",
        **_period(case.starts_at, case.slot_min, zone),
        "comment": f"Case {case.position}, gland {gland_class(case.gland_ml)}",
    }


def _appointment(plan: PlanLike, case: Any, name: str, zone: tzinfo) -> dict[str, Any]:
    return _resource("Appointment", name) | {
        "status": "proposed",
        "description": f"Gland {gland_class(case.gland_ml)}, {number(case.slot_min)} min",
        **_period(case.starts_at, case.slot_min, zone),
        "minutesDuration": max(round(case.slot_min), 1),
        "slot": [{"reference": f"Slot/{name}"}],
        "comment": plan.caution,
        "participant": _participants(case.surgeon),
    }


def _waiting(plan: PlanLike, case: Any, name: str) -> dict[str, Any]:
    return _resource("Appointment", name) | {
        "status": "waitlist",
        "description": f"Gland {gland_class(case.gland_ml)}; not placed: {REASONS[case.reason]}",
        "comment": plan.caution,
        "participant": _participants(case.surgeon),
    }


def _participants(surgeon: str) -> list[dict[str, Any]]:
    named = [{"actor": {"display": f"Surgeon {one_line(surgeon)}"}, "status": "needs-action"}] if surgeon else []
    return [{"type": [{"text": "patient"}], "required": "required", "status": "needs-action"}, *named]
