"""Every device class with every collection on a unit's own case mix: same cases, same draws."""

from __future__ import annotations

import itertools
import math
import warnings
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from .. import _core
from ..cases import (
    KNOWN_AT_BOOKING,
    Bookings,
    Cases,
    DataWarning,
    _for_table,
    check_file,
    operation_dates,
    read_bookings,
    read_cases,
)
from ..caution import CAUTION
from ..device_classes import DeviceClasses, NewClass
from ..plain import plain
from ..prediction import FLAG_WORDS, PHASES, Prediction
from ..reading import InvalidData, problem_frame
from ._saying import CONFIDENT, LEVEL, first_shares, interval, percent, share_below, with_interval
from .efficiency import class_efficiency
from .words import Collection, DeviceClass, Option, all_of, class_names, own_file

if TYPE_CHECKING:
    from ..model import Source, TheatreTimeModel

Doubles = npt.NDArray[np.float64]

FEW_CASES = 10
"""With fewer own cases a class's level is not taken as fitted (assumption)."""

TURNOVER_MIN = 31.0
"""Median turnover (published: BMC Med Educ 2018; 8 to 60, n = 546)."""

BANDS_ML = (60.0, 100.0, 150.0)
"""Gland volumes that part the bands of ``by_gland``."""

_MORCELLATION = PHASES.index("morcellation")
_REPLACED = ("case_id", "blade", "suction", "device", "canister_ml")
_BAND_CASES = 100  # a band with fewer is predicted several times over, so that single cases' noise averages out
_BLOCK = 128  # cases predicted at a time: so much memory and no more
_GRID = 14  # glands of a curve
_CURVE_CASES = 32  # cases of the mix that stand at each of them, twice over
_CURVE_DRAWS = 1000
_LISTS, _LIST_CASES, _LIST_DRAWS, _MOST_CASES = 400, 200, 1000, 12
_MAY_CROSS = 0.1  # a chance from which a crossing is told of in words
_USUAL_SHARE = 0.05  # a collection with fewer of the unit's cases is not compared unless asked for


def compare_devices(
    model: TheatreTimeModel,
    cases: Cases | Bookings | Source,
    classes: Sequence[DeviceClass | NewClass | str] | None = None,
    collections: Sequence[Collection | str | float] | None = None,
    *,
    device_classes: DeviceClasses | Source | None = None,
    reference: str | None = None,
    cases_per_year: float | None = None,
    draws: int = 4096,
    seed: int = 1,
    sessions: Sequence[float] = (240.0, 480.0),
    overrun_risk: float = 0.2,
) -> Comparison:
    """Predict the same cases with every class and every collection, on the same draws.

    Parameters
    ----------
    model : TheatreTimeModel
        Fitted to the unit's cases, or not: then published evidence alone speaks.
    cases : Cases, Bookings, path or pandas.DataFrame
        The unit's case mix. Gland, surgeon, case number, trainee, anticoagulants and anaesthesia are taken from it;
        blade, suction, device and canister are replaced. Glands that look mistyped are left out, and that is said.
    classes : sequence of DeviceClass or str, optional
        ``"oscillating/vacuum"`` or, with a unit's own device code, ``"oscillating/vacuum:X1"``, or rows of
        :func:`lobetime.read_device_classes`, or their names. By default the classes of the model's history, those that
        the evidence module has rows for, and those of ``device_classes``.
    collections : sequence of Collection, str or float, optional
        mL of a canister, ``"3x2000"`` for a chain, ``"drain"``. By default those of at least 5 % of ``cases``; where
        none is recorded, a 2000 mL canister (common practice, no source) and a continuous drain.
    device_classes : DeviceClasses, path or pandas.DataFrame, optional
        Classes of the unit's own, see :func:`lobetime.read_device_classes`; by default those that the model's prior was
        given (a model file does not hold them).
    reference : str, optional
        An option as the tables name it (``"oscillating/vacuum, 2000 mL"``), or a class: then with its collection that
        most cases had. By default the option that most cases had; where none had any, the first.
    cases_per_year : float, optional
        By default counted from ``operated_on``, where the dates span half a year; else nothing is said per year.
    draws, seed : int
        Of the prediction.
    sessions : sequence of float
        Minutes of the sessions whose lists are counted.
    overrun_risk : float
        At which cases are counted per session.

    Returns
    -------
    Comparison

    Notes
    -----
    *What an interval is of.* Of the mean over the case mix: what one would see over very many such cases. A draw's mean
    over the cases holds the draw's parameters, surgeons and devices, which all cases share, and the cases' own scatter,
    which does not belong there. It averages out (a gland band with fewer than 100 cases is predicted several times over
    for that), and what is left of its variance, the sum of w^2 times each case's own variance over draws, is taken off:
    draws are drawn together about their mean by the root of the share that remains (exact where both are normal). The
    reference's minutes, every difference from them and each option's swaps are treated so; ``options.noise_share`` says
    how much was taken off the difference's variance. Intervals are 90 %.

    *Pairing.* Draws are named by case, so each case has one tissue, one surgeon and one scatter under every option. The
    correction of totals by held-out cases is off: it moves phases that a device does not touch.

    *Classes without cases.* Blade and suction effects add up in the model. Where a class has fewer than ten cases of
    the unit and no row in the evidence module, that they do is an assumption, and the model's spread between devices is
    added to its level, the same draw for all its cases, as for a device never seen.

    *Lists.* Random lists of the mix, whatever the surgeon; for each list, the most cases whose minutes and turnovers
    (31 min each) exceed the session in at most ``overrun_risk`` of the draws. The same lists for every option. The risk
    is over everything uncertain, parameters included, so what is gained has no interval beside that of the lists.

    *Crossings.* Mean morcellation minutes on a grid of glands, 32 cases of the mix standing at each with their gland
    replaced, twice with other scatter; the covariance of the two is what is not scatter. A draw has a crossing where
    one option is ahead at one end of the unit's range (2.5 to 97.5 % of its glands) and the other at the other; it is
    the last change of sign, interpolated in the logarithm of the gland.

    Raises
    ------
    InvalidArgument
        With every problem. InvalidData of ``cases``.
    """
    fitted = model._fitted_or_prior()
    own = own_file(model, device_classes)
    mix = _read_mix(cases, own)
    problems: list[str] = []

    def tried(call: Any) -> Any:
        try:
            return call()
        except _core.InvalidArgument as error:
            problems.append(str(error))
            return None

    wanted_classes = tried(
        lambda: all_of(
            lambda one: DeviceClass.of(one, own or ()),
            _usual_classes(fitted, own) if classes is None else classes,
            "class",
        )
    )
    wanted_collections = tried(
        lambda: all_of(Collection.of, mix.collections if collections is None else collections, "collection")
    )
    problems += _setting_problems(cases_per_year, draws, seed, sessions, overrun_risk)
    options = [Option(d, c) for d in wanted_classes or [] for c in wanted_collections or []]
    if options and wanted_classes and wanted_collections:
        reference_at = tried(lambda: _reference(reference, options, mix))
    if problems:
        raise _core.InvalidArgument("; ".join(problems))
    if len(options) < 2:
        raise _core.InvalidArgument("two or more options are needed, classes times collections")

    standings = {one: _Standing.of(one, fitted, mix) for one in wanted_classes}
    run = _Run(model, mix, options, standings, int(draws), int(seed), int(reference_at))
    yearly, yearly_words = _per_year(cases_per_year, mix)
    means = run.predict()
    table = _options_table(run, means, yearly, fitted)
    curves = run.curves()
    return Comparison(
        options=table,
        by_gland=_by_gland(run, means),
        crossings=_crossings(run, curves, range(len(options)), run.reference),
        sessions=_sessions(run, means, sessions, overrun_risk),
        reference=str(options[run.reference]),
        assumptions=_assumptions(run, mix, yearly_words, fitted, collections is None, means.flags),
        facts={
            "cases": len(mix.frame),
            "draws": int(draws),
            "seed": int(seed),
            "level": LEVEL,
            "overrun_risk": overrun_risk,
            "cases_per_year": yearly,
            "gland_ml": [float(x) for x in np.quantile(mix.frame["gland_ml"], [0.0, 0.5, 1.0])],
            "fitted_cases": fitted.n_cases,
        },
        flags=means.flags,
        draws=means.shared(),
        curves=curves,
        run=run,
    )


@dataclass(frozen=True, repr=False, eq=False)
class Comparison:
    """Device classes and collections side by side. Made by :func:`compare_devices`, which says what each number is.

    Attributes
    ----------
    options : pandas.DataFrame
        One row a class and collection (index ``option``): ``device_class``, ``collection``, ``canister_ml`` (of the
        chain; infinite = continuous drain); ``cases`` (the unit's, of the class), ``cases_so_collected`` (of the mix,
        with this collection), ``evidence`` ("own cases", "published", "common practice", "no studies"), ``origin``.
        Means over the case mix, each with ``_low`` and ``_high``: ``morcellation_min``, ``theatre_min``,
        ``difference_min`` (morcellation, less the reference's), ``theatre_difference_min``, ``morcellation_h_year``,
        ``theatre_h_year`` and ``difference_h_year`` (theatre) in hours a year, NaN where cases a year are not known,
        ``g_min_mean_of_ratios``, ``g_min_ratio_of_means``, ``swaps`` (a case). ``p_fastest`` (least morcellation
        minutes of all options), ``p_fastest_theatre``, ``p_faster`` (than the reference), ``first_with_confidence``
        (``p_fastest`` of 0.9 or more, own cases or published evidence, and some case of the mix so collected),
        ``case_sd_min`` (scatter of one case's morcellation about its gland's mean), ``noise_share``, ``flags``.
    by_gland : pandas.DataFrame
        One row an option and band: ``gland``, ``cases``, ``morcellation_min``, ``difference_min``, ``_low``, ``_high``,
        ``difference_percent`` (of the reference's minutes), ``p_faster``, ``swaps``.
    crossings : pandas.DataFrame
        One row an option but the reference: ``p_crossing`` (in the unit's range), ``gland_ml`` (median), ``_low``,
        ``_high`` over the draws with a crossing; ``p_ahead_small``, ``p_ahead_large`` at the range's ends;
        ``from_ml``, ``to_ml``, the range.
    sessions : pandas.DataFrame
        One row an option and session: ``session_min``, ``cases`` (mean over lists of the most that fit at the risk),
        ``gain`` over the reference, ``gain_se`` (of the lists), ``more`` and ``fewer`` (shares of lists that take at
        least one case more or fewer).
    curves : pandas.DataFrame
        One row an option and gland: ``gland_ml``, ``difference_min``, ``_low``, ``_high``, ``p_faster``, ``swaps``,
        ``morcellation_min``.
    reference : str
    assumptions : list of str
        What the numbers rest on beside the cases, each with its origin.
    flags : dict of str to int
        Where the model guesses, whatever the device: how many cases.
    facts : dict
    draws : dict of str to pandas.DataFrame
        "morcellation_min", "theatre_min", "swaps": draws x options, means over the case mix.
    """

    options: pd.DataFrame
    by_gland: pd.DataFrame
    crossings: pd.DataFrame
    sessions: pd.DataFrame
    reference: str
    assumptions: list[str]
    facts: dict[str, Any]
    flags: dict[str, int]
    draws: dict[str, pd.DataFrame]
    run: _Run = field(repr=False)
    curves: pd.DataFrame = field(repr=False)
    caution: str = CAUTION

    def __repr__(self) -> str:
        return f"<Comparison of {len(self.options)} options on {self.facts['cases']} cases, reference {self.reference}>"

    def __str__(self) -> str:
        f = self.facts
        head = (
            f"{len(self.options)} options on the same {f['cases']} cases (glands {f['gland_ml'][0]:.0f} to "
            f"{f['gland_ml'][2]:.0f} mL, median {f['gland_ml'][1]:.0f}), the same {f['draws']} draws.\n"
            f"Minutes a case; differences from {self.reference}; {100 * LEVEL:.0f} % intervals of the mean."
        )
        parts = [
            head,
            self.table().to_string(index=False),
            "Difference by gland, minutes of morcellation\n" + self.gland_table().to_string(),
            "Where the numbers come from\n" + "\n".join(f"  {words}" for words in self.origins()),
            "\n".join(self.words()),
            "Assumptions\n" + "\n".join(f"  {words}" for words in self.assumptions),
            self.caution,
        ]
        return "\n\n".join(parts)

    def table(self) -> pd.DataFrame:
        """The options in words, for people: one row each, figures rounded, an interval beside each estimate."""
        rows = []
        for name, row in self.options.iterrows():
            rows.append(
                {
                    "option": str(name) + (" (reference)" if name == self.reference else ""),
                    "morcellation": with_interval(row, "morcellation_min", ".1f"),
                    "difference": "" if name == self.reference else with_interval(row, "difference_min", "+.1f"),
                    "theatre": with_interval(row, "theatre_min", ".0f"),
                    "swaps": with_interval(row, "swaps", ".1f"),
                    "g/min, ratio of means": with_interval(row, "g_min_ratio_of_means", ".1f"),
                    "mean of ratios": with_interval(row, "g_min_mean_of_ratios", ".1f"),
                    "fastest": percent(row["p_fastest"]),
                    "from": row["evidence"],
                }
            )
        return pd.DataFrame(rows)

    def gland_table(self) -> pd.DataFrame:
        """Minutes less the reference's in words, options x bands of gland volume."""
        rows = self.by_gland[self.by_gland["option"] != self.reference]
        words = [with_interval(row, "difference_min", "+.1f") for row in rows.to_dict("records")]
        bands = list(dict.fromkeys(rows["gland"]))
        return rows.assign(words=words).pivot(index="option", columns="gland", values="words").reindex(
            index=list(dict.fromkeys(rows["option"])), columns=bands
        )  # fmt: skip

    def origins(self) -> list[str]:
        """Where each class's numbers come from, a line each."""
        return list(dict.fromkeys(f"{row.device_class}: {row.origin}" for row in self.options.itertuples()))

    def words(self) -> list[str]:
        """The answer in sentences."""
        lines = [self._first_words()]
        for name, row in self.crossings.iterrows():
            at = f"{row['gland_ml']:.0f} mL ({row['gland_ml_low']:.0f} to {row['gland_ml_high']:.0f})"
            if _MAY_CROSS <= row["p_crossing"] < 0.5:
                lines.append(
                    f"{name} may change places with {self.reference} between {row['from_ml']:.0f} and "
                    f"{row['to_ml']:.0f} mL, with a chance of {percent(row['p_crossing'])}; where it does, at {at}."
                )
            elif row["p_crossing"] >= 0.5:
                ahead = "small" if row["p_ahead_small"] > row["p_ahead_large"] else "large"
                lines.append(
                    f"{name} is ahead of {self.reference} in {ahead} glands and behind in "
                    f"{'large' if ahead == 'small' else 'small'} ones, with a chance of {percent(row['p_crossing'])}; "
                    f"it changes at {at}."
                )
        for minutes, rows in self.sessions.groupby("session_min", sort=False):
            most = rows.iloc[int(rows["gain"].to_numpy().argmax())]
            held = rows.loc[rows["option"] == self.reference, "cases"].iloc[0]
            words = f"A session of {minutes:g} min takes {held:.2f} cases with the reference"
            if most["gain"] > 2 * most["gain_se"]:
                words += (
                    f", and {most['gain']:+.2f} at most, with {most['option']}: one or more in "
                    f"{percent(most['more'])} of the lists, fewer in {percent(most['fewer'])}"
                )
            else:
                words += ", and no option adds to that beyond what random lists differ by"
            lines.append(words + f" (overrun in at most {percent(self.facts['overrun_risk'])}).")
        lines += self._year_words()
        return lines

    def _year_words(self) -> list[str]:
        yearly = self.facts["cases_per_year"]
        least = self.options.iloc[int(self.options["theatre_difference_min"].to_numpy().argmin())]
        if not math.isfinite(yearly) or least.name == self.reference:
            return []
        return [
            f"In a year of {yearly:g} cases {least.name} changes theatre time by "
            f"{with_interval(least, 'difference_h_year', '+.0f')} hours against the reference, the most of all options."
        ]

    def _first_words(self) -> str:
        row = self.options.iloc[int(self.options["p_fastest"].to_numpy().argmax())]
        first, p, evidence = row.name, row["p_fastest"], row["evidence"]
        if row["first_with_confidence"]:
            return f"Fastest morcellation: {first}, with a chance of {percent(p)}."
        why = "" if row["cases_so_collected"] or not self.run.mix.used else "; no case had this class so collected"
        why = {
            "no studies": "; no study and too few cases speak for it",
            "common practice": "; nothing but common practice speaks for it",
        }.get(evidence, why)
        return f"No option is fastest with confidence; most often it is {first}, in {percent(p)} of the draws{why}."

    def crossing(self, option: str, other: str) -> pd.Series[Any]:
        """One row as of ``crossings``, for any two options."""
        names = list(self.options.index)
        unknown = [repr(name) for name in (option, other) if name not in names]
        if unknown:
            raise _core.InvalidArgument(f"no option is called {' or '.join(unknown)}; known: {'; '.join(names)}")
        row: pd.Series[Any] = _crossings(
            self.run, self.curves, [names.index(option)], names.index(other), itself=True
        ).iloc[0]
        return row

    def to_dict(self) -> dict[str, Any]:
        """Everything said, in types that JSON holds; what is not finite is None (a continuous drain has no mL)."""
        return {
            "caution": self.caution,
            "reference": self.reference,
            "facts": plain(self.facts),
            "options": plain(self.options.reset_index()),
            "by_gland": plain(self.by_gland),
            "crossings": plain(self.crossings.reset_index()),
            "sessions": plain(self.sessions),
            "curves": plain(self.curves),
            "flags": dict(self.flags),
            "words": self.words(),
            "assumptions": list(self.assumptions),
        }


# --- the case mix ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Mix:
    frame: pd.DataFrame
    used: dict[tuple[str, float], int]  # class and canister that each case had
    collections: list[Collection]
    collections_recorded: bool
    per_year: float
    left_out: int


def _read_mix(cases: Cases | Bookings | Source, own: DeviceClasses | None) -> _Mix:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DataWarning)  # the unit's own reading told them
        if not isinstance(cases, (Cases, Bookings)):
            is_history = check_file(cases, device_classes=own).attrs["kind"] == "history"
            read = read_cases if is_history else read_bookings
            cases = read(cases, device_classes=own)
        frame = cases.frame.reset_index(drop=True)
        kept = [name for name in KNOWN_AT_BOOKING if name in frame and name not in _REPLACED]
        found = read_bookings(frame[kept]).warnings
    slips = found.loc[found["kind"] == "gland_suspicious", "row"].astype(int).to_numpy() - 2
    sound = ~np.isin(np.arange(len(frame)), slips)
    if not sound.any():
        allowed = "a gland volume that does not look mistyped, in one case at least"
        told = [(int(row), "gland_ml", f"{frame['gland_ml'].iloc[row - 2]:g}", allowed) for row in slips + 2]
        raise InvalidData(problem_frame(told), "the case mix")
    used, collections, recorded = _used(frame)
    mix = frame.loc[sound, kept].reset_index(drop=True)
    return _Mix(mix, used, collections, recorded, _counted_per_year(frame), int((~sound).sum()))


def _used(frame: pd.DataFrame) -> tuple[dict[tuple[str, float], int], list[Collection], bool]:
    """Which class and canister the cases had, and the collections worth comparing."""
    canister = frame["canister_ml"] if "canister_ml" in frame else pd.Series(np.nan, index=frame.index)
    used: dict[tuple[str, float], int] = {}
    if {"blade", "suction"} <= set(frame.columns):
        names = class_names(frame)
        known = names.ne("") & canister.notna()
        used = dict(Counter(zip(names[known], canister[known].astype(float), strict=True)))
    recorded = canister.dropna().to_numpy(float)
    usual = [float(ml) for ml in np.unique(recorded) if (recorded == ml).sum() >= _USUAL_SHARE * len(frame)]
    if not usual or usual == [math.inf]:
        return used, [Collection(2000.0), Collection(math.inf)], False
    return used, [Collection(ml) for ml in usual], True


def _counted_per_year(frame: pd.DataFrame) -> float:
    dates = operation_dates(frame)
    days = (dates.max() - dates.min()).days if len(dates) > 1 else 0
    return float(round(len(dates) / (days / 365.25))) if days >= 180 else math.nan


def _per_year(asked: float | None, mix: _Mix) -> tuple[float, str]:
    if asked is not None:
        return float(asked), f"{asked:g} cases a year: as given"
    if math.isfinite(mix.per_year):
        return mix.per_year, f"{mix.per_year:g} cases a year: counted from the dates of the cases"
    return math.nan, "cases a year are not known, so nothing is said per year"


def _setting_problems(
    cases_per_year: float | None, draws: int, seed: int, sessions: Sequence[float], overrun_risk: float
) -> list[str]:
    problems = []
    if cases_per_year is not None and not (cases_per_year > 0 and math.isfinite(cases_per_year)):
        problems.append(f"cases_per_year must be positive, not {cases_per_year!r}")
    if not 100 <= draws <= 100_000:
        problems.append(f"draws must lie between 100 and 100,000, not {draws!r}")
    if not 0 <= seed <= 2**32:
        problems.append(f"seed must lie between 0 and 2^32, not {seed!r}")
    if not (len(sessions) and all(30 <= minutes <= 1440 for minutes in sessions)):
        problems.append(f"sessions must be minutes between 30 and 1440, at least one, not {list(sessions)!r}")
    if not 0 < overrun_risk < 1:
        problems.append(f"overrun_risk must lie strictly between 0 and 1, not {overrun_risk!r}")
    return problems


def _usual_classes(fitted: _core.FittedModel, own: DeviceClasses | None) -> list[NewClass | str]:
    had = [name for name, _ in fitted.device_classes if "unknown" not in name]
    return [*dict.fromkeys([*had, *_studied_classes()]), *(own or ())]


def _studied_classes() -> list[str]:
    """Classes that the evidence module has any row for."""
    inside = [row["name"].partition("[")[2].rstrip("]").partition(",")[0] for row in _core.rate_figures()]
    return [name for name in dict.fromkeys(inside) if "/" in name]


def _cases_of(mix: _Mix, option: Option) -> int:
    """How many cases of the mix had the option's class and collection."""
    return mix.used.get((option.device_class.name, option.collection.capacity_ml), 0)


def _reference(asked: str | None, options: Sequence[Option], mix: _Mix) -> int:
    names = [str(option) for option in options]
    if asked is None:
        return max(range(len(options)), key=lambda k: _cases_of(mix, options[k]))
    if asked in names:
        return names.index(asked)
    of_class = [k for k, option in enumerate(options) if str(option.device_class) == asked]
    if of_class:
        return max(of_class, key=lambda k: _cases_of(mix, options[k]))
    raise _core.InvalidArgument(f"reference must be one of {'; '.join(names)}, or a class of them, not {asked!r}")


# --- what a class rests on -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Standing:
    cases: int
    evidence: str
    origin: str
    device: str  # code that the prediction is given; one the model does not know brings its spread between devices

    unseen: tuple[float, float] | None = None  # log ratio and log SD of its level, where the fit has not seen it

    @classmethod
    def of(cls, one: DeviceClass, fitted: _core.FittedModel, mix: _Mix) -> _Standing:
        if one.is_own:
            return cls._own_class(one, fitted, mix)
        own = dict(fitted.device_classes).get(one.name, 0)
        if own >= FEW_CASES:
            return cls(own, "own cases", f"fitted from {own} cases of the unit", one.device)
        few = f"{own} case{'' if own == 1 else 's'} of the unit; " if own else ""
        if one.name not in _studied_classes():
            origin = f"{few}no studies: other classes' blade and suction, and the spread between devices (assumption)"
            between = next(float(row["log_sd"]) for row in fitted.group_spreads if row["name"] == "device")
            return cls(own, "no studies", origin, one.device or f"never seen: {one.name}", (0.0, between))
        origins = {row.name: row.origin for row in _core.published_prior().parameters}
        parts = ["rate_50", *(["blade_oscillating"] if one.blade == "oscillating" else []), f"suction_{one.suction}"]
        known = [origins[part] for part in parts if part in origins]
        evidence = next((word for word in ("assumption", "common practice") if word in known), "published")
        said = {"published": "published evidence", "common practice": "common practice, no source"}
        return cls(own, evidence, few + said.get(evidence, evidence), one.device)

    @classmethod
    def _own_class(cls, one: DeviceClass, fitted: _core.FittedModel, mix: _Mix) -> _Standing:
        """A class of the unit's own file: its cases, and the range that the file gives."""
        own = sum(count for (name, _), count in mix.used.items() if name == one.name)
        like = f"like {one.blade}/{one.suction}"
        if f"device[{one.device}]" in fitted.names:
            evidence = "own cases" if own >= FEW_CASES else "no studies"
            words = f"{own} case{'' if own == 1 else 's'} of the unit, from the range of its own file; {like}"
            return cls(own, evidence, words, one.device)
        prior = fitted.device_priors.get(one.device)
        if prior is None:
            raise _core.InvalidArgument(
                f"{one.name} is not known to the model: give its file to PublishedPrior(device_classes=...)"
            )
        return cls(own, "no studies", f"no case and no study: the range of its own file; {like}", one.device, prior)


def standing_by_evidence(one: DeviceClass, prior: _core.FittedModel, mix: _Mix) -> _Standing | None:
    """What a class rests on where the unit has no case of it; None for an own class that the prior does not know."""
    if one.is_own and one.device not in prior.device_priors:
        return None
    without = replace(mix, used={})
    return _Standing.of(one if one.is_own else DeviceClass(one.blade, one.suction), prior, without)


# --- predictions -----------------------------------------------------------------------------------------------------


@dataclass
class _Sums:
    """Of one quantity over the cases: sums of an option (draws x bands), and the variance that is the cases' own.

    The variance is that of the sum's difference from the reference's; for the reference, of its own sum.
    """

    sums: list[Doubles]
    scatter: Doubles  # options x bands
    reference: int

    def add(self, k: int, values: Doubles, usual: Doubles, into: Doubles) -> None:
        """Cases x draws of option k and of the reference; ``into``: weight of each case in each band."""
        self.sums[k] += values.T @ into
        spread = values if k == self.reference else values - usual
        self.scatter[k] += spread.var(axis=1) @ into**2

    def settled(self, k: int, weight: Doubles, band: int | None = None) -> tuple[Doubles, float]:
        """A draw's mean of option k without the cases' own scatter, and the share of variance that was taken off."""
        difference, share = self._settled(k, weight, band)
        if k == self.reference:
            return difference, share
        return self._settled(self.reference, weight, band)[0] + difference, share

    def _settled(self, k: int, weight: Doubles, band: int | None) -> tuple[Doubles, float]:
        at = slice(None) if band is None else slice(band, band + 1)
        n = weight[at].sum()
        of_k = self.sums[k] if k == self.reference else self.sums[k] - self.sums[self.reference]
        mean = of_k[:, at].sum(axis=1) / n
        return _drawn_together(mean, float(self.scatter[k, at].sum()) / n**2)


def _drawn_together(values: Doubles, scatter: float) -> tuple[Doubles, float]:
    variance = float(values.var())
    share = min(scatter / variance, 1.0) if variance > 0 else 0.0
    return values.mean() + math.sqrt(1.0 - share) * (values - values.mean()), share


@dataclass
class _Means:
    morcellation: _Sums
    theatre: _Sums
    swaps: list[Doubles]  # sums as above
    swap_scatter: Doubles  # of each option's own sums, so that none of them is drawn below no swap at all
    case_variance: Doubles  # mean variance of one case's morcellation minutes
    totals: list[npt.NDArray[np.float32]]  # cases of the lists x draws
    names: list[str]
    weight: Doubles  # cases of each band
    flags: dict[str, int] = field(default_factory=dict)
    device_flags: list[set[str]] = field(default_factory=list)

    def shared(self) -> dict[str, pd.DataFrame]:
        whole = range(len(self.names))
        return {
            "morcellation_min": self._frame([self.morcellation.settled(k, self.weight)[0] for k in whole]),
            "theatre_min": self._frame([self.theatre.settled(k, self.weight)[0] for k in whole]),
            "swaps": self._frame([self._settled_swaps(k) for k in whole]),
        }

    def _settled_swaps(self, k: int) -> Doubles:
        n = self.weight.sum()
        return _drawn_together(self.swaps[k].sum(axis=1) / n, float(self.swap_scatter[k]) / n**2)[0]

    def _frame(self, columns: list[Doubles]) -> pd.DataFrame:
        return pd.DataFrame(dict(zip(self.names, columns, strict=True)))


class _Run:
    """The predictions of one comparison."""

    def __init__(
        self,
        model: TheatreTimeModel,
        mix: _Mix,
        options: Sequence[Option],
        standings: Mapping[DeviceClass, _Standing],
        draws: int,
        seed: int,
        reference: int,
    ) -> None:
        self.model, self.mix, self.options, self.standings = model, mix, list(options), standings
        self.draws, self.seed, self.reference = draws, seed, reference
        self.names = [str(option) for option in options]
        self._base: Prediction | None = None

    def bookings(self, cases: pd.DataFrame, option: Option) -> Bookings:
        """The cases, checked before, with the option's device and collection; one case_id may stand at many glands."""
        one = option.device_class
        changed = cases.assign(
            blade=one.blade,
            suction=one.suction,
            device=self.standings[one].device,
            canister_ml=option.collection.capacity_ml,
        )
        table = _core.CaseTable(**{str(name): _for_table(changed[name]) for name in changed})
        return Bookings(changed, table, pd.DataFrame())

    def draw(self, cases: pd.DataFrame, option: Option, draws: int) -> Prediction:
        bookings = self.bookings(cases, option)
        if self._base is None:
            self._base = self.model.predict(bookings, draws=draws, seed=self.seed, conformal=False)
            return self._base
        return self._base.again(bookings, draws=draws, seed=self.seed)

    def predict(self) -> _Means:
        """Every option on every case of the mix."""
        cases, band, weight, listed = self._repeated()
        order = [self.reference, *(k for k in range(len(self.options)) if k != self.reference)]
        bands, n = len(BANDS_ML) + 1, len(self.options)

        def empty() -> list[Doubles]:
            return [np.zeros((self.draws, bands)) for _ in range(n)]

        means = _Means(
            morcellation=_Sums(empty(), np.zeros((n, bands)), self.reference),
            theatre=_Sums(empty(), np.zeros((n, bands)), self.reference),
            swaps=empty(),
            swap_scatter=np.zeros(n),
            case_variance=np.zeros(n),
            totals=[np.empty((int(listed.sum()), min(self.draws, _LIST_DRAWS)), np.float32) for _ in range(n)],
            names=self.names,
            weight=np.bincount(band, weight, bands).astype(float),
            device_flags=[set() for _ in range(n)],
        )
        flagged: dict[str, set[int]] = {}
        done = 0
        for start in range(0, len(cases), _BLOCK):
            block = slice(start, start + _BLOCK)
            into = np.zeros((len(weight[block]), bands))
            into[np.arange(len(into)), band[block]] = weight[block]
            here = listed[block]
            usual = usual_total = np.empty(0)
            for k in order:
                pred = self.draw(cases.iloc[block], self.options[k], self.draws)
                minutes, total = pred.draws[:, :, _MORCELLATION], pred.totals
                if k == self.reference:
                    usual, usual_total = minutes, total
                means.morcellation.add(k, minutes, usual, into)
                means.theatre.add(k, total, usual_total, into)
                means.swaps[k] += pred.swaps.T @ into
                means.swap_scatter[k] += float(pred.swaps.var(axis=1) @ weight[block] ** 2)
                means.case_variance[k] += float(minutes.var(axis=1) @ weight[block]) / weight.sum()
                means.totals[k][done : done + int(here.sum())] = total[here, : means.totals[k].shape[1]]
                self._note_flags(pred, k, start, cases, means, flagged)
            done += int(here.sum())
        means.flags = {name: len(rows) for name, rows in flagged.items()}
        return means

    def _note_flags(
        self,
        pred: Prediction,
        k: int,
        start: int,
        cases: pd.DataFrame,
        means: _Means,
        flagged: dict[str, set[int]],
    ) -> None:
        for i, names in enumerate(pred.flags):
            for name in names:
                if name.startswith(("device", "collection")):
                    means.device_flags[k].add(name)
                elif k == self.reference:
                    flagged.setdefault(name, set()).add(int(cases["case_id"].iloc[start + i].split()[1]))

    def _repeated(self) -> tuple[pd.DataFrame, npt.NDArray[np.intp], Doubles, npt.NDArray[np.bool_]]:
        """Cases, several times over where their band has few; band, weight, and whether a list may hold it."""
        band = np.searchsorted(BANDS_ML, self.mix.frame["gland_ml"].to_numpy(), side="right")
        repeats = np.ceil(_BAND_CASES / np.bincount(band, minlength=len(BANDS_ML) + 1)[band]).astype(int)
        rows = np.repeat(np.arange(len(band)), repeats)
        copy = np.arange(len(rows)) - np.repeat(np.cumsum(repeats) - repeats, repeats)
        cases = self.mix.frame.iloc[rows].reset_index(drop=True)
        cases.insert(0, "case_id", [f"mix {r} {c}" for r, c in zip(rows, copy, strict=True)])
        for_lists = self._rng(1).permutation(len(band))[:_LIST_CASES]
        return cases, band[rows], 1.0 / repeats[rows], (copy == 0) & np.isin(rows, for_lists)

    def curves(self) -> pd.DataFrame:
        """Means on a grid of glands; ``attrs["held"]`` has the draws of any two options' difference."""
        low, high = np.quantile(self.mix.frame["gland_ml"], [0.025, 0.975])
        grid = np.geomspace(low, max(high, 1.02 * low), _GRID)
        some = np.tile(self._rng(2).integers(len(self.mix.frame), size=_CURVE_CASES), 2)
        cases = self.mix.frame.iloc[np.tile(some, _GRID)].reset_index(drop=True)
        cases.insert(0, "case_id", [f"curve {k}" for k in range(2 * _CURVE_CASES)] * _GRID)
        cases["gland_ml"] = np.repeat(grid, 2 * _CURVE_CASES)
        draws = min(self.draws, _CURVE_DRAWS)
        halves = np.empty((len(self.options), _GRID, 2, draws))
        swaps = np.empty((len(self.options), _GRID))
        for k, option in enumerate(self.options):
            pred = self.draw(cases, option, draws)
            minutes = pred.draws[:, :, _MORCELLATION].reshape(_GRID, 2, _CURVE_CASES, draws)
            halves[k] = minutes.mean(axis=2)
            swaps[k] = pred.swaps.mean(axis=1).reshape(_GRID, -1).mean(axis=1)
        held = _Curves(grid, halves)
        rows = []
        for k, name in enumerate(self.names):
            difference = held.difference(k, self.reference)
            for g, gland in enumerate(grid):
                rows.append(
                    {
                        "option": name,
                        "gland_ml": float(gland),
                        "morcellation_min": float(halves[k, g].mean()),
                        **interval("difference_min", difference[g]),
                        "p_faster": share_below(difference[g]),
                        "swaps": float(swaps[k, g]),
                    }
                )
        table = pd.DataFrame(rows)
        table.attrs["held"] = held
        return table

    def _rng(self, purpose: int) -> np.random.Generator:
        return np.random.Generator(np.random.Philox(np.random.SeedSequence([self.seed, 0xDE71CE, purpose])))


@dataclass(eq=False)  # frames compare their attrs, and arrays do not say whether they are alike
class _Curves:
    grid: Doubles
    halves: Doubles  # options x glands x 2 x draws

    def difference(self, k: int, other: int) -> Doubles:
        """Morcellation minutes of an option less another's, glands x draws, the cases' own scatter taken off."""
        halves = self.halves[k] - self.halves[other]
        out: Doubles = halves.mean(axis=1)
        for g, (first, second) in enumerate(halves):
            shared = float(np.cov(first, second)[0, 1])
            out[g] = _drawn_together(out[g], max(float(out[g].var()) - shared, 0.0))[0]
        return out


# --- tables ----------------------------------------------------------------------------------------------------------


def _options_table(run: _Run, means: _Means, yearly: float, fitted: _core.FittedModel) -> pd.DataFrame:
    shared = means.shared()
    morcellation, theatre = shared["morcellation_min"].to_numpy(), shared["theatre_min"].to_numpy()
    fastest, fastest_theatre = first_shares(morcellation), first_shares(theatre)
    rows = []
    for k, option in enumerate(run.options):
        standing = run.standings[option.device_class]
        difference = morcellation[:, k] - morcellation[:, run.reference]
        in_theatre = theatre[:, k] - theatre[:, run.reference]
        so_collected = _cases_of(run.mix, option)
        sure = standing.evidence in ("own cases", "published") and (so_collected > 0 or not run.mix.used)
        rows.append(
            {
                "device_class": str(option.device_class),
                "collection": str(option.collection),
                "canister_ml": option.collection.capacity_ml,
                "cases": standing.cases,
                "cases_so_collected": so_collected,
                "evidence": standing.evidence,
                "origin": standing.origin,
                **interval("morcellation_min", morcellation[:, k]),
                **interval("theatre_min", theatre[:, k]),
                **interval("difference_min", difference),
                **interval("theatre_difference_min", in_theatre),
                **interval("morcellation_h_year", morcellation[:, k] * yearly / 60.0),
                **interval("theatre_h_year", theatre[:, k] * yearly / 60.0),
                **interval("difference_h_year", in_theatre * yearly / 60.0),
                **interval("swaps", shared["swaps"].iloc[:, k].to_numpy()),
                **class_efficiency(fitted, run.mix.frame["gland_ml"].to_numpy(), option, standing.unseen, LEVEL),
                "p_fastest": float(fastest[k]),
                "p_fastest_theatre": float(fastest_theatre[k]),
                "p_faster": share_below(difference),
                "first_with_confidence": bool(fastest[k] >= CONFIDENT and sure),
                "case_sd_min": math.sqrt(max(means.case_variance[k] - morcellation[:, k].var(), 0.0)),
                "noise_share": means.morcellation.settled(k, means.weight)[1],
                "flags": "; ".join(FLAG_WORDS[name] for name in sorted(means.device_flags[k])),
            }
        )
    return pd.DataFrame(rows, index=pd.Index(run.names, name="option"))


def _band_words() -> list[str]:
    ends = [f"{edge:g}" for edge in BANDS_ML]
    return [
        f"below {ends[0]} mL",
        *(f"{a} to {b} mL" for a, b in itertools.pairwise(ends)),
        f"from {ends[-1]} mL",
    ]


def _by_gland(run: _Run, means: _Means) -> pd.DataFrame:
    rows = []
    for k, name in enumerate(run.names):
        for b, words in enumerate(_band_words()):
            n = means.weight[b]
            if n == 0:
                continue
            minutes = means.morcellation.settled(k, means.weight, b)[0]
            usual = means.morcellation.settled(run.reference, means.weight, b)[0]
            rows.append(
                {
                    "option": name,
                    "gland": words,
                    "cases": round(float(n)),
                    "morcellation_min": float(minutes.mean()),
                    **interval("difference_min", minutes - usual),
                    "difference_percent": 100.0 * float((minutes - usual).mean() / usual.mean()),
                    "p_faster": share_below(minutes - usual),
                    "swaps": float(means.swaps[k][:, b].mean() / n),
                }
            )
    return pd.DataFrame(rows)


def _crossings(
    run: _Run, curves: pd.DataFrame, which: Sequence[int], against: int, *, itself: bool = False
) -> pd.DataFrame:
    held: _Curves = curves.attrs["held"]
    rows = {}
    for k in which:
        if k == against and not itself:
            continue
        rows[run.names[k]] = _crossing(held.difference(k, against), held.grid)
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("option")


def _crossing(difference: Doubles, grid: Doubles) -> dict[str, float]:
    small, large = difference[0], difference[-1]
    changes = small * large < 0
    at = np.full(difference.shape[1], np.nan)
    for d in np.flatnonzero(changes):
        signs = np.sign(difference[:, d])
        i = int(np.flatnonzero(signs[:-1] != signs[-1])[-1])
        before, after = difference[i, d], difference[i + 1, d]
        share = before / (before - after)
        at[d] = math.exp(math.log(grid[i]) + share * math.log(grid[i + 1] / grid[i]))
    known = at[changes]
    low, middle, high = np.quantile(known, [0.05, 0.5, 0.95]) if len(known) else (np.nan,) * 3
    return {
        "p_crossing": float(changes.mean()),
        "gland_ml": float(middle),
        "gland_ml_low": float(low),
        "gland_ml_high": float(high),
        "p_ahead_small": share_below(small),
        "p_ahead_large": share_below(large),
        "from_ml": float(grid[0]),
        "to_ml": float(grid[-1]),
    }


def _sessions(run: _Run, means: _Means, sessions: Sequence[float], risk: float) -> pd.DataFrame:
    n = len(means.totals[0])
    length = min(_MOST_CASES, n)
    lists = run._rng(3).permuted(np.tile(np.arange(n), (_LISTS, 1)), axis=1)[:, :length]
    turnovers = TURNOVER_MIN * np.arange(length, dtype=float)
    rows = []
    for minutes in sessions:
        fit = np.stack([_cases_that_fit(totals, lists, turnovers, float(minutes), risk) for totals in means.totals])
        gain = fit - fit[run.reference]
        for k, name in enumerate(run.names):
            rows.append(
                {
                    "option": name,
                    "session_min": float(minutes),
                    "cases": float(fit[k].mean()),
                    "gain": float(gain[k].mean()),
                    "gain_se": float(gain[k].std(ddof=1) / math.sqrt(_LISTS)),
                    "more": float((gain[k] > 0).mean()),
                    "fewer": float((gain[k] < 0).mean()),
                }
            )
    return pd.DataFrame(rows)


def _cases_that_fit(
    totals: npt.NDArray[np.float32], lists: npt.NDArray[np.intp], turnovers: Doubles, minutes: float, risk: float
) -> Doubles:
    """The most first cases of each list whose chance of an overrun is within the risk."""
    fit = np.zeros(len(lists))
    for at, cases in enumerate(lists):
        ends = np.cumsum(totals[cases], axis=0) + turnovers[:, None]
        fit[at] = int(((ends > minutes).mean(axis=1) <= risk).sum())  # falls from one case to the next
    return fit


def _assumptions(
    run: _Run,
    mix: _Mix,
    yearly: str,
    fitted: _core.FittedModel,
    usual_collections: bool,
    flags: Mapping[str, int],
) -> list[str]:
    said = [
        f"the case mix: {len(mix.frame)} cases, with the surgeons and the experience that they had",
        yearly,
        f"turnover {TURNOVER_MIN:g} min between cases: published, BMC Med Educ 2018 (8 to 60, n = 546)",
        "lists are random ones of the case mix, whatever the surgeon (assumption)",
        "a device and its collection act on morcellation alone; enucleation and the room stay as they are (assumption)",
        "minutes lost to malfunctions are in at each class's mean rate; how uncertain that rate is, is not",
        "g/min: tissue as the gland lets expect, the unit's average surgeon past the learning curve, no hard nodule",
    ]
    never = [str(option) for option in run.options if not _cases_of(mix, option)]
    if never and mix.used:
        said.append(f"blade and suction work alike with any collection (assumption); no case had {'; '.join(never)}")
    if mix.left_out:
        said.append(f"{mix.left_out} of {mix.left_out + len(mix.frame)} cases are left out: their gland looks mistyped")
    if usual_collections and not mix.collections_recorded:
        said.append("no canister is recorded: 2000 mL (common practice, no source) and a continuous drain are compared")
    if any(option.collection.chained > 1 for option in run.options):
        said.append("a chain takes the fluid of all its canisters before a stop (assumption)")
    if any(one.unseen is not None and not name.is_own for name, one in run.standings.items()):
        said.append(
            "a class without studies or ten own cases: blade and suction add up, and the spread between devices "
            "(see groups_) is added (assumption)"
        )
    low, _, high = fitted.gland_ml
    for name, count in flags.items():
        said.append(f"{count} cases: {FLAG_WORDS[name].format(low=low, high=high)}")
    return said
