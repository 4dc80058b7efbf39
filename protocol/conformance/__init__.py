"""Judging a device by `SPEC.md`: checks by numbered requirement, with a raw link of their own.

Nothing here uses `protocol.host` or `protocol.device`: a misreading of ours must not pass as a reading of
theirs. Bytes and time come from a `Line`, so the same checks run in virtual time and over a real port.
"""
