"""Cases of two devices, and the regression of their morcellation minutes on what differs between them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from .. import _core
from ..calibration import looks_mistyped
from ..cases import Cases
from ..censored import CensoredRegression
from ..evidence import published_prior
from .words import class_names

Doubles = npt.NDArray[np.float64]

ADJUST = ("gland", "tissue", "surgeon", "experience", "collection")
"""What is adjusted for unless asked otherwise: what differs between groups and moves morcellation."""

ALSO = ("hard_nodule", "trainee")

FEWEST = 5
"""Finished cases of a class, and cases of both that one collection needs."""

_UNFINISHED = ("deferred", "other_route")


def groups_of(frame: pd.DataFrame, a: str) -> pd.Series[str]:
    """Class or code of every case, blank where not recorded."""
    blank = pd.Series("", index=frame.index)
    if "/" not in a:
        return frame["device"].fillna("").astype(str) if "device" in frame else blank
    if "blade" not in frame or "suction" not in frame:
        return blank
    return class_names(frame)


def rows_of(cases: Cases, a: str, b: str, adjust: Sequence[str]) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, str]]:
    """Cases of the two with a morcellation time; how many were left out for want of it; what no case has recorded."""
    frame = cases.frame.reset_index(drop=True)
    group = groups_of(frame, a)
    known = sorted(set(group) - {""})
    missing = [name for name in (a, b) if name not in known]
    if missing:
        raise _core.InvalidArgument(
            f"head_to_head: no case with {' or '.join(missing)}; the cases have {', '.join(known) or 'none recorded'}"
        )
    unknown = int((group == "").sum())
    chosen = frame[group.isin([a, b])]
    blank = pd.Series(np.nan, index=chosen.index)

    def of(column: str) -> pd.Series[float]:
        return chosen[column].astype(float) if column in chosen else blank

    half = float(published_prior()["centre"]["m_half"])
    outcome = (
        chosen["morcellation_outcome"].fillna("") if "morcellation_outcome" in chosen else pd.Series("", chosen.index)
    )
    surgeon = chosen["surgeon"].fillna("") if "surgeon" in chosen else pd.Series("", index=chosen.index)
    rows = pd.DataFrame(
        {
            "b": (group[chosen.index] == b).astype(float),
            "minutes": of("morcellation_min"),
            "unfinished": outcome.isin(_UNFINISHED),
            "gland_ml": of("gland_ml"),
            "tissue_g": of("tissue_g"),
            "surgeon": surgeon.astype(str).replace("", None),
            "case_no": of("surgeon_case_no"),
            "canister_ml": of("canister_ml"),
            "hard_nodule": of("hard_nodule"),
            "trainee": of("trainee"),
            "mistyped": looks_mistyped(frame)[chosen.index],
        }
    )
    rows["gland"] = np.log(rows["gland_ml"] / 80.0)
    rows["tissue"] = np.log(rows["tissue_g"] / 50.0)
    rows["experience"] = 1.0 / (1.0 + (rows["case_no"] - 1.0) / half)
    rows["collection"] = (rows["gland_ml"] / 80.0) * (2000.0 / rows["canister_ml"])
    absent = {name: "no case has it recorded" for name in adjust if rows[name].isna().all()}
    there = rows["minutes"].notna()
    excluded = left_out(rows, ~there & rows["unfinished"], "unfinished morcellation without minutes", [])
    excluded = left_out(rows, ~there & ~rows["unfinished"], "no morcellation minutes", excluded)
    if unknown:
        excluded.append({"reason": "device not recorded", "a": 0, "b": 0, "a_or_b_or_neither": unknown})
    return rows[there], excluded_frame(excluded), absent


def left_out(
    rows: pd.DataFrame, chosen: pd.Series[bool], reason: str, before: list[dict[str, Any]]
) -> list[dict[str, Any]]:
    """What was left out before, and the chosen rows with their reason, if there are any."""
    if not chosen.any():
        return before
    of_b = rows.loc[chosen, "b"] == 1
    return [*before, {"reason": reason, "a": int((~of_b).sum()), "b": int(of_b.sum()), "a_or_b_or_neither": 0}]


def excluded_frame(rows: list[dict[str, Any]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["reason", "a", "b", "a_or_b_or_neither"]).set_index("reason")


def complete_rows(
    rows: pd.DataFrame, names: Sequence[str], excluded: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows that have all of the names, and what was left out before and now."""
    found: list[dict[str, Any]] = excluded.reset_index().to_dict("records")  # type: ignore[assignment]
    for name in names:
        lacks = rows[name].isna()
        found = left_out(rows, lacks & rows["unfinished"], f"unfinished, {name} not recorded", found)
        found = left_out(rows, lacks & ~rows["unfinished"], f"{name} not recorded", found)
        rows = rows[~lacks]
    return rows, excluded_frame(found)


def both_devices(rows: pd.DataFrame, column: str, fewest: int = 1) -> pd.Series[bool]:
    """For each value of a column: whether both devices have so many cases of it."""
    with_b = rows.groupby(column)["b"].agg(["sum", "size"])
    both: pd.Series[bool] = (with_b["sum"] >= fewest) & (with_b["size"] - with_b["sum"] >= fewest)
    return both


def one_collection_in_common(rows: pd.DataFrame) -> bool:
    return bool(both_devices(rows, "canister_ml", FEWEST).any())


def check_size(rows: pd.DataFrame, design: Design, a: str, b: str) -> None:
    """Raises InvalidArgument where there are too few finished cases for the regression."""
    finished = rows[~rows["unfinished"]]
    counts = {a: int((finished["b"] == 0).sum()), b: int((finished["b"] == 1).sum())}
    problems = [
        f"{name}: {n} finished cases with all that is adjusted for; at least {FEWEST} are needed"
        for name, n in counts.items()
        if n < FEWEST
    ]
    columns = design.columns(rows, interaction=True).shape[1]
    if not problems and len(finished) < columns + FEWEST:
        problems.append(f"{len(finished)} finished cases for {columns} coefficients: adjust for less")
    if problems:
        raise _core.InvalidArgument("head_to_head: " + "; ".join(problems))


@dataclass(frozen=True)
class Design:
    """Which columns stand for what is adjusted for."""

    names: tuple[str, ...]
    surgeons: tuple[str, ...] = ()

    @staticmethod
    def of(rows: pd.DataFrame, wanted: Sequence[str], not_adjusted: dict[str, str]) -> Design:
        names = []
        for name in wanted:
            if rows["canister_ml" if name == "collection" else name].nunique() > 1:
                names.append(name)
            else:
                not_adjusted[name] = "alike in all cases: nothing to adjust for"
        surgeons = sorted(set(rows["surgeon"])) if "surgeon" in names else []
        return Design(tuple(names), tuple(surgeons[1:]))

    def columns(self, rows: pd.DataFrame, *, interaction: bool = False, b: float | None = None) -> pd.DataFrame:
        device = rows["b"] if b is None else pd.Series(b, index=rows.index)
        out = {"level": pd.Series(1.0, index=rows.index), "b": device}
        if interaction:
            out["b x gland"] = device * rows["gland"]
            if "gland" not in self.names:
                out["gland"] = rows["gland"]
        for name in self.names:
            if name == "surgeon":
                out |= {f"surgeon {code}": (rows["surgeon"] == code).astype(float) for code in self.surgeons}
            else:
                out[name] = rows[name].astype(float)
        return pd.DataFrame(out)


@dataclass(frozen=True)
class Fit:
    """Coefficients of log minutes, their covariance (the scale's included) and degrees of freedom of the t."""

    names: tuple[str, ...]
    theta: Doubles  # the log of the scale last
    covariance: Doubles
    df: int
    level: float

    def _interval(self, weights: Doubles) -> tuple[float, float, float]:
        """A combination of coefficients and its interval, log scale."""
        p = len(self.names)
        middle = float(weights @ self.theta[:p])
        se = math.sqrt(float(weights @ self.covariance[:p, :p] @ weights))
        half = float(stats.t.ppf(0.5 + self.level / 2, self.df)) * se
        return middle, middle - half, middle + half

    def weights(self, **of: float) -> Doubles:
        return np.array([of.get(name.replace(" ", "_"), 0.0) for name in self.names])

    def ratio(self, name: str) -> tuple[float, float, float]:
        middle, low, high = np.exp(self._interval(self.weights(**{name: 1.0})))
        return float(middle), float(low), float(high)

    def at_gland(self, gland_ml: float) -> tuple[float, float, float]:
        middle, low, high = np.exp(self._interval(self.weights(b=1.0, b_x_gland=math.log(gland_ml / 80.0))))
        return float(middle), float(low), float(high)

    def doubling(self) -> pd.Series[float]:
        middle, low, high = self._interval(self.weights(b_x_gland=math.log(2.0)))
        k = self.names.index("b x gland")
        t = abs(self.theta[k]) / math.sqrt(self.covariance[k, k])
        return pd.Series(
            {
                "estimate": math.exp(middle),
                "lower": math.exp(low),
                "upper": math.exp(high),
                "p": float(2 * stats.t.sf(t, self.df)),
            }
        )

    def table(self) -> pd.DataFrame:
        names = [*self.names, "log scale"]
        frame = pd.DataFrame({"estimate": self.theta, "standard_error": np.sqrt(np.diag(self.covariance))}, index=names)
        return frame.rename_axis("coefficient")


def fit_minutes(columns: pd.DataFrame, rows: pd.DataFrame, level: float, *, per_gram: bool = False) -> Fit:
    """Log minutes (or log minutes per gram) on the columns; those that depend on earlier ones are left out."""
    independent = _independent(columns)
    x = columns[independent].to_numpy(float)
    minutes = rows["minutes"].to_numpy(float)
    if per_gram:
        minutes = minutes / rows["tissue_g"].to_numpy(float)
    start = np.linalg.lstsq(x, np.log(minutes), rcond=None)[0]
    upper = np.where(rows["unfinished"], np.inf, minutes)
    fit = CensoredRegression(lambda x, theta: x @ theta, loss="huber", jacobian=lambda x, theta: x)
    fit = fit.fit(x, minutes, upper, dict(zip(independent, start, strict=True)))
    return Fit(
        tuple(independent),
        fit.params_["estimate"].to_numpy(float),
        fit.covariance_.to_numpy(float),
        len(rows) - len(independent),
        level,
    )


def _independent(columns: pd.DataFrame) -> list[str]:
    kept: list[str] = []
    for name in columns.columns:
        scaled = columns[[*kept, name]].to_numpy(float)
        norm = np.linalg.norm(scaled, axis=0)
        if norm[-1] > 0 and np.linalg.svd(scaled / np.maximum(norm, 1e-300), compute_uv=False)[-1] > 1e-8:
            kept.append(str(name))
    return kept
