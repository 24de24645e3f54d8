"""`lobetime devices`: what it says, what it writes, what it refuses."""

import csv
import json
from pathlib import Path

import pandas as pd
import pytest
from rich.cells import cell_len
from typer.testing import CliRunner

import lobetime as lt
from lobetime import cli
from lobetime.devices.reading import read_costs

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


def test_an_unknown_reference_is_wrong_usage_and_names_the_known_ones():
    said = run(HISTORY, *FEW, "--reference", "steam")
    assert said.exit_code == 2
    assert "oscillating/wall, 2000 mL" in " ".join(said.stderr.replace("│", " ").split())


@pytest.mark.parametrize("columns", [80, 120])
def test_no_class_is_broken_and_no_line_too_long(columns):
    said = run(HISTORY, *FEW, "--class", "reciprocating/vacuum", "--canister", "drain", *RANKED, columns=columns)
    assert said.exit_code == 0, said.stderr
    lines = [line.rstrip() for line in said.stdout.splitlines()]
    assert max(map(cell_len, lines)) <= columns
    cells = {line.split("  ")[0] for line in lines}
    assert not cells & {"/", "drain"}
    assert {"vacuum", "wall"} <= cells if columns == 80 else {"oscillating/vacuum", "oscillating/wall"} <= cells


# --------------------------------------------------------------------------------------------- safety, cost and ranks

RANKED = [
    "--weights",
    "efficiency=3,wall_injury=2 to 4,malfunction=1,service=1",
    "--service",
    "oscillating/vacuum=5 to 8",
]
PRICES = """class,capital,life_years,service_per_year,disposable_price,disposable_uses,other_per_case,canister_price
oscillating/vacuum,20000 to 30000,7,1500,180,1,20,8
oscillating/wall,15000,7,1000,180,1,20,8
"""
COUNTS = """class,event,events,cases
oscillating/vacuum,wall_injury,2,105
oscillating/wall,wall_injury,1,4
"""


def write(path, text):
    path.write_text(text, encoding="utf-8")
    return path


def test_safety_is_told_of_every_class_and_unknown_where_nobody_looked(told):
    said = " ".join(told.stdout.split())
    assert "Wall injury: expected events, 90 % interval below" in said
    assert "Malfunction: expected events, 90 % interval below" in said
    assert "Minutes lost to malfunctions, chance times delay" in said
    assert "oscillating/wall unknown unknown 0 of 0 0 unknown 0 to 1,000 0 to 140 (said: none)" in said
    assert "oscillating/vacuum, newer" in said  # what the evidence parts from the class
    assert "oscillating/wall unknown unknown" in said.partition("Minutes lost")[2]


def test_own_counts_of_injuries_make_a_class_known(tmp_path):
    path = write(tmp_path / "injuries.csv", COUNTS)
    said = run(HISTORY, *FEW, "--injuries", path, "--json")
    rows = {(row["class"], row["event"]): row for row in json.loads(said.stdout)["safety"]["table"]}
    wall = rows["oscillating/wall", "wall_injury"]
    assert (wall["own_events"], wall["own_cases"], wall["origin"]) == (1, 4, "own cases")
    assert 0 < wall["lower"] < wall["estimate"] < wall["upper"] < 1
    assert rows["oscillating/wall", "malfunction"]["estimate"] is None
    assert rows["oscillating/vacuum", "wall_injury"]["own_cases"] == 105


def test_every_problem_of_both_files_is_told_with_row_and_column(tmp_path):
    counts = COUNTS + "spinning/hoover,fire,-1,0\noscillating/vacuum,wall_injury,200,105\n,malfunction,1,x\n"
    said = run(HISTORY, *FEW, "--injuries", write(tmp_path / "injuries.csv", counts))
    assert said.exit_code == 1
    told = " ".join(said.stderr.split())
    for part in (
        "injuries.csv: the data were refused, 7 problems",
        "4 class spinning/hoover",
        "4 event fire",
        "4 cases 0",
        "5 class oscillating/vacuum wall_injury of a class once",
        "5 events 200 0 to the 105 cases",
        "6 class",
        "6 cases x",
    ):
        assert part in told, part

    prices = PRICES.replace(",other_per_case", "").replace(",20,8", ",8").replace("180,1,8\n", "ask,0,8\n", 1)
    prices = prices.replace("15000,7", ",9 to 5") + "oscillating/vacuum,1,1,1,1,1,1\n"
    said = run(HISTORY, *FEW, "--costs", write(tmp_path / "p.csv", prices), "--minute-cost", "20", "--currency", "EUR")
    assert said.exit_code == 1
    told = " ".join(said.stderr.split())
    for part in (
        "p.csv: the data were refused, 6 problems",
        "1 other_per_case a column other_per_case",
        "2 disposable_price ask",
        "2 disposable_uses 0 a number, or a range such as 150 to 250, the lower end first, of at least 1",
        "3 capital",
        "3 life_years 9 to 5",
        "4 class oscillating/vacuum one row a class",
    ):
        assert part in told, part


def test_cost_of_a_case_and_break_even_in_the_units_own_currency(tmp_path):
    path = write(tmp_path / "prices.csv", PRICES + "reciprocating/vacuum,1,1,1,1,1,1,1\n")
    said = run(HISTORY, *FEW, "--costs", path, "--minute-cost", "15 to 25", "--currency", "thalers")
    assert said.exit_code == 0, said.stderr
    words = " ".join(said.stdout.split())
    assert "Cost of a case, thalers; less: that of the reference *" in words
    assert "oscillating/wall, 2000 mL cheaper than the reference:" in words
    assert "cases a year" in words
    assert "a minute of theatre: 15 to 25 thalers (as given)" in words
    assert "prices of classes that are not compared: reciprocating/vacuum" in said.stderr


def test_a_class_without_prices_is_named(tmp_path):
    path = write(tmp_path / "prices.csv", PRICES.rpartition("oscillating/wall")[0])
    said = run(HISTORY, *FEW, "--costs", path, "--minute-cost", "20", "--currency", "EUR")
    assert said.exit_code == 1
    assert "no inputs for oscillating/wall" in said.stderr


def test_ranks_by_the_units_own_weights():
    said = run(HISTORY, *FEW, *RANKED)
    words = " ".join(said.stdout.split())
    assert "Ranked; weights efficiency 3, wall_injury 2 to 4, malfunction 1, service 1" in words
    assert "10 more tell: gain in expected score from ten more cases" in words
    assert "Gain in expected score, were it known before choosing: efficiency" in words
    ranked = words.partition("Ranked;")[2]
    assert "efficiency" in ranked.partition("10 more tell:")[0].partition("2000 mL")[2]  # unknown of the class
    assert words.endswith(lt.CAUTION)


def test_json_holds_safety_cost_and_ranks_each_with_the_caution(tmp_path):
    path = write(tmp_path / "prices.csv", PRICES)
    money = ["--costs", path, "--minute-cost", "20", "--currency", "EUR"]
    said = run(HISTORY, *FEW, *money, "--weights", "efficiency=1,cost=1", "--json")
    content = json.loads(said.stdout)
    assert {content[name]["caution"] for name in ("safety", "cost", "decision")} == {lt.CAUTION}
    assert content["decision"]["weights"]["malfunction"] == 0.0
    first = sum(row["1"] for row in content["decision"]["acceptability"])
    assert first == pytest.approx(1.0)
    assert {row["option"] for row in content["cost"]["break_even"]} == {"oscillating/wall, 2000 mL"}
    assert all("gain" in row for row in content["decision"]["more_cases"])


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_a_page_of_pictures(kind, tmp_path):
    path = tmp_path / f"page.{kind}"
    said = run(HISTORY, *FEW, *(RANKED if kind == "png" else []), "--picture", path)
    assert (said.exit_code, said.stdout) == (0, ""), said.stderr
    assert lt.CAUTION in " ".join(said.stderr.split())
    assert path.read_bytes().startswith({"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}[kind])


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--minute-cost", "20"], "goes with --costs"),
        (["--costs", HISTORY], "goes with --costs"),
        (["--service", "oscillating/vacuum=5"], "goes with --weights"),
        (["--weights", "speed=1"], "there are no draws of 'speed' to weigh"),
        (["--weights", "efficiency=fast"], "a number, or a range"),
        (["--weights", "efficiency"], "is not NAME=WEIGHT"),
        (["--weights", "efficiency=1,cost=1"], "needs --costs"),
        (["--weights", "efficiency=1,service=1"], "go together"),
        (["--weights", "efficiency=0"], "above 0"),
        ([*RANKED[:3], "oscillating/vacuum=11"], "a number from 0 to 10"),
        ([*RANKED[:3], "steam=5"], "no class of the comparison"),
        (["--picture", "page.jpg"], "does not end in .png"),
    ],
)
def test_wrong_usage_of_cost_ranks_and_picture_ends_with_2(arguments, words):
    said = run(HISTORY, *FEW, *arguments)
    assert said.exit_code == 2
    assert words in " ".join(said.stderr.replace("│", " ").split())


def test_prices_are_read_as_people_write_them(tmp_path):
    text = PRICES.replace(",", ";").replace("20000 to 30000", "20000,5 to 30000").replace("oscillating/wall", "X")
    text = text.replace("X", "Oscillating / Wall, 2x3000")
    read = read_costs(write(tmp_path / "prices.csv", text))
    assert list(read) == ["oscillating/vacuum", "oscillating/wall, 2 x 3000 mL"]
    assert read["oscillating/vacuum"].capital == (20000.5, 30000.0)
    assert read["oscillating/vacuum"].canister_price == 8.0
    frame = pd.read_csv(write(tmp_path / "plain.csv", PRICES))
    assert read_costs(frame)["oscillating/wall"].capital == 15000.0
    with pytest.raises(lt.InvalidData, match="a column of these"):
        read_costs(frame.assign(colour="red"))
    with pytest.raises(lt.InvalidData, match="remove it from the file"):
        read_costs(frame.assign(patient_name="nobody"))
