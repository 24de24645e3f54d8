"""Display objects: the numbers of a picture, and ``plot`` that draws them in one house style (:mod:`.style`).

``plot(ax=None)`` draws into the given axes, or into a figure of its own that carries the caution, keeps both as ``ax_``
and ``figure_`` and returns the display; pages of panels keep ``axes_``. In a notebook a display shows its picture once,
whether it was drawn or not. ``words`` says what a picture shows for those who cannot see it. Every series differs in
line style, marker or hatch as well as in colour.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .calibration import CalibrationDisplay, PitDisplay, ReliabilityDisplay, ScoresDisplay
from .fit import (
    CusumDisplay,
    DiagnosticsDisplay,
    FormsDisplay,
    InfluenceDisplay,
    LeverageDisplay,
    QuantilesDisplay,
    ResidualsDisplay,
    WeightsDisplay,
)
from .style import new_figure
from .unit import CasePhasesDisplay, LearningCurveDisplay, SwapsDisplay, TimeVolumeDisplay

if TYPE_CHECKING:
    from ..lists.picture import ListsDisplay

__all__ = [
    "CalibrationDisplay",
    "CasePhasesDisplay",
    "CusumDisplay",
    "DiagnosticsDisplay",
    "FormsDisplay",
    "InfluenceDisplay",
    "LearningCurveDisplay",
    "LeverageDisplay",
    "ListsDisplay",
    "PitDisplay",
    "QuantilesDisplay",
    "ReliabilityDisplay",
    "ResidualsDisplay",
    "ScoresDisplay",
    "SwapsDisplay",
    "TimeVolumeDisplay",
    "WeightsDisplay",
    "new_figure",
]


def __getattr__(name: str) -> Any:
    if name == "ListsDisplay":  # it reads plans, whose pictures are drawn in this style
        from ..lists.picture import ListsDisplay

        return ListsDisplay
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
