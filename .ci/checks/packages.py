"""Whether a source package and a wheel hold what they should, and nothing else.

Usage: packages.py SDIST WHEEL
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path, PurePosixPath

ROOT = Path(__file__).resolve().parents[2]
LEFT_OUT = (".ci/",)  # what a source package does without, as pyproject.toml says
NEEDED = ("lobetime/py.typed", "lobetime/_core.pyi", "lobetime/datasets/demo_history.csv")


def tracked() -> set[str]:
    """Files that git knows, by name."""
    told = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    return {name for name in told.stdout.splitlines() if not name.startswith(LEFT_OUT)}


def problems_of_sdist(path: Path) -> list[str]:
    """What is missing from a source package, or too much in it."""
    with tarfile.open(path) as archive:
        files = [PurePosixPath(member.name) for member in archive.getmembers() if member.isfile()]
    held = {str(PurePosixPath(*name.parts[1:])) for name in files}
    expected = tracked()
    missing = sorted(expected - held)
    extra = sorted(held - expected - {"PKG-INFO"})
    return [f"{path.name}: {name} is missing" for name in missing] + [
        f"{path.name}: {name} is too much" for name in extra
    ]


def problems_of_wheel(path: Path) -> list[str]:
    """What is missing from a wheel, or too much in it."""
    with zipfile.ZipFile(path) as archive:
        held = {name for name in archive.namelist() if not name.endswith("/")}
    sources = {name.removeprefix("python/") for name in tracked() if name.startswith("python/lobetime/")}
    modules = [name for name in held if name.startswith("lobetime/_core.") and name.endswith(".so")]
    problems = [f"{path.name}: {name} is missing" for name in sorted({*sources, *NEEDED} - held)]
    if len(modules) != 1:
        problems.append(f"{path.name}: {len(modules)} compiled modules, not one")
    if not any(name.endswith("/licenses/LICENSE") for name in held):
        problems.append(f"{path.name}: LICENSE is missing")
    allowed = {*sources, *modules}
    extra = sorted(name for name in held - allowed if ".dist-info/" not in name)
    return problems + [f"{path.name}: {name} is too much" for name in extra]


def main() -> int:
    """Print the problems; 1 if there are any."""
    problems = problems_of_sdist(Path(sys.argv[1])) + problems_of_wheel(Path(sys.argv[2]))
    print("\n".join(problems), end="\n" if problems else "")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
