"""What a plan is asked again with: other sets, canisters or lengths of sessions, on some days or all."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from .. import _core
from .sessions import Sessions, Stock, read_sessions, read_stock

_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True)
class Changed:
    """One change of sessions and stock; see ``Plan.what_if``."""

    extra_sets: int = 0
    device_class: str | None = None
    canister_ml: float | None = None
    session_min: float | None = None
    on: str | None = None

    def applied(self, sessions: Sessions, stock: Stock | None) -> tuple[Sessions, Stock | None]:
        """Sessions and stock as they would be. Raises InvalidArgument, InvalidData."""
        days = self._days(sessions.frame["starts_at"].dt.normalize())
        frame = sessions.frame.copy()
        there = frame["starts_at"].dt.normalize().isin(days)
        if self.canister_ml is not None:
            frame.loc[there, "canister_ml"] = float(self.canister_ml)
        if self.session_min is not None:
            frame.loc[there, "minutes"] = float(self.session_min)
            frame.loc[there, "ends_at"] = pd.NaT
        if self.canister_ml is not None or self.session_min is not None:
            sessions = read_sessions(frame)
        if self.extra_sets:
            stock = self._more_sets(stock, days)
        elif self.device_class is not None:
            raise _core.InvalidArgument("device_class says which extra_sets are meant, and there are none")
        return sessions, stock

    def _days(self, of_sessions: pd.Series[pd.Timestamp]) -> list[pd.Timestamp]:
        days = sorted(pd.Timestamp(day) for day in of_sessions.unique())
        if self.on is None:
            return days
        wanted = self.on.strip().capitalize()
        chosen = [day for day in days if wanted in (day.day_name(), f"{day:%Y-%m-%d}")]
        if not chosen:
            known = ", ".join(f"{day:%Y-%m-%d}" for day in days)
            words = "has no session" if wanted in _WEEKDAYS else "is no weekday or day of a session"
            raise _core.InvalidArgument(f"on: {self.on} {words}; days of sessions: {known}")
        return chosen

    def _more_sets(self, stock: Stock | None, days: list[pd.Timestamp]) -> Stock:
        frame = pd.DataFrame() if stock is None else stock.frame
        sets = frame[frame["what"] == "device_set"] if len(frame) else frame
        if sets.empty:
            raise _core.InvalidArgument("extra_sets: the stock does not limit device sets, so more change nothing")
        classes = sets[["blade", "suction"]].agg("/".join, axis=1)
        meant = set(classes) if self.device_class is None else {self.device_class}
        wanted = classes.isin(list(meant))
        if len(meant) > 1 or not wanted.any():
            known = ", ".join(sorted(set(classes)))
            raise _core.InvalidArgument(f"device_class must say which sets are meant, one of {known}")
        rows = [frame]
        for day in days:
            named = sets[wanted & (sets["day"] == day)]
            mine = named if len(named) else sets[wanted & sets["day"].isna()]
            rows.append(mine.assign(day=day, amount=(mine["amount"] + self.extra_sets).clip(lower=0)))
        # A row of that day takes the place of the one before it.
        together = pd.concat([one for one in rows if len(one)], ignore_index=True)
        return read_stock(together.drop_duplicates(["day", "what", "blade", "suction", "canister_ml"], keep="last"))


def parse_what_if(text: str) -> dict[str, object]:
    """NAME=VALUE[,NAME=VALUE ...] as arguments of ``Plan.what_if``; numbers where they are numbers."""
    asked: dict[str, object] = {}
    for part in text.split(","):
        name, equals, value = (piece.strip() for piece in part.partition("="))
        if not (name and equals and value):
            raise _core.InvalidArgument(f"{part!r} is not NAME=VALUE, such as overrun_risk=0.15")
        try:
            number = float(value)
        except ValueError:
            asked[name] = value
        else:
            asked[name] = int(number) if math.isfinite(number) and number.is_integer() else number
    return asked
