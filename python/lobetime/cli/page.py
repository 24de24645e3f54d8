"""lobetime page."""

from __future__ import annotations

import errno
import socket
from typing import Annotated

import typer
import typer.core

# Names of the package are looked up where they are used, and pandas is imported there: --help needs neither.
import lobetime as lt

from ..caution import CAUTION
from . import asking, screen
from .program import EPILOG, app


@app.command(epilog=EPILOG)
def page(
    model: asking.ModelOption = None,
    history: asking.HistoryOption = None,
    history_column: Annotated[
        list[str],
        typer.Option(
            "--history-column",
            metavar="COLUMN=HEADING",
            help="A heading of the --history file that is not the column's own name. Repeatable.",
            show_default=False,
        ),
    ] = [],  # noqa: B006 - typer copies it
    drop: asking.DropOption = [],  # noqa: B006 - typer copies it
    device_classes: asking.ClassesOption = None,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0: any that is free.")] = 0,
    host: Annotated[
        str,
        typer.Option("--host", metavar="ADDRESS", help="Where to listen. By default only this computer can connect."),
    ] = "127.0.0.1",
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only say the address.")] = False,
) -> None:
    """Serve the scheduler's page: slots in a browser, without writing code.

    With neither --model nor --history the page starts from published evidence alone, and says so. What is typed or
    chosen there stays in memory and goes when the page is closed.
    """
    from ..page import serve as serving

    asking.check_one_of(model, history)
    if history_column and history is None:
        raise typer.BadParameter("needs --history", param_hint="--history-column")
    if drop and history is None:
        raise typer.BadParameter("needs --history", param_hint="--drop")
    mapping = asking.columns(history_column, "--history-column")
    classes = asking.classes(device_classes)
    cases = asking.read(lt.read_cases, history, mapping, drop=drop, **classes) if history is not None else None
    fitted, origin = asking.model_of(model, cases, classes)
    rests_on = "published evidence alone, no history" if origin == "published prior" else screen.unit_line(fitted)

    def ready(url: str) -> None:
        screen.note(f"The scheduler's page, from {rests_on}: {url}")
        if serving.is_loopback(host):
            screen.note("Only this computer can open it, and only with this address. Ctrl-C ends it.")
        else:
            screen.note(
                f"WARNING: it listens on {host}, so other computers can reach it. Whoever has the address above sees "
                "the model's slots, and what is typed or chosen on the page crosses the network unencrypted. "
                "Ctrl-C ends it."
            )
        screen.note(CAUTION)

    content = fitted.fitted_.to_json().encode() if origin != "published prior" else None
    try:
        serving.serve(content, host=host, port=port, open_browser=not no_browser, ready=ready)
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            raise typer.BadParameter(f"{port} is in use; 0 takes any that is free", param_hint="--port") from None
        if error.errno in (errno.EADDRNOTAVAIL, errno.EACCES) or isinstance(error, socket.gaierror):
            raise typer.BadParameter(f"cannot listen on {host}, port {port}: {error}", param_hint="--host") from None
        raise
