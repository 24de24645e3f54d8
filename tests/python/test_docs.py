"""The pages say what the code does: their blocks run, their equations are the kernel's, their words are all there."""

import re
import shutil
import subprocess
import sys
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import lobetime as lt
from lobetime import _core
from lobetime import quantities as q
from lobetime.cases import _columns

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "python" / "docs"


def page(name: str) -> str:
    return (DOCS / f"{name}.md").read_text(encoding="utf-8")


def blocks(text: str) -> list[str]:
    return [part.split("```")[0] for part in text.split("```python\n")[1:]]


def run_block(code: str, where: str) -> dict[str, Any]:
    names: dict[str, Any] = {"__name__": "block"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        exec(compile(code, where, "exec"), names)
    return names


# ------------------------------------------------------------------------------------------------------ recipes

RECIPES = {section.splitlines()[0]: section for section in page("how_to").split("\n## ")[1:]}


def test_ten_everyday_questions_have_a_recipe():
    assert len(RECIPES) >= 10
    assert all(blocks(section) for section in RECIPES.values())


@pytest.mark.parametrize("question", RECIPES)
def test_recipe_runs(question, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    for block in blocks(RECIPES[question]):
        run_block(block, f"how_to.md: {question}")
    assert capsys.readouterr().out.strip() or question.startswith("How do I keep")


def test_the_recipe_against_identity_shows_a_refusal(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (block,) = blocks(RECIPES["How do I keep identity out?"])
    run_block(block, "how_to.md")
    assert "date_of_birth" in capsys.readouterr().out


def test_commands_of_the_recipes_exist():
    from typer.testing import CliRunner

    from lobetime import cli

    text = page("how_to")
    commands = set(re.findall(r"lobetime (check|fit|slots|lists|devices|monitor|report)\b", text))
    assert commands >= {"check", "slots", "lists", "devices", "monitor"}
    options = set(re.findall(r"(?<![\w-])(--[a-z-]+)", text))
    helps = "".join(CliRunner().invoke(cli.app, [name, "--help"]).stdout for name in sorted(commands))
    assert options and {option for option in options if option not in helps} == set()


def test_the_table_of_columns_is_the_codes():
    """Each with the cells it may have, where it is read, and what it is."""
    need = {"required": "needed", "optional": "if known", "unused": "not read"}
    told = {kind: _columns(kind) for kind in ("bookings", "history")}
    rows = []
    for column in _core.columns():
        name, where = str(column["name"]), dict(column["need"])
        allowed = (told["history"].get(name) or told["bookings"][name]).allowed
        history, bookings = need[where["history"]], need[where["bookings"]]
        rows.append(f"| `{name}` | {allowed} | {history} | {bookings} | {column['meaning']} |")
    assert [line for line in page("columns").splitlines() if line.startswith("| `")] == rows


def test_the_page_of_columns_runs(capsys):
    (block,) = blocks(page("columns"))
    run_block(block, "columns.md")
    assert "1 of 3 cases have no gland volume" in capsys.readouterr().out


def test_the_page_of_many_units_runs(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    found = blocks(page("many_units"))
    assert len(found) == 2
    # Without the library's own warnings of a cluster's end.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        for block in found:
            run_block(block, "many_units.md")


# ---------------------------------------------------------------------------------------------------- equations


def test_the_table_of_parameters_is_the_codes():
    rows = re.findall(r"^\| \$(.+?)\$ \| `(\w+)` \| (.+?) \| (.+?) \| (\w+) \|$", page("equations"), flags=re.M)
    assert [row[1:] for row in rows] == [
        (one["name"], one["unit"], one["meaning"], one["scale"]) for one in _core.core_parameters()
    ]
    symbols = [symbol for symbol, *_ in rows]
    assert len(set(symbols)) == len(symbols)
    formulas = "".join(re.findall(r"\$\$(.+?)\$\$", page("equations"), flags=re.S))
    missing = [symbol for symbol in symbols if symbol not in formulas]
    assert missing == [], "a parameter that no equation has"


@pytest.fixture(scope="module")
def equations() -> dict[str, Any]:
    (block,) = blocks(page("equations"))
    return run_block(block, "equations.md")


@pytest.fixture(scope="module")
def p(model) -> dict[str, float]:
    return dict(model.params_["estimate"])


CASES = [
    {},
    {"surgeon_case_no": [1.0]},
    {"surgeon_case_no": [37.0], "trainee": [1.0]},
    {"hard_nodule": [1.0], "surgeon": ["B"]},
]


def kernel(model, quantity, **columns) -> float:
    table = _core.CaseTable(**columns)
    found = _core.confidence_intervals(model.fitted_, [quantity(model.fitted_, table)], 0.9)
    return float(found["estimate"][0])


@pytest.mark.parametrize("gland_ml", [25.0, 80.0, 210.0])
@pytest.mark.parametrize("case", CASES)
def test_enucleation(equations, p, model, gland_ml, case):
    flat = {name: column[0] for name, column in case.items()}
    expected = kernel(model, _core.enucleation_min_quantity, gland_ml=[gland_ml], **case)
    found = equations["enucleation_min"](
        p,
        gland_ml,
        k=flat.get("surgeon_case_no", np.inf),
        surgeon=np.log(model.surgeons_.loc[flat["surgeon"], "enucleation"]) if "surgeon" in flat else 0.0,
        own_learning=np.log(model.surgeons_["learning"].fillna(1.0)[flat["surgeon"]]) if "surgeon" in flat else 0.0,
        trainee=flat.get("trainee", 0),
    )
    assert found == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("gland_ml", [25.0, 80.0, 210.0])
@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize(
    ("blade", "suction"), [("oscillating", "vacuum"), ("reciprocating", "peristaltic"), ("oscillating", "wall")]
)
@pytest.mark.parametrize("canister_ml", [1500.0, 3000.0, np.inf])
def test_morcellation(equations, p, model, gland_ml, case, blade, suction, canister_ml):
    flat = {name: column[0] for name, column in case.items()}
    expected = kernel(
        model,
        _core.morcellation_min_quantity,
        gland_ml=[gland_ml],
        blade=[blade],
        suction=[suction],
        canister_ml=[canister_ml],
        **case,
    )
    is_of = {name: float(suction == name) for name in ("vacuum", "peristaltic", "wall")}
    blade_min = equations["blade_min"](
        p,
        equations["tissue_g"](p, gland_ml),
        oscillating=float(blade == "oscillating"),
        peristaltic=is_of["peristaltic"],
        wall=is_of["wall"],
        k=flat.get("surgeon_case_no", np.inf),
        surgeon=np.log(model.surgeons_.loc[flat["surgeon"], "morcellation"]) if "surgeon" in flat else 0.0,
        trainee=flat.get("trainee", 0),
        hard_nodule=flat.get("hard_nodule", 0),
    )
    found = equations["morcellation_min"](p, blade_min, equations["swaps"](p, blade_min, canister_ml, **is_of))
    # The kernel sums 40 canisters and integrates beyond, the page sums on: up to 1.1e-8 apart (210 mL, 1.5 L).
    assert found == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize("channel", ["tissue", "haemostasis", "room"])
def test_what_has_a_channel_of_its_own(equations, p, model, cases, channel):
    """Medians that the fit holds recorded values against, on the log scale."""
    rows = model.diagnostics(cases).observations
    rows = rows[rows["channel"] == channel]
    if rows.empty:
        pytest.skip(f"the demo unit records no {channel}")
    frame = cases.frame.iloc[rows["case_index"].to_numpy()]
    if channel == "tissue":
        expected = [equations["tissue_g"](p, gland) for gland in frame["gland_ml"]]
    elif channel == "haemostasis":
        expected = [equations["rest_min"](p, set_ == 1) for set_ in frame["anticoagulated"]]
    else:
        expected = [equations["room_min"](p, kind == "spinal") for kind in frame["anaesthesia"]]
    np.testing.assert_allclose(rows["fitted"], expected, rtol=1e-9)


def test_learning_and_delays(equations, p, model):
    half = equations["learning"](1 + p["e_half"], p["e_learn"], p["e_half"]) - 1
    assert half == pytest.approx(p["e_learn"] / 2)
    plateau = model.conf_int(functions=[q.cases_to_plateau("enucleation", share=0.1)])["estimate"].iloc[0]
    assert equations["learning"](plateau, p["e_learn"], p["e_half"]) == pytest.approx(1.1)
    assert equations["morcellation_min"](p, 10.0, 2.0, device_fault=1) - equations["morcellation_min"](
        p, 10.0, 1.0
    ) == pytest.approx(p["swap_min"] + p["fault_min"])


# ------------------------------------------------------------------------------------------- glossary, the whole


def test_glossary_says_what_every_quantity_is_measured_in():
    text = page("glossary")
    entries = re.findall(r"^([a-z][\w -]+)\n((?:  .+\n)+)", text, flags=re.M)
    words = dict(entries)
    assert len(words) >= 30
    units = {"ml": "in mL", "g": "in g", "min": "in min"}
    for name in _core.columns():
        column = str(name["name"])
        if name["unit"] and f"`{column}`" in text:
            said = [meaning.replace("\n  ", " ") for meaning in words.values() if f"`{column}`" in meaning]
            assert any(units[column.rsplit("_", 1)[-1]] in meaning for meaning in said), column
    for word in ("reciprocating", "oscillating", "vacuum", "peristaltic", "wall", "deferred", "other_route"):
        assert f"`{word}`" in text


def test_pages_build_without_a_warning(tmp_path):
    pytest.importorskip("sphinx")
    copy = tmp_path / "python" / "docs"
    shutil.copytree(DOCS, copy)
    shutil.copytree(ROOT / "examples", tmp_path / "examples")
    command = [
        sys.executable,
        "-m",
        "sphinx",
        "-q",
        "-W",
        "--keep-going",
        "-b",
        "html",
        str(copy),
        str(tmp_path / "out"),
    ]
    built = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (built.returncode, built.stderr) == (0, "")
    reference = (tmp_path / "out" / "api" / "model.html").read_text(encoding="utf-8")
    for name in ("TheatreTimeModel.conf_int", "fit_units", "on_cluster", "quantities.cases_to_plateau"):
        assert f'id="lobetime.{name}"' in reference


def test_every_public_name_is_in_the_reference():
    text = "".join(path.read_text(encoding="utf-8") for path in (DOCS / "api").glob("*.md"))
    listed = set(re.findall(r"^\.\. auto\w+:: lobetime\.(\w+)", text, flags=re.M))
    modules = {"datasets", "devices", "lists", "plots", "quantities", "__version__"}
    assert set(lt.__all__) - modules - listed == set()
