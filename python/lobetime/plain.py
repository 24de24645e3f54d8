"""Results as JSON can hold them."""

from __future__ import annotations

import math
from datetime import date
from typing import Any


def plain(value: Any) -> Any:
    """What JSON can hold; what is no finite number becomes None.

    A frame becomes a list of its rows, each a dict of its columns; the index is left out. Days are YYYY-MM-DD.
    """
    import pandas as pd  # the command line's --help does without it

    if isinstance(value, pd.DataFrame):
        return [dict(zip(value.columns, map(plain, row), strict=True)) for row in value.itertuples(index=False)]
    if isinstance(value, dict):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(one) for one in value]
    if hasattr(value, "item"):  # a number of numpy's
        value = value.item()
    if isinstance(value, date) and value is not pd.NaT:
        return f"{value:%Y-%m-%d}"
    if value is pd.NA or value is pd.NaT or (isinstance(value, float) and not math.isfinite(value)):
        return None
    return value
