"""The romwright wire, version 1: `SPEC.md` is its law, this package its two ends.

Everything here is sans-I/O: bytes and the time go in; events, bytes and the next deadline come out.
"""
