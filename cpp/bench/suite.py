"""The engine against the packages one would otherwise use, in one interleaved run, written as a table:

    cmake --preset release -DLOBETIME_PYTHON=ON && cmake --build --preset release
    PYTHONPATH=build/release/python python cpp/bench/suite.py OUT.md        (and OUT.csv beside it)

About ten minutes on two cores; --quick takes one and proves only that everything runs. What is not installed (lmfit, R
with robustbase) or not built (the C++ programs) is named in the notes and left out. Everything runs on one thread, BLAS
included, unless a row says otherwise.
"""

from __future__ import annotations

import argparse
import ctypes
import importlib.metadata
import importlib.util
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import enucleation_curve as curve
import numpy as np
from measure import Contender, Dialogue, Program, Report, instruction_set, python_version
from numpy_time_model import NumpyObjective, numpy_prediction
from scipy.optimize import least_squares
from threadpoolctl import threadpool_limits

import lobetime as lt
from lobetime import _core

HUBER = 1.345
SCIPY = "scipy least_squares"
EVALUATIONS = 3  # of scipy where a whole solve would take minutes
REFITS = 1000
SCIPY_REFITS = 20
SEEDS = 20


@dataclass(frozen=True)
class Setting:
    quick: bool
    folder: Path  # where the C++ programs find the cases
    time_program: Program
    regression_program: Program
    r: Dialogue | None
    r_missing: str

    def turns(self, wanted: int) -> int:
        return 1 if self.quick else wanted


def unit_table(n: int) -> _core.CaseTable:
    """n cases, every column recorded; above 10,000 the first 10,000 come again and again."""
    table = lt.read_cases(lt.datasets.simulate_unit(min(n, 10_000), seed=1)).table
    return table if n <= 10_000 else table.take(np.arange(n) % 10_000)


def write_columns(table: _core.CaseTable, path: Path) -> None:
    """The table for the C++ programs: one line a column, its name, then the values, with tabs between."""
    with path.open("w", encoding="utf-8") as file:
        for column in dir(_core.CaseTable):
            if column.startswith("_") or column == "take":
                continue
            file.write("\t".join([column, *map(str, getattr(table, column).tolist())]) + "\n")


def held_fit(table: _core.CaseTable, threads: int) -> _core.TheatreTimeFit:
    """A Huber fit. Of a long table with the spreads of its first 10,000 cases, which is quicker and no less a fit."""
    prior = _core.published_prior()
    if len(table) <= 10_000:
        return _core.fit_theatre_time(table, prior, loss="huber", threads=threads)
    first = table.take(np.arange(10_000))
    fit = _core.fit_theatre_time(first, prior, loss="huber", threads=threads)
    model = _core.model_from_fit(fit, first, prior, loss="huber", tuning=0.0, use_prior=True)
    spreads = [row["spread"] for row in model.spreads]
    return _core.fit_theatre_time(table, prior, loss="huber", threads=threads, held_spreads=spreads)


def apart(theirs: np.ndarray, ours: np.ndarray) -> float:
    """Largest relative difference of a parameter."""
    return float(np.max(np.abs(theirs - ours) / np.abs(ours)))


def time_model(report: Report, setting: Setting, sizes: list[int]) -> None:
    prior = _core.published_prior()
    evaluations, scipy_ms = 0, {}
    for n in sizes:
        table = unit_table(n)
        fit = held_fit(table, threads=2)
        ours = _core.TheatreTimeObjective(fit, table, loss="huber", threads=1)
        two = _core.TheatreTimeObjective(fit, table, loss="huber", threads=2)
        p = len(fit.names)
        if n <= 100_000:
            write_columns(table, setting.folder / f"{n}.tsv")
        contenders = [Contender("lobetime, one solve, from Python", lambda o=ours: o.solve(), ours=True)]
        if n >= 100_000:
            contenders.append(
                Contender("lobetime, one solve, from Python", lambda o=two: o.solve(), ours=True, threads=2)
            )
        if setting.time_program and n <= 100_000:
            contenders.append(
                setting.time_program.contender(
                    "lobetime, one solve, from C++",
                    f"solve/{n}/1",
                    turns=1 if n > 10_000 else None,
                )
            )
        if n <= 10_000:
            cases = lt.read_cases(lt.datasets.simulate_unit(n, seed=1))
            for loss in ("huber", "bisquare"):
                model = lt.TheatreTimeModel(loss=loss, threads=1)
                contenders.append(
                    Contender(
                        f"lobetime, whole fit, {loss}, from Python",
                        lambda m=model, c=cases: m.fit(c),
                        ours=True,
                        note="spreads found, covariance included",
                    )
                )
        elif n == 100_000:
            for threads in (1, 2):
                contenders.append(
                    Contender(
                        "lobetime, whole fit, huber, from Python",
                        lambda t=table, k=threads: _core.fit_theatre_time(t, prior, loss="huber", threads=k),
                        ours=True,
                        threads=threads,
                        turns=1,
                        note="spreads found, covariance included",
                    )
                )
        if setting.time_program and n <= 10_000:
            contenders.append(setting.time_program.contender("lobetime, whole fit, bisquare, from C++", f"fit/{n}/1"))
        reference = f"{SCIPY}, one solve"
        if n <= 10_000:
            theirs = NumpyObjective(table, fit, ours.lower, ours.upper)
            evaluations = check_agreement(report, theirs, ours, fit, n)
            contenders.append(
                Contender(reference, lambda o=theirs: o.solve(o.prior_mean), turns=None if n <= 1_000 else 1)
            )
            if n <= 1_000:
                contenders.append(
                    Contender(
                        f"{SCIPY}, one solve, tolerances 1e-10",
                        lambda o=theirs: o.solve(o.prior_mean, tolerance=1e-10),
                    )
                )
        elif n == 100_000 and evaluations:
            theirs = NumpyObjective(table, fit, ours.lower, ours.upper)
            contenders.append(
                Contender(
                    reference,
                    lambda o=theirs: o.solve(o.prior_mean, max_evaluations=EVALUATIONS),
                    times=evaluations / EVALUATIONS,
                    turns=1,
                    note=f"{EVALUATIONS} evaluations, scaled to the {evaluations} it takes at 10,000",
                )
            )
        elif scipy_ms:
            known = max(scipy_ms)
            contenders.append(
                Contender(
                    reference,
                    lambda ms=scipy_ms[known] * n / known: ms,
                    own_clock=True,
                    turns=1,
                    note=f"not run: its time at {known:,}, scaled by the cases",
                )
            )
        if setting.time_program and n <= 10_000:
            told = setting.time_program.measure(f"solve/{n}/1")
            report.note(
                f"n = {n:,}: cost from C++ over that from Python - 1: {told['cost'] / ours.solve()['cost'] - 1:.1e}"
            )
        turns = setting.turns(7 if n <= 1_000 else 5 if n <= 10_000 else 3 if n <= 100_000 else 1)
        rows = report.compare(f"Time model, n = {n:,}, {p} parameters", contenders, reference, turns)
        if reference in rows:
            scipy_ms[n] = rows[reference].median_ms
            report.values[f"solve {n}{' python' if n == 500 else ''}"] = rows["lobetime, one solve, from Python"].faster
            if n == 500 and "lobetime, one solve, from C++" in rows:
                report.values["solve 500 cpp"] = rows["lobetime, one solve, from C++"].faster
            if "lobetime, one solve, from Python, 2 threads" in rows:
                report.values[f"solve {n} 2"] = rows["lobetime, one solve, from Python, 2 threads"].faster
        if n == 1_000_000:
            memory(report, n)


def check_agreement(
    report: Report, theirs: NumpyObjective, ours: _core.TheatreTimeObjective, fit: _core.TheatreTimeFit, n: int
) -> int:
    """Notes whether scipy ends where we do; its evaluations from the prior's centre."""
    solved = ours.solve()
    error = np.sqrt(np.diag(np.linalg.inv(fit.curvature)))
    report.note(
        f"n = {n:,}: ours {solved['termination']} in {solved['iterations']} iterations; the numpy objective there "
        f"differs from ours by {theirs.cost(solved['theta']) / solved['cost'] - 1:.1e}."
    )
    found = None
    for tolerance in (1e-8, 1e-10) if n <= 1_000 else (1e-8,):
        result = theirs.solve(theirs.prior_mean, tolerance=tolerance)
        found = found or result
        off = np.max(np.abs(result.x - solved["theta"]) / error)
        report.note(
            f"n = {n:,}: scipy at {tolerance:g}: status {result.status}, {result.nfev} evaluations, cost above ours by "
            f"{theirs.cost(result.x) / solved['cost'] - 1:.1e}, farthest parameter {off:.1e} standard errors, "
            f"{apart(result.x, solved['theta']):.1e} relative."
        )
    if n <= 1_000:
        last = theirs.root_of_gradient(theirs.solve(theirs.prior_mean, tolerance=1e-12).x)
        report.values["agreement"] = apart(last, solved["theta"])
        report.note(
            f"n = {n:,}: independent minimum (scipy least_squares, then scipy's root of the numpy gradient): "
            f"largest relative difference of a parameter {report.values['agreement']:.1e}."
        )
    return int(found.nfev)


def memory(report: Report, n: int) -> None:
    """Peak memory of table and whole fit in a process of their own, over the memory of the table."""
    told = subprocess.run(
        [sys.executable, __file__, "--memory-of", str(n), "none"], capture_output=True, text=True, check=True
    ).stdout.split()
    table, peak = map(float, told)
    report.values[f"memory {n}"] = peak / table
    report.note(
        f"n = {n:,}: the table's columns take {table:,.0f} MiB, table and whole fit (spreads held) {peak:,.0f} MiB at "
        f"their peak: {peak / table:.2f} times the columns."
    )


def memory_of(n: int) -> None:
    """Prints MiB of a table of n cases, and the peak with its fit (Linux with glibc)."""

    def resident() -> float:
        ctypes.CDLL(None).malloc_trim(0)  # what earlier work freed must not hold the table unseen
        return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 2**20

    small = unit_table(min(n, 10_000))
    before = resident()
    table = small.take(np.arange(n) % len(small))
    columns = resident() - before
    held_fit(table, threads=2)
    print(columns, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 - before)


def bootstrap(report: Report, setting: Setting, n: int = 500) -> None:
    table = unit_table(n)
    write_columns(table, setting.folder / f"{n}.tsv")
    fit = held_fit(table, threads=1)
    held = _core.TheatreTimeObjective(fit, table, loss="huber", threads=1)
    theirs = NumpyObjective(table, fit, held.lower, held.upper)
    random = np.random.default_rng(1)
    counts = [np.bincount(random.integers(n, size=n), minlength=n) for _ in range(SCIPY_REFITS)]

    def scipy_refits() -> None:
        for one in counts:
            theirs.resampled(one).solve(np.array(fit.theta))

    reference = f"{SCIPY}, refits, spreads held"
    contenders = [
        Contender(
            reference,
            scipy_refits,
            times=REFITS / SCIPY_REFITS,
            note=f"{SCIPY_REFITS} refits, scaled to {REFITS:,}",
        )
    ]
    if setting.time_program:
        for threads in (1, 2):
            contenders.append(
                setting.time_program.contender(
                    "lobetime, refits, spreads held, from C++", f"refits/{n}/{threads}/0", threads=threads
                )
            )
            contenders.append(
                setting.time_program.contender(
                    "lobetime, refits, spreads found again, from C++", f"refits/{n}/{threads}/1", threads=threads
                )
            )
    cases = lt.read_cases(lt.datasets.simulate_unit(n, seed=1))
    for threads in (1, 2):
        model = lt.TheatreTimeModel(loss="huber", threads=threads).fit(cases)
        try:
            model.conf_int(method="bootstrap", replicates=50)
        except (lt.InvalidArgument, TypeError):
            report.note("TheatreTimeModel.conf_int has no method 'bootstrap': its refits are timed from C++ only.")
            break
        contenders.append(
            Contender(
                "lobetime, conf_int(method='bootstrap')",
                lambda m=model: m.conf_int(method="bootstrap", replicates=REFITS),
                ours=True,
                threads=threads,
                note="spreads found again, intervals included",
                turns=1,
            )
        )
    rows = report.compare(f"{REFITS:,} bootstrap refits, n = {n}", contenders, reference, setting.turns(3))
    for key, name in (("bootstrap", ""), ("bootstrap 2", ", 2 threads")):
        row = rows.get(f"lobetime, refits, spreads held, from C++{name}")
        if row:
            report.values[key] = row.faster


def regression(**options: object) -> lt.RobustRegression:
    return lt.RobustRegression(curve.mean, jacobian=curve.jacobian, **options)  # type: ignore[arg-type]


def fitted(data: curve.Curve, **options: object) -> lt.RobustRegression:
    return regression(**options).fit(
        data.x, data.y, dict(zip(curve.NAMES, curve.START, strict=True)), lower=curve.LOWER, upper=curve.UPPER
    )


def estimates(model: lt.RobustRegression) -> np.ndarray:
    return model.params_["estimate"].to_numpy()


def scipy_huber(data: curve.Curve, scale: float, tolerance: float = 1e-8) -> np.ndarray:
    found = least_squares(
        lambda b: curve.mean(data.x, b) - data.y,
        curve.START,
        jac=lambda b: curve.jacobian(data.x, b),
        bounds=(curve.LOWER, curve.UPPER),
        x_scale="jac",
        loss="huber",
        f_scale=HUBER * scale,
        xtol=tolerance,
        ftol=tolerance,
        gtol=tolerance,
        max_nfev=10_000,
    )
    return np.asarray(found.x)


def lmfit_jobs(data: curve.Curve, scale: float) -> dict[str, Callable[[], np.ndarray]]:
    import lmfit

    def job(**options: object) -> Callable[[], np.ndarray]:
        def run() -> np.ndarray:
            parameters = lmfit.Parameters()
            for name, start, low, high in zip(curve.NAMES, curve.START, curve.LOWER, curve.UPPER, strict=True):
                parameters.add(name, value=start, min=low, max=high)

            def vector(given: lmfit.Parameters) -> np.ndarray:
                return np.array([given[name].value for name in curve.NAMES])

            found = lmfit.minimize(
                lambda given: curve.mean(data.x, vector(given)) - data.y,
                parameters,
                **{"calc_covar": False, **options},
            )
            return vector(found.params)

        return run

    return {
        "lmfit, leastsq": job(method="leastsq"),
        "lmfit, least_squares, huber": job(method="least_squares", loss="huber", f_scale=HUBER * scale),
    }


def r_job(setting: Setting, line: str) -> Callable[[], float]:
    def run() -> float:
        assert setting.r is not None
        answer = setting.r.ask(line)
        if not answer or answer.startswith("failed"):
            raise RuntimeError(f"{line}: {answer or 'R ended'}")
        return float(answer.split()[0])

    return run


def try_r(report: Report, setting: Setting, line: str) -> list[float]:
    """What R answers: scale, then parameters; nothing, and a note, if it cannot."""
    if setting.r is None:
        return []
    answer = setting.r.ask(line)
    if not answer or answer.startswith("failed"):
        report.note(f"R {line} {answer or 'ended'}")
        return []
    return [float(word) for word in answer.split()][1:]


def curve_m(report: Report, setting: Setting) -> None:
    for n in (500,) if setting.quick else (500, 10_000):
        data = curve.enucleation_curve(n)
        ours = fitted(data, estimator="m", loss="huber")
        held = fitted(data, estimator="m", loss="huber", scale_method="fixed", scale=ours.scale_)
        tight = scipy_huber(data, ours.scale_, 1e-15)
        report.note(
            f"Curve, n = {n:,}: scipy at 1e-15 and ours differ by {apart(tight, estimates(held)):.1e} relative, at its "
            f"default by {apart(scipy_huber(data, ours.scale_), estimates(held)):.1e}."
        )
        jobs: list[Contender] = []
        if setting.regression_program:
            told = setting.regression_program.measure(f"m_huber/{n}")
            report.note(
                f"Curve, n = {n:,}: scale from C++ over that from Python - 1: {told['scale'] / ours.scale_ - 1:.1e}"
            )
            jobs += [
                setting.regression_program.contender(
                    "hand-written for this curve, C++, scale held", f"hand_written/{n}", ours=False, note="no bounds"
                ),
                setting.regression_program.contender("lobetime, C++ functor, scale held", f"m_huber_scale_held/{n}"),
                setting.regression_program.contender("lobetime, C++ functor, scale found (MAD)", f"m_huber/{n}"),
            ]
        reference = f"{SCIPY}, huber, scale held"
        jobs += [
            Contender(
                "lobetime, Python callable, scale held",
                lambda d=data, s=ours.scale_: fitted(d, estimator="m", loss="huber", scale_method="fixed", scale=s),
                ours=True,
            ),
            Contender(
                "lobetime, Python callable, scale found (MAD)",
                lambda d=data: fitted(d, estimator="m", loss="huber"),
                ours=True,
            ),
            Contender(reference, lambda d=data, s=ours.scale_: scipy_huber(d, s), note="analytic Jacobian"),
        ]
        if importlib.util.find_spec("lmfit"):
            run = lmfit_jobs(data, ours.scale_)["lmfit, least_squares, huber"]
            report.note(
                f"Curve, n = {n:,}: lmfit's Huber differs from ours by {apart(run(), estimates(held)):.1e} relative."
            )
            jobs.append(
                Contender("lmfit, least_squares, huber, scale held", lambda r=run: r(), note="its own derivatives")
            )
        if n == 500:
            answer = try_r(report, setting, "nlrob M")
            if answer:
                report.note(
                    f"Curve, n = {n:,}: nlrob M differs from ours by "
                    f"{apart(np.array(answer[1:9]), estimates(ours)):.1e} relative, its scale by a factor of "
                    f"{answer[0] / ours.scale_:.5f}."
                )
                jobs.append(Contender("R nlrob M, scale found", r_job(setting, "nlrob M"), own_clock=True))
        report.compare(f"M-estimate of the eight-parameter curve, n = {n:,}", jobs, reference, setting.turns(5))


def curve_squares(report: Report, setting: Setting) -> None:
    data = curve.enucleation_curve(500)
    ours = fitted(data, estimator="m", loss="squares")
    jobs: list[Contender] = []
    if setting.regression_program:
        jobs.append(setting.regression_program.contender("lobetime, C++ functor", "squares/500"))
    jobs.append(Contender("lobetime, Python callable", lambda: fitted(data, estimator="m", loss="squares"), ours=True))

    def scipy_squares() -> np.ndarray:
        found = least_squares(
            lambda b: curve.mean(data.x, b) - data.y,
            curve.START,
            jac=lambda b: curve.jacobian(data.x, b),
            bounds=(curve.LOWER, curve.UPPER),
            x_scale="jac",
        )
        return np.asarray(found.x)

    report.note(f"Curve, squares: scipy and ours differ by {apart(scipy_squares(), estimates(ours)):.1e} relative.")
    jobs.append(Contender(SCIPY, lambda: scipy_squares(), note="analytic Jacobian"))
    if importlib.util.find_spec("lmfit"):
        run = lmfit_jobs(data, 1.0)["lmfit, leastsq"]
        report.note(f"Curve, squares: lmfit and ours differ by {apart(run(), estimates(ours)):.1e} relative.")
        jobs.append(Contender("lmfit, leastsq", lambda: run(), note="its own derivatives"))
    answer = try_r(report, setting, "nls")
    if answer:
        away = apart(np.array(answer[1:9]), estimates(ours))
        report.note(f"Curve, squares: R nls and ours differ by {away:.1e} relative.")
        jobs.append(Contender("R nls", r_job(setting, "nls"), own_clock=True))
    report.compare("Least squares of the eight-parameter curve, n = 500", jobs, SCIPY, setting.turns(5))


def curve_mm(report: Report, setting: Setting) -> None:
    data = curve.enucleation_curve(500)
    scales = [fitted(data, estimator="s", seed=seed).scale_ for seed in range(1, SEEDS + 1)]
    best = min([*scales, fitted(data, estimator="s", seed=0, starts=500, polished=50).scale_])
    reference = "R nlrob MM"
    answer = try_r(report, setting, "nlrob MM")
    if answer:
        theirs = np.array(answer[9:17])
        scale = _core.robust_scale(data.y - curve.mean(data.x, theirs), "m_scale", 8.0)
        best = min(best, scale)
        away = apart(np.array(answer[1:9]), estimates(fitted(data)))
        report.note(
            f"S-scale of nlrob MM's S-estimate over the best known: {scale / best:.6f}; its MM-estimate differs from "
            f"ours by {away:.1e} relative."
        )
    good = sum(scale <= 1.0002 * best for scale in scales)
    report.values["s seeds"] = good
    report.note(
        f"S-scale over the best known, {SEEDS} seeds: largest {max(scales) / best:.6f}, least "
        f"{min(scales) / best:.6f}; {good} of {SEEDS} within 1.0002."
    )
    jobs = [Contender("lobetime, Python callable", lambda: fitted(data), ours=True)]
    if setting.regression_program:
        jobs.append(setting.regression_program.contender("lobetime, C++ functor", "mm/500"))
    if answer:
        jobs.append(Contender(reference, r_job(setting, "nlrob MM"), own_clock=True))
    else:
        report.reasons["mm"] = setting.r_missing or "nlrob MM failed"
    rows = report.compare("S, then MM, of the eight-parameter curve, n = 500", jobs, reference, setting.turns(5))
    if answer:
        ours = "lobetime, C++ functor" if setting.regression_program else "lobetime, Python callable"
        report.values["mm"] = rows[ours].faster


def linear(report: Report, setting: Setting) -> None:
    """log minutes on six linear columns: what statsmodels RLM can do."""
    import statsmodels.api as sm

    data = curve.enucleation_curve(500)
    x = np.column_stack([np.ones(500), data.x[:, 0], np.log1p(data.x[:, 1]), data.x[:, 2:]])
    y = np.log(data.y)

    def ours() -> lt.RobustRegression:
        model = lt.RobustRegression(
            lambda rows, b: rows @ b, jacobian=lambda rows, b: rows, estimator="m", loss="huber", scale_method="mad"
        )
        return model.fit(x, y, np.zeros(x.shape[1]))

    def theirs() -> np.ndarray:
        return np.asarray(sm.RLM(y, x, M=sm.robust.norms.HuberT(HUBER)).fit(maxiter=500, tol=1e-10).params)

    away = apart(theirs(), estimates(ours()))
    report.note(f"Linear model: statsmodels RLM (Huber, MAD) and ours differ by {away:.1e} relative.")
    jobs = [
        Contender("lobetime, Python callable", lambda: ours(), ours=True),
        Contender(
            "statsmodels RLM",
            lambda: sm.RLM(y, x, M=sm.robust.norms.HuberT(HUBER)).fit(),
            note="its default tolerance; covariance included",
        ),
    ]
    report.compare(
        "Linear Huber regression, log minutes on six columns, n = 500", jobs, "statsmodels RLM", setting.turns(5)
    )


def prediction(report: Report, setting: Setting) -> None:
    model = lt.TheatreTimeModel(threads=1).fit(lt.datasets.simulate_unit(500, seed=1))
    bookings = lt.read_bookings(lt.datasets.load_demo_unit().bookings)
    random = np.random.default_rng(1)
    reference = "numpy, vectorised over draws"
    jobs = [
        Contender("lobetime", lambda: model.predict(bookings), ours=True),
        Contender(
            reference,
            lambda: numpy_prediction(model, len(bookings), 4096, random),
            note="the draws alone: no explanations, no flags, not the same in any order",
        ),
    ]
    report.compare("Prediction, 40 bookings x 4,096 joint draws", jobs, reference, setting.turns(5))


def start_r(folder: Path, clock: str) -> tuple[Dialogue | None, str]:
    if not shutil.which("Rscript"):
        return None, "R is not installed"
    data = curve.enucleation_curve(500)
    header = "log_v80,done,trainee,surgeon_2,surgeon_3,minutes"
    np.savetxt(folder / "rows.csv", np.column_stack([data.x, data.y]), "%.17g", ",", header=header, comments="")
    script = Path(__file__).with_name("enucleation_curve.R")
    dialogue = Dialogue(["Rscript", str(script), str(folder / "rows.csv"), clock])
    if dialogue.greeting.startswith("robustbase"):
        return dialogue, ""
    dialogue.close()
    return None, "R has no package robustbase"


def about(setting: Setting) -> list[str]:
    packages = ["numpy", "scipy", "statsmodels", "lmfit"]
    versions = [f"lobetime {lt.__version__}", f"Python {python_version()}"]
    for name in packages:
        try:
            versions.append(f"{name} {importlib.metadata.version(name)}")
        except importlib.metadata.PackageNotFoundError:
            versions.append(f"{name} not installed")
    versions.append(setting.r.greeting if setting.r else setting.r_missing)
    return [
        f"Machine: {os.cpu_count()} cores, {instruction_set()}; load at the start {os.getloadavg()[0]:.1f}.",
        f"Versions: {', '.join(versions)}.",
    ]


GROUPS = ("time", "bootstrap", "m", "squares", "mm", "linear", "predict")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out", type=Path, help="Markdown file; the same name with .csv is written too")
    parser.add_argument("--programs", type=Path, default=Path("build/release/cpp/bench"), help="the C++ programs")
    parser.add_argument("--only", nargs="+", choices=GROUPS, default=GROUPS)
    parser.add_argument("--sizes", nargs="+", type=int, default=None, help="cases of the time model, ascending")
    parser.add_argument(
        "--clock", choices=("wall", "cpu"), default="wall", help="cpu: for a machine that does other things meanwhile"
    )
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--memory-of", type=int, help=argparse.SUPPRESS)
    given = parser.parse_args()
    warnings.simplefilter("ignore")
    if given.memory_of is not None:
        memory_of(given.memory_of)
        return
    sizes = given.sizes or ([500, 10_000] if given.quick else [500, 10_000, 100_000, 1_000_000])
    report = Report(instruction_set(), given.clock)
    with tempfile.TemporaryDirectory() as folder, threadpool_limits(1):
        r, missing = start_r(Path(folder), given.clock)
        setting = Setting(
            given.quick,
            Path(folder),
            Program(given.programs / "lobetime_bench_time_model", given.clock, Path(folder)),
            Program(given.programs / "lobetime_bench_regression", given.clock, Path(folder)),
            r,
            missing,
        )
        lines = about(setting)
        if missing:
            report.note(f"{missing}: nls and nlrob are left out.")
        if not importlib.util.find_spec("lmfit"):
            report.note("lmfit is not installed and left out.")
        if not setting.time_program or not setting.regression_program:
            report.note("the C++ programs are not built: rows from C++ are left out.")
        jobs: dict[str, Callable[[], None]] = {
            "time": lambda: time_model(report, setting, sizes),
            "bootstrap": lambda: bootstrap(report, setting),
            "m": lambda: curve_m(report, setting),
            "squares": lambda: curve_squares(report, setting),
            "mm": lambda: curve_mm(report, setting),
            "linear": lambda: linear(report, setting),
            "predict": lambda: prediction(report, setting),
        }
        for name in given.only:
            jobs[name]()
            report.write(given.out, lines)
        if r:
            r.close()


if __name__ == "__main__":
    main()
