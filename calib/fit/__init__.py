"""Fits: where the cut and the mark work, from what was burnt, with its uncertainty."""
