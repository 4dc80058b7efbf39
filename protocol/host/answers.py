"""What a RESULT or REPLY says, held against the message table: nothing that breaks it is believed (H12)."""

from typing import Any

from protocol.fields import MalformedError, decode
from protocol.host.events import violation
from protocol.messages import Operation
from protocol.wire import Status

#: Opcode, status and faults stand before the detail.
HEAD_BYTES = 4

_STATUSES = {int(status): status for status in Status}


def split_answer(content: bytes, asked: int, what: str) -> tuple[Status, int, bytes]:
    """Return status, fault bits and detail of a RESULT or REPLY to opcode `asked`; `what` is for words.

    Raises LinkDownError for an answer cut short, to another opcode, or with a status that version 1 lacks.
    """
    if len(content) < HEAD_BYTES:
        raise violation(f"{what} has {len(content)} bytes, needs {HEAD_BYTES}")
    if content[0] != asked:
        raise violation(f"{what} answers opcode {content[0]:#04x}, asked was {asked:#04x}")
    status = _STATUSES.get(content[1])
    if status is None:
        raise violation(f"{what} has the unknown status {content[1]:#04x}")
    return status, content[2] | content[3] << 8, content[HEAD_BYTES:]


def decode_detail(operation: Operation, status: Status, detail: bytes) -> Any | None:
    """Return the decoded detail, or None where `status` has none.

    Raises LinkDownError for a detail that is cut short or holds a value that its field does not have.
    """
    if status is not Status.OK and status not in operation.detail_on:
        return None
    try:
        return decode(operation.result, detail)
    except MalformedError as error:
        raise violation(f"the answer to {operation.opcode.name} with {status.name}: {error}") from error
