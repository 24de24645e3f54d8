"""What is compared: device classes and fluid collections, in the trade's words."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from .. import _core
from ..device_classes import DeviceClasses, NewClass, read_device_classes
from ..evidence import PublishedPrior

if TYPE_CHECKING:
    import pandas as pd

    from ..model import Source, TheatreTimeModel

_WORDS = {str(column["name"]): tuple(column["words"]) for column in _core.columns()}
_LEAST_ML, _MOST_ML = 100.0, 100_000.0  # of a canister, or of a chain: what a case may record
_DRAIN = ("drain", "continuous drain", "inf")
_NUMBER = r"[0-9]+(?:\.[0-9]+)?"

_T = TypeVar("_T")


@dataclass(frozen=True)
class DeviceClass:
    """Blade motion and suction; ``device`` is a unit's own code for one device of the class, or blank.

    A model that holds the code's own level uses it. Raises InvalidArgument with every problem.
    """

    blade: str
    suction: str
    device: str = ""

    def __post_init__(self) -> None:
        problems = [
            f"{part} must be {_either(_WORDS[part])}, not {value!r}"
            for part, value in (("blade", self.blade), ("suction", self.suction))
            if value not in _WORDS[part]
        ]
        if problems:
            raise _core.InvalidArgument("; ".join(problems))

    @classmethod
    def of(cls, value: DeviceClass | NewClass | str, own: Iterable[NewClass] = ()) -> DeviceClass:
        """From ``"oscillating/vacuum"``, ``"oscillating/vacuum:X1"`` with a unit's own code, or a class of its file.

        A class of :func:`lobetime.read_device_classes` goes by its own name (``"rotating/vacuum"``) where ``own`` holds
        it. Anywhere it may be written ``"oscillating/vacuum:rotating/vacuum"``: the class that it resembles, and its
        name.
        """
        if isinstance(value, DeviceClass):
            return value
        if isinstance(value, NewClass):
            return cls(value.like_blade, value.like_suction, value.code)
        for one in own:
            if isinstance(value, str) and _spelt(value) == one.code:
                return cls.of(one)
        words, _, device = str(value).partition(":")
        parts = [part.strip().lower() for part in words.split("/")]
        if not isinstance(value, str) or len(parts) != 2:
            raise _core.InvalidArgument(
                f"a device class is blade/suction, such as 'oscillating/vacuum' or 'oscillating/vacuum:X1', "
                f"not {value!r}"
            )
        return cls(parts[0], parts[1], device.strip())

    @property
    def is_own(self) -> bool:
        """Whether it is a class of the unit's own file, which enters as a device of the class that it resembles."""
        return "/" in self.device

    @property
    def name(self) -> str:
        """The class without the unit's own code."""
        return self.device if self.is_own else f"{self.blade}/{self.suction}"

    def __str__(self) -> str:
        return self.name + (f":{self.device}" if self.device and not self.is_own else "")


@dataclass(frozen=True)
class Collection:
    """Where the fluid goes: ``chained`` canisters of ``canister_ml`` each, or a continuous drain (infinite).

    A chain takes all its canisters' fluid before somebody has to stop (assumption). Raises InvalidArgument.
    """

    canister_ml: float
    chained: int = 1

    def __post_init__(self) -> None:
        problems = []
        if not self.canister_ml > 0:
            problems.append(
                f"canister_ml must be positive, or infinite for a continuous drain, not {self.canister_ml!r}"
            )
        if not (isinstance(self.chained, int) and self.chained >= 1):
            problems.append(f"chained must be a whole number from 1, not {self.chained!r}")
        if not problems and math.isfinite(self.canister_ml):
            if not _LEAST_ML <= self.capacity_ml <= _MOST_ML:
                problems.append(f"a collection must take {_LEAST_ML:g} to {_MOST_ML:g} mL, not {self.capacity_ml:g}")
        elif not problems and self.chained > 1:
            problems.append("a continuous drain is not chained")
        if problems:
            raise _core.InvalidArgument("; ".join(problems))

    @classmethod
    def of(cls, value: Collection | str | float) -> Collection:
        """From mL (``2000``), ``"2000 mL"``, a chain ``"3x2000"``, ``"drain"`` or ``math.inf``."""
        if isinstance(value, cls):
            return value
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return cls(float(value))
        text = str(value).strip().lower()
        if isinstance(value, str) and text in _DRAIN:
            return cls(math.inf)
        found = re.fullmatch(rf"(?:([0-9]+)\s*[x×]\s*)?({_NUMBER})\s*(?:ml)?", text)
        if not isinstance(value, str) or found is None:
            raise _core.InvalidArgument(f"a collection is mL ('2000'), a chain ('3x2000') or 'drain', not {value!r}")
        return cls(float(found[2]), int(found[1] or 1))

    @property
    def capacity_ml(self) -> float:
        """Fluid taken before a stop."""
        return self.canister_ml * self.chained

    def __str__(self) -> str:
        if math.isinf(self.canister_ml):
            return "continuous drain"
        return (f"{self.chained} x " if self.chained > 1 else "") + f"{self.canister_ml:g} mL"


@dataclass(frozen=True)
class Option:
    """One class with one collection; its text is its name in every table."""

    device_class: DeviceClass
    collection: Collection

    def __str__(self) -> str:
        return f"{self.device_class}, {self.collection}"


def own_file(model: TheatreTimeModel, given: DeviceClasses | Source | None) -> DeviceClasses | None:
    """The classes of the unit's own file: as given, or those that the model's prior was given."""
    if given is not None:
        return read_device_classes(given)
    known = model.prior.classes if isinstance(model.prior, PublishedPrior) else ()
    return DeviceClasses(tuple(known)) if known else None


def class_names(frame: pd.DataFrame) -> pd.Series[str]:
    """The class of each case: blade and suction, or the name of a class of the unit's own file; blank if not recorded.

    A class of its own stands in its cases as the device code of the class that it resembles.
    """
    names = frame["blade"].astype(str) + "/" + frame["suction"].astype(str)
    names = names.where(frame["blade"].notna() & frame["suction"].notna(), "")
    if "device" not in frame:
        return names
    device = frame["device"].fillna("").astype(str)
    return names.where(~device.str.contains("/"), device)


def all_of(parse: Callable[[Any], _T], values: Iterable[Any], what: str) -> list[_T]:
    """Each value parsed, or one InvalidArgument with every problem; a repeated value is a problem."""
    parsed: list[_T] = []
    problems: list[str] = []
    for value in values:
        try:
            one = parse(value)
        except _core.InvalidArgument as error:
            problems.append(f"{what} {value!r}: {error}")
            continue
        if one in parsed:
            problems.append(f"{what} {value!r}: given twice")
        parsed.append(one)
    if not parsed and not problems:
        problems.append(f"at least one {what} is needed")
    if problems:
        raise _core.InvalidArgument("; ".join(problems))
    return parsed


def _spelt(name: str) -> str:
    return "/".join(part.strip().lower() for part in name.split("/"))


def _either(words: tuple[str, ...]) -> str:
    return " or ".join([", ".join(words[:-1]), words[-1]])
