"""HELLO: who the device is, and the session that the newest nonce started (D5, D7)."""

from dataclasses import dataclass

from protocol import fields
from protocol.device.limits import LinkLimits
from protocol.identity import Identity, encode_identity
from protocol.messages import Hello, HelloReply
from protocol.wire import MAJOR, MINOR

_SESSION_MAX = 0xFFFF


@dataclass(frozen=True, slots=True)
class Pending:
    """A HELLO that is answered as soon as the supplies are off."""

    tag: int
    nonce: int


class Greeting:
    """The present session (0: none) and the answer that opened it."""

    def __init__(self, identity: Identity, limits: LinkLimits, boot_id: int, last_session: int) -> None:
        self.session = 0
        self.detail = b""
        self._records = encode_identity(identity)
        self._limits = limits
        self._boot_id = boot_id
        self._last_session = last_session
        self._nonce: int | None = None

    def is_present(self, hello: Hello) -> bool:
        """Whether `hello` repeats the one that started the present session."""
        return self.session != 0 and hello.nonce == self._nonce

    def end(self) -> None:
        """End the present session."""
        self.session = 0
        self._nonce = None

    def begin(self, nonce: int) -> None:
        """Start a session under a number that is neither 0 nor the last one used."""
        self._last_session = self._last_session % _SESSION_MAX + 1
        self.session = self._last_session
        self._nonce = nonce
        self.detail = self.describe(nonce)

    def describe(self, nonce: int) -> bytes:
        """Return the detail of an answer to a HELLO with `nonce`."""
        limits = self._limits
        return fields.encode(
            HelloReply(
                nonce=nonce,
                major=MAJOR,
                minor=MINOR,
                boot_id=self._boot_id,
                max_payload=limits.max_payload,
                window=limits.window,
                rx_bytes=limits.rx_bytes,
                watchdog_ms=limits.watchdog_ms,
                fields=self._records,
            )
        )
