"""Invented units with known truth, to try the library on and to test it against.

Everything in here is invented and labelled so: case ids start with INV, surgeons are letters, and
`python -m lobetime.datasets` remakes the shipped files byte for byte.

`load_demo_unit`
    The demo unit: 420 past cases and the truth behind them, 40 bookings, 14 sessions and their stock.
`simulate_unit`
    A unit of any size from a `UnitTruth`, clean or spoilt by a `Mess`.
`simulate_waiting_list`
    Waiting cases and sessions whose times have a known law; `waiting_list_problem` is the choice they pose.
`noise_free`, `expected_swaps`
    The model's formulas in plain numpy, independent of the compiled core.
"""

from ._demo import (
    BOOKING_COLUMNS,
    DemoUnit,
    demo_files,
    load_demo_unit,
    simulate_demo_bookings,
    simulate_demo_history,
    write_demo_files,
)
from ._draw import draw_truth
from ._lists import SESSION_COLUMNS, STOCK_COLUMNS, simulate_demo_sessions, simulate_demo_stock
from ._simulate import (
    HISTORY_COLUMNS,
    USUAL_EQUIPMENT,
    CaseMix,
    Equipment,
    Mess,
    SurgeonTruth,
    UnitTruth,
    draw_surgeons,
    expected_swaps,
    noise_free,
    simulate_unit,
)
from ._waiting import WaitingList, simulate_waiting_list, waiting_list_problem

__all__ = [
    "BOOKING_COLUMNS",
    "HISTORY_COLUMNS",
    "SESSION_COLUMNS",
    "STOCK_COLUMNS",
    "USUAL_EQUIPMENT",
    "CaseMix",
    "DemoUnit",
    "Equipment",
    "Mess",
    "SurgeonTruth",
    "UnitTruth",
    "WaitingList",
    "demo_files",
    "draw_surgeons",
    "draw_truth",
    "expected_swaps",
    "load_demo_unit",
    "noise_free",
    "simulate_demo_bookings",
    "simulate_demo_history",
    "simulate_demo_sessions",
    "simulate_demo_stock",
    "simulate_unit",
    "simulate_waiting_list",
    "waiting_list_problem",
    "write_demo_files",
]
