"""Sorting a drawer of unmarked chips: what one can be, how to look at it safely, and what its content is."""
