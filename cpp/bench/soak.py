"""Whether memory stays flat over many rounds of fit, predict, slots and plan in one process.

Usage: soak.py [--rounds N] [--most-kb K]      (by default 1,000 rounds; more than 4 kB a round is a failure)

Memory is what the process holds (resident set). The first fifth of the rounds is left out: caches fill there. The rest
is judged by the median of slopes between pairs of rounds (Theil and Sen), which no single step moves.
"""

from __future__ import annotations

import argparse
import gc
import sys
import time
import warnings
from itertools import combinations
from pathlib import Path

import numpy as np

import lobetime as lt


def resident_kb() -> float:
    """What this process holds in memory."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * 4.096


def one_round(i: int) -> None:
    """Fit, save, load, predict, slots, plan: all of it anew."""
    unit = lt.datasets.load_demo_unit()
    first = i % 40
    model = lt.TheatreTimeModel(estimator="m").fit(unit.history.iloc[first : first + 60])
    bookings = lt.read_bookings(unit.bookings.head(6))
    prediction = model.predict(bookings, draws=500, seed=i)
    lt.slots(prediction, overrun_risk=0.2)
    plan = lt.plan_lists(prediction, bookings, unit.sessions, seed=i, draws=2048, verify_draws=10_000)
    lt.lists.room_sheet_html(plan)


def growth(rounds: int, tell: bool = False) -> tuple[float, list[float]]:
    """kB a round, and the memory after each round."""
    held = []
    start = time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for i in range(rounds):
            one_round(i)
            gc.collect()
            held.append(resident_kb())
            if tell and (i + 1) % max(rounds // 10, 1) == 0:
                print(f"round {i + 1:,}: {held[-1] / 1e3:.1f} MB, {time.perf_counter() - start:.0f} s", flush=True)
    judged = held[rounds // 5 :]
    step = max(len(judged) // 200, 1)
    points = list(enumerate(judged))[::step]
    slopes = [(b - a) / (j - i) for (i, a), (j, b) in combinations(points, 2)]
    return float(np.median(slopes)), held


def main() -> int:
    """Run the rounds; 1 if memory grows."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=1000)
    parser.add_argument("--most-kb", type=float, default=4.0)
    asked = parser.parse_args()
    slope, held = growth(asked.rounds, tell=True)
    span = f"{held[asked.rounds // 5] / 1e3:.1f} to {held[-1] / 1e3:.1f} MB"
    print(f"{asked.rounds:,} rounds: {slope:+.2f} kB a round; {span}")
    return 1 if slope > asked.most_kb else 0


if __name__ == "__main__":
    sys.exit(main())
