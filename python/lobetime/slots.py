"""How long to book."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .prediction import PHASES, Prediction


def slots(prediction: Prediction, *, overrun_risk: float = 0.2, round_to: float = 5) -> pd.DataFrame:
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
    pandas.DataFrame
        Indexed by case_id: gland_ml, surgeon, ``slot_min``, ``overrun_risk`` left at that slot, median_min, q80_min,
        q90_min (theatre), the median minutes of each phase, expected_swaps, why, warnings.
    """
    rows = prediction._core.slots(overrun_risk, round_to)
    frame = prediction.bookings.frame
    out = pd.DataFrame(
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
    return out
