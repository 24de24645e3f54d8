"""The scheduler's page: slots without writing code, in a notebook or served on this machine.

``lobetime page`` serves it (:mod:`lobetime.page.serve`); ``lobetime.page.scheduler_page()`` shows it in a notebook.
Both need the extra ``page``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .widget import SchedulerPage, scheduler_page

__all__ = ["SchedulerPage", "scheduler_page"]


def __getattr__(name: str) -> Any:
    """What needs widgets is looked up when it is used, so that the server's own problems are told first."""
    if name in ("SchedulerPage", "scheduler_page"):
        from . import widget

        return getattr(widget, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
