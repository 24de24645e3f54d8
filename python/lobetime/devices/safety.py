"""Wall injuries and device malfunctions by device class: what is known, how little, and what it costs in minutes."""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats
from scipy.special import expit, logit, xlog1py, xlogy

from .. import _core
from ..cases import Cases, read_cases
from ..caution import CAUTION
from ..evidence import PublishedPrior, pool_rates, published_prior
from ..model import TheatreTimeModel
from ..plain import plain
from ..reading import Source
from ..tables import as_pandas
from ._saying import chance_words, spread_words
from .words import class_names

if TYPE_CHECKING:
    from ..tables import Table

Doubles = npt.NDArray[np.float64]

EVENTS = ("wall_injury", "malfunction")

STUDIES_SAID = ("none", "one", "two", "over ten")
"""How many studies common practice says there are, least first; it names none, so this counts for no grade."""

COMMON_PRACTICE = "common practice"
_LEVEL = 0.90
_DRAWS = 4000
_Z = float(stats.norm.ppf(0.5 + _LEVEL / 2))
_ANY = "any"
_GRID = 2001
_SAID = (("over ten", "over ten"), ("two studies", "two"), ("one trial", "one"), ("one study", "one"))
_EXTRA_COLUMNS = ("class", "event", "events", "cases", "source", "design")
_OWN_COLUMNS = ("class", "event", "events", "cases")


@dataclass(frozen=True)
class _Chance:
    """One class's chance of one event in this unit: its density over a grid of logits; none = unknown."""

    logit: Doubles
    weight: Doubles

    @property
    def known(self) -> bool:
        return len(self.logit) > 0

    def quantile(self, p: float | Doubles) -> Doubles:
        below = np.cumsum(self.weight) - 0.5 * self.weight
        return np.asarray(expit(np.interp(p, below, self.logit)))


@dataclass(frozen=True, repr=False, eq=False)
class Safety:
    """Rates by device class. Made by :func:`device_safety`, which says what each number is.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a class and event, most evidence first. ``class``, ``event``, ``estimate``, ``lower``, ``upper`` (chance
        a case; 90 % interval of this unit's own chance; unknown: no estimate, 0 to 1), ``own_events``, ``own_cases``,
        ``studies`` (with a source), ``studies_said`` (ordered: none < one < two < over ten; by common practice, without
        a source), ``cases``, ``events`` (behind the pooled chance), ``per_1000``, ``per_1000_lower``,
        ``per_1000_upper`` (expected), and with cases_per_year ``per_year`` (expected), ``per_year_lower``,
        ``per_year_upper`` (numbers that 90 % of years stay between, luck included); ``grade``, ``reasons``, ``method``,
        ``sources``, ``origin``.
    minutes_lost : pandas.DataFrame
        One row a class: expected minutes lost to malfunctions, chance times delay, per_100_cases and per_year: median,
        mean, lower and upper of what is not known of it (90 %); ``origin`` of the delay. Blank where unknown.
    studies : pandas.DataFrame
        What is behind it, one row a count: class, event, kind ("study", "common practice", "own cases"), source,
        design, events, cases, rate, lower, upper (95 % Clopper-Pearson; of common practice on the cases it is taken
        for, an assumption).
    methods : pandas.DataFrame
        Where several counts are pooled, how the method matters: index (class, event, method): rate.
    context : pandas.DataFrame
        Pooled rates of no class in particular.
    """

    table: pd.DataFrame
    minutes_lost: pd.DataFrame
    studies: pd.DataFrame
    methods: pd.DataFrame
    context: pd.DataFrame
    cases_per_year: float | None
    notes: tuple[str, ...]
    caution: str = CAUTION
    chances: dict[tuple[str, str], _Chance] = field(repr=False, default_factory=dict)

    @property
    def classes(self) -> list[str]:
        return sorted({name for _, name in self.chances})

    def draws(self, n: int, seed: int = 1) -> dict[str, dict[str, Doubles]]:
        """Chances drawn from what is known: event -> class -> n values, NaN where the class is unknown.

        A class's draws depend on (seed, event, class) alone, so that another class beside it changes nothing.
        """
        if n < 1:
            raise _core.InvalidArgument(f"draws: n must be 1 or more, not {n!r}")
        out: dict[str, dict[str, Doubles]] = {event: {} for event in EVENTS}
        for (event, name), chance in self.chances.items():
            out[event][name] = _draw(chance, n, seed, event, name)
        return out

    def __repr__(self) -> str:
        unknown = self.table.loc[self.table["grade"] == "unknown", "class"].unique()
        told = f", unknown: {', '.join(unknown)}" if len(unknown) else ""
        return f"<Safety of {len(self.classes)} device classes{told}>"

    def __str__(self) -> str:
        t = self.table
        shown = pd.DataFrame(
            {
                "class": t["class"],
                "event": t["event"].str.replace("_", " "),
                "chance": [
                    spread_words(*ends, chance_words)
                    for ends in zip(t["estimate"], t["lower"], t["upper"], strict=True)
                ],
                "per 1,000": self.ranges("per_1000"),
            }
        )
        if self.cases_per_year is not None:
            shown["a year"] = self.ranges("per_year")
        shown["own"] = self.own_words()
        shown["studies"] = self.studies_words()
        shown["grade"] = t["grade"]
        shown["origin"] = t["origin"]
        parts = [
            "Wall injury and malfunction by device class: the chance in this unit, 90 % interval\n"
            + shown.to_string(index=False),
            "studies: with a source; how many are said to be by common practice, which names none. "
            "unknown: no studies and no cases of one's own; it may be anything.",
            f"Expected minutes lost to malfunctions, chance times delay; {self.delay_words()}\n"
            + self.minutes_lost_words().to_string(),
        ]
        if len(self.context):
            told = "; ".join(
                f"{row['event'].replace('_', ' ')} {chance_words(row['estimate'])}: {row['sources']}"
                for row in self.context.to_dict("records")
            )
            parts.append(f"Of no class in particular: {told}")
        parts += [f"Note: {one}" for one in self.notes]
        return "\n\n".join([*parts, self.caution])

    def to_dict(self) -> dict[str, Any]:
        """Everything said, in types that JSON holds; what is unknown is None."""
        return {
            "table": plain(self.table),
            "minutes_lost": plain(self.minutes_lost.reset_index()),
            "studies": plain(self.studies),
            "methods": plain(self.methods.reset_index()),
            "context": plain(self.context),
            "cases_per_year": self.cases_per_year,
            "notes": list(self.notes),
            "caution": self.caution,
        }

    def own_words(self) -> list[str]:
        """Own events of own cases, a text a row of ``table``."""
        return [f"{row['own_events']:g} of {row['own_cases']:g}" for row in self.table.to_dict("records")]

    def studies_words(self) -> list[str]:
        """How many studies have a source, and how many are said to be; a text a row of ``table``."""
        return [f"{row['studies']} (said: {row['studies_said']})" for row in self.table.to_dict("records")]

    def minutes_lost_words(self) -> pd.DataFrame:
        """Minutes lost in words, mean (90 % interval): "per 100 cases" and, where known, "a year", one row a class."""
        stems = {"per 100 cases": "per_100_cases"}
        if self.cases_per_year is not None:
            stems["a year"] = "per_year"
        lost = self.minutes_lost
        words = {}
        for heading, stem in stems.items():
            ends = zip(*(lost[f"{stem}_{end}"] for end in ("mean", "lower", "upper")), strict=True)
            words[heading] = ["unknown" if math.isnan(one[0]) else spread_words(*one) for one in ends]
        return pd.DataFrame(words, index=lost.index)

    def delay_words(self) -> str:
        """Where the minutes of a malfunction come from."""
        return "delay of one: " + ", ".join(self.minutes_lost["origin"].unique())

    def ranges(self, stem: str) -> list[str]:
        """ "per_1000" or "per_year" in words, estimate (low to high), a text a row of ``table``."""
        t = self.table
        return [spread_words(*ends) for ends in zip(t[stem], t[f"{stem}_lower"], t[f"{stem}_upper"], strict=True)]


def device_safety(
    cases: Cases | Source | None = None,
    classes: Sequence[str] | None = None,
    *,
    extra: Table | None = None,
    own: Table | None = None,
    cases_per_year: float | None = None,
    model: TheatreTimeModel | None = None,
    draws: int = _DRAWS,
    seed: int = 1,
) -> Safety:
    """What is known of wall injuries and malfunctions, by device class, for this unit.

    Parameters
    ----------
    cases : Cases, path or pandas.DataFrame, optional
        The unit's history: recorded ``device_fault`` by class is counted as malfunctions. Blank is not recorded.
    classes : sequence of str, optional
        By default every class that the package's evidence, ``cases``, ``extra`` or ``own`` names.
    extra : pandas.DataFrame, optional
        Studies to add: class, event (wall_injury or malfunction), events, cases, source, and design if known
        ("randomised" counts for the grade).
    own : pandas.DataFrame, optional
        The unit's own counts, which a history cannot hold or does not: class, event, events, cases.
    cases_per_year : float, optional
    model : TheatreTimeModel, optional
        Its ``fault_min`` is the delay of a malfunction; by default that of the published prior, an assumption.
    draws, seed : int
        Behind the intervals of years and minutes.

    Notes
    -----
    Studies and the package's rows of a class are pooled by :func:`lobetime.pool_rates` (binomial-normal model), whose
    90 % prediction interval says where a new unit's own chance lies. Here that is a normal of the logit with these
    limits; own counts multiply it by their binomial likelihood, so that they count the more the less was known. A class
    with own counts only starts from Jeffreys' Beta(1/2, 1/2). A class with neither is *unknown*: no estimate, and any
    chance from 0 to 1. ``estimate`` is the pooled chance without own counts, and the median with them. (The time model
    keeps each chance as events of cases, a Beta of the same spread of the logit about the pooled chance: after the same
    own counts it may lie somewhat lower than the median here, within the interval.)

    What common practice says has no source: it is taken for 200 cases where well over ten studies are said to agree,
    for 40 where two are, for 30 where one is (assumption). It stays in the pooling beside studies with a source, as one
    more count of that size, and ``origin`` says so. The grade is "very low" until studies with a source are given. The
    grade is that of the sourced studies alone, by the rules of :class:`lobetime.PublishedPrior`. Own counts raise no
    grade: they speak of this unit only, and the interval shows what they say.

    Minutes lost are chance times delay; the two are drawn independently, for the delay is learnt from the minutes of
    the cases with a fault and the chance from their number.

    Raises
    ------
    InvalidArgument
        Every problem of the arguments: row, column, value, what is allowed.
    InvalidData
        Of the cases.
    """
    extra = None if extra is None else as_pandas(extra, f"extra, with {', '.join(_EXTRA_COLUMNS)},")
    own = None if own is None else as_pandas(own, f"own, with {', '.join(_OWN_COLUMNS)},")
    problems = _frame_problems("extra", extra, _EXTRA_COLUMNS, required=("class", "event", "events", "cases", "source"))
    problems += _frame_problems("own", own, _OWN_COLUMNS, required=_OWN_COLUMNS)
    if cases_per_year is not None and not (math.isfinite(cases_per_year) and cases_per_year > 0):
        problems.append(f"cases_per_year must be above 0, not {cases_per_year!r}")
    if isinstance(classes, str) or (classes is not None and not (classes and all(isinstance(c, str) for c in classes))):
        problems.append(f"classes must hold names of classes, not {classes!r}")
    if draws < 100:
        problems.append(f"draws must be 100 or more, not {draws!r}")
    if problems:
        raise _core.InvalidArgument("device_safety: " + "; ".join(problems))

    history, notes = _faults_of(cases)
    counts = _own_counts(history, own)
    shipped, context = _shipped()
    studies = pd.concat([shipped, _as_studies(extra)], ignore_index=True)
    named = [*shipped["class"], *(name for name, _ in counts), *([] if extra is None else extra["class"].astype(str))]
    wanted = list(dict.fromkeys(named if classes is None else classes))
    unasked = sorted({str(n) for frame in (extra, own) if frame is not None for n in frame["class"]} - set(wanted))
    if unasked:
        notes.append(f"counts were given of classes that were not asked for: {', '.join(unasked)}")
    rows: list[dict[str, Any]] = []
    chances: dict[tuple[str, str], _Chance] = {}
    methods: dict[tuple[str, str, str], float] = {}
    for name in wanted:
        for event in EVENTS:
            behind = studies[(studies["class"] == name) & (studies["event"] == event)]
            own_counts = counts.get((name, event), (0.0, 0.0))
            row, chance, compared = _one(name, event, behind, own_counts)
            chances[event, name] = chance
            rows.append(row | _expected(chance, row, cases_per_year, draws, seed, event, name))
            methods |= compared
    table = _ordered(pd.DataFrame(rows))
    if cases_per_year is None:
        table = table.drop(columns=[column for column in table if str(column).startswith("per_year")])
    return Safety(
        table=table,
        minutes_lost=_minutes_lost(wanted, chances, model, cases_per_year, draws, seed),
        studies=_with_limits(pd.concat([studies, _as_own_studies(counts)], ignore_index=True), wanted),
        methods=pd.DataFrame(
            {"rate": list(methods.values())},
            index=pd.MultiIndex.from_tuples(list(methods), names=["class", "event", "method"]),
        ),
        context=context.copy(),
        cases_per_year=cases_per_year,
        notes=tuple(notes),
        chances=chances,
    )


def with_variants(classes: Iterable[str]) -> list[str]:
    """The classes, and those of the package's evidence that part one of them ("oscillating/vacuum, newer")."""
    wanted = list(dict.fromkeys(classes))
    known = dict.fromkeys(_shipped()[0]["class"])
    return [*wanted, *(name for name in known if name not in wanted and name.partition(",")[0] in wanted)]


# ------------------------------------------------------------------------------------------------------- counts


def _frame_problems(
    which: str, frame: pd.DataFrame | None, known: Sequence[str], *, required: Sequence[str]
) -> list[str]:
    if frame is None:
        return []
    problems = [f"{which}: unknown column {name}; allowed: {', '.join(known)}" for name in frame if name not in known]
    problems += [f"{which}: column {name} is missing" for name in required if name not in frame]
    if problems:
        return problems
    for position, row in enumerate(frame.to_dict("records"), start=1):
        where = f"{which}, row {position}"
        for column in (name for name in ("class", "source") if name in required):
            if not isinstance(row[column], str) or not row[column].strip():
                problems.append(f"{where}, column {column}: {row[column]!r}; allowed: a text")
        if row["event"] not in EVENTS:
            problems.append(f"{where}, column event: {row['event']!r}; allowed: {', '.join(EVENTS)}")
        try:
            events, cases = float(row["events"]), float(row["cases"])
        except (TypeError, ValueError):
            problems.append(f"{where}: events {row['events']!r} of cases {row['cases']!r}; allowed: numbers")
            continue
        if not (math.isfinite(cases) and cases > 0):
            problems.append(f"{where}, column cases: {row['cases']!r}; allowed: above 0")
        elif not 0 <= events <= cases:
            problems.append(f"{where}, column events: {row['events']!r}; allowed: 0 to the {cases:g} cases")
    return problems


def _faults_of(cases: Cases | Source | None) -> tuple[dict[tuple[str, str], tuple[float, float]], list[str]]:
    """Recorded device faults by class, and what has to be said of them."""
    if cases is None:
        return {}, []
    cases = cases if isinstance(cases, Cases) else read_cases(cases)
    frame = cases.frame
    if "device_fault" not in frame or frame["device_fault"].isna().all():
        return {}, ["the history records no device_fault: malfunctions of one's own cases are not counted"]
    if (frame["device_fault"].dropna() == 1).all():
        return {}, [
            "device_fault is 1 or blank in every case of the history: blanks may be cases without a fault, so that no "
            "chance can be counted; record 0 where there was none"
        ]
    notes = []
    there = frame["device_fault"].notna()
    names = class_names(frame) if {"blade", "suction"} <= set(frame) else pd.Series("", index=frame.index)
    blank = names == ""
    if (there & blank).any():
        notes.append(f"{int((there & blank).sum())} cases with device_fault but no blade or suction are not counted")
    found = frame[there & ~blank]
    counted = found["device_fault"].astype(float).groupby(names[found.index]).agg(["sum", "size"])
    return {(str(name), "malfunction"): (float(e), float(n)) for name, (e, n) in counted.iterrows()}, notes


def _own_counts(
    history: Mapping[tuple[str, str], tuple[float, float]], own: pd.DataFrame | None
) -> dict[tuple[str, str], tuple[float, float]]:
    counts = dict(history)
    if own is None:
        return counts
    added = own.assign(events=own["events"].astype(float), cases=own["cases"].astype(float))
    for one in (
        added.groupby(["class", "event"], sort=False)[["events", "cases"]].sum().reset_index().to_dict("records")
    ):
        name, event = str(one["class"]), str(one["event"])
        if (name, event) in history:
            raise _core.InvalidArgument(
                f"device_safety: own has {event} of {name}, which the history's device_fault counts already: give one"
            )
        counts[name, event] = (float(one["events"]), float(one["cases"]))
    return counts


@cache
def _shipped() -> tuple[pd.DataFrame, pd.DataFrame]:
    """The package's evidence: rows of classes as counts, and pooled rates of no class in particular."""
    pooled = PublishedPrior().pooled
    rows, context = [], []
    for name, row in pooled.iterrows():
        event, _, rest = str(name).partition("[")
        device_class = rest.rstrip("]")
        if event not in EVENTS or not device_class:
            continue
        if device_class == _ANY:
            context.append({"event": event} | row[["estimate", "lower", "upper", "grade", "sources"]].to_dict())
            continue
        rows.append(
            {
                "class": device_class,
                "event": event,
                "kind": COMMON_PRACTICE if row["studies"] == 0 else "study",
                "source": row["sources"],
                "design": "",
                "events": float(row["events"]),
                "cases": float(row["cases"]),
            }
        )
    return pd.DataFrame(rows), pd.DataFrame(context)


def _as_studies(extra: pd.DataFrame | None) -> pd.DataFrame:
    columns = ["class", "event", "kind", "source", "design", "events", "cases"]
    if extra is None:
        return pd.DataFrame(columns=columns)
    design = extra["design"].fillna("").astype(str) if "design" in extra else ""
    numbers = {name: extra[name].astype(float) for name in ("events", "cases")}
    return extra.assign(kind="study", design=design, **numbers)[columns]


def _as_own_studies(counts: Mapping[tuple[str, str], tuple[float, float]]) -> pd.DataFrame:
    rows = [
        {
            "class": name,
            "event": event,
            "kind": "own cases",
            "source": "this unit",
            "design": "",
            "events": e,
            "cases": n,
        }
        for (name, event), (e, n) in counts.items()
        if n > 0
    ]
    return pd.DataFrame(rows, columns=["class", "event", "kind", "source", "design", "events", "cases"])


def _with_limits(studies: pd.DataFrame, wanted: Sequence[str]) -> pd.DataFrame:
    found = studies[studies["class"].isin(wanted)].reset_index(drop=True)
    limits = [_core.clopper_pearson(e, n) for e, n in zip(found["events"], found["cases"], strict=True)]
    rate = (found["events"] / found["cases"]).astype(float)
    return found.assign(rate=rate, lower=[low for low, _ in limits], upper=[high for _, high in limits])


# ------------------------------------------------------------------------------------------- one class, one event


def _one(
    name: str, event: str, behind: pd.DataFrame, own: tuple[float, float]
) -> tuple[dict[str, Any], _Chance, dict[tuple[str, str, str], float]]:
    own_events, own_cases = own
    sourced = behind[behind["kind"] == "study"]
    row: dict[str, Any] = {
        "class": name,
        "event": event,
        "estimate": math.nan,
        "lower": 0.0,
        "upper": 1.0,
        "own_events": own_events,
        "own_cases": own_cases,
        "studies": len(sourced),
        "studies_said": _said(behind),
        "cases": float(behind["cases"].sum()),
        "events": float(behind["events"].sum()),
        "grade": "unknown",
        "reasons": "no studies",
        "method": "none",
        "sources": "; ".join(behind["source"]),
        "origin": "none",
    }
    if behind.empty and own_cases == 0:
        return row, _Chance(np.empty(0), np.empty(0)), {}
    methods: dict[tuple[str, str, str], float] = {}
    if behind.empty:
        chance = _of_own_alone(own_events, own_cases)
        row["method"] = "own counts, Jeffreys' Beta(1/2, 1/2)"
        row["grade"], row["reasons"] = "very low", "own cases only"
    else:
        pooled = pool_rates(behind["events"].to_numpy(float), behind["cases"].to_numpy(float))
        chance = _posterior(pooled.predicted_lower, pooled.predicted_upper, own_events, own_cases)
        row["method"] = pooled.method
        if own_cases:
            row["method"] += ", its 90 % prediction interval joined with own counts"
        if len(behind) > 1:
            methods = {
                (name, event, "binomial-normal (used)"): pooled.rate,
                (name, event, "double arcsine, common effect"): double_arcsine(behind["events"], behind["cases"]).rate,
                (name, event, "all events over all cases"): float(behind["events"].sum() / behind["cases"].sum()),
            }
        row["grade"], row["reasons"] = _grade(sourced)
    row["lower"], row["upper"] = (float(q) for q in chance.quantile(np.array([0.5 - _LEVEL / 2, 0.5 + _LEVEL / 2])))
    if own_cases:
        row["estimate"] = float(chance.quantile(0.5))
    else:
        row["estimate"] = pooled.rate
    words = {"study": "published", COMMON_PRACTICE: f"{COMMON_PRACTICE} (no source)"}
    kinds = [*dict.fromkeys(words[kind] for kind in behind["kind"]), *(["own cases"] if own_cases else [])]
    row["origin"] = " and ".join(kinds)
    return row, chance, methods


def _said(behind: pd.DataFrame) -> str:
    for source in behind.loc[behind["kind"] == COMMON_PRACTICE, "source"]:
        for words, said in _SAID:
            if words in source:
                return said
    return "none"


def _grade(sourced: pd.DataFrame) -> tuple[str, str]:
    """Of the studies with a source alone; without one, very low."""
    if sourced.empty:
        grade, reasons = _core.grade_of(
            studies=0, cases=0.0, i2_percent=math.nan, direct_share=0.0, randomised_share=0.0, sourced=False
        )
        return grade, ", ".join(reasons)
    cases = sourced["cases"].to_numpy(float)
    randomised = sourced["design"].str.lower().str.startswith("randomi").to_numpy()
    grade, reasons = _core.grade_of(
        studies=len(sourced),
        cases=float(cases.sum()),
        i2_percent=pool_rates(sourced["events"].to_numpy(float), cases).i2_percent,
        direct_share=1.0,
        randomised_share=float(cases[randomised].sum() / cases.sum()),
        sourced=True,
    )
    return grade, ", ".join(reasons)


def _posterior(lower: float, upper: float, events: float, cases: float) -> _Chance:
    """Normal logit with these 5 and 95 % limits, times the likelihood of own counts."""
    low, high = (float(logit(np.clip(one, 1e-12, 1 - 1e-12))) for one in (lower, upper))
    mean, sd = 0.5 * (low + high), (high - low) / (2 * _Z)
    return _on_grid(mean - 9 * sd, mean + 9 * sd, lambda x: -0.5 * ((x - mean) / sd) ** 2, events, cases)


def _of_own_alone(events: float, cases: float) -> _Chance:
    """Beta(events + 1/2, cases - events + 1/2), whose density of the logit is p^(e + 1/2) (1 - p)^(n - e + 1/2)."""
    law = stats.beta(events + 0.5, cases - events + 0.5)
    low, high = (float(logit(np.clip(law.ppf(p), 1e-300, 1 - 1e-15))) for p in (1e-8, 1 - 1e-8))
    return _on_grid(low, high, lambda x: 0.5 * _log_binomial(x, 1.0, 2.0), events, cases)


def _log_binomial(x: Doubles, events: float, cases: float) -> Doubles:
    p = expit(x)
    return np.asarray(xlogy(events, p) + xlog1py(cases - events, -p))


def _on_grid(low: float, high: float, log_prior: Any, events: float, cases: float) -> _Chance:
    """Weights over logits; the grid is drawn in to where they are, so that many own cases are resolved."""
    for _ in range(2):
        x = np.linspace(low, high, _GRID)
        logs = log_prior(x) + _log_binomial(x, events, cases)
        there = np.flatnonzero(logs > logs.max() - 40.0)
        low, high = x[max(there[0] - 1, 0)], x[min(there[-1] + 1, _GRID - 1)]
    weight = np.exp(logs - logs.max())
    return _Chance(x, weight / weight.sum())


def _stream(seed: int, *words: str) -> np.random.Generator:
    key = [zlib.crc32(word.encode()) for word in words]
    return np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, 0x5AFE, *key])))


def _draw(chance: _Chance, n: int, seed: int, event: str, name: str) -> Doubles:
    if not chance.known:
        return np.full(n, np.nan)
    return chance.quantile(_stream(seed, event, name).random(n))


def _expected(
    chance: _Chance,
    row: Mapping[str, Any],
    cases_per_year: float | None,
    draws: int,
    seed: int,
    event: str,
    name: str,
) -> dict[str, float]:
    ends = {"": row["estimate"], "_lower": row["lower"], "_upper": row["upper"]}
    out = {f"per_1000{end}": 1000.0 * float(value) for end, value in ends.items()}
    year = cases_per_year or math.nan
    out["per_year"] = year * float(row["estimate"])
    out["per_year_lower"], out["per_year_upper"] = 0.0 * year, year
    if chance.known and cases_per_year is not None:
        numbers = _stream(seed, event, name, "year").poisson(year * _draw(chance, draws, seed, event, name))
        low, high = np.quantile(numbers, [0.5 - _LEVEL / 2, 0.5 + _LEVEL / 2], method="inverted_cdf")
        out["per_year_lower"], out["per_year_upper"] = float(low), float(min(high, math.ceil(year)))
    return out


def _ordered(table: pd.DataFrame) -> pd.DataFrame:
    """By event, most behind it first."""
    said = pd.Categorical(table["studies_said"], categories=list(STUDIES_SAID), ordered=True)
    table = table.assign(studies_said=said)
    grades = {name: k for k, name in enumerate(("unknown", "very low", "low", "moderate", "high"))}
    by = table.assign(
        event_order=table["event"].map({name: k for k, name in enumerate(EVENTS)}),
        grade_order=table["grade"].map(grades),
        said_order=said.codes,
        known=table["cases"] + table["own_cases"],
    )
    order = by.sort_values(
        ["event_order", "grade_order", "said_order", "known", "class"], ascending=[True, False, False, False, True]
    ).index
    return table.loc[order].reset_index(drop=True)


# ------------------------------------------------------------------------------------------------- minutes lost


def _delay(model: TheatreTimeModel | None, n: int, seed: int) -> tuple[Doubles, str]:
    """Draws of the minutes that one malfunction takes, and where they come from."""
    lowest = next(row["lower"] for row in _core.core_parameters() if row["name"] == "fault_min")
    prior = published_prior().loc["fault_min"].to_dict()
    middle, low, high, origin = prior["centre"], prior["low"], prior["high"], prior["origin"]
    if model is not None and hasattr(model, "fitted_"):
        told = model.conf_int(level=_LEVEL).loc["fault_min"].to_dict()
        middle, origin = told["estimate"], model.params_["origin"]["fault_min"]
        if math.isfinite(told["lower"]) and math.isfinite(told["upper"]):
            low, high = told["lower"], told["upper"]
        else:  # an end that the cases do not close: as little known as before them
            low, high = middle - (prior["centre"] - prior["low"]), middle + (prior["high"] - prior["centre"])
    elif model is not None:
        row = next(row for row in model._fitted_or_prior().parameter_rows() if row["name"] == "fault_min")
        middle, origin = row["estimate"], row["origin"]
    sd = (float(high) - float(low)) / (2 * _Z)
    uniform = _stream(seed, "fault_min").random(n)
    if sd == 0:
        return np.full(n, float(middle)), str(origin)
    # Cut off at the parameter's bound: no malfunction saves time.
    below = stats.norm.cdf((lowest - middle) / sd)
    return np.asarray(middle + sd * stats.norm.ppf(below + uniform * (1 - below))), str(origin)


def _minutes_lost(
    wanted: Sequence[str],
    chances: Mapping[tuple[str, str], _Chance],
    model: TheatreTimeModel | None,
    cases_per_year: float | None,
    draws: int,
    seed: int,
) -> pd.DataFrame:
    minutes, origin = _delay(model, draws, seed)
    rows = {}
    for name in wanted:
        lost = _draw(chances["malfunction", name], draws, seed, "malfunction", name) * minutes
        low, middle, high = np.quantile(lost, [0.5 - _LEVEL / 2, 0.5, 0.5 + _LEVEL / 2])
        values = {"median": middle, "mean": lost.mean(), "lower": low, "upper": high}
        row = {f"per_100_cases_{word}": 100.0 * value for word, value in values.items()}
        if cases_per_year is not None:
            row |= {f"per_year_{word}": cases_per_year * value for word, value in values.items()}
        rows[name] = row
    return pd.DataFrame.from_dict(rows, orient="index").assign(origin=origin).rename_axis("class")


# --------------------------------------------------------------------------------------------- another method


@dataclass(frozen=True)
class DoubleArcsine:
    """Proportions pooled on the double arcsine scale: effect (Miller's, twice the mean angle), variance, rate."""

    effect: float
    variance: float
    rate: float
    lower: float
    upper: float
    effects: Doubles
    variances: Doubles


def double_arcsine(events: npt.ArrayLike, cases: npt.ArrayLike, *, weighted: bool = True) -> DoubleArcsine:
    """Common effect of proportions by the double arcsine transform (Miller, Am Stat 1978;32:138), with a 95 % interval.

    t = asin sqrt(x / (n + 1)) + asin sqrt((x + 1) / (n + 1)), variance 1 / (n + 1/2), turned back at the harmonic mean
    of n. Shown beside the binomial-normal model to say how much the method matters; its way back misleads where n
    differ (Res Synth Methods 2019;10:476), so nothing is computed from it. ``weighted``: by 1 / variance.

    Raises InvalidArgument.
    """
    x, n = (np.atleast_1d(np.asarray(values, dtype=float)) for values in (events, cases))
    if x.shape != n.shape or x.ndim != 1 or not len(x) or not ((n > 0) & (x >= 0) & (x <= n)).all():
        raise _core.InvalidArgument("double_arcsine: as many events as cases; cases above 0, events 0 to cases")
    effects = np.arcsin(np.sqrt(x / (n + 1))) + np.arcsin(np.sqrt((x + 1) / (n + 1)))
    variances = 1 / (n + 0.5)
    weight = 1 / variances if weighted else np.ones_like(n)
    weight = weight / weight.sum()
    effect, variance = float(weight @ effects), float(weight**2 @ variances)
    harmonic = float(len(n) / np.sum(1 / n))
    half = float(stats.norm.ppf(0.975)) * math.sqrt(variance)
    rate, lower, upper = (float(_back(np.array([t]), harmonic)[0]) for t in (effect, effect - half, effect + half))
    return DoubleArcsine(effect, variance, rate, lower, upper, effects, variances)


def _back(effect: Doubles, n: float | Doubles) -> Doubles:
    """Miller's inverse, within the values that 0 and n events give."""
    n = np.asarray(n, dtype=float)
    least = np.arcsin(np.sqrt(1 / (n + 1)))
    t = np.clip(effect, least, math.pi - least)
    inner = np.sin(t) + (np.sin(t) - 1 / np.sin(t)) / n
    return np.asarray(0.5 * (1 - np.sign(np.cos(t)) * np.sqrt(np.clip(1 - inner**2, 0.0, None))))
