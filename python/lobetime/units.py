"""Many units at once: a fit each, side by side."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator, Mapping
from copy import copy
from typing import TYPE_CHECKING

import pandas as pd
from sklearn.base import clone

from . import _core
from .cases import Cases, InvalidData, read_cases
from .model import TheatreTimeModel
from .parallel import jobs_of, run
from .tables import as_pandas

if TYPE_CHECKING:
    from .tables import Source, Table


class UnitWarning(UserWarning):
    """Units without a fit; ``.refused`` says which and why."""


class UnitFits(Mapping[str, TheatreTimeModel]):
    """The fitted model of each unit, by its name. Made by :func:`fit_units`.

    Attributes
    ----------
    refused : dict
        Units that could not be fitted: name to the error.
    """

    def __init__(self, models: Mapping[str, TheatreTimeModel], refused: Mapping[str, _core.Error]) -> None:
        self._models = dict(models)
        self.refused = dict(refused)

    def __getitem__(self, unit: str) -> TheatreTimeModel:
        return self._models[unit]

    def __iter__(self) -> Iterator[str]:
        return iter(self._models)

    def __len__(self) -> int:
        return len(self._models)

    def __repr__(self) -> str:
        return f"<UnitFits: {len(self)} fitted, {len(self.refused)} refused>"

    @property
    def params(self) -> pd.DataFrame:
        """``params_`` of every unit, one below the other: index (unit, name). Surgeons' and devices' own levels too."""
        return pd.concat({unit: model.params_ for unit, model in self.items()}, names=["unit"])

    @property
    def cases(self) -> pd.Series[int]:
        """How many cases each fit rests on."""
        return pd.Series({unit: model.n_cases_ for unit, model in self.items()}, name="cases").rename_axis("unit")


def fit_units(
    units: Mapping[str, Cases | Source] | Table,
    model: TheatreTimeModel | None = None,
    *,
    by: str | None = None,
    columns: Mapping[str, str] | None = None,
    n_jobs: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> UnitFits:
    """Fit each of many units by itself.

    Parameters
    ----------
    units : mapping, or DataFrame
        Name of each unit to its past cases, or to anything :func:`read_cases` reads; or one table of all units' cases
        with the column ``by``.
    model : TheatreTimeModel, optional
        The settings of every fit; not changed.
    by : str, optional
        The column of a table that names the unit of a case. It is not blank.
    columns : mapping, optional
        Headings, as for :func:`read_cases`.
    n_jobs : int, optional
        Fits side by side, as in scikit-learn; inside :func:`lobetime.on_cluster` on its workers. Results do not depend
        on it.
    progress : callable, optional
        ``progress(units done, units in all)``.

    Returns
    -------
    UnitFits
        A mapping of unit to fitted model. The models hold no cases: intervals other than the sandwich need a fit of
        that unit alone.

    Raises
    ------
    ExceptionGroup
        Before anything is fitted: an InvalidData for every unit whose cases are refused, with all their problems.
    InvalidArgument

    Warns
    -----
    UnitWarning
        Where a unit's cases cannot be fitted (NotIdentifiable, NotConverged); the others are.
    """
    form = TheatreTimeModel() if model is None else model
    cases, problems = {}, []
    for unit, source in _sources(units, by).items():
        try:
            cases[unit] = source if isinstance(source, Cases) else read_cases(source, columns=columns)
        except InvalidData as refused:
            problems.append(InvalidData(refused.problems, f"unit {unit}: {refused.source}"))
    if problems:
        raise ExceptionGroup(f"the cases of {len(problems)} units were refused", problems)

    done = 0

    def told() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, len(cases))

    threads = {} if jobs_of(n_jobs) == 1 else {"threads": 1}
    found = run(_fitted, [(clone(form).set_params(**threads), one) for one in cases.values()], n_jobs, told)
    models, failed = {}, {}
    for unit, one in zip(cases, found, strict=True):
        if isinstance(one, _core.Error):
            failed[unit] = one
        else:
            models[unit] = one.set_params(threads=form.threads)
    if failed:
        first = next(iter(failed))
        warnings.warn(
            f"units without a fit: {', '.join(failed)}; see .refused. {first}: {failed[first]}",
            UnitWarning,
            stacklevel=2,
        )
    return UnitFits(models, failed)


def _sources(units: Mapping[str, Cases | Source] | Table, by: str | None) -> Mapping[str, Cases | Source]:
    if isinstance(units, Mapping):
        if by is not None:
            raise _core.InvalidArgument("fit_units: by names a column of one table; units given by name need none")
        if not units:
            raise _core.InvalidArgument("fit_units: there is no unit")
        return units
    frame = as_pandas(units, "fit_units: units, if not a mapping,")
    if by is None or by not in frame:
        raise _core.InvalidArgument(f"fit_units: by must name a column of the table, not {by!r}; it has {list(frame)}")
    if frame[by].isna().any():
        row = int(frame[by].isna().to_numpy().argmax()) + 2
        raise _core.InvalidArgument(f"fit_units: row {row}, column {by}: blank; allowed: a unit's name")
    return {str(unit): rows.drop(columns=by).reset_index(drop=True) for unit, rows in frame.groupby(by, sort=False)}


def _fitted(model: TheatreTimeModel, cases: Cases) -> TheatreTimeModel | _core.Error:
    """The fit without its cases, or why there is none."""
    try:
        return copy(model.fit(cases))
    except _core.Error as error:
        return error
