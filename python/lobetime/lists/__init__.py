"""Whole lists: which cases on which session, in what order, at what risk.

`plan_lists` chooses them; `read_sessions` and `read_stock` read what there is. Outputs of a plan: `write_workbook`,
`to_icalendar`, `plan_display`, `room_sheet`, `room_sheet_html`, `to_json_dict`, `to_csv_table`, `to_fhir_bundle`.
"""

from .calendar import to_icalendar
from .fhir import to_fhir_bundle
from .machine import to_csv_table, to_json_dict
from .options import ListOptions, recorded_turnover
from .picture import plan_display
from .plan import Plan, Replanned, WhatIf, plan_lists
from .policies import audit_replica, simulate_policies
from .room_sheet import room_sheet, room_sheet_html
from .sessions import Sessions, Stock, read_sessions, read_stock
from .told import read_told
from .workbook import write_workbook

__all__ = [
    "ListOptions",
    "Plan",
    "Replanned",
    "Sessions",
    "Stock",
    "WhatIf",
    "audit_replica",
    "plan_display",
    "plan_lists",
    "read_sessions",
    "read_stock",
    "read_told",
    "recorded_turnover",
    "room_sheet",
    "room_sheet_html",
    "simulate_policies",
    "to_csv_table",
    "to_fhir_bundle",
    "to_icalendar",
    "to_json_dict",
    "write_workbook",
]
