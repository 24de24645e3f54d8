"""Figures of two devices side by side: at the unit's own mix, as recorded, and how far the groups are apart."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats
from sklearn.linear_model import LogisticRegression

from ._adjust import Design, Fit

Doubles = npt.NDArray[np.float64]

_FAR_APART = 0.25  # standardised difference: Stuart, Stat Sci 2010;25:1
_COMMON = (0.1, 0.9)  # chance of the class, within which groups overlap: Crump et al., Biometrika 2009;96:187
_FEW_IN_COMMON = 0.5
_DRAWS = 4000


def ratio_table(
    ratios: dict[str, tuple[float, float, float]],
    used: dict[str, pd.DataFrame],
    crude_per_gram: tuple[float, float, float] | None,
) -> pd.DataFrame:
    """Ratios B over A of minutes and of g/min, one row an analysis; see HeadToHead.ratios."""
    table = []
    for name, (middle, low, high) in ratios.items():
        rows = used[name]
        if crude_per_gram is None or name == "without tissue":
            inverse = (np.nan, np.nan, np.nan)
        else:
            m, lo, hi = crude_per_gram if name == "unadjusted" else (middle, low, high)
            inverse = (1 / m, 1 / hi, 1 / lo)
        table.append(
            {
                "analysis": name,
                "minutes_ratio": middle,
                "minutes_lower": low,
                "minutes_upper": high,
                "efficiency_ratio": inverse[0],
                "efficiency_lower": inverse[1],
                "efficiency_upper": inverse[2],
                "cases_a": int((rows["b"] == 0).sum()),
                "cases_b": int((rows["b"] == 1).sum()),
                "unfinished": int(rows["unfinished"].sum()),
            }
        )
    return pd.DataFrame(table).set_index("analysis")


def gland_table(fit: Fit, rows: pd.DataFrame, glands_ml: Sequence[float]) -> pd.DataFrame:
    """Ratio of minutes at some glands, and whether both classes have smaller and larger ones."""
    spans = rows.groupby("b")["gland_ml"].agg(["min", "max"])
    table = []
    for gland_ml in glands_ml:
        middle, low, high = fit.at_gland(gland_ml)
        within = bool((spans["min"] <= gland_ml).all() and (spans["max"] >= gland_ml).all())
        table.append((float(gland_ml), middle, low, high, within))
    return pd.DataFrame(table, columns=["gland_ml", "minutes_ratio", "lower", "upper", "within_both"]).set_index(
        "gland_ml"
    )


def at_own_mix(
    fit: Fit, design: Design, rows: pd.DataFrame, with_tissue: bool, level: float, seed: int
) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, float]]:
    """Means over the analysed cases, each with A and with B: minutes; g/min; variances of the differences."""
    rng = np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, 0x4E2])))
    p = len(fit.names)
    values, vectors = np.linalg.eigh(fit.covariance)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    wide = np.sqrt(fit.df / rng.chisquare(fit.df, _DRAWS))
    drawn = fit.theta + wide[:, None] * (rng.standard_normal((_DRAWS, p + 1)) @ root.T)
    drawn = np.vstack([fit.theta, drawn])  # the estimate first
    log_mean_factor = np.exp(2 * drawn[:, p]) / 2
    tissue = rows["tissue_g"].to_numpy(float)
    minutes, rates, over = [], [], []
    for b in (0.0, 1.0):
        x = design.columns(rows, interaction=True, b=b)[list(fit.names)].to_numpy(float)
        log_median = drawn[:, :p] @ x.T
        each = np.exp(log_median + log_mean_factor[:, None])
        minutes.append(each.mean(axis=1))
        if with_tissue:
            rates.append((tissue * np.exp(-log_median + log_mean_factor[:, None])).mean(axis=1))
            over.append(tissue.sum() / each.sum(axis=1))
    named = {"A": minutes[0], "B": minutes[1], "B minus A": minutes[1] - minutes[0]}
    frame = pd.DataFrame({k: _summary(v, level) for k, v in named.items()}, index=["estimate", "lower", "upper"]).T
    variances = {"morcellation_min": float(np.var(named["B minus A"][1:]))}
    index = pd.MultiIndex.from_product(
        [["at the unit's own mix"], ["mean of ratios", "ratio of means"]], names=["figures", "mean"]
    )
    table = []
    for pair in (rates, over):
        if not with_tissue:
            table.append([np.nan] * 9)
            continue
        table.append([v for one in (pair[0], pair[1], pair[1] - pair[0]) for v in _summary(one, level)])
    if with_tissue:
        variances["efficiency_g_min"] = float(np.var((rates[1] - rates[0])[1:]))
    return frame.rename_axis("figure"), pd.DataFrame(table, index=index, columns=_EFFICIENCY), variances


_EFFICIENCY = [f"{side}{end}" for side in ("a", "b", "difference") for end in ("", "_lower", "_upper")]


def _summary(drawn: Doubles, level: float) -> tuple[float, float, float]:
    low, high = np.quantile(drawn[1:], [0.5 - level / 2, 0.5 + level / 2])
    return float(drawn[0]), float(low), float(high)


def as_recorded(rows: pd.DataFrame, level: float) -> pd.DataFrame:
    """Grams per minute of finished cases with tissue, nothing adjusted."""
    there = rows[~rows["unfinished"] & rows["tissue_g"].notna()]
    sides = [there[there["b"] == b] for b in (0.0, 1.0)]
    index = pd.MultiIndex.from_product(
        [["as recorded"], ["mean of ratios", "ratio of means"]], names=["figures", "mean"]
    )
    table = []
    for mean in ("mean of ratios", "ratio of means"):
        if min(len(side) for side in sides) < 2:
            table.append([np.nan] * 9)
            continue
        found = [_mean_of_ratios(s) if mean == "mean of ratios" else _ratio_of_means(s) for s in sides]
        cells: list[float] = []
        for middle, variance, n in found:
            half = float(stats.t.ppf(0.5 + level / 2, n - 1)) * math.sqrt(variance)
            cells += [middle, middle - half, middle + half]
        (ma, va, na), (mb, vb, nb) = found
        both = va + vb
        df = both**2 / (va**2 / (na - 1) + vb**2 / (nb - 1)) if both > 0 else na + nb - 2.0
        half = float(stats.t.ppf(0.5 + level / 2, df)) * math.sqrt(both)
        table.append([*cells, mb - ma, mb - ma - half, mb - ma + half])
    return pd.DataFrame(table, index=index, columns=_EFFICIENCY)


def _mean_of_ratios(rows: pd.DataFrame) -> tuple[float, float, int]:
    rate = rows["tissue_g"] / rows["minutes"]
    return float(rate.mean()), float(rate.var(ddof=1)) / len(rate), len(rate)


def _ratio_of_means(rows: pd.DataFrame) -> tuple[float, float, int]:
    ratio = float(rows["tissue_g"].sum() / rows["minutes"].sum())
    residual = (rows["tissue_g"] - ratio * rows["minutes"]) / rows["minutes"].mean()
    return ratio, float((residual**2).sum()) / (len(rows) * (len(rows) - 1)), len(rows)


def balance_of(rows: pd.DataFrame, wanted: Sequence[str]) -> tuple[pd.DataFrame, float]:
    """Group means of what may differ, whether adjusted for or not, and the share of cases that could have had either.

    Standardised difference: of means (of shares), over the root of the mean of the two variances (Austin, Stat Med
    2009;28:3083). Glands, tissue and case numbers on the log scale, shown as geometric means.
    """
    table: dict[str, tuple[float, float, float]] = {}
    of_b = rows["b"] == 1

    def add(name: str, values: pd.Series[float], *, log: bool) -> None:
        pair = [values[~of_b].dropna(), values[of_b].dropna()]
        if min(len(one) for one in pair) < 2:
            return
        means, spread = [float(one.mean()) for one in pair], math.sqrt(float(sum(one.var(ddof=1) for one in pair)) / 2)
        apart = 0.0 if means[0] == means[1] else math.copysign(np.inf, means[1] - means[0])
        if spread > 0:
            apart = (means[1] - means[0]) / spread
        shown = np.exp(means) if log else means
        table[name] = (float(shown[0]), float(shown[1]), apart)

    add("gland_ml", np.log(rows["gland_ml"]), log=True)
    add("tissue_g", np.log(rows["tissue_g"]), log=True)
    add("surgeon_case_no", np.log(rows["case_no"]), log=True)
    if rows["surgeon"].notna().any():
        for code in sorted(rows["surgeon"].dropna().unique()):
            add(f"share of surgeon {code}", (rows["surgeon"] == code).astype(float), log=False)
    if rows["canister_ml"].notna().any():
        for size in sorted(rows["canister_ml"].dropna().unique()):
            words = "continuous drain" if np.isinf(size) else f"{size:g} mL canister"
            add(f"share of {words}", (rows["canister_ml"] == size).astype(float), log=False)
    for name in ("hard_nodule", "trainee"):
        add(f"share with {name}", rows[name], log=False)
    frame = pd.DataFrame(table, index=["a", "b", "standardised_difference"]).T.rename_axis("what")
    frame["far_apart"] = frame["standardised_difference"].abs() > _FAR_APART
    return frame, _in_common(rows, wanted)


def _in_common(rows: pd.DataFrame, wanted: Sequence[str]) -> float:
    names = [name for name in wanted if rows[name].nunique() > 1]
    if not names:
        return 1.0
    x = pd.get_dummies(rows[names], columns=["surgeon"] if "surgeon" in names else [], dtype=float)
    scaled = (x - x.mean()) / x.std(ddof=0).replace(0.0, 1.0)
    of_b = (rows["b"] == 1).to_numpy()
    if of_b.all() or not of_b.any():
        return 0.0
    chance = (
        LogisticRegression(C=10.0, max_iter=1000).fit(scaled.to_numpy(), of_b).predict_proba(scaled.to_numpy())[:, 1]
    )
    return float(((chance >= _COMMON[0]) & (chance <= _COMMON[1])).mean())


def what_to_warn_of(
    excluded: pd.DataFrame, balance: pd.DataFrame, in_common: float, not_adjusted: dict[str, str]
) -> list[str]:
    found = []
    if in_common < _FEW_IN_COMMON:
        far = ", ".join(balance.index[balance["far_apart"]])
        found.append(
            f"the groups hardly overlap: only {100 * in_common:.0f} % of cases could have had either device; the "
            f"adjusted figure rests on the curve between them (far apart: {far or 'nothing by itself'})"
        )
    lost = excluded[excluded.index.str.startswith("unfinished")][["a", "b"]].sum()
    if lost.sum():
        found.append(
            f"unfinished morcellations that lack minutes or what is adjusted for are left out, {lost['a']} of A and "
            f"{lost['b']} of B: the class with more of them looks quicker than it is"
        )
    if "collection" in not_adjusted and "together with its own" in not_adjusted["collection"]:
        found.append("collection cannot be told from the device: " + not_adjusted["collection"])
    return found
