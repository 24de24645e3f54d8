"""The demo unit's sessions and stock: written by hand to go with its bookings, like them invented."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

SESSION_COLUMNS: tuple[str, ...] = (
    "session_id",
    "starts_at",
    "minutes",
    "room",
    "surgeon",
    "blade",
    "suction",
    "canister_ml",
    "anaesthesia",
    "max_overtime_min",
    "overrun_risk",
    "max_large",
    "max_gland_ml",
    "max_cases",
)
"""Canonical columns of sessions, in the order of the demo file."""

STOCK_COLUMNS: tuple[str, ...] = ("day", "what", "blade", "suction", "canister_ml", "amount", "reprocess_min")
"""Canonical columns of stock, in the order of the demo file."""

_TEXTS = ("room", "surgeon", "blade", "suction", "anaesthesia", "what")

# Day and hour, minutes, room, surgeon ("" = each booking's own), what else the session asks for.
_SESSIONS: tuple[tuple[str, int, str, str, dict[str, Any]], ...] = (
    ("2025-12-30 08:00", 480, "R1", "F", {"max_large": 1, "max_overtime_min": 60}),
    ("2025-12-31 08:00", 480, "R1", "B", {}),
    ("2026-01-05 08:00", 480, "R1", "D", {"max_cases": 4}),
    ("2026-01-06 08:00", 480, "R1", "A", {}),
    ("2026-01-06 13:00", 240, "R2", "E", {"canister_ml": 3000.0, "max_gland_ml": 150.0}),
    ("2026-01-07 08:00", 600, "R1", "C", {"max_large": 2}),
    ("2026-01-08 08:00", 480, "R1", "B", {"blade": "oscillating", "suction": "vacuum"}),
    ("2026-01-08 13:00", 240, "R2", "D", {}),
    ("2026-01-09 08:00", 480, "R1", "", {"anaesthesia": "spinal"}),
    ("2026-01-12 08:00", 480, "R1", "C", {"blade": "reciprocating", "suction": "vacuum", "canister_ml": 3000.0}),
    ("2026-01-12 08:30", 480, "R2", "A", {}),
    ("2026-01-13 08:00", 480, "R1", "E", {}),
    ("2026-01-14 08:00", 480, "R1", "B", {"max_overtime_min": 30}),
    ("2026-01-16 08:00", 480, "R1", "C", {"overrun_risk": 0.15}),
)

# Amount a day and what of; a row with a day replaces the everyday one.
_STOCK: tuple[dict[str, Any], ...] = (
    {"what": "device_set", "blade": "reciprocating", "suction": "vacuum", "amount": 3},
    {"what": "device_set", "blade": "oscillating", "suction": "vacuum", "amount": 3, "reprocess_min": 240},
    {"what": "device_set", "blade": "oscillating", "suction": "peristaltic", "amount": 2, "reprocess_min": 180},
    {"what": "device_set", "blade": "oscillating", "suction": "wall", "amount": 1},
    {"what": "canister", "canister_ml": 2000, "amount": 8},
    {"what": "canister", "canister_ml": 3000, "amount": 8},
    {"what": "irrigation_l", "amount": 240},
    # One set is away for repair, and a delivery is late.
    *(
        {
            "day": day,
            "what": "device_set",
            "blade": "oscillating",
            "suction": "vacuum",
            "amount": 2,
            "reprocess_min": 240,
        }
        for day in ("2026-01-08", "2026-01-09")
    ),
    {"day": "2026-01-14", "what": "irrigation_l", "amount": 120},
)


def simulate_demo_sessions() -> pd.DataFrame:
    """The demo unit's sessions, made afresh: they start the day after its history ends."""
    rows = [
        {"session_id": f"INV-S{number:02d}", "starts_at": starts_at, "minutes": minutes, "room": room, "surgeon": who}
        | asks
        for number, (starts_at, minutes, room, who, asks) in enumerate(_SESSIONS, start=1)
    ]
    return _frame(rows, SESSION_COLUMNS, "starts_at")


def simulate_demo_stock() -> pd.DataFrame:
    """The demo unit's device sets, canisters and irrigation, made afresh."""
    return _frame(list(_STOCK), STOCK_COLUMNS, "day")


def _frame(rows: list[dict[str, Any]], columns: tuple[str, ...], time: str) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=list(columns))
    frame[time] = pd.to_datetime(frame[time])
    for column in columns:
        if column in _TEXTS:
            frame[column] = frame[column].fillna("").astype("str")
        elif column not in ("session_id", time):
            frame[column] = frame[column].astype(np.float64)
    return frame
