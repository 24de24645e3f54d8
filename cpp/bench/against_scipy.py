"""Fit and prediction against scipy and numpy on the same model, interleaved, one thread:

    OPENBLAS_NUM_THREADS=1 python cpp/bench/against_scipy.py [CASES ...]

scipy.optimize.least_squares solves the objective once from the prior's centre, with our spreads given to it, an
analytic Jacobian, the same loss and priors (each row as the root of twice its cost). Ours is the whole job: Huber
start, spreads found, default loss, intervals' ingredients. How scipy stopped, and how far
from our minimum, is printed before anything is timed: a ratio against a solve that stalled says little.
Prediction: 40 bookings x 4,096 joint draws, against the same formulas in vectorised numpy.
"""

from __future__ import annotations

import statistics
import sys
import time
import warnings

import numpy as np
from scipy.optimize import OptimizeResult, least_squares
from scipy.special import ndtr

import lobetime as lt
from lobetime import _core

TUNING = 1.345
TOLERANCES = (1e-8, 1e-10)  # scipy's default, and one nearer to the precision of ours
LN2 = np.log(2.0)


class NumpyObjective:
    """Huber objective of cases with every column recorded, rows as residuals with their Jacobian."""

    def __init__(self, table: _core.CaseTable, fit: _core.TheatreTimeFit) -> None:
        self.at = {name: i for i, name in enumerate(fit.names)}
        self.p = len(fit.names)
        self.prior_mean, self.root_precision = np.array(fit.prior_mean), np.sqrt(fit.prior_precision)
        self.factor = _core.loss_information_factor("huber")
        rows = fit.observations()
        case, kind, channel = rows["case_index"], np.array(rows["kind"]), np.array(rows["channel"])
        self.rows = {name: (kind == "residual") & (channel == name) for name in set(channel)}
        self.case = {name: case[mask] for name, mask in self.rows.items()}
        self.left = {name: (rows["recorded"] - rows["offset_min"])[mask] for name, mask in self.rows.items()}
        self.offset = {name: rows["offset_min"][mask] for name, mask in self.rows.items()}
        self.spread = {name: rows["spread"][mask] for name, mask in self.rows.items()}
        self.shift = {name: rows["shift"][mask] for name, mask in self.rows.items()}
        self.counted = case[kind == "swap_count"]
        self.v80 = np.log(table.gland_ml / 80)
        self.done = table.surgeon_case_no - 1
        self.tissue = np.log(table.tissue_g)
        self.oscillating = (table.blade == "oscillating").astype(float)
        self.share = {kind: (table.suction == kind).astype(float) for kind in ("vacuum", "peristaltic", "wall")}
        self.trainee, self.nodule, self.fault = table.trainee, table.hard_nodule, table.device_fault
        self.anticoagulated = table.anticoagulated
        self.spinal = (table.anaesthesia == "spinal").astype(float)
        self.swaps = np.nan_to_num(table.canister_swaps)
        self.log_canister = np.log(table.canister_ml)
        self.u = np.array([self.at[f"surgeon_enucleation[{code}]"] for code in table.surgeon])
        self.v = np.array([self.at[f"surgeon_morcellation[{code}]"] for code in table.surgeon])

    def phases(self, t: np.ndarray) -> dict[str, tuple[np.ndarray, dict]]:
        """log of each phase's minutes and its derivatives by column; columns of levels are index arrays."""
        a = self.at
        grown = np.exp(t[a["e_80"]] + t[a["e_exponent"]] * self.v80)
        base = t[a["e_fixed"]] + grown
        half = np.exp(t[a["e_half"]])
        left = np.exp(-LN2 * self.done / half)
        learning = 1 + t[a["e_learn"]] * left
        enucleation = np.log(base * learning) + t[self.u] + t[a["e_trainee"]] * self.trainee
        out = {
            "enucleation": (
                enucleation,
                {
                    a["e_fixed"]: 1 / base,
                    a["e_80"]: grown / base,
                    a["e_exponent"]: grown * self.v80 / base,
                    a["e_learn"]: left / learning,
                    a["e_half"]: t[a["e_learn"]] * left * LN2 * self.done / half / learning,
                    a["e_trainee"]: self.trainee,
                    "level": (self.u, 1.0),
                },
            ),
            "haemostasis": (
                t[a["h_min"]] + t[a["h_anticoagulated"]] * self.anticoagulated,
                {a["h_min"]: 1.0, a["h_anticoagulated"]: self.anticoagulated},
            ),
            "room": (
                t[a["room_min"]] + t[a["room_spinal"]] * self.spinal,
                {a["room_min"]: 1.0, a["room_spinal"]: self.spinal},
            ),
            "tissue": (
                t[a["yield_g_80"]] + t[a["yield_exponent"]] * self.v80,
                {a["yield_g_80"]: 1.0, a["yield_exponent"]: self.v80},
            ),
        }
        half = np.exp(t[a["m_half"]])
        left = np.exp(-LN2 * self.done / half)
        learning = 1 + t[a["m_learn"]] * left
        size = self.tissue - np.log(50)
        log_blade = (
            self.tissue
            - t[a["rate_50"]]
            - t[a["rate_exponent"]] * size
            - t[a["blade_oscillating"]] * self.oscillating
            - t[a["suction_peristaltic"]] * self.share["peristaltic"]
            - t[a["suction_wall"]] * self.share["wall"]
            + np.log(learning)
            + t[self.v]
            + t[a["m_trainee"]] * self.trainee
            + t[a["m_hard_nodule"]] * self.nodule
        )
        blade = np.exp(log_blade)
        per_log_blade = {
            a["rate_50"]: -1.0,
            a["rate_exponent"]: -size,
            a["blade_oscillating"]: -self.oscillating,
            a["suction_peristaltic"]: -self.share["peristaltic"],
            a["suction_wall"]: -self.share["wall"],
            a["m_learn"]: left / learning,
            a["m_half"]: t[a["m_learn"]] * left * LN2 * self.done / half / learning,
            a["m_trainee"]: self.trainee,
            a["m_hard_nodule"]: self.nodule,
        }
        fixed, swap, fault = (np.exp(t[a[name]]) for name in ("m_fixed", "swap_min", "fault_min"))
        minutes = fixed + blade + swap * self.swaps + fault * self.fault
        share = blade / minutes
        slopes = {column: slope * share for column, slope in per_log_blade.items()}
        slopes |= {
            a["m_fixed"]: fixed / minutes,
            a["swap_min"]: swap * self.swaps / minutes,
            a["fault_min"]: fault * self.fault / minutes,
            "level": (self.v, share),
        }
        out["morcellation"] = (np.log(minutes), slopes)
        flow = np.exp(sum(t[a[f"flow_{kind}"]] * share for kind, share in self.share.items()))
        carry = np.exp(t[a["carry_over_ml"]])
        fluid = carry + flow * blade
        moved = flow * blade / fluid
        slopes = {column: slope * moved for column, slope in per_log_blade.items()}
        slopes |= {a[f"flow_{kind}"]: moved * share for kind, share in self.share.items()}
        slopes |= {a["carry_over_ml"]: carry / fluid, "level": (self.v, moved)}
        out["fluid"] = (np.log(fluid), slopes)
        return out

    def both(self, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        residuals, jacobians = [], []
        phases = self.phases(t)
        for name in self.rows:
            case = self.case[name]
            predicted, slopes = phases[name]
            x = self.left[name] / np.exp(predicted[case])
            tangent = (x < 0.3) & (self.offset[name] > 0)
            log_x = np.where(tangent, np.log(0.3) + x / 0.3 - 1, np.log(np.where(x > 0, x, 1.0)))
            u = (log_x - self.shift[name]) / self.spread[name]
            size = np.abs(u)
            inside = size <= TUNING
            rho = np.where(inside, 0.5 * u * u, TUNING * size - 0.5 * TUNING**2)
            root = np.sign(u) * np.sqrt(2 * self.factor * rho)
            psi = np.clip(u, -TUNING, TUNING)
            with np.errstate(invalid="ignore", divide="ignore"):
                chain = np.where(inside, np.sqrt(self.factor), self.factor * psi / root)
            pull = -chain * np.where(tangent, x / 0.3, 1.0) / self.spread[name]
            residuals.append(root)
            jacobians.append(self.matrix(slopes, case, pull))
        log_fluid, slopes = phases["fluid"]
        case = self.counted
        sd = np.exp(t[self.at["fluid_log_sd"]])
        count = self.swaps[case]
        x = log_fluid[case] - self.log_canister[case]
        upper, lower = (np.log(count + 1) - x) / sd, (np.log(np.maximum(count, 1e-300)) - x) / sd
        density = lambda z: np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)  # noqa: E731
        chance = (1 - 1e-4) * (ndtr(upper) - ndtr(lower)) + 1e-4
        root = np.sqrt(-2 * np.log(chance))
        per_fluid = -(1 - 1e-4) * (density(lower) - density(upper)) / sd / chance / root
        per_sd = -(1 - 1e-4) * (density(lower) * lower - density(upper) * upper) / chance / root
        residuals.append(root)
        jacobian = self.matrix(slopes, case, per_fluid)
        jacobian[:, self.at["fluid_log_sd"]] = per_sd
        jacobians.append(jacobian)
        residuals.append(self.root_precision * (t - self.prior_mean))
        jacobians.append(np.diag(self.root_precision))
        return np.concatenate(residuals), np.vstack(jacobians)

    def matrix(self, slopes: dict, case: np.ndarray, pull: np.ndarray) -> np.ndarray:
        out = np.zeros((case.size, self.p))
        for column, slope in slopes.items():
            if column == "level":
                index, value = slope
                out[np.arange(case.size), index[case]] = pull * (value if np.isscalar(value) else value[case])
            else:
                out[:, column] = pull * (slope if np.isscalar(slope) else slope[case])
        return out

    def solve(self, lower: np.ndarray, upper: np.ndarray, tolerance: float) -> OptimizeResult:
        kept: dict[bytes, tuple[np.ndarray, np.ndarray]] = {}

        def at(t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            key = t.tobytes()
            if key not in kept:
                kept.clear()
                kept[key] = self.both(t)
            return kept[key]

        return least_squares(
            lambda t: at(t)[0],
            self.prior_mean,
            jac=lambda t: at(t)[1],
            bounds=(lower, upper),
            x_scale="jac",
            xtol=tolerance,
            ftol=tolerance,
            gtol=tolerance,
        )


def numpy_prediction(model: lt.TheatreTimeModel, cases: int, draws: int, random: np.random.Generator) -> np.ndarray:
    """The same formulas, one booking at a time, all draws at once."""
    fitted = model.fitted_
    a = {name: i for i, name in enumerate(fitted.names)}
    spread = {row["name"]: row["spread"] for row in fitted.spreads}
    t = random.multivariate_normal(fitted.theta, fitted.covariance, size=draws, method="eigh").T
    out = np.empty((cases, draws, 4))
    for i in range(cases):
        z = random.standard_normal((6, draws))
        v = np.log((40 + 4 * i) / 80)
        enucleation = (t[a["e_fixed"]] + np.exp(t[a["e_80"]] + t[a["e_exponent"]] * v)) * (
            1 + t[a["e_learn"]] * np.exp(-LN2 * 50 / np.exp(t[a["e_half"]]))
        )
        tissue = t[a["yield_g_80"]] + t[a["yield_exponent"]] * v + spread["tissue"] * z[0]
        rate = t[a["rate_50"]] + t[a["rate_exponent"]] * (tissue - np.log(50)) + t[a["blade_oscillating"]]
        blade = np.exp(tissue - rate) * (1 + t[a["m_learn"]] * np.exp(-LN2 * 50 / np.exp(t[a["m_half"]])))
        fluid = np.exp(t[a["carry_over_ml"]]) + np.exp(t[a["flow_vacuum"]]) * blade
        swaps = np.floor(fluid * np.exp(np.exp(t[a["fluid_log_sd"]]) * z[1]) / 2000)
        out[i, :, 0] = enucleation * np.exp(spread["enucleation"] * z[2])
        out[i, :, 1] = np.exp(t[a["h_min"]] + spread["haemostasis"] * z[3])
        morcellation = np.exp(t[a["m_fixed"]]) + blade + np.exp(t[a["swap_min"]]) * swaps
        out[i, :, 2] = morcellation * np.exp(spread["morcellation"] * z[4])
        out[i, :, 3] = np.exp(t[a["room_min"]] + spread["room"] * z[5])
    return out


def interleaved(jobs: dict, rounds: int) -> dict[str, list[float]]:
    """Milliseconds of each job, taken in turn; the first turn warms up and is not kept."""
    times: dict[str, list[float]] = {name: [] for name in jobs}
    for turn in range(rounds + 1):
        for name, job in jobs.items():
            start = time.perf_counter()
            job()
            if turn:
                times[name].append(1e3 * (time.perf_counter() - start))
    return times


def report(title: str, times: dict[str, list[float]], ours: str) -> None:
    print(title)
    for name, values in times.items():
        ratio = statistics.median(values) / statistics.median(times[ours])
        print(f"  {name:<42} median {statistics.median(values):10.2f} ms  least {min(values):10.2f}  x {ratio:6.1f}")


def main(sizes: list[int]) -> None:
    warnings.simplefilter("ignore")
    prior = _core.published_prior()
    for n in sizes:
        table = lt.read_cases(lt.datasets.simulate_unit(n, seed=1)).table
        fit = _core.fit_theatre_time(table, prior, loss="huber", threads=1)
        numpy_objective = NumpyObjective(table, fit)
        facts = {row["name"]: row for row in _core.core_parameters()}

        def bound(name: str, side: str, facts: dict = facts) -> float:
            if name not in facts:
                return -1.6 if side == "lower" else 1.6
            value = facts[name][side]
            return float(np.log(value)) if facts[name]["scale"] == "log" else value

        lower = np.array([bound(name, "lower") for name in fit.names])
        upper = np.array([bound(name, "upper") for name in fit.names])
        cost = 0.5 * np.sum(numpy_objective.both(np.array(fit.theta))[0] ** 2)
        print(f"n = {n}: the numpy objective at our minimum differs from ours by {cost / fit.cost - 1:.1e}")
        error = np.sqrt(np.diag(np.linalg.inv(fit.curvature)))
        for tolerance in TOLERANCES:
            theirs = numpy_objective.solve(lower, upper, tolerance)
            apart = np.max(np.abs(theirs.x - fit.theta) / error)
            print(
                f"  scipy at {tolerance:g}: {theirs.nfev} evaluations, status {theirs.status}; cost above ours "
                f"{theirs.cost / fit.cost - 1:.1e}; farthest parameter {apart:.1e} standard errors away"
            )
        times = interleaved(
            {
                "lobetime, whole fit, huber": lambda t=table: _core.fit_theatre_time(t, prior, loss="huber", threads=1),
                "lobetime, whole fit, bisquare": lambda t=table: _core.fit_theatre_time(t, prior, threads=1),
                **{
                    f"scipy at {tolerance:g}, one solve, spreads given": (
                        lambda o=numpy_objective, a=lower, b=upper, t=tolerance: o.solve(a, b, t)
                    )
                    for tolerance in TOLERANCES
                },
            },
            rounds=9 if n <= 1000 else 2,
        )
        report("  fit", times, "lobetime, whole fit, huber")
    model = lt.TheatreTimeModel(threads=1).fit(lt.datasets.simulate_unit(500, seed=1))
    unit = lt.datasets.load_demo_unit()
    bookings = lt.read_bookings(unit.bookings)
    random = np.random.default_rng(1)
    times = interleaved(
        {
            "lobetime": lambda: model.predict(bookings),
            "numpy, vectorised over draws": lambda: numpy_prediction(model, len(bookings), 4096, random),
        },
        rounds=9,
    )
    report("predict, 40 bookings x 4,096 draws", times, "lobetime")


if __name__ == "__main__":
    main([int(arg) for arg in sys.argv[1:]] or [500, 10_000])
