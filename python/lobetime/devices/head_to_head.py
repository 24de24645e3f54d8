"""Two device classes in one unit's own cases: which is quicker for the same gland."""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from .. import _core
from ..cases import Cases, read_cases
from ..caution import CAUTION
from ..evidence import PooledStudies, pool_studies
from ..plain import plain
from ..reading import Source
from ._adjust import (
    ADJUST,
    ALSO,
    FEWEST,
    Design,
    both_devices,
    check_size,
    complete_rows,
    fit_minutes,
    one_collection_in_common,
    rows_of,
)
from ._figures import as_recorded, at_own_mix, balance_of, gland_table, ratio_table, what_to_warn_of
from .published import published_head_to_heads

GLANDS_ML = (40.0, 80.0, 120.0, 160.0)


class HeadToHeadWarning(UserWarning):
    """A comparison is less sure than it looks; the text says why."""


@dataclass(frozen=True, repr=False, eq=False)
class HeadToHead:
    """Device B against device A. Made by :func:`head_to_head`, which says what each number is.

    Attributes
    ----------
    a, b : str
    level : float
        Of all intervals.
    randomised : bool
    ratios : pandas.DataFrame
        Rows ``adjusted``, ``unadjusted`` (the same cases) and, where tissue is adjusted for, ``without tissue`` (all
        cases, glands only). Columns: minutes_ratio, minutes_lower, minutes_upper (B over A; below 1 = B is quicker),
        efficiency_ratio, efficiency_lower, efficiency_upper (B over A; above 1 = B is quicker), cases_a, cases_b,
        unfinished (of these cases; at-least times).
    by_gland : pandas.DataFrame
        One row a gland_ml: minutes_ratio, lower, upper, within_both (both classes have smaller and larger glands).
    interaction : pandas.Series
        By what the ratio is multiplied for a gland twice as large: estimate, lower, upper, p.
    minutes : pandas.DataFrame
        At the unit's own mix, means a case: rows A, B, "B minus A"; columns estimate, lower, upper (min).
    efficiency : pandas.DataFrame
        Index (figures, mean): "as recorded" or "at the unit's own mix", each as "mean of ratios" and "ratio of means".
        Columns a, b, difference (B minus A), each with _lower and _upper (g/min).
    balance : pandas.DataFrame
        One row a thing that may differ: a, b, standardised_difference, far_apart.
    in_common : float
        Share of cases whose chance of having been done with B, by what is adjusted for, is 10 to 90 %.
    adjusted_for : tuple of str
    not_adjusted : dict
        What was asked for and could not be adjusted for, with the reason.
    excluded : pandas.DataFrame
        Cases left out, by reason (index): of a, of b, and a_or_b_or_neither where the device is not recorded.
    coefficients : pandas.DataFrame
        Of the adjusted fit, log minutes: estimate, standard_error.
    warnings : tuple of str
    """

    a: str
    b: str
    level: float
    randomised: bool
    ratios: pd.DataFrame
    by_gland: pd.DataFrame
    interaction: pd.Series[float]
    minutes: pd.DataFrame
    efficiency: pd.DataFrame
    balance: pd.DataFrame
    in_common: float
    adjusted_for: tuple[str, ...]
    not_adjusted: dict[str, str]
    excluded: pd.DataFrame
    coefficients: pd.DataFrame
    warnings: tuple[str, ...]
    variances: dict[str, float] = field(repr=False)
    caution: str = CAUTION

    def __repr__(self) -> str:
        one = self.ratios.loc["adjusted"]
        return (
            f"<HeadToHead {self.b} against {self.a}: minutes x {one['minutes_ratio']:.2f} "
            f"({one['minutes_lower']:.2f} to {one['minutes_upper']:.2f})>"
        )

    def __str__(self) -> str:
        percent = f"{100 * self.level:g} %"
        allocated = "allocation said to be at random" if self.randomised else "not randomised"
        adjusted = ", ".join(self.adjusted_for) or "nothing"
        parts = [
            f"B = {self.b} against A = {self.a}: the unit's own cases, {allocated}; {percent} intervals\n"
            f"adjusted for {adjusted}" + "".join(f"\nnot for {k}: {why}" for k, why in self.not_adjusted.items()),
            "Ratio B over A\n" + self.ratios.to_string(float_format="{:.3g}".format),
            f"Minutes ratio by gland (a gland twice as large: x {self.interaction['estimate']:.2f}, "
            f"{self.interaction['lower']:.2f} to {self.interaction['upper']:.2f})\n"
            + self.by_gland.to_string(float_format="{:.3g}".format),
            "Minutes a case at the unit's own mix\n" + self.minutes.to_string(float_format="{:.1f}".format),
            "Efficiency, g/min\n" + self.efficiency.to_string(float_format="{:.2f}".format, na_rep="not known"),
            f"How far apart the groups are ({100 * self.in_common:.0f} % of cases could have had either)\n"
            + self.balance.to_string(float_format="{:.2f}".format),
        ]
        if len(self.excluded):
            parts.append("Left out\n" + self.excluded.to_string())
        if self.warnings:
            parts.append("\n".join(f"Warning: {text}" for text in self.warnings))
        if not self.randomised:
            parts.append("What is not recorded is not adjusted for: the difference need not be the device's doing.")
        return "\n\n".join([*parts, self.caution])

    def to_dict(self) -> dict[str, Any]:
        """Everything said, in types that JSON holds; what is not known is None."""
        frames = ("ratios", "by_gland", "minutes", "efficiency", "balance", "excluded", "coefficients")
        out: dict[str, Any] = {name: plain(getattr(self, name).reset_index()) for name in frames}
        return out | {
            "a": self.a,
            "b": self.b,
            "level": self.level,
            "randomised": self.randomised,
            "interaction": plain(self.interaction.to_dict()),
            "in_common": self.in_common,
            "adjusted_for": list(self.adjusted_for),
            "not_adjusted": dict(self.not_adjusted),
            "warnings": list(self.warnings),
            "caution": self.caution,
        }

    def non_inferiority(
        self, *, margin_ratio: float | None = None, margin_g_min: float | None = None
    ) -> NonInferiority:
        """Is B not worse than A by more than a margin? The margin is the user's; there is no default.

        Parameters
        ----------
        margin_ratio : float
            Above 1: B may take so many times the minutes of A.
        margin_g_min : float
            Above 0: B may be so much slower, in g/min (mean of ratios at the unit's own mix).

        Exactly one of the two. The whole interval decides, as in the CONSORT extension (JAMA 2012;308:2594): at a level
        of 95 % that is a one-sided test at 2.5 %.
        """
        if (margin_ratio is None) == (margin_g_min is None):
            raise _core.InvalidArgument("non_inferiority: give one margin, margin_ratio or margin_g_min")
        if margin_ratio is not None:
            if not (math.isfinite(margin_ratio) and margin_ratio > 1):
                raise _core.InvalidArgument(f"margin_ratio must be above 1, not {margin_ratio!r}")
            return _verdict("minutes ratio B over A", "", margin_ratio, 1.0, self._by_ratio(), self, worse_is_more=True)
        assert margin_g_min is not None
        if not (math.isfinite(margin_g_min) and margin_g_min > 0):
            raise _core.InvalidArgument(f"margin_g_min must be above 0, not {margin_g_min!r}")
        found = self._by_g_min()
        if found["estimate"].isna().any():
            raise _core.InvalidArgument("margin_g_min needs tissue among what is adjusted for: give margin_ratio")
        return _verdict("efficiency B minus A", " g/min", -margin_g_min, 0.0, found, self, worse_is_more=False)

    def _by_ratio(self) -> pd.DataFrame:
        chosen = self.ratios.loc[["adjusted", "unadjusted"], ["minutes_ratio", "minutes_lower", "minutes_upper"]]
        return chosen.set_axis(["estimate", "lower", "upper"], axis=1)

    def _by_g_min(self) -> pd.DataFrame:
        of_ratios = self.efficiency.index.get_level_values("mean") == "mean of ratios"
        chosen = self.efficiency[of_ratios].droplevel("mean")[["difference", "difference_lower", "difference_upper"]]
        named = chosen.set_axis(["estimate", "lower", "upper"], axis=1)
        return named.rename({"at the unit's own mix": "adjusted", "as recorded": "unadjusted"}).sort_index()

    def with_published(self, outcome: str = "efficiency_g_min") -> WithPublished:
        """This result and the published one of oscillating against reciprocating blades, pooled as one common effect.

        ``outcome``: "efficiency_g_min" (mean of ratios) or "morcellation_min", adjusted, at the unit's own mix; in the
        direction of :func:`~lobetime.devices.published.published_head_to_heads`. The published row is itself a pooled
        result whose spread between units is not known: a common effect takes it as none, so the pooled interval is
        too narrow where units differ. It says what is known of blades at large; of this unit, its own result does.

        Raises InvalidArgument unless A and B are classes with the two blade motions.
        """
        row = _published_row(outcome)
        blades = (self.a.split("/")[0], self.b.split("/")[0])
        if set(blades) != {row["of"], row["minus"]}:
            raise _core.InvalidArgument(
                f"the published row compares {row['of']} with {row['minus']} blades, not {self.b} with {self.a}"
            )
        sign = 1.0 if blades == (row["minus"], row["of"]) else -1.0
        effect = sign * self._difference(outcome)
        if not math.isfinite(effect):
            raise _core.InvalidArgument(f"this comparison has no adjusted {outcome}: tissue is not adjusted for")
        rows = [(row["difference"], row["variance"]), (effect, self.variances[outcome])]
        effects, variances = np.array(rows).T
        pooled = pool_studies(effects, variances, method="none", scatter=False, level=self.level)
        half = stats.norm.ppf(0.5 + self.level / 2) * np.sqrt(variances)
        table = pd.DataFrame(
            {"estimate": effects, "lower": effects - half, "upper": effects + half, "variance": variances},
            index=pd.Index(["published, pooled", "this unit, adjusted"], name="result"),
        )
        both = pooled.table.loc["intercept"].to_dict()
        table.loc["both, one common effect"] = [both["estimate"], both["lower"], both["upper"], both["se"] ** 2]
        figure = f"{row['of']} minus {row['minus']}, {row['unit']}"
        return WithPublished(outcome, figure, table, pooled, self.level, f"{row['source']}: {row['note']}")

    def _difference(self, outcome: str) -> float:
        if outcome == "morcellation_min":
            return float(self.minutes["estimate"]["B minus A"])
        return float(self._by_g_min()["estimate"]["adjusted"])


def _published_row(outcome: str) -> dict[Any, Any]:
    rows = {row["outcome"]: row for row in published_head_to_heads().to_dict("records")}
    if outcome not in rows:
        raise _core.InvalidArgument(f"outcome must be one of {', '.join(rows)}, not {outcome!r}")
    return rows[outcome]


@dataclass(frozen=True, repr=False, eq=False)
class WithPublished:
    """A unit's own comparison beside the published one: ``str()`` gives text.

    ``table``: rows "published, pooled", "this unit, adjusted", "both, one common effect"; estimate, lower, upper,
    variance. ``figure`` says what is subtracted from what, ``source`` where the published row is from and what is not
    known of it.
    """

    outcome: str
    figure: str
    table: pd.DataFrame
    pooled: PooledStudies
    level: float
    source: str
    caution: str = CAUTION

    def __str__(self) -> str:
        table = self.table[["estimate", "lower", "upper"]].to_string(float_format="{:.2f}".format)
        return (
            f"{self.figure}; {100 * self.level:g} % intervals\n{table}\n\n"
            "One common effect: too narrow where units differ, and how much they do is not known.\n"
            f"Published row, {self.source}\n\n{self.caution}"
        )

    __repr__ = __str__


@dataclass(frozen=True)
class NonInferiority:
    """Verdict against a margin that the user gave: ``str()`` says it in words.

    ``verdict``: "superior" (better, and so not inferior), "non-inferior", "inferior" (worse by more than the margin) or
    "not decided". ``table``: adjusted and unadjusted estimate, lower, upper, verdict.
    """

    verdict: str
    margin: float
    figure: str
    unit: str
    table: pd.DataFrame
    level: float
    words: str
    caution: str = CAUTION

    def __str__(self) -> str:
        table = self.table.to_string(float_format="{:.3g}".format)
        return f"{self.words}\n\n{table}\n\n{self.caution}"

    __repr__ = __str__


def _verdict(
    figure: str,
    unit: str,
    margin: float,
    none: float,
    found: pd.DataFrame,
    told: HeadToHead,
    *,
    worse_is_more: bool,
) -> NonInferiority:
    sign = 1.0 if worse_is_more else -1.0  # larger is worse from here on

    def of(row: pd.Series[float]) -> str:
        ends = sorted([sign * row["lower"], sign * row["upper"]])
        if ends[1] < sign * none:
            return "superior"
        if ends[1] < sign * margin:
            return "non-inferior"
        return "inferior" if ends[0] > sign * margin else "not decided"

    table = found.assign(verdict=[of(row) for _, row in found.iterrows()])
    verdict, one = str(table["verdict"]["adjusted"]), found.loc["adjusted"].to_dict()
    words = (
        f"B = {told.b} against A = {told.a}: {verdict}; {figure} {one['estimate']:.3g}{unit} ({one['lower']:.3g} to "
        f"{one['upper']:.3g}, {100 * told.level:g} % interval), margin {margin:g}{unit} (given by the user)"
    )
    return NonInferiority(verdict, margin, figure, unit, table, told.level, words)


# ------------------------------------------------------------------------------------------------------ the analysis


def head_to_head(
    cases: Cases | Source,
    a: str,
    b: str,
    *,
    adjust: Sequence[str] = ADJUST,
    randomised: bool = False,
    glands_ml: Sequence[float] = GLANDS_ML,
    level: float = 0.95,
    seed: int = 1,
) -> HeadToHead:
    """Compare the morcellation of two device classes, or of two device codes, in a unit's own cases.

    Parameters
    ----------
    cases : Cases, path or pandas.DataFrame
    a, b : str
        Both classes ("oscillating/vacuum") or both codes of the column ``device``. Figures are B against A.
    adjust : sequence of str
        Among gland, tissue, surgeon, experience, collection, hard_nodule, trainee. What cannot be adjusted for is named
        in ``not_adjusted``.
    randomised : bool
        Whether the device was allotted at random: changes the words, not the numbers.
    glands_ml : sequence of float
        Where the interaction with gland size is read off.
    level : float
    seed : int
        Of the draws behind the intervals of minutes and g/min.

    Notes
    -----
    Log morcellation minutes, stops and swaps included, are regressed on the class and on: log gland; log tissue; one
    level for each surgeon; 1 / (1 + (k - 1) / m_half) of the case number k, with the model's m_half (assumption);
    gland over canister (0 for a drain), which goes with the number of fills. Recorded swaps are not adjusted for: a
    class that draws more fluid makes them. Surgeons' levels are fixed, not drawn from a distribution: where the better
    surgeon has the better device a random effect is biased, and a surgeon with one class only tells nothing of the
    difference. All surgeons are taken to gain alike.

    Huber's loss with 95 % efficiency (:class:`lobetime.CensoredRegression`), so that a slip of the pen does not decide;
    unfinished morcellations count as times of at least what was recorded, because leaving out the slow ones favours the
    class that has more of them. Errors by the sandwich, which allows unequal spread, times n / (n - p), with t of
    n - p degrees of freedom.

    *Missing tissue*: the adjusted and unadjusted ratios use the cases with tissue, and "without tissue" uses all,
    adjusted for the rest. Both are right if what is missing goes with what is adjusted for; where they differ, it does
    not. A case that lacks anything else that is adjusted for is left out and counted in ``excluded``.

    Minutes and g/min "at the unit's own mix" average over the analysed cases of both classes, each predicted with A and
    with B (its surgeon, gland and collection kept), by the fit with the class's own slope in log gland and log-normal
    spread, the same for both; intervals from draws of the estimates. With tissue given, the ratio of efficiencies is
    the inverse of that of minutes. Figures "as recorded" are of finished cases; unequal variances (Welch), ratio of
    means by linearisation. Rows that the data checks take something in for a slip of the pen are fitted, but not
    averaged over.

    Raises
    ------
    InvalidArgument
        Every problem of the arguments; fewer than 5 finished cases of a class, or too few for what is adjusted for.
    NotIdentifiable
        No surgeon used both, where surgeon is adjusted for.
    InvalidData
        Of the cases.

    Warns
    -----
    HeadToHeadWarning
        Where groups hardly overlap, or unfinished cases had to be left out: also in ``warnings``.
    """
    _check(a, b, adjust, glands_ml, level)
    cases = cases if isinstance(cases, Cases) else read_cases(cases)
    rows, excluded, absent = rows_of(cases, a, b, adjust)
    rest = [name for name in adjust if name not in absent]
    not_adjusted = dict(absent)
    if "collection" in rest and not one_collection_in_common(rows):
        not_adjusted["collection"] = (
            f"no capacity has {FEWEST} cases of both: each class is compared together with its own collection"
        )
    if "surgeon" in rest and not both_devices(rows, "surgeon").any():
        raise _core.NotIdentifiable(
            f"no surgeon used both {a} and {b}: device and surgeon cannot be told apart; leave 'surgeon' out of adjust "
            "to compare them together"
        )
    wanted = [name for name in rest if name not in not_adjusted]
    complete, excluded = complete_rows(rows, wanted, excluded)
    design = Design.of(complete, wanted, not_adjusted)
    check_size(complete, design, a, b)
    adjusted = fit_minutes(design.columns(complete), complete, level)
    slopes = fit_minutes(design.columns(complete, interaction=True), complete, level)
    crude = fit_minutes(Design(()).columns(complete), complete, level)
    ratios = {"adjusted": adjusted.ratio("b"), "unadjusted": crude.ratio("b")}
    used = {"adjusted": complete, "unadjusted": complete}
    with_tissue = "tissue" in design.names
    per_gram = fit_minutes(Design(()).columns(complete), complete, level, per_gram=True) if with_tissue else None
    if with_tissue:
        others = [name for name in design.names if name != "tissue"]
        every, _ = complete_rows(rows, others, excluded)
        used["without tissue"] = every
        ratios["without tissue"] = fit_minutes(Design.of(every, others, {}).columns(every), every, level).ratio("b")
    plausible = complete[~complete["mistyped"]]
    minutes, at_mix, variances = at_own_mix(slopes, design, plausible, with_tissue, level, seed)
    balance, in_common = balance_of(complete, wanted)
    warned = what_to_warn_of(excluded, balance, in_common, not_adjusted)
    for text in warned:
        warnings.warn(text, HeadToHeadWarning, stacklevel=2)
    return HeadToHead(
        a=a,
        b=b,
        level=level,
        randomised=randomised,
        ratios=ratio_table(ratios, used, None if per_gram is None else per_gram.ratio("b")),
        by_gland=gland_table(slopes, complete, glands_ml),
        interaction=slopes.doubling(),
        minutes=minutes,
        efficiency=pd.concat([as_recorded(plausible, level), at_mix]),
        balance=balance,
        in_common=in_common,
        adjusted_for=design.names,
        not_adjusted=not_adjusted,
        excluded=excluded,
        coefficients=adjusted.table(),
        warnings=tuple(warned),
        variances=variances,
    )


def _check(a: str, b: str, adjust: Sequence[str], glands_ml: Sequence[float], level: float) -> None:
    problems = []
    if a == b or not a or not b:
        problems.append(f"a and b must be two different classes or codes, not {a!r} and {b!r}")
    elif ("/" in a) != ("/" in b):
        problems.append(f"a and b must both be classes (blade/suction) or both device codes, not {a!r} and {b!r}")
    unknown = [name for name in adjust if name not in (*ADJUST, *ALSO)]
    if isinstance(adjust, str) or unknown or len(set(adjust)) < len(adjust):
        problems.append(f"adjust must hold different names among {', '.join((*ADJUST, *ALSO))}, not {adjust!r}")
    if not all(math.isfinite(v) and v > 0 for v in glands_ml):
        problems.append(f"glands_ml must be above 0, not {list(glands_ml)!r}")
    if not 0 < level < 1:
        problems.append(f"level must lie between 0 and 1, not {level!r}")
    if problems:
        raise _core.InvalidArgument("head_to_head: " + "; ".join(problems))
