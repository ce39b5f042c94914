"""Boards: places and order of the cells, their letters, and the files that burn them."""
