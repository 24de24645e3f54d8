"""What the page answers: a model, bookings, and questions about them. Nothing here knows how it is shown.

Every number is the library's own: ``lt.slots``, ``Prediction.overrun_risk`` and ``Prediction.phases`` of 4,096 draws
with seed 1, as ``lobetime slots`` has them.
"""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from .. import _core
from ..cases import Bookings, DataWarning, read_cases
from ..caution import CAUTION
from ..datasets import load_demo_unit
from ..lists.options import ListOptions
from ..model import TheatreTimeModel
from ..plain import plain
from ..prediction import Prediction
from ..slots import slots as slots_of
from . import downloads
from .uploads import (
    BOOKING_FILES,
    LARGEST_BYTES,
    MODEL_FILES,
    MOST_BOOKINGS,
    Refused,
    bookings_of,
    read_bookings_file,
    read_model_file,
)

DRAWS, SEED = 4096, 1

_NO_HISTORY = (
    "NO HISTORY. These slots rest on published evidence and stated assumptions alone, on no case of your unit: they "
    "may be much too long or much too short for it. Choose a model of your own cases as soon as there is one."
)
_DEMO = "INVENTED UNIT. These slots are for trying the page: no patient, surgeon or hospital stands behind them."
_PHASES = {
    "enucleation": "Enucleation",
    "haemostasis": "Haemostasis and the rest of the operation",
    "morcellation": "Morcellation with its stops",
    "room": "Room, before and after the operation",
    "total": "Whole case, wheels in to wheels out",
}
_LABELS = {
    "gland_ml": "Gland volume (mL)",
    "case_id": "Case reference",
    "surgeon": "Surgeon (code)",
    "surgeon_case_no": "Surgeon's case number",
    "blade": "Blade motion",
    "suction": "Suction",
    "canister_ml": "Canister (mL)",
    "anaesthesia": "Anaesthetic",
    "trainee": "Trainee operates",
    "anticoagulated": "Under anticoagulation",
}
_MEDIA = {
    "csv": ("slots.csv", "text/csv"),
    "excel": ("slots.xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
    "calendar": ("slots.ics", "text/calendar"),
}


def form_fields() -> list[dict[str, Any]]:
    """The form of one booking: name, label, kind, the words that may be chosen, hint."""
    words = {str(column["name"]): list(column["words"]) for column in _core.columns()}
    hints = {
        "case_id": "Your own code for the case; never a name or number of a patient. May stay blank.",
        "gland_ml": "By ultrasound or MRI.",
        "surgeon": "As in your past cases.",
        "surgeon_case_no": "How many of these operations the surgeon will have done with this one.",
        "canister_ml": "Where fluid is collected in canisters.",
    }
    kinds = {"gland_ml": "number", "surgeon_case_no": "number", "canister_ml": "number"}
    fields = []
    for name, label in _LABELS.items():
        choices = words[name] or (["yes", "no"] if name in ("trainee", "anticoagulated") else [])
        kind = "choice" if choices else kinds.get(name, "text")
        fields.append({"name": name, "label": label, "kind": kind, "choices": choices, "hint": hints.get(name, "")})
        if name == "suction":
            hint = "Not known counts as continuous drain, without stops to change a canister."
            drains = {"name": "collection", "label": "Fluid collection", "kind": "choice", "hint": hint}
            fields.append(drains | {"choices": ["continuous drain", "canister"]})
    return fields


class Desk:
    """One visitor's model, bookings and slots.

    Parameters
    ----------
    model : TheatreTimeModel, optional
        The unit's own; without it published evidence predicts.
    name : str
        What it is called in the choice of models.
    """

    def __init__(self, model: TheatreTimeModel | None = None, name: str = "the model that was given") -> None:
        self._models = {"published": TheatreTimeModel()}
        self._names = {"published": "No history: published evidence alone", "demo": "The invented demo unit, to try"}
        if model is not None:
            self._models["given"] = model
            self._names = {"given": name} | self._names
        self.chosen = next(iter(self._names))
        self.overrun_risk, self.round_to = 0.2, 5.0
        self.bookings: Bookings | None = None
        self._called: str | None = None  # a typed booking without a reference of its own
        self.prediction: Prediction | None = None
        self.table: pd.DataFrame | None = None

    # --- what it says --------------------------------------------------------------------------------------------

    def start(self) -> dict[str, Any]:
        """What the page needs before the first question."""
        return {
            "caution": CAUTION,
            "version": _core.__version__,
            "fields": form_fields(),
            "columns": [
                [column["name"], column["meaning"], _core.allowed_values(column["name"], "bookings")]
                for column in _core.columns()
                if column["need"]["bookings"] != "unused"
            ],
            "largest_bytes": LARGEST_BYTES,
            "largest_words": f"{LARGEST_BYTES / 1e6:.0f} MB",
            "most_bookings": MOST_BOOKINGS,
            "booking_files": list(BOOKING_FILES),
            "model_files": list(MODEL_FILES),
            "overrun_percent": 100 * self.overrun_risk,
            "round_to": self.round_to,
            "turnover_min": ListOptions().turnover_median_min,
            "turnover_words": ListOptions().turnover_origin,
            **self.rests_on(),
        }

    def rests_on(self) -> dict[str, Any]:
        """The chosen model and what stands behind it."""
        model = self._models[self.chosen]
        surgeons = list(model.surgeons_.index) if self.chosen != "published" else []
        return {
            "models": [{"key": key, "name": name} for key, name in self._names.items()],
            "chosen": self.chosen,
            "rests_on": self.words(),
            "loud": {"published": _NO_HISTORY, "demo": _DEMO}.get(self.chosen, ""),
            "surgeons": [str(code) for code in surgeons],
        }

    def words(self) -> str:
        """What the slots rest on, in a sentence."""
        if self.chosen == "published":
            return "Published evidence and stated assumptions alone, no history."
        fitted = self._models[self.chosen].fitted_
        low, median, high = fitted.gland_ml
        whose = "invented" if self.chosen == "demo" else "past"
        glands = f"glands of {low:.0f} to {high:.0f} mL, half of them below {median:.0f} mL"
        said = f"{fitted.n_cases:,} {whose} cases, {glands}."
        return said if fitted.prior != "none" else f"{said} Without published evidence."

    # --- what it is asked ----------------------------------------------------------------------------------------

    def choose(self, key: str) -> dict[str, Any]:
        """Another model. Bookings stay and are predicted again."""
        if key not in self._names:
            raise Refused("There is no such model", "Choose one of the list.")
        if key == "demo" and "demo" not in self._models:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", DataWarning)
                cases = read_cases(load_demo_unit().history)
            self._models["demo"] = TheatreTimeModel(estimator="m").fit(cases)
        self.chosen = key
        return self.rests_on() | self._again()

    def take_model(self, name: str, content: bytes) -> dict[str, Any]:
        """A model file that was handed in."""
        self._models["upload"] = read_model_file(name, content)
        self._names["upload"] = f"Your model file {name}"
        return self.choose("upload")

    def book(self, fields: Mapping[str, str]) -> dict[str, Any]:
        """One booking, as typed."""
        bookings = bookings_of(_typed(fields), "Nothing was worked out.")
        return self._take(bookings, None if fields.get("case_id", "").strip() else "this booking")

    def take_bookings(self, name: str, content: bytes) -> dict[str, Any]:
        """A file of bookings that was handed in."""
        return self._take(read_bookings_file(name, content))

    def demo_bookings(self) -> dict[str, Any]:
        """Bookings of the invented unit, to try the page with."""
        frame = load_demo_unit().bookings
        return self._take(bookings_of(frame, "The demo bookings were refused."))

    def agree(self, overrun_percent: Any, round_to: Any) -> dict[str, Any]:
        """The accepted chance of an overrun, in percent, and the grid of the slots in minutes."""
        risk, grid = _number(overrun_percent), _number(round_to)
        problems = []
        if not 0.1 <= risk <= 99.9:
            problems.append(_problem("overrun_percent", overrun_percent, "a number from 0.1 to 99.9 %"))
        if not 0.01 <= grid <= 1440:
            problems.append(_problem("round_to", round_to, "a number from 0.01 to 1440 min"))
        if problems:
            raise Refused("This cannot be agreed on", "The slots stay as they were.", problems)
        self.overrun_risk, self.round_to = risk / 100, grid
        return self._again()

    def case(self, at: int) -> dict[str, Any]:
        """Everything about one case of the table."""
        prediction, table = self._asked(at)
        row = table.iloc[at]
        levels = [0.1, 0.5, 0.9]
        phases = [(name, prediction.draws[at, :, k]) for k, name in enumerate(_core.PHASES)]
        phases.append(("total", prediction.totals[at]))
        quantiles = {name: [float(x) for x in np.quantile(minutes, levels)] for name, minutes in phases}
        lowest, highest = np.quantile(prediction.totals[at], [0.01, 0.999])
        grid = self.round_to
        return {
            "at": at,
            "case_id": str(table.index[at]),
            "slot_min": float(row["slot_min"]),
            "headline": f"Book {row['slot_min']:g} minutes",
            "half_words": f"Half of such cases take less than {row['median_min']:.0f} minutes, "
            f"nine in ten less than {row['q90_min']:.0f}.",
            "phases": [{"words": words, "low_mid_high": quantiles[name]} for name, words in _PHASES.items()],
            "phases_words": "; ".join(
                f"{words}: {quantiles[name][1]:.0f} minutes, nine in ten below {quantiles[name][2]:.0f}"
                for name, words in _PHASES.items()
            ),
            "swaps_words": f"Canister changes to expect: {row['expected_swaps']:.1f}.",
            "lowest_min": grid * math.floor(lowest / grid),
            "highest_min": max(grid * math.ceil(highest / grid), float(row["slot_min"])),
            "step_min": grid,
            "why": re.split(r", (?=[+-][0-9])", row["why"]),
            "guesses": row["warnings"].split("; ") if row["warnings"] else [],
            **self.risk(at, row["slot_min"]),
        }

    def risk(self, at: int, minutes: Any) -> dict[str, Any]:
        """The chance that one case overruns a slot of so many minutes."""
        prediction, _ = self._asked(at)
        slot = _number(minutes)
        if not 0 < slot <= 1440:
            raise Refused(
                "This is no slot",
                "The chance stays as it was.",
                [_problem("slot_min", minutes, "a number above 0 and at most 1440 min")],
            )
        risk = float(prediction.overrun_risk(slot).iloc[at])
        hundred = 100 * risk
        often = "fewer than 1" if 0 < hundred < 0.95 else f"about {hundred:.0f}" if hundred else "none"
        digits = 0 if hundred >= 9.95 or hundred == 0 else 1
        return {
            "asked_min": slot,
            "overrun_risk": risk,
            "risk_words": f"{slot:g} minutes: {often} of 100 such cases would overrun ({hundred:.{digits}f} %).",
        }

    def download(self, kind: str, day: str = "", time: str = "", turnover_min: Any = "") -> tuple[str, str, bytes]:
        """A file of the slots: its name, its media type, its content."""
        if self.table is None:
            raise Refused("There is no slot yet", "Type a booking or choose a file first.")
        name, media = _MEDIA[kind]
        if kind == "csv":
            return name, media, downloads.csv_file(self.table)
        told = f"Chance of overrun at most {100 * self.overrun_risk:g} %. From: {self.words()}"
        if kind == "excel":
            return name, media, downloads.workbook(self.table, told)
        problems = []
        try:
            starts_at = datetime.strptime(f"{day} {time}", "%Y-%m-%d %H:%M")
        except ValueError:
            starts_at = datetime.min
            problems.append(_problem("starts_at", f"{day} {time}".strip(), "a day and a time of day"))
        between = _number(turnover_min)
        if not 0 <= between <= 600:
            problems.append(_problem("turnover_min", turnover_min, "a number from 0 to 600 min"))
        if problems:
            raise Refused("The calendar needs to know when", "No calendar was made.", problems)
        return name, media, downloads.calendar(self.table, starts_at, between, told)

    # --- how -----------------------------------------------------------------------------------------------------

    def _asked(self, at: int) -> tuple[Prediction, pd.DataFrame]:
        if self.prediction is None or self.table is None or not 0 <= at < len(self.table):
            raise Refused("There is no such case", "Choose one of the table.")
        return self.prediction, self.table

    def _take(self, bookings: Bookings, called: str | None = None) -> dict[str, Any]:
        self.bookings, self._called = bookings, called
        return self._again()

    def _again(self) -> dict[str, Any]:
        if self.bookings is None:
            return {}
        self.prediction = self._models[self.chosen].predict(self.bookings, draws=DRAWS, seed=SEED)
        self.table = slots_of(self.prediction, overrun_risk=self.overrun_risk, round_to=self.round_to)
        if self._called is not None:
            self.table.index = self.table.index.where([False], self._called)
        rows = plain(self.table.reset_index())
        total = self.table["slot_min"].sum()
        return {
            "slots": rows,
            "slots_words": f"Chance of overrun at most {100 * self.overrun_risk:g} % each, rounded up to "
            f"{self.round_to:g} min. Slots run from wheels in to wheels out; turnover between cases is not in them."
            + (f" Together {total:,.0f} min." if len(rows) > 1 else ""),
            "looks_wrong": plain(self.bookings.warnings[["row", "column", "value", "message"]]),
            "case": self.case(0),
        }


def _typed(fields: Mapping[str, str]) -> pd.DataFrame:
    """The form as a row of texts; what was left blank is no column, so that it counts as not known."""
    row = {name: str(fields.get(name, "")).strip() for name in _LABELS}
    filled = {name: text for name, text in row.items() if text or name == "gland_ml"}
    collection = fields.get("collection", "")
    if collection == "continuous drain":
        if "canister_ml" in filled:
            problem = _problem("canister_ml", filled["canister_ml"], "blank with a continuous drain")
            raise Refused("One thing is wrong", "Nothing was worked out.", [problem])
        filled["canister_ml"] = "inf"
    elif collection == "canister" and "canister_ml" not in filled:
        problem = _problem("canister_ml", "", "a number from 100 to 100000 mL, the canister's capacity")
        raise Refused("One thing is wrong", "Nothing was worked out.", [problem])
    return pd.DataFrame([filled])


def _number(value: Any) -> float:
    """NaN where it is none."""
    try:
        return float(value)
    except (TypeError, ValueError):
        return math.nan


def _problem(column: str, value: Any, allowed: str) -> dict[str, Any]:
    return {"row": 1, "column": column, "value": str(value), "allowed": allowed}
