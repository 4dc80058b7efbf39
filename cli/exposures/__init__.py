"""Exposures on the command line: what is said at a lamp, what is looked at, how it is shown."""
