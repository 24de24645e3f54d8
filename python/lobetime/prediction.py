"""Joint draws of booked cases and what is read off them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from . import _core
from .cases import Bookings
from .memory import need

PHASES: tuple[str, ...] = tuple(_core.PHASES)

FLAG_WORDS = {
    "no_history": "no history: predicted from published evidence and stated assumptions alone",
    "gland_beyond_range": "gland outside the {low:.0f} to {high:.0f} mL of the history: extrapolated",
    "surgeon_unseen": "surgeon not in the history: the spread between surgeons is included",
    "experience_unknown": "surgeon's case number unknown: first to 300th case are all allowed for (assumption)",
    "device_class_unseen": "device class not in the history: its difference comes from published evidence",
    "device_class_unknown": "blade or suction blank: both kinds are allowed for",
    "device_unseen": "device not in the history: the spread between devices, or the range given for it, is included",
    "collection_unknown": "no canister column: taken as continuous drain",
    "canister_blank": "canister blank: taken as continuous drain, so without stops to change one",
    "haemostasis_from_prior": "no operative or theatre time in the history: the rest of the operation is an assumption",
    "room_from_prior": "the history holds no theatre time: time around the operation comes from published evidence",
}
_WORTH_SAYING_MIN = 1.0
_BYTES_A_DRAW = 8 * (len(PHASES) + 2)  # minutes of each phase, swaps, and the total that is read off them


class Prediction:
    """What one model says of a set of bookings.

    Attributes
    ----------
    draws : numpy.ndarray
        Minutes, cases x draws x phases (enucleation; haemostasis, which holds everything else of the operation;
        morcellation with its stops; room), read-only. Draw d of every case shares the model's parameters and surgeons.
    swaps : numpy.ndarray
        Canister swaps, cases x draws.
    held_out_cases : int
        By how many the total was corrected; 0 = as the model has it. See ``TheatreTimeModel.calibration``.
    """

    def __init__(
        self,
        core: _core.Prediction,
        bookings: Bookings,
        fitted: _core.FittedModel,
        *,
        seed: int = 1,
        conformal: bool | None = None,
        threads: int = 0,
    ) -> None:
        self._core = core
        self._conformal, self._threads = conformal, threads
        self.seed = seed
        self._fitted = fitted
        self.bookings = bookings
        self.draws: npt.NDArray[np.float64] = core.draws
        self.swaps: npt.NDArray[np.float64] = core.swaps
        self.held_out_cases: int = core.held_out_cases

    def __len__(self) -> int:
        return int(self.draws.shape[0])

    def again(self, bookings: Bookings, *, draws: int, seed: int) -> Prediction:
        """Other bookings, or the same with other surgeons or devices, predicted by the same model."""
        conformal, threads = self._conformal, self._threads
        return predict(self._fitted, bookings, draws=draws, seed=seed, conformal=conformal, threads=threads)

    def __repr__(self) -> str:
        medians = np.median(self.totals, axis=1)
        said = f", median {medians.min():.0f} to {medians.max():.0f} min" if len(self) else ""
        return f"<Prediction of {len(self)} cases, {self.draws.shape[1]} draws{said}>"

    def _repr_html_(self) -> str:
        from .slots import slots  # it reads predictions

        return slots(self)._repr_html_()

    @property
    def case_ids(self) -> list[str]:
        """case_id of each booking; "row 2" and so on where it has none, as its file counts rows."""
        frame = self.bookings.frame
        given = frame["case_id"] if "case_id" in frame else [""] * len(self)
        rows = zip(self.bookings.rows, given, strict=True)
        return [f"row {row}" if pd.isna(name) or name == "" else str(name) for row, name in rows]

    @property
    def totals(self) -> npt.NDArray[np.float64]:
        """Theatre minutes (wheels in to wheels out), cases x draws."""
        totals: npt.NDArray[np.float64] = self.draws.sum(axis=2)
        return totals

    @property
    def expected_swaps(self) -> npt.NDArray[np.float64]:
        """Mean number of canister swaps of each case."""
        means: npt.NDArray[np.float64] = self.swaps.mean(axis=1)
        return means

    def quantile(self, q: float | Sequence[float]) -> pd.DataFrame:
        """Quantiles of theatre minutes: one row a case, one column a probability (sample quantiles of type 7)."""
        levels = np.atleast_1d(np.asarray(q, dtype=float))
        if not np.all((levels >= 0) & (levels <= 1)):
            raise _core.InvalidArgument("quantile: probabilities must lie in [0, 1]")
        values = np.quantile(self.totals, levels, axis=1).T
        return pd.DataFrame(values, index=pd.Index(self.case_ids, name="case_id"), columns=[float(x) for x in levels])

    def overrun_risk(self, minutes: float | Sequence[float]) -> pd.Series[float]:
        """Chance that theatre time exceeds ``minutes`` (one for all, or one for each case)."""
        limit = np.broadcast_to(np.asarray(minutes, dtype=float), (len(self),))
        if not np.all(np.isfinite(limit)):
            raise _core.InvalidArgument("overrun_risk: minutes must be finite")
        risk = (self.totals > limit[:, None]).mean(axis=1)
        return pd.Series(risk, index=pd.Index(self.case_ids, name="case_id"), name="overrun_risk")

    def phases(self, q: Sequence[float] = (0.1, 0.5, 0.9)) -> pd.DataFrame:
        """Quantiles of each phase's minutes and of the total: rows case x phase, one column a probability."""
        levels = [float(x) for x in q]
        named = [*((name, self.draws[:, :, k]) for k, name in enumerate(PHASES)), ("total", self.totals)]
        table = np.stack([np.quantile(minutes, levels, axis=1) for _, minutes in named])  # phases x levels x cases
        index = pd.MultiIndex.from_product([self.case_ids, [name for name, _ in named]], names=["case_id", "phase"])
        return pd.DataFrame(table.transpose(2, 0, 1).reshape(-1, len(levels)), index=index, columns=levels)

    @property
    def flags(self) -> list[list[str]]:
        """Names of where the model is guessing, for each case; see ``FLAG_WORDS``."""
        blank = self.bookings.drain_assumed
        return [[*names, *(["canister_blank"] if b else [])] for names, b in zip(self._core.flags, blank, strict=True)]

    def warnings(self) -> list[str]:
        """The flags of each case in words, joined by "; "."""
        low, _, high = self._fitted.gland_ml
        return ["; ".join(FLAG_WORDS[name].format(low=low, high=high) for name in names) for names in self.flags]

    def why(self) -> list[str]:
        """What makes each case long or short, in median minutes, the largest first.

        Each figure is what would go if that one thing were as usual in the unit: its median gland, no swaps, a
        surgeon past the learning curve, its average surgeon, its most used device class.
        """
        rows = zip(self.bookings.frame["gland_ml"], self.expected_swaps, self._core.explanations, strict=True)
        return [_why(gland, swaps, e) for gland, swaps, e in rows]


def predict(
    fitted: _core.FittedModel, bookings: Bookings, *, draws: int, seed: int, conformal: bool | None, threads: int
) -> Prediction:
    """Bookings predicted by a fitted model, unless their draws do not fit in memory (MemoryError)."""
    need(
        len(bookings) * float(draws) * _BYTES_A_DRAW,
        f"{len(bookings):,} bookings x {draws:,} draws",
        "fewer draws or fewer bookings at a time need less",
    )
    core = _core.predict(fitted, bookings.table, draws=draws, seed=seed, threads=threads, conformal=conformal)
    return Prediction(core, bookings, fitted, seed=seed, conformal=conformal, threads=threads)


def _why(gland_ml: float, swaps: float, e: dict[str, float]) -> str:
    parts = [
        (e["volume_min"], f"for a {gland_ml:.0f} mL gland (usual {e['reference_gland_ml']:.0f})"),
        (e["learning_min"], f"experience still to come (case {e['case_no']:.0f})"),
        (e["swaps_min"], f"canister swaps (about {swaps:.1f})"),
        (e["surgeon_min"], "for the surgeon (against the unit's average)"),
        (e["device_min"], "for the device class (against the most used)"),
        (e["covariates_min"], "for trainee, anticoagulants, nodule or anaesthetic"),
    ]
    said = sorted((p for p in parts if abs(p[0]) >= _WORTH_SAYING_MIN), key=lambda p: -abs(p[0]))
    return ", ".join(f"{minutes:+.0f} min {words}" for minutes, words in said) or "nothing unusual"
