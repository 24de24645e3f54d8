"""Whether memory stays flat over many rounds of fit, predict, slots and plan in one process.

Usage: soak.py [--rounds N] [--most-kb K] [--most-percent P]
       (by default 1,000 rounds; more than 4 kB a round, or 10 % in all, is a failure)

Memory is what the process holds (resident set). The first fifth of the rounds is left out: caches fill there. The rest
is cut into six spans; what is kept from round to round shows in each of them, a round that needs more than any before
it in one. The growth of a span is the median of slopes between pairs of its rounds (Theil and Sen), the whole's the
median of those of its spans.
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

_SPANS = 6


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
    spans = np.array_split(np.array(held[rounds // 5 :]), _SPANS)
    return float(np.median([slope(span) for span in spans])), held


def slope(span: np.ndarray) -> float:
    """kB a round, by Theil and Sen."""
    return float(np.median([(span[j] - span[i]) / (j - i) for i, j in combinations(range(len(span)), 2)]))


def main() -> int:
    """Run the rounds; 1 if memory grows."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=1000)
    parser.add_argument("--most-kb", type=float, default=4.0)
    parser.add_argument("--most-percent", type=float, default=10.0)
    asked = parser.parse_args()
    kb_a_round, held = growth(asked.rounds, tell=True)
    first = held[asked.rounds // 5]
    in_all = 100.0 * (held[-1] / first - 1.0)
    span = f"{first / 1e3:.1f} to {held[-1] / 1e3:.1f} MB, {in_all:+.1f} %"
    print(f"{asked.rounds:,} rounds: {kb_a_round:+.2f} kB a round; {span}")
    return 1 if kb_a_round > asked.most_kb or in_all > asked.most_percent else 0


if __name__ == "__main__":
    sys.exit(main())
