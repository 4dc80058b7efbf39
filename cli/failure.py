"""The one way in which a command ends badly: an exit status, what is wrong, and what to do next."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from cli.exit_codes import Exit

if TYPE_CHECKING:
    from daemon.errors import BenchError

_UNREACHABLE_CODES = frozenset(
    {
        "address-busy",
        "address-unusable",
        "bench-stopping",
        "no-programmer",
        "programmer-gone",
        "state-dir-busy",
        "state-dir-unsafe",
        "state-dir-unusable",
        "runtime-file-unsafe",
        "store-busy",
        "store-damaged",
        "store-foreign",
        "store-migration",
        "store-newer",
        "store-unreachable",
    }
)
_USAGE_CODES = frozenset({"settings-invalid"})


class Failure(Exception):  # noqa: N818 - what a command ends with, not an error of ours
    """Ends a command. `code` is one of the daemon's, or "" where the command line itself is to blame."""

    def __init__(
        self,
        status: Exit,
        message: str,
        hint: str = "",
        *,
        code: str = "",
        field: str | None = None,
        details: Mapping[str, Any] | None = None,
    ) -> None:
        super().__init__(message)
        self.status = status
        self.message = message
        self.hint = hint
        self.code = code
        self.field = field
        self.details = dict(details or {})

    def to_json(self) -> dict[str, Any]:
        """Return the failure as `--json` prints it."""
        members = {
            "code": self.code,
            "message": self.message,
            "hint": self.hint,
            "field": self.field,
            "details": self.details,
            "exit_status": int(self.status),
        }
        return {"error": {name: value for name, value in members.items() if value not in (None, "", {})}}


def status_of(code: str) -> Exit:
    """Return the exit status for one of the daemon's error codes."""
    if code in _USAGE_CODES:
        return Exit.USAGE
    return Exit.UNREACHABLE if code in _UNREACHABLE_CODES else Exit.REFUSED


def failure_of(error: "BenchError") -> Failure:
    """Take over an error that the daemon's own code raised in this process."""
    code = str(error.code)
    return Failure(
        status_of(code), error.message, error.hint, code=code, field=error.field, details=error.details
    )
