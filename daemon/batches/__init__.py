"""Batches: N sets of a board, one chip after another, with as little said and pressed as can be."""
