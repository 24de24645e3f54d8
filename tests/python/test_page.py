"""The scheduler's page: what it answers, what it refuses, and what a visitor meets in a real browser."""

from __future__ import annotations

import contextlib
import csv
import errno
import io
import itertools
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import zipfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import icalendar
import openpyxl
import pandas as pd
import pytest
from typer.testing import CliRunner

import lobetime as lt
from lobetime.cli.program import app
from lobetime.page import downloads, uploads
from lobetime.page.desk import DRAWS, SEED, Desk
from lobetime.page.serve import is_loopback, serve
from lobetime.page.uploads import Refused

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
LONGEST_S = 90  # a step takes seconds at most; the rest is for machines that are busy
CANARY = "ZQX7CANARY"

FORM = {"case_id": "K-17", "gland_ml": "130", "surgeon": "B", "blade": "oscillating", "suction": "vacuum"}
FILE = (
    "case_id,gland_ml,surgeon,blade,suction,canister_ml,anaesthesia\n"
    "K-1,151,E,oscillating,vacuum,3000,spinal\n"
    "K-2,74,A,oscillating,vacuum,inf,general\n"
    "K-3,205,C,reciprocating,vacuum,2000,general\n"
)


def answers_of(model: lt.TheatreTimeModel, bookings: pd.DataFrame) -> tuple[lt.Prediction, pd.DataFrame]:
    """What the library itself says of the bookings, as the page asks it."""
    pred = model.predict(bookings, draws=DRAWS, seed=SEED)
    return pred, lt.slots(pred, overrun_risk=0.2, round_to=5)


def file_bookings() -> pd.DataFrame:
    return pd.read_csv(io.StringIO(FILE))


@pytest.fixture
def desk(model: lt.TheatreTimeModel) -> Desk:
    return Desk(model, "the unit")


# ------------------------------------------------------------------------------------------------------- the desk


def test_slots_are_those_of_the_library(desk, model):
    answer = desk.book(FORM | {"collection": "canister", "canister_ml": "2000", "trainee": "no"})
    pred, table = answers_of(model, pd.DataFrame([FORM | {"canister_ml": 2000, "trainee": 0}]))
    pd.testing.assert_frame_equal(desk.table, table)
    row = table.iloc[0]
    assert answer["slots"][0]["slot_min"] == row["slot_min"]
    case = answer["case"]
    assert case["headline"] == f"Book {row['slot_min']:g} minutes"
    assert case["overrun_risk"] == row["overrun_risk"]
    assert ", ".join(case["why"]) == row["why"]
    assert "; ".join(case["guesses"]) == row["warnings"]
    medians = [phase["low_mid_high"][1] for phase in case["phases"]]
    assert medians == pytest.approx(list(pred.phases([0.5]).loc["K-17", 0.5]))


@pytest.mark.parametrize("minutes", [90, "175", 240.5])
def test_risk_of_a_moved_slot_is_that_of_the_library(desk, model, minutes):
    desk.book(FORM)
    pred, _ = answers_of(model, pd.DataFrame([FORM]))
    answer = desk.risk(0, minutes)
    assert answer["overrun_risk"] == pred.overrun_risk(float(minutes)).iloc[0]
    assert f"{float(minutes):g} minutes" in answer["risk_words"]


@pytest.mark.parametrize("minutes", ["", "abc", "nan", -5, 0, 1441, "1e9", None])
def test_what_is_no_slot_is_refused(desk, minutes):
    desk.book(FORM)
    with pytest.raises(Refused) as refused:
        desk.risk(0, minutes)
    assert refused.value.problems[0]["column"] == "slot_min"


def test_no_history_is_said_loudly_and_another_model_answers_anew(desk, model):
    desk.book(FORM)
    with_history = desk.table["slot_min"].iloc[0]
    answer = desk.choose("published")
    assert answer["loud"].startswith("NO HISTORY")
    assert answer["slots"][0]["slot_min"] != with_history
    assert desk.choose("given")["loud"] == ""
    assert desk.table["slot_min"].iloc[0] == with_history
    assert desk.choose("demo")["loud"].startswith("INVENTED")


def test_a_model_file_is_data(desk, model, tmp_path):
    model.save(tmp_path / "unit.json")
    desk.book(FORM)
    before = desk.table.copy()
    answer = desk.take_model("unit.json", (tmp_path / "unit.json").read_bytes())
    assert answer["chosen"] == "upload"
    pd.testing.assert_frame_equal(desk.table, before)
    for name, content in [
        ("m.json", b"{}"),
        ("m.json", b"\x80\x04cos\nsystem\n."),
        ("m.pkl", b"\x80\x04."),
        ("m", b""),
    ]:
        with pytest.raises(Refused):
            desk.take_model(name, content)
    assert desk.chosen == "upload"


def test_every_problem_of_a_form_is_told_and_nothing_changes(desk):
    desk.book(FORM)
    before = desk.table.copy()
    with pytest.raises(Refused) as refused:
        desk.book({"gland_ml": "", "blade": "rotary", "surgeon_case_no": "1.5"})
    assert {one["column"] for one in refused.value.problems} == {"gland_ml", "blade", "surgeon_case_no"}
    pd.testing.assert_frame_equal(desk.table, before)


def test_a_canister_and_a_drain_contradict_each_other(desk):
    for fields in ({"collection": "canister"}, {"collection": "continuous drain", "canister_ml": "2000"}):
        with pytest.raises(Refused) as refused:
            desk.book(FORM | fields)
        assert refused.value.problems[0]["column"] == "canister_ml"
    desk.book(FORM | {"collection": "continuous drain"})
    assert desk.bookings.frame["canister_ml"].tolist() == [float("inf")]


def test_a_typed_booking_without_a_reference_is_this_booking():
    desk = Desk()
    answer = desk.book(FORM | {"case_id": " "})
    assert answer["case"]["case_id"] == answer["slots"][0]["case_id"] == "this booking"
    again = desk.agree("10", "5")
    assert again["slots"][0]["case_id"] == "this booking"
    assert desk.book(FORM)["case"]["case_id"] == FORM["case_id"]
    assert desk.take_bookings("list.csv", b"gland_ml\n120\n")["case"]["case_id"] == "row 2"


@pytest.mark.parametrize(("risk", "grid"), [("0", "5"), ("100", "5"), ("x", "5"), ("20", "0"), ("20", "nan")])
def test_what_cannot_be_agreed_on_is_refused(desk, risk, grid):
    with pytest.raises(Refused):
        desk.agree(risk, grid)
    assert (desk.overrun_risk, desk.round_to) == (0.2, 5.0)


def test_another_risk_gives_the_library_s_slots(desk, model):
    desk.book(FORM)
    desk.agree("5", "15")
    pred = model.predict(pd.DataFrame([FORM]), draws=DRAWS, seed=SEED)
    pd.testing.assert_frame_equal(desk.table, lt.slots(pred, overrun_risk=0.05, round_to=15))


# ------------------------------------------------------------------------------------------------------ what comes in


def test_a_file_of_bookings_is_read_as_the_library_reads_it(desk, model):
    desk.take_bookings("list.csv", FILE.encode())
    _, table = answers_of(model, file_bookings())
    pd.testing.assert_frame_equal(desk.table, table)
    held = io.BytesIO()
    file_bookings().astype({"canister_ml": str}).to_excel(held, index=False)
    desk.take_bookings("LIST.XLSX", held.getvalue())
    pd.testing.assert_frame_equal(desk.table, table)


def test_problems_of_a_file_name_row_column_value_and_what_is_allowed(desk):
    with pytest.raises(Refused) as refused:
        desk.take_bookings("list.csv", b"gland_ml,blade\n120,oscillating\nabc,rotary\n")
    found = [(one["row"], one["column"], one["value"]) for one in refused.value.problems]
    assert found == [(3, "gland_ml", "abc"), (3, "blade", "rotary")]
    assert "reciprocating or oscillating" in refused.value.problems[1]["allowed"]


@pytest.mark.parametrize("heading", ["Surname", "Date of birth", "NHS number", "Hospital number", "patient name"])
def test_a_column_that_can_identify_a_patient_is_refused_by_name_and_without_its_values(desk, heading):
    content = f"gland_ml,{heading},blade\n120,{CANARY},{CANARY}\n".encode()
    with pytest.raises(Refused) as refused:
        desk.take_bookings("list.csv", content)
    told = refused.value
    assert told.title == "The file can identify patients"
    assert f"“{heading}”" in told.words
    assert CANARY not in repr((told.title, told.words, told.problems))
    assert desk.table is None


@pytest.mark.parametrize(
    ("name", "content", "title"),
    [
        ("list.csv", b"gland_ml\n" + b"120\n" * 1_300_000, "too large"),
        ("list.exe", b"gland_ml\n120\n", "another kind"),
        ("list.csv.py", b"gland_ml\n120\n", "another kind"),
        ("list.parquet", b"PAR1", "another kind"),
        ("list", b"gland_ml\n120\n", "another kind"),
        ("list.xlsx", b"gland_ml\n120\n", "no workbook"),
        ("list.csv", b"gland_ml\n" + b"120\n" * 501, "too many"),
    ],
)
def test_files_of_a_wrong_size_or_kind_are_refused(desk, name, content, title):
    with pytest.raises(Refused) as refused:
        desk.take_bookings(name, content)
    assert title in refused.value.title


def test_a_workbook_that_unfolds_without_end_is_refused(desk):
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * 150_000_000)
    assert len(held.getvalue()) < uploads.LARGEST_BYTES
    with pytest.raises(Refused) as refused:
        desk.take_bookings("list.xlsx", held.getvalue())
    assert "too large" in refused.value.title


def test_reading_leaves_no_copy(desk, tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    desk.take_bookings("list.csv", FILE.encode())
    with pytest.raises(Refused):
        desk.take_bookings("list.csv", b"nothing\n1\n")
    assert list(tmp_path.iterdir()) == []


def test_what_looks_wrong_is_told_and_kept(desk):
    answer = desk.take_bookings("list.csv", b"case_id,gland_ml,theatre_min\nK-1,120,90\n")
    assert answer["looks_wrong"]
    assert len(answer["slots"]) == 1


def test_a_failure_tells_nothing_of_what_was_handed_in(desk, monkeypatch):
    from lobetime.page import SchedulerPage

    page = SchedulerPage(desk)
    sent: list[tuple[Any, Any]] = []
    monkeypatch.setattr(page, "send", lambda content, buffers=None: sent.append((content, buffers)))

    def fail(*_):
        raise RuntimeError(CANARY)

    monkeypatch.setattr(desk, "take_bookings", fail)
    page._heard(page, {"ask": "bookings_file", "name": "list.csv", "id": 7}, [memoryview(b"x")])
    page._heard(page, {"ask": "open", "id": 8}, [])
    page._heard(page, {}, [])
    (failed, _), (unknown, _), (empty, _) = sent
    assert failed["id"] == 7 and "could not be worked out" in failed["failed"] and CANARY not in json.dumps(failed)
    assert unknown["refused"]["title"] == "This cannot be asked"
    assert "refused" in empty


# ----------------------------------------------------------------------------------------------------- what goes out


def read_csv_file(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode())))


def test_the_csv_file_is_the_library_s_table(desk, model):
    desk.take_bookings("list.csv", FILE.encode())
    _, table = answers_of(model, file_bookings())
    wanted = read_csv_file(table.reset_index().to_csv(index=False).encode())
    got = read_csv_file(desk.download("csv")[2])
    assert [{k: v.removeprefix("'") for k, v in row.items()} for row in got] == wanted


def test_the_csv_file_is_that_of_the_command(desk, unit_json, tmp_path):
    (tmp_path / "list.csv").write_text(FILE)
    command = ["slots", str(tmp_path / "list.csv"), "--model", str(unit_json), "--csv", str(tmp_path / "slots.csv")]
    assert CliRunner().invoke(app, command).exit_code == 0
    desk.take_bookings("list.csv", FILE.encode())
    assert desk.download("csv")[2] == (tmp_path / "slots.csv").read_bytes()


@pytest.mark.parametrize("begins", ["=", "+", "-", "@"])
def test_spreadsheets_calculate_no_text(desk, begins):
    desk.take_bookings("list.csv", f'case_id,gland_ml,surgeon\n"{begins}1+1",120,"{begins}cmd"\n'.encode())
    (row,) = read_csv_file(desk.download("csv")[2])
    assert row["case_id"] == f"'{begins}1+1" and row["surgeon"] == f"'{begins}cmd"
    assert row["why"][0] == "'"
    assert float(row["slot_min"]) > 0
    sheet = openpyxl.load_workbook(io.BytesIO(desk.download("excel")[2]))["Slots"]
    cell = sheet["A3"]
    assert (cell.value, cell.data_type, cell.quotePrefix) == (f"{begins}1+1", "s", True)


def test_the_workbook_holds_the_slots_and_the_caution(desk):
    desk.take_bookings("list.csv", FILE.encode())
    sheet = openpyxl.load_workbook(io.BytesIO(desk.download("excel")[2]))["Slots"]
    assert lt.CAUTION in sheet["A1"].value
    rows = list(sheet.iter_rows(min_row=3, values_only=True))
    assert [row[0] for row in rows] == list(desk.table.index)
    assert [row[3] for row in rows] == list(desk.table["slot_min"])
    assert [row[4] for row in rows] == pytest.approx(list(desk.table["overrun_risk"]))


def test_the_calendar_puts_the_slots_one_after_the_other(desk):
    desk.take_bookings("list.csv", FILE.encode())
    stamp = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
    at = datetime(2026, 3, 2, 8, 30)
    made = downloads.calendar(desk.table, at, 20, "told", stamp=stamp)
    assert made == downloads.calendar(desk.table, at, 20, "told", stamp=stamp)
    events = icalendar.Calendar.from_ical(made).walk("VEVENT")
    assert len(events) == 3
    for event, (case_id, row) in zip(events, desk.table.iterrows(), strict=True):
        assert event["dtstart"].dt == at
        assert event["duration"].dt == timedelta(minutes=row["slot_min"])
        assert event["class"] == "CONFIDENTIAL"
        assert str(event["summary"]).startswith(f"{case_id}: gland")
        assert lt.CAUTION in str(event["description"])
        at += event["duration"].dt + timedelta(minutes=20)


def test_a_calendar_needs_a_day(desk):
    desk.book(FORM)
    with pytest.raises(Refused) as refused:
        desk.download("calendar", "", "08:00", "-1")
    assert {one["column"] for one in refused.value.problems} == {"starts_at", "turnover_min"}


@pytest.mark.parametrize("kind", ["csv", "excel", "calendar"])
def test_nothing_goes_out_but_the_case_reference(desk, kind):
    """A canary in every column that a booking may have: only case_id and surgeon are in what is taken along."""
    texts = {"device": f"{CANARY}device", "priority": f"{CANARY}priority", "note": f"{CANARY}note"}
    row = {"case_id": "K-1", "gland_ml": "120", "surgeon": "B", **texts}
    content = pd.DataFrame([row]).to_csv(index=False).encode()
    desk.take_bookings(f"{CANARY}.csv", content)
    made = desk.download(kind, "2026-03-02", "08:00", 31)[2]
    if kind == "excel":
        with zipfile.ZipFile(io.BytesIO(made)) as archive:
            made = b"".join(archive.read(name) for name in archive.namelist())
    assert CANARY.encode() not in made
    assert b"K-1" in made


# ------------------------------------------------------------------------------------------------ command and package


@pytest.mark.parametrize(
    ("host", "alone"),
    [
        *[("127.0.0.1", True), ("127.3.2.1", True), ("::1", True), ("localhost", True)],
        *[("0.0.0.0", False), ("::", False), ("192.168.1.7", False), ("localhost.example.org", False), ("", False)],
    ],
)
def test_loopback_is_told_from_other_addresses(host, alone):
    assert is_loopback(host) is alone


def test_the_served_notebook_is_the_one_of_the_notebooks():
    served = Path(lt.page.__file__).parent / "scheduler.ipynb"
    assert served.read_bytes() == (ROOT / "notebooks" / "02_schedulers_page.ipynb").read_bytes()


def test_help_is_quick_to_read_and_wrong_use_is_told():
    run = CliRunner().invoke(app, ["page", "--help"])
    assert run.exit_code == 0
    assert "--no-browser" in run.output and "127.0.0.1" in run.output
    assert CliRunner().invoke(app, ["page", "--port", "70000"]).exit_code == 2
    assert CliRunner().invoke(app, ["page", "--model", "missing.json"]).exit_code == 2


def test_a_history_may_have_columns_that_are_dropped(monkeypatch, tmp_path):
    served = []
    monkeypatch.setattr("lobetime.page.serve.serve", lambda model, **_: served.append(model))
    frame = lt.datasets.load_demo_unit().history.head(60)
    frame.assign(**{"Date of birth": "1950-01-01"}).to_csv(tmp_path / "history.csv", index=False)
    command = ["page", "--history", str(tmp_path / "history.csv")]
    assert CliRunner().invoke(app, command).exit_code == 1
    assert CliRunner().invoke(app, [*command, "--drop", "Date of birth"]).exit_code == 0
    assert len(served) == 1
    assert CliRunner().invoke(app, ["page", "--drop", "Date of birth"]).exit_code == 2


def test_a_model_file_that_is_none_is_refused_before_anything_is_served(tmp_path):
    (tmp_path / "m.json").write_text("{}")
    assert CliRunner().invoke(app, ["page", "--model", str(tmp_path / "m.json")]).exit_code == 1


@pytest.mark.parametrize(("host", "warned"), [("127.0.0.1", False), ("0.0.0.0", True)])
def test_the_terminal_says_who_can_connect(monkeypatch, host, warned):
    asked: dict[str, Any] = {}

    def serve_nothing(model, *, host, port, open_browser, ready):
        asked.update(model=model, host=host, port=port, open_browser=open_browser)
        ready("http://there/")

    monkeypatch.setattr("lobetime.page.serve.serve", serve_nothing)
    run = CliRunner().invoke(app, ["page", "--host", host, "--port", "8123", "--no-browser"])
    assert run.exit_code == 0
    assert asked == {"model": None, "host": host, "port": 8123, "open_browser": False}
    assert ("WARNING" in run.stderr and "unencrypted" in run.stderr) is warned
    assert ("Only this computer can open it" in run.stderr) is not warned
    assert lt.CAUTION in run.stderr


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError(errno.EADDRINUSE, "in use"), "8123 is in use"),
        (socket.gaierror(socket.EAI_NONAME, "not known"), "cannot listen on nowhere"),
    ],
)
def test_an_address_that_cannot_be_had_is_wrong_usage(monkeypatch, error, words):
    def fail(*_, **__):
        raise error

    monkeypatch.setattr("lobetime.page.serve.serve", fail)
    run = CliRunner().invoke(app, ["page", "--host", "nowhere", "--port", "8123"])
    assert run.exit_code == 2
    assert words in re.sub(r"[│\s]+", " ", run.stderr)


@pytest.mark.parametrize("module", ["voila.app", "anywidget"])
def test_a_missing_extra_is_named(monkeypatch, module):
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(ImportError, match=r"pip install 'lobetime\[page\]'"):
        serve()


# ------------------------------------------------------------------------------------------------- in a real browser


needs_browser = pytest.mark.skipif(
    not (CHROMIUM and DRIVER), reason="no Chromium and chromedriver on this machine (Debian: chromium, chromium-driver)"
)


@pytest.fixture(scope="module")
def unit_json(model, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("model") / "unit.json"
    model.save(path)
    return path


class Server:
    """``lobetime page`` with a home and a folder for temporary files of its own."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        self.home, self.tmp = folder / "home", folder / "tmp"
        self.home.mkdir()
        self.tmp.mkdir()
        environment = os.environ | {"HOME": str(self.home), "TMPDIR": str(self.tmp), "OPENBLAS_NUM_THREADS": "1"}
        command = [sys.executable, "-m", "lobetime", "page", "--no-browser", *arguments]
        self.process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment, cwd=self.home)
        self.said: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        self.url = until(lambda: next(iter(re.findall(r"http://\S+", self.words())), ""), "the server says its address")

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.said.append(line)

    def words(self) -> str:
        return "".join(self.said)

    def files(self) -> list[Path]:
        return [path for folder in (self.home, self.tmp) for path in folder.rglob("*") if path.is_file()]

    def kernels(self) -> list[int]:
        """Processes that run a notebook for this server."""
        found = []
        for entry in Path("/proc").iterdir():
            with contextlib.suppress(OSError):
                if entry.name.isdigit() and str(self.tmp).encode() in (entry / "cmdline").read_bytes():
                    found.append(int(entry.name))
        return found

    def stop(self, by: signal.Signals = signal.SIGTERM) -> int:
        self.process.send_signal(by)
        try:
            return self.process.wait(LONGEST_S)
        finally:
            if self.process.poll() is None:
                self.process.kill()
                self.process.wait()
            self._reader.join(LONGEST_S)
            assert self.process.stderr is not None
            self.process.stderr.close()


def until(met: Any, what: str, seconds: float = LONGEST_S) -> Any:
    """What ``met`` gives once it gives something."""
    ends = time.monotonic() + seconds
    while time.monotonic() < ends:
        with contextlib.suppress(_transient()):
            if found := met():
                return found
        time.sleep(0.1)
    raise AssertionError(f"not within {seconds} s: {what}")


def _transient() -> tuple[type[Exception], ...]:
    try:
        from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
    except ImportError:
        return ()
    return NoSuchElementException, StaleElementReferenceException


class Visit:
    """A browser on the page, with what a visitor does there."""

    def __init__(self, server: Server, folder: Path, width: int = 1200) -> None:
        from selenium import webdriver
        from selenium.webdriver.chrome.service import Service

        self.server, self.folder = server, folder
        options = webdriver.ChromeOptions()
        options.binary_location = str(CHROMIUM)
        for argument in ("--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--hide-scrollbars"):
            options.add_argument(argument)
        options.add_experimental_option("prefs", {"download.default_directory": str(folder)})
        options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
        self.driver = webdriver.Chrome(options, Service(DRIVER))
        self.driver.set_page_load_timeout(LONGEST_S)
        settings = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", settings)
        self.driver.get(server.url)
        self.find(".lobetime-page")

    def all(self, query: str) -> list[Any]:
        return list(self.driver.find_elements("css selector", query))

    def find(self, query: str) -> Any:
        return until(lambda: self.driver.find_element("css selector", query), query)

    def text(self, query: str) -> str:
        return str(self.find(query).get_property("textContent"))

    def says(self, query: str, words: str) -> str:
        return str(until(lambda: words in (told := self.text(query)) and told, f"{query} says {words!r}"))

    def type(self, name: str, text: str) -> None:
        field = self.find(f"[name={name}]")
        field.clear()
        field.send_keys(text)

    def choose(self, name: str, value: str) -> None:
        from selenium.webdriver.support.ui import Select

        Select(self.find(f"[name={name}]")).select_by_value(value)

    def press(self, what: str) -> None:
        button = self.find(f"[data-is={what}]")
        self.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
        button.click()

    def book(self, gland: str = "130") -> None:
        self.type("case_id", "K-17")
        self.type("gland_ml", gland)
        self.type("surgeon", "B")
        self.choose("blade", "oscillating")
        self.choose("suction", "vacuum")
        self.press("book")

    def downloaded(self, name: str) -> bytes:
        path = self.folder / name
        return bytes(until(lambda: path.exists() and path.read_bytes(), f"{name} is downloaded"))

    def events(self) -> list[dict[str, Any]]:
        return [json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance")]

    def named_controls(self) -> list[tuple[str, str]]:
        """Role and name of everything that takes the focus, as a screen reader is told."""
        nodes = self.driver.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
        found = []
        for node in nodes:
            properties = {one["name"]: one["value"].get("value") for one in node.get("properties", [])}
            if not node.get("ignored") and properties.get("focusable") and node["role"]["value"] != "RootWebArea":
                found.append((node["role"]["value"], node.get("name", {}).get("value", "").strip()))
        return found


@pytest.fixture(scope="module")
def server(unit_json) -> Iterator[Server]:
    with tempfile.TemporaryDirectory(prefix="lt", dir="/tmp") as folder:
        served = Server(Path(folder), "--model", str(unit_json))
        yield served
        assert served.stop() == 0


@pytest.fixture
def visit(server, tmp_path) -> Iterator[Visit]:
    one = Visit(server, tmp_path)
    yield one
    one.driver.quit()


@pytest.mark.slow
@needs_browser
def test_type_a_case_see_its_slot_move_it_and_take_it_along(visit, model):
    """The whole way of a visitor, with every number against the library's."""
    assert visit.text("h1") == "How long to book"
    assert lt.CAUTION in visit.text(".caution")
    assert "past cases" in visit.text("[data-is=rests-on]")
    assert not visit.find("[data-is=loud]").is_displayed()

    visit.book()
    pred, table = answers_of(model, pd.DataFrame([FORM]))
    row = table.iloc[0]
    visit.says("[data-is=headline]", f"Book {row['slot_min']:g} minutes")
    visit.says("[data-is=said]", f"K-17: Book {row['slot_min']:g} minutes")
    assert [item.text for item in visit.all("[data-is=why] li")] == re.split(r", (?=[+-])", row["why"])
    assert "Enucleation: " in str(visit.find("[data-is=picture]").get_attribute("aria-label"))
    phases = [cell.get_property("textContent") for cell in visit.all("[data-is=phases] td:nth-of-type(2)")]
    assert phases == [f"{median:.0f}" for median in pred.phases([0.5])[0.5]]

    from selenium.webdriver.common.keys import Keys

    slider = visit.find("[name=slot]")
    slider.send_keys(Keys.ARROW_RIGHT * 4)
    moved = row["slot_min"] + 20
    told = visit.says("[data-is=risk]", f"{moved:g} minutes")
    risk = pred.overrun_risk(moved).iloc[0]
    assert f"({100 * risk:.{1 if risk < 0.0995 else 0}f} %)" in told
    assert float(visit.find("[name=slot_min]").get_property("value")) == moved
    visit.says("[data-is=said]", told)  # the live region tells it, too
    assert visit.find("[data-is=said]").get_attribute("aria-live") == "polite"

    visit.type("slot_min", "101")
    told = visit.says("[data-is=risk]", "101 minutes")
    assert f"({100 * pred.overrun_risk(101).iloc[0]:.0f} %)" in told
    visit.type("slot_min", "5000")
    visit.says("[data-is=risk]", "at most 1440 min")

    visit.press("csv")
    got = read_csv_file(visit.downloaded("slots.csv"))
    wanted = read_csv_file(table.reset_index().to_csv(index=False).encode())
    assert [{k: v.removeprefix("'") for k, v in one.items()} for one in got] == wanted
    visit.press("excel")
    sheet = openpyxl.load_workbook(io.BytesIO(visit.downloaded("slots.xlsx")))["Slots"]
    assert [sheet["A3"].value, sheet["D3"].value] == ["K-17", row["slot_min"]]
    visit.press("calendar")
    visit.says(".refused", "The calendar needs to know when")
    visit.driver.execute_script("arguments[0].value = '2026-03-02'", visit.find("[name=starts_at]"))
    visit.press("calendar")
    (event,) = icalendar.Calendar.from_ical(visit.downloaded("slots.ics")).walk("VEVENT")
    assert event["dtstart"].dt == datetime(2026, 3, 2, 8, 0)
    assert event["duration"].dt == timedelta(minutes=row["slot_min"])


@pytest.mark.slow
@needs_browser
def test_files_with_errors_and_identities_are_refused_with_reasons(visit, model, tmp_path):
    def hand_in(name: str, content: bytes) -> None:
        (tmp_path / name).write_bytes(content)
        visit.find("[name=bookings_file]").send_keys(str(tmp_path / name))

    hand_in("wrong.csv", b"case_id,gland_ml,blade\nK-1,120,oscillating\n<b id=x>K</b>,abc,<img src=x>\n")
    visit.says(".refused", "wrong.csv was refused as a whole")
    rows = [
        [cell.text for cell in row.find_elements("css selector", "th, td")]
        for row in visit.all("[data-is=problems] tbody tr")
    ]
    assert [row[:3] for row in rows] == [["3", "gland_ml", "abc"], ["3", "blade", "<img src=x>"]]
    assert rows[1][3] == "reciprocating or oscillating, or blank"
    assert visit.driver.switch_to.active_element.text == "2 things are wrong"
    assert not visit.all(".lobetime-page img, .lobetime-page b")  # texts of a file are texts

    hand_in("named.csv", f"gland_ml,Surname\n120,{CANARY}\n".encode())
    visit.says(".refused", "The file can identify patients")
    assert "“Surname”" in visit.text(".refused")
    assert CANARY not in visit.driver.page_source

    hand_in("large.csv", b"gland_ml\n" + b"120\n" * 1_300_000)
    visit.says(".refused", "The file is too large")
    hand_in("program.py", b"raise SystemExit")
    visit.says(".refused", "The file is of another kind")
    assert not visit.find("[data-is=headline]").is_displayed()

    hand_in("list.csv", FILE.encode())
    until(lambda: len(visit.all("[data-is=slots] tbody tr")) == 3, "three slots")
    _, table = answers_of(model, file_bookings())
    slots = [cell.text for cell in visit.all("[data-is=slots] tbody td:nth-of-type(1)")]
    assert slots == [f"{slot:g}" for slot in table["slot_min"]]
    assert not visit.all(".refused")
    visit.choose("case", "2")
    visit.says("[data-is=headline]", f"Book {table['slot_min'].iloc[2]:g} minutes")


@pytest.mark.slow
@needs_browser
def test_no_model_is_said_loudly_and_a_model_file_can_be_chosen(visit, unit_json, tmp_path):
    visit.choose("model", "published")
    visit.says("[data-is=loud]", "NO HISTORY")
    assert visit.find("[data-is=loud]").is_displayed()
    visit.book()
    visit.says("section .loud + p", "Chance of overrun")  # said again above the slots
    visit.says("[data-is=guesses]", "no history")
    broken = tmp_path / "broken.json"
    broken.write_text("{}")
    visit.find("[name=model_file]").send_keys(str(broken))
    visit.says(".refused", "The file is no model file")
    visit.find("[name=model_file]").send_keys(str(unit_json))
    visit.says("[data-is=rests-on]", "past cases")
    until(lambda: not visit.find("[data-is=loud]").is_displayed(), "the warning goes")


@pytest.mark.slow
@needs_browser
def test_everything_can_be_done_from_the_keyboard_alone(visit):
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    def key(*keys: str) -> None:
        ActionChains(visit.driver).send_keys(*keys).perform()

    def walk(name: str) -> list[str]:
        """Tab until the field of that name has the focus; each stop must be seen."""
        passed = []
        for _ in range(60):
            active = visit.driver.switch_to.active_element
            label = active.get_attribute("name") or active.get_attribute("data-is") or active.tag_name
            if label == name:
                return passed
            passed.append(label)
            key(Keys.TAB)
            outline = visit.driver.execute_script(
                "const s = getComputedStyle(document.activeElement);return [s.outlineStyle, parseFloat(s.outlineWidth)]"
            )
            assert outline[0] != "none" and outline[1] >= 2, f"the focus after {label} cannot be seen"
        raise AssertionError(f"{name} is not reached: {passed}")

    walk("gland_ml")
    key("13x", Keys.ENTER)
    visit.says(".refused", "“13x” is not allowed")
    assert visit.find("[name=gland_ml]").get_attribute("aria-invalid") == "true"
    walk("a")  # to the link in the list of what is wrong, which leads back to the field
    key(Keys.ENTER)
    assert visit.driver.switch_to.active_element.get_attribute("name") == "gland_ml"
    key(Keys.BACKSPACE, "0", Keys.ENTER)
    visit.says("[data-is=headline]", "Book")
    stops = walk("slot")
    assert "overrun_percent" in stops and "bookings_file" in stops and "summary" in stops
    before = visit.text("[data-is=risk]")
    key(Keys.PAGE_UP)
    until(lambda: visit.text("[data-is=risk]") != before, "the risk changes")
    assert "slot_min" in walk("csv")
    key(Keys.ENTER)
    assert b"slot_min" in visit.downloaded("slots.csv")


@pytest.mark.slow
@needs_browser
def test_screen_readers_are_told_what_everything_is(visit):
    visit.book()
    visit.says("[data-is=headline]", "Book")
    assert visit.find("html").get_attribute("lang") == "en-GB"
    controls = visit.named_controls()
    assert len(controls) > 20
    assert [role for role, name in controls if not name] == []
    levels = [int(node.tag_name[1]) for node in visit.all("h1, h2, h3, h4, h5, h6") if node.is_displayed()]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    for table in visit.all("table"):
        assert table.find_elements("css selector", "caption")
        assert all(cell.get_attribute("scope") in ("col", "row") for cell in table.find_elements("css selector", "th"))
    assert len(visit.all("[role=main]")) == 1
    ids = visit.driver.execute_script("return [...document.querySelectorAll('[id]')].map((node) => node.id)")
    assert len(ids) == len(set(ids))


@pytest.mark.slow
@needs_browser
def test_a_narrow_screen_needs_no_sideways_scrolling(server, tmp_path):
    visit = Visit(server, tmp_path, width=320)
    try:
        (tmp_path / "list.csv").write_text(FILE)
        visit.find("[name=bookings_file]").send_keys(str(tmp_path / "list.csv"))
        visit.says("[data-is=headline]", "Book")
        for summary in visit.all("summary"):
            visit.driver.execute_script("arguments[0].parentElement.open = true", summary)
        assert visit.driver.execute_script("return document.documentElement.scrollWidth") == 320
        beyond = visit.driver.execute_script(
            "return [...document.querySelectorAll('body *')].filter((node) => !node.closest('.box')"
            " && node.getBoundingClientRect().right > 320.5 && getComputedStyle(node).clipPath === 'none')"
            ".map((node) => node.outerHTML.slice(0, 90))"
        )
        assert beyond == []
        small = [node.get_attribute("name") for node in visit.all("input, select") if 0 < node.size["height"] < 44]
        assert small == []
    finally:
        visit.driver.quit()


@pytest.mark.slow
@needs_browser
def test_no_request_leaves_the_machine_and_the_browser_would_refuse_one(visit):
    visit.book()
    visit.says("[data-is=headline]", "Book")
    asked = [event["params"] for event in visit.events() if event["method"] == "Network.requestWillBeSent"]
    sockets = [event["params"]["url"] for event in visit.events() if event["method"] == "Network.webSocketCreated"]
    urls = [one["request"]["url"] for one in asked] + sockets
    assert len(urls) > 10
    for url in urls:
        parts = urlsplit(url.removeprefix("blob:"))
        assert parts.scheme == "data" or parts.hostname == "127.0.0.1", url
    blocked = visit.driver.execute_async_script(
        "const done = arguments[0];"
        "document.addEventListener('securitypolicyviolation', (event) => done(event.effectiveDirective));"
        "fetch('http://192.0.2.1/').catch(() => {}); setTimeout(() => done('nothing was blocked'), 5000);"
    )
    assert blocked == "connect-src"


@pytest.mark.slow
@needs_browser
def test_no_source_and_no_other_door(server, visit):
    import urllib.error
    import urllib.request

    assert "scheduler_page(" not in visit.driver.page_source

    def status(path: str, host: str = "") -> int:
        address = server.url.split("?")[0].rstrip("/") + path
        request = urllib.request.Request(address, headers={"Host": host} if host else {})
        try:
            with urllib.request.urlopen(request, timeout=LONGEST_S) as reply:
                return 303 if "login" in reply.url else int(reply.status)
        except urllib.error.HTTPError as error:
            with error:
                return int(error.code)

    token = "?" + server.url.split("?")[1]
    assert status("/") == 303  # without the token one is asked for it
    assert status("/" + token, host="evil.example.org") == 403  # a name that was made to lead here
    for path in ("/voila/files/scheduler.ipynb", "/voila/files/../model.json", "/scheduler.ipynb", "/api/kernels"):
        assert status(path + token) in (403, 404), path
    config = visit.find("#jupyter-config-data").get_property("textContent")
    kernel = f"/api/kernels/{json.loads(config)['kernelId']}"
    assert status(kernel + token) == 200
    assert status(kernel) == status(kernel + "/channels") == 403  # nobody joins a visit without the token
    assert "Traceback" not in server.words()


@pytest.mark.slow
@needs_browser
@pytest.mark.parametrize("by", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_nothing_is_left_after_the_visit(by, tmp_path):
    with tempfile.TemporaryDirectory(prefix="lt", dir="/tmp") as folder:
        server = Server(Path(folder))
        try:
            assert "published evidence alone" in server.words()
            visit = Visit(server, tmp_path)
            (tmp_path / "list.csv").write_text(FILE.replace("K-1", f"K-{CANARY}"))
            visit.find("[name=bookings_file]").send_keys(str(tmp_path / "list.csv"))
            visit.says("[data-is=slots]", CANARY)
            assert len(server.kernels()) == 1
            written = [path for path in server.files() if CANARY.encode() in path.read_bytes()]
            assert written == []  # not even while the page is open
            visit.driver.get("about:blank")
            until(lambda: not server.kernels(), "the kernel ends with the visit")
            visit.driver.quit()
        finally:
            ended = server.stop(by)
        assert ended == 0
        assert server.files() == []
        assert list(server.tmp.iterdir()) == []
        assert CANARY not in server.words()
