"""Published numbers: the series they come from and the prior that is built on them."""

from __future__ import annotations

from importlib import resources

import pandas as pd

from . import _core


def evidence_table() -> pd.DataFrame:
    """Published series, one row each: citation, design, n, means or medians (mL, g, min), blade, experience.

    Every figure was seen in a retrieved abstract or text. A citation "same" is that of the row above.
    """
    with resources.files(__package__).joinpath("data/evidence.csv").open(encoding="utf-8") as file:
        table = pd.read_csv(file)
    citation = table["citation"].where(table["citation"] != "same")
    return table.assign(citation=citation.ffill())


def published_prior() -> pd.DataFrame:
    """What a unit without a history starts from, one row a number.

    Columns: ``name``, ``unit``, ``centre``, ``low``, ``high`` (90 % of units lie between), ``origin`` (published,
    common practice or assumption), ``source``, ``meaning``.
    """
    prior = _core.published_prior()
    facts = {row["name"]: row for row in _core.core_parameters()}
    rows = [
        {
            "name": one.name,
            "unit": facts[one.name]["unit"],
            "centre": one.centre,
            "low": one.low,
            "high": one.high,
            "origin": one.origin,
            "source": one.source,
            "meaning": facts[one.name]["meaning"],
        }
        for one in prior.parameters
    ]
    rows += [
        {
            "name": f"spread_{one.name}",
            "unit": "log SD" if one.name not in ("operative", "theatre") else "ratio",
            "centre": one.centre,
            "low": one.low,
            "high": one.high,
            "origin": one.origin,
            "source": one.source,
            "meaning": "spread of one case about its median",
        }
        for one in prior.spreads
    ]
    for name, log_sd in (
        ("surgeon_enucleation", prior.surgeon_enucleation_log_sd),
        ("surgeon_morcellation", prior.surgeon_morcellation_log_sd),
        ("device", prior.device_log_sd),
    ):
        rows.append(
            {
                "name": name,
                "unit": "log ratio",
                "centre": 0.0,
                "low": -1.6449 * log_sd,
                "high": 1.6449 * log_sd,
                "origin": prior.group_origin,
                "source": prior.group_source,
                "meaning": "level of one surgeon or device against the unit",
            }
        )
    rates = [(f"fault_rate[{one.name}]", one) for one in prior.fault_rates]
    for name, one in [*rates, ("hard_nodule_rate", prior.hard_nodule_rate)]:
        rows.append(
            {
                "name": name,
                "unit": "per case",
                "centre": one.events / one.cases,
                "origin": one.origin,
                "source": one.source,
                "meaning": f"chance per case, worth {one.cases:g} cases",
            }
        )
    return pd.DataFrame(rows).set_index("name")
