"""The demo unit: the recipe that makes its files, and the reader that hands them out."""

from __future__ import annotations

import json
import math
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from ._lists import simulate_demo_sessions, simulate_demo_stock
from ._simulate import CaseMix, Equipment, Mess, UnitTruth, _rounded, _Stream, simulate_unit

DEMO_SEED = 20260109
DEMO_CASES = 420
DEMO_BOOKINGS = 40

BOOKING_COLUMNS: tuple[str, ...] = (
    "case_id",
    "gland_ml",
    "surgeon",
    "blade",
    "suction",
    "canister_ml",
    "anaesthesia",
    "trainee",
    "days_waiting",
    "priority",
    "due_by",
)
"""Canonical booking columns, in the order of the demo file."""

_FILES = ("demo_history.csv", "demo_bookings.csv", "demo_sessions.csv", "demo_stock.csv", "demo_truth.json")
_HERE = Path(__file__).resolve().parent
_TEXT_COLUMNS = (
    *("case_id", "surgeon", "blade", "suction", "device", "morcellation_outcome", "anaesthesia"),
    *("session_id", "room", "what"),
)

DEMO_TRUTH = UnitTruth()
DEMO_MIX = CaseMix(
    equipment=(
        Equipment("reciprocating", "vacuum", 2000.0, 0.28, fault_probability=0.02),
        Equipment("reciprocating", "vacuum", 3000.0, 0.12, fault_probability=0.02),
        Equipment("oscillating", "vacuum", 2000.0, 0.15, fault_probability=0.05),
        Equipment("oscillating", "vacuum", 3000.0, 0.17, fault_probability=0.05),
        Equipment("oscillating", "peristaltic", math.inf, 0.28, fault_probability=0.03),
    ),
    surgeon_share={"A": 1.4, "B": 1.2, "C": 0.9, "D": 1.0, "E": 1.3},
    surgeon_joins={"E": 0.45},
    trainee_share=0.1,
    trainee_share_of={"E": 0.6},
    starts_on=date(2023, 1, 2),
    years=3.0,
)
DEMO_MESS = Mess(
    rounding_min=5.0,
    gland_rounding_ml=1.0,
    tissue_rounding_g=1.0,
    blank_fraction=0.08,
    outlier_fraction=0.01,
    outlier_factor=(1.6, 2.3),
    typing_error_fraction=6 / DEMO_CASES,
    deferred_fraction=0.04,
    case_no_blank_for=("C",),
    drain_blank_share=0.2,
)


@dataclass(frozen=True)
class DemoUnit:
    """An invented unit: past cases and their truth, bookings, sessions and stock. See `load_demo_unit`."""

    history: pd.DataFrame
    bookings: pd.DataFrame
    truth: UnitTruth
    spoilt: Mapping[str, tuple[str, ...]]
    history_path: Path
    bookings_path: Path
    sessions: pd.DataFrame
    stock: pd.DataFrame
    sessions_path: Path
    stock_path: Path


def load_demo_unit() -> DemoUnit:
    """The demo unit: 420 past cases over three years, 40 bookings and 14 sessions. All of it is invented.

    Source: made by `python -m lobetime.datasets`, cases from `simulate_unit` with known truth and a fixed seed;
    sessions and stock were written by hand. No patient, surgeon or hospital stands behind any row.

    Returns
    -------
    DemoUnit with

    history : DataFrame, one row a past case, in date order
        case_id (INV-0001 ...), operated_on (date), surgeon (A .. E), surgeon_case_no (blank for C, who started in
        this file at case 1, so that the numbers can be derived from the dates), gland_ml (mL), tissue_g (g,
        weighed), blade (reciprocating, oscillating), suction (vacuum, peristaltic), device (blank: the unit uses no
        codes of its own), canister_ml (2000, 3000; infinite or blank for a continuous drain), canister_swaps (count),
        enucleation_min, haemostasis_min (all of the operation outside the other two phases), morcellation_min (time
        until the stop where the outcome is not complete), operative_min (their sum), theatre_min (wheels in to
        wheels out), turnover_min (only where another case followed), morcellation_outcome (complete, deferred,
        other_route), device_fault, hard_nodule, trainee, anticoagulated (0, 1), anaesthesia (general, spinal).
        Times are in 5-minute steps; about 8 % of the optional cells are blank; six rows hold a typing error.
    bookings : DataFrame, one row a booked case
        case_id (INV-B001 ...), gland_ml, surgeon, blade, suction, canister_ml, anaesthesia, trainee as above;
        days_waiting, priority (1 = soonest, 2, 3), due_by (date). It includes glands of 200 mL and more, a surgeon
        (F) and a device class (oscillating with wall suction) that the history never saw.
    sessions : DataFrame, one row a session of the two and a half weeks after the history, in order of start
        session_id (INV-S01 ...), starts_at (date and time), minutes (480; 240 of an afternoon, 600 of a long day),
        room, surgeon (A .. F; blank: each booking's own), blade, suction, canister_ml (blank: as booked), anaesthesia
        (one session is for spinal only), max_overtime_min, overrun_risk, max_large, max_gland_ml, max_cases (blank:
        the plan's). There is more waiting than fits.
    stock : DataFrame, what there is a day
        day (blank: every day that no other row names), what (device_set, canister, irrigation_l), blade, suction,
        canister_ml, amount, reprocess_min (blank: a used set is not back the same day).
    truth : UnitTruth, the parameters that the history was made from.
    spoilt : case ids by what was done to them: outlier (a real delay: every time longer), gland_times_ten,
        hours_for_minutes, tissue_above_gland.
    history_path, bookings_path, sessions_path, stock_path : the CSV files that the frames were read from.
    """
    history_path, bookings_path, sessions_path, stock_path, truth_path = (_HERE / name for name in _FILES)
    stored = json.loads(truth_path.read_text(encoding="utf-8"))
    text = dict.fromkeys(_TEXT_COLUMNS, "str")
    return DemoUnit(
        history=pd.read_csv(history_path, dtype=text, parse_dates=["operated_on"]),
        bookings=pd.read_csv(bookings_path, dtype=text, parse_dates=["due_by"]),
        truth=UnitTruth.from_dict(stored),
        spoilt={kind: tuple(case_ids) for kind, case_ids in stored["spoilt"].items()},
        history_path=history_path,
        bookings_path=bookings_path,
        sessions=pd.read_csv(sessions_path, dtype=text, parse_dates=["starts_at"]),
        stock=pd.read_csv(stock_path, dtype=text, parse_dates=["day"]),
        sessions_path=sessions_path,
        stock_path=stock_path,
    )


def simulate_demo_history() -> pd.DataFrame:
    """The demo unit's past cases, made afresh."""
    return simulate_unit(DEMO_CASES, seed=DEMO_SEED, truth=DEMO_TRUTH, mix=DEMO_MIX, mess=DEMO_MESS)


def simulate_demo_bookings() -> pd.DataFrame:
    """The demo unit's bookings, made afresh; the oddities stand at fixed rows."""
    n = DEMO_BOOKINGS
    # Bookings come through the same door as past cases: only what is known before the operation is kept.
    cases = simulate_unit(n, seed=DEMO_SEED + 1, truth=DEMO_TRUTH, mix=DEMO_MIX)
    bookings = cases[["gland_ml", "surgeon", "blade", "suction", "canister_ml", "anaesthesia", "trainee"]].copy()
    bookings.attrs = {}
    # A simulated period starts without surgeon E; today E is there, and F has just been appointed.
    who = _Stream(DEMO_SEED + 1, "booked surgeon").pick(np.tile([0.25, 0.22, 0.18, 0.18, 0.17], (n, 1)))
    bookings["surgeon"] = [list(DEMO_TRUTH.surgeons)[i] for i in who]
    trainee_share = bookings["surgeon"].map(lambda code: DEMO_MIX.trainee_share_of.get(code, DEMO_MIX.trainee_share))
    with_trainee = _Stream(DEMO_SEED + 1, "booked trainee").uniform(n) < trainee_share.to_numpy(dtype=np.float64)
    bookings["trainee"] = with_trainee.astype(np.int64)
    bookings["gland_ml"] = _rounded(bookings["gland_ml"].to_numpy(), 1.0)
    for row, gland_ml in {3: 205.0, 17: 240.0, 31: 310.0}.items():
        bookings.loc[row, "gland_ml"] = gland_ml
    for row in (8, 26):
        bookings.loc[row, "surgeon"] = "F"
    for row in (12, 35):
        bookings.loc[row, ["blade", "suction"]] = ["oscillating", "wall"]
        bookings.loc[row, "canister_ml"] = 3000.0

    priority = 1 + _Stream(DEMO_SEED + 1, "priority").pick(np.tile([0.2, 0.3, 0.5], (n, 1)))
    target_days = np.array([0, 31, 90, 180])[priority]
    waiting = np.floor(target_days * _Stream(DEMO_SEED + 1, "waiting").uniform(n, 0.1, 1.05)).astype(np.int64)
    today = DEMO_MIX.starts_on + timedelta(days=round(365.25 * DEMO_MIX.years) + 4)
    bookings["days_waiting"] = waiting
    bookings["priority"] = priority
    bookings["due_by"] = pd.to_datetime(
        [today + timedelta(days=int(target - waited)) for target, waited in zip(target_days, waiting, strict=True)]
    )
    bookings.insert(0, "case_id", [f"INV-B{i + 1:03d}" for i in range(n)])
    return bookings[list(BOOKING_COLUMNS)]


def _cell(value: object) -> str:
    if isinstance(value, str):
        return value
    if value is None or value is pd.NaT or value is pd.NA:
        return ""
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat() if value == value.normalize() else value.isoformat(timespec="minutes")
    number = float(value)  # type: ignore[arg-type]
    return "" if math.isnan(number) else f"{number:.10g}"


def _csv(frame: pd.DataFrame) -> str:
    # Written here rather than by pandas, whose number formats differ between releases: the files are compared by byte.
    lines = [",".join(frame.columns)]
    lines += [
        ",".join(_cell(value) for value in row) for row in frame.astype(object).itertuples(index=False, name=None)
    ]
    return "\n".join(lines) + "\n"


def demo_files() -> dict[str, str]:
    """The text of every demo file by its name, made afresh."""
    history = simulate_demo_history()
    truth = {
        "label": "Invented unit: no patient, surgeon or hospital stands behind it.",
        "generator": "python -m lobetime.datasets",
        "seed": DEMO_SEED,
        **DEMO_TRUTH.to_dict(),
        "spoilt": history.attrs["spoilt"],
    }
    tables = (history, simulate_demo_bookings(), simulate_demo_sessions(), simulate_demo_stock())
    texts = (*map(_csv, tables), json.dumps(truth, indent=2, allow_nan=False) + "\n")
    return dict(zip(_FILES, texts, strict=True))


def write_demo_files(directory: Path | str = _HERE) -> list[Path]:
    """Write the demo files into a directory, each whole or not at all, and return their paths."""
    written = []
    for name, text in demo_files().items():
        path = Path(directory) / name
        handle, part = tempfile.mkstemp(dir=path.parent, prefix=f".{name}.")
        try:
            with os.fdopen(handle, "w", encoding="utf-8", newline="") as stream:
                stream.write(text)
            # A temporary file is private to its owner; package data is for everybody.
            Path(part).chmod(0o644)
            Path(part).replace(path)
        except BaseException:
            Path(part).unlink(missing_ok=True)
            raise
        written.append(path)
    return written
