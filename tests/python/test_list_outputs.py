"""Outputs of a plan, against a made-up plan that has the frames and nothing else."""

import io
import json
import re
import sys
from datetime import UTC, date, datetime, timedelta, timezone
from html.parser import HTMLParser
from types import SimpleNamespace

import matplotlib
import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

import lobetime as lt
from lobetime.lists import _outputs
from lobetime.lists.calendar import to_icalendar
from lobetime.lists.fhir import to_fhir_bundle
from lobetime.lists.machine import to_csv_table, to_json_dict
from lobetime.lists.picture import plan_display
from lobetime.lists.room_sheet import room_sheet, room_sheet_html
from lobetime.lists.workbook import write_workbook

icalendar = pytest.importorskip("icalendar")

matplotlib.use("Agg")

STAMP = datetime(2026, 12, 1, 9, 30, tzinfo=timezone(timedelta(hours=2)))
EVIL = "=cmd|'/c x'!A1"
SHEETS = ["Lists", "Cases", "Not placed", "Stock", "Assumptions"]
NAN, INF = float("nan"), float("inf")


def made_up(case_ids=("QX-17", "<b>&amp;", EVIL, "žluť\n第二", "QX-21", "-9-lead"), **changes):
    """Three lists of two days with 3, 2 and 1 cases, the second on a continuous drain, and one case not placed."""
    sessions = pd.DataFrame(
        {
            "session_id": ["tue-am", "tue-pm", "+wed", "spare"],
            "starts_at": pd.to_datetime(
                ["2027-01-12 08:30", "2027-01-12 13:30", "2027-03-31 21:00", "2027-04-01 08:00"]
            ),
            "minutes": [240.0, 240.0, 300.0, 240.0],
            "room": ["Theatre 3", "", "<i>R&D</i>", "Theatre 3"],
            "surgeon": ["S1", "S2", "S1", "S2"],
            "max_overtime_min": [30.0, NAN, NAN, NAN],
        }
    )
    sessions["ends_at"] = sessions["starts_at"] + pd.to_timedelta(sessions["minutes"], unit="min")
    slots = {"tue-am": [60.0, 70.0, 75.0], "tue-pm": [100.0, 95.5], "+wed": [150.0]}
    glands = iter([48.0, 75.0, 130.0, 90.0, 160.0, 210.0])
    names = iter(case_ids)
    cases = []
    for session in sessions.head(3).itertuples():
        clock = 0.0
        for k, slot in enumerate(slots[session.session_id]):
            gland = next(glands)
            last = k + 1 == len(slots[session.session_id])
            drain = session.session_id == "tue-pm"
            cases.append(
                {
                    "session_id": session.session_id,
                    "position": k + 1,
                    "case_id": next(names),
                    "gland_ml": gland,
                    "surgeon": session.surgeon,
                    "blade": "oscillating",
                    "suction": "vacuum" if not drain else "wall",
                    "canister_ml": INF if drain else 2000.0,
                    "anaesthesia": "" if last else "spinal",
                    "starts_at": session.starts_at + pd.Timedelta(minutes=clock),
                    "start_min": clock,
                    "slot_min": slot,
                    "turnover_min": 0.0 if last else 15.0,
                    "median_min": slot * 0.85,
                    "q90_min": slot * 1.2,
                    "finish_q10_min": clock + slot * 0.7,
                    "finish_q50_min": clock + slot * 0.85,
                    "finish_q80_min": clock + slot,
                    "finish_q90_min": clock + slot * 1.2,
                    "swaps_median": 0.0 if drain else 2.0,
                    "swaps_q95": 0.0 if drain else 4.0,
                    "canisters_median": NAN if drain else 3.0,
                    "canisters_q95": NAN if drain else 5.0,
                    "irrigation_l_median": 18.25,
                    "irrigation_l_q95": 29.0,
                    "irrigation_bags_q95": 10,
                    "fault_chance": 0.021,
                    "hard_nodule_chance": 0.043,
                    "large": gland > 120,
                    "fixed": k == 0,
                    "days_waiting": NAN if last else 80.0,
                    "priority": "",
                    "due_by": pd.NaT if last else pd.Timestamp("2027-05-01"),
                    "warnings": "gland <above> all & sundry; surgeon not in the history" if gland > 120 else "",
                }
            )
            clock += slot + 15.0
    cases = pd.DataFrame(cases)
    last = cases.groupby("session_id", sort=False).last()
    sizes = cases.groupby("session_id", sort=False).size()
    lists = sessions.head(3)[["session_id", "starts_at", "ends_at", "minutes", "room", "surgeon"]].copy()
    lists.insert(1, "day", lists["starts_at"].dt.normalize())
    lists["n_cases"] = sizes.to_numpy()
    lists["n_large"] = cases.groupby("session_id", sort=False)["large"].sum().to_numpy()
    lists["overrun_risk"], lists["overrun_limit"] = [0.187, 0.2, 0.0002], 0.2
    lists["finish_mean_min"] = last["finish_q50_min"].to_numpy() + 4.0
    for q in (50, 80, 90):
        lists[f"finish_q{q}_min"] = last[f"finish_q{q}_min"].to_numpy()
    lists["overtime_mean_min"], lists["idle_mean_min"] = 5.25, 31.0
    lists["booked_utilisation"], lists["touch_utilisation"] = [0.98, 1.02, 0.5], [0.8, 0.79, 0.4]
    lists["device_sets"] = sizes.to_numpy()
    lists["swaps_median"], lists["swaps_q95"] = [6.0, 0.0, 2.0], [9.0, 0.0, 4.0]
    lists["canisters_median"], lists["canisters_q95"] = [9.0, NAN, 3.0], [13.0, NAN, 5.0]
    lists["irrigation_l_median"], lists["irrigation_l_q95"], lists["irrigation_bags_q95"] = 52.0, 80.0, 27
    lists["fault_chance"], lists["backup_set"] = [0.062, 0.041, 0.021], [True, False, False]
    lists["verified_risk"] = [0.188, NAN, NAN]
    lists["words"] = ["moving QX-17 to +wed takes the chance of overrun from 19 % to 12 %", "", ""]
    unplaced = pd.DataFrame(
        {
            "case_id": ["@sum(QX-99)"],
            "gland_ml": [250.0],
            "surgeon": ["S3"],
            "days_waiting": [NAN],
            "priority": ["2"],
            "due_by": [pd.Timestamp("2027-02-01")],
            "reason": ["time_alone"],
            "words": ["=too long & <large>\nfor all"],
            "best_session": [""],
            "risk_if_added": [NAN],
        }
    )
    stock = pd.DataFrame(
        {
            "day": pd.to_datetime(["2027-01-12"]),
            "what": ["device_set"],
            "which": ["oscillating/vacuum"],
            "amount": [5.0],
            "expected_use": [3.0],
            "chance_short": [0.0],
            "worth": [1.5],
            "words": ["one more set on Tuesday places 1.5 cases more"],
        }
    )
    facts = {
        "status": "within gap",
        "placed": 6,
        "waiting": 1,
        "placement_value": np.float64(6.5),
        "placement_gap": NAN,
        "overrun_risk": 0.2,
        "overrun_means": "end",
        "grace_min": 10.0,
        "seed": 1,
        "lobetime": lt.__version__,
        "origin": "published evidence alone",
        "assumptions": ["turnover median 31 min (published: made up)", "=1+1"],
    }
    plan = {
        "lists": lists,
        "cases": cases,
        "unplaced": unplaced,
        "stock_use": stock,
        "sessions": sessions,
        "facts": facts,
        "caution": lt.CAUTION,
        "backup_at": 0.05,
    }
    return SimpleNamespace(**(plan | changes))


def empty():
    plan = made_up()
    return made_up(lists=plan.lists.head(0), cases=plan.cases.head(0), stock_use=plan.stock_use.head(0))


@pytest.fixture(scope="module")
def plan():
    return made_up()


# --- words -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0, "0 %"),
        (0.0002, "<0.1 %"),
        (0.0994, "9.9 %"),
        (0.0999, "10 %"),
        (0.187, "19 %"),
        (1.02, "102 %"),
        (NAN, "-"),
    ],
)
def test_percent(share, words):
    assert _outputs.percent(share) == words


def test_clock_passes_midnight():
    start = pd.Timestamp("2027-03-31 21:00")
    assert _outputs.clock(start, 179.4) == "23:59"
    assert _outputs.clock(start, 181.0) == "00:01 (+1 day)"
    assert _outputs.clock(start, NAN) == "-"


@given(st.text())
def test_one_line_is_printable(text):
    line = _outputs.one_line(text)
    assert line.isprintable()
    assert line == _outputs.one_line(line)


# --- workbook --------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def book(plan, tmp_path_factory):
    path = tmp_path_factory.mktemp("book") / "plan.xlsx"
    write_workbook(plan, path)
    return openpyxl.load_workbook(path)


def column(sheet, heading):
    (place,) = (cell.column for cell in sheet[2] if cell.value == heading)
    return [sheet.cell(row, place) for row in range(3, sheet.max_row + 1)]


def test_workbook_has_its_sheets_ready_to_print(book):
    assert book.sheetnames == SHEETS
    for sheet in book.worksheets:
        assert sheet["A1"].value == lt.CAUTION
        assert int(re.sub(r"\D", "", sheet.freeze_panes)) == 3
        assert sheet.page_setup.orientation == "landscape"
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert sheet.page_setup.fitToWidth <= 2
        assert sheet.page_setup.fitToHeight == 0
        assert sheet.print_title_rows == "$1:$2"
        widths = [dimension.width for dimension in sheet.column_dimensions.values()]
        assert min(widths) >= 9
        assert max(widths) <= 90


def test_workbook_holds_real_dates_times_and_shares(book, plan):
    lists, cases = book["Lists"], book["Cases"]
    assert [cell.value.date() for cell in column(lists, "Day (date)")] == [d.date() for d in plan.lists["day"]]
    starts = column(cases, "Planned start (time)")
    assert [cell.value for cell in starts] == plan.cases["starts_at"].tolist()
    assert {cell.number_format for cell in starts} == {"hh:mm"}
    risks = column(lists, "Chance of overrun (%)")
    assert [cell.value for cell in risks] == plan.lists["overrun_risk"].tolist()
    assert {cell.number_format for cell in risks} == {"0.0%"}
    finish = column(lists, "Finish, 90 % by (time)")[0].value
    expected = plan.lists["starts_at"][0] + pd.Timedelta(minutes=plan.lists["finish_q90_min"][0])
    assert abs(finish - expected) <= timedelta(seconds=30)
    out = column(cases, "Out of theatre, 50 % by (time)")[1].value
    # Minutes of a case's finish run from the start of the session, not of the case.
    expected = plan.lists["starts_at"][0] + pd.Timedelta(minutes=plan.cases["finish_q50_min"][1])
    assert abs(out - expected) <= timedelta(seconds=30)
    assert [cell.value for cell in column(cases, "Canister (mL)")][2:4] == [2000, "drain"]
    assert [cell.value for cell in column(cases, "Latest day (date)")][:3][-1] is None
    assert column(book["Stock"], "Resource")[0].value == "device set"
    assert column(book["Not placed"], "Reason")[0].value == "too long for every session, even alone"


def test_workbook_has_no_formula(book):
    cells = [cell for sheet in book.worksheets for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert {cell.data_type for cell in cells} <= {"s", "n", "d"}
    texts = {cell.value: cell for cell in cells if cell.data_type == "s"}
    for text in (EVIL, "-9-lead", "+wed", "@sum(QX-99)", "=too long & <large> for all", "=1+1"):
        assert texts[text].quotePrefix
    assert not texts["QX-17"].quotePrefix
    assert "žluť 第二" in texts


@pytest.mark.parametrize("text", ["#N/A", "\x00\x1b", "TRUE", "12", "=", "x" * 40_000])
def test_workbook_keeps_odd_texts_as_texts(tmp_path, text):
    write_workbook(made_up([text, "b", "c", "d", "e", "f"]), tmp_path / "odd.xlsx")
    cell = column(openpyxl.load_workbook(tmp_path / "odd.xlsx")["Cases"], "Case")[0]
    assert cell.data_type == "s"
    assert cell.value.startswith(_outputs.one_line(text)[:30_000])


def test_workbook_is_written_whole_or_not_at_all(tmp_path):
    path = tmp_path / "plan.xlsx"
    path.write_bytes(b"as before")
    with pytest.raises(KeyError):
        write_workbook(made_up(lists=pd.DataFrame()), path)
    assert path.read_bytes() == b"as before"
    with pytest.raises((OSError, lt.Error)):
        write_workbook(made_up(), tmp_path / "nowhere" / "plan.xlsx")
    assert [p.name for p in tmp_path.iterdir()] == ["plan.xlsx"]


def test_workbook_of_a_plan_without_lists(tmp_path):
    write_workbook(empty(), tmp_path / "empty.xlsx")
    book = openpyxl.load_workbook(tmp_path / "empty.xlsx")
    assert book.sheetnames == SHEETS
    unused = [row[1].value for row in book["Assumptions"].iter_rows(min_row=3) if row[0].value == "Session not used"]
    assert unused == ["tue-am", "tue-pm", "+wed", "spare"]


@pytest.mark.parametrize(
    ("module", "extra", "write"),
    [("openpyxl", "excel", lambda p: write_workbook(p, "x")), ("icalendar", "calendar", to_icalendar)],
)
def test_what_is_not_installed_is_named(plan, monkeypatch, module, extra, write):
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(ImportError, match=rf"needs {module}: pip install 'lobetime\[{extra}\]'"):
        write(plan)


# --- calendar --------------------------------------------------------------------------------------------------------


def events_of(content):
    return icalendar.Calendar.from_ical(content).walk("VEVENT")


def unfolded(content):
    return content.decode().replace("\r\n ", "")


def test_calendar_is_as_the_rfc_wants_it(plan):
    content = to_icalendar(plan, stamp=STAMP)
    assert content.endswith(b"\r\n")
    assert b"\n" not in content.replace(b"\r\n", b"")
    assert max(map(len, content.split(b"\r\n"))) <= 75
    calendar = icalendar.Calendar.from_ical(content)
    assert calendar["VERSION"] == "2.0"
    assert "lobetime" in calendar["PRODID"]
    assert not calendar.errors
    events = calendar.walk("VEVENT")
    assert len(events) == 3 + 6
    assert len({event["UID"] for event in events}) == 9
    for event in events:
        assert not event.errors
        assert event["CLASS"] == "CONFIDENTIAL"
        assert event["DTSTAMP"].dt == datetime(2026, 12, 1, 7, 30, tzinfo=UTC)
        assert ("DTEND" in event) + ("DURATION" in event) == 1
        assert event["DTSTART"].dt.tzinfo is None
        assert lt.CAUTION in event["DESCRIPTION"]
    assert b"DTSTART:20270112T083000\r\n" in content
    assert b"DTSTAMP:20261201T073000Z\r\n" in content


def test_calendar_says_when_and_whose_child(plan):
    events = events_of(to_icalendar(plan, stamp=STAMP))
    lists = [event for event in events if "RELATED-TO" not in event]
    assert [event["DTSTART"].dt for event in lists] == plan.lists["starts_at"].tolist()
    assert [event["DURATION"].dt for event in lists] == [timedelta(minutes=m) for m in plan.lists["minutes"]]
    cases = [event for event in events if "RELATED-TO" in event]
    assert [event["DTSTART"].dt for event in cases] == plan.cases["starts_at"].tolist()
    assert [event["DURATION"].dt for event in cases] == [timedelta(minutes=m) for m in plan.cases["slot_min"]]
    assert {event["RELATED-TO"].params["RELTYPE"] for event in cases} == {"PARENT"}
    parents = {event["UID"]: k for k, event in enumerate(lists)}
    assert [parents[event["RELATED-TO"]] for event in cases] == [0, 0, 0, 1, 1, 2]
    assert cases[2]["SUMMARY"] == "Case 3 of 3, gland 100 to 149 mL, 75 min"
    assert "ends after its session's end by more than 10 min: 19 % (limit 20 %)" in lists[0]["DESCRIPTION"]
    assert "backup" in lists[0]["DESCRIPTION"]
    assert "backup" not in lists[1]["DESCRIPTION"]
    assert lists[2]["LOCATION"] == "<i>R&D</i>"


@settings(max_examples=30, deadline=None)
@given(st.lists(st.from_regex(r"[Q-Z]{3}[0-9]{4,8}", fullmatch=True), min_size=6, max_size=6, unique=True))
def test_no_case_id_in_the_calendar(names):
    text = unfolded(to_icalendar(made_up(names), stamp=STAMP))
    assert not [name for name in names if name in text]


def test_calendar_made_again_replaces_its_events(plan):
    later = STAMP + timedelta(days=3)
    first, again = to_icalendar(plan, stamp=STAMP), to_icalendar(plan, stamp=later)
    assert first == to_icalendar(made_up(), stamp=STAMP)
    assert first != again
    uids = [event["UID"] for event in events_of(first)]
    assert uids == [event["UID"] for event in events_of(again)]
    assert set(uids).isdisjoint(event["UID"] for event in events_of(to_icalendar(plan, stamp=STAMP, secret="s")))
    cases = plan.cases.copy()
    cases["slot_min"] += 5.0
    assert uids == [event["UID"] for event in events_of(to_icalendar(made_up(cases=cases)))]


def test_calendar_in_a_zone(plan):
    content = to_icalendar(plan, stamp=STAMP, timezone="Europe/Prague")
    calendar = icalendar.Calendar.from_ical(content)
    (zone,) = calendar.walk("VTIMEZONE")
    assert zone["TZID"] == "Europe/Prague"
    assert b"DTSTART;TZID=Europe/Prague:20270112T083000\r\n" in content
    starts = [event["DTSTART"].dt for event in calendar.walk("VEVENT")]
    # One list lies in winter, one after the clocks have changed.
    assert starts[0].utcoffset() == timedelta(hours=1)
    assert starts[-1].utcoffset() == timedelta(hours=2)
    assert starts[-1].replace(tzinfo=None) == datetime(2027, 3, 31, 21)


@pytest.mark.parametrize("zone", ["Europe/Nowhere", "", "../etc/passwd", "Europe"])
def test_calendar_refuses_an_unknown_zone(plan, zone):
    with pytest.raises(ValueError, match="is not known"):
        to_icalendar(plan, timezone=zone)


def test_calendar_refuses_a_stamp_without_zone_and_a_plan_without_lists(plan):
    with pytest.raises(ValueError, match="time zone"):
        to_icalendar(plan, stamp=datetime(2026, 12, 1))
    with pytest.raises(ValueError, match="no list"):
        to_icalendar(empty())


def test_calendar_stamp_is_now_by_default(plan):
    before = datetime.now(UTC).replace(microsecond=0)
    stamps = {event["DTSTAMP"].dt for event in events_of(to_icalendar(plan))}
    assert len(stamps) == 1
    assert before <= stamps.pop() <= datetime.now(UTC)


@settings(max_examples=50, deadline=None)
@given(st.text(max_size=200))
def test_calendar_holds_any_text(text):
    sessions = made_up()
    sessions.lists["room"] = text
    content = to_icalendar(sessions, stamp=STAMP)
    assert max(map(len, content.split(b"\r\n"))) <= 75
    events = events_of(content)
    assert len(events) == 9
    assert str(events[0].get("LOCATION", "")) == _outputs.one_line(text)


# --- picture ---------------------------------------------------------------------------------------------------------


def test_picture_numbers(plan):
    display = plan_display(plan)
    assert display.caution == lt.CAUTION
    assert display.sessions["start_min"].tolist() == [510.0, 810.0, 1260.0]
    assert display.sessions["end_min"].tolist() == [750.0, 1050.0, 1560.0]
    assert display.sessions["finish_q90_min"].tolist() == [510 + 160 + 90.0, 810 + 115 + 114.6, 1260 + 180.0]
    assert display.slots["start_min"].tolist() == [510.0, 585.0, 670.0, 810.0, 925.0, 1260.0]
    assert display.slots["slot_min"].tolist() == plan.cases["slot_min"].tolist()
    assert display.slots["large"].sum() == 3


def words_of(ax):
    return [text.get_text() for text in ax.texts]


def test_picture_is_drawn(plan):
    from matplotlib import pyplot

    display = plan_display(plan).plot()
    ax, figure = display.ax_, display.figure_
    figure.canvas.draw()
    assert "clinical advice" in figure.get_supxlabel()
    words = words_of(ax)
    assert " Tuesday 12 January 2027" in words
    assert " Wednesday 31 March 2027" in words
    assert sum("*" in text for text in words) == 3
    low, high = ax.get_xlim()
    assert low <= 510
    assert high >= 1560
    assert [label.get_text().split("\n")[0] for label in ax.get_yticklabels()] == ["tue-am", "tue-pm", "+wed"]
    # Beside colour, what is uncertain differs by hatch.
    assert {bar.get_hatch() for bar in ax.patches} >= {"//////"}
    pyplot.close(figure)


def test_picture_grows_with_the_plan_and_no_slot_word_leaves_its_slot(plan):
    from matplotlib import pyplot

    many = [plan.lists.assign(session_id=plan.lists["session_id"] + str(k)) for k in range(10)]
    cases = [
        plan.cases.assign(session_id=plan.cases["session_id"] + str(k), slot_min=plan.cases["slot_min"] - 4.0 * k)
        for k in range(10)
    ]
    lists = pd.concat(many, ignore_index=True).sort_values(["starts_at", "session_id"], ignore_index=True)
    large = plan_display(made_up(lists=lists, cases=pd.concat(cases, ignore_index=True))).plot()
    small = plan_display(plan).plot()
    assert large.figure_.get_figheight() > 3 * small.figure_.get_figheight()
    for display in (small, large):
        display.figure_.canvas.draw()
        renderer = display.figure_.canvas.get_renderer()
        slots = display.slots
        named = [text for text in display.ax_.texts if not text.get_text().startswith(" ")]
        assert len(named) == len(slots)
        for text, start, slot in zip(named, slots["start_min"], slots["slot_min"], strict=True):
            left, right = display.ax_.transData.transform([(start, 0), (start + slot, 0)])[:, 0]
            box = text.get_window_extent(renderer)
            assert left <= box.x0
            assert box.x1 <= right
        pyplot.close(display.figure_)


def test_picture_in_axes_of_the_caller_and_without_lists(plan):
    from matplotlib import pyplot

    figure, ax = pyplot.subplots()
    cases = plan.cases.assign(session_id=["$"] * 3 + ["b", "b", "c"])
    odd = made_up(lists=plan.lists.assign(room="$x_", session_id=["$", "b", "c"]), cases=cases)
    assert plan_display(odd).plot(ax).ax_ is ax
    figure.canvas.draw()
    pyplot.close(figure)
    display = plan_display(empty()).plot()
    display.figure_.canvas.draw()
    assert words_of(display.ax_) == ["no list"]
    pyplot.close(display.figure_)


# --- room sheets -----------------------------------------------------------------------------------------------------


def test_room_sheet_says_what_the_room_needs(plan):
    text = room_sheet(plan, "tue-am")
    for words in (
        "LIST tue-am",
        "Tuesday 12 January 2027",
        "08:30 to 12:30 (240 min), 3 cases, 1 large gland",
        "ends after its session's end by more than 10 min: 19 % (limit 20 %)",
        "QX-17",
        EVIL,
        "<b>&amp;",
        "130*",
        "oscillating/vacuum",
        "HAVE A BACKUP SET IN THE ROOM",
        "Canisters to have in the room: 13 (median need 9)",
        "Irrigation bags to have: 27, for 80 L (median need 52 L)",
        "Case 3: gland <above> all & sundry",
        "moving QX-17 to +wed",
    ):
        assert words in " ".join(text.split())
    assert re.search(r" 2 09:45 +70 +15 ", text)
    assert " ".join(lt.CAUTION.split()) in " ".join(text.split())
    drained = room_sheet(plan, "tue-pm")
    assert "Continuous drain: no canister to change." in drained
    assert "HAVE A BACKUP" not in drained
    assert "below the 5.0 %" in drained


def test_room_sheet_of_a_session_without_list_is_refused(plan):
    for make in (room_sheet, room_sheet_html):
        with pytest.raises(ValueError, match="'spare' has no list; lists: tue-am, tue-pm"):
            make(plan, "spare")


def one_long_list(names, warnings, texts="S1"):
    plan = made_up()
    cases = plan.cases.iloc[[0] * len(names)].assign(case_id=names, position=range(1, len(names) + 1))
    cases["warnings"], cases["surgeon"] = warnings, texts
    lists = plan.lists.head(1).assign(n_cases=len(names), room=texts)
    return made_up(cases=cases, lists=lists)


def is_one_page(text):
    lines = text.splitlines()
    return (
        len(lines) <= 60
        and max(map(cell_len, lines)) <= 80
        and not [c for c in text if not c.isprintable() and c != "\n"]
    )


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_room_sheet_is_one_page_with_the_whole_caution(data):
    n = data.draw(st.integers(1, 12))
    texts = st.lists(st.text(max_size=120), min_size=n, max_size=n)
    text = room_sheet(one_long_list(data.draw(texts), data.draw(texts), data.draw(texts)[0]), "tue-am")
    assert is_one_page(text)
    assert " ".join(lt.CAUTION.split()) in " ".join(text.split())


@pytest.mark.parametrize(
    "form", ["{:05d}-a-long-way-to-call-a-case-with-one-end-{}", "a-long-way-to-call-a-case-with-one-end-{:05d}"]
)
@pytest.mark.parametrize("tail", ["", "-and-another-long-way-to-call-it-that-is-the-same"])
def test_room_sheet_cuts_no_two_cases_to_the_same_name(form, tail):
    names = [form.format(k, "x") + tail for k in range(12)]
    text = room_sheet(one_long_list(names, ["warning of " * 40 + name for name in names]), "tue-am")
    assert is_one_page(text)
    assert "more warnings and remarks: see the plan" in text
    rows = [line.split() for line in text.splitlines() if re.match(r" ?\d+ \d\d:\d\d ", line)]
    assert len({row[5] for row in rows}) == 12


class Strict(HTMLParser):
    """Notes every text and fails where an element does not close."""

    def __init__(self):
        super().__init__()
        self.open, self.tags, self.texts, self.attributes = [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [name for name, _ in attrs]
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append(data)


def parsed(page):
    parser = Strict()
    parser.feed(page)
    parser.close()
    assert parser.open == []
    return parser


def test_html_is_whole_escaped_and_alone(plan):
    page = parsed(room_sheet_html(plan))
    assert page.tags.count("article") == 3
    assert page.tags.count("h1") == 3
    assert set(page.tags).isdisjoint({"script", "b", "i", "large", "link", "a", "img", "iframe", "above"})
    assert set(page.attributes) <= {"lang", "charset", "http-equiv", "content", "class"}
    assert page.texts.count(lt.CAUTION) == 3
    text = room_sheet_html(plan)
    assert "http:" not in text
    assert "https:" not in text
    assert "url(" not in text
    for words in ("<b>&amp;", EVIL, "žluť 第二", "2000 mL", "drain"):
        assert words in page.texts
    assert "size: A4" in text
    one = parsed(room_sheet_html(plan, "tue-pm"))
    assert one.tags.count("article") == 1
    assert "List tue-pm" in one.texts


@settings(max_examples=40, deadline=None)
@given(st.text())
def test_html_escapes_any_text(text):
    usual, odd = parsed(room_sheet_html(made_up())), parsed(room_sheet_html(made_up([text, *"bcdef"])))
    assert usual.tags == odd.tags
    assert "".join(odd.texts).count(_outputs.one_line(text)) >= 1


def test_html_of_a_plan_without_lists():
    assert "The plan has no list." in parsed(room_sheet_html(empty())).texts


# --- machine ---------------------------------------------------------------------------------------------------------


def test_json_is_strict_and_whole(plan):
    out = to_json_dict(plan)
    assert json.loads(json.dumps(out, allow_nan=False)) == out
    assert out["caution"] == lt.CAUTION
    assert out["facts"]["placement_gap"] is None
    assert out["facts"]["placement_value"] == 6.5
    assert [len(one["cases"]) for one in out["lists"]] == [3, 2, 1]
    first, drained = out["lists"][0], out["lists"][1]["cases"][0]
    assert (first["day"], first["starts_at"]) == ("2027-01-12", "2027-01-12T08:30:00")
    assert first["backup_set"] is True
    assert first["cases"][1]["case_id"] == "<b>&amp;"
    assert first["cases"][0]["due_by"] == "2027-05-01"
    assert first["cases"][2]["due_by"] is None
    assert (first["cases"][0]["canister_ml"], first["cases"][0]["continuous_drain"]) == (2000.0, False)
    assert (drained["canister_ml"], drained["continuous_drain"]) == (None, True)
    assert out["unplaced"][0]["risk_if_added"] is None
    assert out["stock"][0]["day"] == "2027-01-12"
    assert [one["session_id"] for one in out["unused_sessions"]] == ["spare"]
    for frame, rows in ((plan.lists, out["lists"]), (plan.unplaced, out["unplaced"]), (plan.stock_use, out["stock"])):
        assert set(frame.columns) <= set(rows[0])
    assert set(plan.cases.columns) <= set(first["cases"][0])


def test_csv_has_each_case_once(plan):
    table = to_csv_table(plan)
    # What a spreadsheet would run has an apostrophe in front.
    expected = ["'" * case.startswith(("=", "+", "-", "@")) + case for case in [*plan.cases["case_id"], "@sum(QX-99)"]]
    assert table["case_id"].tolist() == expected
    assert "'@sum(QX-99)" in expected
    assert table["placed"].tolist() == [True] * 6 + [False]
    assert not [name for name in plan.cases.columns if name not in table]
    assert table["list_overrun_risk"].tolist()[:6] == [0.187] * 3 + [0.2] * 2 + [0.0002]
    assert table["position"].tolist()[:6] == [1, 2, 3, 1, 2, 1]
    assert table["position"].isna().tolist() == [False] * 6 + [True]
    assert table["session_id"].tolist()[-1] == ""
    assert table["reason"].tolist() == [""] * 6 + ["time_alone"]
    assert table["starts_at"].tolist()[:6] == plan.cases["starts_at"].tolist()
    again = pd.read_csv(io.StringIO(table.to_csv(index=False)))
    assert again["slot_min"].tolist()[:6] == plan.cases["slot_min"].tolist()
    assert again["canister_ml"].tolist()[3] == INF
    assert again["day"].tolist()[0] == "2027-01-12"


def test_machine_outputs_of_a_plan_without_lists():
    out = to_json_dict(empty())
    assert out["lists"] == []
    assert len(out["unused_sessions"]) == 4
    table = to_csv_table(empty())
    assert table["case_id"].tolist() == ["'@sum(QX-99)"]
    assert table["placed"].tolist() == [False]


def test_csv_of_a_plan_that_places_all(plan):
    table = to_csv_table(made_up(unplaced=plan.unplaced.head(0)))
    assert table["placed"].tolist() == [True] * 6
    assert table["day"].tolist()[0].date() == date(2027, 1, 12)


# --- FHIR ---


def test_fhir_is_what_the_standard_allows():
    """Kind: run with the schema classes of fhir.resources (R4B; these four resources are as in R4)."""
    bundle_class = pytest.importorskip("fhir.resources.R4B.bundle").Bundle
    plan = made_up()
    told = bundle_class(**json.loads(json.dumps(to_fhir_bundle(plan, timezone="Europe/London"))))
    kinds = [type(entry.resource).__name__ for entry in told.entry]
    assert kinds.count("Schedule") == len(plan.lists)
    assert kinds.count("Slot") == len(plan.cases)
    assert kinds.count("Appointment") == len(plan.cases) + len(plan.unplaced)
    names = [entry.fullUrl for entry in told.entry]
    assert len(set(names)) == len(names)


def test_fhir_says_when_and_of_which_list():
    plan = made_up()
    resources = [entry["resource"] for entry in to_fhir_bundle(plan, timezone="Europe/London")["entry"]]
    schedules = {one["id"]: one for one in resources if one["resourceType"] == "Schedule"}
    slots = {one["id"]: one for one in resources if one["resourceType"] == "Slot"}
    placed = [one for one in resources if one["resourceType"] == "Appointment" and one["status"] == "proposed"]
    assert len(placed) == len(slots) == len(plan.cases)
    for one in placed:
        slot = slots[one["slot"][0]["reference"].removeprefix("Slot/")]
        assert (one["start"], one["end"]) == (slot["start"], slot["end"])
        assert slot["schedule"]["reference"].removeprefix("Schedule/") in schedules
    first = next(iter(schedules.values()))["planningHorizon"]
    assert first == {"start": "2027-01-12T08:30:00+00:00", "end": "2027-01-12T12:30:00+00:00"}
    # After the clocks have changed.
    assert any(one["start"].endswith("+01:00") for one in slots.values())


def test_no_case_id_or_free_text_in_fhir():
    text = json.dumps(to_fhir_bundle(made_up(), timezone="Europe/London"), ensure_ascii=False)
    for name in ("QX-17", "amp;", "cmd", "žluť", "QX-21", "9-lead"):
        assert name not in text
    assert lt.CAUTION in text
    one, other = (to_fhir_bundle(made_up(), timezone="Europe/London", secret=s) for s in ("a", "b"))
    assert one["entry"][0]["resource"]["id"] != other["entry"][0]["resource"]["id"]
    with pytest.raises(ValueError, match="not known"):
        to_fhir_bundle(made_up(), timezone="Nowhere/Town")


def test_workbook_rows_are_as_high_as_their_longest_text(tmp_path):
    plan = made_up()
    plan.unplaced["words"] = "no time left on any session " * 12
    write_workbook(plan, tmp_path / "plan.xlsx")
    book = openpyxl.load_workbook(tmp_path / "plan.xlsx")
    looked_at = 0
    for sheet in book:
        for row in sheet.iter_rows(min_row=3):
            for cell in row:
                width = sheet.column_dimensions[cell.column_letter].width
                if isinstance(cell.value, str) and len(cell.value) > 2 * width:
                    looked_at += 1
                    assert sheet.row_dimensions[cell.row].height >= 2 * 13.5
    assert looked_at
