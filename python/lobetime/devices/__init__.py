"""Which morcellator, with which fluid collection: the unit's own cases first, published evidence where they are silent.

`compare_devices` predicts the same cases with every class and collection; `head_to_head` compares two devices in the
unit's own cases, `trial_size` says how many a trial needs; `device_safety` pools injuries and malfunctions;
`device_cost` and `decision_table` go on from there. Pictures: `efficiency_display`, `difference_display`,
`swaps_display`, `rank_display`, `forest_of_rates`,
`forest_of_efficiencies`, `forest_of_differences`; `device_page` has the main ones.
"""

from .compare import Comparison, compare_devices
from .cost import CostInputs, DeviceCost, device_cost
from .decision import Criteria, Decision, decision_table
from .displays import difference_display, efficiency_display, rank_display, swaps_display
from .forest import ForestDisplay, forest_of_differences, forest_of_efficiencies, forest_of_rates
from .head_to_head import HeadToHead, HeadToHeadWarning, head_to_head
from .page import device_page
from .power import EfficiencySpread, TrialSize, closed_form_power, closed_form_size, trial_size
from .published import published_head_to_heads
from .safety import Safety, device_safety, double_arcsine
from .words import Collection, DeviceClass

__all__ = [
    "Collection",
    "Comparison",
    "CostInputs",
    "Criteria",
    "Decision",
    "DeviceClass",
    "DeviceCost",
    "EfficiencySpread",
    "ForestDisplay",
    "HeadToHead",
    "HeadToHeadWarning",
    "Safety",
    "TrialSize",
    "closed_form_power",
    "closed_form_size",
    "compare_devices",
    "decision_table",
    "device_cost",
    "device_page",
    "device_safety",
    "difference_display",
    "double_arcsine",
    "efficiency_display",
    "forest_of_differences",
    "forest_of_efficiencies",
    "forest_of_rates",
    "head_to_head",
    "published_head_to_heads",
    "rank_display",
    "swaps_display",
    "trial_size",
]
