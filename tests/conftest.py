"""Fixtures that the tests of several rooms share."""

import functools
from collections.abc import Iterator

import pytest
from filled_books import full, pair
from postgres import book, other, place, server, three, used_books, used_server_book
from shell import evening, planned, planned_book, shell, stocked
from visitor import empty_book, evening_house, house, planned_house

from calib.fit import fitting

# A failed assertion in these says what it compared, as in a test.
pytest.register_assert_rewrite("layout_checks", "program_checks")

__all__ = [
    "book",
    "empty_book",
    "evening",
    "evening_house",
    "full",
    "house",
    "other",
    "pair",
    "place",
    "planned",
    "planned_book",
    "planned_house",
    "server",
    "shell",
    "stocked",
    "three",
    "used_books",
    "used_server_book",
]


@pytest.fixture(scope="session", autouse=True)
def fitted_once() -> Iterator[None]:
    """What a fit gave for the same burns it gives again: many tests share an evening's burns."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fitting, "fit", functools.lru_cache(48)(fitting.fit))
        yield
