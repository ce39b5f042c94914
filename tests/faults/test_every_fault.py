"""A slice of `every_fault.py`: a fault is said where it can be, and survived; nothing is lost."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from every_fault import FAULTS, try_all
from fault_bench import Fault
from faults import clock_goes_back, interrupted_import, interrupted_restore

# Interrupted work says nothing; damage may lie where nothing is written, and is then harmless.
SILENT = (interrupted_import, interrupted_restore, clock_goes_back)
TIMES = {"interrupted_restore": 8, "damaged_bytes": 4, "cut_off": 3, "full_disk": 2}


@pytest.fixture
def public_folder() -> Iterator[Path]:
    """A folder that every user can look into."""
    folder = Path(tempfile.mkdtemp(prefix="calib-test-"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: str(fault.__name__))
def test_a_fault_is_said_and_survived_and_no_row_is_lost(fault: Fault, public_folder: Path) -> None:
    times = TIMES.get(fault.__name__, 1)
    (line,) = try_all(public_folder, times=times, seed=0, faults=[fault])
    assert line.tried >= times
    assert (line.survived, line.rows_lost) == (line.tried, 0)
    assert bool(line.told) == (fault not in SILENT)
