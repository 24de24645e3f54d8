"""What people read of a model, compared with stored outputs.

The stored files come from a stored model, so that no fit and no machine moves a digit. After a wanted change::

    LOBETIME_RENEW=1 python -m pytest tests/python/test_outputs.py

writes them again; read the difference before it is committed.
"""

from __future__ import annotations

import html.parser
import os
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import lobetime as lt
from lobetime.calibration import Calibration
from lobetime.markup import Table, latex, safe
from lobetime.report import unit_report
from lobetime.rounding import at, decimals_of, interval

DATA = Path(__file__).parent / "data"
RENEW = bool(os.environ.get("LOBETIME_RENEW"))


def same(name: str, text: str) -> None:
    """``text`` is the stored file, or becomes it."""
    path = DATA / name
    if RENEW:
        path.write_text(text, encoding="utf-8")
    assert path.read_text(encoding="utf-8") == text


@pytest.fixture(scope="module")
def stored():
    return lt.load_model(DATA / "unit_model.json")


@pytest.fixture(scope="module")
def slots_of(stored):
    bookings = lt.read_bookings(
        pd.DataFrame(
            {
                "case_id": ["one", "two <b>", None],
                "gland_ml": [60.0, 130.0, 400.0],
                "surgeon": ["A", "B", "nobody"],
                "blade": "oscillating",
                "suction": "vacuum",
                "canister_ml": [2000.0, np.inf, np.nan],
            }
        )
    )
    return stored.predict(bookings, draws=2000)


def held_out() -> Calibration:
    """A calibration made by hand: 120 outcomes, a little too often in the middle of their forecasts."""
    place = 0.5 + 0.45 * np.sin(np.linspace(-np.pi / 2, np.pi / 2, 120))
    rows = pd.DataFrame({"row": np.arange(120), "fitted_to": 300, "observed_min": 120.0, "place": place})
    scores = pd.DataFrame({"crps_min": [15.0, 16.5], "ratio": [1.0, 1.1]}, index=["lobetime", "last ten"])
    return Calibration(rows, "theatre", "rolling, 3 folds", 2, scores.rename_axis("predictor"))


# ------------------------------------------------------------------------------------------------ stored outputs


def test_summary_as_text(stored):
    same("summary.txt", str(stored.summary()))


def test_summary_as_html(stored):
    same("summary.html", stored.summary().to_html())


def test_summary_as_latex(stored):
    same("summary.tex", stored.summary().to_latex())


def test_model_in_a_notebook(stored):
    same("model.html", stored._repr_html_())


def test_slots_in_a_notebook(slots_of):
    same("slots.html", lt.slots(slots_of)._repr_html_())


def test_cases_in_a_notebook(cases):
    same("cases.html", cases._repr_html_())


def test_report(stored, cases):
    page = unit_report(cases, stored, calibration=held_out()).to_html()
    same("report.html", re.sub(r"(data:image/png;base64,)[A-Za-z0-9+/=]+", r"\1...", page))


# ------------------------------------------------------------------------------------------------------- rounding


@pytest.mark.parametrize(
    ("error", "decimals", "shown"),
    [
        (0.0231, 3, "0.023"),
        (0.0996, 2, "0.10"),  # two digits of 0.10, not 0.0996 at three
        (1.04, 1, "1.0"),
        (9.96, 0, "10"),
        (23.4, 0, "23"),
        (167.0, -1, "170"),
        (1234.0, -2, "1200"),
        (1e-12, 6, "0.000000"),
    ],
)
def test_an_error_has_two_significant_digits(error, decimals, shown):
    assert decimals_of(error) == decimals
    assert at(error, decimals) == shown


@pytest.mark.parametrize("error", [0.0, np.nan, np.inf, -1.0])
def test_without_an_error_there_is_no_place(error):
    assert decimals_of(error) is None
    assert at(1234.567, None) == "1235"


def test_an_estimate_stands_at_the_place_of_its_error_and_zero_has_no_sign():
    assert at(306.345, decimals_of(167.0)) == "310"
    assert at(-0.0004, decimals_of(0.023)) == "0.000"
    assert interval(-0.0047, 0.1861, 3) == "-0.005 to 0.186"
    assert interval(np.nan, 0.66, 2) == "up to 0.66"
    assert interval(0.66, np.nan, 2) == "from 0.66"
    assert interval(np.nan, np.nan, 2) == "open"


def test_every_row_of_a_summary_is_rounded_from_its_table(stored):
    """Independent of the rounding code: the shown estimate is within half a unit of its last place."""
    summary = stored.summary()
    shown = {row[1]: row for table in summary.tables()[:2] for row in table.rows}
    assert set(shown) == set(summary.table.index)
    for name, row in summary.table.iterrows():
        _, _, estimate, error, _, unit, source = shown[name]
        value = np.exp(row["estimate"]) if unit == "ratio" else row["estimate"]
        size = row["standard_error"] * (value if unit == "ratio" else 1.0)
        digits = error.replace(".", "").lstrip("0")
        assert len(digits.rstrip("0") or "0") <= 2
        half = 0.5 * 10.0 ** -len(estimate.partition(".")[2]) if "." in estimate else 0.5 * 10.0 ** (len(digits) - 2)
        assert abs(float(estimate) - value) <= half * 1.000001
        assert float(error) == pytest.approx(size, rel=0.06)
        assert source in ("cases", "published", "common practice", "assumption")


def test_standard_errors_are_those_of_the_intervals(stored):
    """Symmetric intervals on the identity scale are estimate -+ 1.96 standard errors; on the log scale in logs."""
    table, scale = stored.summary().table, stored.params_["scale"]
    closed = table["open"] == ""
    for name, row in table[closed].iterrows():
        if scale[name] == "log":
            assert np.log(row["upper"] / row["estimate"]) == pytest.approx(
                1.959964 * row["standard_error"] / row["estimate"]
            )
        else:
            assert row["upper"] - row["estimate"] == pytest.approx(1.959964 * row["standard_error"])


def test_a_held_parameter_says_so(cases):
    model = lt.TheatreTimeModel(estimator="m", fixed={"e_learn": 0.0}).fit(cases)
    row = next(row for row in model.summary().tables()[0].rows if row[1] == "e_learn")
    assert row[2:] == ("0", "", "held", "", "held by the user")


# -------------------------------------------------------------------------------------------------------- markup


class Reader(html.parser.HTMLParser):
    """Tags that are opened are closed; headings of tables have scopes; what is said as text."""

    def __init__(self):
        super().__init__()
        self.open, self.words, self.scopes, self.alts, self.tags = [], [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        attrs = dict(attrs)
        if tag == "th":
            self.scopes.append(attrs.get("scope"))
        if tag == "img":
            self.alts.append(attrs.get("alt"))
        if tag not in ("meta", "img", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)


def read(text):
    reader = Reader()
    reader.feed(text)
    assert reader.open == []
    return reader


def test_texts_of_a_file_cannot_become_markup(slots_of):
    shown = lt.slots(slots_of)._repr_html_()
    assert "two <b>" not in shown
    assert "two &lt;b&gt;" in shown
    assert "two <b>" in "".join(read(shown).words)
    assert safe('<script>"&\n\x1b') == "&lt;script&gt;&quot;&amp; \\x1b"


def test_tables_have_captions_and_scopes(stored, slots_of, cases):
    for text in (stored.summary().to_html(), stored._repr_html_(), slots_of._repr_html_(), cases._repr_html_()):
        reader = read(text)
        assert reader.tags.count("caption") == reader.tags.count("table") >= 1
        assert set(reader.scopes) == {"col", "row"}


def test_latex_is_escaped_and_balanced(stored):
    assert latex("50 % of a_b & $x$ ± {1}") == r"50 \% of a\_b \& \$x\$ $\pm$ \{1\}"
    text = stored.summary().to_latex()
    assert text.count(r"\begin{tabular}") == text.count(r"\end{tabular}") == 2
    body = [line for line in text.splitlines() if line.endswith(r"\\")]
    assert all(len(re.findall(r"(?<!\\)&", line)) in (4, 6) for line in body)
    assert "surgeon_" not in text.replace(r"\_", "_")


def test_text_tables_align():
    text = Table("t", ["a", "number"], [("x", "1"), ("long name", "1000")], right=[1]).to_text()
    assert text == "a          number\n-----------------\nx               1\nlong name    1000"


def test_slots_are_a_plain_data_frame_to_everybody_else(slots_of):
    table = lt.slots(slots_of)
    assert isinstance(table, pd.DataFrame)
    assert type(table.head(1)) is type(table[["slot_min"]]) is type(table.copy()) is pd.DataFrame
    assert table["slot_min"].iloc[0] > 0


def test_a_plan_in_a_notebook_names_lists_cases_and_who_is_left_out(stored):
    unit = lt.datasets.load_demo_unit()
    pred = stored.predict(lt.read_bookings(unit.bookings.head(8), quiet=True), draws=500)
    plan = lt.plan_lists(pred, unit.bookings.head(8), unit.sessions, draws=1000, verify_draws=10_000)
    reader = read(plan._repr_html_())
    words = " ".join(reader.words)
    for name in [*plan.lists["session_id"], *plan.cases["case_id"], *plan.unplaced["case_id"], lt.CAUTION]:
        assert name in words
    assert set(reader.scopes) == {"col", "row"}


# -------------------------------------------------------------------------------------------- what objects say


def test_reprs_say_what_is_in_them(cases, stored, slots_of):
    assert repr(cases).startswith("<Cases: 420 cases; glands: median 77 mL, 21 to 550")
    assert "2023-01-05 to 2025-12-29" in repr(cases)
    assert repr(stored).startswith("TheatreTimeModel(")
    assert repr(stored).endswith("# fitted to 420 cases, glands median 77 mL, 21 to 293, surgeons 5")
    assert "not fitted" in lt.TheatreTimeModel()._repr_html_()
    assert "# fitted" not in repr(lt.TheatreTimeModel())
    assert re.search(r"3 cases, 2000 draws, median \d+ to \d+ min", repr(slots_of))


def test_a_notebook_gets_our_view_of_the_model_and_not_a_settings_diagram(stored):
    bundle = stored._repr_mimebundle_()
    assert bundle["text/html"] == stored._repr_html_()
    assert "no stops" in bundle["text/html"]
