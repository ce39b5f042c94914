"""Fixtures that the tests of several rooms share."""

from postgres import book, other, place, server, three, used_books, used_server_book
from shell import evening, planned, planned_book, shell, stocked

__all__ = [
    "book",
    "evening",
    "other",
    "place",
    "planned",
    "planned_book",
    "server",
    "shell",
    "stocked",
    "three",
    "used_books",
    "used_server_book",
]
