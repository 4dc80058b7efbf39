"""What every check works with: the conversation, and on it the part, the supplies and the operations."""

import struct
from dataclasses import dataclass, field

from protocol.conformance.check import Failed, NotApplicable, NotRun
from protocol.conformance.frames import Answer
from protocol.conformance.part import TrialPart, packed_mv
from protocol.conformance.setting import Socket
from protocol.conformance.talk import DISCHARGE_S, Talk
from protocol.wire import Mode, Opcode, Pass, Status, SupplyAction, SupplyKind

_SETTLED_S = 2.0
"""A supply set by SUPPLY apply is there by then (ours; a board tells its own settling time in ms)."""


@dataclass
class Desk(Talk):
    """One device under test."""

    #: The part that the device took, None while none was found.
    part: TrialPart | None = None
    _work: int = 0
    _op: int = 0
    _is_set_up: bool = False
    _by_hand: dict[str, int] = field(default_factory=dict)

    # Part and operations

    @property
    def trial(self) -> TrialPart:
        """The part that the device took."""
        if self.part is None:
            raise NotRun("the device took none of the part descriptors tried; name one with --part")
        return self.part

    def upload(self, data: bytes, *, work: int | None = None, piece_bytes: int = 0) -> Answer:
        """Send a descriptor in pieces and return the last result; what was set up before counts no more."""
        self._is_set_up = False
        work = self.new_work() if work is None else work
        size = piece_bytes or self.told.max_payload
        answer: Answer | None = None
        for at in range(0, len(data), size):
            piece = struct.pack("<IHH", work, len(data), at) + data[at : at + size]
            answer = self.ask(Opcode.SETUP, piece)
            if answer.status != Status.OK:
                break
        assert answer is not None
        return answer

    def set_up(self, *, anew: bool = False) -> None:
        """Have the trial part set up, in a work of its own if `anew`."""
        if self._is_set_up and not anew:
            return
        answer = self.upload(self.trial.packed())
        self.expect_status(answer, Status.OK, requirement="D22")
        self._is_set_up = True
        self.pulse_s = self.trial.pulse_s

    def set_up_again(self) -> None:
        """Note that the trial part was set up by hand."""
        self._is_set_up = True
        self.pulse_s = self.trial.pulse_s

    def lost_part(self) -> None:
        """Note that the part is no longer set up."""
        self._is_set_up = False

    def new_work(self) -> int:
        """Return the number of a work that was not there before, with operations counted anew."""
        self._work = self.fresh_number()
        self._op = 0
        return self._work

    @property
    def work(self) -> int:
        """The number of the present work."""
        return self._work

    def next_op(self) -> int:
        """Return the next operation number of the present work."""
        self._op += 1
        return self._op

    # Supplies

    def supply(self, action: SupplyAction, vcc_mv: int = 0, vpp_mv: int = 0) -> Answer:
        """Send SUPPLY and return its result."""
        within_s = self.answer_s + (_SETTLED_S + DISCHARGE_S) * self.setting.patience
        return self.ask(Opcode.SUPPLY, bytes((action,)) + packed_mv(vcc_mv, vpp_mv), within_s=within_s)

    def apply(self, vcc_mv: int, vpp_mv: int = 0) -> Answer:
        """Set the supplies, with a hand where the board needs one, and return the OK."""
        self.set_up()
        return self.apply_to_other(vcc_mv, vpp_mv)

    def apply_to_other(self, vcc_mv: int, vpp_mv: int = 0) -> Answer:
        """Set the supplies with another part than the trial's set up."""
        self.may_energise()
        self._set_by_hand(vcc_mv, vpp_mv)
        answer = self.supply(SupplyAction.APPLY, vcc_mv, vpp_mv)
        self.expect_status(answer, Status.OK, requirement="D25", look="Does the supply come up and settle?")
        return answer

    def read_supplies(self) -> Answer:
        """Set VCC as for reading."""
        return self.apply(self.trial.vcc_read_mv)

    def program_supplies(self) -> Answer:
        """Set both supplies as for programming."""
        return self.apply(self.trial.vcc_program_mv, self.trial.vpp_mv)

    def discharge(self) -> Answer:
        """Take the supplies off."""
        answer = self.supply(SupplyAction.DISCHARGE)
        self.expect_status(answer, Status.OK, requirement="D27")
        return answer

    def may_energise(self) -> None:
        """Raise `NotRun` unless the builder has said that no wanted chip is in the socket."""
        if self.setting.socket is Socket.UNKNOWN:
            raise NotRun("say what is in the socket: --socket empty, or --socket sacrificial")
        if self.told.vcc.kind == SupplyKind.ABSENT:
            raise NotApplicable("the device has no VCC")

    def may_program(self) -> None:
        """Raise `NotApplicable` unless the device and the part have pulses to test."""
        if self.trial.loop not in (1, 2):
            raise NotApplicable("neither of the pulsed loops can be had with this part on this device")
        if self.told.vpp.kind == SupplyKind.ABSENT:
            raise NotApplicable("the device has no VPP")

    def hand_set(self, vcc_mv: int, vpp_mv: int) -> dict[str, int]:
        """Return which of the values a person has to set."""
        asked = {"VCC": (self.told.vcc, vcc_mv), "VPP": (self.told.vpp, vpp_mv)}
        return {name: mv for name, (own, mv) in asked.items() if mv and own.kind == SupplyKind.HAND_SET}

    def _set_by_hand(self, vcc_mv: int, vpp_mv: int) -> None:
        wanted = self.hand_set(vcc_mv, vpp_mv)
        for name, value_mv in wanted.items():
            self.turn(name, value_mv)
        if wanted:
            confirmed = self.supply(SupplyAction.CONFIRM, vcc_mv, vpp_mv)
            self.expect_status(confirmed, Status.OK, requirement="D26")

    def turn(self, name: str, value_mv: int) -> None:
        """Have a supply set by hand, unless it stands there already."""
        if self._by_hand.get(name) == value_mv:
            return
        hands = self.setting.hands
        if hands is None or not hands.set_supply(name, value_mv):
            raise NotRun(f"nobody sets {name} to {value_mv / 1000:g} V: --by-hand")
        self._by_hand[name] = value_mv

    # Operations

    def read_arguments(
        self, address: int, count: int, *, mode: int = Mode.READ, vcc_mv: int | None = None, block: int = 0
    ) -> bytes:
        """Return the arguments of READ; BLANK and DIGEST take all but the last two bytes."""
        vcc_mv = self.trial.vcc_read_mv if vcc_mv is None else vcc_mv
        block = block or self.told.max_payload // self.trial.word_bytes * self.trial.word_bytes
        return struct.pack("<IIBHH", address, count, mode, vcc_mv, block)

    def program_arguments(
        self, op: int, words: int, *, word: int = 0, address: int = 0, which: int | None = None
    ) -> bytes:
        """Return the arguments of PROGRAM for so many equal words."""
        which = self.trial.full_pass if which is None else which
        data = word.to_bytes(self.trial.word_bytes, "little") * words
        return struct.pack("<HIB", op, address, which) + data

    @property
    def busy_words(self) -> int:
        """How many words a long request has: pulses for about half a second, at most a payload."""
        return min(self.told.max_payload // self.trial.word_bytes, self.trial.most_pulses, 64)

    @property
    def busy_s(self) -> float:
        """How long a long request takes at most, with everything that belongs to it."""
        pulses = max(self.busy_words, self.trial.most_pulses)
        return self.answer_s + pulses * self.pulse_s * 2 * self.setting.patience

    def busy_arguments(self, op: int) -> bytes:
        """Return the arguments of a PROGRAM that goes on for a while, whatever is in the socket."""
        which = Pass.FULL if self.trial.loop == 1 else Pass.FIRST
        return self.program_arguments(op, self.busy_words, which=which)

    def begin_busy(self) -> tuple[int, int]:
        """Start a long PROGRAM, wait until it runs, and return its number and operation number."""
        op = self.next_op()
        number = self.request(Opcode.PROGRAM, self.busy_arguments(op))
        begun_s = self.link.now_s()
        took_s = self.accepted(number, within_s=self.busy_s).at_s - begun_s
        if took_s > self.quiet_s + self.pulse_s * 1.5:
            raise Failed(
                f"ACCEPT within a pulse of {self.pulse_s * 1000:g} ms", f"after {took_s * 1000:.0f} ms",
                "Look at the receiver at every word, or by interrupt.", requirement="D13",
            )  # fmt: skip
        standing = self.standing()
        if standing.running != number:
            raise Failed(
                f"request {number} running", f"running {standing.running}, done {standing.done}",
                "It should take about half a second; does KEEPALIVE tell the request that runs?",
                requirement="D16",
            )  # fmt: skip
        return number, op
