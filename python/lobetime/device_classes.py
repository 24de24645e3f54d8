"""Device classes that the formulas do not know: a row in a file each, with wide priors, and no line of C++."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

from . import _core
from .reading import InvalidData, Problem, Sheet, Source, open_sheet, problem_frame

_COLUMNS = ("blade", "suction", "like_blade", "like_suction", "rate_ratio", "rate_low", "rate_high", "source")
_WORDS = {str(column["name"]): tuple(column["words"]) for column in _core.columns() if column["words"]}
_NORMAL_95 = 1.6448536269514722
_NARROWEST = 1.5  # rate_high / rate_low: a class that nobody has measured is not known better (assumption)


@dataclass(frozen=True)
class NewClass:
    """One device class: words as they stand in the unit's files, and the known class that it resembles.

    ``rate_ratio`` is the blade rate (g/min at 50 g) against that class, ``rate_low`` to ``rate_high`` its 90 % range.
    Fluid flow and the chance of a fault are taken from that class (assumption).
    """

    blade: str
    suction: str
    like_blade: str
    like_suction: str
    rate_ratio: float
    rate_low: float
    rate_high: float
    source: str

    @property
    def code(self) -> str:
        """The class's name; in a model, the code of a device of the class that it resembles."""
        return f"{self.blade}/{self.suction}"

    @property
    def like(self) -> str:
        """The class that it resembles."""
        return f"{self.like_blade}/{self.like_suction}"


class DeviceClasses:
    """Device classes of a unit's own file; see :func:`read_device_classes`."""

    def __init__(self, rows: tuple[NewClass, ...]) -> None:
        self.rows = rows

    def __len__(self) -> int:
        return len(self.rows)

    def __iter__(self) -> Iterator[NewClass]:
        return iter(self.rows)

    def __repr__(self) -> str:
        return f"<DeviceClasses: {', '.join(f'{row.code} like {row.like}' for row in self.rows)}>"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, DeviceClasses) and self.rows == other.rows

    __hash__ = None  # type: ignore[assignment]

    def into(self, prior: _core.PriorSet) -> _core.PriorSet:
        """A prior with a level of its own for each class."""
        for row in self.rows:
            prior = prior.with_device(
                code=row.code,
                log_ratio=math.log(row.rate_ratio),
                log_sd=math.log(row.rate_high / row.rate_low) / (2.0 * _NORMAL_95),
                origin="assumption",
                source=row.source,
            )
        return prior

    def translate(self, sheet: Sheet, names: list[str]) -> list[str]:
        """Puts the rows of these classes in the words that the formulas know; returns what the headings mean then.

        ``names`` says for each heading which column it is. The class becomes the row's device code.
        """
        if not {"blade", "suction"} <= set(names):
            return names
        blade, suction = names.index("blade"), names.index("suction")
        written = [sheet.cells[position].map(_word) for position in (blade, suction)]
        if "device" not in names:
            names = [*names, "device"]
            sheet.headings.append("device")
            sheet.cells[len(names) - 1] = None
        device = names.index("device")
        for position in (blade, suction, device):
            sheet.cells[position] = sheet.cells[position].astype(object)
        for row in self.rows:
            mine = (written[0] == row.blade) & (written[1] == row.suction)
            for position, value in ((blade, row.like_blade), (suction, row.like_suction), (device, row.code)):
                sheet.cells.loc[mine, position] = value
        return names


def _word(cell: Any) -> str:
    return "" if pd.isna(cell) else str(cell).strip().lower()


def read_device_classes(source: Source | DeviceClasses) -> DeviceClasses:
    """Read device classes that are not among the known blade motions and suctions.

    Parameters
    ----------
    source : path or pandas.DataFrame
        As for `read_cases`; one row a class, with all of these columns: ``blade``, ``suction`` (as they stand in the
        unit's files; at least one of them no known word), ``like_blade``, ``like_suction`` (the known class that it
        resembles), ``rate_ratio``, ``rate_low``, ``rate_high`` (blade rate against that class and its 90 % range: high
        at least 1.5 times low, as nobody has measured it), ``source`` (where the range comes from).

    Notes
    -----
    Give them to :func:`read_cases` and :func:`read_bookings`, so that the words are known, and to
    :class:`PublishedPrior`, so that the class starts from its own range. Its cases then narrow it, apart from the
    spread between devices of known classes. A unit's own device codes within such a class are not told apart.

    Raises
    ------
    InvalidData
        With every problem of the source.
    """
    if isinstance(source, DeviceClasses):
        return source
    sheet = open_sheet(source, "device class")
    headings = [heading.strip().lower() for heading in sheet.headings]
    problems: list[Problem] = [
        (sheet.heading_row, name, "", f"a column {name}") for name in _COLUMNS if headings.count(name) != 1
    ]
    problems += [
        (sheet.heading_row, heading, heading, "one of the columns " + ", ".join(_COLUMNS))
        for heading in headings
        if heading not in _COLUMNS
    ]
    rows: list[NewClass] = []
    if not problems:
        for at, number in enumerate(sheet.rows):
            cells = {name: sheet.cells[headings.index(name)].iloc[at] for name in _COLUMNS}
            rows += _row(int(number), cells, {row.code for row in rows}, problems)
    if not rows and not problems:
        problems.append((sheet.heading_row, "", "", "at least one device class"))
    if problems or sheet.problems:
        raise InvalidData(problem_frame([*problems, *sheet.problems]), sheet.name)
    return DeviceClasses(tuple(rows))


def _row(number: int, cells: dict[str, Any], seen: set[str], problems: list[Problem]) -> list[NewClass]:
    """The class of a row, or nothing and its problems."""
    before = len(problems)
    words = {name: _word(cells[name]) for name in ("blade", "suction", "like_blade", "like_suction")}
    for name in ("blade", "suction"):
        if not words[name] or "/" in words[name] or ":" in words[name]:
            problems.append((number, name, words[name], "a word of your own, without / and :"))
        known = _WORDS[name]
        if words[f"like_{name}"] not in known:
            problems.append((number, f"like_{name}", words[f"like_{name}"], " or ".join(known)))
    if words["blade"] in _WORDS["blade"] and words["suction"] in _WORDS["suction"]:
        problems.append((number, "blade", words["blade"], "a blade motion or a suction that is not known already"))
    code = f"{words['blade']}/{words['suction']}"
    if code in seen:
        problems.append((number, "blade", words["blade"], f"one row for {code}"))
    numbers = {}
    for name in ("rate_ratio", "rate_low", "rate_high"):
        value = pd.to_numeric(cells[name], errors="coerce")
        if not 0.05 <= value <= 20:
            problems.append((number, name, _word(cells[name]), "a ratio from 0.05 to 20"))
        numbers[name] = float(value)
    if len(problems) == before:
        low, centre, high = numbers["rate_low"], numbers["rate_ratio"], numbers["rate_high"]
        if not low < centre < high:
            problems.append((number, "rate_ratio", f"{centre:g}", f"between rate_low {low:g} and rate_high {high:g}"))
        elif high / low < _NARROWEST:
            problems.append((number, "rate_high", f"{high:g}", f"at least {_NARROWEST:g} times rate_low {low:g}"))
    source = "" if pd.isna(cells["source"]) else str(cells["source"]).strip()
    if not source:
        problems.append((number, "source", "", "where the range comes from"))
    if len(problems) > before:
        return []
    return [
        NewClass(
            blade=words["blade"],
            suction=words["suction"],
            like_blade=words["like_blade"],
            like_suction=words["like_suction"],
            rate_ratio=numbers["rate_ratio"],
            rate_low=numbers["rate_low"],
            rate_high=numbers["rate_high"],
            source=source,
        )
    ]
