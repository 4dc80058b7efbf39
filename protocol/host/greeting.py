"""HELLO: asking who is there until a device answers with our nonce (`SPEC.md` H2, H3, D7)."""

from dataclasses import dataclass

from protocol.fields import MalformedError, encode
from protocol.framing import DELIMITER, Frame, encode_frame
from protocol.host.answers import decode_detail, split_answer
from protocol.host.events import LinkDownError, LossReason, violation
from protocol.host.outlet import Outlet
from protocol.host.tuning import LinkTuning
from protocol.identity import Identity, decode_identity
from protocol.messages import OPERATIONS, Hello, HelloReply
from protocol.wire import MAJOR, MINOR, PAYLOAD_MAX, PAYLOAD_MIN, WINDOW_MAX, Kind, Opcode, Status

HELLO_TAG = 0
WATCHDOG_MS_RANGE = range(200, 10_001)
#: `rx_bytes` holds a full payload and its surroundings at least.
RX_BYTES_ABOVE_PAYLOAD = 32


class OtherVersionError(LinkDownError):
    """The device speaks a major version that is not ours."""

    def __init__(self, reply: HelloReply) -> None:
        words = f"the device speaks version {reply.major}.{reply.minor}, this host {MAJOR}.{MINOR}"
        super().__init__(LossReason.OTHER_VERSION, words)
        self.reply = reply


@dataclass(frozen=True, slots=True)
class Welcome:
    """A believed answer to HELLO."""

    session: int
    hello: HelloReply
    identity: Identity
    fault_bits: int


class Greeting:
    """Sends HELLO every half second for five seconds, always with the same nonce."""

    def __init__(self, nonce: int, tuning: LinkTuning, outlet: Outlet, now_s: float) -> None:
        self._nonce = nonce
        self._tuning = tuning
        self._outlet = outlet
        content = bytes((Opcode.HELLO,)) + encode(Hello(nonce, MAJOR, MINOR))
        self._wire = encode_frame(Frame(Kind.CONTROL, HELLO_TAG, 0, content))
        self._give_up_s = now_s + tuning.hello_limit_s
        self._repeat_s = now_s + tuning.hello_repeat_s
        # What an earlier owner of the port left half-sent ends here (D2).
        outlet.send(DELIMITER + self._wire)

    @property
    def deadline_s(self) -> float:
        """When `tick` has something to do."""
        return min(self._give_up_s, self._repeat_s)

    def tick(self, now_s: float) -> None:
        """Repeat HELLO when it is time. Raises LinkDownError when no device has answered in time."""
        if now_s >= self._give_up_s:
            limit = self._tuning.hello_limit_s
            raise LinkDownError(LossReason.NO_DEVICE, f"no device answered HELLO within {limit:g} s")
        if now_s >= self._repeat_s:
            self._outlet.send(self._wire)
            self._repeat_s = now_s + self._tuning.hello_repeat_s

    def judge(self, frame: Frame) -> Welcome | None:
        """Return what a REPLY says, or None if it is not the answer to our HELLO.

        Raises OtherVersionError for another major, LinkDownError for an answer that breaks the table.
        """
        if frame.number != HELLO_TAG or not frame.content or frame.content[0] != Opcode.HELLO:
            return None
        if frame.content[4:8] != self._nonce.to_bytes(4, "little"):
            return None
        status, faults, detail = split_answer(frame.content, Opcode.HELLO, "the answer to HELLO")
        hello = decode_detail(OPERATIONS[Opcode.HELLO], status, detail)
        if hello is None:
            raise violation(f"the answer to HELLO has status {status.name}")
        assert isinstance(hello, HelloReply)
        if hello.major != MAJOR or status is Status.UNKNOWN_VERSION:
            raise OtherVersionError(hello)
        check_limits(hello)
        if frame.session == 0:
            raise violation("the answer to HELLO names session 0")
        try:
            identity = decode_identity(hello.fields)
        except MalformedError as error:
            raise violation(f"the answer to HELLO: {error}") from error
        return Welcome(frame.session, hello, identity, faults)


def check_limits(hello: HelloReply) -> None:
    """Raise LinkDownError for limits outside `SPEC.md` section 5: with them nothing here is certain."""
    if not PAYLOAD_MIN <= hello.max_payload <= PAYLOAD_MAX:
        raise violation(f"max_payload is {hello.max_payload}, allowed are {PAYLOAD_MIN} to {PAYLOAD_MAX}")
    if not 1 <= hello.window <= WINDOW_MAX:
        raise violation(f"window is {hello.window}, allowed are 1 to {WINDOW_MAX}")
    if hello.rx_bytes < hello.max_payload + RX_BYTES_ABOVE_PAYLOAD:
        raise violation(
            f"rx_bytes is {hello.rx_bytes}, needed are {hello.max_payload + RX_BYTES_ABOVE_PAYLOAD} at least"
        )
    if hello.watchdog_ms not in WATCHDOG_MS_RANGE:
        raise violation(f"watchdog_ms is {hello.watchdog_ms}, allowed are 200 to 10000")
