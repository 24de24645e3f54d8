"""The study as a page."""

from __future__ import annotations

import pandas as pd

from ..caution import CAUTION
from .study import BOOKED, BOTH, OUTCOMES, THEATRE, Study

CRPS_BARS = {0: 1.28, 15: 1.08, 40: 1.05, 150: 1.03, 600: 1.012, 3000: 1.005}
"""What the project asks of the mean CRPS of enucleation and morcellation, relative to the oracle."""
_OVERRUN = (0.17, 0.23)
_COVER = (0.87, 0.93)
_COVER_UNKNOWN = (0.85, 0.97)

_HEAD = """# Validation on invented units

`python -m lobetime.validation {path_words}` wrote this page.

Every unit is invented, and none obeys the library's model: see `lobetime/validation/units.py`. Each figure is a mean
over units. {booked} possible next cases of each unit were predicted and compared with {outcomes} outcomes of each drawn
from the simulator, so chances are those of the simulator's own law and not of a few outcomes. CRPS is relative to the
oracle, which knows that law. Baselines are fitted to the same recorded totals, typing errors included.

`cover_90` is the share of outcomes in central 90 % intervals, `overrun_20` the share that exceeds the 80 % quantile,
`overrun_20_sd` how far units lie apart in it.
"""


def _markdown(table: pd.DataFrame) -> str:
    flat = table.reset_index()
    lines = ["| " + " | ".join(map(str, flat.columns)) + " |", "|" + "---|" * len(flat.columns)]
    for row in flat.itertuples(index=False):
        words = [f"{value:.3f}" if isinstance(value, float) else str(value) for value in row]
        lines.append("| " + " | ".join(words) + " |")
    return "\n".join(lines)


def promises(result: Study) -> pd.DataFrame:
    """Each promise with the figure found and whether it is kept."""
    table = result.table(BOTH)
    rows: list[tuple[str, str, str, str]] = []

    def add(what: str, asked: str, found: str, kept: bool) -> None:
        rows.append((what, asked, found, "kept" if kept else "missed"))

    for n in sorted(result.rows["n"].unique()):
        of = table.loc[n]
        own = of.loc["lobetime"]
        if n in CRPS_BARS:
            bar = CRPS_BARS[n]
            add(f"CRPS against the oracle, n = {n}", f"<= {bar}", f"{own['crps_ratio']:.4f}", own["crps_ratio"] <= bar)
        others = of.drop(index="lobetime")
        if len(others):
            best = others["crps_ratio"].min()
            add(
                f"better than every baseline, n = {n}",
                f"< {best:.4f} ({others['crps_ratio'].idxmin()})",
                f"{own['crps_ratio']:.4f}",
                own["crps_ratio"] < best,
            )
            narrow = others["overrun_20_sd"].min()
            add(
                f"spread of overrun between units, n = {n}",
                f"<= {narrow:.4f} ({others['overrun_20_sd'].idxmin()})",
                f"{own['overrun_20_sd']:.4f}",
                own["overrun_20_sd"] <= narrow,
            )
        for total in (BOTH, THEATRE):
            mine = result.table(total).loc[(n, "lobetime")]
            low, high = _COVER if n else _COVER_UNKNOWN
            cover = mine["cover_90"]
            add(f"90 % intervals of {total}, n = {n}", f"{low} to {high}", f"{cover:.4f}", low <= cover <= high)
            if n:
                over = mine["overrun_20"]
                add(
                    f"overrun at the 20 % slot of {total}, n = {n}",
                    f"{_OVERRUN[0]} to {_OVERRUN[1]}",
                    f"{over:.4f}",
                    _OVERRUN[0] <= over <= _OVERRUN[1],
                )
    return pd.DataFrame(rows, columns=["promise", "asked", "found", "kept"]).set_index("promise")


def report(result: Study, options: str) -> str:
    """The page in Markdown."""
    parts = [_HEAD.format(path_words=f"REPORT.md {options}", booked=BOOKED, outcomes=OUTCOMES)]
    parts += ["## Promises\n", _markdown(promises(result))]
    for total in (BOTH, THEATRE):
        parts += [f"\n## {total.capitalize()}\n", _markdown(result.table(total))]
    parts.append(f"\n{CAUTION}\n")
    return "\n".join(parts)
