"""Check everything: style, types, tests, and that calib starts without the test packages.

    python3 tests/run.py [arguments for pytest]

Makes `.venv` and installs what is missing, Debian packages included where it may.
"""

from __future__ import annotations

import ctypes.util
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tools"))

from environment import (  # noqa: E402
    TEST_PINS,
    SetupError,
    ensure_debian,
    ensure_environment,
    say,
)

# Debian packages that tests use, and how to see that they are there.
DEBIAN = {
    "postgresql": lambda: (
        bool(list(Path("/usr/lib/postgresql").glob("*/bin/initdb"))) or shutil.which("initdb")
    ),
    "libcairo2": lambda: ctypes.util.find_library("cairo") or ctypes.util.find_library("cairo-2"),
    "chromium": lambda: (
        not list((ROOT / "tests" / "browser").glob("test_*.py")) or shutil.which("chromium")
    ),
}
IS_CI = os.environ.get("CI", "").lower() not in {"", "0", "false"}


def main(arguments: list[str]) -> int:
    """Run all steps, whatever the first ones say; 0 when every one is good."""
    os.chdir(ROOT)
    try:
        python = str(ensure_environment(TEST_PINS))
    except SetupError as error:
        say(f"tests/run.py: {error}")
        return 1
    if not debian_is_there():
        return 1
    failed = [name for name, command in steps(python, arguments) if not passes(name, command)]
    say(f"FAILED: {', '.join(failed)}" if failed else "Everything passed.")
    return 1 if failed else 0


def steps(python: str, arguments: list[str]) -> list[tuple[str, list[str]]]:
    """What is run, in this order."""
    # In the order in which they lie: the browser and the faults, which take longest, come first.
    tests = ["pytest", "-n", "2", "--dist", "loadfile", "--no-loadscope-reorder", "-q"]
    tests += ["-p", "no:cacheprovider"]
    return [
        ("ruff format", [python, "-m", "ruff", "format", "--check", "--quiet"]),
        ("ruff check", [python, "-m", "ruff", "check", "--quiet"]),
        ("mypy", [python, "-m", "mypy"]),
        ("pytest", [python, "-m", *tests, *arguments]),
        ("calib alone", [python, str(ROOT / "tools" / "alone.py")]),
    ]


def passes(name: str, command: list[str]) -> bool:
    """Run one step and say how it went."""
    say(f"== {name}")
    start = time.monotonic()
    settings = {
        **os.environ,
        # Two processes on two cores: threads of a third and fourth would only wait for them.
        "OPENBLAS_NUM_THREADS": "1",
        # What many tests start as a program is compiled once, and not in the tree.
        "PYTHONDONTWRITEBYTECODE": "",
        "PYTHONPYCACHEPREFIX": str(ROOT / ".venv" / "compiled"),
    }
    good = subprocess.run(command, env=settings, check=False).returncode == 0
    say(f"== {name}: {'good' if good else 'FAILED'} ({time.monotonic() - start:.0f} s)")
    return good


def debian_is_there() -> bool:
    """Install missing Debian packages; without them CI fails, else pytest says what it skips."""
    missing = ensure_debian([name for name, is_there in DEBIAN.items() if not is_there()])
    if missing:
        say(
            f"These Debian packages are missing, and this user can't install them: install them"
            f" with 'sudo apt-get install {' '.join(missing)}'."
        )
    return not (missing and IS_CI)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
