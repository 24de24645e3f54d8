"""Published numbers: the series they come from, how they are pooled, and the prior that is computed from them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from . import _core
from .device_classes import DeviceClasses, NewClass, read_device_classes
from .reading import Source
from .tables import as_pandas

if TYPE_CHECKING:
    from .tables import Table

_TEXTS = ("id", "study", "unit", "citation", "design", "statistic", "blade", "experience", "note")
_NUMBERS = ("year", "n", "gland_from_ml", "gland_to_ml", "first_case", "last_case", "n_units", "n_surgeons")
_PARTS = ("sd", "q1", "q3", "lowest", "highest")
_EXTRA = "extra, with the columns of evidence_table(),"
_FLAGS = {0: False, 1: True, "0": False, "1": True, "true": True, "false": False}


def _quantity_columns() -> list[str]:
    columns = []
    for column, stem, _ in _core.series_quantities():
        columns += [column, *(f"{stem}_{part}" for part in _PARTS)]
    return columns


def evidence_table() -> pd.DataFrame:
    """Published series, one row each: every figure was seen in a retrieved abstract or text.

    Columns: ``id``; ``study`` (rows of one publication or centre), ``unit`` (rows that share a unit's levels),
    ``citation``, ``design``, ``year`` (of publication; of the last cases, where only that was seen;
    blank: the mean year), ``n``, ``statistic`` (mean or median), ``by_size`` (glands of a limited range of sizes),
    ``gland_from_ml``, ``gland_to_ml``; what was reported: ``gland_ml``, ``tissue_g``, ``enucleation_min``,
    ``morcellation_min``, ``operative_min`` and the means of ratios ``enucleation_g_min``, ``morcellation_g_min``,
    ``operative_g_min``, each with its SD where printed; ``blade``, ``experience`` (expert, mixed, novice),
    ``first_case`` and ``last_case`` (the surgeons' case numbers), ``n_units`` and ``n_surgeons`` (how many it is a mean
    of; blank: one, and two a unit), ``note``.
    """
    table = pd.DataFrame(_core.published_series())
    order = ["id", "study", "unit", "citation", "design", "year", "n", "statistic", "by_size"]
    order += ["gland_from_ml", "gland_to_ml"]
    order += [column for column in _quantity_columns() if table[column].notna().any()]
    table = table[[*order, "blade", "experience", "first_case", "last_case", "n_units", "n_surgeons", "note"]]
    return table.assign(**{name: table[name].replace("", None) for name in ("blade", "note")})


def _number(row: str, column: str, value: object) -> float:
    try:
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise _core.InvalidArgument(
            f"evidence that cannot be used:\n  row {row}, column {column}: {value!r}; allowed: a number or blank"
        ) from None


def _rows(extra: Table | None) -> list[dict[str, Any]]:
    """Rows as the core takes them: blanks left out."""
    if extra is None:
        return []
    extra = as_pandas(extra, _EXTRA)
    known = [*_TEXTS, *_NUMBERS, "by_size", *_quantity_columns()]
    unknown = [str(name) for name in extra.columns if name not in known]
    if unknown:
        raise _core.InvalidArgument(
            f"evidence that cannot be used:\n  unknown column {', '.join(unknown)}; allowed: {', '.join(known)}"
        )
    out = []
    for position, record in enumerate(extra.to_dict("records")):
        present = {str(name): value for name, value in record.items() if not pd.isna(value) and value != ""}
        row = str(present.get("id", position))
        clean: dict[str, Any] = {}
        for name, value in present.items():
            if name in _TEXTS:
                clean[name] = str(value)
            elif name == "by_size":
                flag = str(value).lower() if isinstance(value, str) else value
                if flag not in _FLAGS:
                    raise _core.InvalidArgument(
                        f"evidence that cannot be used:\n  row {row}, column by_size: {value!r}; allowed: 0 or 1"
                    )
                clean[name] = _FLAGS[flag]
            else:
                clean[name] = _number(row, name, value)
        out.append(clean)
    return out


class PublishedPrior:
    """What a unit without a history starts from, computed from the published series and rows of your own.

    ``lt.TheatreTimeModel(prior=lt.PublishedPrior(extra=rows))`` starts from it; ``prior="published"`` is the same
    without ``extra``. Nothing is computed before it is asked for.

    Parameters
    ----------
    extra : pandas.DataFrame, optional
        Rows to add, with columns of :func:`evidence_table`: ``id``, ``citation`` and at least one figure; all else may
        be left out. Besides ``_sd``, a median may have ``_q1``, ``_q3``, ``_lowest``, ``_highest``
        (``enucleation_q1``). Rows of one ``study`` or ``unit`` count as one. What cannot be used raises InvalidArgument
        with row, column, value and what is allowed, at first use.
    device_classes : DeviceClasses, path or pandas.DataFrame, optional
        Blade motions and suctions of the unit's own with their wide ranges, see :func:`read_device_classes`.

    Notes
    -----
    Series are pooled by a nonlinear random-effects meta-regression on the model's own parameters; the spread between
    units of tissue, enucleation and blade rate is estimated (REML). Its variance, averaged over what is not known of
    it, and what is not known of the mean make the 90 % range of a new unit. Enucleation has a trend with the year of
    publication (``enucleation_trend`` in :attr:`pooled`), which is drawn to none with an SD of 0.1 per decade, an
    assumption that the prior depends on; the prior is of a unit of the mean year of the newest decade's series. Rates:
    binomial-normal model. Grades start
    at "high" and lose a step unless half of the cases are from randomised trials ("design"), with fewer than 5 studies
    or 500 cases ("few") and another below 2 studies or 100 cases ("very few"), where I^2 is 75 % or more
    ("inconsistent") or not known, and unless half of the cases measured the number itself with the glands' size known
    ("indirect"). Without a publication: "very low".
    """

    def __init__(self, extra: Table | None = None, device_classes: DeviceClasses | Source | None = None) -> None:
        self.extra = None if extra is None else as_pandas(extra, _EXTRA)
        self.device_classes = device_classes

    @cached_property
    def _computed(self) -> tuple[_core.PriorSet, list[dict[str, Any]]]:
        return _core.published_evidence(_rows(self.extra))

    @property
    def core(self) -> _core.PriorSet:
        """The prior as the compiled part takes it."""
        prior = _core.published_prior() if self.extra is None else self._computed[0]
        return prior if self.device_classes is None else self._classes.into(prior)

    @property
    def classes(self) -> tuple[NewClass, ...]:
        """Device classes of the unit's own file, none without one."""
        return () if self.device_classes is None else self._classes.rows

    @cached_property
    def _classes(self) -> DeviceClasses:
        assert self.device_classes is not None
        return read_device_classes(self.device_classes)

    @property
    def table(self) -> pd.DataFrame:
        """One row a number: unit, centre, low, high (90 % of units lie between), origin, source, meaning."""
        table = _prior_table(self.core)
        own = [
            {
                "name": f"device[{row.code}]",
                "unit": "log ratio",
                "centre": math.log(row.rate_ratio),
                "low": math.log(row.rate_low),
                "high": math.log(row.rate_high),
                "origin": "assumption",
                "source": row.source,
                "meaning": f"blade rate against {row.like}",
            }
            for row in self.classes
        ]
        return pd.concat([table, pd.DataFrame(own).set_index("name")]) if own else table

    @property
    def correlation(self) -> pd.DataFrame:
        """Correlations of the parameters, p x p, where they are normal (the logarithm of what is positive).

        What is not known of the means of units and how units differ, as the pooling leaves them: a series often tells
        better what two parameters make together than either of them.
        """
        names = [one.name for one in self.core.parameters]
        return pd.DataFrame(self.core.correlation, index=names, columns=names)

    @property
    def pooled(self) -> pd.DataFrame:
        """One row a pooled number: parameters, the trend (the range of its mean), then rates by device class.

        Columns: ``unit``, ``estimate``, ``lower`` and ``upper`` (90 % prediction interval: a new unit's own),
        ``between_sd`` (working scale; logit of a rate), ``i2_percent``, ``studies``, ``cases``, ``events``, ``grade``,
        ``reasons`` (why it is not higher), ``method``, ``sources``.
        """
        frame = pd.DataFrame([*self._computed[1], *_core.rate_figures()]).set_index("name")
        return frame.assign(reasons=frame["reasons"].map(", ".join))

    def leave_one_study_out(self) -> pd.DataFrame:
        """Each published figure (as exp of the mean logarithm) and what the other studies predict for it.

        Columns: ``id``, ``study``, ``column``, ``published``, ``lower``, ``median``, ``upper`` (90 % prediction
        interval), ``covered``.
        """
        return pd.DataFrame(_core.leave_one_study_out(_rows(self.extra)))

    def __repr__(self) -> str:
        given = [] if self.extra is None else [f"extra=<{len(self.extra)} rows>"]
        given += [] if self.device_classes is None else [f"device_classes={self._classes!r}"]
        return f"PublishedPrior({', '.join(given)})"

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, PublishedPrior):
            return NotImplemented
        if (self.device_classes is None) != (other.device_classes is None):
            return False
        if self.device_classes is not None and self._classes != other._classes:
            return False
        if self.extra is None or other.extra is None:
            return self.extra is other.extra
        return bool(self.extra.equals(other.extra))

    __hash__ = None  # type: ignore[assignment]

    def __getstate__(self) -> dict[str, object]:
        return {"extra": self.extra, "device_classes": self.device_classes}


def published_prior(extra: Table | None = None) -> pd.DataFrame:
    """What a unit without a history starts from, one row a number: :attr:`PublishedPrior.table`.

    Columns: ``name`` (index), ``unit``, ``centre``, ``low``, ``high`` (90 % of units lie between), ``origin``
    (published, common practice or assumption), ``source``, ``meaning``.
    """
    return PublishedPrior(extra).table


def _prior_table(prior: _core.PriorSet) -> pd.DataFrame:
    facts = {row["name"]: row for row in _core.core_parameters()}
    rows = [
        {
            "name": one.name,
            "unit": facts[one.name]["unit"],
            "centre": one.centre,
            "low": one.low,
            "high": one.high,
            "origin": one.origin,
            "source": one.source,
            "meaning": facts[one.name]["meaning"],
        }
        for one in prior.parameters
    ]
    rows += [
        {
            "name": f"spread_{one.name}",
            "unit": "log SD" if one.name not in ("operative", "theatre") else "ratio",
            "centre": one.centre,
            "low": one.low,
            "high": one.high,
            "origin": one.origin,
            "source": one.source,
            "meaning": "spread of one case about its median",
        }
        for one in prior.spreads
    ]
    for name, log_sd in (
        ("surgeon_enucleation", prior.surgeon_enucleation_log_sd),
        ("surgeon_morcellation", prior.surgeon_morcellation_log_sd),
        ("surgeon_learning", prior.surgeon_learning_log_sd),
        ("device", prior.device_log_sd),
    ):
        rows.append(
            {
                "name": name,
                "unit": "log ratio",
                "centre": 0.0,
                "low": -1.6449 * log_sd,
                "high": 1.6449 * log_sd,
                "origin": prior.group_origin,
                "source": prior.group_source,
                "meaning": "level of one surgeon or device against the unit",
            }
        )
    rates = [(f"fault_rate[{one.name}]", one) for one in prior.fault_rates]
    for name, one in [*rates, ("hard_nodule_rate", prior.hard_nodule_rate)]:
        rows.append(
            {
                "name": name,
                "unit": "per case",
                "centre": one.events / one.cases,
                "origin": one.origin,
                "source": one.source,
                "meaning": f"chance per case, worth {one.cases:.3g} cases",
            }
        )
    return pd.DataFrame(rows).set_index("name")


@dataclass(frozen=True, repr=False)
class PooledStudies:
    """Effects pooled over studies: ``str()`` gives text, ``table`` the coefficients.

    ``tau2`` is the variance between studies with its Q-profile interval, ``q`` Cochran's Q, ``i2_percent`` the share of
    ``tau2`` in the variance of a typical study, ``prediction`` where a new study's effect lies (t with k - p - 1
    degrees of freedom; infinite with too few studies), None where there are columns besides the intercept.
    """

    method: str
    level: float
    studies: int
    table: pd.DataFrame
    covariance: pd.DataFrame
    tau2: float
    tau2_interval: tuple[float, float]
    q: float
    i2_percent: float
    prediction: tuple[float, float] | None
    shrunken: npt.NDArray[np.float64]
    left_out: pd.DataFrame

    def __str__(self) -> str:
        lines = [
            f"{self.studies} studies pooled, {self.method}, {self.level:.0%} intervals",
            self.table.to_string(float_format="{:.4g}".format),
            "between studies  tau2 {:.4g} ({:.4g} to {:.4g}), I2 {:.0f} %, Q {:.4g}".format(
                self.tau2, *self.tau2_interval, self.i2_percent, self.q
            ),
        ]
        if self.prediction is not None:
            lines.append("a new study      {:.4g} to {:.4g}".format(*self.prediction))
        return "\n".join(lines)

    __repr__ = __str__


def pool_studies(
    effect: npt.ArrayLike,
    variance: npt.ArrayLike,
    columns: Mapping[str, npt.ArrayLike] | None = None,
    *,
    method: str = "reml",
    scatter: bool = True,
    level: float = 0.95,
) -> PooledStudies:
    """Random-effects pooling of k studies' effects, or a meta-regression on ``columns``.

    Parameters
    ----------
    effect, variance : array-like of k
        The studies' effects and their sampling variances, positive.
    columns : mapping of names to k numbers, optional
        What may explain them; an intercept is added.
    method : str
        Estimator of the variance between studies: "none" (one common effect), "dersimonian_laird", "paule_mandel",
        "reml", "ml", "hedges", "sidik_jonkman", "hunter_schmidt", "two_step_dersimonian_laird", "two_step_hedges".
    scatter : bool
        Standard errors from the studies' own scatter, with t (Knapp and Hartung, Stat Med 2003;22:2693); else normal.

    Raises InvalidArgument (also with too few studies), NotIdentifiable for columns that depend on one another.
    """
    y, v = (np.atleast_1d(np.asarray(values, dtype=float)) for values in (effect, variance))
    names = ["intercept", *(columns or {})]
    x = np.column_stack([np.ones(len(y)), *(np.asarray(one, dtype=float) for one in (columns or {}).values())])
    settings: dict[str, Any] = {"method": method, "scatter": scatter, "level": level}
    pooled = _core.pool_studies(y, v, x, **settings)
    rows = [pooled.mean(unit) for unit in np.eye(len(names))]
    table = pd.DataFrame(rows, columns=["estimate", "lower", "upper"], index=pd.Index(names, name="name"))
    table.insert(1, "se", np.sqrt(np.diag(pooled.covariance)))
    left_out = pd.DataFrame(columns=["estimate", "lower", "upper"], dtype=float)
    if len(y) > len(names) + 1:
        left_out = pd.DataFrame(_core.leave_one_out(y, v, x, **settings), columns=["estimate", "lower", "upper"])
    return PooledStudies(
        method=method,
        level=level,
        studies=pooled.studies,
        table=table,
        covariance=pd.DataFrame(pooled.covariance, index=names, columns=names),
        tau2=pooled.tau2,
        tau2_interval=(pooled.tau2_lower, pooled.tau2_upper),
        q=pooled.q,
        i2_percent=pooled.i2_percent,
        prediction=pooled.prediction(np.ones(1))[1:] if len(names) == 1 else None,
        shrunken=_core.shrunken_effects(y, v, x, pooled),
        left_out=left_out,
    )


@dataclass(frozen=True, repr=False)
class PooledRates:
    """A chance pooled over units: ``str()`` gives text.

    ``rate`` is the median unit's (maximum likelihood; 0 where no event was seen) with its 95 % profile-likelihood
    interval, ``between_sd`` the spread of units' logits (0 is legal), ``prediction`` the 90 % interval of a new unit's
    own chance, ``prior_events`` of ``prior_cases`` what a new unit's counts are added to.
    """

    rate: float
    lower: float
    upper: float
    between_sd: float
    i2_percent: float
    studies: int
    cases: float
    events: float
    predicted_lower: float
    predicted_upper: float
    prior_events: float
    prior_cases: float
    method: str

    def __str__(self) -> str:
        spread = "" if math.isnan(self.i2_percent) else f", I2 {self.i2_percent:.0f} %"
        return (
            f"{self.events:g} events in {self.cases:g} cases of {self.studies} studies, {self.method}\n"
            f"rate         {self.rate:.2%} ({self.lower:.2%} to {self.upper:.2%})\n"
            f"a new unit   {self.predicted_lower:.2%} to {self.predicted_upper:.2%} (90 %)\n"
            f"between      logit SD {self.between_sd:.3g}{spread}"
        )

    __repr__ = __str__


def pool_rates(events: npt.ArrayLike, cases: npt.ArrayLike) -> PooledRates:
    """Binomial-normal pooling of counts, right at zero events: no continuity correction.

    logit of a unit's chance ~ N(mean, between_sd^2); the marginal likelihood by adaptive Gauss-Hermite quadrature. A
    new unit's chance is integrated over the mean (Jeffreys' density of one binomial) and the spread (half-normal of
    scale 0.5 on the logit scale; Res Synth Methods 2021;12:448). Raises InvalidArgument.
    """
    counted = [np.atleast_1d(np.asarray(values, dtype=float)).tolist() for values in (events, cases)]
    return PooledRates(**_core.pool_rates(*counted))
