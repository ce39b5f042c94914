"""Summaries of pairs kept with the book: made anew where burns came, and nothing that was said."""

from __future__ import annotations

import dataclasses

import pytest
from workshop_records import BENCH, BIRCH, JOB, later

from calib.fit.pool import Pool, pool_records
from calib.logbook import Book, export_text
from calib.logbook.backup import check_book
from calib.logbook.book import recall, remember
from calib.tasks.pools import pool_of_book

NEW = dataclasses.replace(BIRCH, name="new")


@pytest.fixture
def two(pair: Book) -> Book:
    """A book in which two sheets were cut on one machine."""
    pair.add_sheet(dataclasses.replace(BIRCH, name="second"), when=later(1))
    for sheet in (BIRCH.name, "second"):
        pair.add_job(BENCH.name, sheet, JOB, when=later(2))
    return pair


def taught(book: Book) -> Pool:
    pool = pool_of_book(book, book.machine(BENCH.name), NEW, "cut")
    assert pool is not None
    return pool


def means(pool: Pool) -> dict[str, float]:
    return {s.sheet.name: s.excess.mean for s in pool.summaries["cut"]}


def test_what_is_kept_says_what_the_burns_say(two: Book) -> None:
    first, again = taught(two), taught(two)
    said = pool_records(
        (two.machine(BENCH.name), two.sheet(name), two.burns(BENCH.name, name, "cut"))
        for name in (BIRCH.name, "second")
    )
    assert means(first) == means(again) == pytest.approx(means(said))
    for kept, made in zip(again.summaries["cut"], said.summaries["cut"], strict=True):
        assert (kept.machine, kept.sheet, kept.sure_mm) == (made.machine, made.sheet, made.sure_mm)
        assert sorted(kept.draws) == sorted(made.draws)
        for name, draws in made.draws.items():
            assert kept.draws[name].value == pytest.approx(draws.value, rel=1e-6)
            assert kept.draws[name].weight == pytest.approx(draws.weight, rel=1e-6)


def test_only_the_pair_that_got_burns_is_summed_up_anew(two: Book) -> None:
    before = means(taught(two))
    two.add_job(BENCH.name, "second", [dataclasses.replace(JOB[0], count=90)], when=later(3))
    after = means(taught(two))
    assert after[BIRCH.name] == before[BIRCH.name]
    assert after["second"] != before["second"]


def test_it_is_found_by_what_it_was_made_of(two: Book) -> None:
    assert recall(two, {"a": "1"}) == {}
    remember(two, {"a": "1", "b": "1"}, {"a": b"old", "b": b"other"})
    remember(two, {"a": "2"}, {"a": b"new"})
    assert recall(two, {"a": "1", "b": "1"}) == {"b": b"other"}
    assert recall(two, {"a": "2"}) == {"a": b"new"}


def test_it_is_no_part_of_what_was_said(two: Book) -> None:
    before = export_text(two), check_book(two)
    taught(two)
    assert (export_text(two), check_book(two)) == before
