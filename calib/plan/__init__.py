"""Which cells to burn: those that settle most, or a full grid; no place, file or board."""
