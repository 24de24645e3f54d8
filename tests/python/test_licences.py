"""Everything that is linked or depended on has a licence in the list."""

from __future__ import annotations

import importlib.metadata
import subprocess
import sys

import pytest

from lobetime import licences


@pytest.fixture(autouse=True)
def installed():
    try:
        importlib.metadata.version("lobetime")
    except importlib.metadata.PackageNotFoundError:
        pytest.skip("lobetime runs from a build folder, not from an installed wheel")


def test_every_dependency_and_library_has_a_licence():
    found = licences.licences()
    names = {one.name.lower() for one in found}
    assert {"numpy", "pandas", "scipy", "highspy", "python-stdnum", "ceres solver", "eigen", "lobetime"} <= names
    assert [one for one in found if not one.licence or one.licence in ("not stated", "UNKNOWN")] == []
    assert len(names) == len(found)


def test_every_library_that_is_linked_is_known():
    files = licences.linked_libraries()
    assert any(file.startswith("libstdc++") for file in files)
    assert [one for one in licences.licences() if one.licence.startswith("not known")] == []


def test_the_note_on_suitesparse_comes_with_suitesparse():
    found = licences.licences()
    linked = any(file.startswith(("libcholmod", "libspqr")) for file in licences.linked_libraries())
    assert bool(licences.note(found)) == linked
    done = subprocess.run([sys.executable, "-m", "lobetime.licences"], capture_output=True, text=True, check=True)
    assert ("GPL" in done.stdout.splitlines()[-1] or "LICENSE" in done.stdout) == linked or not linked
    assert "highspy" in done.stdout
