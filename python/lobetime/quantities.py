"""What a unit asks its fitted model for, beside the parameters.

Each function here describes a quantity; :meth:`TheatreTimeModel.conf_int` gives its estimate and interval::

    import lobetime as lt
    from lobetime import quantities as q

    model.conf_int(functions=[
        q.morcellation_efficiency(80, mean="mean_of_ratios", device_class="oscillating/vacuum"),
        q.cases_to_plateau("enucleation", share=0.1),
        q.morcellation_difference_min(150, "oscillating/vacuum", "reciprocating/peristaltic", canister_ml=3000),
    ])

Minutes are medians of cases like the one described: tissue as the gland's volume lets expect, canisters changed as
often as expected, no trainee, no hard nodule, no device fault. Where nothing is said of the surgeon it is the unit's
average one, of the case number the plateau, of the canister one that is never full, of the device class halves of the
known ones.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from . import _core

__all__ = [
    "Quantity",
    "cases_to_plateau",
    "enucleation_min",
    "function",
    "minutes_above_plateau",
    "morcellation_difference_min",
    "morcellation_efficiency",
    "morcellation_min",
    "parameter",
]

Phase = Literal["enucleation", "morcellation"]
Mean = Literal["ratio_of_means", "mean_of_ratios"]


@dataclass(frozen=True)
class Quantity:
    """A quantity by name; ``build`` makes it for one model."""

    name: str
    build: Callable[[_core.FittedModel], _core.Quantity]

    def of(self, fitted: _core.FittedModel) -> _core.Quantity:
        quantity = self.build(fitted)
        quantity.name = self.name
        return quantity


def parameter(name: str) -> Quantity:
    """A parameter of the model on its natural scale, such as "rate_50" or "surgeon_enucleation[A]"."""
    return Quantity(name, lambda fitted: _core.parameter_quantity(fitted, name))


def function(
    name: str,
    call: Callable[[Mapping[str, float]], float],
    *,
    unit: str = "",
    scale: Literal["identity", "log"] = "identity",
) -> Quantity:
    """Any function of the parameters: ``call`` gets a mapping from their names to natural-scale values.

    ``scale="log"`` is for what is positive whatever the parameters: its sandwich interval is then symmetric in ratios.
    """
    return Quantity(name, lambda fitted: _core.function_quantity(fitted, name, unit=unit, scale=scale, function=call))


def enucleation_min(
    gland_ml: float, *, surgeon: str | None = None, surgeon_case_no: float | None = None, name: str | None = None
) -> Quantity:
    """Minutes of enucleation."""
    case = _Case(gland_ml, surgeon=surgeon, surgeon_case_no=surgeon_case_no)
    return Quantity(
        name or f"enucleation_min[{case.words}]",
        lambda fitted: _core.enucleation_min_quantity(fitted, case.table()),
    )


def morcellation_min(
    gland_ml: float,
    *,
    device_class: str | None = None,
    canister_ml: float | None = None,
    device: str | None = None,
    surgeon: str | None = None,
    surgeon_case_no: float | None = None,
    name: str | None = None,
) -> Quantity:
    """Minutes from blade in to last piece out, stops included. ``device_class``: "oscillating/vacuum" and so on."""
    case = _Case(gland_ml, device_class, canister_ml, device, surgeon, surgeon_case_no)
    return Quantity(
        name or f"morcellation_min[{case.words}]",
        lambda fitted: _core.morcellation_min_quantity(fitted, case.table()),
    )


def morcellation_efficiency(
    gland_ml: float,
    *,
    mean: Mean,
    device_class: str | None = None,
    canister_ml: float | None = None,
    device: str | None = None,
    surgeon: str | None = None,
    surgeon_case_no: float | None = None,
    name: str | None = None,
) -> Quantity:
    """Grams per minute of morcellation, over many such cases.

    ``mean`` has no default, for the two differ: "ratio_of_means" is all grams over all minutes, "mean_of_ratios" the
    average of each case's own grams per minute. Both average over the spread of tissue and of minutes about their
    medians, with the spreads held as the model has them.
    """
    case = _Case(gland_ml, device_class, canister_ml, device, surgeon, surgeon_case_no)
    return Quantity(
        name or f"morcellation_efficiency[{case.words}, {str(mean).replace('_', ' ')}]",
        lambda fitted: _core.morcellation_efficiency_quantity(fitted, case.table(), mean=mean),
    )


def morcellation_difference_min(
    gland_ml: float,
    device_class: str,
    other_class: str,
    *,
    canister_ml: float | None = None,
    other_canister_ml: float | None = None,
    surgeon: str | None = None,
    surgeon_case_no: float | None = None,
    name: str | None = None,
) -> Quantity:
    """Minutes of morcellation with ``device_class`` less those with ``other_class``, for the same gland.

    ``other_canister_ml`` is ``canister_ml`` unless given.
    """
    other_ml = canister_ml if other_canister_ml is None else other_canister_ml
    first = _Case(gland_ml, device_class, canister_ml, None, surgeon, surgeon_case_no)
    second = _Case(gland_ml, other_class, other_ml, None, surgeon, surgeon_case_no)
    words = f"{first.words} less {other_class}"
    if other_ml != canister_ml:
        words += f" {_canister(other_ml)}"
    return Quantity(
        name or f"morcellation_difference_min[{words}]",
        lambda fitted: _core.morcellation_difference_min_quantity(fitted, first.table(), second.table()),
    )


def cases_to_plateau(phase: Phase, *, share: float = 0.1, name: str | None = None) -> Quantity:
    """Case number from which a surgeon's time is within ``share`` of the plateau: 1 + half (learn / share - 1).

    At least 1: where the first case is already that near, there is nothing to wait for.
    """
    return Quantity(
        name or f"cases_to_plateau[{phase}, {100 * share:g} %]",
        lambda fitted: _core.cases_to_plateau_quantity(phase, share),
    )


def minutes_above_plateau(
    phase: Phase,
    gland_ml: float,
    surgeon_case_no: float,
    *,
    device_class: str | None = None,
    canister_ml: float | None = None,
    surgeon: str | None = None,
    name: str | None = None,
) -> Quantity:
    """Minutes that a case takes longer because it is the surgeon's k-th: those of this case less those past the curve.

    Of "enucleation", or of "morcellation" with its stops (``device_class`` and ``canister_ml`` are of it alone).
    """
    if phase not in ("enucleation", "morcellation"):
        raise _core.InvalidArgument(f"phase must be 'enucleation' or 'morcellation', not {phase!r}")
    if phase == "enucleation" and not (device_class is None and canister_ml is None):
        raise _core.InvalidArgument("enucleation depends on no device class and no canister")
    if not surgeon_case_no >= 1:
        raise _core.InvalidArgument(f"surgeon_case_no must be 1 or more, not {surgeon_case_no!r}")
    case = _Case(gland_ml, device_class, canister_ml, None, surgeon, surgeon_case_no)
    past = replace(case, surgeon_case_no=None)

    def build(fitted: _core.FittedModel) -> _core.Quantity:
        if phase == "morcellation":
            return _core.morcellation_difference_min_quantity(fitted, case.table(), past.table())
        here, there = (_core.enucleation_min_quantity(fitted, one.table()) for one in (case, past))
        log_scaled = np.array([row["scale"] == "log" for row in fitted.parameter_rows()])

        def above(parameters: Mapping[str, float]) -> float:
            theta = np.array([parameters[known] for known in fitted.names])
            theta[log_scaled] = np.log(theta[log_scaled])
            return here.value(theta) - there.value(theta)

        return _core.function_quantity(fitted, name or "", unit="min", scale="identity", function=above)

    return Quantity(name or f"minutes_above_plateau[{phase}, {case.words}]", build)


def _canister(canister_ml: float | None) -> str:
    return "never full" if canister_ml is None else f"{canister_ml:g} mL canister"


@dataclass(frozen=True)
class _Case:
    """One case as a quantity describes it."""

    gland_ml: float
    device_class: str | None = None
    canister_ml: float | None = None
    device: str | None = None
    surgeon: str | None = None
    surgeon_case_no: float | None = None

    @property
    def words(self) -> str:
        said = [f"{self.gland_ml:g} mL"]
        if self.canister_ml is not None:
            said.append(_canister(self.canister_ml))
        if self.surgeon is not None:
            said.append(f"surgeon {self.surgeon}")
        if self.surgeon_case_no is not None:
            said.append(f"case {self.surgeon_case_no:g}")
        if self.device is not None:
            said.append(f"device {self.device}")
        if self.device_class is not None:
            said.append(self.device_class)
        return ", ".join(said)

    def table(self) -> _core.CaseTable:
        columns: dict[str, Any] = {"gland_ml": [float(self.gland_ml)]}
        if self.device_class is not None:
            parts = self.device_class.split("/")
            if len(parts) != 2:
                raise _core.InvalidArgument(
                    "device_class must be blade motion/suction, such as 'oscillating/vacuum', "
                    f"not {self.device_class!r}"
                )
            columns["blade"], columns["suction"] = ([part.strip()] for part in parts)
        for column in ("canister_ml", "surgeon_case_no"):
            value = getattr(self, column)
            if value is not None:
                columns[column] = [float(value)]
        for column in ("surgeon", "device"):
            code = getattr(self, column)
            if code is not None:
                columns[column] = [str(code)]
        return _core.CaseTable(**columns)
