"""Print "total: N passed, N failed, N skipped" over JUnit XML files; exit with 1 on a failure or when nothing ran."""

from __future__ import annotations

import sys
import xml.etree.ElementTree as ET
from pathlib import Path


def main(paths: list[str]) -> int:
    passed = failed = skipped = 0
    empty = []
    for path in paths:
        cases = list(ET.parse(path).getroot().iter("testcase")) if Path(path).is_file() else []
        if not cases:
            empty.append(path)
        for case in cases:
            if case.find("failure") is not None or case.find("error") is not None or case.get("status") == "fail":
                failed += 1
            elif case.find("skipped") is not None:
                skipped += 1
            else:
                passed += 1
    for path in empty:
        print(f"no test was counted in {path}")
    print(f"total: {passed} passed, {failed} failed, {skipped} skipped")
    return 1 if failed or empty or not passed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
