"""Make the project's own `.venv` and fill it with pinned packages; standard library only.

Used by ``demo/run.py`` and ``tests/run.py``, which may be started by any Python from 3.11 on. What
was installed is noted in the environment, so that a second start is quick.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
NEEDED = (3, 11)
# Pin files in the order in which they go in, and whether their dependencies come with them.
RUN_PINS = (("run.txt", True),)
TEST_PINS = (("run.txt", True), ("test.txt", True), ("test-no-deps.txt", False))
_NO_VENV = (
    "This Python can't make an environment: its module venv or its pip is missing. On Debian or"
    " Ubuntu install them with 'apt-get install python3-venv', then start this again."
)

Pins = tuple[tuple[str, bool], ...]


class SetupError(Exception):
    """Raised when the environment can't be made; the message says what to do."""


def python_in(venv: Path) -> Path:
    """Path of an environment's Python."""
    return venv / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def ensure_environment(pins: Pins) -> Path:
    """Make or complete `.venv`; give the path of its Python.

    Pins that are there already, and more, are left as they are: the demo doesn't undo what the
    tests installed.
    """
    if sys.version_info < NEEDED:
        raise SetupError(
            f"This is Python {sys.version.split()[0]}: calib needs"
            f" {NEEDED[0]}.{NEEDED[1]} or later. Start this with a newer python3."
        )
    if not is_usable():
        _make_venv()
    missing = [pin for pin in pins if not _stamp(pin[0]).is_file()]
    if missing:
        _install(missing)
    if not _stamp("calib").is_file():
        pip("install", "--no-deps", "-qq", "--editable", str(ROOT))
        _stamp("calib").write_text("installed\n")
    return python_in(VENV)


def run_in_environment(pins: Pins, script: str, main: Callable[[], int | None]) -> None:
    """Run a script's main function in `.venv`; ends the process.

    Started by any other Python, it makes the environment and starts the script again in it.
    """
    if Path(sys.prefix) == VENV:
        raise SystemExit(main())
    try:
        python = ensure_environment(pins)
    except SetupError as error:
        say(f"{Path(script).name}: {error}")
        raise SystemExit(1) from None
    raise SystemExit(subprocess.run([str(python), script, *sys.argv[1:]], check=False).returncode)


def say(text: str) -> None:
    """Tell the user what is going on, at once."""
    sys.stderr.write(f"{text}\n")
    sys.stderr.flush()


def digest(name: str) -> str:
    return hashlib.sha256((ROOT / "requirements" / name).read_bytes()).hexdigest()[:16]


def _stamp(name: str) -> Path:
    """File that says that this is installed, exactly as it is asked for now and here."""
    asked = (
        (ROOT / "pyproject.toml").read_text(encoding="utf-8") if name == "calib" else digest(name)
    )
    mark = hashlib.sha256(f"{asked} {VENV}".encode()).hexdigest()[:16]
    return VENV / "installed" / f"{name}-{mark}"


def is_usable() -> bool:
    """True when `.venv` runs, in this place, with a Python that is new enough and has pip."""
    question = "import sys, pip; print(sys.prefix, sys.version_info[:2] >= (3, 11))"
    try:
        answer = subprocess.run(
            [str(python_in(VENV)), "-c", question], capture_output=True, text=True, check=False
        )
    except OSError:
        return False
    return answer.stdout.strip() == f"{VENV} True"


def _make_venv() -> None:
    say(f"Making the environment {VENV} ...")
    if VENV.exists():
        shutil.rmtree(VENV)
    if not venv_made() and not (debian_helps("python3-venv") and venv_made()):
        shutil.rmtree(VENV, ignore_errors=True)
        raise SetupError(_NO_VENV)


def venv_made() -> bool:
    command = [sys.executable, "-m", "venv", "--clear", str(VENV)]
    return subprocess.run(command, stdout=subprocess.DEVNULL, check=False).returncode == 0


def _install(pins: list[tuple[str, bool]]) -> None:
    for name, with_dependencies in pins:
        say(f"Installing the packages of requirements/{name} (once; may take some minutes) ...")
        more = () if with_dependencies else ("--no-deps",)
        pip("install", "-qq", *more, "--requirement", str(ROOT / "requirements" / name))
        _stamp(name).parent.mkdir(exist_ok=True)
        _stamp(name).write_text("installed\n")


def pip(*arguments: str) -> None:
    command = [str(python_in(VENV)), "-m", "pip", "--disable-pip-version-check", *arguments]
    if subprocess.run(command, check=False).returncode:
        raise SetupError(
            "pip could not install what calib needs (its own words stand above). Check the network"
            " and the space on the disk, then start this again."
        )


def ensure_debian(packages: list[str]) -> list[str]:
    """Install Debian packages where that is possible; give those that are still missing."""
    if not packages or debian_helps(*packages):
        return []
    return packages


def debian_helps(*packages: str) -> bool:
    apt = shutil.which("apt-get")
    is_root = hasattr(os, "geteuid") and os.geteuid() == 0
    if apt is None or not is_root:
        return False
    say(f"Installing Debian packages: {' '.join(packages)} ...")
    settings = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    install = [apt, "install", "--yes", "--quiet", "--no-install-recommends", *packages]
    for command in ([apt, "update", "--quiet"], install):
        done = subprocess.run(
            command, env=settings, stdin=subprocess.DEVNULL, capture_output=True, text=True,
            check=False,
        )  # fmt: skip
    if done.returncode:
        say(done.stderr.strip())
    return done.returncode == 0
