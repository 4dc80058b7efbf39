"""Random request streams over a bad line: nothing is done twice, nothing stays energised that nobody guards.

The judge knows the chip's pulses and the rails, and what was put on the line; nothing of the device's
insides.
"""

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from protocol import fields
from protocol.descriptor import encode_descriptor
from protocol.messages import ClearFault, Fill, Nothing, Program, Range, Read, Setup, Supply
from protocol.wire import Fault, Kind, Mode, Opcode, Pass, Status, SupplyAction
from tests.support.device_rig import WORK, Rig, make_part

#: Each operation has words of its own, so its pulses are seen on the chip.
WORDS = 32
OPS = 5
WATCHDOG_S = 1.0
#: One pulse and the discharge (SPEC.md section 9).
OFF_AFTER_S = WATCHDOG_S + 0.0001 + 0.1


class BadLine(RuleBasedStateMachine):
    """A careless host at a virtual programmer."""

    @initialize()
    def switch_on(self) -> None:
        self.rig = Rig()
        self.sent: list[bytes] = []
        self.fed_s = 0.0
        self.answers: dict[tuple[int, int], bytes] = {}
        self.rig.ready()
        self.rig.frames.clear()

    # What the host does

    def put(self, frame: bytes, fate: str) -> None:
        """Put a frame on the line; it may get lost, doubled or damaged."""
        self.sent.append(frame)
        if fate == "lost":
            return
        if fate == "damaged":
            frame = frame[:2] + bytes((frame[2] ^ 0x10 or 1,)) + frame[3:]
        self.deliver(frame * (2 if fate == "doubled" else 1))

    def deliver(self, data: bytes) -> None:
        self.fed_s = self.rig.now_s
        self.rig.send_bytes(data)
        self.collected()

    def collected(self) -> None:
        """Follow the session, and see that a request is answered the same way each time."""
        self.rig.take_over(self.rig.frames)
        for frame in self.rig.frames:
            if frame.kind is Kind.RESULT:
                answer = frame.answer
                told = bytes((answer.opcode, answer.status)) + answer.detail
                key = (frame.session, frame.number)
                # A number comes round after 32; these streams are shorter in a session.
                assert self.answers.setdefault(key, told) == told, "two RESULTs of one request differ"
        self.rig.frames.clear()

    fates = st.sampled_from(["sound"] * 6 + ["lost", "doubled", "damaged"])

    @rule(fate=fates)
    def greet(self, fate: str) -> None:
        self.rig.nonce += 1
        self.answers.clear()
        hello = self.rig.nonce.to_bytes(4, "little") + b"\x01\x00"
        self.put(self.rig.control_frame(Opcode.HELLO, hello), fate)

    @rule()
    def set_up(self) -> None:
        # Always the same work: with another the numbers would mean other operations.
        data = encode_descriptor(make_part())
        self.put(self.rig.request_frame(Opcode.SETUP, Setup(WORK, len(data), 0, data)), "sound")

    @rule(op=st.integers(1, OPS))
    def recover(self, op: int) -> None:
        """Do what a good host does after a lost link: greet, set up the same work, and ask for an old op."""
        self.greet("sound")
        self.wait(0.05)
        self.set_up()
        self.clear("sound")
        self.supply("sound", SupplyAction.APPLY, 12750)
        self.wait(0.05)
        self.program(op, "sound", False)

    @rule(op=st.integers(1, OPS), fate=fates, fills=st.booleans())
    def program(self, op: int, fate: str, fills: bool) -> None:
        if fills:
            frame = self.rig.request_frame(Opcode.FILL, Fill(op, op * WORDS, WORDS, Pass.FULL, 0))
        else:
            frame = self.rig.request_frame(Opcode.PROGRAM, Program(op, op * WORDS, Pass.FULL, bytes(WORDS)))
        self.put(frame, fate)

    @rule(fate=fates, action=st.sampled_from(SupplyAction), vpp_mv=st.sampled_from([0, 12750, 20000]))
    def supply(self, fate: str, action: SupplyAction, vpp_mv: int) -> None:
        self.put(self.rig.request_frame(Opcode.SUPPLY, Supply(action, 6250, vpp_mv)), fate)

    @rule(fate=fates, opcode=st.integers(0, 0x30), rest=st.binary(max_size=12))
    def nonsense(self, fate: str, opcode: int, rest: bytes) -> None:
        if opcode not in (Opcode.SETUP, Opcode.PROGRAM, Opcode.FILL, Opcode.COPY):
            self.put(self.rig.request_frame(opcode, rest), fate)

    @rule(fate=fates)
    def look(self, fate: str) -> None:
        self.put(self.rig.request_frame(Opcode.READ, Read(0, 2048, Mode.READ, 6250, 512)), fate)
        self.put(self.rig.request_frame(Opcode.BLANK, Range(0, 64, Mode.VERIFY, 6250)), fate)
        self.put(self.rig.request_frame(Opcode.IDENTIFY, Nothing()), fate)

    @rule(fate=fates)
    def clear(self, fate: str) -> None:
        self.put(self.rig.request_frame(Opcode.CLEAR_FAULT, ClearFault(~Fault.NONE)), fate)

    @rule(fate=fates, opcode=st.sampled_from([Opcode.KEEPALIVE, Opcode.KEEPALIVE, Opcode.ABORT]))
    def control(self, fate: str, opcode: Opcode) -> None:
        self.put(self.rig.control_frame(opcode), fate)

    @rule(back=st.integers(1, 40))
    def a_late_copy_arrives(self, back: int) -> None:
        if self.sent:
            self.deliver(self.sent[-min(back, len(self.sent))])

    @rule(number=st.integers(0, 31))
    def lose_count(self, number: int) -> None:
        self.rig.next_number = number

    @rule()
    def count_right(self) -> None:
        """Ask the device where it stands, as a host does that has lost something."""
        self.fed_s = self.rig.now_s
        for frame in self.rig.control(Opcode.KEEPALIVE):
            if frame.kind is Kind.REPLY and frame.status is Status.OK:
                self.rig.next_number = frame.detail.expected
        self.collected()

    @rule(data=st.binary(max_size=40))
    def noise(self, data: bytes) -> None:
        self.rig.send_bytes(data)
        self.collected()

    @rule()
    def open_socket(self) -> None:
        self.rig.device.open_socket(self.rig.now_s)
        self.collected()

    @rule(duration_s=st.sampled_from([0.0001, 0.001, 0.01, 0.03, 0.3, 1.3]))
    def wait(self, duration_s: float) -> None:
        end_s = self.rig.now_s + duration_s
        while self.rig.now_s < end_s:
            self.rig.advance(min(end_s - self.rig.now_s, duration_s / 7))
            self.collected()
            self.rails_are_guarded()

    # What the judge sees

    @invariant()
    def nothing_is_done_twice(self) -> None:
        assert self.rig.bus.pulses.max() <= 1

    @invariant()
    def rails_are_guarded(self) -> None:
        rails = self.rig.rails
        silent_s = self.rig.now_s - self.fed_s
        if silent_s > OFF_AFTER_S:
            assert self.rig.off, f"{rails} after {silent_s:.3f} s of silence"
        if rails.vpp_v > 0.5:
            assert rails.vcc_v >= min(rails.vpp_v - 1e-6, 4.0), f"VPP without VCC: {rails}"
        assert rails.vcc_v <= 6.5
        assert rails.vpp_v <= 13.0
        if self.rig.device.faults and not self.rig.device.busy:
            assert self.rig.off, "a latched fault leaves nothing on"

    @invariant()
    def pulses_were_given_at_full_supplies(self) -> None:
        for mode, seen in self.rig.bus.seen_rails:
            if mode is Mode.PROGRAM:
                assert abs(seen.vcc_v - 6.25) <= 0.25
                assert min(abs(seen.vpp_v - 12.75), seen.vpp_v) <= 0.25
            assert seen.id_v <= 0.5 + 1e-9 or mode is Mode.SIGNATURE
        self.rig.bus.seen_rails.clear()


BadLine.TestCase.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
TestBadLine = BadLine.TestCase


def test_the_judge_can_fail() -> None:
    """A chip that is pulsed twice is seen: the judge is not blind."""
    line = BadLine()
    line.switch_on()
    line.nothing_is_done_twice()
    line.program(3, "sound", False)
    line.wait(0.03)
    assert line.rig.bus.pulses.sum() == WORDS, "a sound PROGRAM is carried out"
    line.rig.bus.pulses[5] += 2
    try:
        line.nothing_is_done_twice()
    except AssertionError:
        return
    raise AssertionError("the judge saw nothing")


def test_a_request_of_every_opcode_has_one_result() -> None:
    """Without loss, each request of any opcode has its one ACCEPT and its one RESULT."""
    rig = Rig()
    rig.ready()
    rig.frames.clear()
    first = rig.next_number
    for opcode in range(0x40):
        rig.run(opcode, fields.encode(Range(0, 4, Mode.READ, 6250)))
    got = [frame.number for frame in rig.frames if frame.kind is Kind.RESULT]
    assert got == [(first + place) % 32 for place in range(0x40)]
