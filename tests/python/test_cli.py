"""The command line: what it says, where it says it, what it writes and how it ends."""

import csv
import io
import json
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rich.cells import cell_len
from typer.testing import CliRunner

import lobetime as lt
from lobetime import _core, cli
from lobetime.plain import plain

DATASETS = Path(lt.datasets.__file__).parent
HISTORY = DATASETS / "demo_history.csv"
BOOKINGS = DATASETS / "demo_bookings.csv"
REFUSED = """case_id,gland_ml,surgeon,blade,suction
a,-5,A,spinning,vacuum
a,,"[red]B",oscillating,vacuum
b,60 mL,C,oscillating,hoover
c,70,C,oscillating,vacuum
"""
SLOT_COLUMNS = [
    "case_id",
    "gland_ml",
    "surgeon",
    "slot_min",
    "overrun_risk",
    "median_min",
    "q80_min",
    "q90_min",
    "enucleation_min",
    "haemostasis_min",
    "morcellation_min",
    "room_min",
    "expected_swaps",
    "why",
    "warnings",
]
# Kept apart from the caution's own definition: what people see must not lose a word by accident.
CAUTION_START = "For planning theatre time only; not clinical advice."
CAUTION_END = "local policy and the judgement of the licensed team."


def run(*args, columns=100, **env):
    """Runs a command in this process; the result has exit_code, stdout and stderr."""
    variables = {"COLUMNS": str(columns), "TERM": "xterm", "NO_COLOR": None, "FORCE_COLOR": None} | env
    return CliRunner().invoke(cli.app, [str(arg) for arg in args], prog_name="lobetime", env=variables)


def run_process(*args, **env):
    return subprocess.run(
        [sys.executable, "-m", "lobetime", *map(str, args)],
        capture_output=True,
        encoding="utf-8",
        env=os.environ | {"COLUMNS": "100"} | env,
        check=False,
    )


def run_on_terminal(*args):
    """Exit code and what standard error, being a terminal, showed."""
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "lobetime", *map(str, args)],
        stdin=theirs,
        stdout=subprocess.PIPE,
        stderr=theirs,
        env=os.environ | {"TERM": "xterm", "COLUMNS": "100"},
    ) as process:
        os.close(theirs)
        shown = b""
        try:
            while piece := os.read(ours, 4096):
                shown += piece
        except OSError:  # how a terminal says that nobody writes to it any more
            pass
        os.close(ours)
        assert process.stdout is not None
        said = process.stdout.read()
    return process.returncode, said.decode(), shown.decode()


def strict_json(text):
    def refuse(constant):
        raise AssertionError(f"{constant} is no JSON")

    return json.loads(text, parse_constant=refuse)


def read_exactly(path):
    """A CSV file as the texts it holds: how pandas turns them into numbers differs between its releases."""
    return pd.read_csv(path, dtype=str, keep_default_na=False)


def one_line(text):
    return " ".join(text.split())


def assert_has_caution(text):
    assert CAUTION_START in one_line(text)
    assert CAUTION_END in one_line(text)


def assert_no_traceback(result):
    assert "Traceback" not in result.stdout + result.stderr
    exception = getattr(result, "exception", None)
    assert exception is None or isinstance(exception, SystemExit)


@pytest.fixture(scope="module")
def model_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("model") / "unit.json"
    result = run("fit", HISTORY, "--out", path)
    assert result.exit_code == 0, result.stderr
    return path


@pytest.fixture
def refused(tmp_path):
    path = tmp_path / "refused.csv"
    path.write_text(REFUSED, encoding="utf-8")
    return path


@pytest.fixture
def few(tmp_path):
    """Three of the demo bookings, the second with a surgeon whom the demo history does not know."""
    bookings = pd.read_csv(BOOKINGS).head(3)
    bookings.loc[1, "surgeon"] = "new"
    path = tmp_path / "few.csv"
    bookings.to_csv(path, index=False)
    return path


# --- help and version -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("command", "options"),
    [
        ("check", ["FILE", "--kind", "--column", "--csv", "--json"]),
        ("fit", ["HISTORY", "--out", "--loss", "--no-prior", "--column", "--csv", "--json"]),
        (
            "slots",
            [
                "BOOKINGS",
                "--model",
                "--history",
                "--overrun-risk",
                "--round-to",
                "--draws",
                "--seed",
                "--csv",
                "--json",
            ],
        ),
        (
            "monitor",
            ["HISTORY", "--model", "--since", "--run-length", "--unfinished-chance", "--draws", "--csv", "--json"],
        ),
    ],
)
@pytest.mark.parametrize("flag", ["--help", "-h"])
def test_help_lists_options_and_exit_codes(command, options, flag):
    result = run(command, flag)
    assert result.exit_code == 0
    for option in [*options, "Exit codes: 0 done; 1 the data were refused"]:
        assert option in one_line(result.stdout)
    assert "--column COLUMN=HEADING" in one_line(result.stdout)


def test_help_lists_commands_and_caution():
    result = run("--help")
    assert result.exit_code == 0
    commands = ["check", "fit", "slots", "monitor"]
    assert re.findall(rf"^  ({'|'.join(commands)}) ", result.stdout, re.MULTILINE) == commands
    assert_has_caution(result.stdout)


def test_version_says_what_runs():
    result = run("--version")
    assert result.exit_code == 0
    assert result.stdout.startswith(f"lobetime {lt.__version__}\n")
    for name, version in {"numpy": np.__version__, "pandas": pd.__version__}.items():
        assert f"{name} {version}" in result.stdout
    assert re.search(r"Python \d+\.\d+\.\d+", result.stdout)


def test_version_says_how_it_was_built():
    facts = dict(line.split(": ", 1) for line in run("--version").stdout.splitlines() if ": " in line)
    assert list(facts)[-8:] == [*(name for name, _ in _core.build_facts()), "linear algebra"]
    assert re.fullmatch(r"\w+ \d+\.\d+(\.\d+)?", facts["compiler"])
    assert facts["standard"] == "C++20"
    assert re.fullmatch(r"(Release|RelWithDebInfo|Debug)\b.*, with(out)? assertions", facts["build"])
    for library in ("Ceres", "Eigen"):
        assert re.fullmatch(r"\d+\.\d+\.\d+", facts[library])
    assert int(facts["threads"]) >= 1
    assert re.search(r"\d+ threads", facts["linear algebra"])


# --- completion -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("shell", "words"), [("bash", "complete -o"), ("zsh", "#compdef lobetime"), ("fish", "complete")]
)
def test_a_shell_is_told_how_to_complete(shell, words):
    result = run_process(_LOBETIME_COMPLETE=f"source_{shell}")
    assert (result.returncode, result.stderr) == (0, "")
    assert words in result.stdout and "_LOBETIME_COMPLETE=complete_" in result.stdout


@pytest.mark.parametrize(
    ("line", "completed"),
    [
        ("lobetime sl", ["slots"]),
        ("lobetime slots --overr", ["--overrun-risk"]),
        ("lobetime fit --lo", ["--loss"]),
        ("lobetime fit --loss bis", ["bisquare"]),
        ("lobetime fit --nothing", []),
    ],
)
def test_bash_completes(line, completed):
    words = line.split()
    result = run_process(_LOBETIME_COMPLETE="complete_bash", COMP_WORDS=line, COMP_CWORD=str(len(words) - 1))
    assert result.stdout.split() == completed


def test_losses_offered_are_the_engines():
    assert sorted(cli.fit.Loss) == sorted(_core.loss_names())


def test_module_runs_as_a_program():
    result = run_process("--version")
    assert (result.returncode, result.stderr) == (0, "")
    assert result.stdout.startswith("lobetime ")


# --- check ------------------------------------------------------------------------------------------------------------


def test_check_accepts_warnings():
    result = run("check", HISTORY)
    assert result.exit_code == 0
    assert "demo_history.csv, read as history: 420 rows, 0 problems, 17 warnings" in result.stdout
    for text in ["83", "gland_ml", "550", "warning", "an unusually large gland"]:
        assert text in result.stdout
    assert result.stderr == ""
    assert_has_caution(result.stdout)


def test_check_of_a_sound_file():
    result = run("check", BOOKINGS)
    assert result.exit_code == 0
    assert "read as bookings: 40 rows, 0 problems, 0 warnings" in result.stdout
    assert "Nothing is wrong" in result.stdout
    assert_has_caution(result.stdout)


@pytest.mark.parametrize("columns", [80, 100, 140])
def test_check_lists_every_problem(refused, columns):
    result = run("check", refused, columns=columns)
    assert result.exit_code == 1
    expected = lt.check_file(refused)
    assert f"{len(expected)} problems" in result.stdout
    for column, value in zip(expected["column"], expected["value"], strict=True):
        assert re.search(rf"{column} +{re.escape(value)} +problem", result.stdout)
    assert_has_caution(result.stdout)
    assert_no_traceback(result)


def test_check_reads_as_told():
    result = run("check", BOOKINGS, "--kind", "history", "--json")
    assert result.exit_code == 1
    report = strict_json(result.stdout)
    assert report["kind"] == "history"
    assert "at least one of these columns" in str(report["findings"])


def test_check_json(refused):
    result = run("check", refused, "--json")
    assert result.exit_code == 1
    report = strict_json(result.stdout)
    assert list(report) == [
        "lobetime",
        "command",
        "caution",
        "file",
        "kind",
        "n_cases",
        "n_problems",
        "n_warnings",
        "findings",
    ]
    assert report["caution"] == lt.CAUTION
    assert report["n_problems"] == len(report["findings"])
    assert list(report["findings"][0]) == ["row", "column", "value", "severity", "kind", "message"]


def test_check_csv(refused, tmp_path):
    path = tmp_path / "findings.csv"
    result = run("check", refused, "--csv", path)
    assert (result.exit_code, result.stdout) == (1, "")
    assert_has_caution(result.stderr)
    written = pd.read_csv(path, keep_default_na=False)
    pd.testing.assert_frame_equal(written, lt.check_file(refused), check_dtype=False)


def test_check_says_how_much_it_leaves_out(tmp_path):
    path = tmp_path / "many.csv"
    path.write_text("gland_ml\n" + "-1\n" * 1003, encoding="utf-8")
    result = run("check", path)
    assert result.exit_code == 1
    assert "1,003 problems" in result.stdout
    assert "and 3 more rows" in result.stdout
    assert len(strict_json(run("check", path, "--json").stdout)["findings"]) == 1003


def test_check_with_the_units_own_heading(tmp_path):
    path = tmp_path / "own.csv"
    path.write_text("Prostate size;surgeon\n70;A\n", encoding="utf-8")
    assert run("check", path).exit_code == 1
    assert run("check", path, "--column", "gland_ml=Prostate size").exit_code == 0


def test_file_cannot_write_to_the_terminal_or_style_it(tmp_path):
    path = tmp_path / "hostile.csv"
    path.write_text('case_id,gland_ml\na,"[bold]x\x1b[2Jy\x07"\n', encoding="utf-8")
    result = run("check", path, FORCE_COLOR="1")
    assert "[bold]x\\x1b[2Jy\\x07" in result.stdout
    assert "\x1b[2J" not in result.stdout


# --- fit --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("columns", [80, 100, 140])
def test_fit_shows_parameters_surgeons_spreads_and_warnings(tmp_path, columns):
    path = tmp_path / "unit.json"
    result = run("fit", HISTORY, "--out", path, columns=columns)
    assert (result.exit_code, result.stderr) == (0, "")
    model = lt.load_model(path)
    said = one_line(result.stdout)
    for name, row in model.params_.iterrows():
        if not name.startswith("surgeon_"):
            assert name in said
            assert row["meaning"] in said
    for origin in ["cases", "published", "common practice", "assumption"]:
        assert origin in said
    for code in model.surgeons_.index:
        assert re.search(rf"^{code} +{model.surgeons_.loc[code, 'cases']} ", result.stdout, re.MULTILINE)
    assert "17 things look wrong and were kept" in said
    assert "tissue heavier than gland" in said
    assert "Spread of one case" in said
    assert "Model written to" in said
    assert_has_caution(result.stdout)


def test_fit_rounds_an_estimate_with_its_interval(model_file):
    result = run("fit", HISTORY, "--out", model_file)
    numbers = "{:.1f} +{:.1f} to {:.1f} +g".format(*lt.load_model(model_file).conf_int().loc["yield_g_80"])
    assert re.search(rf"yield_g_80 +{numbers}", result.stdout)


def test_fit_writes_the_model_that_the_library_writes(tmp_path):
    ours, theirs = tmp_path / "ours.json", tmp_path / "theirs.json"
    assert run("fit", HISTORY, "--out", ours, "--loss", "huber").exit_code == 0
    with pytest.warns(lt.DataWarning):
        lt.TheatreTimeModel(loss="huber").fit(HISTORY).save(theirs)
    assert ours.read_bytes() == theirs.read_bytes()


def test_fit_json(tmp_path):
    path = tmp_path / "unit.json"
    result = run("fit", HISTORY, "--out", path, "--json")
    assert result.exit_code == 0
    report = strict_json(result.stdout)
    assert list(report) == [
        "lobetime",
        "command",
        "caution",
        "origin",
        "history",
        "model",
        "parameters",
        "interval_level",
        "spreads",
        "surgeons",
        "warnings",
    ]
    assert report["model"]["n_cases"] == 420
    assert list(report["parameters"][0]) == [
        "name",
        "meaning",
        "estimate",
        "lower",
        "upper",
        "open",
        "unit",
        "origin",
        "share_from_cases",
        "source",
    ]
    model = lt.load_model(path)
    assert {row["name"]: row["estimate"] for row in report["parameters"]} == model.params_["estimate"].to_dict()
    assert len(report["warnings"]) == 17
    assert list(report["warnings"][0]) == ["file", "row", "column", "value", "kind", "message"]


def test_fit_csv(tmp_path):
    path = tmp_path / "parameters.csv"
    result = run("fit", HISTORY, "--out", tmp_path / "unit.json", "--csv", path)
    assert (result.exit_code, result.stdout) == (0, "")
    assert "17 warnings" in result.stderr
    assert_has_caution(result.stderr)
    model = lt.load_model(tmp_path / "unit.json")
    written = read_exactly(path).set_index("name")
    assert written["estimate"].map(float).to_dict() == model.params_["estimate"].to_dict()
    intervals = model.conf_int()
    assert (intervals["open"] != "").any()  # an open end is an empty cell, never a number
    for end in ("lower", "upper"):
        known = intervals[end].dropna()
        assert written.loc[known.index, end].map(float).to_dict() == known.to_dict()
        assert (written.loc[intervals[end].isna(), end] == "").all()
    assert written["open"].to_dict() == intervals["open"].to_dict()


@pytest.mark.parametrize("option", [[], ["--json"], ["--csv", "parameters.csv"]])
def test_fit_of_refused_data_writes_nothing(tmp_path, refused, option, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = run("fit", refused, "--out", "unit.json", *option)
    assert (result.exit_code, result.stdout) == (1, "")
    assert "refused.csv: the data were refused" in result.stderr
    assert os.listdir(tmp_path) == ["refused.csv"]
    assert_no_traceback(result)


def test_fit_without_prior_names_what_the_cases_cannot_tell(tmp_path):
    path = tmp_path / "few.csv"
    path.write_text("gland_ml,enucleation_min\n50,40\n80,60\n", encoding="utf-8")
    result = run("fit", path, "--out", tmp_path / "unit.json", "--no-prior")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "cannot tell" in result.stderr
    assert "rate_50" in result.stderr
    assert os.listdir(tmp_path) == ["few.csv"]


def test_fit_shows_rounds_on_a_terminal_only(tmp_path):
    code, said, shown = run_on_terminal("fit", HISTORY, "--out", tmp_path / "unit.json")
    assert code == 0
    assert "fitting 420 cases: round" in shown
    assert "Theatre time model from 420 past cases" in said
    assert "round 2" not in said
    assert run_process("fit", HISTORY, "--out", tmp_path / "unit.json").stderr == ""


# --- slots ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("columns", [60, 80, 100, 140])
def test_slots_fit_the_terminal(model_file, columns):
    result = run("slots", BOOKINGS, "--model", model_file, columns=columns)
    assert (result.exit_code, result.stderr) == (0, "")
    assert max(map(cell_len, result.stdout.splitlines())) <= columns
    expected = lt.slots(lt.load_model(model_file).predict(lt.read_bookings(BOOKINGS)))
    lines = {line.split()[0]: line.split() for line in result.stdout.splitlines() if line.startswith("INV-")}
    assert list(lines) == list(expected.index)
    for case, row in expected.iterrows():
        shown = [case, row["surgeon"], f"{row['gland_ml']:.0f}", f"{row['slot_min']:.0f}"]
        assert lines[case][:4] == shown
        median, q90, *phases, _ = lines[case][6:]
        assert [median, q90] == [f"{row['median_min']:.0f}", f"{row['q90_min']:.0f}"]
        names = ["enucleation_min", "haemostasis_min", "morcellation_min", "room_min"]
        assert phases == ([f"{row[name]:.0f}" for name in names] if columns >= 80 else [])
        assert row["why"] in one_line(result.stdout)
    assert f"The 40 slots add up to {expected['slot_min'].sum():,.0f} min." in one_line(result.stdout)
    assert_has_caution(result.stdout)


def test_slots_on_a_narrow_terminal_tell_the_phases_beneath(few):
    result = run("slots", few, columns=60)
    assert re.search(r"phases +enucleation \d+, rest of the operation \d+, morcellation \d+, room \d+ min",
                     one_line(result.stdout))  # fmt: skip


def test_slots_say_where_the_model_is_guessing(few, model_file):
    result = run("slots", few, "--model", model_file)
    guesses = [line for line in result.stdout.splitlines() if line.startswith("  guess ")]
    assert len(guesses) == 2
    assert "surgeon not in the history" in guesses[0]
    assert result.stdout.index("INV-B002") < result.stdout.index(guesses[0]) < result.stdout.index("INV-B003")
    assert "1 booking partly guessed" in result.stdout


def test_slots_without_history_say_so(few):
    result = run("slots", few)
    assert result.exit_code == 0
    assert "NO HISTORY: these slots rest on published evidence and stated assumptions alone" in one_line(result.stdout)
    assert "Guessed for every booking: surgeon's case number unknown" in one_line(result.stdout)
    expected = lt.slots(lt.TheatreTimeModel().predict(lt.read_bookings(few)))
    for case, slot in expected["slot_min"].items():
        assert re.search(rf"^{case} +\S+ +\d+ +{slot:.0f} ", result.stdout, re.MULTILINE)
    assert "NO HISTORY" in one_line(run("slots", few, "--csv", few.with_name("slots.csv")).stderr)


def test_slots_fit_a_history_on_the_fly(few, model_file):
    fitted = run("slots", few, "--history", HISTORY, "--json")
    loaded = run("slots", few, "--model", model_file, "--json")
    assert (fitted.exit_code, loaded.exit_code) == (0, 0)
    fitted, loaded = strict_json(fitted.stdout), strict_json(loaded.stdout)
    assert (fitted["origin"], loaded["origin"]) == ("history", "model file")
    assert fitted["slots"] == loaded["slots"]
    assert len(fitted["warnings"]) == 17
    people = run("slots", few, "--history", HISTORY)
    assert "NO HISTORY" not in people.stdout
    assert "17 things look wrong and were kept" in people.stdout


def test_slots_json(few, model_file):
    result = run("slots", few, "--model", model_file, "--overrun-risk", 0.1, "--round-to", 15, "--draws", 500, "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    report = strict_json(result.stdout)
    assert list(report) == [
        "lobetime",
        "command",
        "caution",
        "origin",
        "asked",
        "bookings",
        "model",
        "slots",
        "warnings",
    ]
    assert report["caution"] == lt.CAUTION
    assert report["asked"] == {"overrun_risk": 0.1, "round_to_min": 15, "draws": 500, "seed": 1}
    assert report["model"]["n_cases"] == 420
    # The two glands typed ten times too large (550 mL the larger) are no part of the range.
    assert report["model"]["gland_ml"] == {"lowest": 21, "median": 77, "highest": 293}
    assert list(report["slots"][0]) == [*SLOT_COLUMNS, "flags"]
    prediction = lt.load_model(model_file).predict(lt.read_bookings(few), draws=500)
    expected = lt.slots(prediction, overrun_risk=0.1, round_to=15)
    assert [row["slot_min"] for row in report["slots"]] == expected["slot_min"].tolist()
    assert [row["flags"] for row in report["slots"]] == prediction.flags
    assert ["; ".join(row["warnings"]) for row in report["slots"]] == prediction.warnings()


def test_json_of_the_prior_holds_null_where_there_is_no_model(few):
    report = strict_json(run("slots", few, "--json").stdout)
    assert (report["origin"], report["model"]) == ("published prior", None)
    assert all("no_history" in row["flags"] for row in report["slots"])


def test_json_has_no_nan():
    table = pd.DataFrame({"a": [1.5, np.nan, np.inf], "b": ["x", pd.NA, None], "n": [1, 2, 3]})
    first, *others = plain(table)
    assert first == {"a": 1.5, "b": "x", "n": 1}
    assert others == [{"a": None, "b": None, "n": 2}, {"a": None, "b": None, "n": 3}]


def test_slots_csv_is_data_alone(few, model_file, tmp_path):
    path = tmp_path / "slots.csv"
    result = run("slots", few, "--model", model_file, "--csv", path)
    assert (result.exit_code, result.stdout) == (0, "")
    assert "3 rows written" in result.stderr
    assert_has_caution(result.stderr)
    text = path.read_text(encoding="utf-8")
    assert "clinical" not in text
    assert next(csv.reader(io.StringIO(text))) == SLOT_COLUMNS
    expected = lt.slots(lt.load_model(model_file).predict(lt.read_bookings(few))).reset_index()
    written = read_exactly(path)
    assert len(written) == len(expected) == 3
    for name in SLOT_COLUMNS:
        if name in ("case_id", "surgeon", "why", "warnings"):
            # A spreadsheet would run "+66 min ...".
            assert written[name].tolist() == ["'" * text.startswith(("+", "-")) + text for text in expected[name]]
        else:
            assert written[name].map(float).tolist() == expected[name].tolist()


def test_csv_and_json_together(few, tmp_path):
    path = tmp_path / "slots.csv"
    result = run("slots", few, "--csv", path, "--json")
    assert [row["case_id"] for row in strict_json(result.stdout)["slots"]] == pd.read_csv(path)["case_id"].tolist()


def test_same_seed_same_slots(few):
    first = run("slots", few, "--seed", 7, "--json").stdout
    assert run("slots", few, "--seed", 7, "--json").stdout == first
    assert strict_json(run("slots", few, "--seed", 8, "--json").stdout)["slots"] != strict_json(first)["slots"]


@pytest.mark.parametrize("option", [[], ["--json"], ["--csv", "slots.csv"]])
def test_slots_of_refused_bookings_write_nothing(tmp_path, refused, option, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = run("slots", refused, *option)
    assert (result.exit_code, result.stdout) == (1, "")
    for _, column, value, _ in lt.check_file(refused)[["row", "column", "value", "message"]].itertuples(index=False):
        assert re.search(rf"{column} +{re.escape(value)}", result.stderr)
    assert os.listdir(tmp_path) == ["refused.csv"]
    assert_no_traceback(result)


def test_slots_of_a_refused_history_write_nothing(tmp_path, few, refused):
    result = run("slots", few, "--history", refused, "--csv", tmp_path / "slots.csv")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "refused.csv: the data were refused" in result.stderr
    assert not (tmp_path / "slots.csv").exists()


@pytest.mark.parametrize("content", [b"", b"{}", b"gland_ml\n70\n", b"\xff\xfe\x00", b'{"format": "lobetime"'])
def test_a_file_that_is_no_model_is_refused(tmp_path, few, content):
    path = tmp_path / "unit.json"
    path.write_bytes(content)
    result = run("slots", few, "--model", path, "--csv", tmp_path / "slots.csv")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "unit.json" in result.stderr
    assert not (tmp_path / "slots.csv").exists()
    assert_no_traceback(result)


def test_own_headings_of_bookings_and_of_history(tmp_path, few):
    pd.read_csv(few).rename(columns={"gland_ml": "Prostate size"}).to_csv(few, index=False)
    history = tmp_path / "history.csv"
    pd.read_csv(HISTORY).rename(columns={"gland_ml": "Volume=mL"}).to_csv(history, index=False)
    own = ["--column", "gland_ml=Prostate size", "--history-column", "gland_ml=Volume=mL"]
    assert run("slots", few, "--history", history).exit_code == 1
    assert run("slots", few, "--history", history, *own).exit_code == 0


def test_what_looks_wrong_in_few_rows_is_shown_row_by_row(tmp_path):
    path = tmp_path / "bookings.csv"
    path.write_text("case_id,gland_ml,surgeon\na,600,A\nb,60,A\n", encoding="utf-8")
    assert len(lt.check_file(path)) == 1
    result = run("slots", path)
    assert (result.exit_code, result.stderr) == (0, "")
    assert "bookings.csv: 1 thing looks wrong and was kept" in result.stdout
    assert "unusually large gland" in result.stdout


def test_long_names_fold_and_lose_nothing(tmp_path):
    case, code = "case-" + "0123456789" * 4, "surgeon-of-the-second-list"
    path = tmp_path / "bookings.csv"
    path.write_text(f"case_id,gland_ml,surgeon\n{case},60,{code}\n", encoding="utf-8")
    result = run("slots", path, columns=80)
    assert max(map(cell_len, result.stdout.splitlines())) <= 80
    rows = result.stdout.split("─\n")[1].splitlines()
    names = [line[:31].split("  ") for line in rows[:4]]
    assert "".join(name[0].split()[0] for name in names if name[0].strip()) == case


# --- colour, encodings, pipes -----------------------------------------------------------------------------------------


def without_styles(text):
    return re.sub(r"\x1b\[[0-9;]*m", "", text)


@pytest.mark.parametrize("args", [["check", HISTORY], ["slots", BOOKINGS]])
def test_no_meaning_rests_on_colour(args):
    plain = run(*args)
    assert "\x1b" not in plain.stdout
    styled, uncoloured = run(*args, FORCE_COLOR="1"), run(*args, FORCE_COLOR="1", NO_COLOR="1")
    assert "\x1b[1m" in styled.stdout
    assert without_styles(styled.stdout) == plain.stdout
    assert not re.search(r"\x1b\[(?:\d+;)*(?:[349][0-7]|[34]8)[;m]", uncoloured.stdout)


def test_a_terminal_without_unicode_is_served(few):
    result = run_process("slots", few, PYTHONIOENCODING="ascii")
    assert (result.returncode, result.stderr) == (0, "")
    assert result.stdout.isascii()
    assert "\\u" not in result.stdout


def test_a_closed_pipe_ends_quietly():
    command = f"{sys.executable} -m lobetime slots {BOOKINGS} --json | head -n 1"
    result = subprocess.run(command, shell=True, capture_output=True, encoding="utf-8", check=False)
    assert (result.stdout, result.stderr) == ("{\n", "")


# --- wrong usage ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "args",
    [
        [],
        ["nonsense"],
        ["check"],
        ["check", "missing.csv"],
        ["check", "."],
        ["check", "bookings.csv", "--nonsense"],
        ["check", "bookings.csv", "--kind", "nonsense"],
        ["check", "bookings.csv", "--column", "gland_ml"],
        ["check", "bookings.csv", "--column", "=size"],
        ["check", "bookings.csv", "--column", "gland_ml="],
        ["check", "bookings.csv", "--column", "nonsense=size"],
        ["check", "bookings.csv", "--column", "gland_ml=a", "--column", "gland_ml=b"],
        ["fit", "history.csv"],
        ["fit", "missing.csv", "--out", "new.json"],
        ["fit", "history.csv", "--out", "new.json", "--loss", "nonsense"],
        ["fit", "history.csv", "--out", "missing/new.json"],
        ["fit", "history.csv", "--out", "."],
        ["fit", "history.csv", "--out", "history.csv"],
        ["fit", "history.csv", "--out", "new.json", "--csv", "new.json"],
        ["slots", "missing.csv"],
        ["slots", "bookings.csv", "--model", "missing.json"],
        ["slots", "bookings.csv", "--history", "missing.csv"],
        ["slots", "bookings.csv", "--history", "history.csv", "--model", "history.csv"],
        ["slots", "bookings.csv", "--history-column", "gland_ml=size"],
        ["slots", "bookings.csv", "--overrun-risk", "1.5"],
        ["slots", "bookings.csv", "--overrun-risk", "0"],
        ["slots", "bookings.csv", "--overrun-risk", "1"],
        ["slots", "bookings.csv", "--overrun-risk", "nan"],
        ["slots", "bookings.csv", "--overrun-risk", "20%"],
        ["slots", "bookings.csv", "--round-to", "0"],
        ["slots", "bookings.csv", "--round-to", "-5"],
        ["slots", "bookings.csv", "--round-to", "nan"],
        ["slots", "bookings.csv", "--round-to", "inf"],
        ["slots", "bookings.csv", "--draws", "99"],
        ["slots", "bookings.csv", "--draws", "1e3"],
        ["slots", "bookings.csv", "--seed", "-1"],
        ["slots", "bookings.csv", "--seed", str(2**64)],
        ["slots", "bookings.csv", "--csv", "bookings.csv"],
        ["slots", "bookings.csv", "--csv", "link.csv"],
        ["slots", "bookings.csv", "--csv", "missing/slots.csv"],
        ["slots", "bookings.csv", "--csv", "/dev/null"],
    ],
    ids=" ".join,
)
def test_wrong_usage(tmp_path, monkeypatch, args):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bookings.csv").write_bytes(BOOKINGS.read_bytes())
    (tmp_path / "history.csv").write_bytes(HISTORY.read_bytes())
    (tmp_path / "link.csv").symlink_to("bookings.csv")
    result = run(*args)
    assert result.exit_code == 2
    assert args == [] or result.stdout == ""
    assert args == [] or "Error: " in result.stderr
    assert_no_traceback(result)
    assert sorted(os.listdir(tmp_path)) == ["bookings.csv", "history.csv", "link.csv"]
    assert (tmp_path / "bookings.csv").read_bytes() == BOOKINGS.read_bytes()
    assert (tmp_path / "history.csv").read_bytes() == HISTORY.read_bytes()


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (OSError(28, "No space left on device"), 2),
        (ImportError("reading Excel files needs openpyxl: pip install 'lobetime[excel]'"), 2),
        (MemoryError(), 2),
        (UnicodeEncodeError("utf-8", "\udcff", 0, 1, "surrogates not allowed"), 2),
        (lt.NotConverged("the solver stopped"), 1),
        (lt.NotFinite("enucleation_min is not finite"), 1),
        (KeyboardInterrupt(), 130),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, BaseException) else str(value),
)
def test_what_goes_wrong_on_the_way_ends_in_words(few, tmp_path, monkeypatch, error, code):
    def fail(*args, **kwargs):
        raise error

    monkeypatch.setattr(lt.TheatreTimeModel, "predict", fail)
    result = run("slots", few, "--csv", tmp_path / "slots.csv")
    assert (result.exit_code, result.stdout) == (code, "")
    assert (result.stderr == "") == (code == 130)
    assert not (tmp_path / "slots.csv").exists()
    assert_no_traceback(result)


def test_a_write_that_fails_leaves_what_was_there(few, tmp_path, monkeypatch):
    path = tmp_path / "slots.csv"
    path.write_text("before", encoding="utf-8")

    def fail(path, content):
        raise lt.Error(f"{path}: cannot be written: No space left on device")

    monkeypatch.setattr(_core, "write_whole", fail)
    result = run("slots", few, "--csv", path, "--json")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "cannot be written" in result.stderr
    assert path.read_text(encoding="utf-8") == "before"
    assert run("fit", HISTORY, "--out", tmp_path / "unit.json").exit_code == 2
    assert not (tmp_path / "unit.json").exists()


def test_an_interrupt_ends_with_130_and_nothing_said(few):
    program = (
        "import os, signal, lobetime as lt\n"
        "from lobetime import cli\n"
        "lt.TheatreTimeModel.predict = lambda *a, **k: os.kill(os.getpid(), signal.SIGINT)\n"
        "cli.main()\n"
    )
    command = [sys.executable, "-c", program, "slots", str(few)]
    result = subprocess.run(command, capture_output=True, encoding="utf-8", check=False)
    assert (result.returncode, result.stdout, result.stderr) == (130, "", "")
