"""The command line: the library's own words, a table for people, CSV or JSON for machines.

What a command says goes to standard output; problems, notes and progress go to standard error. Exit codes: 0 done, 1
the data were refused, 2 wrong usage (a file that cannot be read or written included), 130 interrupted, 143 terminated.
"""

from __future__ import annotations

import signal
import sys
from types import FrameType
from typing import IO, NoReturn

# Each gives the program its command.
from . import check, devices, fit, lists, monitor, page, report, slots  # noqa: F401
from .program import app


def _tolerant(stream: IO[str]) -> None:
    """A character that the terminal cannot show is shown as its number."""
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="backslashreplace")


def _stop(signum: int, frame: FrameType | None) -> NoReturn:
    """Ends as Ctrl-C does: what is being written is written whole or not at all, temporary files go."""
    del frame
    sys.exit(128 + signum)


def main() -> None:
    """What the command ``lobetime`` calls."""
    if hasattr(signal, "SIGPIPE"):
        signal.signal(signal.SIGPIPE, signal.SIG_DFL)  # `lobetime ... | head` ends quietly
    signal.signal(signal.SIGTERM, _stop)
    _tolerant(sys.stdout)
    _tolerant(sys.stderr)
    try:
        app(prog_name="lobetime")
    except KeyboardInterrupt:  # before the command has begun
        sys.exit(130)
