"""What the device sends: every kind of frame of its own, encoded as it is put in."""

from protocol import fields
from protocol.device.sequence import Kept
from protocol.framing import Frame, encode_frame
from protocol.messages import Accept, Answer, EventMessage, Nak
from protocol.wire import NUMBER_SPACE, EventCode, Fault, Kind, NakReason, Opcode, Status


class Outbox:
    """Bytes on their way to the host. `session` is the number in the header of what is put in."""

    def __init__(self) -> None:
        self.session = 0
        self._bytes = bytearray()
        self._event_number = 0

    def begin_session(self, session: int) -> None:
        """Put `session` in the headers from now on; events count from 0 in it."""
        self.session = session
        self._event_number = 0

    def __len__(self) -> int:
        return len(self._bytes)

    def take(self) -> bytes:
        """Return all bytes and forget them."""
        output = bytes(self._bytes)
        self._bytes.clear()
        return output

    def accept(self, expected: int, faults: Fault) -> None:
        """Acknowledge all requests before `expected`."""
        self._put(Kind.ACCEPT, expected, fields.encode(Accept(faults)))

    def nak(self, expected: int, faults: Fault, reason: NakReason) -> None:
        """Ask for everything from `expected` on."""
        self._put(Kind.NAK, expected, fields.encode(Nak(faults, reason)))

    def result(self, number: int, faults: Fault, kept: Kept) -> None:
        """Answer request `number`."""
        answer = Answer(kept.opcode, kept.status, faults, kept.detail)
        self._put(Kind.RESULT, number, fields.encode(answer))

    def reply(self, tag: int, faults: Fault, opcode: int, status: Status, detail: bytes) -> None:
        """Answer the CONTROL with `tag`."""
        self._put(Kind.REPLY, tag, fields.encode(Answer(opcode, status, faults, detail)))

    def refuse_version(self, tag: int, faults: Fault, detail: bytes) -> None:
        """Answer a HELLO of another major version: outside any session (D7)."""
        answer = Answer(Opcode.HELLO, Status.UNKNOWN_VERSION, faults, detail)
        self._bytes += encode_frame(Frame(Kind.REPLY, tag, 0, fields.encode(answer)))

    def data(self, number: int, block: int, data: bytes | memoryview) -> None:
        """Send a block of what request `number` reads."""
        self._put(Kind.DATA, number, block.to_bytes(2, "little") + data)

    def event(self, event: EventCode, faults: Fault) -> None:
        """Tell the host something unasked."""
        self._put(Kind.EVENT, self._event_number, fields.encode(EventMessage(event, faults)))
        self._event_number = (self._event_number + 1) % NUMBER_SPACE

    def _put(self, kind: Kind, number: int, content: bytes) -> None:
        self._bytes += encode_frame(Frame(kind, number, self.session, content))
