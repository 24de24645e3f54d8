"""Invented units with known truth: the theatre-time model written a second time, in numpy alone.

Nothing here imports the compiled core, so a fit of a simulated unit tests the core against formulas that
somebody else typed. Every case this module makes is invented; no patient, surgeon or hospital stands behind it.

The model (gland V mL, tissue W g, case number k, canister C mL; each z is a standard normal):

    tissue        log W = log(yield_g_80) + yield_exponent log(V/80) + tissue_log_sd z
    enucleation   T_e = (e_fixed + e_80 (V/80)^e_exponent) (1 + e_learn / (1 + (k-1)/e_half)) exp(u + e_trainee trainee)
    haemostasis   T_h = h_min exp(h_anticoagulated anticoagulated): all of the operation outside the other two phases
    blade time    B = W / (rate (W/50)^rate_exponent) (1 + m_learn / (1 + (k-1)/m_half))
                      exp(v + m_trainee trainee + m_hard_nodule hard_nodule)
                  log rate = log(rate_50) + blade_oscillating + suction_peristaltic or suction_wall + device effect
    fluid         F = (carry_over_ml + flow B) exp(fluid_log_sd z), flow by suction; swaps S = floor(F/C)
    morcellation  T_m = m_fixed + B + swap_min S + fault_min device_fault
    room          T_r = room_min exp(room_spinal spinal)
    totals        operative = T_e + T_h + T_m, theatre = operative + T_r

T_e, T_h, T_m and T_r are medians: each is multiplied by exp(log_sd z) of its own phase, and the z of enucleation
and of morcellation are correlated by `phase_correlation`. B uses the tissue actually retrieved.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import date
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

HISTORY_COLUMNS: tuple[str, ...] = (
    "case_id",
    "operated_on",
    "surgeon",
    "surgeon_case_no",
    "gland_ml",
    "tissue_g",
    "blade",
    "suction",
    "device",
    "canister_ml",
    "canister_swaps",
    "enucleation_min",
    "haemostasis_min",
    "morcellation_min",
    "operative_min",
    "theatre_min",
    "turnover_min",
    "morcellation_outcome",
    "device_fault",
    "hard_nodule",
    "trainee",
    "anticoagulated",
    "anaesthesia",
)
"""Canonical history columns, in the order every simulated unit has them."""

# Columns in which a busy unit leaves cells empty. A blank capacity would read as a continuous drain, a blank
# date or surgeon would shift the derived case numbers, and a blank gland would make the row unusable: those stay.
BLANK_COLUMNS: tuple[str, ...] = (
    "tissue_g",
    "blade",
    "suction",
    "canister_swaps",
    "enucleation_min",
    "haemostasis_min",
    "morcellation_min",
    "operative_min",
    "theatre_min",
    "turnover_min",
    "device_fault",
    "hard_nodule",
    "trainee",
    "anticoagulated",
    "anaesthesia",
)

BLADES = ("reciprocating", "oscillating")
SUCTIONS = ("vacuum", "peristaltic", "wall")


class SurgeonTruth(NamedTuple):
    """One surgeon's true effects: `u` on enucleation and `v` on blade time (log scale; above 0 is slower), the case
    number of the surgeon's first case in the file (1 = no case before it), and `learning` on the extra enucleation
    time while learning (log scale)."""

    u: float
    v: float
    first_case_no: int = 1
    learning: float = 0.0


def _default_surgeons() -> dict[str, SurgeonTruth]:
    # Both effects sum to zero, so that the fixed terms mean "the unit's average surgeon" also in a small unit.
    return {
        "A": SurgeonTruth(-0.18, -0.10, 420),
        "B": SurgeonTruth(0.05, 0.12, 160),
        "C": SurgeonTruth(0.10, 0.05, 1),
        "D": SurgeonTruth(-0.05, -0.12, 35),
        "E": SurgeonTruth(0.08, 0.05, 4),
    }


@dataclass(frozen=True)
class UnitTruth:
    """Every true parameter of an invented unit, by its name in the code, in natural units (mL, g, min, mL/min).

    Names ending in `_log_sd` are spreads on the log scale; effects (`blade_oscillating`, `e_trainee`, ...) are
    differences of logs. `surgeons` maps a code to `SurgeonTruth` (or a plain tuple u, v, first case number),
    `devices` maps a unit's own device code to its effect on the log of the rate.
    Raises ValueError, naming every field, for values the model has no meaning for.
    """

    yield_g_80: float = 54.0
    yield_exponent: float = 1.19
    e_fixed: float = 14.0
    e_80: float = 40.0
    e_exponent: float = 1.05
    e_learn: float = 0.8
    e_half: float = 12.0
    e_trainee: float = 0.12
    h_min: float = 11.0
    h_anticoagulated: float = 0.2
    rate_50: float = 4.6
    rate_exponent: float = 0.15
    blade_oscillating: float = 0.18
    suction_peristaltic: float = -0.15
    suction_wall: float = -0.3
    m_learn: float = 0.35
    m_half: float = 7.0
    m_trainee: float = 0.1
    m_hard_nodule: float = math.log(1.5)
    m_fixed: float = 1.5
    swap_min: float = 2.2
    fault_min: float = 12.0
    carry_over_ml: float = 250.0
    flow_vacuum: float = 350.0
    flow_peristaltic: float = 300.0
    flow_wall: float = 200.0
    room_min: float = 52.0
    room_spinal: float = 0.0
    tissue_log_sd: float = 0.18
    enucleation_log_sd: float = 0.25
    haemostasis_log_sd: float = 0.35
    morcellation_log_sd: float = 0.3
    fluid_log_sd: float = 0.3
    room_log_sd: float = 0.2
    phase_correlation: float = 0.25
    surgeons: Mapping[str, SurgeonTruth] = field(default_factory=_default_surgeons)
    devices: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "surgeons", {code: SurgeonTruth(*effect) for code, effect in self.surgeons.items()})
        object.__setattr__(self, "devices", dict(self.devices))
        problems = [f"{name} is not finite" for name, value in self.parameters().items() if not math.isfinite(value)]
        positive = ["yield_g_80", "e_half", "h_min", "rate_50", "m_half", "room_min"]
        positive += ["flow_vacuum", "flow_peristaltic", "flow_wall"]
        problems += [f"{name} must be above 0" for name in positive if not getattr(self, name) > 0]
        not_negative = ["e_fixed", "e_80", "e_learn", "m_learn", "m_fixed", "swap_min", "fault_min", "carry_over_ml"]
        not_negative += [f.name for f in fields(self) if f.name.endswith("_log_sd")]
        problems += [f"{name} must not be below 0" for name in not_negative if getattr(self, name) < 0]
        if not self.e_fixed + self.e_80 > 0:
            problems.append("e_fixed + e_80 must be above 0")
        if not abs(self.phase_correlation) <= 1:
            problems.append("phase_correlation must lie in -1..1")
        if not self.surgeons:
            problems.append("surgeons must hold at least one")
        for code, effect in self.surgeons.items():
            if not (all(map(math.isfinite, (effect.u, effect.v, effect.learning))) and effect.first_case_no >= 1):
                problems.append(f"surgeon {code!r} needs finite u, v and learning and a first case number of 1 or more")
        if problems:
            raise ValueError("; ".join(problems))

    def parameters(self) -> dict[str, float]:
        """The scalar parameters by name, without the tables of surgeons and devices."""
        return {f.name: float(getattr(self, f.name)) for f in fields(self) if f.name not in ("surgeons", "devices")}

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, ready for JSON; `from_dict` reads it back."""
        surgeons = {code: effect._asdict() for code, effect in self.surgeons.items()}
        return {"parameters": self.parameters(), "surgeons": surgeons, "devices": dict(self.devices)}

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> UnitTruth:
        """Inverse of `to_dict`; other keys of the mapping are left alone."""
        surgeons = {code: SurgeonTruth(**effect) for code, effect in stored["surgeons"].items()}
        return cls(**stored["parameters"], surgeons=surgeons, devices=stored["devices"])


@dataclass(frozen=True)
class Equipment:
    """One way the invented unit morcellates: a device class with its collection, and how often it is used.

    `canister_ml` is infinite for a continuous drain; `share` is a weight (shares need not sum to 1).
    """

    blade: str
    suction: str
    canister_ml: float
    share: float
    device: str = ""
    fault_probability: float = 0.03

    def __post_init__(self) -> None:
        if self.blade not in BLADES or self.suction not in SUCTIONS:
            raise ValueError(f"blade must be one of {BLADES} and suction one of {SUCTIONS}, got {self}")
        if not (self.canister_ml > 0 and self.share >= 0 and 0 <= self.fault_probability <= 1):
            raise ValueError(f"canister_ml above 0, share 0 or more and fault_probability in 0..1, got {self}")


USUAL_EQUIPMENT: tuple[Equipment, ...] = (
    Equipment("reciprocating", "vacuum", 2000.0, 0.25),
    Equipment("reciprocating", "vacuum", 3000.0, 0.15),
    Equipment("oscillating", "vacuum", 2000.0, 0.15),
    Equipment("oscillating", "vacuum", 3000.0, 0.15),
    Equipment("oscillating", "peristaltic", math.inf, 0.20),
    Equipment("reciprocating", "wall", 3000.0, 0.10),
)
"""Four device classes and every collection, so that each rate and flow parameter has cases that speak to it."""


@dataclass(frozen=True)
class CaseMix:
    """What comes through the door: glands, who operates, with what, and how often each circumstance occurs.

    Glands are log-normal, redrawn until they fall in `gland_min_ml`..`gland_max_ml` (no pile-up at the ends).
    Hard nodules travel with big glands: their odds are those of `hard_nodule_at_80` times (V/80)^`hard_nodule_power`.
    `surgeon_share` weights surgeons (1 where absent); `surgeon_joins` is the fraction of the period that has passed
    when a surgeon starts (0 where absent); `trainee_share_of` overrides `trainee_share` for single surgeons.
    `turnover_recorded` is the share of cases with a case after them, so with a turnover time.
    """

    gland_median_ml: float = 78.0
    gland_log_sd: float = 0.5
    gland_min_ml: float = 20.0
    gland_max_ml: float = 300.0
    equipment: tuple[Equipment, ...] = USUAL_EQUIPMENT
    surgeon_share: Mapping[str, float] = field(default_factory=dict)
    surgeon_joins: Mapping[str, float] = field(default_factory=dict)
    trainee_share: float = 0.15
    trainee_share_of: Mapping[str, float] = field(default_factory=dict)
    anticoagulated_share: float = 0.2
    spinal_share: float = 0.25
    hard_nodule_at_80: float = 0.08
    hard_nodule_power: float = 1.5
    turnover_median_min: float = 25.0
    turnover_log_sd: float = 0.35
    turnover_recorded: float = 0.6
    starts_on: date = date(2023, 1, 2)
    years: float = 3.0

    def __post_init__(self) -> None:
        problems = []
        shares = ("trainee_share", "anticoagulated_share", "spinal_share", "hard_nodule_at_80", "turnover_recorded")
        problems += [f"{name} must lie in 0..1" for name in shares if not 0 <= getattr(self, name) <= 1]
        if not 0 < self.gland_min_ml < self.gland_median_ml < self.gland_max_ml:
            problems.append("0 < gland_min_ml < gland_median_ml < gland_max_ml must hold")
        if not (self.gland_log_sd >= 0 and self.turnover_log_sd >= 0 and self.turnover_median_min > 0):
            problems.append("spreads must not be below 0 and turnover_median_min must be above 0")
        if not sum(e.share for e in self.equipment) > 0:
            problems.append("equipment needs at least one entry with a share above 0")
        if not self.years > 0:
            problems.append("years must be above 0")
        if problems:
            raise ValueError("; ".join(problems))


@dataclass(frozen=True)
class Mess:
    """What happens to clean records on their way into a unit's file. Everything is off by default.

    rounding_min, gland_rounding_ml, tissue_rounding_g
        Steps to which values are rounded, never to zero. Each phase is rounded on its own and the totals are the
        sums of the rounded phases, so rounding alone never makes a row contradict itself.
    blank_fraction, blank_columns
        Chance for each cell of these columns to be empty. A row keeps at least one time.
    outlier_fraction, outlier_factor, outlier_upward
        Share of rows (rounded to a count) whose every time is multiplied by one factor, log-uniform in the given
        range; with probability 1 - outlier_upward it divides instead.
    typing_error_fraction
        Share of rows (rounded to a count) with one slip, in turn: gland ten times too large (`gland_times_ten`,
        glands near 50 mL, so 50 typed as 500), one total typed in hours (`hours_for_minutes`), or tissue heavier
        than the gland (`tissue_above_gland`).
    deferred_fraction, other_route_share
        Share of rows given a limit at which morcellation would be stopped. The limit is drawn without looking at
        how long the case takes (0.3 to 0.9 of the median for its gland, class and surgeon), so the stopped rows are
        properly right-censored; a case that finishes first stays `complete`. Stopped rows record the time and swaps
        until the stop, and the tissue that was weighed in the end; `other_route_share` of them are `other_route`,
        the others `deferred`.
    case_no_blank_for
        Surgeons whose running count the unit never recorded. Such a surgeon's first case number should be 1.
    drain_blank_share
        Share of continuous-drain rows whose capacity is left blank instead of infinite.
    """

    rounding_min: float = 0.0
    gland_rounding_ml: float = 0.0
    tissue_rounding_g: float = 0.0
    blank_fraction: float = 0.0
    blank_columns: tuple[str, ...] = BLANK_COLUMNS
    outlier_fraction: float = 0.0
    outlier_factor: tuple[float, float] = (3.0, 8.0)
    outlier_upward: float = 1.0
    typing_error_fraction: float = 0.0
    deferred_fraction: float = 0.0
    other_route_share: float = 0.4
    case_no_blank_for: tuple[str, ...] = ()
    drain_blank_share: float = 0.0

    def __post_init__(self) -> None:
        problems = []
        shares = ["blank_fraction", "outlier_fraction", "outlier_upward", "typing_error_fraction"]
        shares += ["deferred_fraction", "other_route_share", "drain_blank_share"]
        problems += [f"{name} must lie in 0..1" for name in shares if not 0 <= getattr(self, name) <= 1]
        steps = ("rounding_min", "gland_rounding_ml", "tissue_rounding_g")
        problems += [f"{name} must not be below 0" for name in steps if not getattr(self, name) >= 0]
        if not 1 <= self.outlier_factor[0] <= self.outlier_factor[1]:
            problems.append("outlier_factor must be two factors of 1 or more, in order")
        unknown = sorted(set(self.blank_columns) - set(BLANK_COLUMNS))
        if unknown:
            problems.append(f"blank_columns may hold {', '.join(BLANK_COLUMNS)}; not {', '.join(unknown)}")
        if problems:
            raise ValueError("; ".join(problems))

    @classmethod
    def usual(cls) -> Mess:
        """A unit that records as units do: 5-minute steps, some blanks, a few slips, real delays and stops."""
        return cls(
            rounding_min=5.0,
            gland_rounding_ml=1.0,
            tissue_rounding_g=1.0,
            blank_fraction=0.08,
            outlier_fraction=0.01,
            outlier_factor=(1.6, 2.3),
            typing_error_fraction=0.015,
            deferred_fraction=0.04,
            drain_blank_share=0.2,
        )


DEFAULT_TRUTH = UnitTruth()
DEFAULT_MIX = CaseMix()


class _Stream:
    """One named stream of random numbers.

    Numpy promises that a bit generator's raw output never changes, but not that of its distributions; the demo
    files must come out byte-identical for years, so uniforms and normals are made from the raw bits here.
    """

    def __init__(self, seed: int, name: str) -> None:
        key = np.random.SeedSequence(seed, spawn_key=(zlib.crc32(name.encode()),))
        self._bits = np.random.Philox(key)

    def uniform(self, n: int, low: float = 0.0, high: float = 1.0) -> FloatArray:
        raw = np.asarray(self._bits.random_raw(n), dtype=np.uint64)
        unit = (raw >> np.uint64(11)).astype(np.float64) * 2.0**-53
        return low + (high - low) * unit

    def normal(self, n: int) -> FloatArray:
        pair = self.uniform(2 * n).reshape(2, n)
        normals: FloatArray = np.sqrt(-2.0 * np.log1p(-pair[0])) * np.cos(2.0 * np.pi * pair[1])
        return normals

    def pick(self, weights: FloatArray) -> IntArray:
        """For each row of weights, the column drawn in proportion to them."""
        edges = np.cumsum(weights, axis=1)
        level = self.uniform(len(weights)) * edges[:, -1]
        chosen: IntArray = (level[:, None] >= edges).sum(axis=1).astype(np.int64)
        return chosen

    def choose_rows(self, candidates: IntArray, count: int) -> IntArray:
        """`count` of the candidates without repetition, in row order."""
        order = np.argsort(self.uniform(len(candidates)), kind="stable")
        return np.sort(candidates[order[:count]])


def draw_surgeons(
    n_surgeons: int, *, seed: int, u_log_sd: float = 0.2, v_log_sd: float = 0.15, learning_log_sd: float = 0.0
) -> dict[str, SurgeonTruth]:
    """Invented surgeons whose effects are drawn around zero, for repeated recovery runs.

    Every third surgeon, from the first on, starts at case 1; the others bring 10 to 500 earlier cases.
    Pass the result as `UnitTruth(surgeons=...)`.
    """
    if n_surgeons < 1:
        raise ValueError(f"n_surgeons must be 1 or more, got {n_surgeons}")
    u = u_log_sd * _Stream(seed, "surgeon u").normal(n_surgeons)
    v = v_log_sd * _Stream(seed, "surgeon v").normal(n_surgeons)
    learning = learning_log_sd * _Stream(seed, "surgeon learning").normal(n_surgeons)
    earlier = np.exp(_Stream(seed, "surgeon experience").uniform(n_surgeons, math.log(10.0), math.log(500.0)))
    codes = [chr(ord("A") + i) if n_surgeons <= 26 else f"S{i + 1}" for i in range(n_surgeons)]
    return {
        code: SurgeonTruth(float(u[i]), float(v[i]), 1 if i % 3 == 0 else 1 + int(earlier[i]), float(learning[i]))
        for i, code in enumerate(codes)
    }


def _number(cases: pd.DataFrame, column: str, blank: float) -> FloatArray:
    if column not in cases:
        return np.full(len(cases), blank)
    values = pd.to_numeric(cases[column]).to_numpy(dtype=np.float64, na_value=np.nan)
    return np.where(np.isnan(values), blank, values)


def _is(cases: pd.DataFrame, column: str, word: str) -> BoolArray:
    if column not in cases:
        return np.zeros(len(cases), dtype=np.bool_)
    return np.array([value == word for value in cases[column].astype(object).where(cases[column].notna(), "")], bool)


def _effect(cases: pd.DataFrame, column: str, effects: Mapping[str, float]) -> FloatArray:
    if column not in cases:
        return np.zeros(len(cases))
    codes = cases[column].astype(object).where(cases[column].notna(), "")
    return np.array([effects.get(code, 0.0) for code in codes], dtype=np.float64)


def _learning(case_no: FloatArray, extra: float | FloatArray, half: float) -> FloatArray:
    factor: FloatArray = 1.0 + extra / (1.0 + (case_no - 1.0) / half)
    return factor


def expected_swaps(fluid_ml: npt.ArrayLike, canister_ml: npt.ArrayLike, fluid_log_sd: float) -> FloatArray:
    """Expected number of full canisters, E[floor(F/C)], for log-normal fluid with median `fluid_ml`.

    It is the sum over j = 1, 2, ... of Phi((log F - log jC) / fluid_log_sd); 0 for an infinite canister. The sum
    stops where its terms fall below Phi(-8.5), about 1e-17.
    """
    fluid, canister = np.broadcast_arrays(np.asarray(fluid_ml, np.float64), np.asarray(canister_ml, np.float64))
    if not fluid_log_sd > 0:
        whole: FloatArray = np.floor(fluid / canister)
        return whole
    swaps = np.zeros(fluid.shape)
    for index in np.ndindex(fluid.shape):
        ratio = float(fluid[index] / canister[index])
        if ratio > 0:
            last = math.floor(ratio * math.exp(8.5 * fluid_log_sd))
            reach = (math.log(ratio) - np.log(np.arange(1, last + 1))) / fluid_log_sd
            swaps[index] = math.fsum(0.5 * math.erfc(-x / math.sqrt(2.0)) for x in reach)
    return swaps


def noise_free(cases: pd.DataFrame, truth: UnitTruth = DEFAULT_TRUTH) -> pd.DataFrame:
    """The model's medians for these cases, without noise: one row a case, in the order given.

    Only `gland_ml` is required. Recorded `tissue_g` and `canister_swaps` are used; where they are blank the tissue is
    its median for the gland and the swaps are their expected number. Any other blank or absent value means the
    reference: reciprocating, vacuum, continuous drain, general anaesthesia, flags 0, an average surgeon (a code the
    truth does not know counts as average too), learning over.

    Columns: tissue_g, enucleation_min, haemostasis_min, blade_min, fluid_ml, canister_swaps, morcellation_min,
    room_min, operative_min, theatre_min.
    """
    gland = _number(cases, "gland_ml", math.nan)
    if not np.all(gland > 0):
        raise ValueError("gland_ml must be above 0 in every row")
    case_no = _number(cases, "surgeon_case_no", math.inf)
    trainee = _number(cases, "trainee", 0.0)
    peristaltic, wall = _is(cases, "suction", "peristaltic"), _is(cases, "suction", "wall")

    median_tissue = truth.yield_g_80 * (gland / 80.0) ** truth.yield_exponent
    recorded_tissue = _number(cases, "tissue_g", math.nan)
    tissue = np.where(np.isnan(recorded_tissue), median_tissue, recorded_tissue)

    u = _effect(cases, "surgeon", {code: effect.u for code, effect in truth.surgeons.items()})
    enucleation = truth.e_fixed + truth.e_80 * (gland / 80.0) ** truth.e_exponent
    more = _effect(cases, "surgeon", {code: effect.learning for code, effect in truth.surgeons.items()})
    enucleation = enucleation * _learning(case_no, truth.e_learn * np.exp(more), truth.e_half)
    enucleation = enucleation * np.exp(u + truth.e_trainee * trainee)
    haemostasis = truth.h_min * np.exp(truth.h_anticoagulated * _number(cases, "anticoagulated", 0.0))

    log_rate = math.log(truth.rate_50) + _effect(cases, "device", truth.devices)
    log_rate = log_rate + truth.blade_oscillating * _is(cases, "blade", "oscillating")
    log_rate = log_rate + truth.suction_peristaltic * peristaltic + truth.suction_wall * wall
    v = _effect(cases, "surgeon", {code: effect.v for code, effect in truth.surgeons.items()})
    slower = v + truth.m_trainee * trainee + truth.m_hard_nodule * _number(cases, "hard_nodule", 0.0)
    blade = tissue / (np.exp(log_rate) * (tissue / 50.0) ** truth.rate_exponent)
    blade = blade * _learning(case_no, truth.m_learn, truth.m_half) * np.exp(slower)

    flow = np.where(peristaltic, truth.flow_peristaltic, np.where(wall, truth.flow_wall, truth.flow_vacuum))
    fluid = truth.carry_over_ml + flow * blade
    swaps = _number(cases, "canister_swaps", math.nan)
    unknown = np.isnan(swaps)
    if unknown.any():
        canister = _number(cases, "canister_ml", math.inf)
        swaps[unknown] = expected_swaps(fluid[unknown], canister[unknown], truth.fluid_log_sd)
    fault = _number(cases, "device_fault", 0.0)
    morcellation = truth.m_fixed + blade + truth.swap_min * swaps + truth.fault_min * fault

    room = truth.room_min * np.exp(truth.room_spinal * _is(cases, "anaesthesia", "spinal"))
    operative = enucleation + haemostasis + morcellation
    return pd.DataFrame(
        {
            "tissue_g": tissue,
            "enucleation_min": enucleation,
            "haemostasis_min": haemostasis,
            "blade_min": blade,
            "fluid_ml": fluid,
            "canister_swaps": swaps,
            "morcellation_min": morcellation,
            "room_min": room,
            "operative_min": operative,
            "theatre_min": operative + room,
        },
        index=cases.index,
    )


def _draw_glands(n: int, mix: CaseMix, stream: _Stream) -> FloatArray:
    gland = mix.gland_median_ml * np.exp(mix.gland_log_sd * stream.normal(n))
    while True:
        outside = np.flatnonzero((gland < mix.gland_min_ml) | (gland > mix.gland_max_ml))
        if not outside.size:
            return gland
        gland[outside] = mix.gland_median_ml * np.exp(mix.gland_log_sd * stream.normal(outside.size))


def _draw_case_mix(n: int, truth: UnitTruth, mix: CaseMix, seed: int) -> pd.DataFrame:
    """Who, what, when and with which device: everything about the cases that is known without a clock."""
    when = np.sort(_Stream(seed, "date").uniform(n))
    offset = np.floor(when * mix.years * 365.25).astype("timedelta64[D]")
    # Lists run on weekdays only; a weekend date moves to the Monday, which keeps the order.
    operated_on = np.busday_offset(np.datetime64(mix.starts_on, "D") + offset, 0, roll="forward")

    codes = list(truth.surgeons)
    share = np.array([mix.surgeon_share.get(code, 1.0) for code in codes])
    joins = np.array([mix.surgeon_joins.get(code, 0.0) for code in codes])
    weights = np.where(joins[None, :] <= when[:, None], share[None, :], 0.0)
    if not np.all(weights.sum(axis=1) > 0):
        raise ValueError("surgeon_share and surgeon_joins leave part of the period without any surgeon")
    who = _Stream(seed, "surgeon").pick(weights)
    case_no = np.zeros(n, dtype=np.int64)
    for index, code in enumerate(codes):
        own = np.flatnonzero(who == index)
        case_no[own] = truth.surgeons[code].first_case_no + np.arange(own.size)

    gland = _draw_glands(n, mix, _Stream(seed, "gland"))
    equipment_share = np.array([[e.share for e in mix.equipment]])
    kit = _Stream(seed, "equipment").pick(np.repeat(equipment_share, n, axis=0))
    used = [mix.equipment[i] for i in kit]

    def flag(name: str, probability: npt.ArrayLike) -> IntArray:
        return (_Stream(seed, name).uniform(n) < np.asarray(probability)).astype(np.int64)

    nodule = mix.hard_nodule_at_80 * (gland / 80.0) ** mix.hard_nodule_power
    nodule = nodule / (1.0 - mix.hard_nodule_at_80 + nodule)
    trainee = np.array([mix.trainee_share_of.get(code, mix.trainee_share) for code in codes])[who]
    spinal = flag("anaesthesia", mix.spinal_share)
    return pd.DataFrame(
        {
            "case_id": [f"INV-{i + 1:0{max(4, len(str(n)))}d}" for i in range(n)],
            "operated_on": pd.to_datetime(operated_on),
            "surgeon": [codes[i] for i in who],
            "surgeon_case_no": case_no,
            "gland_ml": gland,
            "blade": [e.blade for e in used],
            "suction": [e.suction for e in used],
            "device": [e.device or None for e in used],
            "canister_ml": [e.canister_ml for e in used],
            "morcellation_outcome": "complete",
            "device_fault": flag("device fault", [e.fault_probability for e in used]),
            "hard_nodule": flag("hard nodule", nodule),
            "trainee": flag("trainee", trainee),
            "anticoagulated": flag("anticoagulated", mix.anticoagulated_share),
            "anaesthesia": np.where(spinal == 1, "spinal", "general"),
        }
    )


def _run_the_clock(cases: pd.DataFrame, truth: UnitTruth, mix: CaseMix, mess: Mess, seed: int) -> pd.DataFrame:
    """Add tissue, swaps and the times of each phase (room included), stops and outliers applied, not yet rounded."""
    n = len(cases)

    def noise(name: str, log_sd: float) -> FloatArray:
        return np.exp(log_sd * _Stream(seed, name).normal(n))

    known_when_booked = cases.copy()
    cases["canister_swaps"] = 0  # placeholder: neither tissue nor fluid depends on the swaps
    cases["tissue_g"] = noise_free(cases, truth)["tissue_g"].to_numpy() * noise("tissue", truth.tissue_log_sd)
    fluid = noise_free(cases, truth)["fluid_ml"].to_numpy() * noise("fluid", truth.fluid_log_sd)
    cases["canister_swaps"] = np.floor(fluid / cases["canister_ml"].to_numpy()).astype(np.int64)
    median = noise_free(cases, truth)

    z_enucleation = _Stream(seed, "enucleation").normal(n)
    rho = truth.phase_correlation
    z_morcellation = rho * z_enucleation + math.sqrt(1.0 - rho**2) * _Stream(seed, "morcellation").normal(n)
    times = pd.DataFrame(
        {
            "enucleation_min": median["enucleation_min"] * np.exp(truth.enucleation_log_sd * z_enucleation),
            "haemostasis_min": median["haemostasis_min"] * noise("haemostasis", truth.haemostasis_log_sd),
            "morcellation_min": median["morcellation_min"] * np.exp(truth.morcellation_log_sd * z_morcellation),
            "room_min": median["room_min"] * noise("room", truth.room_log_sd),
        }
    )
    turnover = mix.turnover_median_min * noise("turnover", mix.turnover_log_sd)
    turnover[_Stream(seed, "turnover recorded").uniform(n) >= mix.turnover_recorded] = np.nan

    if mess.deferred_fraction > 0:
        at_risk = _Stream(seed, "stop").uniform(n) < mess.deferred_fraction
        # Not from the tissue or fluid that came out: a limit that knew them would know how long the case takes.
        planned = noise_free(known_when_booked, truth)["morcellation_min"].to_numpy()
        limit = planned * _Stream(seed, "stop limit").uniform(n, 0.3, 0.9)
        complete = times["morcellation_min"].to_numpy()
        stopped = at_risk & (limit < complete)
        other = _Stream(seed, "stop kind").uniform(n) < mess.other_route_share
        cases["morcellation_outcome"] = np.where(stopped, np.where(other, "other_route", "deferred"), "complete")
        times["morcellation_min"] = np.where(stopped, limit, complete)
        drawn = np.where(stopped, fluid * limit / complete, fluid)
        cases["canister_swaps"] = np.floor(drawn / cases["canister_ml"].to_numpy()).astype(np.int64)

    if mess.outlier_fraction > 0:
        finished = np.flatnonzero((cases["morcellation_outcome"] == "complete").to_numpy())
        rows = _Stream(seed, "outlier").choose_rows(finished, round(n * mess.outlier_fraction))
        low, high = (math.log(factor) for factor in mess.outlier_factor)
        log_factor = _Stream(seed, "outlier factor").uniform(n, low, high)
        upward = _Stream(seed, "outlier side").uniform(n) < mess.outlier_upward
        factor = np.exp(np.where(upward, log_factor, -log_factor))
        times.iloc[rows] = times.iloc[rows].mul(factor[rows], axis=0)
        cases.attrs["spoilt"]["outlier"] = cases["case_id"].iloc[rows].tolist()

    times["turnover_min"] = turnover
    return times


def _rounded(values: FloatArray, step: float) -> FloatArray:
    if step <= 0:
        return values
    # Nearest step, halves up, but never to zero: a phase that took place has a time.
    return np.maximum(np.floor(values / step + 0.5), 1.0) * step


def _slip(cases: pd.DataFrame, mess: Mess, seed: int) -> IntArray:
    """Put the typing errors in and say which rows have one."""
    kinds = ("gland_times_ten", "hours_for_minutes", "tissue_above_gland")
    free = np.flatnonzero((cases["morcellation_outcome"] == "complete").to_numpy())
    outlier = set(cases.attrs["spoilt"].get("outlier", []))
    free = np.array([row for row in free if cases["case_id"].iloc[row] not in outlier], dtype=np.int64)
    stream = _Stream(seed, "typing error")
    slipped: list[int] = []
    for turn in range(min(round(len(cases) * mess.typing_error_fraction), free.size)):
        kind = kinds[turn % len(kinds)]
        candidates = free
        if kind == "gland_times_ten":
            # The smallest distance to 50 mL, so that the slip reads as a wrong gland, not as an impossible one.
            distance = np.abs(cases["gland_ml"].to_numpy()[free] - 50.0)
            candidates = free[distance <= max(10.0, float(distance.min()))]
        row = int(stream.choose_rows(candidates, 1)[0])
        free = free[free != row]
        slipped.append(row)
        if kind == "gland_times_ten":
            cases.loc[row, "gland_ml"] = 10.0 * float(cases["gland_ml"].iloc[row])
        elif kind == "hours_for_minutes":
            column = ("theatre_min", "operative_min")[(turn // len(kinds)) % 2]
            cases.loc[row, column] = round(float(cases[column].iloc[row]) / 60.0, 2)
        else:
            heavier = float(cases["gland_ml"].iloc[row]) * float(stream.uniform(1, 1.2, 2.0)[0])
            cases.loc[row, "tissue_g"] = float(_rounded(np.array([heavier]), mess.tissue_rounding_g)[0])
        cases.attrs["spoilt"].setdefault(kind, []).append(cases["case_id"].iloc[row])
    return np.array(slipped, dtype=np.int64)


def _leave_blanks(cases: pd.DataFrame, mess: Mess, keep: IntArray, seed: int) -> None:
    n = len(cases)
    operative = cases["operative_min"].copy()
    for column in mess.blank_columns:
        blank = _Stream(seed, f"blank {column}").uniform(n) < mess.blank_fraction
        blank[keep] = False
        cases[column] = cases[column].mask(blank)
    timed = ["enucleation_min", "haemostasis_min", "morcellation_min", "operative_min", "theatre_min"]
    no_time = cases[timed].isna().all(axis=1)
    cases["operative_min"] = cases["operative_min"].mask(no_time, operative)
    if mess.drain_blank_share > 0:
        drain = np.isinf(cases["canister_ml"].to_numpy())
        blank = drain & (_Stream(seed, "blank drain").uniform(n) < mess.drain_blank_share)
        cases["canister_ml"] = cases["canister_ml"].mask(blank)
    if mess.case_no_blank_for:
        cases["surgeon_case_no"] = cases["surgeon_case_no"].mask(cases["surgeon"].isin(mess.case_no_blank_for))


def simulate_unit(
    n_cases: int,
    *,
    seed: int,
    truth: UnitTruth = DEFAULT_TRUTH,
    mix: CaseMix = DEFAULT_MIX,
    mess: Mess | None = None,
    clean: bool | None = None,
) -> pd.DataFrame:
    """Invent a unit's history from known truth: one row a case, in date order, canonical columns.

    Parameters
    ----------
    n_cases : how many cases, 1 or more.
    seed : same seed, same cases. Each aspect has its own random stream, so that a mess changes only what it
        spoils: the same seed with and without outliers gives the same cases otherwise.
    truth, mix : the true parameters, and what comes through the door.
    mess : how the records are spoilt; None leaves them clean (everything recorded, nothing rounded).
    clean : `True` insists on clean records, `False` without a `mess` means `Mess.usual()`.

    Returns
    -------
    DataFrame with the columns of `HISTORY_COLUMNS`. Case ids are INV-0001 and so on, surgeons are the codes of the
    truth; `operated_on` is a date, a continuous drain has infinite `canister_ml`, blanks are missing values.
    `frame.attrs["spoilt"]` lists the case ids behind each kind of outlier and typing error.

    Example
    -------
    >>> from lobetime.datasets import Mess, simulate_unit
    >>> clean = simulate_unit(200, seed=1)
    >>> spoilt = simulate_unit(200, seed=1, mess=Mess(outlier_fraction=0.1))
    >>> len(spoilt.attrs["spoilt"]["outlier"])
    20
    """
    if n_cases < 1:
        raise ValueError(f"n_cases must be 1 or more, got {n_cases}")
    if clean and mess is not None:
        raise ValueError("clean=True and a mess contradict each other")
    if mess is None:
        mess = Mess.usual() if clean is False else Mess()

    cases = _draw_case_mix(n_cases, truth, mix, seed)
    cases.attrs["spoilt"] = {}
    times = _run_the_clock(cases, truth, mix, mess, seed)

    for column in times:
        times[column] = _rounded(times[column].to_numpy(), mess.rounding_min)
    cases["gland_ml"] = _rounded(cases["gland_ml"].to_numpy(), mess.gland_rounding_ml)
    cases["tissue_g"] = _rounded(cases["tissue_g"].to_numpy(), mess.tissue_rounding_g)
    for column in ("enucleation_min", "haemostasis_min", "morcellation_min", "turnover_min"):
        cases[column] = times[column]
    cases["operative_min"] = times["enucleation_min"] + times["haemostasis_min"] + times["morcellation_min"]
    cases["theatre_min"] = cases["operative_min"] + times["room_min"]

    slipped = _slip(cases, mess, seed)
    _leave_blanks(cases, mess, slipped, seed)
    spoilt = cases.attrs["spoilt"]
    cases = cases[list(HISTORY_COLUMNS)]
    cases.attrs["spoilt"] = spoilt
    return cases
