"""Fixtures that the tests of several rooms share."""

from postgres import book, empty_file, empty_place, place, server, used_place

__all__ = ["book", "empty_file", "empty_place", "place", "server", "used_place"]
