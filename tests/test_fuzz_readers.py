"""A slice of `fuzz/readers.py`, without its guidance, and whether it would find a defect."""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest
from workshop_records import later

from calib.errors import BadFile

FUZZ = Path(__file__).parent / "fuzz"
sys.path.insert(0, str(FUZZ))
try:
    import book_readers
    from reader_list import readers_in
    from tally import HANGS_S, Reader, Tally, wrong_message
finally:
    sys.path.remove(str(FUZZ))

# Inputs for a reader: fewer to those that the command sends fewer, since they are slow.
FEWEST, MOST = 3, 30


@pytest.fixture(scope="module")
def readers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Reader]:
    """All readers; made once."""
    return readers_in(tmp_path_factory.mktemp("readers"))


def send(reader: Reader, count: int) -> Tally:
    """Send some inputs to a reader, the same ones every time."""
    random, tally = Random(1), Tally()
    for _ in range(count):
        tally.send(reader, reader.next(random.choice(reader.examples), random))
    return tally


def test_a_slice_of_the_fuzzing_finds_no_defect(readers: dict[str, Reader]) -> None:
    found = {
        name: send(reader, MOST if reader.share > 5 else FEWEST) for name, reader in readers.items()
    }
    assert {name: tally.defects for name, tally in found.items() if tally.defects} == {}
    assert len(found) == 14
    assert all(tally.accepted + tally.refused == tally.sent >= FEWEST for tally in found.values())
    quick = [tally for tally in found.values() if tally.sent == MOST]
    assert len(quick) == 9
    assert all(tally.accepted and tally.refused for tally in quick)


def badly_worded(data: bytes) -> None:
    """A reader whose refusals nobody understands."""
    raise BadFile("bad byte")


@pytest.mark.parametrize(
    ("read", "defect"),
    [
        (lambda data: data.decode("ascii")[99], "IndexError at "),
        (badly_worded, "no sentence (too few words, or no end) at "),
    ],
)
def test_a_planted_defect_is_found(
    readers: dict[str, Reader], read: Callable[[bytes], object], defect: str
) -> None:
    tally = send(dataclasses.replace(readers["photographs"], read=read), 100)
    assert tally.sent == 100
    assert any(name.startswith(defect) for name in tally.defects)


def test_what_a_bad_input_left_in_a_logbook_is_found(
    readers: dict[str, Reader], monkeypatch: pytest.MonkeyPatch
) -> None:
    def half_way(book: object, data: bytes, **_: object) -> None:
        book.add_note("half", when=later(30))  # type: ignore[attr-defined]
        raise BadFile("The file can't be taken: it is bad.")

    monkeypatch.setattr(book_readers, "import_book", half_way)
    tally = send(readers["logbooks, into one"], 1)
    assert [name.split(" at ")[0] for name in tally.defects] == ["AssertionError"]


def test_what_takes_too_long_is_found(
    readers: dict[str, Reader], monkeypatch: pytest.MonkeyPatch
) -> None:
    ticks = iter((0.0, HANGS_S + 0.1))
    monkeypatch.setattr("time.process_time", lambda: next(ticks))
    assert list(send(readers["photographs"], 1).defects) == [f"took more than {HANGS_S:g} s"]


@pytest.mark.parametrize(
    ("message", "wrong"),
    [
        ("The file is empty: give a whole one.", ""),
        ("bad", "too few words, or no end"),
        ("this is not a sentence", "too few words, or no end"),
        ("the name \x1b[31m can't be kept.", "not printable"),
        ("a " * 2000 + "b.", "too long"),
        ("Machine.__init__() lacks 'rated_w'.", "says __init__"),
    ],
)
def test_a_message_is_a_sentence_that_can_be_printed(message: str, wrong: str) -> None:
    assert wrong_message(message) == wrong
