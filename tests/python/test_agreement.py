"""The fit of the demo unit against an independent solve of the same objective.

Formulas, losses, spreads and objective are written here a second time, in numpy and case by case rather than tile by
tile; derivatives come from complex steps, so none of the engine's is used; scipy.optimize.least_squares minimises.
Taken from the fit: what was observed (columns of ``observations()``), the row spreads and shifts it held, the prior,
the names.
The solve starts from the prior's centre, never from the fitted parameters.
"""

from __future__ import annotations

import itertools
import warnings
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq, least_squares
from scipy.special import digamma, ndtr, polygamma

import lobetime as lt
from lobetime import _core

TUNING = {"squares": 0.0, "huber": 1.345, "bisquare": 4.685}
NODES = ((0.0, 2 / 3), (np.sqrt(3), 1 / 6), (-np.sqrt(3), 1 / 6))  # Gauss-Hermite for a standard normal
MISRECORDED = 1e-4
SUMMED = 40
CHANNELS = ("tissue", "enucleation", "haemostasis", "morcellation", "room", "operative", "theatre")
PHASE_BITS = {"enucleation": 1, "haemostasis": 2, "morcellation": 4, "room": 8}


# ------------------------------------------------------------------------------------------------------------ losses


def half_root_loss(u, loss):
    """v with v^2 / 2 = rho(u) and the sign of u: what least_squares has to see."""
    if loss == "squares":
        return u
    a = TUNING[loss]
    far = np.abs(u.real) > a
    sign = np.where(u.real < 0, -1.0, 1.0)
    if loss == "huber":
        return np.where(far, sign * np.sqrt(np.where(far, 2 * a * sign * u - a**2, 1.0)), u)
    s = (u / a) ** 2
    return np.where(far, sign * a / np.sqrt(3), u * np.sqrt(np.where(far, 1.0, 1 - s + s**2 / 3)))


def weight(u, loss):
    u = np.abs(u)
    if loss == "squares":
        return np.ones_like(u)
    a = TUNING[loss]
    return np.minimum(1, a / np.maximum(u, 1e-300)) if loss == "huber" else np.clip(1 - (u / a) ** 2, 0, None) ** 2


def loss_curvature(u, loss):
    """psi'."""
    if loss == "squares":
        return np.ones_like(u)
    a = TUNING[loss]
    s = (u / a) ** 2
    return np.where(s <= 1, 1.0 if loss == "huber" else (1 - s) * (1 - 5 * s), 0.0)


def normal_cdf(z):
    """Of a complex z with a vanishing imaginary part; scipy's own for complex numbers is far slower."""
    if not np.iscomplexobj(z):
        return ndtr(z)
    return ndtr(z.real) + 1j * z.imag * normal_pdf(z.real)


def normal_pdf(z):
    return np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)


def expectation(f, corner):
    """E f(Z) of an even f that is smooth but for a corner."""
    ends = [0.0, corner, 12.0] if corner else [0.0, 6.0, 12.0]
    options = {"epsabs": 1e-15, "epsrel": 1e-13, "limit": 200}
    pieces = itertools.pairwise(ends)
    return 2 * sum(quad(lambda z: f(z) * normal_pdf(z), low, high, **options)[0] for low, high in pieces)


def information_factor(loss):
    """E psi' / E psi^2 at the standard normal; by parts E psi' = E Z psi."""
    a = TUNING[loss]
    psi = [expectation(lambda z, k=k: z**k * (z * weight(z, loss)) ** (2 - k), a) for k in (0, 1)]
    return psi[1] / psi[0]


@pytest.mark.parametrize("loss", TUNING)
def test_information_factor(loss):
    assert _core.loss_information_factor(loss) == pytest.approx(information_factor(loss), rel=1e-9)


# ---------------------------------------------------------------------------------------------------------- objective


def swaps_of(x, log_sd):
    """Expected number of canisters filled by log-normal fluid, x = log(fluid / capacity)."""
    j = np.arange(1, SUMMED + 1)
    summed = normal_cdf((x[..., None] - np.log(j)) / log_sd).sum(-1)
    a = SUMMED + 0.5
    d = (x - np.log(a)) / log_sd
    return summed + np.exp(x + log_sd**2 / 2) * normal_cdf(d + log_sd) - a * normal_cdf(d)


def log_ratio(x):
    """log from 0.3 up and its tangent below."""
    upper = x.real >= 0.3
    return np.where(upper, np.log(np.where(upper, x, 1.0)), np.log(0.3) + x / 0.3 - 1)


def variance_of_swaps(x, log_sd, up_to=4000):
    """Of the same count, summed to the end."""
    j = np.arange(1, up_to + 1)
    p = normal_cdf((x[..., None] - np.log(j)) / log_sd)
    mean = p.sum(-1)
    return ((2 * j - 1) * p).sum(-1) - mean**2


def rounding_step(values):
    """Largest of 30, 15, 10, 5 and 1 that nine tenths of the values are multiples of."""
    values = values[np.isfinite(values)]
    for step in (30.0, 15.0, 10.0, 5.0, 1.0):
        if values.size >= 8 and np.mean(values / step == np.round(values / step)) >= 0.9:
            return step
    return 0.0


@dataclass
class Unit:
    """The demo unit as the model's formulas see it, and one fit of it."""

    model: lt.TheatreTimeModel
    cases: lt.Cases

    def __post_init__(self):
        fit, table = self.model.fit_, self.cases.table
        self.names = list(fit.names)
        self.at = {name: i for i, name in enumerate(self.names)}
        self.logged = {row["name"] for row in _core.core_parameters() if row["scale"] == "log"}
        self.prior_precision = np.array(fit.prior_precision)
        # A linear term in a parameter with a prior is a move of the prior's mean.
        pull = np.where(np.array(self.names) == "fluid_log_sd", fit.counts_used, 0.0)
        self.prior_mean = fit.prior_mean + np.linalg.solve(self.prior_precision, pull)
        self.cost_besides = -0.5 * pull @ (fit.prior_mean + self.prior_mean)
        observed = fit.observations()
        self.i = np.array(observed["case_index"])
        self.channel = np.array(observed["channel"])
        self.kind = np.array(observed["kind"])
        self.phases = np.array(observed["phases"])
        self.recorded = np.array(observed["recorded"])
        self.offset = np.array(observed["offset_min"])
        self.spread = np.array(observed["spread"])
        self.shift = np.array(observed["shift"])
        self.tissue_spread = float(self.model.scale_.loc["tissue", "spread"])

        self.log_v80 = np.log(table.gland_ml / 80)
        number = table.surgeon_case_no
        self.done = np.where(np.isnan(number), 1e9, number - 1)
        blade, suction = table.blade, table.suction
        self.oscillating = np.select([blade == "oscillating", blade == "reciprocating"], [1.0, 0.0], 0.5)
        self.suction = {
            kind: np.where(
                suction == kind, 1.0, np.where(np.isin(suction, ["vacuum", "peristaltic", "wall"]), 0.0, blank)
            )
            for kind, blank in (("vacuum", 0.5), ("peristaltic", 0.5), ("wall", 0.0))
        }
        self.flag = {
            name: np.nan_to_num(getattr(table, name))
            for name in ("trainee", "anticoagulated", "hard_nodule", "device_fault")
        }
        self.spinal = (table.anaesthesia == "spinal").astype(float)
        self.canister = np.where(np.isfinite(table.canister_ml), table.canister_ml, np.inf)
        # A recorded count tells about the fluid, not about the time: a case that was long for other reasons has more.
        self.step = np.select(
            [
                self.channel == "tissue",
                self.channel == "enucleation",
                self.channel == "morcellation",
                np.isin(self.channel, ["haemostasis", "operative"]) & np.isfinite(table.operative_min[self.i]),
                self.channel == "haemostasis",
                np.isin(self.channel, ["room", "theatre"]),
            ],
            [
                rounding_step(values)
                for values in (
                    table.tissue_g,
                    table.enucleation_min,
                    table.morcellation_min,
                    table.operative_min,
                    table.haemostasis_min,
                    table.theatre_min,
                )
            ],
        )
        with np.errstate(invalid="ignore"):
            self.log_tissue = np.where(table.morcellation_outcome == "deferred", np.nan, np.log(table.tissue_g))
        self.surgeon = np.array(table.surgeon)
        self.device = np.array(table.device)

    # --- formulas

    def value(self, theta, name):
        return np.exp(theta[self.at[name]]) if name in self.logged else theta[self.at[name]]

    def level(self, theta, group, codes):
        """0 where the code is blank."""
        where = np.array([self.at.get(f"{group}[{code}]", -1) for code in codes])
        return np.where(where >= 0, theta[np.maximum(where, 0)], 0.0)

    def yield_line(self, theta):
        return theta[self.at["yield_g_80"]] + theta[self.at["yield_exponent"]] * self.log_v80

    def minutes_without_morcellation(self, theta):
        v = lambda name: self.value(theta, name)  # noqa: E731
        learn = v("e_learn") * np.exp(self.level(theta, "surgeon_learning", self.surgeon))
        learning = 1 + learn / (1 + self.done / v("e_half"))
        base = v("e_fixed") + v("e_80") * np.exp(v("e_exponent") * self.log_v80)
        surgeon = self.level(theta, "surgeon_enucleation", self.surgeon)
        return {
            "enucleation": base * learning * np.exp(surgeon + v("e_trainee") * self.flag["trainee"]),
            "haemostasis": v("h_min") * np.exp(v("h_anticoagulated") * self.flag["anticoagulated"]),
            "room": v("room_min") * np.exp(v("room_spinal") * self.spinal),
        }

    def blade_minutes(self, theta, offset):
        """At the recorded tissue, or ``offset`` off the yield line where it is blank."""
        v = lambda name: self.value(theta, name)  # noqa: E731
        tissue = np.where(np.isnan(self.log_tissue), self.yield_line(theta) + offset, self.log_tissue)
        rate = (
            theta[self.at["rate_50"]]
            + v("rate_exponent") * (tissue - np.log(50))
            + v("blade_oscillating") * self.oscillating
            + v("suction_peristaltic") * self.suction["peristaltic"]
            + v("suction_wall") * self.suction["wall"]
            + self.level(theta, "device", self.device)
        )
        more = (
            self.level(theta, "surgeon_morcellation", self.surgeon)
            + v("m_trainee") * self.flag["trainee"]
            + v("m_hard_nodule") * self.flag["hard_nodule"]
        )
        return np.exp(tissue - rate + more) * (1 + v("m_learn") / (1 + self.done / v("m_half")))

    def log_fluid_per_canister(self, theta, blade):
        flow = np.exp(sum(theta[self.at[f"flow_{kind}"]] * share for kind, share in self.suction.items()))
        return np.log(self.value(theta, "carry_over_ml") + flow * blade) - np.log(self.canister)

    def morcellation_minutes(self, theta, offset):
        blade = self.blade_minutes(theta, offset)
        expected = np.isfinite(self.canister)
        swaps = np.zeros(self.canister.size, dtype=theta.dtype)
        x = self.log_fluid_per_canister(theta, blade)[expected]
        swaps[expected] = swaps_of(x, self.value(theta, "fluid_log_sd"))
        v = lambda name: self.value(theta, name)  # noqa: E731
        return v("m_fixed") + blade + v("swap_min") * swaps + v("fault_min") * self.flag["device_fault"]

    # --- objective

    def log_ratios(self, theta):
        """log of what was recorded, less what was recorded of its parts, over what it should be.

        Blank tissue is averaged over its nodes.
        """
        other = self.minutes_without_morcellation(theta)
        known = np.zeros(self.i.size, dtype=theta.dtype)
        for name, minutes in other.items():
            known = known + np.where(
                self.phases & PHASE_BITS[name], np.broadcast_to(minutes, self.done.shape)[self.i], 0.0
            )
        out = np.zeros(self.i.size, dtype=theta.dtype)
        with_blade = (self.phases & PHASE_BITS["morcellation"]) > 0
        positive = np.where(known.real + with_blade > 0, known, 1.0)  # rows without minutes: tissue and counts
        left = self.recorded - self.offset
        for offset, share in NODES:
            blade = self.morcellation_minutes(theta, offset * self.tissue_spread)[self.i]
            x = left / np.where(with_blade, known + blade, positive)
            out = out + share * np.where(self.offset > 0, log_ratio(x), np.log(np.where(left > 0, x, 1.0)))
        tissue = np.log(np.maximum(self.recorded, 1e-9)) - self.yield_line(theta)[self.i]
        return np.where(self.channel == "tissue", tissue, out)

    def log_chance_of_counts(self, theta):
        """log of the chance of each recorded count, misrecording allowed for; rows of swap counts only."""
        rows = self.kind == "swap_count"
        i, count = self.i[rows], self.recorded[rows]
        sd = self.value(theta, "fluid_log_sd")
        chance = 0
        for offset, share in NODES:
            x = self.log_fluid_per_canister(theta, self.blade_minutes(theta, offset * self.tissue_spread))[i]
            below = np.where(count > 0, normal_cdf((np.log(np.maximum(count, 1)) - x) / sd), 0)
            chance = chance + share * (normal_cdf((np.log(count + 1) - x) / sd) - below)
        return np.log((1 - MISRECORDED) * chance + MISRECORDED)

    def standardised(self, theta):
        return (self.log_ratios(theta) - self.shift) / self.spread

    def residuals(self, theta, loss, factor):
        """Half their squared sum and ``cost_besides`` are the objective."""
        u = self.standardised(theta)
        times = self.kind == "residual"
        bounds = self.kind == "survivor"
        alive = np.log((1 - MISRECORDED) * normal_cdf(-u[bounds]) + MISRECORDED)
        return np.concatenate(
            [
                np.sqrt(factor) * half_root_loss(u[times], loss),
                np.sqrt(-2 * alive),
                np.sqrt(-2 * self.log_chance_of_counts(theta)),
                np.linalg.cholesky(self.prior_precision).T @ (theta - self.prior_mean),
            ]
        )

    def cost(self, theta, loss, factor):
        return 0.5 * np.sum(self.residuals(theta, loss, factor) ** 2) + self.cost_besides

    def derivatives(self, f, theta):
        """Of a real-analytic f, by complex steps: exact to rounding."""
        step = 1e-30
        columns = []
        for k in range(theta.size):
            moved = theta.astype(complex)
            moved[k] += 1j * step
            columns.append(f(moved).imag / step)
        return np.column_stack(columns)

    def solve(self, start, loss):
        """scipy's least_squares from ``start``, then a few Newton steps.

        least_squares stops where its cost is flat to rounding, some 1e-6 standard errors short: the steps go by the
        gradient, with a Hessian from its differences.
        """
        factor = information_factor(loss)

        def jacobian(theta):
            return self.derivatives(lambda t: self.residuals(t, loss, factor), theta)

        def gradient(theta):
            return jacobian(theta).T @ self.residuals(theta, loss, factor)

        solution = least_squares(
            lambda theta: self.residuals(theta, loss, factor),
            start,
            jac=jacobian,
            bounds=(self.bounds("lower"), self.bounds("upper")),
            x_scale="jac",
            xtol=1e-6,
            ftol=1e-8,
            gtol=1e-6,
            max_nfev=300,
        )
        assert solution.success
        theta = solution.x
        error = np.sqrt(np.diag(np.linalg.inv(solution.jac.T @ solution.jac)))
        steps = 1e-4 * error
        here = gradient(theta)
        hessian = np.array([gradient(theta + move) - here for move in np.diag(steps)]) / steps[:, None]
        hessian = 0.5 * (hessian + hessian.T)
        assert np.min(np.linalg.eigvalsh(hessian * np.outer(error, error))) > 0  # a minimum
        for _ in range(6):
            theta = theta - np.linalg.solve(hessian, gradient(theta))
        assert np.max(np.abs(theta - solution.x) / error) < 0.2  # the same minimum
        assert np.max(np.abs(gradient(theta) * error)) < 1e-9
        return theta, self.cost(theta, loss, factor)

    def bounds(self, side):
        rows = {row["name"]: row[side] for row in _core.core_parameters()}
        five_fold = {"lower": -1.6, "upper": 1.6}[side]  # a surgeon's or device's level
        natural = [rows.get(name, five_fold) for name in self.names]
        pairs = zip(self.names, natural, strict=True)
        return np.array([np.log(value) if name in self.logged else value for name, value in pairs])


SCALE_METHOD = {"squares": "sd", "huber": "reweighted", "bisquare": "reweighted"}


@pytest.fixture(scope="module")
def cases():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)  # the demo unit holds typing errors on purpose
        return lt.read_cases(lt.datasets.load_demo_unit().history)


@pytest.fixture(scope="module", params=[*((loss, "m") for loss in TUNING), ("bisquare", "mm")], ids="-".join)
def fitted(request, cases):
    loss, estimator = request.param
    return loss, Unit(lt.TheatreTimeModel(loss=loss, estimator=estimator).fit(cases), cases)


def test_the_unit_holds_every_kind_of_observation(fitted):
    _, unit = fitted
    assert set(unit.kind) == {"residual", "survivor", "swap_count"}
    assert {"tissue", "enucleation", "haemostasis", "morcellation", "room", "operative"} <= set(unit.channel)
    used = unit.i[(unit.phases & PHASE_BITS["morcellation"]) > 0]
    assert np.isnan(unit.log_tissue[used]).sum() >= 10


def test_objective_is_the_same_number(fitted):
    loss, unit = fitted
    theta = np.array(unit.model.fit_.theta)
    cost = unit.cost(theta, loss, information_factor(loss))
    assert unit.model.fit_.cost == pytest.approx(cost, rel=1e-9)


def test_standardised_residuals_are_the_same(fitted):
    _, unit = fitted
    theta = np.array(unit.model.fit_.theta)
    mine = unit.standardised(theta)
    rows = unit.kind != "swap_count"
    np.testing.assert_allclose(np.array(unit.model.fit_.observations()["standardised"])[rows], mine[rows], atol=1e-9)


@pytest.mark.slow
def test_independent_solve_finds_the_same_parameters(fitted):
    """1e-6 relative on every parameter.

    A parameter on the identity scale may lie anywhere about 0 (a surgeon's level): 1e-6 is then relative to its
    standard error where that is larger. Parameters on the log scale are compared on their natural scale.
    """
    loss, unit = fitted
    start = unit.prior_mean
    if loss == "bisquare":  # several minima: a convex fit first, as the engine does, but scipy's own
        start, _ = unit.solve(start, "huber")
    solution, cost = unit.solve(start, loss)
    theta = np.array(unit.model.fit_.theta)
    error = np.sqrt(np.diag(unit.model.covariance().to_numpy()))
    assert np.max(np.abs(start - theta) / error) > 0.05  # the solve had some way to go
    logged = np.array([name in unit.logged for name in unit.names])
    size = np.where(logged, 1.0, np.maximum(np.abs(theta), error))
    difference = np.abs(solution - theta) / size
    worst = int(np.argmax(difference))
    assert difference[worst] <= 1e-6, f"{unit.names[worst]}: {solution[worst]!r} against {theta[worst]!r}"
    assert cost == pytest.approx(unit.model.fit_.cost, rel=1e-9)


# ------------------------------------------------------------------------------------------------------------ spreads


def tissue_slope(unit, theta):
    """d log(morcellation minutes) / d log(tissue) where tissue is blank."""
    step = 1e-30
    moved = unit.morcellation_minutes(theta.astype(complex), 1j * step)
    return moved.imag / step / moved.real


def test_row_spreads_and_shifts(fitted):
    """Phases' spreads in minutes, the swaps' and the tissue's share, over the predicted minutes."""
    _, unit = fitted
    theta = np.array(unit.model.fit_.theta)
    spread = unit.model.scale_["spread"]
    minutes = {
        name: np.broadcast_to(m, unit.done.shape) for name, m in unit.minutes_without_morcellation(theta).items()
    }
    minutes["morcellation"] = unit.morcellation_minutes(theta, 0.0)
    open_ended = np.isinf(unit.canister)
    with np.errstate(invalid="ignore"):
        x = np.where(open_ended, 0.0, unit.log_fluid_per_canister(theta, unit.blade_minutes(theta, 0.0)))
    swaps = np.where(open_ended, 0.0, variance_of_swaps(x, unit.value(theta, "fluid_log_sd")))
    per_tissue = np.where(np.isnan(unit.log_tissue), tissue_slope(unit, theta), 0.0)
    extra = (
        unit.value(theta, "swap_min") ** 2 * swaps + (minutes["morcellation"] * per_tissue * unit.tissue_spread) ** 2
    )
    total, variance, bent = np.zeros(unit.i.size), np.zeros(unit.i.size), np.zeros(unit.i.size)
    for name, bit in PHASE_BITS.items():
        inside = (unit.phases & bit) > 0
        bent = bent + np.where(
            inside, spread[name] ** 2 * minutes[name][unit.i], 0.0
        )  # mean of a phase over its median
        total = total + np.where(inside, minutes[name][unit.i], 0.0)
        variance = variance + np.where(inside, (spread[name] * minutes[name][unit.i]) ** 2, 0.0)
        if name == "morcellation":
            variance = variance + np.where(inside, extra[unit.i], 0.0)
    multiple = np.where(np.isin(unit.channel, ["operative", "theatre"]), spread.reindex(unit.channel).to_numpy(), 1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        rounded = unit.step / np.sqrt(12) / np.where(unit.channel == "tissue", unit.recorded, total)
        mine = multiple * np.sqrt(variance) / total
    mine = np.hypot(np.where(unit.channel == "tissue", spread["tissue"], mine), rounded)
    rows = unit.kind != "swap_count"
    np.testing.assert_allclose(unit.spread[rows], mine[rows], rtol=1e-6)

    # E log of a sum of log-normal phases less the log of the summed medians, to second order: half of what the means
    # exceed the medians by, over the sum, less half the variance over the sum squared. Blank tissue is averaged on the
    # log scale already.
    blade = np.where((unit.phases & PHASE_BITS["morcellation"]) > 0, 1.0, 0.0)
    by_tissue = blade * (minutes["morcellation"] * per_tissue * unit.tissue_spread)[unit.i] ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = 0.5 * bent / total - 0.5 * (variance - by_tissue) / total**2
    shift = np.where(unit.channel == "tissue", 0.0, shift)
    # The engine integrates beyond 40 swaps, which a gland typed ten times too large gets to: 1e-8 of a log.
    np.testing.assert_allclose(unit.shift[rows], shift[rows], rtol=1e-6, atol=2e-8)


def m_scale(u):
    """Bisquare M-scale of breakdown one half."""
    a = 1.547644980928226
    share = lambda s: np.mean(1 - np.clip(1 - (u / s / a) ** 2, 0, None) ** 3) - 0.5  # noqa: E731
    return brentq(share, 1e-3, 1e3, xtol=1e-15, rtol=1e-14)


def spread_over_the_step(u, rounded, coarse):
    """Three nodes with the variance of a uniform error for each coarsely rounded value; ``rounded`` in row spreads."""
    nodes = np.sqrt(1.5) * np.array([-1.0, 0.0, 1.0])
    wide = (u[coarse, None] + nodes * rounded[coarse, None]) / np.hypot(1.0, rounded[coarse, None])
    return np.concatenate([u[~coarse], wide.ravel()])


def robust_spread(u, method):
    """``method`` "at_one": reweighted from a scale of 1 instead of the M-scale."""
    if method == "sd":
        return np.sqrt(np.mean(u**2))
    w = weight(u / (1.0 if method == "at_one" else m_scale(u)), "bisquare")
    both = [expectation(lambda z, k=k: weight(z, "bisquare") * z**k, TUNING["bisquare"]) for k in (2, 0)]
    return np.sqrt(np.sum(w * u**2) / np.sum(w) / (both[0] / both[1]))


EFFICIENCY = {
    "sd": 1.0,
    "reweighted": 0.82,
}  # of the log scale at the normal: how much a channel weighs against its prior


@pytest.mark.parametrize("loss, estimator", [*((loss, "m") for loss in TUNING), ("bisquare", "mm")])
def test_spreads_of_the_channels_are_at_their_fixed_point(cases, loss, estimator):
    """Robust spread of the channel's residuals, corrected for the parameters they paid for, drawn to the prior."""
    unit = Unit(lt.TheatreTimeModel(loss=loss, estimator=estimator).fit(cases), cases)
    method = SCALE_METHOD[loss]
    theta = np.array(unit.model.fit_.theta)
    factor = information_factor(loss)
    jacobian = unit.derivatives(unit.log_ratios, theta)
    u = unit.standardised(theta)
    times, bounds = unit.kind == "residual", unit.kind == "survivor"
    bend = np.zeros(u.size)
    bend[times] = factor * weight(u[times], loss) / unit.spread[times] ** 2
    alive = (1 - MISRECORDED) * normal_cdf(-u[bounds]) + MISRECORDED
    bend[bounds] = ((1 - MISRECORDED) * normal_pdf(u[bounds]) / alive / unit.spread[bounds]) ** 2
    counts = unit.derivatives(unit.log_chance_of_counts, theta)
    curvature = (jacobian.T * bend) @ jacobian + counts.T @ counts + unit.prior_precision
    own = bend.copy()  # the fit reports that of the objective itself
    own[times] = factor * loss_curvature(u[times], loss) / unit.spread[times] ** 2
    reported = (jacobian.T * own) @ jacobian + counts.T @ counts + unit.prior_precision
    np.testing.assert_allclose(unit.model.fit_.curvature, reported, rtol=1e-6, atol=1e-6 * np.max(np.diag(reported)))
    others = np.array(unit.names) != "fluid_log_sd"
    theirs = counts[:, others]
    used_by_counts = np.trace(np.linalg.solve(curvature[np.ix_(others, others)], theirs.T @ theirs))
    assert unit.model.fit_.counts_used == pytest.approx(used_by_counts, rel=1e-4)
    leverage = bend * np.einsum("ij,jk,ik->i", jacobian, np.linalg.inv(curvature), jacobian)

    prior = {one.name: one for one in _core.published_prior().spreads}
    phases = unit.minutes_without_morcellation(theta) | {"morcellation": unit.morcellation_minutes(theta, 0.0)}
    minutes = sum(
        np.where((unit.phases & bit) > 0, np.broadcast_to(phases[name], unit.done.shape)[unit.i], 0.0)
        for name, bit in PHASE_BITS.items()
    )
    denominator = np.where(unit.channel == "tissue", unit.recorded, minutes)
    with np.errstate(invalid="ignore", divide="ignore"):
        rounded = unit.step / np.sqrt(12) / denominator / unit.spread
    for channel in CHANNELS:
        spread = unit.model.scale_.loc[channel, "spread"]
        rows = times & (unit.channel == channel)
        n = int(rows.sum())
        assert unit.model.scale_.loc[channel, "observations"] == n
        prior_information = 1 / prior[channel].log_sd ** 2
        if n == 0:
            assert spread == pytest.approx(prior[channel].centre, rel=1e-12)
            continue
        # The engine holds the parameters' share once spreads have nearly settled; its share stands behind log_se.
        held = unit.model.scale_.loc[channel, "log_se"] ** -2 - prior_information
        # Mean and variance of the logarithm of a standard deviation with 2 half degrees of freedom.
        half = brentq(lambda x, h=held: 4 / polygamma(1, x) - h, 1e-3, n)
        used = n - 2 * half / EFFICIENCY[method]
        assert used == pytest.approx(min(leverage[rows].sum(), 0.75 * n), rel=0.01, abs=1e-3), channel
        nodes = spread_over_the_step(u[rows], rounded[rows], unit.step[rows] >= 5)
        own = (
            spread
            * max(robust_spread(nodes, "at_one" if estimator == "mm" else method), 0.05)
            * np.sqrt(n / (n - used))
        )
        log_own = np.log(own) + (np.log(half) - digamma(half)) / 2
        drawn = (held * log_own + prior_information * np.log(prior[channel].centre)) / (held + prior_information)
        assert spread == pytest.approx(np.exp(drawn), rel=1e-6), channel
