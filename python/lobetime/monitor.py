"""Has anything changed since the fit? Cumulative-sum charts of a unit's new cases."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats
from scipy.special import ndtri

from . import _core
from .cases import KNOWN_AT_BOOKING, Bookings, Cases, read_cases
from .caution import CAUTION
from .model import Source, TheatreTimeModel
from .plots import CusumDisplay

Doubles = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

# Recorded times that a case's draws are held against: the phases (positions in lobetime.prediction.PHASES) of each. A
# sum is taken where none of the phases is recorded by itself.
_TIMES = {"enucleation": [0], "morcellation": [2], "operative": [0, 1, 2], "theatre": [0, 1, 2, 3]}
_MORCELLATION = 2
# Known when a case is booked; the rest of a row is what happened.
_EXPERIENCED = 100_000.0  # a case number far past every learning curve
_WINSOR = 3.0
_FEWEST_CASES = 5  # of a surgeon, class or device with a chart of its own
_BLOCK = 256  # cases predicted at a time, to keep memory low
_SHARED_DRAWS = 2048  # that the share of common uncertainty is read from
_MOST_SHARED = 0.95
_ODDS_RATIO = 2.0
_MIX = 4  # chances that stand for those of a chart
_SHIFT = 1.2  # of a time, for which the charts say how soon they would tell
_HALVES_TO_PLATEAU = 5.0  # 1/6 of what experience takes away is left
_EVENT_WORDS = {"device_fault": "device faults", "unfinished": "morcellations deferred or by another route"}


class MonitorWarning(UserWarning):
    """Signals mean less than they seem to; the text says why."""


def monitor(
    model: TheatreTimeModel,
    cases: Cases | Source,
    *,
    run_length: float = 500.0,
    reference: float = 0.5,
    inadequate: float = 1.25,
    unfinished_chance: float | None = None,
    draws: int = 4096,
    seed: int = 1,
) -> Monitoring:
    """Watch cases that came after the fit for a change: of times, of events, and of surgeons who are learning.

    Parameters
    ----------
    model : TheatreTimeModel
        What the cases are held against; unfitted, the published prior.
    cases : Cases, path or pandas.DataFrame
        Cases after the fit, monitored as they are in order of ``operated_on`` (of the rows, where there is no date).
        Cases that the fit has seen are no news: their times agree with it too well. Warns if they look like that.
    run_length : float
        Cases after which a chart, two-sided, signals on average though nothing has changed; 10 to 500,000.
    reference : float
        Half the shift, in standard deviations of one case, that charts of times are tuned to.
    inadequate : float
        Ratio to an experienced surgeon's time from which a learning surgeon's time counts as inadequate, above 1.
    unfinished_chance : float, optional
        Chance per case that morcellation is deferred or ends by another route. By default the share of the fit's own
        cases, which are in memory only while the fitted object is; else that chart is left out.
    draws : int
        For each case, 1,000 or more.
    seed : int

    Returns
    -------
    Monitoring

    Notes
    -----
    *Times.* Each recorded enucleation and finished morcellation, or the operative or theatre time of a case with
    neither, has a place u among its predictive draws and z = Phi^-1(u), standard normal if the model is right. Draws
    tell ``|z|`` up to 3.7 (of 4,096); z is cut at 3, so that a typing error alone is no signal. What the fit leaves
    uncertain moves all cases of a surgeon, and all of a unit, alike: the z of a small unit are correlated. How much,
    the draws tell, since draw d of every case shares parameters and surgeons; each z is then replaced by what
    is new in it given the z before (recursive residuals), which are independent. A change from the first case on is
    therefore seen as far as the fit was sure, a later one nearly in full. Tabular CUSUMs (Page 1954) of all cases, of
    each surgeon and, for morcellation and sums, of each device class and device code with five cases or more; a group
    that holds all cases has none of its own. After a signal a chart starts anew.

    *Events.* Risk-adjusted CUSUMs (Steiner 2000), tuned to odds doubled and to odds halved, of device faults and of
    unfinished morcellation, in all cases and by device class. The chance of each case is that of its device class in
    the model (unfinished: one for all, unless ``unfinished_chance`` is known), counted on with the cases before it.

    *Learning.* Surgeons who begin within five times the cases that halve the extra time of a first case: the
    learning-curve CUSUM (Biau and Porcher 2010) of their times against those of the unit's average experienced surgeon
    signals when they have become adequate. Its run length is that of a surgeon who is, and stays, ``inadequate`` times
    as slow.

    Average run lengths are those of independent values of a model that is right (Brook and Evans 1972); a model that is
    wrong in its spread signals more, or less, often.

    Raises InvalidArgument and InvalidData.

    Warns
    -----
    MonitorWarning
    """
    _check(run_length, reference, inadequate, unfinished_chance, draws)
    cases = cases if isinstance(cases, Cases) else read_cases(cases)
    series = _Series(model, cases, draws, seed)
    series.warn()
    charts = [*_time_charts(series, run_length, reference)]
    notes = list(series.notes)
    charts += _event_charts(series, run_length, unfinished_chance, notes)
    charts += _learning_charts(series, run_length, inadequate)
    return _collected(series, charts, notes)


def _check(run_length: float, reference: float, inadequate: float, unfinished_chance: float | None, draws: int) -> None:
    if not 10 <= run_length <= 500_000:
        raise _core.InvalidArgument(f"run_length must lie between 10 and 500,000 cases, not {run_length!r}")
    if not 0 < reference <= 2:
        raise _core.InvalidArgument(f"reference must be above 0 and at most 2, not {reference!r}")
    if not 1 < inadequate <= 3:
        raise _core.InvalidArgument(f"inadequate must be above 1 and at most 3, not {inadequate!r}")
    if unfinished_chance is not None and not 0 < unfinished_chance < 1:
        raise _core.InvalidArgument(f"unfinished_chance must lie strictly between 0 and 1, not {unfinished_chance!r}")
    if draws < 1000:
        raise _core.InvalidArgument(f"draws must be 1,000 or more, not {draws!r}")


@dataclass(frozen=True)
class _Chart:
    """One chart with its cases (positions in time order), its sums and what they signalled."""

    chart: str
    phase: str
    group_kind: str
    group: str
    at: Ints
    values: Doubles
    sums: dict[str, list[float]]  # by direction
    limits: dict[str, float]
    run_length: float
    signals: list[dict[str, object]]
    shared: float = math.nan
    cases_to_tell: float = math.nan
    can_be_false: bool = True


@dataclass(frozen=True)
class _Times:
    """One recorded time of the cases that have it: entries in time order."""

    at: Ints
    log_ratio: Doubles  # to the predictive median
    log_sd: Doubles  # of the draws
    z: Doubles
    draws: npt.NDArray[np.float32]  # standardised logs, cases x draws


class _Series:
    """The cases in order of time, with what the model said of each."""

    def __init__(self, model: TheatreTimeModel, cases: Cases, draws: int, seed: int) -> None:
        self.model, self.draws, self.seed = model, draws, seed
        self.fitted = model._fitted_or_prior()
        self.notes: list[str] = []
        self.case_index = self._order(cases)
        self.frame = cases.frame.iloc[self.case_index].reset_index(drop=True)
        self.table = cases.table.take(self.case_index)
        self.rows = cases.rows[self.case_index]
        self.case_id = self._names()
        self.surgeon = np.asarray(self.table.surgeon, dtype=str)
        self.last_case_no = {one["code"]: one["last_case_no"] for one in self.fitted.surgeons}
        self.case_no = self._numbers(cases)
        self.unfinished = np.isin(self.table.morcellation_outcome, ("deferred", "other_route"))
        blade, suction = (np.asarray(getattr(self.table, name), dtype=str) for name in ("blade", "suction"))
        known = (blade != "") & (suction != "")
        self.device_class = np.where(known, np.char.add(np.char.add(blade, "/"), suction), "")
        self.device = np.asarray(self.table.device, dtype=str)

    def __len__(self) -> int:
        return len(self.frame)

    def _order(self, cases: Cases) -> Ints:
        if "operated_on" not in cases.frame or cases.frame["operated_on"].isna().all():
            self.notes.append("The cases have no dates: taken in the order of their rows.")
            return np.arange(len(cases))
        dates = cases.frame["operated_on"].to_numpy("datetime64[s]")
        if blank := int(np.isnat(dates).sum()):
            self.notes.append(f"{blank} of {len(cases)} cases without a date: taken after all others.")
        return np.argsort(dates, kind="stable")

    def _names(self) -> list[str]:
        """case_id where every case has one of its own; else its row, which names the same draws in any company."""
        names = [str(one) for one in self.table.case_id]
        if all(names) and len(set(names)) == len(names):
            return names
        return [f"row {row}" for row in self.rows]

    def _numbers(self, cases: Cases) -> Doubles:
        """Case numbers; where a surgeon has none recorded they go on from the last that the fit knew."""
        numbers = np.array(self.table.surgeon_case_no, dtype=float)
        counted = cases.warnings["kind"] == "case_numbers_counted_from_file"
        for code in set(cases.warnings.loc[counted, "value"]) & set(self.last_case_no):
            numbers[self.surgeon == code] += self.last_case_no[code]
        return numbers

    def booked(self, **changed: object) -> Bookings:
        columns = {name: getattr(self.table, name) for name in KNOWN_AT_BOOKING}
        columns |= {"case_id": self.case_id, "surgeon_case_no": self.case_no, **changed}
        table = _core.CaseTable(**columns)
        return Bookings(self.frame[["gland_ml"]], table, pd.DataFrame({"row": []}))

    def recorded(self, time: str) -> Ints:
        """Positions of the cases whose time counts as this one."""
        there = {name: np.isfinite(np.asarray(getattr(self.table, f"{name}_min"))) for name in _TIMES}
        counts = there[time].copy()
        if _MORCELLATION in _TIMES[time]:
            counts &= ~self.unfinished
        if time == "operative":
            counts &= ~(there["enucleation"] | there["morcellation"])
        if time == "theatre":
            counts &= ~(there["enucleation"] | there["morcellation"] | there["operative"])
        return np.flatnonzero(counts)

    def times(self, bookings: Bookings, wanted: dict[str, Ints]) -> dict[str, _Times]:
        """Each recorded time against its draws. The same draw of all cases shares parameters and surgeons."""
        parts: dict[str, list[tuple[Doubles, ...]]] = {time: [] for time in wanted}
        needed = np.unique(np.concatenate([np.empty(0, np.intp), *wanted.values()]))
        for first in range(0, len(needed), _BLOCK):
            block = needed[first : first + _BLOCK]
            some = Bookings(bookings.frame.iloc[block], bookings.table.take(block), bookings.warnings)
            minutes = self.model.predict(some, draws=self.draws, seed=self.seed).draws
            for time, at in wanted.items():
                own = at[np.isin(at, block)]
                if not len(own):
                    continue
                logs = np.log(minutes[np.searchsorted(block, own)][:, :, _TIMES[time]].sum(axis=2))
                said = np.log(np.asarray(getattr(self.table, f"{time}_min"))[own])
                below = (logs < said[:, None]).sum(axis=1) + 0.5 * (logs == said[:, None]).sum(axis=1)
                low, middle, high = np.quantile(logs, [0.25, 0.5, 0.75], axis=1)
                few = logs[:, :_SHARED_DRAWS]
                few = (few - few.mean(axis=1, keepdims=True)) / few.std(axis=1, keepdims=True)
                z = ndtri((below + 0.5) / (self.draws + 1))
                parts[time].append((said - middle, (high - low) / 1.349, z, few.astype(np.float32)))
        joined = {
            time: [np.concatenate(column) for column in zip(*found, strict=True)] for time, found in parts.items()
        }
        return {time: _Times(wanted[time], *columns) for time, columns in joined.items() if columns}

    def groups(self, at: Ints, *, devices: bool) -> Iterator[tuple[str, str, Ints]]:
        """All of these cases, then those of each surgeon, class and device: kind, name and places in ``at``."""
        yield "all", "all", np.arange(len(at))
        kinds = {"surgeon": self.surgeon}
        if devices:
            kinds |= {"device class": self.device_class, "device": self.device}
        for kind, codes in kinds.items():
            own = codes[at]
            for code in sorted(set(own) - {""}):
                of_group = np.flatnonzero(own == code)
                if _FEWEST_CASES <= len(of_group) < len(at):
                    yield kind, code, of_group

    def warn(self) -> None:
        if self._seen():
            warnings.warn(
                "these cases look like those that the model was fitted to: the fit has followed them, so a change "
                "among them is seen late or not at all. Monitor the cases that came after the fit.",
                MonitorWarning,
                stacklevel=3,
            )

    def _seen(self) -> bool:
        history = getattr(self.model, "_history", None)
        if history is not None:
            return 2 * len(_rows(self.table) & _rows(history)) > len(self)
        if self.fitted.n_cases == len(self) and self.fitted.gland_ml[0] == min(self.table.gland_ml):
            return True
        last = np.array([self.last_case_no.get(code, math.nan) for code in self.surgeon])
        known = np.isfinite(last) & np.isfinite(self.case_no)
        return bool(known.any() and np.mean(self.case_no[known] <= last[known]) > 0.5)


def _rows(table: _core.CaseTable) -> set[tuple[object, ...]]:
    names = ["gland_ml", "surgeon", "tissue_g", *(f"{time}_min" for time in _TIMES)]
    columns = [[str(value) for value in getattr(table, name)] for name in names]
    return set(zip(*columns, strict=True))


# --- times -------------------------------------------------------------------------------------------------------


def _time_charts(series: _Series, run_length: float, reference: float) -> Iterator[_Chart]:
    wanted = {time: series.recorded(time) for time in _TIMES}
    found = series.times(series.booked(), wanted)
    limit = _core.normal_limit(2 * run_length, reference=reference, winsor=_WINSOR)
    for time, times in found.items():
        for kind, name, places in series.groups(times.at, devices=time != "enucleation"):
            if len(places) >= _FEWEST_CASES:
                yield _time_chart(series, time, times, (kind, name), places, limit, run_length, reference)


def _time_chart(
    series: _Series,
    time: str,
    times: _Times,
    group: tuple[str, str],
    places: Ints,
    limit: float,
    run_length: float,
    reference: float,
) -> _Chart:
    at = times.at[places]
    surgeons = np.unique(series.surgeon[at], return_inverse=True)[1]
    all_share, group_share = _shared(times.draws[places], surgeons)
    z = np.clip(times.z[places], -_WINSOR, _WINSOR)
    new: Doubles = np.clip(
        _core.innovations(z, surgeons, all_share=all_share, group_share=group_share)[0], -_WINSOR, _WINSOR
    )
    sums: dict[str, list[float]] = {}
    signals = []
    for direction in ("slower", "faster"):
        scores = _core.tabular_scores(new, target=0.0, reference=reference, up=direction == "slower")
        sums[direction], told = _core.cusum(scores, limit)
        for where, since in told:
            span = np.arange(since, where + 1)
            before = z.copy()
            before[since:] = np.nan
            _, expected, sd = _core.innovations(before, surgeons, all_share=all_share, group_share=group_share)
            own = 1.0 - all_share - group_share
            unsure = float(np.mean(np.square(np.asarray(sd)[span]))) - own
            shift = float(np.mean(z[span] - np.asarray(expected)[span]))
            half = 1.96 * math.sqrt(own / len(span) + max(unsure, 0.0))
            log_sd = float(np.mean(times.log_sd[places][span]))
            change = [100 * math.expm1(log_sd * one) for one in (shift, shift - half, shift + half)]
            signals.append(_signal(direction, at, where, since, change))
    typical = float(np.median(times.log_sd[places])) * math.sqrt(1.0 - all_share - group_share)
    tell = _core.normal_run_length(limit, reference=reference, mean=math.log(_SHIFT) / typical, winsor=_WINSOR)
    limits = dict.fromkeys(sums, limit)
    return _Chart(
        "time", time, *group, at, new, sums, limits, run_length, signals, all_share + group_share, cases_to_tell=tell
    )


def _signal(direction: str, at: Ints, where: int, since: int, change: list[float]) -> dict[str, object]:
    percent, lower, upper = change
    return {
        "direction": direction,
        "at": int(at[where]),
        "since": int(at[since]),
        "n_since": where - since + 1,
        "change_percent": percent,
        "lower": lower,
        "upper": upper,
    }


def _shared(draws: npt.NDArray[np.float32], group: Ints) -> tuple[float, float]:
    """Share of predictive variance common to all cases, and the further share common to a surgeon's.

    Mean correlations between draws of different cases: of different surgeons, and of one.
    """
    sizes = np.bincount(group).astype(float)
    sums = np.stack([draws[group == g].sum(axis=0, dtype=float) for g in range(len(sizes))])
    of_groups, of_all = sums.var(axis=1), float(sums.sum(axis=0).var())
    pairs_within, pairs_across = float((sizes * (sizes - 1)).sum()), float(sizes.sum() ** 2 - (sizes**2).sum())
    within = float((of_groups - sizes).sum()) / pairs_within if pairs_within else math.nan
    across = (of_all - float(of_groups.sum())) / pairs_across if pairs_across else within
    if not pairs_within:
        within = across
    across = min(max(across, 0.0), _MOST_SHARED)
    within = min(max(within, across), _MOST_SHARED)
    return across, within - across


# --- events ------------------------------------------------------------------------------------------------------


def _event_charts(
    series: _Series, run_length: float, unfinished_chance: float | None, notes: list[str]
) -> Iterator[_Chart]:
    counts = series.fitted.fault_counts
    faults = np.asarray(series.table.device_fault)
    known = np.array([name if name in counts else "other" for name in series.device_class])
    before = {name: counts[name] for name in set(known) & set(counts)}
    yield from _charts_of_event(series, "device_fault", faults, _chances(faults, known, before), run_length)

    if "morcellation_outcome" not in series.frame:
        return
    came = series.unfinished.astype(float)
    if unfinished_chance is not None:
        chances = np.full(len(series), unfinished_chance)
    elif (history := getattr(series.model, "_history", None)) is not None:
        ended = np.isin(history.morcellation_outcome, ("deferred", "other_route"))
        whole = np.full(len(series), "all")
        chances = _chances(came, whole, {"all": (ended.sum() + 0.5, len(ended) + 1.0)})
    else:
        notes.append(
            "No chart of unfinished morcellations: the model does not hold how many are usual; give unfinished_chance."
        )
        return
    yield from _charts_of_event(series, "unfinished", came, chances, run_length)


def _chances(came: Doubles, kind: npt.NDArray[np.str_], before: Mapping[str, tuple[float, float]]) -> Doubles:
    """Chance of the event in each case from what came before: events / cases of the fit, prior included, and since.

    The mean of the Beta law of a rate that is not known for sure, as the recursive residuals are for times.
    """
    chances = np.full(len(came), math.nan)
    for name, (events, cases) in before.items():
        of_kind = np.flatnonzero((kind == name) & np.isfinite(came))
        earlier = np.cumsum(came[of_kind]) - came[of_kind]
        chances[of_kind] = (events + earlier) / (cases + np.arange(len(of_kind)))
    return chances


def _mix(chances: Doubles) -> Doubles:
    """Few chances that stand for many, for run lengths."""
    parts = np.array_split(np.sort(chances), min(_MIX, len(chances)))
    return np.array([part.mean() for part in parts])


def _charts_of_event(
    series: _Series, event: str, came: Doubles, chances: Doubles, run_length: float
) -> Iterator[_Chart]:
    at = np.flatnonzero(np.isfinite(came) & (chances > 0) & (chances < 1))
    for kind, name, places in series.groups(at, devices=True):
        if kind != "surgeon" and len(places) >= _FEWEST_CASES:
            own = at[places]
            yield _event_chart(event, (kind, name), own, came[own] > 0, chances[own], run_length)


def _event_chart(
    event: str, group: tuple[str, str], at: Ints, came: npt.NDArray[np.bool_], chances: Doubles, run_length: float
) -> _Chart:
    mix, rate = _mix(chances), 0.0
    sums: dict[str, list[float]] = {}
    limits, signals = {}, []
    for direction, odds_ratio in (("more", _ODDS_RATIO), ("fewer", 1 / _ODDS_RATIO)):
        limits[direction] = _core.event_limit(mix, 2 * run_length, odds_ratio=odds_ratio)
        rate += 1.0 / _core.event_run_length(mix, limits[direction], odds_ratio=odds_ratio)
        scores = _core.risk_adjusted_scores(chances, came.tolist(), odds_ratio=odds_ratio)
        sums[direction], told = _core.cusum(scores, limits[direction])
        for where, since in told:
            span = slice(since, where + 1)
            count, expected = int(came[span].sum()), float(chances[span].sum())
            # Exact interval of a Poisson count (Garwood, Biometrika 1936;28:437).
            low = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
            high = stats.chi2.ppf(0.975, 2 * count + 2) / 2
            change = [100 * (one / expected - 1) for one in (count, low, high)]
            signals.append(_signal(direction, at, where, since, change))
    tell = _core.event_run_length(mix, limits["more"], odds_ratio=_ODDS_RATIO, true_odds_ratio=_ODDS_RATIO)
    values = came - chances
    return _Chart("event", event, *group, at, values, sums, limits, 1.0 / rate, signals, cases_to_tell=tell)


# --- learning ----------------------------------------------------------------------------------------------------


def _learning_charts(series: _Series, run_length: float, inadequate: float) -> Iterator[_Chart]:
    half = {name: row["estimate"] for row in series.fitted.parameter_rows() if (name := row["name"]).endswith("_half")}
    learners = []
    for code in sorted(set(series.surgeon) - {""}):
        numbers = series.case_no[series.surgeon == code]
        first = np.nanmin(numbers) if np.isfinite(numbers).any() else math.inf
        if first <= _HALVES_TO_PLATEAU * max(half.values()):
            learners.append(code)
    n = len(series)
    experienced = series.booked(surgeon=[""] * n, surgeon_case_no=np.full(n, _EXPERIENCED))
    of_learners = np.flatnonzero(np.isin(series.surgeon, learners))
    wanted = {time: np.intersect1d(series.recorded(time), of_learners) for time in ("enucleation", "morcellation")}
    for time, times in series.times(experienced, wanted).items():
        for code in learners:
            places = np.flatnonzero(series.surgeon[times.at] == code)
            if len(places) >= _FEWEST_CASES:
                yield _learning_chart(time, times, code, places, run_length, inadequate)


def _learning_chart(time: str, times: _Times, code: str, places: Ints, run_length: float, inadequate: float) -> _Chart:
    # What the draws of all cases share, the spread between surgeons included, is no part of one case's spread.
    shared = sum(_shared(times.draws[places], np.zeros(len(places), np.intp)))
    log_sd = float(np.median(times.log_sd[places])) * math.sqrt(1.0 - shared)
    threshold = math.log(inadequate) / log_sd
    z = np.clip(times.log_ratio[places] / log_sd, threshold - _WINSOR, threshold + _WINSOR)
    limit = _core.normal_limit(run_length, reference=0.5 * threshold, winsor=_WINSOR)
    sums, told = _core.cusum(_core.learning_curve_scores(z, inadequate=threshold), limit)
    at, signals = times.at[places], []
    if told:
        where, since = told[0]
        span = times.log_ratio[places][since : where + 1]
        half = 1.96 * log_sd / math.sqrt(len(span))
        centre = log_sd * float(np.mean(z[since : where + 1]))
        change = [100 * math.expm1(one) for one in (centre, centre - half, centre + half)]
        signals.append(_signal("adequate", at, where, since, change))
        at, z, sums = at[: where + 1], z[: where + 1], sums[: where + 1]
    tell = _core.normal_run_length(limit, reference=0.5 * threshold, mean=threshold, winsor=_WINSOR)
    return _Chart(
        "learning curve",
        time,
        "surgeon",
        code,
        at,
        z,
        {"adequate": sums},
        {"adequate": limit},
        run_length,
        signals,
        shared,
        tell,
        can_be_false=False,
    )


# --- the result --------------------------------------------------------------------------------------------------

_SIGNAL_COLUMNS = [
    *("chart", "phase", "group_kind", "group", "direction", "case_index", "row", "case_id", "operated_on"),
    *("since_case_index", "since_case_id", "since", "n_since", "change_percent", "lower", "upper", "run_length"),
]


@dataclass(frozen=True, repr=False, eq=False)
class Monitoring:
    """What charts say of cases after the fit. Made by :func:`monitor`, which says what each chart is.

    Attributes
    ----------
    signals : pandas.DataFrame
        One row a signal, in order of time: chart ("time", "event" or "learning curve"), phase (or event), group_kind
        ("all", "surgeon", "device class", "device"), group, direction ("slower", "faster", "more", "fewer",
        "adequate"), case_index (position in the cases given, from 0), row (of
        their file, the heading being row 1), case_id, operated_on; since_case_index, since_case_id,
        since (the case from which on, by the chart), n_since (cases of the chart between); change_percent with its 95 %
        interval lower, upper: of the time against what was expected, of the number of events against the expected, or
        of a learner's time against the experienced surgeon's; run_length. A signal comes where the run is at its
        most extreme, so its change is overstated, most where n_since is small.
    charts : pandas.DataFrame
        One row a chart, case and direction: value (z; for events 1 or 0 less the chance), sum, limit.
    limits : pandas.DataFrame
        One row a chart: n cases; limit_rise (of slower, more, adequate) and limit_fall (of faster, fewer); run_length
        (cases between signals while nothing has changed; of a learning-curve chart while the surgeon stays inadequate);
        cases_to_tell (average until a time 20 % longer, doubled odds of an event, or a surgeon who is adequate is told,
        once the chart knows its level); shared (share of predictive variance that the cases have in common).
    n_cases : int
    false_per_100 : float
        Signals to expect per 100 cases, of times and events, all charts together, though nothing has changed.
    notes : list of str
    """

    signals: pd.DataFrame
    charts: pd.DataFrame
    limits: pd.DataFrame
    n_cases: int
    false_per_100: float
    notes: list[str]

    def __repr__(self) -> str:
        return f"<Monitoring of {self.n_cases} cases: {len(self.limits)} charts, {len(self.signals)} signals>"

    def summary(self) -> str:
        """The signals in words, what they are worth, and the caution."""
        return "\n".join([*self.head(), "", *self.sentences(), "", *self.worth(), "", CAUTION])

    def head(self) -> list[str]:
        """What was monitored."""
        counts = ", ".join(
            f"{n} of {_CHART_WORDS[str(kind)]}" for kind, n in self.limits["chart"].value_counts().items()
        )
        charts = f"{len(self.limits)} charts ({counts})" if counts else "no chart: too few recorded times"
        return [f"{self.n_cases} cases monitored with {charts}."]

    def sentences(self) -> list[str]:
        """One a signal."""
        if self.signals.empty:
            return ["No signal."]
        return [_sentence(row) for row in self.signals.to_dict("records")]

    def worth(self) -> list[str]:
        """How often such signals come by themselves, and what else to bear in mind."""
        said = [
            f"Without any change, expect {self.false_per_100:.2g} false signals of times and events per 100 cases from "
            "all charts together.",
            "A signal says: look. It does not say why; a change of case mix, of recording or of staff looks the same, "
            "and one change can signal on several charts. Its size is overstated, most where few cases carry it.",
        ]
        return said + self.notes

    def display(self, phase: str, group: str = "all", chart: str = "time") -> CusumDisplay:
        """One chart, to plot."""
        columns = ["chart", "phase", "group"]
        chosen = self.charts[(self.charts[columns] == [chart, phase, group]).all(axis=1)]
        if chosen.empty:
            known = "; ".join(" ".join(row) for row in self.limits[columns].to_numpy())
            raise _core.InvalidArgument(f"no {chart} chart of {phase}, {group}; there are: {known}")
        rows = (self.signals[columns] == [chart, phase, group]).all(axis=1)
        return CusumDisplay(chosen, self.signals[rows], f"{_what(chart, phase)}: {group}", caution=CAUTION)


_CHART_WORDS = {"time": "times", "event": "events", "learning curve": "learning curves"}


def _what(chart: str, phase: str) -> str:
    words = _EVENT_WORDS.get(phase, f"{phase} time")
    return f"{words}, learning curve" if chart == "learning curve" else words


def _sentence(row: Mapping[Any, Any]) -> str:
    who = "all cases" if row["group_kind"] == "all" else f"{row['group_kind']} {row['group']}"
    size = f"{row['change_percent']:+.0f} % (95 % interval {row['lower']:+.0f} to {row['upper']:+.0f} %)"
    since = f"since case {row['since_case_id']}{_on(row['since'])}"
    told = f"told at case {row['case_id']}{_on(row['operated_on'])}"
    if row["chart"] == "learning curve":
        return (
            f"{who}, {row['phase']}: adequate, {size} against the unit's experienced surgeons {since}, {told}. A "
            f"surgeon who stays inadequate is called adequate once in {row['run_length']:,.0f} cases."
        )
    what = (
        f"{_EVENT_WORDS[str(row['phase'])]}: {row['direction']}"
        if row["chart"] == "event"
        else (f"{row['phase']}: {row['direction']}")
    )
    return (
        f"{who}, {what}, {size} {since}, {told}. Without a change this chart signals once in {row['run_length']:,.0f} "
        "cases."
    )


def _on(date: object) -> str:
    return "" if date is None or pd.isna(date) else f" ({pd.Timestamp(date):%Y-%m-%d})"  # type: ignore[call-overload,arg-type]


def _collected(series: _Series, charts: list[_Chart], notes: list[str]) -> Monitoring:
    n = len(series)
    dates = series.frame["operated_on"] if "operated_on" in series.frame else pd.Series([pd.NaT] * n)
    dates = pd.to_datetime(dates)
    signals: list[tuple[int, dict[str, object]]] = []
    limits: list[dict[str, object]] = []
    long = []
    for one in charts:
        names: dict[str, Any] = {
            "chart": one.chart,
            "phase": one.phase,
            "group_kind": one.group_kind,
            "group": one.group,
        }
        for told in one.signals:
            at, since = int(told["at"]), int(told["since"])  # type: ignore[call-overload]
            where = {
                "case_index": int(series.case_index[at]),
                "row": int(series.rows[at]),
                "case_id": series.case_id[at],
                "operated_on": dates[at],
                "since_case_index": int(series.case_index[since]),
                "since_case_id": series.case_id[since],
                "since": dates[since],
            }
            signals.append((at, {**names, **told, **where, "run_length": one.run_length}))
        tell = {"run_length": one.run_length, "cases_to_tell": one.cases_to_tell, "shared": one.shared}
        rise, fall = [*one.limits.values(), math.nan][:2]
        limits.append({**names, "n": len(one.at), "limit_rise": rise, "limit_fall": fall, **tell})
        for direction, sums in one.sums.items():
            rows = pd.DataFrame({"case_index": series.case_index[one.at], "case_id": np.array(series.case_id)[one.at]})
            rows = rows.assign(operated_on=dates[one.at].to_numpy(), value=one.values, direction=direction, sum=sums)
            long.append(rows.assign(limit=one.limits[direction], **names))
    signals.sort(key=lambda pair: pair[0])
    false = sum(100.0 * len(one.at) / n / one.run_length for one in charts if one.can_be_false)
    limit_columns = ["chart", "phase", "group_kind", "group", "n", "limit_rise", "limit_fall"]
    limit_columns += ["run_length", "cases_to_tell", "shared"]
    long_columns = ["chart", "phase", "group_kind", "group", "direction", "case_index", "case_id", "operated_on"]
    long_columns += ["value", "sum", "limit"]
    return Monitoring(
        pd.DataFrame([row for _, row in signals], columns=_SIGNAL_COLUMNS),
        pd.concat(long, ignore_index=True)[long_columns] if long else pd.DataFrame(columns=long_columns),
        pd.DataFrame(limits, columns=limit_columns),
        n,
        false,
        notes,
    )
