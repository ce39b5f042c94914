"""Things kept beside the burns: the newest stands, none is written over."""

from __future__ import annotations

import pytest
from workshop_records import later

from calib.errors import InvalidRecord, LogbookError
from calib.logbook import Book
from calib.logbook.bodies import LONGEST_CONTENT


def test_what_is_kept_anew_replaces_what_was_kept_before(pair: Book) -> None:
    pair.store("costs", {"machine_hour": 15.0}, when=later(2))
    # Recorded later, though its clock says earlier: it counts.
    pair.store("costs", {"machine_hour": 18.0}, when=later(1), note="tube is dearer")
    (new,) = pair.stored("costs")
    assert new.content == {"machine_hour": 18.0}
    assert (new.note, new.machine, new.label) == ("tube is dearer", None, "")


def test_they_are_found_by_what_they_are_about(pair: Book) -> None:
    pair.store("timed_job", {"measured_s": 60.0}, when=later(1), machine="bench", label="box")
    pair.store(
        "comb", {"stock_mm": 3.0}, when=later(2), machine="bench", sheet="birch 3", label="K"
    )
    assert [entry.label for entry in pair.stored("timed_job", machine="bench")] == ["box"]
    (comb,) = pair.stored("comb", label="K")
    assert (comb.machine, comb.sheet) == ("bench", "birch 3")
    assert pair.stored("comb", label="L") == ()


def test_the_same_twice_is_kept_once(pair: Book) -> None:
    first = pair.store("costs", {"a": 1}, when=later(1))
    assert pair.store("costs", {"a": 1}, when=later(1)) == first
    assert len(pair.stored("costs")) == 1


def test_what_cannot_be_kept_is_refused(pair: Book) -> None:
    with pytest.raises(LogbookError, match="'bank'"):
        pair.store("timed_job", {}, when=later(1), machine="bank")
    with pytest.raises(InvalidRecord, match="kind is 'money'"):
        pair.store("money", {}, when=later(1))  # type: ignore[arg-type]
    with pytest.raises(InvalidRecord, match=f"at most {LONGEST_CONTENT} characters"):
        pair.store("costs", {"text": "x" * LONGEST_CONTENT}, when=later(1))
    with pytest.raises(InvalidRecord, match="nan"):
        pair.store("costs", {"machine_hour": float("nan")}, when=later(1))
    assert pair.stored("costs") == ()
