"""The house itself: one version, whole package, presets, scripts, and a layer check that can fail."""

import importlib.metadata
import json
import re
import subprocess
import sys
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

import lobetime
from lobetime import _core

ROOT = Path(__file__).resolve().parents[2]
LAYERS = ROOT / ".ci" / "checks" / "layers.py"
COUNT_TESTS = ROOT / ".ci" / "checks" / "count_tests.py"


def written_version() -> str:
    found = re.findall(r"(?m)^ *VERSION (\d+\.\d+\.\d+)$", (ROOT / "CMakeLists.txt").read_text(encoding="utf-8"))
    assert len(found) == 1
    return found[0]


# ---------------------------------------------------------------------------------------------------- package


def test_compiled_module_has_the_written_version():
    assert _core.__version__ == written_version()


def test_installed_package_has_the_written_version():
    try:
        installed = importlib.metadata.version("lobetime")
    except importlib.metadata.PackageNotFoundError:
        pytest.skip("lobetime runs from a build folder, not from an installed wheel")
    assert installed == written_version()


def test_package_is_not_imported_from_the_sources():
    assert Path(lobetime.__file__).parent != ROOT / "python" / "lobetime"


@pytest.mark.parametrize("name", ["py.typed", "_core.pyi"])
def test_type_information_travels_with_the_package(name):
    assert files("lobetime").joinpath(name).is_file()


# ------------------------------------------------------------------------------------------ presets and scripts


@pytest.mark.parametrize("preset", ["dev", "release", "asan", "tsan"])
def test_preset_can_be_configured_built_tested_and_run_as_a_workflow(preset):
    presets = json.loads((ROOT / "CMakePresets.json").read_text(encoding="utf-8"))
    for kind in ["configurePresets", "buildPresets", "testPresets", "workflowPresets"]:
        assert preset in [entry["name"] for entry in presets[kind]]
    (workflow,) = (entry for entry in presets["workflowPresets"] if entry["name"] == preset)
    assert [step["type"] for step in workflow["steps"]] == ["configure", "build", "test"]
    assert {step["name"] for step in workflow["steps"]} == {preset}


@pytest.mark.parametrize("script", ["run", "test", "setup", "check", "docs", "packages", "pins", "oldest"])
def test_script_is_well_formed_and_executable(script):
    path = ROOT / ".ci" / script
    subprocess.run(["bash", "-n", path], check=True)
    assert path.stat().st_mode & 0o111


def test_continuous_integration_runs_what_the_readme_says():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    (command,) = (line for line in script.splitlines() if line.startswith("bash "))
    assert command in (ROOT / "README.md").read_text(encoding="utf-8").splitlines()


def test_warnings_are_errors_in_tests():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert project["tool"]["pytest"]["ini_options"]["filterwarnings"][0] == "error"


# ----------------------------------------------------------------------------------------------------- layers


def run_layers(root: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, LAYERS, root], capture_output=True, text=True, check=False)


def make_tree(root: Path, changes: dict[str, str]) -> Path:
    """Write a small sound tree, with `changes` (path under cpp/: text) on top."""
    tree = {
        "include/lobetime/lobetime.hpp": "#include <lobetime/version.hpp>\n#include <lobetime/core/errors.hpp>\n"
        "#include <lobetime/cases/case_table.hpp>\n#include <lobetime/fit/fit.hpp>\n",
        "include/lobetime/core/errors.hpp": "#pragma once\n#include <stdexcept>\n",
        "include/lobetime/cases/case_table.hpp": "#pragma once\n#include <lobetime/core/errors.hpp>\n",
        "include/lobetime/fit/fit.hpp": "#pragma once\n#include <Eigen/Core>\n"
        "#include <lobetime/cases/case_table.hpp>\n",
        "src/core/random.cpp": "#include <Random123/philox.h>\n#include <random>\n",
        "src/cases/read.cpp": "#include <fstream>\nstd::ifstream open();\n",
        "src/fit/problem.hpp": "#pragma once\n#include <ceres/ceres.h>\n",
        "src/fit/fit.cpp": '#include "problem.hpp"\n#include <lobetime/fit/fit.hpp>\nceres::Problem* problem();\n'
        '// std::cout and fopen("x") in a comment\nconst char* text = "printf(x) // std::cout";\n'
        "int n = std::snprintf(nullptr, 0, \"x\"); const int big = 1'000'000; char quote = '\"';\n",
    }
    for name, text in (tree | changes).items():
        path = root / "cpp" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return root


def test_this_tree_keeps_the_layers():
    result = run_layers(ROOT)
    assert result.stdout == ""
    assert result.returncode == 0


def test_layer_check_accepts_a_sound_tree(tmp_path):
    result = run_layers(make_tree(tmp_path, {}))
    assert (result.stdout, result.returncode) == ("", 0)


@pytest.mark.parametrize(
    ("path", "text", "line", "message"),
    [
        ("src/core/a.cpp", "#include <lobetime/cases/case_table.hpp>", 1, "upward arrow: core/ may not include cases/"),
        ("src/cases/a.cpp", "\n#include <lobetime/model/x.hpp>", 2, "upward arrow: cases/ may not include model/"),
        ("src/model/a.cpp", "#include <lobetime/fit/fit.hpp>", 1, "upward arrow: model/ may not include fit/"),
        ("src/fit/a.cpp", "#include <lobetime/inference/x.hpp>", 1, "upward arrow: fit/ may not include inference/"),
        ("src/fit/a.cpp", "#include <lobetime/evidence/x.hpp>", 1, "upward arrow: fit/ may not include evidence/"),
        ("src/evidence/a.cpp", "#include <lobetime/fit/fit.hpp>", 1, "upward arrow: evidence/ may not include fit/"),
        ("src/inference/a.cpp", "#include <lobetime/evidence/x.hpp>", 1, "upward arrow"),
        ("src/predict/a.cpp", "#include <lobetime/evidence/x.hpp>", 1, "upward arrow"),
        ("include/lobetime/core/errors.hpp", "#include <lobetime/fit/fit.hpp>", 1, "upward arrow"),
        ("src/model/a.cpp", '#include "../fit/problem.hpp"', 1, "upward arrow: model/ may not include fit/"),
        ("src/model/a.cpp", '#include "fit/problem.hpp"', 1, "upward arrow: model/ may not include fit/"),
        ("src/fit/a.cpp", "#include <lobetime/cellar/x.hpp>", 1, "from a room that layers.py does not know"),
        ("src/cellar/a.cpp", "", 1, "room cellar/ is not known"),
        ("src/a.cpp", "", 1, "outside every room"),
        ("src/fit/a.cpp", "#include <lobetime/lobetime.hpp>", 1, "umbrella"),
        ("include/lobetime/fit/fit.hpp", "#include <ceres/jet.h>", 1, "ceres/jet.h in a public header"),
        ("include/lobetime/fit/fit.hpp", "#include <glog/logging.h>", 1, "glog/logging.h in a public header"),
        ("include/lobetime/fit/fit.hpp", "namespace ceres { class P; }\nceres::P* p;", 2, "Ceres may not be seen"),
        ("src/model/a.cpp", "#include <ceres/ceres.h>", 1, "ceres/ceres.h outside fit and inference"),
        ("src/predict/a.cpp", "ceres::Problem p;", 1, "Ceres may not be seen"),
        ("include/lobetime/fit/fit.hpp", "#include <nlohmann/json.hpp>", 1, "private dependency"),
        ("include/lobetime/core/errors.hpp", "#include <Random123/philox.h>", 1, "private dependency"),
        ("src/fit/a.cpp", "#include <pybind11/pybind11.h>", 1, "Python belongs in python/bindings"),
        ("src/fit/a.cpp", "#include <fstream>", 1, "files are read in cases/ only"),
        ("src/model/a.cpp", "#include <filesystem>", 1, "files are read in cases/ only"),
        ("src/predict/a.cpp", '/* a\nb */ auto* f = std::fopen("x", "r");', 2, "files are read in cases/ only"),
        ("src/cases/a.cpp", "#include <iostream>", 1, "prints nothing"),
        ("src/fit/a.cpp", 'const char* s = "//"; std::cerr << s;', 1, "std::cerr: the library prints nothing"),
        ("src/fit/a.cpp", 'const char q = \'"\'; std::printf("x");', 1, "prints nothing"),
        ("src/fit/a.cpp", "#include <random>", 1, "drawn in core/ only"),
        ("src/predict/a.cpp", "#include <Random123/threefry.h>", 1, "drawn in core/ only"),
        ("src/predict/a.cpp", "std::mt19937 generator;", 1, "drawn in core/ only"),
        ("src/predict/a.cpp", "int x = rand();", 1, "drawn in core/ only"),
        ("include/lobetime/core/new.hpp", "#pragma once", None, "does not include lobetime/core/new.hpp"),
    ],
)
def test_layer_check_finds(tmp_path, path, text, line, message):
    result = run_layers(make_tree(tmp_path, {path: text + "\n"}))
    assert result.returncode == 1
    (breach,) = result.stdout.splitlines()
    assert message in breach
    if line is not None:
        assert breach.startswith(f"cpp/{path}:{line}: ")


def test_layer_check_does_not_pass_an_empty_tree(tmp_path):
    assert run_layers(tmp_path).returncode == 1


# --------------------------------------------------------------------------------------------- counting of tests


@pytest.mark.parametrize(
    ("cases", "line", "status"),
    [
        ('<testcase name="a"/><testcase name="b"/>', "total: 2 passed, 0 failed, 0 skipped", 0),
        ('<testcase name="a"/><testcase name="b"><failure/></testcase>', "total: 1 passed, 1 failed, 0 skipped", 1),
        ('<testcase name="a"/><testcase name="b"><error/></testcase>', "total: 1 passed, 1 failed, 0 skipped", 1),
        ('<testcase name="a"/><testcase name="b"><skipped/></testcase>', "total: 1 passed, 0 failed, 1 skipped", 0),
        ('<testcase name="a" status="fail"/>', "total: 0 passed, 1 failed, 0 skipped", 1),
        ("", "total: 0 passed, 0 failed, 0 skipped", 1),
    ],
)
def test_count_of_tests(tmp_path, cases, line, status):
    report = tmp_path / "report.xml"
    report.write_text(f"<testsuite>{cases}</testsuite>", encoding="utf-8")
    result = subprocess.run([sys.executable, COUNT_TESTS, report], capture_output=True, text=True, check=False)
    assert result.stdout.splitlines()[-1] == line
    assert result.returncode == status


def test_count_of_tests_misses_a_report_that_is_not_there(tmp_path):
    result = subprocess.run([sys.executable, COUNT_TESTS, tmp_path / "no.xml"], capture_output=True, check=False)
    assert result.returncode == 1
