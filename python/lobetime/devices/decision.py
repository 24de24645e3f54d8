"""The unit's own weights over speed, safety, cost and service: how often each class comes first, what would help."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats
from sklearn.linear_model import Ridge
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import SplineTransformer, StandardScaler

from .. import _core
from ..caution import CAUTION
from ..plain import plain
from ._saying import CONFIDENT, LEVEL, interval, percent
from .compare import Comparison
from .cost import DeviceCost

Doubles = npt.NDArray[np.float64]
Rates: TypeAlias = Mapping[str, Mapping[str, Any]]

CRITERIA = {
    "efficiency": "morcellation minutes a case",
    "wall_injury": "chance a case",
    "malfunction": "chance a case",
    "cost": "a case",
    "service": "the unit's own 0 to 10",
}
"""What may be weighed, and in what. Less is better, but for service."""

_EVENTS = ("wall_injury", "malfunction")
_WEIGHT_DRAWS_SEED = 0x3E16
_FOLDS = 5


class SafetyDraws(Protocol):
    """What gives draws of chances: event to class to array of draws, NaN = unknown."""

    def draws(self, n: int, seed: int) -> Rates: ...


@dataclass(frozen=True, repr=False, eq=False)
class Criteria:
    """Draws of every criterion for every option, and which of them nothing is known about.

    Attributes
    ----------
    draws : dict of str to pandas.DataFrame
        Criterion to draws x options, in the criterion's own unit. Of efficiency and cost, the difference from the
        comparison's reference in the same draw, on top of the reference's mean: what all options share (surgeons, the
        price of a minute) cannot decide between them and is not in.
    unknown : set of (option, criterion)
        What no study and no case of the unit speaks for: drawn over the widest range, see :meth:`of`.
    unsure : set of str
        Options whose efficiency rests on neither own cases nor published studies, or whose class no case had so
        collected.
    morcellation_min : pandas.DataFrame
        Mean minutes a case, draws x options, with what all share.
    case_sd_min : pandas.Series
        Scatter of one case's morcellation minutes about its gland's mean, an option each.
    """

    draws: dict[str, pd.DataFrame]
    unknown: set[tuple[str, str]]
    unsure: set[str]
    morcellation_min: pd.DataFrame
    case_sd_min: pd.Series[float]
    caution: str = CAUTION

    def __repr__(self) -> str:
        return f"<Criteria: {', '.join(self.draws)} of {len(self.options)} options>"

    @property
    def options(self) -> list[str]:
        return [str(name) for name in next(iter(self.draws.values())).columns]

    @classmethod
    def of(
        cls,
        comparison: Comparison,
        *,
        safety: SafetyDraws | Rates | None = None,
        cost: DeviceCost | None = None,
        service: Mapping[str, float | tuple[float, float] | None] | None = None,
        options: Sequence[str] | None = None,
        seed: int = 1,
    ) -> Criteria:
        """Gather the criteria; what is not given is not weighed.

        Parameters
        ----------
        safety
            Draws of the chance per case: ``{"wall_injury": {"oscillating/vacuum": array, ...}, "malfunction": ...}``,
            or an object whose ``draws(n, seed)`` gives that. A class that is missing or NaN is unknown: its chance is
            drawn from Jeffreys' Beta(1/2, 1/2), what no case at all leaves. Most of that is worse than any known class,
            so that nothing is won by being unknown.
        cost
            Of the same comparison.
        service
            The unit's own score of each class, 0 to 10, a number or (low, high) with all between as likely; None or
            missing is unknown and drawn over all of 0 to 10.
        options
            Some of the comparison's options, by default all.

        The efficiency of a class without studies or cases is unknown as well: its draws are the comparison's, which are
        widened for it.

        Raises InvalidArgument with every problem.
        """
        names = list(map(str, comparison.options.index)) if options is None else [str(name) for name in options]
        problems = [f"no option is called {name!r}" for name in names if name not in comparison.options.index]
        problems += [] if len(set(names)) > 1 else ["two or more options are needed"]
        if cost is not None and list(cost.draws.columns) != list(comparison.options.index):
            problems.append("cost is of another comparison")
        classes = dict(comparison.options["device_class"])
        problems += _service_problems(service, set(classes.values()))
        if problems:
            raise _core.InvalidArgument("; ".join(problems))
        n = len(comparison.draws["morcellation_min"])
        minutes = comparison.draws["morcellation_min"]
        draws = {"efficiency": _paired(minutes, names, comparison.reference)}
        evidence = comparison.options["evidence"]
        unknown = {(name, "efficiency") for name in names if evidence[name] == "no studies"}

        def rng(*what: str) -> np.random.Generator:
            words = " ".join(what).encode()
            return np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, 0xDEC1DE, *words])))

        if safety is not None:
            rates: Rates = safety if isinstance(safety, Mapping) else safety.draws(n, seed)
            for event in _EVENTS:
                if event in rates:
                    known = _known_rates(rates[event], n)
                    columns = {}
                    for name in names:
                        own = _rate_of(known, classes[name])
                        if own is None:
                            unknown.add((name, event))
                            own = rng(event, classes[name]).beta(0.5, 0.5, n)
                        columns[name] = own
                    draws[event] = pd.DataFrame(columns)
        if cost is not None:
            draws["cost"] = _paired(cost.draws, names, comparison.reference)
        if service is not None:
            columns = {}
            for name in names:
                score = service.get(classes[name])
                if score is None:
                    unknown.add((name, "service"))
                low, high = (0.0, 10.0) if score is None else score if isinstance(score, tuple) else (score, score)
                columns[name] = rng("service", classes[name]).uniform(low, high, n)
            draws["service"] = pd.DataFrame(columns)
        so_collected = comparison.options["cases_so_collected"]
        untried = {name for name in names if comparison.run.mix.used and not so_collected[name]}
        unsure = untried | {name for name in names if evidence[name] not in ("own cases", "published")}
        return cls(draws, unknown, unsure, minutes[names], comparison.options.loc[names, "case_sd_min"])


def decision_table(
    criteria: Criteria,
    weights: Mapping[str, float | tuple[float, float]] | None,
    *,
    concentration: float | None = None,
    scale: Mapping[str, tuple[float, float]] | None = None,
    seed: int = 1,
) -> Decision:
    """How often each option comes first, over all that is uncertain and the weights one is unsure about.

    Parameters
    ----------
    criteria : Criteria
    weights : mapping of criterion to weight, or None
        For every criterion a number, or (low, high) with all between as likely; their sum is made 1. None: nothing is
        known of the weights, uniform over all that sum to 1.
    concentration : float, optional
        With numbers: a Dirichlet about them whose parameters sum to it, so that a weight w has the SD
        sqrt(w (1 - w) / (concentration + 1)). 20 is fairly unsure, 200 nearly sure. By default the numbers are taken
        as they are.
    scale : mapping of criterion to (worst, best), optional
        Where a criterion's value is 0 and 1. By default from what the known options may plausibly be: the largest
        95 % and the least 5 % point of their draws (the other way round for service; known: not unknown in it, nor, for
        cost, in efficiency). *A weight means how much the
        step from worst to best of its criterion matters*: another scale makes the same weight mean something else.
    seed : int
        Of the weights' draws.

    Returns
    -------
    Decision

    Notes
    -----
    Values are linear between worst and best, 0 and 1 beyond; a score is the weighted sum. Rank acceptabilities as in
    stochastic multicriteria acceptability analysis (Lahdelma and Salminen, Oper Res 2001;49:444): shares of draws and
    weights. An option is dominated where another is at least as good in expectation on every criterion and better on
    one; the chance of that is the share of draws where the same holds. Nothing is said of options with an unknown
    criterion.

    *Value of information.* With mean weights, the gain in expected score from choosing after a criterion is known
    instead of now. The other criteria's expectation given it is regressed on splines of its values (Strong, Oakley and
    Brennan, Med Decis Making 2014;34:311), fitted on other draws than those that it decides for, so that the figure is,
    in expectation, not above the true one.

    Raises
    ------
    InvalidArgument
        With every problem.
    """
    names = list(criteria.draws)
    _check_weights(names, weights, concentration, scale)
    n = len(criteria.draws["efficiency"])
    ends = {name: _ends(criteria, name, (scale or {}).get(name)) for name in names}
    values = np.stack([_value(criteria.draws[name].to_numpy(), *ends[name]) for name in names], axis=2)
    drawn = _weight_draws(names, weights, concentration, n, seed)
    return Decision(criteria, names, drawn, ends, values, _weight_words(weights, concentration))


@dataclass(frozen=True, repr=False, eq=False)
class Decision:
    """Options ranked by the unit's own weights. Made by :func:`decision_table`, which says what each number is.

    Attributes
    ----------
    criteria : Criteria
    names : list of str
        Criteria weighed.
    weights : numpy.ndarray
        Draws x criteria.
    scale : dict of str to (worst, best)
    values : numpy.ndarray
        0 to 1, draws x options x criteria.
    """

    criteria: Criteria
    names: list[str]
    weights: Doubles
    scale: dict[str, tuple[float, float]]
    values: Doubles
    weight_words: str
    caution: str = field(default=CAUTION)

    def __repr__(self) -> str:
        return f"<Decision over {', '.join(self.names)} for {len(self.criteria.options)} options>"

    def __str__(self) -> str:
        last = self.acceptability.iloc[:, -1]
        rows = []
        for name, row in self.table.iterrows():
            rows.append(
                {
                    "option": name,
                    "first": percent(row["p_first"]),
                    "last": percent(float(last[str(name)])),
                    "score": f"{row['score']:.2f} ({row['score_low']:.2f} to {row['score_high']:.2f})",
                    "unknown": row["unknown"] or "-",
                    "dominated": row["dominated_by"] or "-",
                }
            )
        parts = [
            f"Score 0 to 1 from {', '.join(self.names)}; {self.weight_words}; {100 * LEVEL:.0f} % intervals",
            pd.DataFrame(rows).to_string(index=False),
            "\n".join(self.words()),
            "What one could learn (gain in expected score)\n"
            + self.information.to_string(float_format="{:.4f}".format),
            "Ten more cases with one option\n" + self.more_cases().to_string(float_format="{:.4f}".format),
            "Assumptions\n" + "\n".join(f"  {words}" for words in self.assumptions),
            self.caution,
        ]
        return "\n\n".join(parts)

    @property
    def scores(self) -> Doubles:
        """Draws x options."""
        scores: Doubles = np.einsum("dok,dk->do", self.values, self.weights)
        return scores

    @property
    def acceptability(self) -> pd.DataFrame:
        """Share of draws in which each option (rows) has each rank (columns 1 ...); equal scores share their ranks."""
        scores = self.scores
        n = scores.shape[1]
        better = (scores[:, None, :] > scores[:, :, None]).sum(axis=2)  # options above
        equal = (scores[:, None, :] == scores[:, :, None]).sum(axis=2)
        ranks = np.arange(n)
        within = (ranks >= better[..., None]) & (ranks < (better + equal)[..., None])
        table = (within / equal[..., None]).mean(axis=0)
        return pd.DataFrame(table, index=pd.Index(self.criteria.options, name="option"), columns=ranks + 1)

    @property
    def table(self) -> pd.DataFrame:
        """One row an option: ``score`` (mean) with ``_low`` and ``_high``, ``p_first``, ``unknown`` (criteria that
        nothing is known of), ``unsure`` (see Criteria), ``first_with_confidence``
        (never where something is unknown or unsure), ``dominated_by``, ``p_dominated`` (share of draws in which that
        option is at least as good on every criterion and better on one)."""
        scores, first = self.scores, self.acceptability[1]
        dominated = self._dominated()
        rows = {}
        for k, name in enumerate(self.criteria.options):
            unknown = [c for c in self.names if (name, c) in self.criteria.unknown]
            by, chance = dominated.get(name, ("", 0.0))
            unsure = name in self.criteria.unsure
            rows[name] = {
                **interval("score", scores[:, k]),
                "p_first": float(first[name]),
                "unknown": ", ".join(unknown),
                "unsure": unsure,
                "first_with_confidence": bool(first[name] >= CONFIDENT and not unknown and not unsure),
                "dominated_by": by,
                "p_dominated": chance,
            }
        return pd.DataFrame.from_dict(rows, orient="index").rename_axis("option")

    @property
    def pairwise(self) -> pd.DataFrame:
        """Share of draws in which the row's option scores above the column's; equal scores count half."""
        scores = self.scores
        above = (scores[:, :, None] > scores[:, None, :]).mean(axis=0)
        equal = (scores[:, :, None] == scores[:, None, :]).mean(axis=0)
        names = self.criteria.options
        return pd.DataFrame(above + 0.5 * equal, index=pd.Index(names, name="option"), columns=names)

    def words(self) -> list[str]:
        """The answer in sentences."""
        table = self.table
        row = table.iloc[int(table["p_first"].to_numpy().argmax())]
        first = row.name
        if row["first_with_confidence"]:
            lines = [f"First: {first}, in {percent(row['p_first'])} of draws and weights."]
        else:
            lines = [
                f"No option is first with confidence; most often it is {first}, in {percent(row['p_first'])}."
                + (f" Its {row['unknown']} is unknown." if row["unknown"] else "")
                + (" Its efficiency is not from cases so collected, nor published." if row["unsure"] else "")
            ]
        for name, one in table.iterrows():
            if one["dominated_by"]:
                lines.append(
                    f"{name} is dominated by {one['dominated_by']}: in expectation no better on any criterion and "
                    f"worse on one; the same holds in {percent(one['p_dominated'])} of the draws."
                )
        information = self.information.drop("everything")
        most = information.iloc[int(information["gain"].to_numpy().argmax())]
        if most["gain"] > 2 * most["se"]:
            lines.append(f"The uncertainty that matters most is that of {str(most.name).replace('_', ' ')}.")
        else:
            lines.append("As far as so many draws can tell, nothing learnt of one criterion would change the choice.")
        return [*lines, self._more_words()]

    def _more_words(self, cases: int = 10) -> str:
        told = self.more_cases(cases)
        best = told.iloc[int(told["gain"].to_numpy().argmax())]
        if best["gain"] <= 2 * best["se"]:
            return f"{cases} more cases with any one option would hardly ever change the choice."
        return (
            f"{cases} more cases would tell most with {best.name}: {best['gain']:.4f} of score in expectation; the "
            f"SD of its mean minutes would fall from {best['sd_now_min']:.2f} to {best['sd_then_min']:.2f}."
        )

    @property
    def assumptions(self) -> list[str]:
        said = [
            "values are linear between worst and best of each criterion, 0 and 1 beyond; a weight is of that whole step"
        ]
        for name in self.names:
            worst, best = self.scale[name]
            said.append(f"{name.replace('_', ' ')} ({CRITERIA[name]}): worst {worst:.4g}, best {best:.4g}")
        if "malfunction" in self.names:
            said.append("a malfunction counts as an event and, by its minutes, in efficiency as well")
        if "cost" in self.names:
            said.append("minutes of theatre are in cost; what they cost is so weighed beside efficiency")
        if any(c in _EVENTS for _, c in self.criteria.unknown):
            said.append(
                "a chance that no study looked at may be anything from 0 to 1 (Jeffreys' Beta(1/2, 1/2): assumption)"
            )
        if any(c == "service" for _, c in self.criteria.unknown):
            said.append("a service that the unit has not scored may be anything from 0 to 10 (assumption)")
        return said

    @property
    def information(self) -> pd.DataFrame:
        """Gain in expected score: ``gain`` and ``se`` (of the draws), one row a criterion, then weights, everything.

        "weights": were the unit sure of its own; "everything": were all criteria known.
        """
        mean_weights = self.weights.mean(axis=0)
        parts = self.values * mean_weights  # draws x options x criteria
        net = parts.sum(axis=2)
        now = int(net.mean(axis=0).argmax())
        rows = {}
        for k, name in enumerate(self.names):
            rest = net - parts[:, :, k]
            chosen = (parts[:, :, k] + _expected_given(self.values[:, :, k], rest)).argmax(axis=1)
            rows[name] = _gain(np.take_along_axis(net, chosen[:, None], axis=1)[:, 0] - net[:, now])
        by_weight = self.weights @ self.values.mean(axis=0).T  # draws x options
        rows["weights"] = _gain(by_weight.max(axis=1) - by_weight[:, int(by_weight.mean(axis=0).argmax())])
        rows["everything"] = _gain(net.max(axis=1) - net[:, now])
        return pd.DataFrame.from_dict(rows, orient="index").rename_axis("of")

    def more_cases(self, cases: int = 10, seed: int = 1) -> pd.DataFrame:
        """What so many more cases with each option would tell about its mean morcellation minutes.

        One row an option: ``sd_now_min``, ``sd_then_min`` (of its mean minutes), ``gain`` (in expected score, by the
        mean weights), ``se`` (of the draws) and ``gain_min`` (in minutes a case, were speed alone to decide).

        Notes
        -----
        Expected value of sample information. The mean of k cases, each less what its gland lets expect, is drawn about
        the option's mean minutes of each draw with variance s^2 / k, s the scatter of a case; what is then expected of
        every option is regressed on it, as in ``information``, on its normal scores. So the gain is, in expectation,
        not above that of knowing all. ``sd_then_min`` is that of a normal prior with a normal sample,
        S s^2 / k / (S + s^2 / k). ``seed``: of the sample's draws.
        """
        if not (isinstance(cases, int) and cases >= 1):
            raise _core.InvalidArgument(f"cases must be a whole number from 1, not {cases!r}")
        minutes = self.criteria.morcellation_min.to_numpy()
        net = np.einsum("dok,k->do", self.values, self.weights.mean(axis=0))
        rows = {}
        for k, name in enumerate(self.criteria.options):
            rng = np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, 0x3E17, *name.encode()])))
            variance = float(self.criteria.case_sd_min[name]) ** 2 / cases
            seen = minutes[:, k] + math.sqrt(variance) * rng.standard_normal(len(minutes))
            scores = _normal_scores(seen)[:, None]
            now = float(minutes[:, k].var(ddof=1))
            told = _gain(_gained(net, _expected_given(scores, net)))
            rows[name] = {
                "sd_now_min": math.sqrt(now),
                "sd_then_min": math.sqrt(now * variance / (now + variance)) if now > 0 else 0.0,
                **told,
                "gain_min": _gain(_gained(-minutes, _expected_given(scores, -minutes)))["gain"],
            }
        return pd.DataFrame.from_dict(rows, orient="index").rename_axis("option")

    def to_dict(self) -> dict[str, Any]:
        """Everything said, in types that JSON holds."""
        return {
            "caution": self.caution,
            "criteria": self.names,
            "weights": dict(zip(self.names, map(float, self.weights.mean(axis=0)), strict=True)),
            "scale": plain(self.scale),
            "options": plain(self.table.reset_index()),
            "acceptability": plain(self.acceptability.reset_index()),
            "pairwise": plain(self.pairwise.reset_index()),
            "information": plain(self.information.reset_index()),
            "more_cases": plain(self.more_cases().reset_index()),
            "words": self.words(),
            "assumptions": self.assumptions,
        }

    def _dominated(self) -> dict[str, tuple[str, float]]:
        """Each dominated option: by which (the one that dominates it in most draws), how often."""
        options = self.criteria.options
        known = [not any((name, c) in self.criteria.unknown for c in self.names) for name in options]
        raw = np.stack(
            [
                self.criteria.draws[name].to_numpy() * (-1.0 if name == "service" else 1.0)  # less is better
                for name in self.names
            ],
            axis=2,
        )
        mean = raw.mean(axis=0)
        out: dict[str, tuple[str, float]] = {}
        for a, name in enumerate(options):
            for b, other in enumerate(options):
                if a == b or not (known[a] and known[b]):
                    continue
                if np.all(mean[b] <= mean[a]) and np.any(mean[b] < mean[a]):
                    no_worse, better = raw[:, b] <= raw[:, a], raw[:, b] < raw[:, a]
                    chance = float((no_worse.all(axis=1) & better.any(axis=1)).mean())
                    if name not in out or chance > out[name][1]:
                        out[name] = (other, chance)
        return out


def _paired(draws: pd.DataFrame, names: Sequence[str], reference: str) -> pd.DataFrame:
    usual = draws[reference]
    return draws[list(names)].sub(usual - usual.mean(), axis=0).reset_index(drop=True)


# --- gathering -------------------------------------------------------------------------------------------------------


def _service_problems(service: Mapping[str, Any] | None, classes: set[str]) -> list[str]:
    problems = []
    for name, score in (service or {}).items():
        if name not in classes:
            problems.append(f"service: no class of the comparison is {name!r}")
        ends = () if score is None else score if isinstance(score, tuple) else (score, score)
        numbers = all(isinstance(x, (int, float)) and 0 <= x <= 10 for x in ends)
        if score is not None and not (numbers and len(ends) == 2 and ends[0] <= ends[1]):
            problems.append(f"service of {name}: a number from 0 to 10, (low, high) or None, not {score!r}")
    return problems


def _known_rates(rates: Mapping[str, Any], n: int) -> dict[str, Doubles]:
    known = {}
    for name, values in rates.items():
        if values is None:
            continue
        array = np.broadcast_to(np.asarray(values, dtype=float), (n,))
        if np.isnan(array).all():
            continue
        if not np.all((array >= 0) & (array <= 1)):
            raise _core.InvalidArgument(f"safety of {name}: chances must lie in [0, 1], or all be NaN where unknown")
        known[name] = array
    return known


def _rate_of(known: Mapping[str, Doubles], device_class: str) -> Doubles | None:
    """Of the class with the unit's own code, else of the class."""
    own = known.get(device_class)
    return own if own is not None else known.get(device_class.partition(":")[0])


# --- values and weights ----------------------------------------------------------------------------------------------


def _ends(criteria: Criteria, name: str, given: tuple[float, float] | None) -> tuple[float, float]:
    """Worst and best."""
    if given is not None:
        return given
    frame = criteria.draws[name]
    needed = ("efficiency", "cost") if name == "cost" else (name,)
    known = [one for one in frame if not any((one, c) in criteria.unknown for c in needed)] or list(frame)
    tail = 0.5 - LEVEL / 2
    low = float(frame[known].quantile(tail).min())
    high = float(frame[known].quantile(1 - tail).max())
    if high <= low:  # all alike and certain: any step does, since nothing differs
        high = low + max(abs(low), 1.0) * 1e-6
    return (low, high) if name == "service" else (high, low)


def _value(draws: Doubles, worst: float, best: float) -> Doubles:
    return np.clip((draws - worst) / (best - worst), 0.0, 1.0)


def _check_weights(
    names: list[str],
    weights: Mapping[str, Any] | None,
    concentration: float | None,
    scale: Mapping[str, Any] | None,
) -> None:
    problems = []
    if weights is not None:
        problems += [f"weight of {name} is missing" for name in names if name not in weights]
        problems += [f"there are no draws of {name!r} to weigh" for name in weights if name not in names]
        for name, value in weights.items():
            ends = value if isinstance(value, tuple) else (value, value)
            numbers = len(ends) == 2 and all(isinstance(x, (int, float)) and math.isfinite(x) for x in ends)
            if not (numbers and 0 <= ends[0] <= ends[1]):
                problems.append(f"weight of {name} must be 0 or more, or (low, high), not {value!r}")
        if not problems and not sum(v[1] if isinstance(v, tuple) else v for v in weights.values()) > 0:
            problems.append("one weight at least must be above 0")
    if concentration is not None:
        if weights is None or any(isinstance(value, tuple) for value in weights.values()):
            problems.append("concentration goes with weights that are numbers")
        elif not (concentration > 0 and math.isfinite(concentration)):
            problems.append(f"concentration must be positive, not {concentration!r}")
    for name, ends in (scale or {}).items():
        if name not in names:
            problems.append(f"scale: there are no draws of {name!r}")
        elif not (len(ends) == 2 and all(map(math.isfinite, ends)) and ends[0] != ends[1]):
            problems.append(f"scale of {name} must be (worst, best), two different numbers, not {ends!r}")
        elif (ends[0] < ends[1]) != (name == "service"):
            problems.append(f"scale of {name} must be (worst, best), not {ends!r}: the ends are the wrong way round")
    if problems:
        raise _core.InvalidArgument("; ".join(problems))


def _weight_draws(
    names: list[str],
    weights: Mapping[str, float | tuple[float, float]] | None,
    concentration: float | None,
    n: int,
    seed: int,
) -> Doubles:
    rng = np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, _WEIGHT_DRAWS_SEED])))
    if weights is None:
        return rng.dirichlet(np.ones(len(names)), n)
    ends = np.array([w if isinstance(w, tuple) else (w, w) for w in (weights[name] for name in names)], dtype=float)
    if concentration is not None:
        centre = ends[:, 0] / ends[:, 0].sum()
        drawn = np.zeros((n, len(names)))
        drawn[:, centre > 0] = rng.dirichlet(concentration * centre[centre > 0], n)
        return drawn
    raw = rng.uniform(ends[:, 0], ends[:, 1], (n, len(names)))
    raw = np.where(raw.sum(axis=1, keepdims=True) > 0, raw, 1.0)
    shares: Doubles = raw / raw.sum(axis=1, keepdims=True)
    return shares


def _weight_words(weights: Mapping[str, Any] | None, concentration: float | None) -> str:
    if weights is None:
        return "weights unknown: any that sum to 1 are as likely"
    said = ", ".join(
        f"{name} {value[0]:g} to {value[1]:g}" if isinstance(value, tuple) else f"{name} {value:g}"
        for name, value in weights.items()
    )
    return f"weights {said}" + (
        "" if concentration is None else f", unsure (Dirichlet, concentration {concentration:g})"
    )


# --- value of information --------------------------------------------------------------------------------------------


def _expected_given(values: Doubles, rest: Doubles) -> Doubles:
    """E[rest | values], draws x options, each draw by a fit to the others."""
    moving = values[:, np.ptp(values, axis=0) > 0]
    out = np.empty_like(rest)
    fold = np.arange(len(rest)) % _FOLDS
    for one in range(_FOLDS):
        here, there = fold == one, fold != one
        if moving.shape[1] == 0:
            out[here] = rest[there].mean(axis=0)
            continue
        # Knots at even steps: quantiles of clipped values coincide.
        spline = SplineTransformer(n_knots=4, degree=3, knots="uniform", extrapolation="constant")
        fit = make_pipeline(spline, StandardScaler(), Ridge(alpha=1.0)).fit(moving[there], rest[there])
        out[here] = fit.predict(moving[here])
    return out


def _normal_scores(values: Doubles) -> Doubles:
    """Ranks as quantiles of the normal, so that a long tail leaves no knot of a spline empty."""
    return np.asarray(stats.norm.ppf((stats.rankdata(values) - 0.5) / len(values)))


def _gained(net: Doubles, expected: Doubles) -> Doubles:
    """Of each draw: what the option that is expected to be best gives, less what the one best now does."""
    then = expected.argmax(axis=1)
    return np.asarray(net[np.arange(len(net)), then] - net[:, int(net.mean(axis=0).argmax())])


def _gain(each: Doubles) -> dict[str, float]:
    return {"gain": max(float(each.mean()), 0.0), "se": float(each.std() / math.sqrt(len(each)))}
