"""Boards: which cells, where and in what order, and the files that burn them."""
