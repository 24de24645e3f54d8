"""Nothing that the program writes lets a case out.

Every column of every file holds canaries: values that stand nowhere else. Then every command runs, and every byte that
it leaves behind (files, what is inside of them, both streams, temporary folder) is searched.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import pickle
import re
import subprocess
import sys
import traceback
import warnings
import zipfile
import zlib
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

import lobetime as lt
from lobetime.spreadsheet import as_written, neutral, neutral_table

DATASETS = Path(lt.datasets.__file__).parent
FRACTIONS = {  # of numbers, one for each column: digits that no computed number will have
    "gland_ml": "0.417290356",
    "tissue_g": "0.529174863",
    "enucleation_min": "0.638205197",
    "haemostasis_min": "0.746318259",
    "morcellation_min": "0.291746385",
    "operative_min": "1.676269841",  # the sum of the three, or it would contradict them
    "theatre_min": "0.374619285",
    "turnover_min": "0.815926374",
}
SECRETS = {  # of columns that nobody needs: dropped, or kept out
    "Nachname": "Canariensis",
    "Geburtsdatum": "1941-03-17",
    "NHS number": "9434765919",
    "remark": "kanarie heard singing",
}


def planted(name: str) -> pd.DataFrame:
    """A file of the demo unit, with canaries; without cells that look wrong, which a warning shows on purpose."""
    table = pd.read_csv(DATASETS / f"demo_{name}.csv", dtype={"case_id": str})
    if name in ("history", "bookings"):
        wrong = lt.check_file(DATASETS / f"demo_{name}.csv", name)["row"]
        table = table.drop(index=[row - 2 for row in set(wrong) if row > 1]).head(160).reset_index(drop=True)
    for column, fraction in FRACTIONS.items():
        if column in table:
            table[column] = table[column].astype(float) + float(fraction)
    if "case_id" in table:
        table["case_id"] = [f"{name}-canary-{i:04d}" for i in range(len(table))]
    for heading, secret in SECRETS.items():
        table[heading] = secret
    return table


def needles(name: str, columns: Iterable[str]) -> dict[str, str]:
    """What to search for: where it was planted -> text."""
    found = {f"{name} {column}": FRACTIONS[column][2:] for column in columns if column in FRACTIONS}
    if "case_id" in columns:
        found[f"{name} case_id"] = f"{name}-canary"
    return found | {f"{name} {heading}": secret for heading, secret in SECRETS.items()}


def texts(content: bytes) -> list[bytes]:
    """The content, and what is packed inside of it."""
    found = [content]
    if zipfile.is_zipfile(io.BytesIO(content)):
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            found += [
                part for name in archive.namelist() for part in (name.encode(), archive.read(name), archive.comment)
            ]
    for packed in re.finditer(rb"(?:zTXt|iTXt|IDAT|stream\r?\n)", content):
        start = content.find(b"\x78", packed.end())  # a zlib stream begins so
        with contextlib.suppress(zlib.error):  # no stream of zlib's after all
            found.append(zlib.decompressobj().decompress(content[start:]))
    return found


def let_out(content: bytes, wanted: dict[str, str]) -> list[str]:
    """Which canaries the content holds."""
    everything = texts(content)
    return [where for where, text in wanted.items() if any(text.encode() in part for part in everything)]


@pytest.fixture(scope="module")
def files(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("unit")
    for name in ("history", "bookings", "sessions", "stock"):
        planted(name).to_csv(folder / f"{name}.csv", index=False)
    return folder


def run(folder: Path, out: Path, *arguments: str, code: int = 0) -> dict[str, bytes]:
    """What a command leaves behind: streams, written files, temporary files."""
    out.mkdir()
    temporary = out / "tmp"
    temporary.mkdir()
    settings = {"TMPDIR": str(temporary), "COLUMNS": "300", "MPLCONFIGDIR": str(folder / "matplotlib")}
    drops = [text for heading in list(SECRETS)[:3] for text in ("--drop", heading)]
    command = [sys.executable, "-m", "lobetime", *arguments, *drops]
    done = subprocess.run(command, capture_output=True, cwd=out, env=os.environ | settings, check=False)
    assert done.returncode == code, done.stderr.decode()
    left = {str(path.relative_to(out)): path.read_bytes() for path in out.rglob("*") if path.is_file()}
    assert not [name for name in left if name.startswith("tmp")]
    return left | {"stdout": done.stdout, "stderr": done.stderr}


@pytest.fixture(scope="module")
def model_file(files) -> Path:
    run(files, files / "fitted", "fit", str(files / "history.csv"), "--out", "unit.json")
    return files / "fitted" / "unit.json"


def searched(left: dict[str, bytes], wanted: dict[str, str]) -> dict[str, list[str]]:
    return {name: found for name, content in left.items() if (found := let_out(content, wanted))}


HISTORY = needles("history", ["case_id", *FRACTIONS])
BOOKINGS = needles("bookings", ["case_id", *FRACTIONS])


def test_the_search_finds_what_is_there():
    book = openpyxl.Workbook()
    book.active.append(["x", 61.529174863])
    content = io.BytesIO()
    book.save(content)
    assert let_out(content.getvalue(), HISTORY) == ["history tissue_g"]
    import matplotlib.pyplot as plt

    picture = io.BytesIO()
    figure = plt.figure(figsize=(1, 1))
    figure.savefig(picture, format="png", metadata={"Comment": "history-canary-0001"})
    plt.close(figure)
    assert let_out(picture.getvalue(), HISTORY) == ["history case_id"]
    assert let_out(b"1941-03-17", HISTORY) == ["history Geburtsdatum"]


def test_a_model_file_and_what_fit_says_hold_no_case(files, model_file):
    history = str(files / "history.csv")
    left = run(files, files / "fit", "fit", history, "--out", "unit.json", "--csv", "numbers.csv")
    left |= {"told": run(files, files / "fit json", "fit", history, "--out", "unit.json", "--json")["stdout"]}
    assert {"unit.json", "numbers.csv", "stdout", "stderr", "told"} <= set(left)
    # Lowest, median and highest gland are said on purpose: where the model extrapolates follows from them.
    glands = {f"{gland:.9f}" for gland in planted("history")["gland_ml"]}
    for content in left.values():
        shown = set(re.findall(r"\d+\.\d{9}", content.decode("latin-1"))) & glands
        assert len(shown) <= 4  # the median may lie between two
    wanted = {where: text for where, text in HISTORY.items() if where != "history gland_ml"}
    assert searched(left, wanted) == {}
    days = set(pd.read_csv(DATASETS / "demo_history.csv")["operated_on"])
    assert not any(day.encode() in content for day in days for content in left.values())


def test_a_model_file_is_data(model_file):
    content = json.loads(model_file.read_text(encoding="utf-8"))
    assert isinstance(content, dict)
    with pytest.raises(lt.InvalidModelFile):
        hostile = model_file.parent / "hostile.json"
        hostile.write_bytes(pickle.dumps({"format": "lobetime model"}))
        lt.load_model(hostile)
    sources = "\n".join(path.read_text(encoding="utf-8") for path in Path(lt.__file__).parent.rglob("*.py"))
    assert not re.search(
        r"^\s*(?:import|from) (?:pickle|shelve|marshal|dill)\b|\bjoblib\.(?:load|dump)|[^.]\beval\(|\bexec\(",
        sources,
        re.M,
    )


def test_slots_hold_the_bookings_alone(files, model_file):
    bookings, history = str(files / "bookings.csv"), str(files / "history.csv")
    left = run(files, files / "slots", "slots", bookings, "--model", str(model_file), "--csv", "slots.csv")
    left |= {"table": run(files, files / "slots table", "slots", bookings, "--history", history)["stdout"]}
    left |= {"told": run(files, files / "slots json", "slots", bookings, "--history", history, "--json")["stdout"]}
    wanted = {where: text for where, text in (HISTORY | BOOKINGS).items() if where not in _MAY_BE_SAID}
    assert searched(left, wanted) == {}
    assert b"bookings-canary-0001" in left["slots.csv"]  # what a plan needs is there


_MAY_BE_SAID = {"bookings case_id", "bookings gland_ml", "history gland_ml"}


def test_plans_hold_case_ids_and_what_the_lists_need(files, model_file):
    names = ("bookings", "sessions")
    wanted = {where: text for where, text in (HISTORY | BOOKINGS).items() if where not in _MAY_BE_SAID}
    inputs = [*(str(files / f"{name}.csv") for name in names), "--stock", str(files / "stock.csv")]
    outputs = ["--excel", "plan.xlsx", "--calendar", "plan.ics", "--picture", "plan.png", "--room-sheets", "plan.html"]
    outputs += ["--fhir", "plan.fhir.json", "--timezone", "Europe/London", "--csv", "plan.csv"]
    left = run(files, files / "lists", "lists", *inputs, "--model", str(model_file), *outputs, "--json")
    assert len(left) == 8
    assert searched(left, wanted) == {}
    ids = {name for name, content in left.items() if let_out(content, {"id": "bookings-canary"})}
    assert ids == {"plan.xlsx", "plan.html", "plan.csv", "stdout"}  # and no calendar, picture or bundle


def test_devices_reports_and_monitor_hold_no_case(files):
    history = str(files / "history.csv")
    wanted = {where: text for where, text in HISTORY.items() if where != "history gland_ml"}
    left = run(files, files / "devices", "devices", history, "--csv", "devices.csv", "--picture", "devices.png")
    left |= {"told": run(files, files / "devices json", "devices", history, "--json")["stdout"]}
    assert searched(left, wanted) == {}
    pages = ["report.html", "report.pdf"]
    reported = [run(files, files / f"in {page}", "report", history, "--out", page, "--folds", "2") for page in pages]
    reported.append(run(files, files / "in json", "report", history, "--out", "r.html", "--folds", "2", "--json"))
    assert [searched(one, wanted) for one in reported] == [{}] * 3
    since = str(planted("history")["operated_on"].iloc[120])
    watched = run(files, files / "monitor", "monitor", history, "--since", since, "--csv", "signals.csv")
    watched |= {"told": run(files, files / "told", "monitor", history, "--since", since, "--json")["stdout"]}
    # A signal names the case at which it came: somebody has to look there.
    assert searched(watched, {where: text for where, text in wanted.items() if where != "history case_id"}) == {}
    ids = set(re.findall(rb"history-canary-\d+", watched["told"]))
    assert len(ids) <= 2 * len(json.loads(watched["told"])["signals"])


def test_errors_and_tracebacks_name_the_cell_and_no_other(files):
    table = planted("history")
    table["gland_ml"] = table["gland_ml"].astype(object)
    table.loc[7, "gland_ml"] = "sixty"
    path = files / "broken.csv"
    table.to_csv(path, index=False)
    wanted = {where: text for where, text in HISTORY.items() if where != "history gland_ml"}
    for arguments in (["check", str(path)], ["check", str(path), "--json"], ["fit", str(path), "--out", "unit.json"]):
        out = files / f"broken {len(list(files.iterdir()))}"
        left = run(files, out, *arguments, code=1)
        assert b"sixty" in left["stdout"] + left["stderr"]
        assert searched(left, wanted) == {}
        assert not any(FRACTIONS["gland_ml"][2:].encode() in content for content in left.values())
    try:
        lt.read_cases(path)
    except lt.InvalidData as error:
        said = "".join(traceback.format_exception(error)).encode()
        assert let_out(said, {where: text for where, text in wanted.items() if text not in SECRETS.values()}) == []
        assert b"Canariensis" not in said


def test_a_refused_column_of_identity_is_named_without_any_value(files):
    done = subprocess.run(
        [sys.executable, "-m", "lobetime", "fit", str(files / "history.csv"), "--out", str(files / "no.json")],
        capture_output=True,
        check=False,
    )
    assert done.returncode == 1
    assert b"Nachname" in done.stderr
    assert let_out(done.stdout + done.stderr, HISTORY) == []
    assert not (files / "no.json").exists()


def test_a_file_in_another_encoding_tells_the_place_and_no_text(files):
    path = files / "latin.csv"
    path.write_bytes("gland_ml,operative_min,remark\n60,75,M\xfcller von K\xf6ln\n".encode("latin-1"))
    with pytest.raises(lt.InvalidData, match=r"row 2, remark") as caught:
        lt.read_cases(path)
    assert "ller" not in str(caught.value)


def test_objects_in_memory_say_no_case_when_they_are_printed():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        cases = lt.read_cases(planted("history"), drop=list(SECRETS))
    model = lt.TheatreTimeModel().fit(cases)
    said = "\n".join([repr(cases), repr(model), str(model.summary()), repr(model.calibration)]).encode()
    wanted = {
        where: text for where, text in HISTORY.items() if where not in ("history gland_ml", "history operative_min")
    }
    assert let_out(said, wanted) == []
    # A pickle of a model is for copies in memory; it holds the model file's text, and no case either.
    assert let_out(pickle.dumps(model), wanted) == []


# --- spreadsheets ----------------------------------------------------------------------------------------------------

HOSTILE = [
    "=1+1",
    "+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    '=HYPERLINK("http://example.org")',
    "＝1+1",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_a_text_that_a_spreadsheet_would_run_gets_an_apostrophe(text):
    assert neutral(text) == "'" + text
    assert neutral(neutral(text)) == neutral(text)
    assert as_written(neutral(text)) == text


@pytest.mark.parametrize("text", ["", "a", "-5", "+5.25", "-1e-3", "a=b", "5 - 3", "'quoted'", "C-17"])
def test_numbers_and_other_texts_stay_as_they_are(text):
    assert neutral(text) == text
    assert as_written(text) == text


def test_numbers_in_tables_stay_numbers():
    table = pd.DataFrame(
        {"=n": [-1.5, 2.0], "i": [-1, 1], "t": ["=a", None], "o": [-3, "=b"], "d": pd.to_datetime(["2026-01-05"] * 2)}
    )
    told = neutral_table(table)
    assert list(told.columns) == ["'=n", "i", "t", "o", "d"]
    assert told.dtypes.drop("'=n").equals(table.dtypes.drop("=n"))
    assert told["o"].tolist() == [-3, "'=b"]
    assert told["'=n"].tolist() == [-1.5, 2.0]


@pytest.mark.parametrize("sign", ["=1+1", "+1+1", "-1+1", "@x"])
def test_no_output_of_a_plan_runs_a_hostile_code(tmp_path, sign):
    frame = pd.read_csv(DATASETS / "demo_bookings.csv").head(4).assign(surgeon=sign)
    frame["case_id"] = [f"{sign}{i}" for i in range(len(frame))]
    sessions = pd.DataFrame(
        {"session_id": [sign], "starts_at": ["2026-01-05T08:00"], "minutes": [480], "surgeon": [sign]}
    )
    bookings = lt.read_bookings(frame.drop(columns="due_by"))
    plan = lt.plan_lists(lt.TheatreTimeModel().predict(bookings, draws=500), bookings, lt.read_sessions(sessions))
    assert len(plan.cases)
    table = pd.read_csv(io.StringIO(lt.lists.to_csv_table(plan).to_csv(index=False)), dtype=str, keep_default_na=False)
    bad = [cell for cell in np.ravel(table.to_numpy()) if cell[:1] in set("=+-@\t\r") and neutral(cell) != cell]
    assert bad == []
    (tmp_path / "told.csv").write_text(lt.lists.to_csv_table(plan).to_csv(index=False), encoding="utf-8")
    assert set(lt.lists.read_told(tmp_path / "told.csv").items()) == {(one, sign) for one in plan.cases["case_id"]}
    lt.lists.write_workbook(plan, tmp_path / "plan.xlsx")
    with zipfile.ZipFile(tmp_path / "plan.xlsx") as archive:
        sheets = [archive.read(name).decode() for name in archive.namelist() if name.startswith("xl/worksheets/")]
    assert not any("<f>" in sheet or "<f " in sheet for sheet in sheets)
    cells = openpyxl.load_workbook(tmp_path / "plan.xlsx")["Cases"]
    hostile = [
        cell
        for row in cells.iter_rows(min_row=3)
        for cell in row
        if isinstance(cell.value, str) and cell.value[0] == sign[0]
    ]
    assert hostile
    assert all(cell.data_type == "s" and cell.quotePrefix for cell in hostile)


def test_csv_of_the_command_line_is_neutral(tmp_path):
    pd.DataFrame({"gland_ml": [60.0], "case_id": ["=1+1"], "surgeon": ["@x"]}).to_csv(tmp_path / "b.csv", index=False)
    command = [sys.executable, "-m", "lobetime", "slots", str(tmp_path / "b.csv"), "--csv", str(tmp_path / "s.csv")]
    subprocess.run(command, check=True, capture_output=True)
    table = pd.read_csv(tmp_path / "s.csv")
    assert table.loc[0, ["case_id", "surgeon"]].tolist() == ["'=1+1", "'@x"]
    assert table["slot_min"].dtype.kind in "fi"
