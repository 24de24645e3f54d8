"""The page of a unit: whole, self-contained, on one sheet, readable aloud, and without anybody in it."""

from __future__ import annotations

import base64
import contextlib
import json
import re
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

import lobetime as lt
from lobetime.calibration import Calibration
from lobetime.cli.program import app
from lobetime.datasets import draw_truth, simulate_unit
from lobetime.report import EQUATIONS, unit_report

HISTORY = Path(lt.datasets.__file__).parent / "demo_history.csv"


@pytest.fixture(scope="module")
def quick(cases):
    return lt.TheatreTimeModel(estimator="m").fit(cases)


@pytest.fixture(scope="module")
def found(quick, cases):
    return quick.calibration(cases, folds=2, draws=300, baselines=False)


@pytest.fixture(scope="module")
def page(quick, cases, found):
    return unit_report(cases, quick, calibration=found)


def words_of(page):
    text = re.sub(r"data:[^\"]+|<style>.*?</style>", "", page.to_html(), flags=re.S)
    return " ".join(re.sub(r"<[^>]+>", " ", text).split())


def test_the_page_says_what_model_and_calibration_say(page, quick, cases, found):
    words = words_of(page)
    assert "cases: 420" in words
    at = found.overrun.loc[0.2]
    assert f"Of slots booked at 20 %, {100 * at['realised']:.0f} % were overrun in {len(found)} held-out cases" in words
    finished = cases.frame["theatre_min"][
        cases.frame["morcellation_outcome"].fillna("complete").eq("complete") & cases.frame["theatre_min"].notna()
    ]
    assert f"{len(finished)} finished cases): half took less than {finished.median():.0f} min" in words
    own = int((quick.params_["origin"] == "fitted from cases").sum())
    assert f"{own} of {len(quick.params_)} numbers" in words
    shown = {row[1]: row for row in page.parameters.rows}
    assert set(shown) == {name for name in quick.params_.index if not name.startswith("surgeon_")}
    for kind in cases.warnings["kind"].unique():
        assert kind.replace("_", " ") in words
    assert lt.CAUTION in words.replace("&#x27;", "'")


def test_a_paper_finds_what_it_has_to_say(page, quick):
    for part in (f"lobetime {lt.__version__}", "bisquare", "M estimation", "seed 1", "2023-01-05 to 2025-12-29", "420"):
        assert part in page.methods
    assert EQUATIONS in page.methods
    for symbol in re.findall(r"\b[a-z]+_[a-z0-9_]+\b", EQUATIONS):
        assert symbol in quick.params_.index
    for part in (f"version {lt.__version__}", "bisquare", "prior: published", "n = 420 cases", "2023-01-05", "seed 1"):
        assert part in page.citation


def test_sources_are_those_of_the_shipped_evidence(page, quick):
    text = " ".join(quick.params_["source"])
    series = lt.evidence_table()
    for study in set(re.findall(r"\bE\d\d\b", text)):
        for citation in series.loc[series["id"].str.startswith(study), "citation"]:
            assert citation in page.sources
    for one in page.sources:  # nothing that is not in the evidence or in a parameter's source
        assert one in set(series["citation"]) or one in text
    assert len(page.sources) == len(set(page.sources))
    assert sum(bool(re.search(r"(19|20)\d\d", one)) for one in page.sources) > 10


def test_without_a_prior_no_evidence_is_cited(cases, found):
    kept = ["gland_ml", "tissue_g", "operated_on", "blade", "suction", "canister_ml", "canister_swaps"]
    kept += ["surgeon", "surgeon_case_no", "enucleation_min", "morcellation_min", "operative_min", "theatre_min"]
    try:
        model = lt.TheatreTimeModel(estimator="m", prior=None).fit(cases)
    except lt.NotIdentifiable:
        held = {name: 1.0 for name in ("flow_wall",)} | {"suction_wall": 0.0, "flow_wall": 250.0}
        model = lt.TheatreTimeModel(estimator="m", prior=None, fixed=held).fit(cases)
    page = unit_report(cases, model, calibration=found)
    assert page.sources == []
    assert "no prior" in page.methods
    assert "none: the prior was left out" in words_of(page)


def test_nobody_is_in_it(page, cases):
    """No case, no case id, no surgeon's code, no device's."""
    text = page.to_html()
    words = words_of(page)
    for name in cases.frame["case_id"].dropna():
        assert name not in text
    for code in cases.frame["surgeon"].dropna().unique():
        assert not re.search(rf"(?i)surgeon {code}\b", words)
    assert "surgeon_" not in words
    assert len(page.table) < 40


def test_codes_that_are_words_stay_out_of_it(cases):
    frame = cases.frame.copy()
    frame["surgeon"] = frame["surgeon"].map(lambda code: f"Zebedee{code}" if isinstance(code, str) else code)
    frame["device"] = np.where(np.arange(len(frame)) % 2, "Quagga1", "Quagga2")
    named = lt.read_cases(frame, quiet=True)
    model = lt.TheatreTimeModel(estimator="m").fit(named)
    assert model.params_.index.str.contains("Quagga").any()
    found = Calibration(
        pd.DataFrame({"row": [0], "fitted_to": 9, "observed_min": 100.0, "place": 0.5}),
        "theatre",
        "rolling",
        0,
        pd.DataFrame({"crps_min": [1.0], "ratio": [1.0]}, index=["lobetime"]),
    )
    text = unit_report(named, model, calibration=found).to_html()
    assert "Zebedee" not in text
    assert "Quagga" not in text


def test_it_stands_alone(page):
    text = page.to_html()
    assert not re.search(r"<script|<link|<iframe|@import|url\(|https?://|javascript:|\son\w+=", text, re.I)
    assert "default-src 'none'" in text
    sources = re.findall(r'src="([^"]{30})', text)
    assert len(sources) == 2
    assert all(src.startswith("data:image/png;base64,") for src in sources)
    for encoded in re.findall(r"base64,([A-Za-z0-9+/=]+)", text):
        assert base64.b64decode(encoded).startswith(b"\x89PNG")
    assert re.search(r'<html lang="en">', text)


def test_pictures_say_their_finding(page):
    alts = re.findall(r'alt="([^"]+)"', page.to_html())
    assert alts[0].startswith("Median theatre time rises from")
    assert "Of slots booked at 20 %" in alts[1]
    assert [one.words for one in page.pictures] == [alt.replace("&#x27;", "'") for alt in alts]


def test_a_pdf_is_one_tagged_sheet(page, caplog):
    pytest.importorskip("weasyprint")
    written = page.to_pdf()
    assert written.startswith(b"%PDF")
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", written, flags=re.S)
    plain = written
    for stream in streams:
        with contextlib.suppress(zlib.error):
            plain += zlib.decompress(stream)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", plain)) == 1
    assert b"/StructTreeRoot" in plain
    assert b"/Alt" in plain
    assert b"pdfuaid:part" in plain
    assert caplog.records == []


def test_a_pdf_without_its_library_says_what_to_install(page, monkeypatch):
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(ImportError, match=r"pip install 'lobetime\[report\]'"):
        page.to_pdf()


def test_only_a_page_can_be_written(page, tmp_path):
    with pytest.raises(lt.InvalidArgument, match=r"ends in \.html or \.pdf"):
        page.save(tmp_path / "report.docx")
    assert list(tmp_path.iterdir()) == []
    page.save(tmp_path / "report.html")
    assert (tmp_path / "report.html").read_text(encoding="utf-8") == page.to_html()
    assert "report.html" in repr(page)


def test_the_model_must_be_of_these_cases(cases):
    with pytest.raises(lt.InvalidArgument, match="fitted to these cases"):
        unit_report(cases, lt.TheatreTimeModel())


@pytest.mark.parametrize("n", [6, 40])
def test_a_bare_file_has_its_page(n):
    """Gland and theatre time are enough; with a handful of cases nothing is held out, and that is said."""
    frame = simulate_unit(60, seed=3, truth=draw_truth(9))[["gland_ml", "theatre_min"]].dropna().head(n)
    cases = lt.read_cases(frame, quiet=True)
    page = unit_report(cases, lt.TheatreTimeModel(estimator="m").fit(cases), draws=200)
    words = words_of(page)
    assert f"cases: {n}" in words
    assert "none recorded" in words
    assert ("held-out cases" in words) == (len(page.pictures) == 2)
    if len(page.pictures) == 1:
        assert "Not known: calibration needs" in words
    assert "kfold" in words or "Not known" in words


# --------------------------------------------------------------------------------------------------- command line


def small(tmp_path):
    frame = simulate_unit(50, seed=4, truth=draw_truth(10))
    frame.to_csv(tmp_path / "unit.csv", index=False)
    return tmp_path / "unit.csv"


def test_report_command_writes_the_page_and_the_numbers(tmp_path):
    out, csv = tmp_path / "page.html", tmp_path / "numbers.csv"
    told = CliRunner().invoke(
        app, ["report", str(small(tmp_path)), "--out", str(out), "--csv", str(csv), "--json", "--folds", "2"]
    )
    assert told.exit_code == 0, told.output
    content = json.loads(told.stdout)
    assert content["command"] == "report"
    assert content["facts"]["cases"] == "50"
    text = out.read_text(encoding="utf-8")
    assert content["citation"].split(";")[0] in text.replace("&#x27;", "'")
    numbers = pd.read_csv(csv)
    assert list(numbers["symbol"]) == [row["symbol"] for row in content["parameters"]]
    assert lt.CAUTION in told.stdout


def test_report_command_for_people(tmp_path):
    out = tmp_path / "page.html"
    told = CliRunner().invoke(app, ["report", str(small(tmp_path)), "--out", str(out), "--folds", "2"])
    assert told.exit_code == 0, told.output
    said = " ".join(told.stdout.split())
    assert "A unit of 50 past cases" in said
    assert "Page written to" in said
    assert lt.CAUTION in said


@pytest.mark.parametrize(("name", "said"), [("page.docx", "does not end in .html or .pdf"), ("no/page.html", "folder")])
def test_report_command_refuses_at_once(tmp_path, name, said):
    told = CliRunner().invoke(app, ["report", str(small(tmp_path)), "--out", str(tmp_path / name)])
    assert told.exit_code == 2
    assert said in " ".join(told.stderr.split()).replace("│ ", "")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["unit.csv"]


def test_report_command_refuses_bad_data_whole(tmp_path):
    (tmp_path / "bad.csv").write_text("gland_ml,theatre_min\nbig,100\n80,-3\n")
    out = tmp_path / "page.html"
    told = CliRunner().invoke(app, ["report", str(tmp_path / "bad.csv"), "--out", str(out)])
    assert told.exit_code == 1
    assert "2 problems" in told.stderr
    assert not out.exists()


def test_a_date_after_today_is_in_no_span():
    frame = lt.datasets.load_demo_unit().history
    frame.loc[5, "operated_on"] = "2062-05-03"
    told = lt.report.unit_report(lt.read_cases(frame, quiet=True), folds=2, draws=200)
    assert "2062" not in told.to_html()
    assert told.facts["operated on"].startswith("20")


def test_report_command_drops_what_identifies(tmp_path):
    frame = pd.read_csv(small(tmp_path)).assign(**{"Patient name": "Ada Example"})
    frame.to_csv(tmp_path / "named.csv", index=False)
    command = ["report", str(tmp_path / "named.csv"), "--out", str(tmp_path / "page.html"), "--folds", "2"]
    refused = CliRunner().invoke(app, command)
    assert refused.exit_code == 1
    assert "can identify a patient" in " ".join(refused.stderr.split())
    told = CliRunner().invoke(app, [*command, "--drop", "Patient name"])
    assert told.exit_code == 0, told.output
    assert "Example" not in told.output + (tmp_path / "page.html").read_text(encoding="utf-8")


def test_help_needs_neither_pictures_nor_pages():
    code = (
        "import sys; from typer.testing import CliRunner; from lobetime.cli.program import app; import lobetime.cli\n"
        "r = CliRunner().invoke(app, ['report', '--help']); assert r.exit_code == 0, r.output\n"
        "assert not {'matplotlib.pyplot', 'weasyprint'} & set(sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
