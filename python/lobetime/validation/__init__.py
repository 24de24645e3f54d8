"""Predictions judged on invented units that do not obey the library's model.

``python -m lobetime.validation REPORT.md`` fits the model to every unit, predicts 200 possible next cases and compares
with the simulator's own law of each.
"""

from .study import Study, study
from .units import Unit, draw_cases, next_cases, power_learning, run_the_clock, write_down

__all__ = ["Study", "Unit", "draw_cases", "next_cases", "power_learning", "run_the_clock", "study", "write_down"]
