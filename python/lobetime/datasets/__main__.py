"""`python -m lobetime.datasets [DIRECTORY]`: remake the demo unit's files, by default where the package keeps them."""

import argparse
from pathlib import Path

from ._demo import write_demo_files

parser = argparse.ArgumentParser(prog="python -m lobetime.datasets", description="Remake the invented demo unit.")
parser.add_argument("directory", nargs="?", type=Path, default=Path(__file__).resolve().parent)
directory = parser.parse_args().directory
if not directory.is_dir():
    parser.error(f"{directory} is not a directory")
write_demo_files(directory)
