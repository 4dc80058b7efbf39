"""What the demonstration promises, and what happens when it does not hold."""

from cli.exit_codes import Exit
from cli.failure import Failure


def promise(held: bool, what: str, found: object) -> None:
    """Raise `Failure` unless a promise was held."""
    if not held:
        raise Failure(Exit.NEGATIVE, f"the demonstration promised that {what}; it found {found!r}")
