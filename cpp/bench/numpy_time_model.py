"""The time model's objective with its spreads held, in numpy, for scipy to minimise.

Rows, loss, priors and bounds are those of a fit of ours, for cases with every column recorded.
"""

from __future__ import annotations

import copy

import numpy as np
from scipy.optimize import OptimizeResult, least_squares, root
from scipy.special import ndtr

import lobetime as lt
from lobetime import _core

TUNING = 1.345


def expected_swaps(x: np.ndarray, log_sd: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Canisters that log-normal fluid fills, x = log(median / capacity): number, and slopes in x and log of log_sd."""
    summed = 40
    z = (x[:, None] - np.log(np.arange(1, summed + 1))) / log_sd
    density = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    last = (x - np.log(summed + 0.5)) / log_sd
    mean = np.exp(np.minimum(x, 700.0) + 0.5 * log_sd**2)
    shifted = last + log_sd
    beyond = mean * ndtr(shifted)
    at_shifted = np.exp(-0.5 * shifted * shifted) / np.sqrt(2 * np.pi)
    swaps = ndtr(z).sum(axis=1) + beyond - (summed + 0.5) * ndtr(last)
    per_x = density.sum(axis=1) / log_sd + beyond
    with np.errstate(invalid="ignore"):
        per_log_sd = -np.where(np.isfinite(z), density * z, 0.0).sum(axis=1)
    return swaps, per_x, per_log_sd + log_sd * mean * (log_sd * ndtr(shifted) + at_shifted)


class NumpyObjective:
    """Huber objective: rows as residuals with an analytic Jacobian."""

    def __init__(self, table: _core.CaseTable, fit: _core.TheatreTimeFit, lower: np.ndarray, upper: np.ndarray) -> None:
        self.at = {name: i for i, name in enumerate(fit.names)}
        self.p = len(fit.names)
        self.lower, self.upper = lower, upper
        # A linear term in a parameter with a prior is a move of the prior's mean.
        pull = np.where(np.arange(self.p) == self.at["fluid_log_sd"], fit.counts_used, 0.0)
        self.prior_mean = fit.prior_mean + np.linalg.solve(fit.prior_precision, pull)
        self.cost_besides = -0.5 * float(pull @ (fit.prior_mean + self.prior_mean))
        self.root_precision = np.linalg.cholesky(fit.prior_precision).T
        self.factor = _core.loss_information_factor("huber")
        rows = fit.observations()
        case, kind, channel = rows["case_index"], np.array(rows["kind"]), np.array(rows["channel"])
        self.by_row = {}
        for name in sorted(set(channel[kind == "residual"])):
            mask = (kind == "residual") & (channel == name)
            self.by_row[name] = {
                "case": case[mask],
                "left": (rows["recorded"] - rows["offset_min"])[mask],
                "offset": rows["offset_min"][mask],
                "spread": rows["spread"][mask],
                "shift": rows["shift"][mask],
            }
        self.counted = case[kind == "swap_count"]
        self.root_count = np.ones(len(table))
        self.v80 = np.log(table.gland_ml / 80)
        self.done = table.surgeon_case_no - 1
        self.tissue = np.log(table.tissue_g)
        self.oscillating = (table.blade == "oscillating").astype(float)
        suction = table.suction
        self.vacuum, self.peristaltic, self.wall = (
            (suction == name).astype(float) for name in ("vacuum", "peristaltic", "wall")
        )
        self.trainee, self.nodule, self.fault = table.trainee, table.hard_nodule, table.device_fault
        self.anticoagulated = table.anticoagulated
        self.spinal = (table.anaesthesia == "spinal").astype(float)
        self.recorded_swaps = np.nan_to_num(table.canister_swaps)
        self.log_canister = np.log(table.canister_ml)
        surgeons = table.surgeon
        self.u = np.array([self.at[f"surgeon_enucleation[{code}]"] for code in surgeons])
        self.v = np.array([self.at[f"surgeon_morcellation[{code}]"] for code in surgeons])
        learning = np.array([self.at.get(f"surgeon_learning[{code}]", -1) for code in surgeons])
        self.learner, self.w = (learning >= 0).astype(float), np.maximum(learning, 0)  # without one: slope 0

    def resampled(self, counts: np.ndarray) -> NumpyObjective:
        """The same objective with each case counted so often; cases that count 0 are left out."""
        kept = np.flatnonzero(counts)
        position = np.full(counts.size, -1)
        position[kept] = np.arange(kept.size)
        out = copy.copy(self)
        for name, value in vars(self).items():
            if isinstance(value, np.ndarray) and value.shape == counts.shape and name != "counted":
                setattr(out, name, value[kept])
        out.root_count = np.sqrt(counts[kept])
        out.by_row = {}
        for name, columns in self.by_row.items():
            chosen = counts[columns["case"]] > 0
            out.by_row[name] = {key: values[chosen] for key, values in columns.items()}
            out.by_row[name]["case"] = position[out.by_row[name]["case"]]
        out.counted = position[self.counted[counts[self.counted] > 0]]
        return out

    def phases(self, t: np.ndarray) -> dict[str, tuple[np.ndarray, dict]]:
        """log of each phase's minutes and its derivatives by column; columns of levels are index arrays."""
        a = self.at
        grown = np.exp(t[a["e_80"]] + t[a["e_exponent"]] * self.v80)
        base = t[a["e_fixed"]] + grown
        half = np.exp(t[a["e_half"]])
        left = 1 / (1 + self.done / half)
        gain = np.exp(self.learner * t[self.w])
        learn = t[a["e_learn"]] * gain
        learning = 1 + learn * left
        enucleation = np.log(base * learning) + t[self.u] + t[a["e_trainee"]] * self.trainee
        out = {
            "enucleation": (
                enucleation,
                {
                    a["e_fixed"]: 1 / base,
                    a["e_80"]: grown / base,
                    a["e_exponent"]: grown * self.v80 / base,
                    a["e_learn"]: gain * left / learning,
                    a["e_half"]: learn * left * (1 - left) / learning,
                    a["e_trainee"]: self.trainee,
                    "level": (self.u, 1.0),
                    "learning": (self.w, self.learner * learn * left / learning),
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
        left = 1 / (1 + self.done / half)
        learning = 1 + t[a["m_learn"]] * left
        size = self.tissue - np.log(50)
        log_blade = (
            self.tissue
            - t[a["rate_50"]]
            - t[a["rate_exponent"]] * size
            - t[a["blade_oscillating"]] * self.oscillating
            - t[a["suction_peristaltic"]] * self.peristaltic
            - t[a["suction_wall"]] * self.wall
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
            a["suction_peristaltic"]: -self.peristaltic,
            a["suction_wall"]: -self.wall,
            a["m_learn"]: left / learning,
            a["m_half"]: t[a["m_learn"]] * left * (1 - left) / learning,
            a["m_trainee"]: self.trainee,
            a["m_hard_nodule"]: self.nodule,
        }
        shares = {"vacuum": self.vacuum, "peristaltic": self.peristaltic, "wall": self.wall}
        flow = np.exp(sum(t[a[f"flow_{kind}"]] * share for kind, share in shares.items()))
        carry = np.exp(t[a["carry_over_ml"]])
        fluid = carry + flow * blade
        moved = flow * blade / fluid
        fixed, swap, fault = np.exp(t[a["m_fixed"]]), t[a["swap_min"]], t[a["fault_min"]]
        swaps, per_log_fluid, per_log_sd = expected_swaps(
            np.log(fluid) - self.log_canister, np.exp(t[a["fluid_log_sd"]])
        )
        minutes = fixed + blade + swap * swaps + fault * self.fault
        share = (blade + swap * per_log_fluid * moved) / minutes
        slopes = {column: slope * share for column, slope in per_log_blade.items()}
        slopes |= {
            a["m_fixed"]: fixed / minutes,
            a["swap_min"]: swaps / minutes,
            a["fault_min"]: self.fault / minutes,
            a["carry_over_ml"]: swap * per_log_fluid * carry / fluid / minutes,
            a["fluid_log_sd"]: swap * per_log_sd / minutes,
            "level": (self.v, share),
        }
        slopes |= {a[f"flow_{kind}"]: swap * per_log_fluid * moved * part / minutes for kind, part in shares.items()}
        out["morcellation"] = (np.log(minutes), slopes)
        slopes = {column: slope * moved for column, slope in per_log_blade.items()}
        slopes |= {a[f"flow_{kind}"]: moved * share for kind, share in shares.items()}
        slopes |= {a["carry_over_ml"]: carry / fluid, "level": (self.v, moved)}
        out["fluid"] = (np.log(fluid), slopes)
        return out

    def both(self, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Residuals and their Jacobian: each row the root of twice its cost."""
        residuals, jacobians = [], []
        phases = self.phases(t)
        for name, row in self.by_row.items():
            case = row["case"]
            predicted, slopes = phases[name]
            x = row["left"] / np.exp(predicted[case])
            tangent = (x < 0.3) & (row["offset"] > 0)
            log_x = np.where(tangent, np.log(0.3) + x / 0.3 - 1, np.log(np.where(x > 0, x, 1.0)))
            u = (log_x - row["shift"]) / row["spread"]
            size = np.abs(u)
            inside = size <= TUNING
            rho = np.where(inside, 0.5 * u * u, TUNING * size - 0.5 * TUNING**2)
            root = np.sign(u) * np.sqrt(2 * self.factor * rho)
            psi = np.clip(u, -TUNING, TUNING)
            with np.errstate(invalid="ignore", divide="ignore"):
                chain = np.where(inside, np.sqrt(self.factor), self.factor * psi / root)
            pull = -chain * np.where(tangent, x / 0.3, 1.0) / row["spread"]
            residuals.append(self.root_count[case] * root)
            jacobians.append(self.matrix(slopes, case, self.root_count[case] * pull))
        log_fluid, slopes = phases["fluid"]
        case = self.counted
        sd = np.exp(t[self.at["fluid_log_sd"]])
        count = self.recorded_swaps[case]
        x = log_fluid[case] - self.log_canister[case]
        upper, lower = (np.log(count + 1) - x) / sd, (np.log(np.maximum(count, 1e-300)) - x) / sd
        density = lambda z: np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)  # noqa: E731
        chance = (1 - 1e-4) * (ndtr(upper) - ndtr(lower)) + 1e-4
        root = np.sqrt(-2 * np.log(chance))
        times = self.root_count[case]
        per_fluid = -(1 - 1e-4) * (density(lower) - density(upper)) / sd / chance / root
        per_sd = -(1 - 1e-4) * (density(lower) * lower - density(upper) * upper) / chance / root
        residuals.append(times * root)
        jacobian = self.matrix(slopes, case, times * per_fluid)
        jacobian[:, self.at["fluid_log_sd"]] = times * per_sd
        jacobians.append(jacobian)
        residuals.append(self.root_precision @ (t - self.prior_mean))
        jacobians.append(self.root_precision)
        return np.concatenate(residuals), np.vstack(jacobians)

    def matrix(self, slopes: dict, case: np.ndarray, pull: np.ndarray) -> np.ndarray:
        out = np.zeros((case.size, self.p))
        for column, slope in slopes.items():
            if isinstance(slope, tuple):
                index, value = slope
                out[np.arange(case.size), index[case]] += pull * (value if np.isscalar(value) else value[case])
            else:
                out[:, column] = pull * (slope if np.isscalar(slope) else slope[case])
        return out

    def cost(self, t: np.ndarray) -> float:
        return 0.5 * float(np.sum(self.both(t)[0] ** 2)) + self.cost_besides

    def solve(
        self, start: np.ndarray, *, tolerance: float = 1e-8, max_evaluations: int | None = None
    ) -> OptimizeResult:
        """scipy.optimize.least_squares; values and Jacobian of a point are computed together, once."""
        kept: dict[bytes, tuple[np.ndarray, np.ndarray]] = {}

        def at(t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            key = t.tobytes()
            if key not in kept:
                kept.clear()
                kept[key] = self.both(t)
            return kept[key]

        return least_squares(
            lambda t: at(t)[0],
            start,
            jac=lambda t: at(t)[1],
            bounds=(self.lower, self.upper),
            x_scale="jac",
            xtol=tolerance,
            ftol=tolerance,
            gtol=tolerance,
            max_nfev=max_evaluations,
        )

    def root_of_gradient(self, start: np.ndarray) -> np.ndarray:
        """The minimum as the gradient's root: a sum of squares cannot be told to more than half its digits."""

        def gradient(t: np.ndarray) -> np.ndarray:
            residuals, jacobian = self.both(t)
            return jacobian.T @ residuals

        unit = 1 / np.linalg.norm(self.both(start)[1], axis=0)
        found = root(lambda z: unit * gradient(start + unit * z), np.zeros(self.p), method="hybr", tol=1e-14)
        return start + unit * found.x


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
            1 + t[a["e_learn"]] / (1 + 50 / np.exp(t[a["e_half"]]))
        )
        tissue = t[a["yield_g_80"]] + t[a["yield_exponent"]] * v + spread["tissue"] * z[0]
        rate = t[a["rate_50"]] + t[a["rate_exponent"]] * (tissue - np.log(50)) + t[a["blade_oscillating"]]
        blade = np.exp(tissue - rate) * (1 + t[a["m_learn"]] / (1 + 50 / np.exp(t[a["m_half"]])))
        fluid = np.exp(t[a["carry_over_ml"]]) + np.exp(t[a["flow_vacuum"]]) * blade
        swaps = np.floor(fluid * np.exp(np.exp(t[a["fluid_log_sd"]]) * z[1]) / 2000)
        out[i, :, 0] = enucleation * np.exp(spread["enucleation"] * z[2])
        out[i, :, 1] = np.exp(t[a["h_min"]] + spread["haemostasis"] * z[3])
        morcellation = np.exp(t[a["m_fixed"]]) + blade + t[a["swap_min"]] * swaps
        out[i, :, 2] = morcellation * np.exp(spread["morcellation"] * z[4])
        out[i, :, 3] = np.exp(t[a["room_min"]] + spread["room"] * z[5])
    return out
