"""The list problem in numbers: who may come on which session, what it is worth, what it uses up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from .. import _core

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Group:
    """Sessions that a list cannot tell apart: same times, rule, cases, worth and stock.

    Attributes
    ----------
    times : _core.ListTimes
        Joint draws of what each case takes there.
    cases : sequence of int
        Cases of the problem that may come there, ascending.
    positions : sequence of int
        The row of ``times`` of each of them.
    sessions : sequence of int
        Sessions of the group, in canonical order.
    worth : array
        What placing each of ``cases`` there is worth.
    uses : array, cases x stock rows
        What each of ``cases`` uses up there.
    """

    times: _core.ListTimes
    rule: _core.ListRule
    cases: tuple[int, ...]
    positions: tuple[int, ...]
    sessions: tuple[int, ...]
    worth: Doubles
    uses: Doubles
    refused: _core.RefusedLists = field(default_factory=_core.RefusedLists)


@dataclass(frozen=True)
class ListProblem:
    """Choose lists: first the most worth placed, then the least cost, then the canonical order.

    ``required`` cases must be placed. ``stock`` holds the amount of each stock row. ``large`` marks glands that count
    against a rule's ``most_large``.
    """

    n_cases: int
    groups: tuple[Group, ...]
    cost: _core.ListCost
    large: npt.NDArray[np.bool_]
    required: frozenset[int] = frozenset()
    stock: Doubles = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True, order=True)
class Column:
    """One list for one session of a group."""

    group: int
    cases: tuple[int, ...]
    worth: float = field(compare=False)
    cost: float = field(compare=False)
    uses: tuple[float, ...] = field(compare=False, default=())


@dataclass
class Chosen:
    """Lists that were chosen, and how good they are.

    ``stock_prices``, ``session_prices``: what one more of a stock row, or of a group's sessions, is worth (dual
    prices).

    ``placement_bound``: no choice places more worth. ``cost_bound``: none that places as much costs less. Both were
    priced again outside the linear programme's solver.
    """

    columns: list[Column]
    worth: float
    cost: float
    placement_bound: float
    cost_bound: float
    status: str
    stock_prices: Doubles
    session_prices: Doubles
    largest_moment_error: float

    @property
    def placement_gap(self) -> float:
        """Share of the bound that is not placed."""
        return relative_gap(self.placement_bound - self.worth, self.placement_bound)

    @property
    def cost_gap(self) -> float:
        """Share of the cost that the bound does not explain."""
        return relative_gap(self.cost - self.cost_bound, self.cost)


def relative_gap(difference: float, scale: float) -> float:
    """A difference as a share; 0 where both are nothing."""
    return 0.0 if difference <= 0 else float(difference / max(abs(scale), 1e-12))


def column_of(problem: ListProblem, group: int, cases: Sequence[int], cost: float) -> Column:
    """A column from the cases of a list."""
    here = problem.groups[group]
    at = [here.cases.index(case) for case in cases]
    uses = tuple(float(x) for x in here.uses[at].sum(axis=0))
    return Column(group, tuple(sorted(cases)), float(here.worth[at].sum()), cost, uses)
