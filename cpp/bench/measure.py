"""Interleaved timing, the targets, and the table that a run writes."""

from __future__ import annotations

import csv
import json
import os
import platform
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

LEAST_TURN_S = 0.02  # a turn of a fast contender repeats it until the clock's grain no longer matters
MOST_CALLS = 200
BUDGET_S = 20.0  # after this many timed seconds a contender takes no further turn


@dataclass(frozen=True)
class Contender:
    """What is timed: `run` does the work once, or, with a clock of its own, returns its milliseconds."""

    name: str
    run: Callable[[], object]
    ours: bool = False
    threads: int = 1
    own_clock: bool = False
    times: float = 1.0  # the work timed is this share of the whole: milliseconds are multiplied by it
    turns: int | None = None  # fewer than the others, for the slow ones
    note: str = ""

    @property
    def label(self) -> str:
        return self.name if self.threads == 1 else f"{self.name}, {self.threads} threads"


@dataclass
class Row:
    work: str
    contender: str
    ours: bool
    threads: int
    median_ms: float
    least_ms: float
    turns: int
    note: str
    faster: float = float("nan")  # than the group's reference, by medians


@dataclass(frozen=True)
class Target:
    """One cell of the targets table of the engine's design.

    Ratios against scipy were measured on a machine with AVX-512; with AVX2 only, four tenths of them are asked.
    """

    key: str
    meaning: str
    bound: float
    at_least: bool = True
    scales: bool = False  # with the instruction set

    def bound_here(self, instruction_set: str) -> float:
        return self.bound * (0.4 if self.scales and instruction_set != "AVX-512" else 1.0)

    def verdict(self, value: float, instruction_set: str) -> str:
        bound = self.bound_here(instruction_set)
        if (value >= bound) if self.at_least else (value <= bound):
            return "met"
        share = value / bound
        return f"missed: {share:.2f} of it" if self.at_least else f"missed: {share:.3g} times it"


_SOLVE = "one solve, spreads held, times faster than scipy least_squares (same objective, analytic Jacobian)"
_LIMIT = "time over that of a hand-written kernel"
TARGETS = (
    Target("solve 500 cpp", f"n = 500, from C++: {_SOLVE}", 30, scales=True),
    Target("solve 500 python", f"n = 500, from Python: {_SOLVE}", 25, scales=True),
    Target("limit 500 cpp", f"n = 500, from C++: {_LIMIT}", 2.0, at_least=False),
    Target("limit 500 python", f"n = 500, from Python: {_LIMIT}", 2.6, at_least=False),
    Target("solve 100000", f"n = 100,000, 1 thread: {_SOLVE}", 48, scales=True),
    Target("solve 100000 2", f"n = 100,000, 2 threads: {_SOLVE}", 85, scales=True),
    Target("limit 100000", f"n = 100,000, 1 thread: {_LIMIT}", 1.1, at_least=False),
    Target("limit 100000 2", f"n = 100,000, 2 threads: {_LIMIT}", 0.6, at_least=False),
    Target("solve 1000000", f"n = 1,000,000: {_SOLVE}", 44, scales=True),
    Target(
        "memory 1000000",
        "n = 1,000,000: peak memory of table and whole fit over the table's columns",
        1.2,
        at_least=False,
    ),
    Target("limit 1000000", f"n = 1,000,000: {_LIMIT}", 1.1, at_least=False),
    Target("bootstrap", "1,000 refits, n = 500, 1 thread: times faster than scipy refits", 60, scales=True),
    Target("bootstrap 2", "1,000 refits, n = 500, 2 threads: times faster than scipy refits", 120, scales=True),
    Target("limit bootstrap", f"1,000 refits, n = 500, 1 thread: {_LIMIT}", 1.2, at_least=False),
    Target("limit bootstrap 2", f"1,000 refits, n = 500, 2 threads: {_LIMIT}", 0.65, at_least=False),
    Target("mm", "S + MM, n = 500: times faster than R nlrob MM", 200),
    Target("s seeds", "S + MM, n = 500: of 20 seeds, those with an S-scale within 1.0002 of the best known", 19),
    Target(
        "agreement",
        "largest relative difference of a parameter from an independent solver, n = 500",
        1e-7,
        at_least=False,
    ),
)
NO_LIMIT = "the shipped model has no hand-written kernel apart from its own to be compared with"


@dataclass
class Report:
    instruction_set: str
    clock: str = "wall"  # or "cpu", for a machine that does other things; more threads than one keep wall time
    rows: list[Row] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    values: dict[str, float] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)  # why a target has no value

    def note(self, text: str) -> None:
        self.notes.append(text)
        print(f"  {text}", flush=True)

    def compare(self, work: str, contenders: list[Contender], reference: str, turns: int) -> dict[str, Row]:
        """Times contenders in turn and adds a row for each. What runs in this process warms up first, unless it is
        to take one turn only."""
        print(work, flush=True)
        times: dict[str, list[float]] = {one.label: [] for one in contenders}
        most = {one.label: turns if one.turns is None else min(one.turns, turns) for one in contenders}
        for one in contenders:
            if not one.own_clock and most[one.label] > 1:
                one.run()
        for turn in range(turns):
            for one in contenders:
                known = times[one.label]
                if turn < most[one.label] and sum(known) <= 1e3 * BUDGET_S * one.times:
                    known.append(_milliseconds(one, self.clock) * one.times)
        rows = {}
        medians = {name: statistics.median(values) for name, values in times.items() if values}
        for one in contenders:
            values = times[one.label]
            row = Row(work, one.name, one.ours, one.threads, medians[one.label], min(values), len(values), one.note)
            if reference in medians:
                row.faster = medians[reference] / row.median_ms
            rows[one.label] = row
            self.rows.append(row)
            print(
                f"  {one.label:<58} median {row.median_ms:12.3f} ms  least {row.least_ms:12.3f}"
                f"  {row.faster:8.2f} x {reference}",
                flush=True,
            )
        return rows

    def write(self, path: Path, about: list[str]) -> None:
        lines = ["# Benchmarks", "", *about, ""]
        lines += [
            f"Milliseconds are medians and minima of {self.clock} time over the turns; contenders of one block take "
            "turns. `x reference` is how many times faster than the block's reference (x 1) a row is, by medians.",
            "",
        ]
        work = ""
        for row in self.rows:
            if row.work != work:
                work = row.work
                lines += ["", f"## {work}", ""]
                lines += ["| contender | threads | median ms | least ms | turns | x reference | note |"]
                lines += ["|---|---:|---:|---:|---:|---:|---|"]
            name = f"**{row.contender}**" if row.ours else row.contender
            faster = "" if row.faster != row.faster else f"{row.faster:.3g}"
            lines.append(
                f"| {name} | {row.threads} | {row.median_ms:.4g} | {row.least_ms:.4g} | {row.turns} | {faster} "
                f"| {row.note} |"
            )
        lines += ["", "## Targets", ""]
        lines += ["| what | target | here | measured | verdict |", "|---|---:|---:|---:|---|"]
        for target in TARGETS:
            sign = "≥" if target.at_least else "≤"
            here = f"{sign} {target.bound_here(self.instruction_set):g}"
            if target.key in self.values:
                value = self.values[target.key]
                cells = f"{value:.3g} | {target.verdict(value, self.instruction_set)}"
            else:
                reason = NO_LIMIT if target.key.startswith("limit") else "not in this run"
                cells = f"| not measured: {self.reasons.get(target.key, reason)}"
            lines.append(f"| {target.meaning} | {sign} {target.bound:g} | {here} | {cells} |")
        if self.instruction_set != "AVX-512":
            lines += ["", "Here: four tenths of the ratios against scipy, which were set on a machine with AVX-512."]
        lines += ["", "## Notes", "", *(f"- {note}" for note in self.notes), ""]
        path.write_text("\n".join(lines), encoding="utf-8")
        with path.with_suffix(".csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(
                ["work", "contender", "ours", "threads", "median_ms", "least_ms", "turns", "x_reference", "note"]
            )
            for row in self.rows:
                faster = "" if row.faster != row.faster else f"{row.faster:.6g}"
                timed = [f"{row.median_ms:.6g}", f"{row.least_ms:.6g}", row.turns, faster]
                writer.writerow([row.work, row.contender, int(row.ours), row.threads, *timed, row.note])
            for target in TARGETS:
                value = self.values.get(target.key)
                verdict = "not measured" if value is None else target.verdict(value, self.instruction_set)
                writer.writerow(
                    ["target", target.meaning, 1, "", "", "", "", "" if value is None else f"{value:.6g}", verdict]
                )


def _milliseconds(one: Contender, clock: str) -> float:
    if one.own_clock:
        return float(one.run())  # type: ignore[arg-type]
    now = time.process_time if clock == "cpu" and one.threads == 1 else time.perf_counter
    begin = now()
    calls, took = 0, 0.0
    while calls == 0 or (took < LEAST_TURN_S and calls < MOST_CALLS):
        one.run()
        calls, took = calls + 1, now() - begin
    return 1e3 * took / calls


class Program:
    """A Google Benchmark program."""

    def __init__(self, path: Path, clock: str, units: Path) -> None:
        self.path = path
        self.clock = clock
        self.environment = os.environ | {"LOBETIME_BENCH_UNITS": str(units)}

    def __bool__(self) -> bool:
        return self.path.is_file()

    def measure(self, name: str) -> dict[str, float]:
        """One benchmark by its full name: its milliseconds (real_time, cpu_time) and counters."""
        command = [str(self.path), f"--benchmark_filter=^{name}/real_time$", "--benchmark_min_time=0.05"]
        command.append("--benchmark_format=json")
        ran = subprocess.run(command, env=self.environment, capture_output=True, text=True, check=True)
        found = json.loads(ran.stdout)["benchmarks"][0]
        if found.get("error_occurred"):
            raise RuntimeError(f"{name}: {found['error_message']}")
        unit = {"ns": 1e-6, "us": 1e-3, "ms": 1.0, "s": 1e3}[found["time_unit"]]
        numbers = {key: float(value) for key, value in found.items() if isinstance(value, float | int)}
        return numbers | {key: numbers[key] * unit for key in ("real_time", "cpu_time")}

    def contender(self, label: str, name: str, **more: Any) -> Contender:
        key = "cpu_time" if self.clock == "cpu" and more.get("threads", 1) == 1 else "real_time"
        return Contender(label, lambda: self.measure(name)[key], own_clock=True, **{"ours": True, **more})


class Dialogue:
    """A program that answers each line with one line, kept open so that its start is not timed."""

    def __init__(self, command: list[str]) -> None:
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        self.greeting = self._line()

    def _line(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()

    def ask(self, line: str) -> str:
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        return self._line()

    def close(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.process.wait()


def instruction_set() -> str:
    """The widest vectors of this processor, where the system tells."""
    try:
        flags = Path("/proc/cpuinfo").read_text(encoding="utf-8").split()
    except OSError:
        return "not known"
    names = (("avx512f", "AVX-512"), ("avx2", "AVX2"), ("sse4_2", "SSE4"))
    return next((name for flag, name in names if flag in flags), platform.machine())


def python_version() -> str:
    return ".".join(map(str, sys.version_info[:3]))
