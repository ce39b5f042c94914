"""Write the files of all ready-made grids anew.

    .venv/bin/python grids/rewrite.py

A folder of files stands beside each definition that keeps its files; a folder without a definition
is removed.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Mapping
from pathlib import Path

GRIDS = Path(__file__).resolve().parent


def made(definition: Path) -> Mapping[str, bytes]:
    """Make the files of one definition; none when it doesn't keep them."""
    from calib.tasks.files import board_files
    from calib.tasks.results import read_definition, ready_made_grid

    read = read_definition(definition.read_text(encoding="utf-8"))
    return board_files(ready_made_grid(read)) if read.keep_files else {}


def main() -> None:
    """Write every folder anew."""
    for folder in GRIDS.iterdir():
        if folder.is_dir() and folder.name != "__pycache__":
            shutil.rmtree(folder)
    for definition in sorted(GRIDS.glob("*.toml")):
        files = made(definition)
        for name, content in files.items():
            path = definition.with_suffix("") / name
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(content)
        sys.stdout.write(f"{definition.stem}: {len(files)} files\n")


if __name__ == "__main__":
    sys.path.insert(0, str(GRIDS.parent / "tools"))
    from environment import RUN_PINS, run_in_environment

    run_in_environment(RUN_PINS, __file__, main)
