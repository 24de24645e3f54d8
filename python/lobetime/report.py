"""One page for a unit: what its cases say, how far the model keeps its promise, and what a paper needs to cite it.

The page stands alone (inline styles, pictures as data, no script, nothing fetched), prints on one A4 sheet and reads
well aloud. It holds no case, no case id and no surgeon's code.
"""

from __future__ import annotations

import base64
import io
import math
import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from . import _core
from . import quantities as q
from .calibration import Calibration, recorded_total
from .cases import Cases, operation_dates, read_cases, span_of
from .caution import CAUTION
from .evidence import evidence_table
from .markup import Table, safe
from .model import TheatreTimeModel
from .reading import Source
from .rounding import at, decimals_of, interval
from .summary import trends_of, usual_class

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_CITATION = re.compile(
    r"(?:[A-Z][A-Za-z]* )+(?:19|20)\d\d(?:;[\d:\-–]+)?(?:, (?:doi|PMID) [\w./()\-]*\w)?|doi 10\.[\w./()\-]*\w"
)
_LOSSES = {"bisquare": "Tukey's bisquare loss", "huber": "Huber's loss", "soft_l1": "soft-L1 loss",
           "cauchy": "Cauchy's loss", "squares": "least squares"}  # fmt: skip
EQUATIONS = (
    "Tissue: W = yield_g_80 (V/80)^yield_exponent g for a gland of V mL. Enucleation: [e_fixed + e_80 "
    "(V/80)^e_exponent] [1 + e_learn / (1 + (k - 1)/e_half)] min at a surgeon's k-th case. Blade time: W / [rate_50 "
    "(W/50)^rate_exponent] [1 + m_learn / (1 + (k - 1)/m_half)], times ratios for blade motion, suction and device. "
    "Morcellation: m_fixed + blade time + swap_min S, S being the expected number of canisters that log-normal fluid "
    "about carry_over_ml + flow x blade time fills. Rest of the operation: h_min. Room: room_min. Theatre time: their "
    "sum, with the delay of device faults; each phase has ratios for trainee, hard nodule, anticoagulants or "
    "anaesthetic, and surgeons have random levels whose spread is estimated."
)
"""The model as a methods section names it; the symbols are those of ``params_``."""

_SIZES_PT = (7.4, 7.1, 6.8, 6.5, 6.2, 5.9, 5.6)  # of a PDF's letters: the largest that keeps it on one page
_STYLE = """
@page { size: A4; margin: 8mm 9mm }
* { box-sizing: border-box }
body { font: 6.8pt/1.2 "Liberation Sans", Arial, Helvetica, "DejaVu Sans", sans-serif; color: #000; background: #fff;
  margin: 0 auto; max-width: 192mm }
h1 { font-size: 1.75em; margin: 0 0 .3em } h2 { font-size: 1.2em; margin: .7em 0 .25em; border-bottom: .1em solid #000 }
p, ul { margin: 0 0 .3em } ul { padding-left: 1.6em }
.pictures { display: flex; flex-wrap: wrap; gap: 1em; margin: .4em 0 0 }
figure { flex: 1 1 20em; margin: 0; min-width: 0 }
img { width: 100%; height: auto; display: block } figcaption { font-size: .9em }
table { border-collapse: collapse; width: 100%; font-size: .93em; line-height: 1.1 }
caption { text-align: left; font-weight: bold; font-size: 1.29em; padding: .3em 0 .15em }
th, td { text-align: left; font-weight: normal; padding: .06em .8em .06em 0; border-bottom: .05em solid #999;
  vertical-align: top }
thead th { font-weight: bold } .n { text-align: right; white-space: nowrap }
.small { font-size: .87em; line-height: 1.18 }
.caution { border: .14em solid #000; padding: .3em .6em; margin: .4em 0 0 }
@media screen { body { font-size: 11pt; padding: 1em } .table { overflow-x: auto } }
"""


@dataclass(frozen=True)
class Picture:
    """A picture of the page: PNG bytes, and what it shows in words."""

    png: bytes
    words: str
    caption: str


@dataclass(frozen=True, repr=False)
class UnitReport:
    """One page for a unit. Made by :func:`unit_report`; ``save`` writes it.

    Attributes
    ----------
    facts : dict of str
        What was read.
    says : list of str
        What the unit's cases say, a sentence each.
    parameters : Table
        Fitted parameters with error, interval, unit and source; no surgeon's own.
    kept : list of str
        Whether forecasts of held-out cases kept their promise.
    flags : list of str
        What looks wrong in the data, and what was taken for granted.
    methods, citation : str
        For a paper.
    sources : list of str
        Published evidence that the prior rests on: journal, year, DOI or PMID where there is one.
    pictures : list of Picture
    """

    facts: dict[str, str]
    says: list[str]
    parameters: Table
    kept: list[str]
    flags: list[str]
    methods: str
    citation: str
    sources: list[str]
    pictures: list[Picture] = field(default_factory=list)
    caution: str = CAUTION

    def __repr__(self) -> str:
        return f"<UnitReport of {self.facts['cases']} cases: .save('report.html') or .save('report.pdf')>"

    @property
    def table(self) -> pd.DataFrame:
        """The numbers as the page shows them, rounded: texts, one row a parameter."""
        return pd.DataFrame(list(self.parameters.rows), columns=list(self.parameters.headings))

    def to_html(self) -> str:
        """The page, self-contained."""
        figures = "".join(
            f'<figure><img src="data:image/png;base64,{base64.b64encode(one.png).decode()}" alt="{safe(one.words)}">'
            f"<figcaption>{safe(one.caption)}</figcaption></figure>\n"
            for one in self.pictures
        )
        head = " · ".join(f"{what}: {said}" for what, said in self.facts.items())
        return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; img-src data:">
<title>Theatre time of endoscopic prostate enucleation: one unit</title>
<style>{_STYLE}</style>
</head>
<body>
<main>
<h1>Theatre time of endoscopic prostate enucleation: one unit</h1>
<p>{safe(head)}</p>
<h2>What the cases say</h2>
{_list(self.says)}
<div class="pictures">
{figures}</div>
<h2>Does the model keep its promise?</h2>
<p>{safe(" ".join(self.kept))}</p>
<div class="table">{self.parameters.to_html(styled=False)}</div>
<p class="small">±: standard error; a row is rounded at its second digit. Source cases: this unit's cases settle the
number; any other still rests on evidence or assumption. Ratios: exponentials of the parameters.</p>
<h2>What looks wrong in the data</h2>
<p>{safe(" ".join(self.flags))}</p>
<h2>For a paper</h2>
<p class="small">{safe(self.methods)}</p>
<p class="small"><strong>Cite as:</strong> {safe(self.citation)}</p>
<p class="small"><strong>Evidence:</strong> {safe("; ".join(self.sources) or "none: the prior was left out")}.</p>
<p class="caution"><strong>Caution.</strong> {safe(self.caution)}</p>
</main>
</body>
</html>
"""

    def to_pdf(self) -> bytes:
        """The page as a tagged PDF (PDF/UA), by WeasyPrint."""
        try:
            from weasyprint import CSS, HTML
        except (ImportError, OSError) as error:  # OSError: Pango is a library of the system
            raise ImportError(
                "a PDF report needs WeasyPrint and Pango: pip install 'lobetime[report]' and, on Debian, "
                "apt install libpango-1.0-0 libpangoft2-1.0-0; an HTML report needs neither"
            ) from error
        page = HTML(string=self.to_html())
        for size in _SIZES_PT:
            drawn = page.render(stylesheets=[CSS(string=f"body {{ font-size: {size}pt !important }}")])
            if len(drawn.pages) == 1:
                break
        written: bytes = drawn.write_pdf(pdf_variant="pdf/ua-1")
        return written

    def content(self, path: str | os.PathLike[str]) -> bytes:
        """The page as the end of the file's name asks. Raises InvalidArgument for other ends than .html and .pdf."""
        end = os.path.splitext(os.fspath(path))[1].lower()
        if end not in (".html", ".pdf"):
            raise _core.InvalidArgument(f"a report ends in .html or .pdf, not {os.fspath(path)!r}")
        return self.to_html().encode() if end == ".html" else self.to_pdf()

    def save(self, path: str | os.PathLike[str]) -> None:
        """Writes ``.html`` or ``.pdf``, whole or not at all."""
        _core.write_whole(os.fspath(path), self.content(path))


def unit_report(
    cases: Cases | Source,
    model: TheatreTimeModel | None = None,
    *,
    calibration: Calibration | None = None,
    folds: int = 3,
    draws: int = 500,
    seed: int = 1,
    say: Callable[[str], None] = lambda _: None,
) -> UnitReport:
    """The page of one unit.

    Parameters
    ----------
    cases : Cases, path or pandas.DataFrame
        Past cases.
    model : TheatreTimeModel, optional
        Fitted to these cases; by default the model of the default settings is fitted.
    calibration : Calibration, optional
        By default ``model.calibration`` with ``folds``, ``draws`` and ``seed``: "rolling" where every case has a date,
        else "kfold". Where there are too few cases, the page says so.
    say : callable
        Told what is being done.

    Raises
    ------
    InvalidData, InvalidArgument, NotConverged
    """
    cases = cases if isinstance(cases, Cases) else read_cases(cases)
    if model is None:
        say(f"fitting {len(cases)} cases")
        model = TheatreTimeModel(seed=seed).fit(cases)
    elif not hasattr(model, "fitted_") or model.fitted_.n_cases != len(cases):
        raise _core.InvalidArgument("unit_report: the model must be fitted to these cases")
    found, missing = calibration, ""
    if found is None:
        say("predicting cases that the model has not seen")
        dated = "operated_on" in cases.frame and bool(cases.frame["operated_on"].notna().all())
        try:
            found = model.calibration(
                cases, method="rolling" if dated else "kfold", folds=folds, draws=draws, seed=seed
            )
        except _core.InvalidArgument as error:  # too few cases, or no recorded total
            missing = f"Not known: {error}."
    say("drawing")
    return UnitReport(
        facts=_facts(cases, model),
        says=_says(cases, model),
        parameters=replace(model.summary().tables(surgeons=False)[0], caption="The numbers"),
        kept=[missing] if found is None else _kept(found),
        flags=_flags(cases),
        methods=_methods(cases, model, found, f"; {draws} draws, seed {seed}" if calibration is None else ""),
        citation=_citation(cases, model),
        sources=_sources(model),
        pictures=_pictures(cases, model, found, seed),
    )


def _list(sentences: Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li>{safe(words)}</li>" for words in sentences) + "</ul>"


def _facts(cases: Cases, model: TheatreTimeModel) -> dict[str, str]:
    low, median, high = model.fitted_.gland_ml
    said = {"cases": f"{len(cases):,}"}
    if dates := span_of(operation_dates(cases.frame)):
        said["operated on"] = dates
    said["glands"] = f"{low:.0f} to {high:.0f} mL, median {median:.0f}"
    said["surgeons"] = f"{len(model.surgeons_)}"
    classes = [f"{name} {n}" for name, n in model.fitted_.device_classes if "unknown" not in name]
    said["device classes"] = ", ".join(classes) or "none recorded"
    return said


def _says(cases: Cases, model: TheatreTimeModel) -> list[str]:
    said = []
    minutes = recorded_total(cases.frame, "theatre")
    minutes = minutes[np.isfinite(minutes)]
    if len(minutes) >= 10:
        low, middle, high = np.quantile(minutes, [0.1, 0.5, 0.9])
        said.append(
            f"Recorded theatre time (wheels in to wheels out, {len(minutes):,} finished cases): half took less than "
            f"{middle:.0f} min, 80 of 100 took {low:.0f} to {high:.0f} min."
        )
    fitted = model.fitted_
    named = usual_class(fitted)
    smallest, median, largest = fitted.gland_ml
    glands = [round(max(smallest, 0.5 * median)), round(median), round(min(largest, 2.0 * median))]
    asked = {
        "Enucleation": [q.enucleation_min(float(g), name=f"{g} mL") for g in dict.fromkeys(glands)],
        f"Morcellation without stops{f' ({named})' if named else ''}": [
            q.morcellation_min(float(g), device_class=named, name=f"{g} mL") for g in dict.fromkeys(glands)
        ],
    }
    for phase, quantities in asked.items():
        rows = model.conf_int(functions=quantities).to_dict("index")
        words = ", ".join(f"{_estimate(row)} min at {name}" for name, row in rows.items())
        said.append(f"{phase}, surgeon past the learning curve, median: {words} (in brackets: 95 % interval).")
    params, ends = model.params_, model.conf_int().to_dict("index")
    share = {name: 100.0 * float(ends["e_learn"][name]) for name in ("estimate", "lower", "upper")}
    from_cases = params.loc[["e_learn", "e_half"], "origin"].eq("fitted from cases")
    said.append(
        f"A surgeon's first case takes {_estimate(share)} % longer to enucleate; half of that is gone after "
        f"{_estimate(ends['e_half'])} cases"
        + ("." if from_cases.all() else " (these numbers still rest on published evidence in part).")
    )
    if params.loc["swap_min", "origin"] == "fitted from cases":
        said.append(f"One stop to change a full canister takes {_estimate(ends['swap_min'])} min.")
    if len(model.surgeons_) > 1:
        said.append(
            "Surgeons past the learning curve lie apart by a standard deviation of "
            f"{_spread(model, 'surgeon_enucleation')} in enucleation and "
            f"{_spread(model, 'surgeon_morcellation')} in blade time (in brackets: about 95 %; from "
            f"{len(model.surgeons_)} surgeons, and of few an assumption says much)."
        )
    if (learners := int(model.surgeons_["learning"].notna().sum())) > 1:
        said.append(
            "The extra enucleation time of first cases differs between surgeons by a standard deviation of "
            f"{_spread(model, 'surgeon_learning')} (from {learners} surgeons seen before their 60th case)."
        )
    if trends := trends_of(model):
        said.append(f"Cases scatter in {'; in '.join(trends)} (±: standard error).")
    own = int(params["origin"].eq("fitted from cases").sum())
    said.append(f"{own} of {len(params)} numbers of the model are this unit's own; the table names the source of each.")
    return said


def _spread(model: TheatreTimeModel, group: str) -> str:
    log_sd, log_se = (float(model.groups_[column][group]) for column in ("log_sd", "log_se"))
    low, middle, high = (100.0 * log_sd * math.exp(z * log_se) for z in (-1.96, 0.0, 1.96))
    return f"{middle:.0f} % ({low:.0f} to {high:.0f})"


def _estimate(row: Mapping[Any, Any]) -> str:
    """An estimate with its interval, rounded at the second digit of the standard error that the interval stands for."""
    estimate, low, high = float(row["estimate"]), float(row["lower"]), float(row["upper"])
    place = decimals_of((high - low) / 3.92) if math.isfinite(high - low) else None
    return f"{at(estimate, place)} ({interval(low, high, place)})"


def _kept(found: Calibration) -> list[str]:
    from .plots import ReliabilityDisplay, ScoresDisplay

    said = [f"{len(found)} cases were held out ({found.method}) and predicted in {found.total} minutes."]
    said += [ReliabilityDisplay.of_coverage(found).words, ReliabilityDisplay.of_overrun(found).words]
    if len(found.scores) > 1:
        said.append(ScoresDisplay.from_calibration(found).words)
    if found.left_out:
        said.append(f"{found.left_out} cases were not judged, because the data checks take something for a slip.")
    return said


def _flags(cases: Cases) -> list[str]:
    kinds: dict[Any, int] = cases.warnings["kind"].value_counts().to_dict() if len(cases.warnings) else {}
    told = ", ".join(f"{str(kind).replace('_', ' ')} {n}" for kind, n in kinds.items())
    said = [f"Kept, with little weight where far off: {told}." if told else "Nothing looks wrong."]
    return said + [f"{note[0].upper()}{note[1:]}." for note in cases.notes]


def _methods(cases: Cases, model: TheatreTimeModel, found: Calibration | None, settings: str) -> str:
    fitted = model.fitted_
    search = f" from {model.starts} starts" if fitted.estimator == "mm" else ""
    prior = (
        "no prior"
        if fitted.prior == "none"
        else f"Gaussian priors from published series and stated assumptions ({fitted.prior})"
    )
    dates = span_of(operation_dates(cases.frame))
    said = [
        f"Theatre times of {len(cases):,} cases{f' ({dates})' if dates else ''} were modelled with lobetime "
        f"{_core.__version__}. {EQUATIONS}",
        "Logarithms of recorded minutes, and of what is left of recorded sums, were fitted by robust nonlinear least "
        f"squares ({_LOSSES.get(fitted.loss, fitted.loss)}, {fitted.estimator.upper()} estimation{search}, seed "
        f"{model.seed}) with {prior}; unfinished morcellations entered as lower bounds. Intervals are 95 % sandwich "
        "intervals (HC2, delta method).",
    ]
    if found is not None:
        said.append(
            f"Forecasts were judged on {len(found)} held-out cases ({found.method}{settings}) by "
            "coverage, overrun at the booked risk and the continuous ranked probability score."
        )
    return " ".join(said)


def _citation(cases: Cases, model: TheatreTimeModel) -> str:
    fitted, dates = model.fitted_, span_of(operation_dates(cases.frame))
    parts = [
        "equations for tissue, enucleation, blade time, morcellation, canister swaps and room time as named above",
        _LOSSES.get(fitted.loss, fitted.loss),
        f"{fitted.estimator.upper()} estimation",
        f"prior: {fitted.prior}",
        f"n = {len(cases):,} cases",
        *([dates] if dates else []),
        f"seed {model.seed}",
    ]
    return (
        "The lobetime authors. lobetime: theatre time for transurethral endoscopic enucleation of the prostate, "
        f"version {_core.__version__} [computer software]. Fit: {'; '.join(parts)}."
    )


def _sources(model: TheatreTimeModel) -> list[str]:
    """Journal, year, DOI: the series that the prior was pooled from, and what else its numbers cite."""
    if model.fitted_.prior == "none":
        return []
    texts = list(dict.fromkeys(map(str, model.params_["source"])))
    studies = {study for text in texts for study in re.findall(r"\bE\d\d\b", text)}
    series = evidence_table()
    cited = list(series.loc[series["id"].str[:3].isin(studies), "citation"])
    cited += [found for text in texts for found in _CITATION.findall(text)]
    kept: list[str] = []
    for one in dict.fromkeys(cited):
        if not any(other.startswith(one) for other in kept):
            kept.append(one)
    return kept


def _png(figure: Figure) -> bytes:
    from matplotlib import pyplot

    held = io.BytesIO()
    figure.savefig(held, format="png", dpi=220)
    pyplot.close(figure)
    return held.getvalue()


def _pictures(cases: Cases, model: TheatreTimeModel, found: Calibration | None, seed: int) -> list[Picture]:
    from .plots import ReliabilityDisplay, TimeVolumeDisplay, new_figure
    from .plots.style import draw_legend, titled_legend

    recorded = [time for time in ("theatre", "enucleation", "morcellation") if f"{time}_min" in cases.frame]
    figure = new_figure((5.6, 3.15), "")
    ax = figure.add_subplot()
    time: Any = recorded[0] if recorded else "theatre"
    display = TimeVolumeDisplay.from_model(model, cases, time=time, seed=seed).plot(ax, legend=False)
    ax.set_title("")
    draw_legend(ax, own=True, columns=2)
    caption = f"{time.capitalize()} time against gland volume: the unit's cases, and the model for its mix of cases."
    pictures = [Picture(_png(figure), display.words, caption)]
    if found is not None:
        figure = new_figure((5.6, 3.15), "")
        left, right = figure.subplots(1, 2)
        panels = ReliabilityDisplay.of_coverage(found), ReliabilityDisplay.of_overrun(found)
        for panel, ax in zip(panels, (left, right), strict=True):
            panel.plot(ax, legend=False)
        titled_legend(figure, "", [left, right], columns=2)
        caption = f"{len(found)} held-out cases ({found.method}): intervals that held the outcome, slots overrun."
        pictures.append(Picture(_png(figure), " ".join(panel.words for panel in panels), caption))
    return pictures
