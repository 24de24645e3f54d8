"""Check the arrows between the rooms of the C++ library.

Usage: layers.py [ROOT]. Reads ROOT/cpp/include/lobetime and ROOT/cpp/src, prints one line per breach as
``file:line: what is wrong`` and exits with 1 when there is any. Comments and texts in the code are not judged.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

# What a room may include besides itself. A new room needs a line here.
ALLOWED: dict[str, set[str]] = {
    "core": set(),
    "cases": {"core"},
    "model": {"core", "cases"},
    "fit": {"core", "cases", "model"},
    "evidence": {"core", "cases", "model"},
    "inference": {"core", "cases", "model", "fit"},
    "predict": {"core", "cases", "model", "fit", "inference"},
    "plan": {"core", "cases", "model", "fit", "inference", "predict"},
    "monitor": {"core"},
}
SOLVER_ROOMS = {"fit", "inference"}
FILE_ROOMS = {"cases"}
RANDOM_ROOMS = {"core"}

UMBRELLA = "lobetime.hpp"
GENERATED = {"version.hpp"}

# A program that uses the installed library need not have these, so no public header may show them.
PRIVATE_LIBRARIES = ("boost/", "nlohmann/", "Random123/")
PYTHON = ("pybind11/", "Python.h")
SOLVER = ("ceres/", "glog/")

SOLVER_WORD = re.compile(r"\bceres\s*::")
FILE_WORD = re.compile(r"\b(?:fopen|freopen|tmpfile)\s*\(|\bstd::(?:basic_)?[io]?fstream\b|\bstd::filesystem\b")
PRINT_WORD = re.compile(
    r"\bstd::w?(?:cout|cerr|clog)\b|\b(?:printf|fprintf|vprintf|vfprintf|puts|fputs|putchar|perror)\s*\("
    r"|\bstd::print(?:ln)?\s*\("
)
RANDOM_WORD = re.compile(
    r"\bstd::(?:random_device|mt19937(?:_64)?|minstd_rand0?|default_random_engine|\w+_distribution)\b"
    r"|\b(?:rand|srand|random|drand48)\s*\("
)

INCLUDE = re.compile(r"^\s*#\s*include\s*([<\"])([^>\"]+)[>\"]")
# A raw text, a text, a character or a comment, whichever begins first. An apostrophe between digits is neither.
SILENT = re.compile(
    r'R"(?P<tag>[^()\\\s]{0,16})\(.*?\)(?P=tag)"|"(?:\\.|[^"\\\n])*"|(?<![0-9A-Fa-f])\'(?:\\.|[^\'\\\n])+\''
    r"|//[^\n]*|/\*.*?\*/",
    re.DOTALL,
)


@dataclass(frozen=True)
class Breach:
    path: Path
    line: int
    message: str


def without_comments(text: str) -> str:
    """Blank out comments and the insides of texts, keeping the line numbers and the include lines."""

    def blank(match: re.Match[str]) -> str:
        found = match.group()
        line_start = text.rfind("\n", 0, match.start()) + 1
        if found[0] == '"' and re.fullmatch(r"\s*#\s*include\s*", text[line_start : match.start()]):
            return found
        return re.sub(r"[^\n]", " ", found)

    return SILENT.sub(blank, text)


def included_room(root: Path, path: Path, quote: str, target: str) -> str | None:
    """Room that an include line reaches, "" for a header of the house itself, None for another library."""
    parts = target.split("/")
    if parts[0] == "lobetime":
        return parts[1] if len(parts) > 2 else ""
    if quote == '"':
        sources = root / "cpp" / "src"
        for folder in (path.parent, sources):
            candidate = (folder / target).resolve()
            if candidate.is_file() and candidate.is_relative_to(sources.resolve()):
                return candidate.relative_to(sources.resolve()).parts[0]
    return None


def check_include(root: Path, path: Path, room: str, public: bool, quote: str, target: str) -> Iterator[str]:
    reached = included_room(root, path, quote, target)
    if reached == "" and target == f"lobetime/{UMBRELLA}":
        yield "includes the umbrella header; name the headers that are needed"
    elif reached and reached not in ALLOWED:
        yield f"includes {target} from a room that layers.py does not know"
    elif reached and reached != room and reached not in ALLOWED[room]:
        yield f"upward arrow: {room}/ may not include {reached}/ ({target})"
    if target.startswith(SOLVER):
        if public:
            yield f"{target} in a public header"
        elif room not in SOLVER_ROOMS:
            yield f"{target} outside {' and '.join(sorted(SOLVER_ROOMS))}"
    if public and target.startswith(PRIVATE_LIBRARIES):
        yield f"{target} in a public header: it is a private dependency"
    if target.startswith(PYTHON):
        yield f"{target}: Python belongs in python/bindings"
    if target in {"fstream", "filesystem"} and room not in FILE_ROOMS:
        yield f"<{target}>: files are read in cases/ only"
    if target in {"iostream", "print"}:
        yield f"<{target}>: the library prints nothing"
    if (target == "random" or target.startswith("Random123/")) and room not in RANDOM_ROOMS:
        yield f"<{target}>: random numbers are drawn in core/ only"


def check_words(room: str, public: bool, line: str) -> Iterator[str]:
    if (public or room not in SOLVER_ROOMS) and (match := SOLVER_WORD.search(line)):
        yield f"{match.group()} where Ceres may not be seen"
    if room not in FILE_ROOMS and (match := FILE_WORD.search(line)):
        yield f"{match.group()}: files are read in cases/ only"
    if match := PRINT_WORD.search(line):
        yield f"{match.group()}: the library prints nothing"
    if room not in RANDOM_ROOMS and (match := RANDOM_WORD.search(line)):
        yield f"{match.group()}: random numbers are drawn in core/ only"


def check_file(root: Path, path: Path, room: str, public: bool) -> Iterator[Breach]:
    if room not in ALLOWED:
        yield Breach(path, 1, f"room {room}/ is not known to layers.py")
        return
    for number, line in enumerate(without_comments(path.read_text(encoding="utf-8")).splitlines(), start=1):
        if match := INCLUDE.match(line):
            messages = check_include(root, path, room, public, match.group(1), match.group(2))
        else:
            messages = check_words(room, public, line)
        for message in messages:
            yield Breach(path, number, message)


def check_umbrella(headers: Path) -> Iterator[Breach]:
    umbrella = headers / UMBRELLA
    if not umbrella.is_file():
        yield Breach(umbrella, 1, "there is no umbrella header")
        return
    lines = without_comments(umbrella.read_text(encoding="utf-8")).splitlines()
    named = {match.group(2).removeprefix("lobetime/") for line in lines if (match := INCLUDE.match(line))}
    there = {str(path.relative_to(headers)) for path in headers.glob("*/*.hpp")} | GENERATED
    for missing in sorted(there - named):
        yield Breach(umbrella, 1, f"does not include lobetime/{missing}")
    for unknown in sorted(named - there):
        yield Breach(umbrella, 1, f"includes lobetime/{unknown}, which is not a public header of a room")


def check_tree(root: Path) -> list[Breach]:
    headers = root / "cpp" / "include" / "lobetime"
    sources = root / "cpp" / "src"
    breaches = list(check_umbrella(headers))
    files = 0
    for folder, public in ((headers, True), (sources, False)):
        for path in sorted(folder.rglob("*")):
            if path.suffix not in {".hpp", ".cpp", ".h", ".ipp"} or path == headers / UMBRELLA:
                continue
            files += 1
            parts = path.relative_to(folder).parts
            if len(parts) < 2:
                breaches.append(Breach(path, 1, "lies outside every room"))
            else:
                breaches.extend(check_file(root, path, parts[0], public))
    if files == 0:
        breaches.append(Breach(root, 1, "no C++ file found: nothing was checked"))
    return breaches


def main(arguments: list[str]) -> int:
    root = Path(arguments[0]) if arguments else Path(__file__).resolve().parents[2]
    breaches = check_tree(root)
    for breach in breaches:
        shown = breach.path.relative_to(root) if breach.path.is_relative_to(root) else breach.path
        print(f"{shown}:{breach.line}: {breach.message}")
    return 1 if breaches else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
