"""What the device makes of the content of a REQUEST, and of the outcome that it answers with."""

from dataclasses import dataclass
from typing import Any

from protocol import fields
from protocol.messages import OPERATIONS, Nothing, Operation, ProgramResult
from protocol.wire import NONE_U32, Opcode, Status

#: Statuses below this one, except OK, say that nothing was done.
_TRIED = 0x20

NOTHING_DONE = ProgramResult(words=0, pulses=0, most=0, failed_address=NONE_U32, wanted=0, got=0)
"""The detail of a programming request that was stopped before it began."""


@dataclass(frozen=True, slots=True)
class Accepted:
    """One request in the queue. `refusal` is set, and `message` None, when its content makes no sense."""

    number: int
    opcode: int
    operation: Operation | None
    message: Any
    refusal: Status | None
    encoded_bytes: int

    @property
    def op(self) -> int | None:
        """The operation number, None for a request that cannot alter the chip."""
        alters = self.refusal is None and self.operation is not None and self.operation.alters
        return int(self.message.op) if alters else None


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a request ended. `detail` is the operation's result message; None where the status has none."""

    status: Status = Status.OK
    detail: Any = None

    @property
    def refused(self) -> bool:
        """Whether nothing was done."""
        return self.status is not Status.OK and self.status < _TRIED


def accept(number: int, content: bytes, encoded_bytes: int) -> Accepted:
    """Return the request in `content` (not empty); one unknown or malformed is accepted as such (D14)."""
    operation, message, refusal = decode_arguments(content, control=False)
    return Accepted(number, content[0], operation, message, refusal, encoded_bytes)


def decode_arguments(content: bytes, *, control: bool) -> tuple[Operation | None, Any, Status | None]:
    """Return the table's row, the decoded arguments, and the refusal of content that cannot be understood."""
    try:
        operation = OPERATIONS[Opcode(content[0])]
    except ValueError:
        return None, None, Status.UNKNOWN_OPCODE
    if operation.control is not control:
        return None, None, Status.UNKNOWN_OPCODE
    try:
        return operation, fields.decode(operation.request, content[1:]), None
    except fields.MalformedError:
        return operation, None, Status.MALFORMED


def encode_detail(operation: Operation | None, outcome: Outcome) -> bytes:
    """Return the detail that belongs to `outcome`, empty where the table gives its status none.

    Raises TypeError when the outcome lacks the message that the table promises: our own mistake.
    """
    if operation is None or (outcome.status is not Status.OK and outcome.status not in operation.detail_on):
        return b""
    if operation.result is Nothing:
        return b""
    if not isinstance(outcome.detail, operation.result):
        raise TypeError(
            f"{operation.opcode.name} ended with {outcome.detail!r}, not {operation.result.__name__}"
        )
    return fields.encode(outcome.detail)


def nothing_done(operation: Operation | None, status: Status) -> Outcome:
    """Return the outcome of a request that was stopped before it could do anything."""
    partly = operation is not None and operation.result is ProgramResult
    return Outcome(status, NOTHING_DONE if partly else None)
