"""Fixtures that the tests of several rooms share."""

# First of all: what is loaded after it has its answers from it.
import same_answers  # noqa: F401  # isort: skip

import pytest
from filled_books import full, pair
from postgres import book, other, place, server, three, used_books, used_server_book
from shell import evening, planned, planned_book, shell, stocked
from visitor import empty_book, evening_house, house, planned_house

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
