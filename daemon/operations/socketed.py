"""A part set up in a programmer's socket: one method for each thing that can be done with it.

Addresses and counts are words of the part here; the jobs above count bytes.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from daemon.operations.refusals import require_ok
from daemon.operations.supplies import READ_TOLERANCE_MV, Setting, setting_for
from daemon.programmers.fitting import Fit, can_identify, describe
from daemon.programmers.reading import ReadBack, Stretch, read_stretch
from daemon.programmers.session import Session
from protocol.descriptor import LoopKind, SequenceId, encode_descriptor
from protocol.host.events import Completed
from protocol.messages import (
    BlankResult,
    ClearFault,
    ContactResult,
    DigestResult,
    Erase,
    EraseResult,
    IdentifyResult,
    Measured,
    Nothing,
    Range,
    Sequence,
    Setup,
    Supply,
)
from protocol.wire import (
    Capability,
    EraseScope,
    Mode,
    Opcode,
    PinState,
    SupplyAction,
)

#: A setup, a supply change or a pin check is done well within this, whatever the programmer.
_SHORT_S = 5.0
#: What is granted on top of a computed time before an operation counts as hung, and by what factor. In so
#: many seconds a link that has become silent is found lost (SPEC.md H7): that must come first.
_SLACK_S, _SLACK = 16.0, 3.0


@dataclass(frozen=True, slots=True)
class Asking:
    """A request, what it is to do in words, and the longest that it may take, s."""

    opcode: Opcode
    message: Any
    doing: str
    limit_s: float


class Socketed:
    """A part in a socket, over a session. `set_up` comes first, and `power_off` last on every way out."""

    def __init__(self, session: Session, fit: Fit) -> None:
        self.session = session
        self.fit = fit
        self.part = fit.part
        self.identity = session.identity
        self.descriptor = describe(fit, session.identity)
        self._vcc_mv = 0
        self._last_mv = (0, 0)

    # Asking

    def together(self, *askings: Asking, on_ended: Callable[[int], None] = lambda ended: None) -> list[Any]:
        """Send requests one behind another and return their results when all have ended.

        What needs what another one does may stand behind it: where that one fails, the programmer refuses
        what builds on it. `on_ended` is told how many have ended. Raises BenchError for the first failure.
        """
        done: list[Completed] = []

        def ended(completed: Completed) -> None:
            done.append(completed)
            on_ended(len(done))

        self.session.stream(
            [(asking.opcode, asking.message) for asking in askings],
            ended,
            timeout_s=max(asking.limit_s for asking in askings),
        )
        for asking, completed in zip(askings, done, strict=True):
            require_ok(completed, asking.doing)
        return [completed.result for completed in done]

    # Setting up

    def set_up(self) -> None:
        """Clear old faults and upload the descriptor. Raises BenchError when the programmer refuses."""
        self.clear_faults()
        data, work_id = encode_descriptor(self.descriptor), self.session.start_work()
        pieces = [
            (Opcode.SETUP, Setup(work_id, len(data), at, data[at : at + self.payload_bytes]))
            for at in range(0, len(data), self.payload_bytes)
        ]
        self.session.stream(
            pieces, lambda done: require_ok(done, f"take the part {self.part.name}"), timeout_s=_SHORT_S
        )
        self.session.set_energised(False, self.pulse_s)

    def begin_another_work(self) -> None:
        """Set the part up once more, with operation numbers from 1 on, and the supplies as they are now.

        Nothing may be under way. The chip is without power in between, for a few hundredths of a second.
        """
        self.power_off()
        self.set_up()
        self.power_again()

    def clear_faults(self) -> None:
        """Clear the faults that the programmer has latched. Raises BenchError when it refuses."""
        if self.session.faults:
            clear = ClearFault(self.session.faults)
            done = self.session.request(Opcode.CLEAR_FAULT, clear, timeout_s=_SHORT_S)
            require_ok(done, "clear its faults")

    @property
    def pulse_s(self) -> float:
        """The longest that the device may be busy with one word's pulse."""
        loop = self.descriptor.loop
        longest = max(1, loop.overprogram_factor * loop.max_pulses)
        return max(
            loop.pulse_ns * longest / 1e9,
            (self.descriptor.page.cycle_us / 1e6) if self.descriptor.page else 0,
        )

    @property
    def window(self) -> int:
        """How many requests may be under way."""
        return self.session.hello.window if self.session.hello else 1

    @property
    def payload_bytes(self) -> int:
        """How many data bytes one request may carry."""
        return self.session.hello.max_payload if self.session.hello else 64

    # Supplies

    def vcc_setting(self, vcc_v: float) -> Setting | None:
        """Return how this programmer makes a read supply of `vcc_v`, None when it cannot."""
        return setting_for(self.identity.vcc, round(vcc_v * 1000), READ_TOLERANCE_MV)

    def powering(self, vcc_mv: int, vpp_mv: int = 0) -> Asking:
        """Return the request that sets the supplies; it must be sent. VPP 0 is off.

        One that is set by hand must have been confirmed for this value before (`confirm`).
        """
        self.session.set_energised(True, self.pulse_s)
        self._vcc_mv, self._last_mv = vcc_mv, (vcc_mv, vpp_mv)
        doing = f"set VCC {vcc_mv / 1000:.2f} V" + (f", VPP {vpp_mv / 1000:.2f} V" if vpp_mv else "")
        return Asking(Opcode.SUPPLY, Supply(SupplyAction.APPLY, vcc_mv, vpp_mv), doing, _SHORT_S)

    def power(self, vcc_mv: int, vpp_mv: int = 0) -> Measured:
        """Set the supplies and return them as measured."""
        (measured,) = self.together(self.powering(vcc_mv, vpp_mv))
        assert isinstance(measured, Measured)
        return measured

    def power_again(self) -> Measured:
        """Set the supplies as they were set last, and return them as measured."""
        return self.power(*self._last_mv)

    def confirm(self, vcc_mv: int, vpp_mv: int = 0) -> Measured:
        """Say that its user has set the hand-set ones among these; return what stands there, as measured.

        Nothing is switched on by that. It holds until the next call, in this session.
        """
        message = Supply(SupplyAction.CONFIRM, vcc_mv, vpp_mv)
        done = self.session.request(Opcode.SUPPLY, message, timeout_s=_SHORT_S)
        require_ok(done, "take the supplies as set by hand")
        assert isinstance(done.result, Measured)
        return done.result

    def power_off(self) -> None:
        """Take VPP, then VCC off and wait until both are discharged."""
        off = Supply(SupplyAction.DISCHARGE, 0, 0)
        require_ok(self.session.request(Opcode.SUPPLY, off, timeout_s=_SHORT_S), "switch its supplies off")
        self.session.set_energised(False, self.pulse_s)
        self._vcc_mv = 0

    # Looking

    def contact(self) -> tuple[PinState, ...] | None:
        """Return what each socket pin touches, pin 1 first; None where the programmer cannot tell."""
        if Capability.CONTACT not in self.identity.capabilities:
            return None
        done = self.session.request(Opcode.CONTACT, Nothing(), timeout_s=_SHORT_S)
        require_ok(done, "check the pins")
        assert isinstance(done.result, ContactResult)
        nibbles = [half for byte in done.result.states for half in (byte & 15, byte >> 4)]
        return tuple(PinState(code) for code in nibbles[: done.result.pins])

    @property
    def can_identify(self) -> bool:
        """Whether this programmer can read this part's signature."""
        return can_identify(self.fit, self.identity)

    def identifying(self) -> tuple[Asking, Asking]:
        """Return the requests that read the signature with VCC on: first the look at 5 V that must be."""
        first = self.counting(0, min(16, self.part.words))
        return first, Asking(Opcode.IDENTIFY, Nothing(), "read the signature", _SHORT_S)

    def identify(self, *first: Asking) -> tuple[int, int]:
        """Return maker and device code. VCC is on, or `first` sets it; the look that must come is taken."""
        result = self.together(*first, *self.identifying())[-1]
        assert isinstance(result, IdentifyResult)
        return result.maker, result.device

    def counting(self, address: int, count: int) -> Asking:
        """Return the request that counts a range's bits that are not as erased, at the VCC set last."""
        return self._looking(Opcode.BLANK, address, count, Mode.READ)

    def blank(self, address: int, count: int) -> BlankResult:
        """Count the bits of a range that are not as erased, at the VCC that is set."""
        (result,) = self.together(self.counting(address, count))
        assert isinstance(result, BlankResult)
        return result

    def digesting(self, address: int, count: int, mode: Mode = Mode.READ) -> Asking:
        """Return the request for the CRC-32 of a range, at the VCC set last."""
        return self._looking(Opcode.DIGEST, address, count, mode)

    def digest(self, address: int, count: int) -> int:
        """Return the CRC-32 of a range, at the VCC that is set."""
        (result,) = self.together(self.digesting(address, count))
        assert isinstance(result, DigestResult)
        return result.crc

    @property
    def can_digest(self) -> bool:
        """Whether the programmer computes digests."""
        return Capability.DIGEST in self.identity.capabilities

    def read(self, address: int, count: int, on_progress: Callable[[int], None]) -> ReadBack:
        """Read a range at the VCC that is set."""
        stretch = Stretch(address, count, Mode.READ, self._vcc_mv, self.part.word_bytes)
        return read_stretch(
            self.session, stretch, timeout_s=_SLACK_S + self.read_s(65_536), on_progress=on_progress
        )

    def _looking(self, opcode: Opcode, address: int, count: int, mode: Mode) -> Asking:
        doing = f"look at {count} words at VCC {self._vcc_mv / 1000:.2f} V"
        message = Range(address, count, mode, self._vcc_mv)
        return Asking(opcode, message, doing, _SLACK_S + _SLACK * self.read_s(count))

    def read_s(self, count: int) -> float:
        """Return the time in which the programmer reads so many words."""
        return count * self.identity.timing.read_ns_per_word / 1e9

    # Altering

    @property
    def verify_mode(self) -> Mode:
        """The mode in which the part's loop reads back what it has written."""
        pulsed = self.descriptor.loop.kind in (LoopKind.VERIFY_EACH_PULSE, LoopKind.FIRST_PASS_THEN_VERIFY)
        return Mode.VERIFY if pulsed and Mode.VERIFY in self.descriptor.modes else Mode.READ

    def write_limit_s(self, words: int, looked_at: int) -> float:
        """Return the longest that so many words may take, at their limit of pulses, or a look at so many."""
        loop = self.descriptor.loop
        per_word_s = loop.pulse_ns / 1e9 * loop.max_pulses * (1 + loop.overprogram_factor)
        if self.descriptor.page and loop.kind is not LoopKind.PAGE_WRITE:
            per_word_s += self.descriptor.page.cycle_us / 1e6
        elif self.descriptor.page:
            per_word_s += self.descriptor.page.cycle_us / 1e6 / self.descriptor.page.words
        written_s = words * (per_word_s + self.read_s(2))
        return _SLACK_S + max(written_s + 1.0, _SLACK * self.read_s(looked_at))

    def erase_chip(self) -> int:
        """Erase the whole chip electrically; return the milliseconds it took."""
        return self._erase(EraseScope.CHIP, 0, self.descriptor.erase.chip_ms if self.descriptor.erase else 0)

    def erase_sector(self, address: int) -> int:
        """Erase the sector that holds word `address`; return the milliseconds it took."""
        longest = self.descriptor.erase.sector_ms if self.descriptor.erase else 0
        return self._erase(EraseScope.SECTOR, address, longest)

    def _erase(self, scope: EraseScope, address: int, longest_ms: int) -> int:
        request = Erase(self.session.next_op(), scope, address)
        done = self.session.request(Opcode.ERASE, request, timeout_s=_SLACK_S + _SLACK * longest_ms / 1000)
        require_ok(done, "erase the chip")
        assert isinstance(done.result, EraseResult)
        return done.result.took_ms

    def run_sequence(self, name: SequenceId) -> bool:
        """Run a command sequence if the part has it; return whether it has."""
        if name not in self.descriptor.sequences:
            return False
        request = Sequence(self.session.next_op(), name)
        done = self.session.request(Opcode.SEQUENCE, request, timeout_s=_SHORT_S)
        require_ok(done, f"send the {name.name.lower()} sequence")
        return True
