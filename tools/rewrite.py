"""Write everything anew that is made by calib and kept in the project, in one go.

    python3 tools/rewrite.py

To be run when the planner, the fit or a file's layout was changed on purpose: the demo's recorded
burns, README's pictures, the files of the ready-made grids, and the results that tests/kept keeps
(those, and the pictures of the page, need `.venv` with the tests' packages, as
`python3 tests/run.py` makes it).
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

from environment import RUN_PINS, run_in_environment

ROOT = Path(__file__).resolve().parent.parent
DEMO = ROOT / "demo"


def main() -> None:
    """Run the parts one after the other; stop at the first that fails."""
    for script in ("demo/invent_results.py", "demo/run.py", "grids/rewrite.py"):
        subprocess.run([sys.executable, str(ROOT / script)], check=True)
    shutil.copyfile(DEMO / "out" / "birch-region.png", DEMO / "birch-region.png")
    pictures = str(ROOT / "tools" / "page_pictures.py")
    subprocess.run([sys.executable, pictures], check=True)
    compared = str(ROOT / "tests" / "test_compared.py")
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", compared]
    subprocess.run(command, cwd=ROOT, env={**os.environ, "CALIB_REWRITE_KEPT": "1"}, check=True)


if __name__ == "__main__":
    run_in_environment(RUN_PINS, __file__, main)
