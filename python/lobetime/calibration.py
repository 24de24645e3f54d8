"""Does the model keep its promise on cases that it has not seen?"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from sklearn.base import clone

from . import _core
from .baselines import BASELINES
from .cases import KNOWN_AT_BOOKING, Cases, read_bookings, read_cases
from .caution import CAUTION
from .parallel import jobs_of, run
from .scores import binomial_band, conformal_band, conformal_rank, crps, pinball, pit

if TYPE_CHECKING:
    from .model import TheatreTimeModel
    from .plots import CalibrationDisplay

Array = npt.NDArray[np.float64]
Method = Literal["rolling", "kfold"]
Total = Literal["theatre", "operative", "enucleation and morcellation"]

COVERAGES = (0.5, 0.8, 0.9, 0.95)
PINBALL = (0.5, 0.8, 0.9)
_FEWEST = 5  # cases to fit, and baselines to be fitted, from
_TOTALS: dict[Total, tuple[tuple[str, ...], int]] = {
    "theatre": (("theatre_min",), 15),
    "operative": (("operative_min",), 7),
    "enucleation and morcellation": (("enucleation_min", "morcellation_min"), 5),
}
_NO_SLIP = ("constant_gland", "no_time", "outcome_without_time", "date_in_future", "case_numbers_counted_from_file")


def recorded_total(frame: pd.DataFrame, total: Total) -> Array:
    """Minutes of a completed case, NaN where a part is blank or morcellation was not completed."""
    columns, _ = _TOTALS[total]
    if not set(columns) <= set(frame.columns):
        return np.full(len(frame), np.nan)
    minutes: Array = frame[list(columns)].sum(axis=1, skipna=False).to_numpy(dtype=float, na_value=np.nan)
    if "morcellation_outcome" in frame:
        done = frame["morcellation_outcome"].astype(object).fillna("complete") == "complete"
        minutes = np.where(done, minutes, np.nan)
    return minutes


def _most_recorded(frame: pd.DataFrame) -> Total:
    recorded: dict[Total, int] = {name: int(np.isfinite(recorded_total(frame, name)).sum()) for name in _TOTALS}
    return max(recorded, key=lambda name: recorded[name])


def read_part(frame: pd.DataFrame, rows: npt.NDArray[np.intp]) -> Cases:
    """Some rows of a table that was read before; what looked wrong in it was said then."""
    return read_cases(frame.iloc[rows].reset_index(drop=True), quiet=True)


def looks_mistyped(frame: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Rows in which the data checks take something for a slip."""
    found = read_part(frame, np.arange(len(frame))).warnings
    flagged = np.zeros(len(frame), dtype=np.bool_)
    rows = found.loc[~found["kind"].isin(_NO_SLIP), "row"].astype(int).to_numpy() - 2
    flagged[rows[(rows >= 0) & (rows < len(frame))]] = True
    return flagged


def _folds(
    frame: pd.DataFrame, method: Method, folds: int, group: str | None, seed: int
) -> Iterator[tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]]:
    n = len(frame)
    if method == "rolling":
        if "operated_on" not in frame or frame["operated_on"].isna().any():
            raise _core.InvalidArgument("calibration by 'rolling' needs operated_on in every row; 'kfold' does without")
        order = np.argsort(frame["operated_on"].to_numpy(), kind="stable")
        first = max(_FEWEST, n // (folds + 1))
        edges = np.unique(np.linspace(first, n, folds + 1).astype(int))
        for start, end in itertools.pairwise(edges):
            yield order[:start], order[start:end]
        return
    if group is None:
        label = np.random.default_rng(seed).permutation(n) % folds
    else:
        if group not in frame:
            raise _core.InvalidArgument(f"group: the cases have no column {group!r}; they have {list(frame.columns)}")
        codes, names = pd.factorize(frame[group])
        if len(names) < 2:
            raise _core.InvalidArgument(f"group: {group!r} has fewer than two values")
        place = np.random.default_rng(seed).permutation(len(names)) % min(folds, len(names))
        label = np.where(codes < 0, 0, place[codes])
    for k in np.unique(label):
        yield np.flatnonzero(label != k), np.flatnonzero(label == k)


@dataclass(frozen=True)
class Calibration:
    """What held-out cases say about the predictions.

    Attributes
    ----------
    cases : pandas.DataFrame
        One row a held-out case: ``row`` (place in the table), ``fitted_to`` (cases that the fold's model knew),
        ``observed_min``, ``place`` (share of draws below the outcome), and a quantile column for each bound in use.
    total : str
        Which minutes: "theatre", "operative" or "enucleation and morcellation".
    method, left_out
        How cases were held out; how many were not judged because the data checks take something in them for a slip.
    scores : pandas.DataFrame
        Mean CRPS and pinball losses in minutes, one row a predictor; ``ratio`` of each CRPS to the model's.
    """

    cases: pd.DataFrame
    total: Total
    method: str
    left_out: int
    scores: pd.DataFrame

    def __len__(self) -> int:
        return len(self.cases)

    @property
    def coverage(self) -> pd.DataFrame:
        """Share of outcomes in the central intervals, and what a right forecast gives in 95 of 100 such samples."""
        rows = []
        for level in COVERAGES:
            inside = (self.cases["place"] > 0.5 - level / 2) & (self.cases["place"] < 0.5 + level / 2)
            rows.append((level, float(inside.mean()), *binomial_band(len(self), level)))
        return pd.DataFrame(rows, columns=["interval", "share", "band_low", "band_high"]).set_index("interval")

    @property
    def overrun(self) -> pd.DataFrame:
        """Share of cases that would have overrun a slot booked at each risk (before rounding the slot up)."""
        rows = []
        for risk in (0.1, 0.2, 0.3):
            rows.append((risk, float((self.cases["place"] > 1.0 - risk).mean()), *binomial_band(len(self), risk)))
        return pd.DataFrame(rows, columns=["booked_risk", "realised", "band_low", "band_high"]).set_index("booked_risk")

    @property
    def places(self) -> Array:
        """Ascending places (PIT values) of the outcomes: uniform on 0 to 1 if the forecasts are right."""
        places: Array = np.sort(self.cases["place"].to_numpy(dtype=float))
        return places

    def conformal(self, probability: float) -> dict[str, float]:
        """The draw rank that covers a new case with this probability whatever the model, and how sure that is.

        ``rank`` is NaN where there are too few held-out cases for any finite bound; 90 % of such calibration sets give
        a coverage between ``low`` and ``high``.
        """
        rank = conformal_rank(len(self), probability)
        low, high = conformal_band(len(self), probability)
        return {"rank": float("nan") if rank is None else float(self.places[rank - 1]), "low": low, "high": high}

    def display(self) -> CalibrationDisplay:
        """Where outcomes fell, intervals, slots and simple predictors, to plot."""
        from .plots import CalibrationDisplay  # it reads calibrations

        return CalibrationDisplay.from_calibration(self)

    def __str__(self) -> str:
        number = "{:.3f}".format
        enough = "are corrected by them" if len(self) >= 100 else "are left as they are (fewer than 100)"
        return (
            f"{len(self)} cases held out ({self.method}), {self.total} minutes; {self.left_out} left out as mistyped\n"
            f"Predictions {enough}.\n\nCentral intervals\n{self.coverage.to_string(float_format=number)}\n\n"
            f"Slots\n{self.overrun.to_string(float_format=number)}\n\n"
            f"Mean scores, min (smaller is better)\n{self.scores.to_string(float_format=number)}\n\n{CAUTION}"
        )


def _as_booked(frame: pd.DataFrame, rows: npt.NDArray[np.intp]) -> pd.DataFrame:
    """What was known of these cases before them."""
    booked = frame.iloc[rows].reset_index(drop=True)
    return booked[[name for name in KNOWN_AT_BOOKING if name in booked]]


def _drawn_totals(model: TheatreTimeModel, booked: pd.DataFrame, bits: int, draws: int, seed: int) -> Array:
    """Drawn minutes, cases x draws, of the phases in ``bits``."""
    predicted = model.predict(read_bookings(booked, quiet=True), draws=draws, seed=seed)
    sums: Array = predicted.draws[:, :, [k for k in range(4) if bits >> k & 1]].sum(axis=2)
    return sums


def mean_crps_min(model: TheatreTimeModel, cases: Cases, total: Total | None, draws: int, seed: int) -> float:
    """Mean CRPS, minutes, of cases that the data checks do not take for slips."""
    frame = cases.frame.reset_index(drop=True)
    chosen = _most_recorded(frame) if total is None else total
    if chosen not in _TOTALS:
        raise _core.InvalidArgument(f"total must be one of {list(_TOTALS)}, not {chosen!r}")
    minutes = recorded_total(frame, chosen)
    judged = np.flatnonzero(np.isfinite(minutes) & ~looks_mistyped(frame))
    if not len(judged):
        raise _core.InvalidArgument(f"score: none of {len(frame)} cases has {chosen} minutes to be judged by")
    return float(
        crps(_drawn_totals(model, _as_booked(frame, judged), phase_bits(chosen), draws, seed), minutes[judged]).mean()
    )


def _judged_fold(
    model: TheatreTimeModel,
    known: npt.NDArray[np.intp],
    usable: npt.NDArray[np.intp],
    judged: npt.NDArray[np.intp],
    frame: pd.DataFrame,
    minutes: Array,
    bits: int,
    baselines: bool,
    draws: int,
    seed: int,
) -> tuple[pd.DataFrame, dict[str, Array]]:
    """The judged cases against a fit to the known ones: where they fell, and every predictor's losses by case."""
    fitted = clone(model).fit(read_part(frame, known))
    booked = _as_booked(frame, judged)
    sums = _drawn_totals(fitted, booked, bits, draws, seed)
    observed = minutes[judged]
    levels = sorted({p for c in COVERAGES for p in (0.5 - c / 2, 0.5 + c / 2)} | set(PINBALL))
    quantiles = np.quantile(sums, levels, axis=1).T
    part = pd.DataFrame({"row": judged, "fitted_to": len(known), "observed_min": observed})
    part["place"] = pit(sums, observed)
    answers = {"lobetime": sums}
    if baselines:
        past = frame.iloc[usable]
        answers |= {name: one(past, minutes[usable], booked) for name, one in BASELINES.items()}
    losses = {}
    for name, sample in answers.items():
        at = np.quantile(sample, PINBALL, axis=1)
        rows = [crps(sample, observed), *(pinball(observed, q, p) for q, p in zip(at, PINBALL, strict=True))]
        losses[name] = np.array(rows)
    return part.join(pd.DataFrame(quantiles, columns=[f"q{p:g}" for p in levels])), losses


def calibrate(
    model: TheatreTimeModel,
    cases: Cases,
    *,
    method: Method = "rolling",
    folds: int = 5,
    group: str | None = None,
    total: Total | None = None,
    baselines: bool = True,
    draws: int = 2048,
    seed: int = 1,
    n_jobs: int | None = None,
) -> Calibration:
    """See :meth:`TheatreTimeModel.calibration`."""
    if method not in ("rolling", "kfold"):
        raise _core.InvalidArgument(f"method must be 'rolling' or 'kfold', not {method!r}")
    if folds < 2:
        raise _core.InvalidArgument(f"folds must be 2 or more, not {folds}")
    frame = cases.frame.reset_index(drop=True)
    chosen = _most_recorded(frame) if total is None else total
    if chosen not in _TOTALS:
        raise _core.InvalidArgument(f"total must be one of {list(_TOTALS)}, not {chosen!r}")
    minutes = recorded_total(frame, chosen)
    slips = looks_mistyped(frame)
    bits = _TOTALS[chosen][1]
    left_out, folds_of = 0, []
    for known, held in _folds(frame, method, folds, group, seed):
        judged = held[np.isfinite(minutes[held]) & ~slips[held]]
        left_out += int((np.isfinite(minutes[held]) & slips[held]).sum())
        usable = known[np.isfinite(minutes[known])]
        if len(known) >= _FEWEST and len(usable) >= _FEWEST and len(judged):
            folds_of.append((known, usable, judged))
    # Beside each other the fits take a thread each; results do not depend on it.
    one = clone(model) if jobs_of(n_jobs) == 1 else clone(model).set_params(threads=1)
    same = (frame, minutes, bits, baselines, draws, seed)
    found = run(_judged_fold, [(one, *fold, *same) for fold in folds_of], n_jobs)
    parts = [part for part, _ in found]
    losses = {name: [of_fold[name] for _, of_fold in found] for name in (found[0][1] if found else ())}
    if not parts:
        raise _core.InvalidArgument(
            f"calibration needs at least {_FEWEST} cases with {chosen} minutes to fit and one to hold out; of "
            f"{len(frame)} cases {int(np.isfinite(minutes).sum())} have them"
        )
    means = {name: np.concatenate(rows, axis=1).mean(axis=1) for name, rows in losses.items()}
    scores = pd.DataFrame(means, index=["crps_min", *(f"pinball_{p:g}_min" for p in PINBALL)]).T
    scores["ratio"] = scores["crps_min"] / scores["crps_min"]["lobetime"]
    return Calibration(
        pd.concat(parts, ignore_index=True),
        chosen,
        f"{method}, {folds} folds" + (f", by {group}" if group else ""),
        left_out,
        scores.rename_axis("predictor"),
    )


def phase_bits(total: Total) -> int:
    """Phases in a total, as bits: 1 enucleation, 2 haemostasis, 4 morcellation, 8 room."""
    return _TOTALS[total][1]
