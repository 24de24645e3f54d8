"""Lists whose times do not vary are bin packing.

Falkenauer's uniform class u120_00 to u120_19 (J. Heuristics 1996;2:5-30), 120 items, bins of 150. Published sizes;
optima run with exact arithmetic (the linear bound, rounded up, equals a packing); for _08 and _19 the published "best
known" is one too many. Equality is exact: both are counts. The file is read where it lies beside the project, else the
test is skipped.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lobetime import _core
from lobetime.lists.master import Effort, choose_lists
from lobetime.lists.problem import Group, ListProblem

FILE = Path(__file__).parents[2].parent / "shared" / "checks" / "binpack" / "u120.txt"
OPTIMA = [48, 49, 46, 49, 50, 48, 48, 49, 50, 46, 52, 49, 48, 49, 50, 48, 52, 52, 49, 49]


def instances() -> list[np.ndarray]:
    words = FILE.read_text().split()
    count, at, found = int(words[0]), 1, []
    for _ in range(count):
        capacity, items = int(words[at + 1]), int(words[at + 2])
        assert capacity == 150
        found.append(np.array(words[at + 4 : at + 4 + items], float))
        at += 4 + items
    return found


@pytest.mark.slow
@pytest.mark.skipif(not FILE.exists(), reason="u120.txt does not lie beside the project")
@pytest.mark.parametrize("at", range(20))
def test_proven_optima(at: int) -> None:
    sizes = instances()[at]
    n = len(sizes)
    times = _core.ListTimes(np.repeat(sizes[:, None], 2, axis=1), np.zeros((8, 2)))
    rule = _core.ListRule(minutes=150, overrun_risk=0)
    everyone = tuple(range(n))
    group = Group(times, rule, everyone, everyone, tuple(range(60)), np.ones(n), np.empty((n, 0)))
    problem = ListProblem(n, (group,), _core.ListCost(open_per_min=1 / 150), np.zeros(n, bool))
    found, _ = choose_lists(problem, Effort(gap=0.001))
    assert found.worth == n
    assert len(found.columns) == OPTIMA[at]
    assert found.cost_bound == pytest.approx(OPTIMA[at])
