"""How often 95 % intervals of the time model hold the truth, by three methods.

    python cpp/bench/coverage.py TABLE.md [--units 400] [--cases 150 500] [--replicates 400] [--jobs 2]
        [--methods sandwich profile bootstrap]

Each unit is another one: parameters and surgeons drawn from the published prior. 5 % of its cases have all times three
to eight times too long, and the spread of enucleation and morcellation times grows with the gland (log SD 0.25 and 0.30
at no volume, 0.35 and 0.38 at 130 mL), so that neither the loss nor equal spread is right. Written: the share of
intervals that hold the truth, with the 99 % binomial range of a true 95 %.
"""

from __future__ import annotations

import argparse
import warnings
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

import lobetime as lt
from lobetime import quantities as q
from lobetime.datasets import Mess, UnitTruth, draw_truth, simulate_unit

LEVEL = 0.95
METHODS = ("sandwich", "profile", "bootstrap")
VACUUM, PERISTALTIC = "oscillating/vacuum", "reciprocating/peristaltic"
OF_INTEREST = [
    q.parameter("e_exponent"),
    q.parameter("rate_50"),
    q.parameter("rate_exponent"),
    q.parameter("blade_oscillating"),
    q.parameter("swap_min"),
    q.enucleation_min(80, name="enucleation at 80 mL"),
    q.enucleation_min(160, name="enucleation at 160 mL"),
    q.enucleation_min(80, surgeon_case_no=1, name="enucleation at 80 mL, first case"),
    q.morcellation_min(80, device_class=VACUUM, canister_ml=2000, name="morcellation at 80 mL"),
    q.morcellation_efficiency(80, mean="ratio_of_means", device_class=VACUUM, canister_ml=2000, name="efficiency"),
    q.morcellation_difference_min(60, VACUUM, PERISTALTIC, canister_ml=2000, name="class difference at 60 mL"),
    q.morcellation_difference_min(150, VACUUM, PERISTALTIC, canister_ml=2000, name="class difference at 150 mL"),
    q.cases_to_plateau("enucleation", name="cases to plateau"),
]


def unit_of(n_cases: int, seed: int) -> tuple[pd.DataFrame, UnitTruth]:
    truth = draw_truth(seed)
    frame = simulate_unit(n_cases, seed=seed, truth=truth, mess=Mess(outlier_fraction=0.05))
    random = np.random.default_rng([seed, 73])
    grown = np.zeros(n_cases)
    for phase in ("enucleation_min", "morcellation_min"):
        longer = frame[phase] * np.exp(0.15 * frame["gland_ml"] / 80 * random.standard_normal(n_cases))
        grown = grown + (longer - frame[phase]).fillna(0.0)
        frame[phase] = longer
    for total in ("operative_min", "theatre_min"):
        frame[total] = frame[total] + grown
    times = [name for name in frame if name.endswith("_min")]
    frame[times] = frame[times].where((frame[times] <= 1440) & (frame[times] > 0))
    return frame, truth


def held(job: tuple[int, int, int, list[str]]) -> list[dict[str, object]] | None:
    n_cases, seed, replicates, methods = job
    frame, truth = unit_of(n_cases, seed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            model = lt.TheatreTimeModel(threads=1).fit(frame)
        except lt.InvalidData:  # the prior's far tails hold units with a hundred swaps a case
            return None
        known = dict(truth.parameters())
        for code, surgeon in truth.surgeons.items():
            known[f"surgeon_enucleation[{code}]"], known[f"surgeon_morcellation[{code}]"] = surgeon.u, surgeon.v
        theta = np.array(
            [
                np.log(known[name]) if scale == "log" else known.get(name, 0.0)
                for name, scale in model.params_["scale"].items()
            ]
        )
        rows: list[dict[str, object]] = []
        for method in methods:
            table = model.conf_int(method, level=LEVEL, functions=OF_INTEREST, replicates=replicates, seed=seed)
            for one in OF_INTEREST:
                value = one.of(model.fitted_).value(theta)
                lower, upper = table.loc[one.name, ["lower", "upper"]]
                inside = (np.isnan(lower) or lower <= value) and (np.isnan(upper) or value <= upper)
                rows.append(
                    {
                        "method": method,
                        "quantity": one.name,
                        "inside": bool(inside),
                        "open": table.loc[one.name, "open"] != "",
                        "below": bool(value < lower),
                        "above": bool(value > upper),
                    }
                )
    return rows


def study(n_cases: int, units: int, replicates: int, jobs: int, methods: list[str]) -> pd.DataFrame:
    """inside, open, below, above as shares, by quantity and method."""
    todo = [(n_cases, seed, replicates, methods) for seed in range(units)]
    with ProcessPoolExecutor(jobs, mp_context=get_context("forkserver")) as pool:
        return shares_of([rows for rows in pool.map(held, todo, chunksize=2) if rows is not None])


def shares_of(done: list[list[dict[str, object]]]) -> pd.DataFrame:
    """The same of what :func:`held` says of each unit."""
    frame = pd.DataFrame([row | {"unit": unit} for unit, rows in enumerate(done) for row in rows])
    shares = frame.groupby(["quantity", "method"], sort=False)[["inside", "open", "below", "above"]].mean()
    shares["units"] = len(done)
    return shares


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("table", type=Path)
    parser.add_argument("--units", type=int, default=400)
    parser.add_argument("--cases", type=int, nargs="+", default=[150, 500])
    parser.add_argument("--replicates", type=int, default=400)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--methods", nargs="+", choices=METHODS, default=list(METHODS))
    options = parser.parse_args()
    methods = options.methods
    text = [f"# Share of 95 % intervals that hold the truth\n\n{(__doc__ or '').splitlines()[0]}\n"]
    for n_cases in options.cases:
        shares = study(n_cases, options.units, options.replicates, options.jobs, methods)
        units = int(shares["units"].iloc[0])
        low, high = (limit / units for limit in stats.binom.interval(0.99, units, LEVEL))
        wide = shares["inside"].unstack("method")[methods]
        opened = shares["open"].unstack("method")[methods]
        text.append(
            f"\n## {n_cases} cases, {units} units, {options.replicates} replicates (a true 95 % lies within {low:.3f} "
            f"to {high:.3f} in 99 of 100 studies)\n\n| quantity | {' | '.join(methods)} |\n|---|{'---|' * len(methods)}"
        )
        for name, row in wide.iterrows():
            cells = [
                f"{row[method]:.3f}" + (f" ({opened.loc[name, method]:.0%} open)" if opened.loc[name, method] else "")
                for method in methods
            ]
            text.append(f"| {name} | {' | '.join(cells)} |")
        text.append(f"| all | {' | '.join(f'{wide[method].mean():.3f}' for method in methods)} |")
    options.table.write_text("\n".join(text) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
