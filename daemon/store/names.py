"""The one check of names that people give to things."""

from daemon.errors import BenchError, Code

NAME_LENGTH_MAX = 64


def checked_name(name: str, what: str) -> str:
    """Return `name` without blanks at its ends; BenchError `name-invalid` if it cannot be `what`'s name."""
    tidy = name.strip()
    if tidy and len(tidy) <= NAME_LENGTH_MAX and tidy.isprintable() and "/" not in tidy:
        return tidy
    raise BenchError(
        Code.NAME_INVALID,
        f"{name[:80]!r} cannot be the name of {what}",
        hint=f"1 to {NAME_LENGTH_MAX} printable characters without a slash",
        field="name",
    )
