"""Invented units that do not obey the library's model, with the true law of every booking's time.

What differs from the model on purpose: learning is a power law that differs between surgeons; a latent difficulty
makes both phases of a case long together; enucleation bends twice with volume; the yield saturates; a blade gets hold
of small pieces slowly; a hard nodule slows the blade by an amount of its own and travels with big glands; fluid fills
real canisters and every swap takes its own time; the rest of the operation grows with the gland; the room's time is a
sum of gamma parts. On the way into the file times are rounded to 5 minutes, 8 % of cells are blank, 4 % of rows have a
typing error, devices fail, morcellations are deferred. Nothing here is fitted to, or taken from, the library.

All units, surgeons and cases are invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

Array = npt.NDArray[np.float64]

_PLATEAU = 120.0  # experience beyond which nobody gets faster
_CLASSES = ("reciprocating/vacuum", "oscillating/vacuum", "oscillating/peristaltic")
_RATE = {"reciprocating/vacuum": 5.4, "oscillating/vacuum": 6.3, "oscillating/peristaltic": 5.2}  # g/min
_FLOW = {"reciprocating/vacuum": 340.0, "oscillating/vacuum": 360.0, "oscillating/peristaltic": 300.0}  # mL/min
_FAULT = {"reciprocating/vacuum": 0.01, "oscillating/vacuum": 0.03, "oscillating/peristaltic": 0.02}


def power_learning(case_no: npt.ArrayLike, rate: npt.ArrayLike) -> Array:
    """Time of the k-th case against the first, k^log2(rate): every doubling of experience multiplies it by ``rate``.

    The unit (not cumulative-average) form of the power law.
    """
    factors: Array = np.asarray(case_no, float) ** np.log2(np.asarray(rate, float))
    return factors


@dataclass(frozen=True)
class Surgeon:
    """Log levels of both phases (above 0 is slower), learning rates, case number of the first case in the file."""

    u: float
    v: float
    rate_e: float
    rate_m: float
    first_case_no: int
    share: float


@dataclass(frozen=True)
class Unit:
    """One invented unit's truth."""

    enucleation: float
    morcellation: float
    haemostasis: float
    room: float
    tissue: float
    nodule_shift: float
    classes: tuple[tuple[str, float, float], ...]  # class, canister mL, share
    surgeons: dict[str, Surgeon]

    @classmethod
    def draw(cls, seed: int) -> Unit:
        """A unit by its number: levels scatter between units by 20 to 25 %."""
        random = np.random.default_rng([2026, seed])
        kinds = random.choice(3, size=random.integers(1, 3), replace=False)
        collections = {0: (2000.0, 3000.0), 1: (2000.0, 3000.0), 2: (np.inf,)}
        classes = tuple(
            (_CLASSES[k], float(random.choice(collections[int(k)])), float(random.uniform(0.3, 1.0))) for k in kinds
        )
        surgeons = {}
        for i in range(random.integers(2, 5)):
            u, v = random.normal(size=2) @ np.linalg.cholesky(np.array([[1.0, 0.3], [0.3, 1.0]])).T * 0.12
            novice = random.uniform() < 0.4
            surgeons[chr(ord("A") + i)] = Surgeon(
                u=float(u),
                v=float(v),
                rate_e=float(random.uniform(0.87, 0.94)),
                rate_m=float(random.uniform(0.94, 0.99)),
                first_case_no=int(random.integers(1, 15)) if novice else int(np.exp(random.uniform(3.0, 6.5))),
                share=float(random.uniform(0.4, 1.0)),
            )
        return cls(
            enucleation=float(np.exp(0.20 * random.normal())),
            morcellation=float(np.exp(0.25 * random.normal())),
            haemostasis=float(np.exp(0.25 * random.normal())),
            room=float(np.exp(0.15 * random.normal())),
            tissue=float(np.exp(0.08 * random.normal())),
            nodule_shift=float(0.4 * random.normal()),
            classes=classes,
            surgeons=surgeons,
        )


def draw_cases(unit: Unit, n: int, seed: int) -> pd.DataFrame:
    """What comes through the door, without any time: one row a case, in time order."""
    random = np.random.default_rng([2027, seed])
    gland = np.exp(np.log(75.0) + 0.5 * random.normal(size=4 * n + 200))
    gland = gland[(gland > 25.0) & (gland < 260.0)][:n]
    codes = list(unit.surgeons)
    share = np.array([unit.surgeons[c].share for c in codes])
    who = random.choice(len(codes), size=n, p=share / share.sum())
    case_no = np.empty(n, dtype=np.int64)
    for i, code in enumerate(codes):
        own = who == i
        case_no[own] = unit.surgeons[code].first_case_no + np.arange(own.sum())
    weight = np.array([w for _, _, w in unit.classes])
    kit = random.choice(len(unit.classes), size=n, p=weight / weight.sum())
    names = [unit.classes[k][0].split("/") for k in kit]
    date = pd.Timestamp("2022-01-03") + pd.to_timedelta(np.sort(random.uniform(0, 1200, n)).astype(int), unit="D")
    return pd.DataFrame(
        {
            "case_id": [f"INV-{i + 1:05d}" for i in range(n)],
            "operated_on": date,
            "surgeon": [codes[i] for i in who],
            "surgeon_case_no": case_no,
            "gland_ml": np.round(gland),
            "blade": [b for b, _ in names],
            "suction": [s for _, s in names],
            "canister_ml": [unit.classes[k][1] for k in kit],
            "trainee": (random.uniform(size=n) < 0.15).astype(np.int64),
            "anticoagulated": (random.uniform(size=n) < 0.2).astype(np.int64),
            "anaesthesia": np.where(random.uniform(size=n) < 0.25, "spinal", "general"),
        }
    )


def next_cases(unit: Unit, history: pd.DataFrame, n: int, seed: int) -> pd.DataFrame:
    """Bookings that could come next: case numbers are each surgeon's next ones, up to 15 further on."""
    cases = draw_cases(unit, n, seed + 500_000)
    random = np.random.default_rng([2028, seed])
    last = {c: s.first_case_no - 1 for c, s in unit.surgeons.items()}
    last |= {str(c): int(k) for c, k in history.groupby("surgeon")["surgeon_case_no"].max().items()}
    ahead = random.integers(1, 16, size=n)
    cases["surgeon_case_no"] = [last[s] + a for s, a in zip(cases["surgeon"], ahead, strict=True)]
    cases["case_id"] = [f"NEXT-{i + 1:05d}" for i in range(n)]
    return cases.drop(columns="operated_on")


@dataclass(frozen=True)
class Clock:
    """Times of cases done ``repeats`` times each: arrays cases x repeats (minutes, grams, counts)."""

    tissue_g: Array
    enucleation_min: Array
    haemostasis_min: Array
    morcellation_min: Array
    room_min: Array
    swaps: Array
    hard_nodule: npt.NDArray[np.bool_]
    device_fault: npt.NDArray[np.bool_]

    @property
    def both_min(self) -> Array:
        """Enucleation and morcellation."""
        return self.enucleation_min + self.morcellation_min

    @property
    def theatre_min(self) -> Array:
        """Wheels in to wheels out."""
        return self.both_min + self.haemostasis_min + self.room_min


def run_the_clock(unit: Unit, cases: pd.DataFrame, repeats: int, seed: int) -> Clock:
    """The unit's own law: every case of the table done ``repeats`` times, everything unknown at booking drawn anew."""
    random = np.random.default_rng([2029, seed])
    shape = (len(cases), repeats)

    def z() -> Array:
        drawn: Array = random.normal(size=shape)
        return drawn

    def column(name: str) -> Array:
        values: Array = cases[name].to_numpy(dtype=np.float64)[:, None]
        return values

    gland = column("gland_ml")
    who = [unit.surgeons[s] for s in cases["surgeon"]]
    own = {name: np.array([getattr(s, name) for s in who])[:, None] for name in ("u", "v", "rate_e", "rate_m")}
    experience = np.minimum(column("surgeon_case_no"), _PLATEAU) / _PLATEAU
    kind = (cases["blade"] + "/" + cases["suction"]).tolist()
    # Spreads: 0.28 of enucleation and 0.36 of blade time with its tissue, against 0.30 (0.20-0.45) and 0.45
    # (0.35-0.60) that published series leave after volume and unit, surgeons and experience included.
    difficulty = z()
    difficulty = difficulty + 0.25 * (difficulty**2 - 1.0)  # the hard ones are harder than the easy ones are easy

    # The level puts 62 mL at a mean of 41 min on the plateau, 45 with mixed experience (Eur Urol 2008, PMID 17997021).
    enucleation = 15.0 + 29.0 * (gland / 80.0) ** 0.85 + 5.5 * (gland / 120.0) ** 1.9
    enucleation = enucleation * unit.enucleation * np.exp(own["u"] + 0.11 * column("trainee"))
    enucleation = enucleation * power_learning(experience, own["rate_e"]) * np.exp(0.17 * difficulty + 0.21 * z())

    tissue = gland * (0.90 - 0.50 * np.exp(-gland / 70.0)) * unit.tissue * np.exp(0.17 * z())
    odds = 0.08 * np.exp(unit.nodule_shift) * (gland / 80.0) ** 1.5
    nodule = random.uniform(size=shape) < odds / (1.0 + odds)
    slowed = np.where(nodule, np.exp(0.40 + 0.20 * z()), 1.0)
    rate = np.array([_RATE[k] for k in kind])[:, None] * 1.25 * (1.0 - np.exp(-tissue / 30.0)) / unit.morcellation
    blade = tissue / rate * np.exp(own["v"] + 0.08 * column("trainee")) * power_learning(experience, own["rate_m"])
    blade = blade * slowed * np.exp(0.17 * difficulty + 0.26 * z())
    flow = np.array([_FLOW[k] for k in kind])[:, None] * np.exp(0.25 * z())
    fluid = 150.0 + random.gamma(2.0, 60.0, size=shape) + flow * blade
    swaps = np.floor(fluid / column("canister_ml"))
    fault = random.uniform(size=shape) < np.array([_FAULT[k] for k in kind])[:, None]
    stops = swaps * 2.2 * np.exp(0.35 * z()) + fault * 12.0 * np.exp(0.6 * z())
    morcellation = 1.0 + random.gamma(2.0, 0.4, size=shape) + blade + stops

    haemostasis = 9.0 * (gland / 80.0) ** 0.35 * np.exp(0.18 * column("anticoagulated")) * unit.haemostasis
    haemostasis = haemostasis * np.exp(0.36 * z() + 0.10 * difficulty) + 2.0
    parts = random.gamma(5.0, 3.4, size=shape) + random.gamma(4.0, 3.2, size=shape) + random.gamma(4.0, 5.5, size=shape)
    return Clock(tissue, enucleation, haemostasis, morcellation, unit.room * parts, swaps, nodule, fault)


_BLANKS = (
    *("tissue_g", "canister_swaps", "enucleation_min", "morcellation_min", "operative_min", "theatre_min"),
    *("hard_nodule", "device_fault", "trainee", "anticoagulated", "anaesthesia"),
)


def write_down(unit: Unit, cases: pd.DataFrame, seed: int) -> pd.DataFrame:
    """A history file of these cases as a busy unit keeps it: rounded, with blanks, slips, deferred morcellations."""
    random = np.random.default_rng([2030, seed])
    n = len(cases)
    clock = run_the_clock(unit, cases, 1, seed)
    file = cases.copy()
    times = {
        name: getattr(clock, name)[:, 0].copy()
        for name in ("enucleation_min", "haemostasis_min", "morcellation_min", "room_min")
    }
    # A limit that is set without knowing how this case will go: the time until the stop is a true lower bound.
    typical = np.median(run_the_clock(unit, cases, 33, seed + 900_000).morcellation_min, axis=1)
    limit = np.where(random.uniform(size=n) < 0.08, typical * random.uniform(0.5, 1.1, size=n), np.inf)
    stopped = limit < times["morcellation_min"]
    times["morcellation_min"] = np.minimum(times["morcellation_min"], limit)
    outcome = np.where(stopped, np.where(random.uniform(size=n) < 0.4, "other_route", "deferred"), "complete")
    rounded = {name: np.maximum(5.0 * np.round(value / 5.0), 5.0) for name, value in times.items()}
    operative = rounded["enucleation_min"] + rounded["haemostasis_min"] + rounded["morcellation_min"]
    file["tissue_g"] = np.round(clock.tissue_g[:, 0])
    file["canister_swaps"] = np.where(np.isinf(cases["canister_ml"]), 0.0, clock.swaps[:, 0])
    file["enucleation_min"] = rounded["enucleation_min"]
    file["morcellation_min"] = rounded["morcellation_min"]
    file["operative_min"] = operative
    file["theatre_min"] = operative + rounded["room_min"]
    file["morcellation_outcome"] = outcome
    file["hard_nodule"] = clock.hard_nodule[:, 0].astype(float)
    file["device_fault"] = clock.device_fault[:, 0].astype(float)
    file["gland_ml"] = file["gland_ml"].astype(float)

    slips = np.flatnonzero(random.uniform(size=n) < 0.04)
    kinds = random.integers(0, 4, size=len(slips))
    slip = ("gland_ml", "enucleation_min", "morcellation_min", "theatre_min")
    values = {name: file[name].to_numpy(dtype=np.float64).copy() for name in slip}
    for i, kind in zip(slips, kinds, strict=True):
        column = values[slip[kind]]
        # What no gland and no operation can be is refused at reading; these are the slips that get through.
        if kind == 0:
            column[i] *= 10.0 if column[i] <= 95.0 else 0.1
        elif kind == 1:
            column[i] *= 10.0 if column[i] <= 140.0 else 0.1
        elif kind == 2:
            column[i] = max(np.round(column[i] / 10.0), 1.0)
        else:
            column[i] = np.round(column[i] / 60.0, 1)
    file = file.assign(**values)
    for name in _BLANKS:
        file.loc[file.index[random.uniform(size=n) < 0.08], name] = np.nan
    nothing = file[["enucleation_min", "morcellation_min", "operative_min", "theatre_min"]].isna().all(axis=1)
    file.loc[nothing, "theatre_min"] = (operative + rounded["room_min"])[nothing.to_numpy()]
    return file
