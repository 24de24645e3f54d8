"""The program: what every command has in common."""

from __future__ import annotations

import importlib.metadata
import platform
from typing import Annotated, Any

import typer
import typer.core

# Names of the package are looked up where they are used, and pandas is imported there: --help needs neither.
import lobetime as lt

from .. import _core
from ..caution import CAUTION
from . import screen

EPILOG = (
    "Exit codes: 0 done; 1 the data were refused, with every problem listed and nothing written; 2 wrong usage; "
    "130 interrupted; 143 terminated."
)


# In which a unit comes to need them.
_ORDER = ("check", "fit", "slots", "page", "lists", "devices", "monitor", "report")


class _Commands(typer.core.TyperGroup):
    """Turns what the library raises into words and an exit code, for every command alike."""

    def list_commands(self, ctx: Any) -> list[str]:
        return sorted(super().list_commands(ctx), key=_ORDER.index)

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except (typer.Exit, typer.Abort):
            raise
        except lt.InvalidData as refused:
            console = screen.new_console(stderr=True)
            problems = screen.count(len(refused.problems), "problem")
            console.print(f"{screen.shown(refused.source)}: the data were refused, {problems}; nothing was written\n")
            screen.print_findings(console, refused.problems, ["row", "column", "value", "allowed"])
            raise typer.Exit(1) from None
        except lt.Error as error:
            screen.note(f"the data were refused; nothing was written: {error}")
            raise typer.Exit(1) from None
        except (OSError, ImportError, UnicodeError) as error:
            if isinstance(error, BrokenPipeError):
                raise
            screen.note(f"Error: {error}")
            raise typer.Exit(2) from None
        except MemoryError as error:
            screen.note(f"Error: not enough memory: {error or 'fewer --draws or fewer rows need less'}")
            raise typer.Exit(2) from None
        except KeyboardInterrupt:
            raise typer.Exit(130) from None


app = typer.Typer(
    cls=_Commands,
    help="Theatre time for transurethral enucleation of the prostate: slots with a stated overrun risk.",
    epilog=f"{EPILOG} {CAUTION}",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["--help", "-h"]},
)


def _linear_algebra() -> str:
    """The libraries under numpy and scipy, as this process has loaded them."""
    import numpy.linalg
    import scipy.linalg  # noqa: F401 - it may bring another one
    import threadpoolctl

    found = {
        f"{one['internal_api']} {one['version'] or 'of unknown version'}, {one['num_threads']} threads"
        for one in threadpoolctl.threadpool_info()
        if one["user_api"] == "blas"
    }
    return "; ".join(sorted(found)) or f"numpy {numpy.__version__}'s own"


def _print_version(asked: bool) -> None:
    if not asked:
        return
    parts = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in ("numpy", "pandas", "typer", "rich"))
    python = f"{platform.python_implementation()} {platform.python_version()}"
    lines = [f"lobetime {lt.__version__}", f"{python}, {parts}", platform.platform()]
    lines += [f"{name}: {value}" for name, value in (*_core.build_facts(), ("linear algebra", _linear_algebra()))]
    screen.new_console().print("\n".join(lines), soft_wrap=True)
    raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Show the versions and exit.")
    ] = False,
) -> None:
    del version
