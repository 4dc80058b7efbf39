"""Lamps of this bench, trays under them, and exposures with their countdown."""
