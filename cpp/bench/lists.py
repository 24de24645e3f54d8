"""How long lists take to choose, and how near the bound they are, on invented waiting lists.

Usage: lists.py [CASES/SESSIONS ...] [--seeds N] [--time-limit S]      (by default 60/30 120/60 200/90, one seed)

Placing all cases on the fewest hours of sessions, at 20 % overrun risk; 32,768 draws; not verified on fresh draws.
"""

from __future__ import annotations

import argparse
import math
import time

from lobetime.datasets import simulate_waiting_list, waiting_list_problem
from lobetime.lists.master import Effort, choose_lists

DRAWS = 32_768


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("sizes", nargs="*", default=["60/30", "120/60", "200/90"])
    arguments.add_argument("--seeds", type=int, default=1)
    arguments.add_argument("--time-limit", type=float, default=math.inf)
    asked = arguments.parse_args()
    gaps = {"60/30": 0.005, "120/60": 0.01, "200/90": 0.02}
    print("| cases / sessions | seed | s | placed, bound | hours, bound | gaps | status | moment error |")
    print("|---|---|---|---|---|---|---|---|")
    for size in asked.sizes:
        cases, sessions = (int(part) for part in size.split("/"))
        for seed in range(1, asked.seeds + 1):
            waiting = simulate_waiting_list(cases, sessions // 3, seed)
            problem = waiting_list_problem(waiting, draws=DRAWS, seed=seed, overrun_risk=0.2)
            start = time.perf_counter()
            found, _ = choose_lists(problem, Effort(gap=gaps.get(size, 0.01), time_limit_s=asked.time_limit))
            took = time.perf_counter() - start
            print(
                f"| {size} | {seed} | {took:.1f} | {found.worth:g}, {found.placement_bound:g} "
                f"| {found.cost / 60:g}, {found.cost_bound / 60:g} "
                f"| {found.placement_gap:.2%}, {found.cost_gap:.2%} | {found.status} "
                f"| {found.largest_moment_error:.3f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
