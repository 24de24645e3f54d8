"""Licences of everything that this installation of lobetime depends on or is linked with.

``python -m lobetime.licences`` lists them: Python packages by what they say of themselves, libraries of the compiled
part by the table below, held against what the module is really linked with.
"""

from __future__ import annotations

import importlib.metadata
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass

from . import _core

_EXCEPTION = "GPL-3.0-or-later WITH GCC-exception-3.1"
_COMPILED_IN = {
    "Ceres Solver": "BSD-3-Clause",
    "Eigen": "MPL-2.0",
    "Boost.Math": "BSL-1.0",
    "JSON for Modern C++": "MIT",
    "Random123": "BSD-3-Clause",
    "pybind11": "BSD-3-Clause",
}
_SHARED = {  # by the beginning of the library's file name
    "libglog": ("glog", "BSD-3-Clause"),
    "libgflags": ("gflags", "BSD-3-Clause"),
    "libcholmod": ("SuiteSparse CHOLMOD", "LGPL-2.1-or-later and GPL-2.0-or-later"),
    "libspqr": ("SuiteSparse SPQR", "GPL-2.0-or-later"),
    "libcxsparse": ("SuiteSparse CXSparse", "LGPL-2.1-or-later"),
    "libamd": ("SuiteSparse AMD", "BSD-3-Clause"),
    "libcamd": ("SuiteSparse CAMD", "BSD-3-Clause"),
    "libcolamd": ("SuiteSparse COLAMD", "BSD-3-Clause"),
    "libccolamd": ("SuiteSparse CCOLAMD", "BSD-3-Clause"),
    "libsuitesparseconfig": ("SuiteSparse_config", "BSD-3-Clause"),
    "libmetis": ("METIS", "Apache-2.0"),
    "libtbb": ("oneTBB", "Apache-2.0"),
    "liblapack": ("LAPACK", "BSD-3-Clause"),
    "libblas": ("BLAS", "BSD-3-Clause"),
    "libf77blas": ("ATLAS", "BSD-3-Clause"),
    "libcblas": ("ATLAS", "BSD-3-Clause"),
    "libatlas": ("ATLAS", "BSD-3-Clause"),
    "libopenblas": ("OpenBLAS", "BSD-3-Clause"),
    "libunwind": ("libunwind", "MIT"),
    "liblzma": ("liblzma", "public domain"),
    "libgfortran": ("GCC Fortran library", _EXCEPTION),
    "libgomp": ("GCC OpenMP library", _EXCEPTION),
    "libquadmath": ("GCC quadmath", "LGPL-2.1-or-later"),
    "libstdc++": ("GCC C++ library", _EXCEPTION),
    "libgcc_s": ("GCC support library", _EXCEPTION),
    "libasan": ("GCC sanitizers", "Apache-2.0 WITH LLVM-exception"),
    "libubsan": ("GCC sanitizers", "Apache-2.0 WITH LLVM-exception"),
}
_OF_THE_SYSTEM = re.compile(r"linux-vdso|ld-linux|lib(?:c|m|dl|rt|pthread|util|resolv)\.so")
SUITESPARSE_NOTE = (
    "This module is linked with SuiteSparse, parts of which are under the GPL. It may be used freely where it was "
    "built, but must not be passed on as if it were permissively licensed: build Ceres Solver without SuiteSparse for "
    "that. See LICENSE."
)


@dataclass(frozen=True)
class Licence:
    """Of one package or library: ``kind`` is "Python", "compiled in", "shared library" or "this program"."""

    name: str
    version: str
    licence: str
    kind: str


def licences(extras: bool = True) -> list[Licence]:
    """Of the program, the Python packages that it depends on (and they on), and the libraries of its compiled part.

    Parameters
    ----------
    extras : bool
        Whether optional packages count, as far as they are installed.
    """
    own = Licence("lobetime", _core.__version__, "BSD-3-Clause", "this program")
    compiled = [Licence(name, "", licence, "compiled in") for name, licence in _COMPILED_IN.items()]
    return [own, *_of_packages(extras), *compiled, *_of_shared_libraries()]


def note(found: list[Licence]) -> str:
    """What passing on this installation's module means, "" where it means nothing special."""
    return SUITESPARSE_NOTE if any("SuiteSparse" in one.name and "GPL-2" in one.licence for one in found) else ""


def _of_packages(extras: bool) -> list[Licence]:
    waiting, found = [("lobetime", extras)], {"lobetime": Licence("", "", "", "")}
    while waiting:
        name, with_extras = waiting.pop()
        for needed in importlib.metadata.requires(name) or []:
            optional = "extra ==" in needed
            match = re.match(r"[A-Za-z0-9._-]+", needed)
            key = re.sub(r"[-_.]+", "-", match[0]).lower() if match else ""
            if not key or key in found or (optional and not with_extras):
                continue
            try:
                meta = importlib.metadata.metadata(key)
            except importlib.metadata.PackageNotFoundError:  # of another system, or an extra that nobody asked for
                continue
            found[key] = Licence(meta["Name"], meta["Version"], _licence_in(meta), "Python")
            waiting.append((key, False))
    found.pop("lobetime")
    return sorted(found.values(), key=lambda one: one.name.lower())


def _licence_in(meta: importlib.metadata.PackageMetadata) -> str:
    """The expression, else the classifiers, else the first line of the text."""
    classifiers = [text.split(" :: ")[-1] for text in meta.get_all("Classifier") or [] if text.startswith("License ::")]
    expression, text = ("".join(meta.get_all(name) or []) for name in ("License-Expression", "License"))
    return expression or ", ".join(classifiers) or text.strip().split("\n")[0] or "not stated"


def linked_libraries() -> list[str]:
    """File names of the shared libraries that the compiled module is linked with; empty where ``ldd`` is not there."""
    if shutil.which("ldd") is None:
        return []
    told = subprocess.run(["ldd", _core.__file__], capture_output=True, text=True, check=False).stdout
    names = [line.split()[0].split("/")[-1] for line in told.splitlines() if line.strip()]
    return sorted({name for name in names if not _OF_THE_SYSTEM.match(name)})


def _of_shared_libraries() -> Iterator[Licence]:
    seen = set()
    for file in linked_libraries():
        name, licence = _SHARED.get(file.split(".so")[0].split("-")[0], (file, "not known here: see its package"))
        if name not in seen:
            seen.add(name)
            yield Licence(name, file.rpartition(".so.")[2], licence, "shared library")


def main() -> None:
    """Print the list."""
    from .cli import screen

    console = screen.new_console()
    found = licences()
    table = screen.new_table("name", "version", "licence", "how")
    for one in found:
        table.add_row(one.name, one.version, one.licence, one.kind)
    console.print(table)
    if said := note(found):
        console.print("\n" + said)


if __name__ == "__main__":
    main()
