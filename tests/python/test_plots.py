"""Displays: what is drawn are the numbers that were computed, read back from the artists; units; told apart in grey."""

from __future__ import annotations

import itertools
import math

import matplotlib

matplotlib.use("Agg")

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot
from matplotlib.colors import to_rgb

import lobetime as lt
from lobetime import plots
from lobetime import quantities as q
from lobetime.calibration import looks_mistyped
from lobetime.scores import binomial_band


@pytest.fixture(autouse=True)
def closed():
    yield
    pyplot.close("all")


@pytest.fixture(scope="module")
def quick(cases):
    return lt.TheatreTimeModel(estimator="m").fit(cases)


@pytest.fixture(scope="module")
def found(quick, cases):
    return quick.calibration(cases, folds=2, draws=300)


@pytest.fixture(scope="module")
def pred(quick):
    return quick.predict(lt.read_bookings(lt.datasets.load_demo_unit().bookings, quiet=True), draws=1000)


def line(ax, label):
    """Data of the line with this label."""
    (one,) = [one for one in ax.get_lines() if one.get_label() == label]
    return one.get_xdata(), one.get_ydata()


def marks(ax, start):
    """Offsets of the marks whose label starts so."""
    (one,) = [one for one in ax.collections if str(one.get_label()).startswith(start)]
    return np.asarray(one.get_offsets())


def band_ends(ax, label):
    """Lower and upper edge of a filled band, by x."""
    (one,) = [one for one in ax.collections if one.get_label() == label]
    vertices = one.get_paths()[0].vertices
    frame = pd.DataFrame(vertices, columns=["x", "y"]).groupby("x")["y"]
    return frame.min(), frame.max()


# ------------------------------------------------------------------------------------------------ time against volume


def test_time_against_volume_draws_its_curve_its_bands_and_every_case(quick, cases):
    display = plots.TimeVolumeDisplay.from_model(quick, time="enucleation", draws=200).plot()
    ax = display.ax_
    x, y = line(ax, "half take less")
    np.testing.assert_array_equal(x, display.curve["gland_ml"])
    np.testing.assert_array_equal(y, display.curve["median_min"])
    for label, ends in (("80 of 100 cases lie here", "80"), ("50 of 100", "50")):
        low, high = band_ends(ax, label)
        np.testing.assert_allclose(low.to_numpy(), display.curve[f"low{ends}_min"])
        np.testing.assert_allclose(high.to_numpy(), display.curve[f"high{ends}_min"])
    slips = looks_mistyped(cases.frame)
    recorded = cases.frame["enucleation_min"].notna()
    drawn = marks(ax, "case of the unit")
    np.testing.assert_array_equal(drawn, cases.frame.loc[recorded & ~slips, ["gland_ml", "enucleation_min"]])
    assert len(marks(ax, "looks mistyped")) == int((recorded & slips).sum())
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("gland volume (mL)", "enucleation time (min)")


def test_the_curve_is_the_models_own(quick):
    """Against the quantity: the median over the unit's mix lies between its fastest and slowest surgeon's median."""
    curve = plots.TimeVolumeDisplay.from_model(quick, time="enucleation", draws=400).curve
    for gland, median in curve.iloc[[3, 10, 17]][["gland_ml", "median_min"]].to_numpy():
        per = [
            q.enucleation_min(gland, surgeon=code, surgeon_case_no=case)
            for code, case in zip(quick.surgeons_.index, quick.surgeons_["last_case_no"], strict=True)
        ]
        at = [one.of(quick.fitted_).value(quick.fitted_.theta) for one in per]
        assert min(at) < median < 1.4 * max(at)
    assert curve["median_min"].is_monotonic_increasing
    ordered = curve[["low80_min", "low50_min", "median_min", "high50_min", "high80_min"]].to_numpy()
    assert (np.diff(ordered, axis=1) > 0).all()


def test_share_within_is_counted_from_the_drawn_band(quick):
    display = plots.TimeVolumeDisplay.from_model(quick, draws=200)
    rows = display.cases[~display.cases["unfinished"] & ~display.cases["mistyped"]]
    inside = 0
    for gland, minutes in rows[["gland_ml", "minutes"]].to_numpy():
        ends = [np.interp(gland, display.curve["gland_ml"], display.curve[f"{end}80_min"]) for end in ("low", "high")]
        inside += ends[0] <= minutes <= ends[1]
    assert display.share_within == pytest.approx(inside / len(rows))
    assert 0.7 < display.share_within < 0.92  # a fit that suits its own cases
    assert f"{100 * display.share_within:.0f} %" in display.words


def test_unfinished_morcellations_have_a_mark_of_their_own(quick, cases):
    display = plots.TimeVolumeDisplay.from_model(quick, time="morcellation", draws=100).plot()
    outcome = cases.frame["morcellation_outcome"].fillna("complete") != "complete"
    there = outcome & cases.frame["morcellation_min"].notna() & ~looks_mistyped(cases.frame)
    assert len(marks(display.ax_, "not finished")) == int(there.sum()) > 0


def test_a_model_without_cases_draws_the_curve_alone(quick, tmp_path):
    quick.save(tmp_path / "unit.json")
    loaded = lt.load_model(tmp_path / "unit.json")
    for model in (loaded, lt.TheatreTimeModel()):
        display = plots.TimeVolumeDisplay.from_model(model, draws=100).plot()
        assert display.cases.empty
        assert math.isnan(display.share_within)
        assert "own cases" not in display.words
    with pytest.raises(lt.InvalidArgument, match="time must be 'theatre'"):
        plots.TimeVolumeDisplay.from_model(quick, time="haste")


# ------------------------------------------------------------------------------------------------------- phases


def test_phases_add_up_and_are_drawn_as_they_are(pred):
    display = plots.CasePhasesDisplay.from_prediction(pred, pred.case_ids[:2]).plot()
    ax = display.ax_
    table = display.rows.set_index(["case_id", "phase"])
    for k, name in enumerate(pred.case_ids[:2]):
        means = pred.draws[k].mean(axis=0)
        own = table.loc[name]
        np.testing.assert_allclose(own["mean_min"].iloc[:4], means)
        assert own.loc["total", "mean_min"] == pytest.approx(means.sum())
        assert own.loc["total", "q90_min"] == pytest.approx(pred.quantile(0.9)[0.9][name])
        bars = [c.patches[k] for c in ax.containers]
        np.testing.assert_allclose([b.get_width() for b in bars], means)
        np.testing.assert_allclose([b.get_x() for b in bars], np.concatenate([[0], np.cumsum(means)[:-1]]))
    slots = lt.slots(pred, overrun_risk=0.2)["slot_min"]
    x, _ = line(ax, "slot")
    np.testing.assert_array_equal(x, slots.iloc[:2])
    assert len({bar.patches[0].get_hatch() or bar.patches[0].get_facecolor() for bar in ax.containers}) == 4
    assert "minutes" in ax.get_xlabel()


def test_phases_of_a_case_that_is_not_there(pred):
    with pytest.raises(lt.InvalidArgument, match="no booking is called 'nobody'; known: INV-B001"):
        plots.CasePhasesDisplay.from_prediction(pred, "nobody")
    bare = plots.CasePhasesDisplay.from_prediction(pred, pred.case_ids[0], overrun_risk=None).plot()
    assert bare.slots is None
    assert pred.case_ids[0] in bare.words


# ------------------------------------------------------------------------------------------------- learning curves


def test_learning_curves_are_the_quantities_with_their_intervals(quick, cases):
    display = plots.LearningCurveDisplay.from_model(quick, gland_ml=90).plot()
    for code, rows in display.curves.groupby("surgeon"):
        asked = [q.enucleation_min(90, surgeon=code, surgeon_case_no=k, name=str(k)) for k in rows["case_no"]]
        expected = quick.conf_int(functions=asked)
        np.testing.assert_allclose(rows[["minutes", "lower", "upper"]], expected[["estimate", "lower", "upper"]])
        x, y = line(display.ax_, f"surgeon {code}")
        np.testing.assert_array_equal(x, rows["case_no"])
        np.testing.assert_array_equal(y, rows["minutes"])
        numbers = cases.frame.loc[cases.frame["surgeon"] == code, "surgeon_case_no"]
        assert (rows["case_no"].iloc[0], rows["case_no"].iloc[-1]) == (numbers.min(), numbers.max())


@pytest.mark.parametrize("phase", ["enucleation", "morcellation"])
def test_cases_are_brought_to_the_same_gland_by_the_models_own_ratio(quick, cases, phase):
    """The residual of a case about its own curve is the same before and after."""
    display = plots.LearningCurveDisplay.from_model(quick, phase=phase, gland_ml=70)
    frame = cases.frame
    there = frame[f"{phase}_min"].notna() & frame["surgeon"].notna() & frame["surgeon_case_no"].notna()
    if phase == "morcellation":
        there &= frame["morcellation_outcome"].fillna("complete") == "complete"
    there &= ~looks_mistyped(frame)
    assert len(display.cases) == int(there.sum())
    seen = quick.diagnostics(cases).observations.query("channel == @phase").set_index("case_index")
    residual = (seen["recorded"] / seen["fitted"]).reindex(frame.index[there]).to_numpy()
    quantity = q.enucleation_min if phase == "enucleation" else q.morcellation_min
    fitted = quick.fitted_
    curve = [
        quantity(70, surgeon=row.surgeon, surgeon_case_no=row.case_no).of(fitted).value(fitted.theta)
        for row in display.cases.itertuples()
    ]
    shown = (display.cases["minutes"] / curve).to_numpy()
    known = np.isfinite(residual)
    if phase == "enucleation":
        known &= frame["trainee"][there].notna().to_numpy()  # blank: the fit takes a share of a trainee
        np.testing.assert_allclose(shown[known], residual[known], rtol=1e-6)
    else:  # the display takes the tissue that the gland lets expect, the fit the weighed one
        assert np.corrcoef(np.log(shown[known]), np.log(residual[known]))[0, 1] > 0.8
        assert abs(np.median(np.log(shown[known] / residual[known]))) < 0.1
    assert known.sum() > 250


def test_panels_hold_every_case_of_their_surgeon(quick):
    display = plots.LearningCurveDisplay.from_model(quick).plot_panels()
    codes = list(dict.fromkeys(display.curves["surgeon"]))
    assert len(display.axes_) == len(codes)
    for ax, code in zip(display.axes_, codes, strict=True):
        own = display.cases[display.cases["surgeon"] == code]
        np.testing.assert_array_equal(marks(ax, "case"), own[["case_no", "minutes"]])
        assert ax.get_ylabel() == "enucleation (min)"
        assert f"({len(own)} cases)" in ax.get_title()


def test_learning_curves_without_case_numbers_are_the_average_surgeons(cases):
    bare = lt.read_cases(cases.frame[["gland_ml", "enucleation_min", "theatre_min"]].dropna().head(60), quiet=True)
    model = lt.TheatreTimeModel(estimator="m").fit(bare)
    display = plots.LearningCurveDisplay.from_model(model).plot()
    assert set(display.curves["surgeon"]) == {"the unit's average"}
    assert display.cases.empty
    display.plot_panels()
    with pytest.raises(lt.InvalidArgument, match="no surgeon is called 'Z'"):
        plots.LearningCurveDisplay.from_model(model, surgeons=["Z"])


# ---------------------------------------------------------------------------------------------------------- swaps


def test_swaps_are_the_predictions_and_the_recorded_counts(quick, cases):
    display = plots.SwapsDisplay.from_model(quick, draws=500).plot()
    frame = cases.frame
    for name, rows in display.rows.groupby("option", sort=False):
        x, y = line(display.ax_, name)
        np.testing.assert_array_equal(x, rows["gland_ml"])
        np.testing.assert_array_equal(y, rows["swaps"])
        assert rows["swaps"].is_monotonic_increasing or rows["swaps"].diff().min() > -0.05  # noise of the draws
        device, _, ml = name.partition(", ")
        blade, suction = device.split("/")
        had = (frame["blade"] == blade) & (frame["suction"] == suction) & (frame["canister_ml"] == float(ml[:-3]))
        counted = had & frame["canister_swaps"].notna() & ~looks_mistyped(frame)
        assert (display.cases["option"] == name).sum() == int(counted.sum()) > 0
    assert "mL" in display.ax_.get_xlabel()
    assert display.untried == ()


def test_a_collection_that_no_case_had_is_starred(quick):
    display = plots.SwapsDisplay.from_model(quick, canisters_ml=[2000, 1500], device_classes=["oscillating/vacuum"])
    assert display.untried == ("oscillating/vacuum, 1500 mL",)
    ax = display.plot().ax_
    assert {label.get_text() for label in ax.texts} >= {"oscillating/vacuum, 1500 mL *", "oscillating/vacuum, 2000 mL"}
    assert "no case of the unit is recorded" in ax.get_xlabel()
    with pytest.raises(lt.InvalidArgument, match="a device class is blade/suction"):
        plots.SwapsDisplay.from_model(quick, device_classes=["oscillating"])


def test_device_pictures_star_what_no_case_had(quick, cases):
    told = lt.compare_devices(
        quick, cases, classes=["oscillating/vacuum", "reciprocating/vacuum"], collections=[2000, 1500], draws=256
    )
    from lobetime.devices import difference_display, efficiency_display, swaps_display

    display = swaps_display(told, [f"oscillating/vacuum, {ml} mL" for ml in (2000, 1500)])
    assert display.untried == ("oscillating/vacuum, 1500 mL",)
    for make in (efficiency_display, difference_display):
        shown = make(told, [f"oscillating/vacuum, {ml} mL" for ml in (2000, 1500)]).plot()
        labels = {text.get_text() for text in shown.ax_.texts}
        assert {"oscillating/vacuum, 1500 mL *", "oscillating/vacuum, 2000 mL"} <= labels
        assert "no case of the unit is recorded" in shown.ax_.get_xlabel()


# ----------------------------------------------------------------------------------------------------- calibration


def test_places_are_counted_and_the_band_is_the_binomials(found):
    display = plots.PitDisplay.from_calibration(found, bins=8).plot()
    heights = [bar.get_height() for bar in display.ax_.containers[0].patches]
    edges = np.linspace(0, 1, 9)
    expected = [((found.places >= a) & (found.places < b)).sum() for a, b in itertools.pairwise(edges)]
    expected[-1] += (found.places == 1).sum()
    assert heights == expected
    low, high = binomial_band(len(found), 1 / 8)
    assert display.band == (pytest.approx(low * len(found)), pytest.approx(high * len(found)))


def test_reliability_is_what_the_calibration_says(found):
    overrun = plots.ReliabilityDisplay.of_overrun(found).plot()
    coverage = plots.ReliabilityDisplay.of_coverage(found).plot()
    for display, table, column in ((overrun, found.overrun, "realised"), (coverage, found.coverage, "share")):
        rows = display.rows.set_index("stated")
        for stated in table.index.intersection(rows.index):
            assert rows.loc[stated, "realised"] == pytest.approx(table.loc[stated, column])
            assert rows.loc[stated, "band_low"] == pytest.approx(table.loc[stated, "band_low"])
        x, y = line(display.ax_, "held-out cases")
        np.testing.assert_allclose(x, 100 * display.rows["stated"])
        np.testing.assert_allclose(y, 100 * display.rows["realised"])
        assert "(%)" in display.ax_.get_xlabel()
    assert f"{100 * found.overrun.loc[0.2, 'realised']:.0f} %" in overrun.words


def test_scores_stand_beside_their_names(found):
    display = plots.ScoresDisplay.from_calibration(found).plot()
    order = found.scores["crps_min"].sort_values(ascending=False)
    names = [label.get_text() for label in display.ax_.get_yticklabels()]
    assert names[list(order.index).index("lobetime")] == "this model"
    drawn = np.concatenate([one.get_xdata() for one in display.ax_.get_lines()])
    np.testing.assert_allclose(np.sort(drawn), np.sort(order))


def test_the_page_of_a_calibration_has_all_panels(found):
    display = found.display().plot()
    assert [type(panel).__name__ for panel in display.panels] == [
        "PitDisplay",
        "ReliabilityDisplay",
        "ReliabilityDisplay",
        "ScoresDisplay",
    ]
    assert len(display.axes_) == 4
    assert display.words.count("held-out") == 3


# ---------------------------------------------------------------------------------------------------- the house style


def all_displays(quick, cases, found, pred):
    yield plots.TimeVolumeDisplay.from_model(quick, draws=100)
    yield plots.CasePhasesDisplay.from_prediction(pred)
    yield plots.LearningCurveDisplay.from_model(quick)
    yield plots.SwapsDisplay.from_model(quick, draws=100)
    yield plots.PitDisplay.from_calibration(found)
    yield plots.ReliabilityDisplay.of_overrun(found)
    yield plots.ScoresDisplay.from_calibration(found)
    yield plots.ResidualsDisplay.from_diagnostics(quick.diagnostics(cases))


def test_every_display_keeps_the_contract(quick, cases, found, pred):
    for display in all_displays(quick, cases, found, pred):
        assert "not drawn" in repr(display)
        assert len(repr(display)) < 80
        assert display.plot() is display
        assert display.ax_.get_figure() is display.figure_
        assert lt.CAUTION.split(";")[0] in display.figure_.texts[0].get_text() + display.figure_.get_supxlabel()
        for label in (display.ax_.get_xlabel(), display.ax_.get_title()):
            assert label
        figure, ax = pyplot.subplots()
        assert display.plot(ax).ax_ is ax
        assert display.figure_ is figure


def grey(colour):
    return float(np.dot(to_rgb(colour), (0.299, 0.587, 0.114)))


def test_lines_differ_without_colour():
    styles = [(str(line), marker) for _, line, marker in plots.style.LINES]
    assert len(set(styles)) == len(styles)
    lightness = [grey(colour) for colour, _, _ in plots.style.LINES[:3]]  # the usual number of lines
    assert all(abs(a - b) > 0.1 for a, b in itertools.pairwise(lightness))


def test_a_notebook_shows_a_display_once(quick, monkeypatch):
    shown = []
    monkeypatch.setattr("IPython.display.display", shown.append)
    display = plots.SwapsDisplay.from_model(quick, draws=100)
    display._ipython_display_()
    assert hasattr(display, "figure_")  # it was drawn; the notebook's own end of cell shows it
    display._ipython_display_()
    assert shown == []
    pyplot.close(display.figure_)  # as a notebook does after a cell
    display._ipython_display_()
    assert shown == [display.figure_]


def test_the_page_of_a_fit_keeps_its_legends_off_the_bars(quick, cases):
    page = plots.DiagnosticsDisplay.from_model(quick, cases, "enucleation").plot()
    page.figure_.draw_without_rendering()
    ax = page.axes_[-1]
    assert ax.get_title() == "Most influential cases"
    legend = ax.get_legend().get_window_extent()
    assert legend.y1 < ax.get_window_extent().y0


def test_lists_are_drawn_in_the_same_style():
    assert issubclass(plots.ListsDisplay, plots.style.Display)
    with pytest.raises(AttributeError, match="NoSuchDisplay"):
        _ = plots.NoSuchDisplay
