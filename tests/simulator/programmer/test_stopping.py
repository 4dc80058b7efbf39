"""Stopping in virtual time: ABORT, HELLO, watchdog, faults, reset, a hand at the socket."""

from dataclasses import replace

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from protocol import fields
from protocol.descriptor import Loop, LoopKind
from protocol.messages import AbortReply, EventMessage, Program, Range, Read
from protocol.wire import Capability, EventCode, Fault, Kind, Mode, Opcode, Pass, Status
from simulator.programmer import full
from simulator.programmer.profile import Profile
from simulator.supplies import SupplyName, SupplyTrouble
from tests.support.device_rig import PULSE_NS, FakeBus, Got, Rig, kinds, make_part, make_self_timed, results

PULSE_S = PULSE_NS / 1e9
PROGRAM_S = 2e-6
#: From the switches' opening to both supplies below half a volt, on the full board (SPEC.md section 9).
DISCHARGE_S = 0.1
LONG = Loop(LoopKind.VERIFY_EACH_PULSE, 10_000_000, 25, 0)


def start(rig: Rig, words: int = 512, op: int = 1) -> float:
    """Send a PROGRAM of zeros and return the time at which its first pulse begins."""
    rig.request(Opcode.PROGRAM, Program(op, 0, Pass.FULL, bytes(words)))
    return rig.now_s + PROGRAM_S


def events(got: list[Got]) -> list[EventMessage]:
    return [fields.decode(EventMessage, frame.content) for frame in got if frame.kind is Kind.EVENT]


def test_d17_abort_lets_a_short_pulse_end_and_touches_no_further_word() -> None:
    rig = Rig()
    rig.ready()
    first_s = start(rig)
    # In the middle of the pulse of word 10.
    rig.advance(first_s + 10 * (PULSE_S + PROGRAM_S) + PULSE_S / 2 - rig.now_s)
    before_s = rig.now_s
    assert rig.control(Opcode.ABORT) == []
    got = rig.advance(0.2)
    assert kinds(got) == [Kind.REPLY, Kind.RESULT]
    assert got[0].detail == AbortReply(rig.next_number, 1)
    assert (got[1].status, got[1].detail.words, got[1].detail.pulses) == (Status.ABORTED, 10, 11)
    assert rig.bus.pulses.sum() == 11
    assert rig.bus.seconds[10] == PULSE_S, "the pulse was not cut"
    assert got[0].at_s - before_s <= PULSE_S + DISCHARGE_S
    assert rig.off


def test_d17_a_long_pulse_is_cut_unless_it_ends_within_a_millisecond() -> None:
    for into_s, width_s in ((0.004, 0.004), (0.0095, 0.010)):
        rig = Rig()
        rig.ready(make_part(loop=LONG))
        first_s = start(rig, 64)
        rig.advance(first_s + into_s - rig.now_s)
        rig.control(Opcode.ABORT)
        got = rig.advance(0.2)
        assert (got[-1].detail.words, got[-1].detail.pulses) == (0, 1)
        assert rig.bus.seconds[0] == pytest.approx(width_s)


def test_d17_queued_requests_end_aborted_and_untouched() -> None:
    rig = Rig()
    rig.ready()
    numbers = [rig.next_number + ahead for ahead in range(3)]
    for op in (1, 2, 3):
        start(rig, 16, op)
    rig.advance(PULSE_S)
    rig.control(Opcode.ABORT)
    got = rig.advance(0.2)
    assert results(got) == [(number, Status.ABORTED) for number in numbers]
    assert [frame.detail.words for frame in got[1:]] == [0, 0, 0]
    assert rig.bus.pulses.sum() == 1
    rig.apply()
    again = rig.run(Opcode.PROGRAM, Program(2, 16, Pass.FULL, bytes(16)))
    assert (again.status, again.detail.words) == (Status.OK, 16), "it had not begun"


@given(
    needs=st.lists(st.integers(1, 5), min_size=1, max_size=12),
    share=st.floats(0, 1),
    factor=st.integers(0, 2),
)
@example(needs=[1], share=0.5078125, factor=1)  # between a pulse and its overprogram pulse
def test_d17_whenever_it_comes_the_pulses_are_those_of_that_time(
    needs: list[int], share: float, factor: int
) -> None:
    """An independent judge: draw every pulse of the loop on a time line, and cut the line."""
    loop = Loop(LoopKind.VERIFY_EACH_PULSE, PULSE_NS, 25, factor)
    rig = Rig(bus=FakeBus(needs=dict(enumerate(needs))))
    rig.ready(make_part(loop=loop))
    line: list[tuple[int, float, float]] = []
    ends: list[float] = []
    at_s = rig.now_s
    for place, needed in enumerate(needs):
        at_s += PROGRAM_S
        for number in range(needed):
            at_s += 1e-6 if number else 0.0
            line.append((place, at_s, at_s + PULSE_S))
            at_s += PULSE_S
        if factor:
            line.append((place, at_s, at_s + factor * needed * PULSE_S))
            at_s += factor * needed * PULSE_S
        ends.append(at_s)
    stop_s = rig.now_s + share * (at_s - rig.now_s)
    rig.request(Opcode.PROGRAM, Program(1, 0, Pass.FULL, bytes(len(needs))))
    rig.advance(stop_s - rig.now_s)
    rig.control(Opcode.ABORT)
    rig.advance(0.2)
    result = [frame for frame in rig.frames if frame.kind is Kind.RESULT][-1]
    if result.status is Status.OK:
        assert stop_s >= at_s - 1e-8
        return
    begun = [(place, end_s - from_s) for place, from_s, end_s in line if from_s < stop_s - 1e-9]
    # A time that falls on an edge may go either way: only clear cuts are held against it.
    if any(abs(edge - stop_s) < 1e-8 for _, from_s, end_s in line for edge in (from_s, end_s)):
        return
    # No pulse or overprogram pulse here is longer than 1 ms, so all that had begun ended.
    assert rig.bus.seconds.sum() == pytest.approx(sum(width_s for _, width_s in begun))
    assert rig.bus.pulses.sum() == len(begun)
    assert result.detail.words == sum(end_s <= stop_s for end_s in ends)


def test_d16_keepalive_is_answered_in_mid_pulse_with_the_progress() -> None:
    rig = Rig()
    rig.ready(make_part(loop=LONG))
    number = rig.next_number
    first_s = start(rig, 64)
    rig.advance(first_s + 3.5 * 0.010 - rig.now_s)
    (reply,) = rig.control(Opcode.KEEPALIVE)
    assert reply.at_s == rig.now_s
    assert (reply.detail.running, reply.detail.progress_words, reply.detail.energised) == (number, 3, 1)


def test_d5_hello_in_mid_pulse_ends_it_discharges_and_then_answers() -> None:
    rig = Rig()
    rig.ready()
    first_s = start(rig)
    start(rig, 16, 2)
    rig.advance(first_s + 5 * (PULSE_S + PROGRAM_S) + PULSE_S / 2 - rig.now_s)
    assert rig.hello() == []
    before_s = rig.now_s
    got = rig.advance(0.3)
    assert kinds(got) == [Kind.REPLY], "the queue is dropped without results"
    assert got[0].at_s - before_s <= PULSE_S + DISCHARGE_S
    assert rig.off
    assert rig.bus.pulses.sum() == 6
    rig.take_over(got)
    rig.set_up()
    rig.apply()
    repeated = rig.run(Opcode.PROGRAM, Program(1, 0, Pass.FULL, bytes(512)))
    assert (repeated.status, repeated.detail.words, repeated.detail.pulses) == (Status.ABORTED, 5, 6)
    assert rig.run(Opcode.PROGRAM, Program(2, 0, Pass.FULL, bytes(16))).status is Status.OK


@pytest.mark.parametrize("energised_only", [True, False])
def test_d19_watchdog_latency_is_its_time_one_pulse_and_the_discharge(energised_only: bool) -> None:
    rig = Rig()
    rig.ready(make_part(loop=LONG))
    rig.control(Opcode.KEEPALIVE)
    heard_s = rig.now_s
    if not energised_only:
        rig.advance(0.3)
        start(rig, 512)
        heard_s = rig.now_s
    watchdog_s = rig.profile.limits.watchdog_ms / 1000
    assert rig.advance(heard_s + watchdog_s - 0.001 - rig.now_s) == []
    assert rig.rails.vcc_v == 6.25
    got = rig.advance(0.3)
    (event,) = events(got)
    assert event == EventMessage(EventCode.FAULT, Fault.WATCHDOG)
    latched_s = next(frame.at_s for frame in got if frame.kind is Kind.EVENT)
    assert watchdog_s <= latched_s - heard_s <= watchdog_s + 0.010 + DISCHARGE_S
    assert rig.off
    if not energised_only:
        (result,) = [frame for frame in got if frame.kind is Kind.RESULT]
        assert (result.status, result.detail.words) == (Status.ABORTED, 99)
        assert rig.bus.pulses.sum() == 100, "the pulse that ran at one second was cut short"


def test_d19_only_frames_of_this_session_keep_it_quiet() -> None:
    rig = Rig()
    rig.ready()
    rig.session += 1
    for _ in range(12):
        rig.advance(0.1)
        rig.control(Opcode.KEEPALIVE)
        rig.send_bytes(b"\x07rubbish\x00")
    assert rig.device.faults is Fault.WATCHDOG
    rig = Rig()
    rig.ready()
    rig.advance(5.0, feed=True)
    assert rig.device.faults is Fault.NONE


def test_d21_over_current_in_mid_job_stops_it() -> None:
    rig = Rig()
    rig.ready()
    rig.bus.program_load_ma = 500.0
    begun_s = rig.now_s
    got = rig.run(Opcode.PROGRAM, Program(1, 0, Pass.FULL, bytes(16)))
    assert (got.status, got.answer.faults) == (Status.OVER_CURRENT, Fault.VPP_OVER_CURRENT)
    assert got.detail.words == 0
    assert rig.off
    assert rig.now_s - begun_s < DISCHARGE_S
    assert rig.bus.pulses.sum() == 0


def test_d21_a_drifting_supply_stops_the_job_when_it_leaves_its_tolerance() -> None:
    rig = Rig()
    rig.ready(make_part(loop=LONG))
    start(rig, 512)
    rig.device.afflict(SupplyName.VPP, SupplyTrouble(drift_v_per_s=-1.0, drift_after_s=0.1), rig.now_s)
    begun_s = rig.now_s
    got = rig.advance(1.0, feed=True)
    (result,) = [frame for frame in got if frame.kind is Kind.RESULT]
    assert (result.status, result.answer.faults) == (
        Status.SUPPLY_OUT_OF_TOLERANCE,
        Fault.VPP_OUT_OF_TOLERANCE,
    )
    # 0.25 V away after 0.1 s and a quarter: 35 words are through.
    assert result.detail.words == 34
    assert 0.35 <= result.at_s - begun_s <= 0.35 + 0.010 + DISCHARGE_S
    assert rig.off


def test_d21_a_sagging_programming_voltage_is_noticed_under_load() -> None:
    rig = Rig(troubles={SupplyName.VPP: SupplyTrouble(source_ohm=10)})
    rig.ready()
    got = rig.run(Opcode.PROGRAM, Program(1, 0, Pass.FULL, bytes(16)))
    # 30 mA through 10 ohms: 12.45 V of 12.75 V, more than 0.25 V away.
    assert (got.status, got.answer.faults) == (Status.SUPPLY_OUT_OF_TOLERANCE, Fault.VPP_OUT_OF_TOLERANCE)


def test_d21_an_opened_socket_takes_the_supplies_off() -> None:
    rig = Rig()
    rig.ready()
    start(rig)
    rig.advance(0.01)
    rig.device.open_socket(rig.now_s)
    got = rig.advance(0.2)
    assert [event.event for event in events(got)] == [EventCode.SOCKET_OPENED, EventCode.FAULT]
    (result,) = [frame for frame in got if frame.kind is Kind.RESULT]
    assert (result.status, result.answer.faults) == (Status.ABORTED, Fault.SOCKET_OPENED)
    assert rig.off
    rig.device.close_socket(rig.now_s)
    assert [event.event for event in events(rig.collect())] == [EventCode.SOCKET_CLOSED]


def test_an_opened_socket_without_power_is_told_and_no_fault() -> None:
    rig = Rig()
    rig.hello()
    rig.device.open_socket(rig.now_s)
    rig.device.press_button(rig.now_s)
    assert [event.event for event in events(rig.collect())] == [EventCode.SOCKET_OPENED, EventCode.BUTTON]
    assert rig.device.faults is Fault.NONE


def test_d6_d21_a_reset_cuts_the_pulse_opens_the_switches_and_forgets_all() -> None:
    rig = Rig(replace(full(), boot_s=0.5))
    rig.advance(0.5)
    rig.ready(make_part(loop=LONG))
    boot_id = rig.frames[0].detail.boot_id
    first_s = start(rig, 64)
    rig.advance(first_s + 2 * (0.010 + PROGRAM_S) + 0.0099 - rig.now_s)
    session = rig.session
    rig.device.reset(rig.now_s)
    assert not rig.device.supplies.on
    assert rig.bus.pulses.sum() == 3
    assert rig.bus.seconds[2] == pytest.approx(0.0099), "nothing is waited for"
    assert rig.hello() == [], "it is still starting"
    assert rig.advance(0.5) == []
    (reply,) = rig.hello()
    assert reply.detail.boot_id == boot_id + 1
    assert reply.session != session
    assert rig.off
    assert rig.run(Opcode.BLANK, Range(0, 1, Mode.READ, 5000)).status is Status.NO_SETUP
    rig.set_up()
    rig.apply()
    assert rig.run(Opcode.PROGRAM, Program(1, 0, Pass.FULL, bytes(4))).status is Status.OK, "another boot"


def test_a_write_cycle_is_let_end_before_the_supplies_go_off() -> None:
    rig = Rig()
    rig.ready(make_self_timed(LoopKind.BYTE_WRITE), vcc_mv=5000, vpp_mv=0)
    rig.request(Opcode.PROGRAM, Program(1, 0, Pass.FULL, b"\x01\x02\x03"))
    rig.advance(0.006)
    rig.control(Opcode.ABORT)
    assert rig.bus.busy(rig.now_s)
    rig.advance(0.0019)
    assert rig.rails.vcc_v == 5.0
    got = rig.advance(0.1)
    assert (got[-1].status, got[-1].detail.words, got[-1].detail.pulses) == (Status.ABORTED, 1, 2)
    assert rig.bus.cells[:3].tolist() == [1, 2, 0xFF]


def test_an_erase_is_not_waited_for() -> None:
    rig = Rig(bus=FakeBus(cycle_s=0.09))
    rig.ready(make_self_timed(LoopKind.COMMAND), vcc_mv=5000, vpp_mv=0)
    rig.request(Opcode.ERASE, b"\x01\x00\x00\x00\x00\x00\x00")
    rig.advance(0.01)
    before_s = rig.now_s
    rig.control(Opcode.ABORT)
    got = rig.advance(0.2)
    assert got[0].at_s - before_s < 0.03


def test_abort_of_a_read_that_nobody_takes_is_answered() -> None:
    rig = Rig()
    rig.ready()
    rig.device.receive(rig.request_frame(Opcode.READ, Read(0, 2048, Mode.READ, 6250, 64)), rig.now_s)
    rig.device.receive(rig.control_frame(Opcode.ABORT), rig.now_s + 0.1)
    rig.now_s += 0.3
    got = rig.collect()
    assert kinds(got)[-2:] == [Kind.REPLY, Kind.RESULT]
    assert got[-1].status is Status.ABORTED
    assert rig.off


def sensorless() -> Profile:
    profile = full()
    left = profile.identity.capabilities & ~Capability.SOCKET_SENSOR
    return replace(profile, identity=replace(profile.identity, capabilities=left))


def test_a_chip_pulled_out_unnoticed_keeps_what_it_had() -> None:
    """A board without a sensor goes on; what it pulses from then on reaches no chip."""

    class Pullable(FakeBus):
        there = True

        def pulse(self, addresses, words, rails, width_s):
            if self.there:
                super().pulse(addresses, words, rails, width_s)

        def read(self, mode, addresses, rails):
            return (
                super().read(mode, addresses, rails)
                if self.there
                else super().read(mode, addresses, rails) | 0xFF
            )

    bus = Pullable()
    rig = Rig(sensorless(), bus)
    rig.ready()
    first_s = start(rig)
    rig.advance(first_s + 100 * (PULSE_S + PROGRAM_S) + PULSE_S / 2 - rig.now_s)
    take_out = rig.socket.remove

    def remove():
        bus.there = False
        return take_out()

    rig.socket.remove = remove  # type: ignore[method-assign]
    rig.device.remove(rig.now_s)
    got = rig.advance(1.0, feed=True)
    (result,) = [frame for frame in got if frame.kind is Kind.RESULT]
    assert (result.status, result.detail.words, result.detail.failed_address) == (
        Status.PROGRAM_FAILED,
        100,
        100,
    )
    assert bus.pulses.sum() == 101
    assert bus.seconds[100] == pytest.approx(PULSE_S / 2), "its pulse ended with the chip"
    assert result.detail.pulses == 100 + 25, "the word had 25 pulses in all, D30"


def test_supplies_on_and_no_session_never_happens() -> None:
    rig = Rig()
    rig.ready()
    rig.hello()
    assert not rig.device.supplies.vpp.on, "VPP goes off at once"
    rig.advance(0.2)
    assert rig.off
