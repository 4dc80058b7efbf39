"""Which parts can stand in a position meant for another, what must be done, and why others cannot."""
