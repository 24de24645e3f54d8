"""``python -m lobetime`` is the command line."""

from .cli import main

main()
