"""A memory chip as it truly is: cells with thresholds, its own mode table, its own command decoder."""
