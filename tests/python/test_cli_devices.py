"""`lobetime devices`: what it says, what it writes, what it refuses."""

import csv
import json
from pathlib import Path

import pytest
from rich.cells import cell_len
from typer.testing import CliRunner

import lobetime as lt
from lobetime import cli

HISTORY = Path(lt.datasets.__file__).parent / "demo_history.csv"
FEW = ["--class", "oscillating/vacuum", "--class", "oscillating/wall", "--canister", "2000", "--draws", "100"]


def run(*args, columns=100):
    env = {"COLUMNS": str(columns), "TERM": "xterm", "NO_COLOR": None, "FORCE_COLOR": None}
    return CliRunner().invoke(cli.app, ["devices", *(str(arg) for arg in args)], prog_name="lobetime", env=env)


@pytest.fixture(scope="module")
def told():
    return run(HISTORY, *FEW)


def test_a_table_for_people_with_words_origins_and_the_caution(told):
    assert told.exit_code == 0, told.stderr
    said = " ".join(told.stdout.split())
    assert "2 options on the same 418 cases of demo_history.csv" in said
    assert "oscillating/vacuum: fitted from 108 cases of the unit" in said
    assert "oscillating/wall: no studies" in said
    assert "A session of 240 min takes" in said
    assert "Taken from elsewhere: the case mix" in said
    assert said.endswith(lt.CAUTION)


def test_the_table_fits_a_screen_of_100_columns(told):
    assert max(map(cell_len, told.stdout.splitlines())) <= 100
    assert "2000 mL *" in told.stdout  # the reference


def test_json_holds_every_table_and_the_caution():
    said = run(HISTORY, *FEW, "--reference", "oscillating/wall", "--cases-per-year", "50", "--json")
    content = json.loads(said.stdout)
    assert content["command"] == "devices"
    assert content["caution"] == lt.CAUTION
    assert content["reference"] == "oscillating/wall, 2000 mL"
    assert content["facts"]["cases_per_year"] == 50
    assert {"options", "by_gland", "crossings", "sessions", "curves", "assumptions", "warnings"} <= set(content)
    assert content["origin"] == "history"


def test_csv_is_one_row_an_option(tmp_path):
    path = tmp_path / "options.csv"
    said = run(HISTORY, *FEW, "--csv", path)
    assert (said.exit_code, said.stdout) == (0, "")
    assert lt.CAUTION in " ".join(said.stderr.split())
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["option"] for row in rows] == ["oscillating/vacuum, 2000 mL", "oscillating/wall, 2000 mL"]
    assert rows[1]["evidence"] == "no studies"


def test_a_model_file_is_used_instead_of_a_fit(model, tmp_path):
    path = tmp_path / "unit.json"
    model.save(path)
    content = json.loads(run(HISTORY, *FEW, "--model", path, "--json").stdout)
    assert content["origin"] == "model file"
    assert content["facts"]["fitted_cases"] == 420


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--class", "oscillating/hoover"], "suction must be vacuum, peristaltic or wall"),
        (["--canister", "bucket"], "a collection is mL"),
        (["--overrun-risk", "2"], "not a chance"),
        (["--cases-per-year", "0"], "cases-per-year"),
    ],
)
def test_wrong_usage_is_told_and_ends_with_2(arguments, words):
    said = run(HISTORY, *arguments)
    assert said.exit_code == 2
    assert words in " ".join(said.stderr.split())


def test_an_unknown_reference_names_the_known_ones_and_ends_with_1():
    said = run(HISTORY, *FEW, "--reference", "steam")
    assert said.exit_code == 1
    assert "oscillating/wall, 2000 mL" in " ".join(said.stderr.split())
