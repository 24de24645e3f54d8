"""Tables of other libraries (polars, pyarrow and what else narwhals knows), each read as the same pandas table."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any, TypeAlias

import narwhals as nw
import pandas as pd
from narwhals.exceptions import DuplicateError

from . import _core

if TYPE_CHECKING:
    from narwhals.typing import IntoFrame

    Table: TypeAlias = IntoFrame
    """A table of any library that narwhals knows; a lazy one is collected."""

Source: TypeAlias = "str | os.PathLike[str] | Table"
"""A file, or a table."""


def as_pandas(table: Any, name: str = "the table") -> pd.DataFrame:
    """The table in pandas, cell for cell; a pandas table as it is.

    Raises InvalidArgument, naming ``name``, for what is no table, or has two columns of one name.
    """
    if isinstance(table, pd.DataFrame):
        return table
    try:
        frame = nw.from_native(table)
    except TypeError:
        raise _core.InvalidArgument(
            f"{name} must be a DataFrame (pandas, polars or pyarrow), not {type(table).__name__}"
        ) from None
    except DuplicateError as error:
        raise _core.InvalidArgument(f"{name}: {error}") from None
    if isinstance(frame, nw.LazyFrame):
        frame = frame.collect()
    return pd.DataFrame({heading: _cells(frame[heading]) for heading in frame.columns})


def _cells(column: nw.Series[Any]) -> pd.Series[Any]:
    kind = column.dtype
    whole = kind.is_integer() and not column.null_count()  # with blanks they would become floats, long ones inexact
    if whole or kind.is_float() or (isinstance(kind, nw.Datetime) and kind.time_zone is None):
        return pd.Series(column.to_numpy())
    return pd.Series(column.to_list(), dtype="str" if kind == nw.String else object)
