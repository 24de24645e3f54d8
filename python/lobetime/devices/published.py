"""Published comparisons of device classes, as effects with variances that studies of one's own can be added to."""

from __future__ import annotations

import pandas as pd
from scipy import stats

_SOURCE = "systematic review, 34 studies, n = 7,211, doi 10.1177/08927790261457170"
_NOTE = (
    "itself a pooled result, and wide: how much its studies differ is not known here. Size and interval are as "
    "printed; which way round it was taken is an assumption, made to agree with 5.29 (oscillating) and 3.95 g/min "
    "(reciprocating) of Eur Urol Focus 2022;8:532-44"
)
_LEVEL = 0.95
_ROWS = (
    ("pooled_efficiency", "efficiency_g_min", "g/min", "oscillating", "reciprocating", 0.75, -0.46, 1.97),
    ("pooled_morcellation", "morcellation_min", "min", "reciprocating", "oscillating", 1.02, -1.37, 3.41),
)


def published_head_to_heads() -> pd.DataFrame:
    """What head-to-head studies of oscillating and reciprocating blades found, pooled by their reviewers.

    Each row is *itself a pooled result*, and a wide one: its studies are not listed in what could be read, so neither
    their number per row nor the spread between them is known here. It enters a pooling as one row, with the variance
    that its interval implies.

    Returns
    -------
    pandas.DataFrame
        Index ``id``. Columns: ``outcome`` (efficiency_g_min or morcellation_min), ``unit``, ``of`` and ``minus`` (blade
        motions: the difference is ``of`` less ``minus``), ``difference``, ``lower``, ``upper`` (95 % confidence
        interval), ``variance`` (square of the interval's width over 2 x 1.96), ``studies`` and ``cases`` (of the whole
        review), ``origin``, ``source``, ``note`` (what is not known of it).
    """
    frame = pd.DataFrame(_ROWS, columns=["id", "outcome", "unit", "of", "minus", "difference", "lower", "upper"])
    half = (frame["upper"] - frame["lower"]) / 2
    frame["variance"] = (half / stats.norm.ppf(0.5 + _LEVEL / 2)) ** 2
    frame["studies"], frame["cases"] = 34, 7211
    frame["origin"], frame["source"], frame["note"] = "published", _SOURCE, _NOTE
    return frame.set_index("id")
