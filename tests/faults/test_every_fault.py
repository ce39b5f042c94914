"""A slice of `every_fault.py`: the faults that `test_bad_places.py` doesn't try."""

from __future__ import annotations

from pathlib import Path

import pytest
from every_fault import killed_while_writing, try_all
from fault_bench import Line
from file_faults import damaged_bytes, interrupted_import
from version_faults import newer_version

TRIED = (damaged_bytes, interrupted_import, newer_version)


def test_every_fault_is_survived_and_no_row_is_lost(tmp_path: Path) -> None:
    lines = list(try_all(tmp_path, times=1, seed=0, faults=TRIED))
    assert [line for line in lines if not line.tried] == []
    assert [line for line in lines if line.survived != line.tried] == []
    assert [line for line in lines if line.rows_lost] == []
    newer: Line = lines[-1]
    assert newer.told == newer.tried


def test_figures_of_kills_are_taken_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import kill_writes

    figures = kill_writes.Figures(kills=9, acknowledged=5, lost=2, half_written=1, broken_files=1)
    monkeypatch.setattr(kill_writes, "run", lambda *_, **__: figures)
    line = killed_while_writing(str(tmp_path), "SQLite", 1, 0)
    assert (line.tried, line.survived, line.rows_lost) == (9, 7, 2)
