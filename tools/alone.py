"""Check that calib works in an environment that holds what it declares and nothing else.

A second environment is made in which the packages of ``requirements/run.txt`` are linked from the
first one: nothing is downloaded, and the packages of the tests aren't there. In it the command line
shows its help and every module of calib is imported.
"""

from __future__ import annotations

import importlib.metadata
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ALONE = Path(sys.prefix) / "alone"
_PIN = re.compile(r"^([A-Za-z0-9._-]+)==", re.MULTILINE)
_IMPORT_ALL = """
import importlib, pathlib, pkgutil, sys
import calib
for module in pkgutil.walk_packages(calib.__path__, "calib."):
    if "migrations" not in module.name and not module.name.endswith("__main__"):
        importlib.import_module(module.name)
for package in ("pytest", "mypy", "hypothesis", "psycopg"):
    assert importlib.util.find_spec(package) is None, package
"""


def main() -> int:
    """Make the environment anew and use calib in it; 0 when it works."""
    python = make_environment()
    for command in (["-m", "calib", "--help"], ["-c", _IMPORT_ALL]):
        done = subprocess.run(
            [str(python), *command], cwd=ALONE, capture_output=True, text=True, check=False
        )
        if done.returncode:
            sys.stderr.write(f"{done.stdout}{done.stderr}\n")
            return 1
    return 0


def make_environment() -> Path:
    """Link the pinned packages, and calib, into an empty environment."""
    shutil.rmtree(ALONE, ignore_errors=True)
    subprocess.run(
        [sys.executable, "-m", "venv", "--without-pip", "--symlinks", str(ALONE)], check=True
    )
    library = next(ALONE.glob("lib/python3*/site-packages"))
    for name in _PIN.findall((ROOT / "requirements" / "run.txt").read_text(encoding="utf-8")):
        link(importlib.metadata.distribution(name), library)
    (library / "calib").symlink_to(ROOT / "calib")
    return ALONE / "bin" / "python"


def link(package: importlib.metadata.Distribution, library: Path) -> None:
    """Link the top files and folders of one package."""
    for top in {file.parts[0] for file in package.files or () if file.parts[0] != os.pardir}:
        place = Path(str(package.locate_file(top)))
        if place.exists() and not (library / top).exists() and top != "__pycache__":
            (library / top).symlink_to(place)


if __name__ == "__main__":
    raise SystemExit(main())
