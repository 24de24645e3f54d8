"""How many cases a trial of two devices needs to show a given difference in grams per minute."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats
from scipy.special import ndtr
from sklearn.isotonic import isotonic_regression

from .. import _core
from ..calibration import looks_mistyped
from ..cases import Cases, read_cases
from ..caution import CAUTION
from ..device_classes import NewClass
from ..model import TheatreTimeModel
from ..plain import plain
from ..reading import Source
from .words import DeviceClass, own_file

Doubles = npt.NDArray[np.float64]
Design = Literal["superiority", "noninferiority"]
Analysis = Literal["two_sample", "gland_adjusted"]

_FEWEST = 3  # cases an arm that any analysis is tried with
_CHUNK = 100  # trials simulated at a time
_BLOCK = 100  # cases an arm that are drawn together
_CASES_OF_MIX = 200_000  # simulated cases that the efficiency of the model's mix is read off


@dataclass(frozen=True)
class EfficiencySpread:
    """What is known of morcellation without a model: mean of ratios of arm A in g/min, and SD of one case's log."""

    efficiency_g_min: float
    log_sd: float

    def __post_init__(self) -> None:
        problems = [
            f"{name} must be above 0, not {value!r}"
            for name, value in (("efficiency_g_min", self.efficiency_g_min), ("log_sd", self.log_sd))
            if not (math.isfinite(value) and value > 0)
        ]
        if problems:
            raise _core.InvalidArgument("; ".join(problems))


def closed_form_power(
    cases_per_arm: npt.ArrayLike,
    *,
    efficiency_g_min: float,
    log_sd: float,
    difference_g_min: float,
    alpha: float = 0.05,
    design: Design = "superiority",
    margin_g_min: float | None = None,
) -> Doubles:
    """Chance that a two-sample t test of log g/min shows the difference, for each number of cases an arm.

    Efficiencies are log-normal with the same ``log_sd`` in both arms, so that the ratio of means is that of medians:
    theta = log((efficiency_g_min + difference_g_min) / efficiency_g_min). With n an arm and nu = 2 n - 2 the statistic
    is noncentral t with noncentrality theta / (log_sd sqrt(2 / n)).

    "superiority": two-sided at ``alpha``, both tails. "noninferiority": B is not slower than A by ``margin_g_min`` or
    more, one-sided at alpha / 2, so that the same two-sided interval decides; theta is then measured from
    log((efficiency_g_min - margin_g_min) / efficiency_g_min).

    Source: the noncentral t in Julious, Stat Med 2004;23:1921; of logs, Wolfe and Carlin, Control Clin Trials
    1999;20:547. Raises InvalidArgument.
    """
    n = np.atleast_1d(np.asarray(cases_per_arm, dtype=float))
    EfficiencySpread(efficiency_g_min, log_sd)
    _check(difference_g_min, 0.8, alpha, design, margin_g_min, efficiency_g_min)
    if not (n >= 2).all():
        raise _core.InvalidArgument("cases_per_arm must be 2 or more")
    distance = _distance(efficiency_g_min, difference_g_min, margin_g_min)
    nu, shift = 2 * n - 2, distance / (log_sd * np.sqrt(2 / n))
    bound = stats.t.ppf(1 - alpha / 2, nu)
    power = _noncentral_above(bound, nu, shift)
    if design == "superiority":
        power = power + _noncentral_above(bound, nu, -shift)
    return np.asarray(power, dtype=float)


def _noncentral_above(bound: Doubles, nu: Doubles, shift: Doubles) -> Doubles:
    # Far out the library's noncentral t gives NaN; what is lost there is below 1e-12.
    found = stats.nct.sf(bound, nu, shift)
    return np.asarray(np.where(np.isfinite(found), found, ndtr(shift - bound)))


def closed_form_size(
    *,
    efficiency_g_min: float,
    log_sd: float,
    difference_g_min: float,
    power: float = 0.8,
    alpha: float = 0.05,
    design: Design = "superiority",
    margin_g_min: float | None = None,
) -> int:
    """Fewest cases an arm with which :func:`closed_form_power` reaches ``power``."""
    _check(difference_g_min, power, alpha, design, margin_g_min, efficiency_g_min)

    def reached(n: int) -> bool:
        found = closed_form_power(
            n,
            efficiency_g_min=efficiency_g_min,
            log_sd=log_sd,
            difference_g_min=difference_g_min,
            alpha=alpha,
            design=design,
            margin_g_min=margin_g_min,
        )
        return bool(found[0] >= power)

    high = 2
    while not reached(high):
        high *= 2
        if high > 10**7:
            raise _core.InvalidArgument("more than ten million cases an arm: the difference is too near to nothing")
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high


def _distance(efficiency_g_min: float, difference_g_min: float, margin_g_min: float | None) -> float:
    """From what is to be excluded to what is true, log scale."""
    true = math.log1p(difference_g_min / efficiency_g_min)
    return true if margin_g_min is None else true - math.log1p(-margin_g_min / efficiency_g_min)


def _check(
    difference_g_min: float,
    power: float,
    alpha: float,
    design: str,
    margin_g_min: float | None,
    efficiency_g_min: float | None = None,
) -> None:
    problems = []
    if design not in ("superiority", "noninferiority"):
        problems.append(f"design must be 'superiority' or 'noninferiority', not {design!r}")
    if not math.isfinite(difference_g_min):
        problems.append(f"difference_g_min must be a number, not {difference_g_min!r}")
    for name, value in (("power", power), ("alpha", alpha)):
        if not 0 < value < 1:
            problems.append(f"{name} must lie between 0 and 1, not {value!r}")
    if design == "noninferiority":
        if margin_g_min is None or not (math.isfinite(margin_g_min) and margin_g_min > 0):
            problems.append(f"a non-inferiority trial needs margin_g_min above 0, not {margin_g_min!r}")
        elif difference_g_min <= -margin_g_min:
            problems.append("difference_g_min must be above -margin_g_min: B would be inferior")
    elif margin_g_min is not None:
        problems.append("margin_g_min is for a non-inferiority trial")
    elif difference_g_min == 0:
        problems.append("difference_g_min must not be 0: no trial shows it")
    if efficiency_g_min is not None and math.isfinite(difference_g_min):
        if difference_g_min <= -efficiency_g_min:
            problems.append(f"difference_g_min must be above -{efficiency_g_min:.3g}, all that arm A does")
        if margin_g_min is not None and margin_g_min >= efficiency_g_min:
            problems.append(f"margin_g_min must be below {efficiency_g_min:.3g}, all that arm A does")
    if problems:
        raise _core.InvalidArgument("trial size: " + "; ".join(problems))


# -------------------------------------------------------------------------------------------------- by simulation


@dataclass(frozen=True, repr=False, eq=False)
class TrialSize:
    """Cases an arm to show a difference. Made by :func:`trial_size`, which says what each number is.

    Attributes
    ----------
    cases_per_arm : int, or None where more than ``most`` are needed
    lower, upper : int or None
        Where the simulated power is the target less, and more, two Monte-Carlo standard errors: how well the number is
        known. None beyond ``most``.
    power, power_se : float
        Simulated at ``cases_per_arm``, with its Monte-Carlo standard error.
    closed_form : int
        Cases an arm of the two-sample comparison by :func:`closed_form_size`, at the simulated mean and log SD.
    curve : pandas.DataFrame
        Index cases_per_arm: power, power_se, closed_form.
    efficiency_g_min, log_sd : float
        Arm A: mean of ratios, and SD of one case's log efficiency.
    settings : dict
        As asked for.
    origin : str
        Where efficiency and spread are from.
    """

    cases_per_arm: int | None
    lower: int | None
    upper: int | None
    power: float
    power_se: float
    closed_form: int
    curve: pd.DataFrame
    efficiency_g_min: float
    log_sd: float
    settings: dict[str, Any]
    origin: str
    caution: str = field(default=CAUTION)

    def __repr__(self) -> str:
        return f"<TrialSize: {self._cases()} cases an arm>"

    def _cases(self) -> str:
        return f"more than {self.settings['most']}" if self.cases_per_arm is None else str(self.cases_per_arm)

    def __str__(self) -> str:
        s = self.settings
        b = self.efficiency_g_min + s["difference_g_min"]
        margin = "" if s["margin_g_min"] is None else f", margin {s['margin_g_min']:g} g/min (given by the user)"
        known = ""
        if self.cases_per_arm is not None:
            ends = " to ".join("beyond" if n is None else str(n) for n in (self.lower, self.upper))
            known = (
                f"\npower {self.power:.3f} at {self.cases_per_arm} (Monte-Carlo standard error {self.power_se:.3f}, "
                f"{s['simulations']} simulated trials); two such errors are {ends} cases an arm"
            )
        how = "log g/min, adjusted for log gland" if s["analysis"] == "gland_adjusted" else "log g/min, two samples"
        return (
            f"{self._cases()} cases an arm for a power of {s['power']:g}, {s['design']}{margin}\n"
            f"{self.efficiency_g_min:.2f} g/min against {b:.2f} (means of ratios), SD of one case's log "
            f"{self.log_sd:.2f}; t test of {how}, alpha {s['alpha']:g} two-sided{known}\n"
            f"closed form of the two-sample comparison: {self.closed_form} cases an arm\n"
            f"From: {self.origin}\n"
            "The true difference is taken as known: a smaller one needs more cases.\n\n"
            f"{self.caution}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Everything said, in types that JSON holds."""
        names = (
            *("cases_per_arm", "lower", "upper", "power", "power_se", "closed_form"),
            *("efficiency_g_min", "log_sd", "settings", "origin", "caution"),
        )
        said: dict[str, Any] = plain(
            {name: getattr(self, name) for name in names} | {"curve": self.curve.reset_index()}
        )
        return said


def trial_size(
    model_or_spread: TheatreTimeModel | EfficiencySpread,
    *,
    difference_g_min: float,
    power: float = 0.8,
    alpha: float = 0.05,
    design: Design = "superiority",
    margin_g_min: float | None = None,
    cases: Cases | Source | None = None,
    device_class: DeviceClass | NewClass | str | None = None,
    canister_ml: float = math.inf,
    analysis: Analysis = "two_sample",
    simulations: int = 4000,
    most: int = 1000,
    seed: int = 1,
) -> TrialSize:
    """Cases an arm with which a trial shows that B morcellates ``difference_g_min`` more than A.

    Parameters
    ----------
    model_or_spread : TheatreTimeModel or EfficiencySpread
        A model needs ``cases`` and ``device_class``; a spread takes neither, nor the analysis by gland.
    difference_g_min : float
        True difference of means of ratios, B minus A.
    power, alpha : float
        ``alpha`` is two-sided; a non-inferiority trial tests one-sided at half of it.
    design, margin_g_min
        A non-inferiority trial needs the user's margin: so much slower than A may B be.
    cases : Cases, path or pandas.DataFrame
        The unit's case mix: glands with their surgeons and case numbers are drawn from it, with replacement. Rows that
        the data checks take something in for a slip of the pen are not drawn.
    device_class, canister_ml
        Of arm A: "reciprocating/vacuum", with a unit's own code "reciprocating/vacuum:X1", or a class of the file that
        the model's prior was given; and its collection in mL
        (infinite = continuous drain).
    analysis : {"two_sample", "gland_adjusted"}
        t test of the arms' log g/min, or of the arm's coefficient beside log gland.
    simulations : int
        Trials.
    most : int
        Cases an arm beyond which the search gives up.
    seed : int

    Notes
    -----
    Every trial draws from the fitted model's centre (its uncertainty is not averaged over): glands and surgeons from
    the case mix, tissue and blade time log-normal about their medians, hard nodules by gland, swaps from log-normal
    fluid, device faults with the class's chance. B's efficiency is A's times one ratio, chosen so that the means of
    ratios differ by ``difference_g_min``. Case j of an arm is the same in trials of any size (common random numbers),
    so the power of all sizes up to ``most`` comes from the same draws, and ``cases_per_arm`` is the first size from
    which a monotone fit of the simulated power stays above the target. Its Monte-Carlo error is stated.

    Raises InvalidArgument, naming every problem.
    """
    _check(difference_g_min, power, alpha, design, margin_g_min)
    settings: dict[str, Any] = {
        "difference_g_min": difference_g_min,
        "power": power,
        "alpha": alpha,
        "design": design,
        "margin_g_min": margin_g_min,
        "analysis": analysis,
        "simulations": simulations,
        "most": most,
        "seed": seed,
    }
    if isinstance(model_or_spread, EfficiencySpread):
        source: _SpreadSource | _ModelSource = _SpreadSource(model_or_spread)
        given = [name for name, one in (("cases", cases), ("device_class", device_class)) if one is not None]
        problems = [f"{name} is for a model" for name in given]
        if analysis == "gland_adjusted":
            problems.append("analysis 'gland_adjusted' needs a model with cases")
    else:
        problems = [
            f"a model needs {name}"
            for name, one in (("cases, the unit's case mix", cases), ("device_class, of arm A", device_class))
            if one is None
        ]
    if analysis not in ("two_sample", "gland_adjusted"):
        problems.append(f"analysis must be 'two_sample' or 'gland_adjusted', not {analysis!r}")
    if simulations < 200:
        problems.append(f"simulations must be 200 or more, not {simulations!r}")
    if most < 10:
        problems.append(f"most must be 10 or more, not {most!r}")
    if not canister_ml > 0:
        problems.append(f"canister_ml must be above 0, not {canister_ml!r}")
    if problems:
        raise _core.InvalidArgument("trial size: " + "; ".join(problems))
    if isinstance(model_or_spread, TheatreTimeModel):
        assert cases is not None and device_class is not None
        source = _ModelSource.of(model_or_spread, cases, device_class, canister_ml, seed)
        settings |= {"device_class": str(device_class), "canister_ml": canister_ml}
    _check(difference_g_min, power, alpha, design, margin_g_min, source.efficiency_g_min)

    form: dict[str, Any] = {
        "efficiency_g_min": source.efficiency_g_min,
        "log_sd": source.log_sd,
        "difference_g_min": difference_g_min,
        "alpha": alpha,
        "design": design,
        "margin_g_min": margin_g_min,
    }
    closed_form = closed_form_size(power=power, **form)
    size = min(most, max(30, 2 * closed_form))
    passed = _simulated(source, settings, size)
    if size < most and not _lasting(passed, power, simulations):
        size = most
        passed = _simulated(source, settings, size)
    n = np.arange(_FEWEST, size + 1)
    share = passed / simulations
    se = np.sqrt(share * (1 - share) / simulations)
    curve = pd.DataFrame(
        {"power": share, "power_se": se, "closed_form": closed_form_power(n, **form)},
        index=pd.Index(n, name="cases_per_arm"),
    )
    found = _lasting(passed, power, simulations)
    target_se = math.sqrt(power * (1 - power) / simulations)
    return TrialSize(
        cases_per_arm=found,
        lower=_lasting(passed, power - 2 * target_se, simulations),
        upper=_lasting(passed, min(power + 2 * target_se, 1 - 1e-9), simulations),
        power=float("nan") if found is None else float(curve["power"][found]),
        power_se=float("nan") if found is None else float(curve["power_se"][found]),
        closed_form=closed_form,
        curve=curve,
        efficiency_g_min=source.efficiency_g_min,
        log_sd=source.log_sd,
        settings=settings,
        origin=source.origin,
    )


def _lasting(passed: npt.NDArray[np.int64], power: float, simulations: int) -> int | None:
    """First size at which the monotone fit of the simulated power reaches the target."""
    above = np.flatnonzero(isotonic_regression(passed / simulations) >= power)
    return int(above[0]) + _FEWEST if len(above) else None


def _simulated(source: _SpreadSource | _ModelSource, settings: dict[str, Any], size: int) -> npt.NDArray[np.int64]:
    """In how many trials of each size, from _FEWEST to ``size`` an arm, the test shows what it should."""
    efficiency, margin = source.efficiency_g_min, settings["margin_g_min"]
    shift = math.log1p(settings["difference_g_min"] / efficiency)
    against = 0.0 if margin is None else math.log1p(-margin / efficiency)
    n = np.arange(_FEWEST, size + 1)
    adjusted = settings["analysis"] == "gland_adjusted"
    bound = stats.t.ppf(1 - settings["alpha"] / 2, 2 * n - 2 - adjusted)
    passed = np.zeros(len(n), np.int64)
    for first in range(0, settings["simulations"], _CHUNK):
        trials = min(_CHUNK, settings["simulations"] - first)
        y, x = _draw(source, settings["seed"], first // _CHUNK, trials, size)
        y[:, 1] += shift
        statistic = _t_statistic(y, x if adjusted else None, against)
        shown = statistic > bound
        if margin is None:
            shown |= statistic < -bound
        passed += shown.sum(axis=0)
    return passed


def _t_statistic(y: Doubles, x: Doubles | None, against: float) -> Doubles:
    """t of the difference B minus A, less ``against``: trials x sizes, from trials x arms x cases.

    With x the analysis of covariance: the difference of means, less the common slope times that of x.
    """
    size = y.shape[2]
    n = np.arange(1, size + 1, dtype=float)

    def within(u: Doubles, v: Doubles) -> Doubles:
        """Sum over both arms of products about the arm's mean, for the first 1, 2, ... cases."""
        sums = np.cumsum(u * v, axis=2) - np.cumsum(u, axis=2) * np.cumsum(v, axis=2) / n
        out: Doubles = sums.sum(axis=1)
        return out

    def apart(u: Doubles) -> Doubles:
        means = np.cumsum(u, axis=2) / n
        out: Doubles = means[:, 1] - means[:, 0]
        return out

    keep = slice(_FEWEST - 1, None)
    y = y - y.mean()  # sums of squares about a mean near zero lose no digits
    difference, residual = apart(y)[:, keep], within(y, y)[:, keep]
    nu, variance = (2 * n - 2)[keep], (2 / n)[keep]
    if x is not None:
        x = x - x.mean()
        sxx, sxy, dx = within(x, x)[:, keep], within(x, y)[:, keep], apart(x)[:, keep]
        slope = sxy / sxx
        difference, residual = difference - slope * dx, residual - slope * sxy
        nu, variance = nu - 1, variance + dx**2 / sxx
    return np.asarray((difference - against) / np.sqrt(residual / nu * variance))


def _generator(seed: int, *key: int) -> np.random.Generator:
    return np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, 0x7A1, *key])))


def _draw(
    source: _SpreadSource | _ModelSource, seed: int, chunk: int, trials: int, size: int
) -> tuple[Doubles, Doubles]:
    """Log g/min and log gland of some trials, all of arm A: trials x arms x cases.

    In blocks of cases, so that a larger trial continues a smaller one.
    """
    blocks = [source.cases(_generator(seed, chunk, k), (trials, 2, _BLOCK)) for k in range(-(-size // _BLOCK))]
    y, x = (np.concatenate(parts, axis=2)[:, :, :size] for parts in zip(*blocks, strict=True))
    return y, x


class _SpreadSource:
    def __init__(self, spread: EfficiencySpread) -> None:
        self.efficiency_g_min, self.log_sd = spread.efficiency_g_min, spread.log_sd
        self.origin = "mean and spread given by the user"

    def cases(self, rng: np.random.Generator, shape: tuple[int, ...]) -> tuple[Doubles, Doubles]:
        return self.log_sd * rng.standard_normal(shape), np.zeros(shape)


@dataclass(frozen=True)
class _ModelSource:
    """Cases of arm A as the model has them, its parameters at their estimates."""

    values: dict[str, float]
    spread: dict[str, float]
    log_gland: Doubles  # of the mix, over 80 mL
    level: Doubles  # of each case of the mix: surgeon and learning, log minutes of the blade
    nodule: Doubles  # chance of a hard nodule
    fault: float
    rate_effect: float
    flow_ml_min: float
    canister_ml: float
    efficiency_g_min: float = math.nan
    log_sd: float = math.nan
    origin: str = ""

    @staticmethod
    def of(
        model: TheatreTimeModel,
        cases: Cases | Source,
        device_class: DeviceClass | NewClass | str,
        canister_ml: float,
        seed: int,
    ) -> _ModelSource:
        classes = own_file(model, None)
        cases = cases if isinstance(cases, Cases) else read_cases(cases, device_classes=classes)
        one = DeviceClass.of(device_class, classes or ())
        fitted = model._fitted_or_prior()
        values = {row["name"]: float(row["estimate"]) for row in fitted.parameter_rows()}
        if one.device and f"device[{one.device}]" not in values:
            raise _core.InvalidArgument(f"device_class: the model has no level of a device {one.device!r}")
        spread = {row["name"]: float(row["spread"]) for row in fitted.spreads}
        frame = cases.frame[~looks_mistyped(cases.frame)]
        log_gland = np.log(frame["gland_ml"].to_numpy(float) / 80.0)
        number = frame["surgeon_case_no"].to_numpy(float) if "surgeon_case_no" in frame else np.full(len(frame), np.nan)
        # A surgeon whose number is blank is taken as past learning: the trial's surgeons are told nothing else of.
        left = np.where(np.isnan(number), 0.0, 1.0 / (1.0 + (np.nan_to_num(number, nan=1.0) - 1.0) / values["m_half"]))
        surgeons = frame["surgeon"] if "surgeon" in frame else pd.Series([None] * len(frame))
        own = np.array([values.get(f"surgeon_morcellation[{code}]", 0.0) for code in surgeons])
        rate_effect = values["blade_oscillating"] * (one.blade == "oscillating")
        rate_effect += values.get(f"suction_{one.suction}", 0.0) + values.get(f"device[{one.device}]", 0.0)
        faults = fitted.fault_rates
        source = _ModelSource(
            values=values,
            spread=spread,
            log_gland=log_gland,
            level=own + np.log1p(values["m_learn"] * left),
            nodule=np.array([fitted.hard_nodule_chance(float(v)) for v in frame["gland_ml"]]),
            fault=float(next((faults[name] for name in (one.device, one.name, "other") if name in faults), 0.0)),
            rate_effect=rate_effect,
            flow_ml_min=values[f"flow_{one.suction}"],
            canister_ml=canister_ml,
        )
        y, _ = source.cases(_generator(seed, 0xFFFF, 1), (_CASES_OF_MIX,))
        fit = (
            f"the model fitted to {fitted.n_cases} cases" if fitted.n_cases else "the model, unfitted: published prior"
        )
        return replace(
            source,
            efficiency_g_min=float(np.exp(y).mean()),
            log_sd=float(y.std()),
            origin=f"{fit}; glands and surgeons of {len(frame)} cases, arm A {one}",
        )

    def _minutes_and_tissue(
        self, rng: np.random.Generator, shape: tuple[int, ...]
    ) -> tuple[Doubles, Doubles, npt.NDArray[np.intp]]:
        v = self.values
        case = rng.integers(len(self.log_gland), size=shape)
        gland = self.log_gland[case]
        log_tissue = math.log(v["yield_g_80"]) + v["yield_exponent"] * gland
        log_tissue = log_tissue + self.spread["tissue"] * rng.standard_normal(shape)
        log_rate = math.log(v["rate_50"]) + v["rate_exponent"] * (log_tissue - math.log(50.0)) + self.rate_effect
        nodule = v["m_hard_nodule"] * (rng.random(shape) < self.nodule[case])
        blade = np.exp(log_tissue - log_rate + self.level[case] + nodule)
        fluid = (v["carry_over_ml"] + self.flow_ml_min * blade) * np.exp(v["fluid_log_sd"] * rng.standard_normal(shape))
        swaps = np.floor(fluid / self.canister_ml)
        fault = v["fault_min"] * (rng.random(shape) < self.fault)
        median = v["m_fixed"] + blade + v["swap_min"] * swaps + fault
        minutes = median * np.exp(self.spread["morcellation"] * rng.standard_normal(shape))
        return minutes, log_tissue, case

    def cases(self, rng: np.random.Generator, shape: tuple[int, ...]) -> tuple[Doubles, Doubles]:
        """Log g/min and log gland."""
        minutes, log_tissue, case = self._minutes_and_tissue(rng, shape)
        return log_tissue - np.log(minutes), self.log_gland[case]
