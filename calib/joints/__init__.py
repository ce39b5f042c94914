"""Kerf, and parts that fit: from a comb board and a caliper to what to draw."""
