"""How long to book."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .caution import CAUTION
from .markup import Table, paragraph
from .prediction import PHASES, Prediction


class SlotTable(pd.DataFrame):
    """Slots as a data frame that a notebook shows in words; whatever is taken from it is a plain data frame."""

    @property
    def _constructor(self) -> type[pd.DataFrame]:
        return pd.DataFrame

    def _repr_html_(self) -> str:
        risk, grid = self.attrs.get("asked_risk"), self.attrs.get("round_to")
        asked = "" if risk is None else f" at {100 * risk:g} % overrun risk, rounded up to {grid:g} min"
        headings = ["case", "gland mL", "surgeon", "slot min", "risk left", "half take less", "4 in 5", "9 in 10"]
        headings += [*PHASES, "swaps", "why", "where the model is guessing"]
        rows = []
        for name, row in zip(self.index, self.to_dict("records"), strict=True):
            minutes = [f"{row[key]:.0f}" for key in ("median_min", "q80_min", "q90_min")]
            minutes += [f"{row[f'{phase}_min']:.0f}" for phase in PHASES]
            rows.append((str(name), f"{row['gland_ml']:g}", str(row["surgeon"]), f"{row['slot_min']:g}",
                         f"{100 * row['overrun_risk']:.0f} %", *minutes, f"{row['expected_swaps']:.1f}", row["why"],
                         row["warnings"] or "nowhere"))  # fmt: skip
        table = Table(f"Slots{asked}; theatre minutes", headings, rows, right=[1, *range(3, 13)])
        return "\n".join([table.to_html(), paragraph(CAUTION, small=True)])


def slots(prediction: Prediction, *, overrun_risk: float = 0.2, round_to: float = 5) -> SlotTable:
    """One row a booking: the shortest slot whose overrun risk is at most the asked one.

    Parameters
    ----------
    prediction : Prediction
        What ``TheatreTimeModel.predict`` returned.
    overrun_risk : float
        Accepted chance, in (0, 1), that theatre time (wheels in to wheels out) exceeds the slot.
    round_to : float
        Grid in minutes; slots are rounded up to it.

    Returns
    -------
    SlotTable
        A pandas.DataFrame, indexed by case_id, that a notebook shows in words: gland_ml, surgeon, ``slot_min``,
        ``overrun_risk`` left at that slot, median_min, q80_min, q90_min (theatre), the median minutes of each phase,
        expected_swaps, why, warnings.
    """
    rows = prediction._core.slots(overrun_risk, round_to)
    frame = prediction.bookings.frame
    out = SlotTable(
        {
            "gland_ml": frame["gland_ml"].to_numpy(),
            "surgeon": frame["surgeon"].fillna("").to_numpy() if "surgeon" in frame else "",
            "slot_min": [slot for slot, _ in rows],
            "overrun_risk": [risk for _, risk in rows],
        },
        index=pd.Index(prediction.case_ids, name="case_id"),
    )
    quantiles = prediction.quantile([0.5, 0.8, 0.9])
    out[["median_min", "q80_min", "q90_min"]] = quantiles.to_numpy()
    out[[f"{name}_min" for name in PHASES]] = np.median(prediction.draws, axis=1)
    out["expected_swaps"] = prediction.expected_swaps
    out["why"] = prediction.why()
    out["warnings"] = prediction.warnings()
    out.attrs = {"asked_risk": overrun_risk, "round_to": round_to}
    return out
