"""Fixtures that the tests of several rooms share."""

from postgres import book, other, place, server, three, used_books, used_server_book

__all__ = ["book", "other", "place", "server", "three", "used_books", "used_server_book"]
