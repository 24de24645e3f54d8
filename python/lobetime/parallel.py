"""Many fits side by side, through joblib: on this machine's processors, or on a cluster of them.

``n_jobs`` means what it does in scikit-learn: None is one after the other unless ``joblib.parallel_config`` says
otherwise, -1 as many as there are processors. Results do not depend on it, to the bit: what a task draws is named by
its number, never by who does it.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

import joblib

_Result = TypeVar("_Result")


def jobs_of(n_jobs: int | None) -> int:
    """How many tasks run at a time."""
    return int(joblib.effective_n_jobs(n_jobs))


def run(
    task: Callable[..., _Result],
    arguments: Sequence[tuple[Any, ...]],
    n_jobs: int | None,
    told: Callable[[], None] | None = None,
) -> list[_Result]:
    """``task(*one)`` for each of the arguments, in their order; ``told`` is called as each comes in."""
    calls = (joblib.delayed(task)(*one) for one in arguments)
    found = []
    for result in joblib.Parallel(n_jobs=n_jobs, return_as="generator")(calls):
        found.append(result)
        if told is not None:
            told()
    return found


def parts_of(n: int, parts: int) -> list[tuple[int, int]]:
    """``n`` things in at most ``parts`` runs of nearly one length: (first, count) each."""
    parts = max(1, min(n, parts))
    edges = [n * k // parts for k in range(parts + 1)]
    return [(first, end - first) for first, end in itertools.pairwise(edges)]


@contextmanager
def on_cluster(address: str | None = None, *, workers: int | None = None) -> Iterator[Any]:
    """Inside this context all fits that take ``n_jobs`` run on a Dask cluster.

    ``with lt.on_cluster("tcp://scheduler:8786"): model.calibration(cases)``. The workers need lobetime in the same
    version. Rows of cases travel to them, so the cluster must be one that may see them.

    Parameters
    ----------
    address : str, optional
        Of the scheduler. Without it a cluster of processes is started on this machine, on the loopback address.
    workers : int, optional
        Processes of the cluster on this machine; by default one a processor.

    Yields
    ------
    distributed.Client

    Raises
    ------
    ImportError
        Without Dask: it comes with ``pip install 'lobetime[cluster]'``.
    """
    try:
        import distributed
    except ImportError as error:
        raise ImportError("a cluster needs dask and distributed: pip install 'lobetime[cluster]'") from error
    own: dict[str, Any] = {"processes": True, "threads_per_worker": 1, "n_workers": workers, "dashboard_address": None}
    client_of: Any = distributed.Client
    with client_of(address, **({} if address else own)) as client, joblib.parallel_config(backend="dask"):
        yield client
