"""Exactly once, and stops in mid-program: ABORT, HELLO, watchdog (D5, D17 to D19)."""

import math

from protocol.conformance import frames
from protocol.conformance.check import Failed, Level, Needs, NotRun, check
from protocol.conformance.checks.programming import told_by
from protocol.conformance.checks.supplies import expect_off
from protocol.conformance.desk import Desk
from protocol.wire import EventCode, Kind, Opcode, Status, SupplyAction


def _busy_result(desk: Desk, op: int) -> frames.Answer:
    return desk.ask(Opcode.PROGRAM, desk.busy_arguments(op), within_s=desk.busy_s)


def _from_memory(desk: Desk, op: int, first: frames.Answer, words: str) -> None:
    """Raise unless `op` completes with `first` again, at once and without a pulse."""
    before = desk.stats().executed
    begun_s = desk.link.now_s()
    again = _busy_result(desk, op)
    took_s = desk.link.now_s() - begun_s
    executed = desk.stats().executed - before
    if (again.status, again.detail) != (first.status, first.detail):
        raise Failed(
            f"{words}: {desk.answer_words(first)}", desk.answer_words(again),
            "Keep the highest operation number that was begun, and its result.", requirement="D18",
        )  # fmt: skip
    if executed != 1 or took_s > desk.trial.pulse_s * 5 + desk.answer_s / 4:
        told = f"{took_s * 1000:.0f} ms and {executed} more executed, STATS among them"
        raise Failed(f"{words}: at once, carried out no second time", told, requirement="D18")


@check("D18", level=Level.PROGRAMS, needs=Needs.VPP)
def no_operation_twice(desk: Desk) -> None:
    """The same operation number completes with the same result, a lower one with ALREADY_DONE."""
    desk.set_up(anew=True)
    desk.program_supplies()
    first = desk.next_op()
    _busy_result(desk, first)
    second = desk.next_op()
    result = _busy_result(desk, second)
    _from_memory(desk, second, result, "the same operation again")
    look = "A lower number than the highest that was begun is done."
    desk.expect_status(_busy_result(desk, first), Status.ALREADY_DONE, requirement="D18", look=look)


@check("D18", level=Level.PROGRAMS, needs=Needs.VPP)
def operations_outlive_hello(desk: Desk) -> None:
    """Operation numbers outlive HELLO in the same work, and begin anew in another."""
    desk.set_up(anew=True)
    desk.program_supplies()
    op = desk.next_op()
    result = _busy_result(desk, op)
    desk.greet()
    answer = desk.upload(desk.trial.packed(), work=desk.work)
    desk.expect_status(answer, Status.OK, requirement="D22")
    desk.set_up_again()
    desk.program_supplies()
    _from_memory(desk, op, result, "the same operation of the same work after HELLO")
    desk.discharge()
    desk.set_up(anew=True)
    desk.program_supplies()
    begun_s = desk.link.now_s()
    fresh = _busy_result(desk, desk.next_op())
    if fresh.status == Status.ALREADY_DONE or desk.link.now_s() - begun_s < desk.trial.pulse_s * 0.9:
        raise Failed("operation 1 of another work carried out", desk.answer_words(fresh), requirement="D18")


@check("D17", level=Level.PROGRAMS, needs=Needs.VPP)
def abort_in_mid_program(desk: Desk) -> None:
    """ABORT stops what runs and waits, the supplies go off, then each completes with ABORTED in order."""
    desk.program_supplies()
    number, op = desk.begin_busy()
    stopped = [number]
    if desk.told.window > 1:
        second = desk.request(Opcode.MEASURE)
        desk.accepted(second, within_s=desk.answer_s + desk.pulse_s)
        stopped.append(second)
    desk.link.listen(desk.pulse_s * 2.5)
    tag = desk.control(Opcode.ABORT)
    heard: list[frames.Seen] = []
    until_s = desk.link.now_s() + desk.stop_s
    while len(heard) < len(stopped) + 1:
        seen = desk.link.take(lambda each: each.kind in (Kind.REPLY, Kind.RESULT), until_s)
        if seen is None:
            told = ", ".join(frames.words_of(e.kind, e.number, e.session, e.content) for e in heard)
            raise Failed(f"a REPLY and {len(stopped)} results", told or "nothing in time")
        heard.append(seen)
    reply, *results = heard
    if reply.kind is not Kind.REPLY or reply.number != tag:
        raise Failed("the REPLY to ABORT before any result", frames.words_of(
            reply.kind, reply.number, reply.session, reply.content))  # fmt: skip
    if tuple(reply.content[4:6]) != (desk.number, len(stopped)):
        raise Failed(f"expected {desk.number}, {len(stopped)} dropped", frames.hex_words(reply.content[4:]))
    for seen, wanted in zip(results, stopped, strict=True):
        answer = desk.read(seen, Opcode.PROGRAM if wanted == number else Opcode.MEASURE)
        if seen.number != wanted or answer.status != Status.ABORTED:
            raise Failed(f"RESULT {wanted} ABORTED", f"{seen.number}: {desk.answer_words(answer)}")
    done = told_by(desk.read(results[0], Opcode.PROGRAM))
    if done.pulses < 1:
        raise Failed("the pulses given so far", str(done), "A pulse that was cut short counts, too.")
    expect_off(desk, "ABORT", "D17")
    program = desk.ask(Opcode.PROGRAM, desk.busy_arguments(op + 1))
    desk.expect_status(program, Status.SUPPLY_NOT_SET, requirement="D17")


@check("D17", level=Level.PROGRAMS, needs=Needs.VPP)
def a_copy_of_abort_stops_nothing(desk: Desk) -> None:
    """A late copy of the ABORT answered last does not stop what has begun since."""
    desk.program_supplies()
    tag = desk.control(Opcode.ABORT)
    first = desk.reply(tag, Opcode.ABORT, within_s=desk.stop_s)
    _apply_quietly(desk)
    number = desk.request(Opcode.PROGRAM, desk.busy_arguments(desk.next_op()))
    desk.accepted(number, within_s=desk.answer_s + desk.pulse_s)
    desk.control(Opcode.ABORT, tag=tag)
    again = desk.reply(tag, Opcode.ABORT, within_s=desk.stop_s)
    if again.detail != first.detail:
        raise Failed("the same answer", frames.hex_words(again.detail))
    answer = desk.result(number, Opcode.PROGRAM, within_s=desk.busy_s)
    if answer.status == Status.ABORTED:
        look = "Remember the tag of the ABORT answered last, until another CONTROL comes."
        raise Failed("PROGRAM to its end", "ABORTED", look)


@check("D17", level=Level.PROGRAMS, needs=Needs.VPP)
def an_abort_after_hello_is_no_copy(desk: Desk) -> None:
    """An ABORT with the tag of the one before, but another CONTROL in between, stops what runs."""
    desk.program_supplies()
    tag = desk.control(Opcode.ABORT)
    desk.reply(tag, Opcode.ABORT, within_s=desk.stop_s)
    desk.reply(desk.hello(desk.nonce), Opcode.HELLO, within_s=desk.stop_s)
    _apply_quietly(desk)
    number = desk.request(Opcode.PROGRAM, desk.busy_arguments(desk.next_op()))
    desk.accepted(number, within_s=desk.answer_s + desk.pulse_s)
    desk.control(Opcode.ABORT, tag=tag)
    desk.reply(tag, Opcode.ABORT, within_s=desk.stop_s)
    answer = desk.result(number, Opcode.PROGRAM, within_s=desk.busy_s)
    look = "HELLO is a CONTROL, too: after it the ABORT before is no longer the last one."
    desk.expect_status(answer, Status.ABORTED, look=look)
    expect_off(desk, "ABORT", "D17")


def _apply_quietly(desk: Desk) -> None:
    """Set the supplies for programming without any CONTROL, not even to feed the watchdog."""
    trial = desk.trial
    supply = bytes((SupplyAction.APPLY,)) + trial.vcc_program_mv.to_bytes(2, "little")
    number = desk.request(Opcode.SUPPLY, supply + trial.vpp_mv.to_bytes(2, "little"))
    until_s = desk.link.now_s() + desk.answer_s + 1.0
    if desk.link.take(lambda each: each.kind is Kind.RESULT and each.number == number, until_s) is None:
        raise Failed("RESULT of SUPPLY", desk.heard_words(), requirement="D12")


@check("D5", "D18", "D24", level=Level.PROGRAMS, needs=Needs.VPP)
def hello_in_mid_program(desk: Desk) -> None:
    """HELLO stops what runs without a result; its operation completes with ABORTED when asked for again."""
    desk.set_up(anew=True)
    desk.program_supplies()
    _, op = desk.begin_busy()
    if desk.told.window > 1:
        desk.request(Opcode.MEASURE)
    desk.link.listen(desk.pulse_s * 2.5)
    desk.greet()
    desk.expect_silence("of the session before", requirement="D5", look="HELLO drops it without results.")
    expect_off(desk, "HELLO", "D5")
    desk.expect_status(
        desk.ask(Opcode.PROGRAM, desk.busy_arguments(op + 1)), Status.SUPPLY_NOT_SET, requirement="D24"
    )
    answer = desk.upload(desk.trial.packed(), work=desk.work)
    desk.expect_status(answer, Status.OK, requirement="D22")
    desk.set_up_again()
    desk.program_supplies()
    again = _busy_result(desk, op)
    desk.expect_status(again, Status.ABORTED, requirement="D18", look="Keep that as its result.")
    if told_by(again).pulses < 1:
        raise Failed("its pulses up to HELLO", str(told_by(again)), requirement="D18")


@check("D5", level=Level.PROGRAMS, needs=Needs.VPP)
def same_hello_in_mid_program(desk: Desk) -> None:
    """HELLO with the nonce of the session does not disturb what runs."""
    desk.program_supplies()
    number, _ = desk.begin_busy()
    desk.reply(desk.hello(desk.nonce), Opcode.HELLO, within_s=desk.stop_s)
    answer = desk.result(number, Opcode.PROGRAM, within_s=desk.busy_s)
    if answer.status == Status.ABORTED:
        raise Failed("PROGRAM to its end", "ABORTED", "The first answer was lost, nothing more.")


@check("D19", level=Level.PROGRAMS, needs=Needs.VPP)
def watchdog_in_mid_program(desk: Desk) -> None:
    """Silence ends a running request and those queued with ABORTED, after EVENT 1."""
    trial, told = desk.trial, desk.told
    pulses = 60
    longest_s = told.watchdog_s * 2
    pulse_ns = min(math.ceil(longest_s * 1e9 / pulses), told.pulse_max_ns or 1 << 31)
    pulses = math.ceil(longest_s * 1e9 / pulse_ns)
    if pulses > min(255, told.max_payload // trial.word_bytes):
        raise NotRun("its longest pulse is too short to outlast its watchdog in one request")
    slow = trial.with_loop(trial.loop, pulse_ns, pulses)
    desk.expect_status(desk.upload(slow.packed()), Status.OK, requirement="D22")
    desk.apply_to_other(trial.vcc_program_mv, trial.vpp_mv)
    which = 0 if trial.loop == 1 else 1
    numbers = [desk.request(Opcode.PROGRAM, desk.program_arguments(desk.next_op(), pulses, which=which))]
    if told.window > 1:
        numbers.append(desk.request(Opcode.MEASURE))
    end_s = desk.link.now_s() + (told.watchdog_s * 1.2 + pulse_ns / 1e9) * desk.setting.patience + desk.stop_s
    event = desk.link.take(lambda each: each.kind is Kind.EVENT, end_s)
    if event is None or event.content[0] != EventCode.FAULT:
        raise Failed("EVENT 1", desk.heard_words(), "A running request is guarded, too.")
    for number, opcode in zip(numbers, (Opcode.PROGRAM, Opcode.MEASURE), strict=False):
        answer = desk.result(number, opcode)
        desk.expect_status(answer, Status.ABORTED)
    expect_off(desk, "the watchdog", "D19")


@check("D11", "D18", level=Level.PROGRAMS, needs=Needs.VPP)
def repeated_on_the_line(desk: Desk) -> None:
    """PROGRAM doubled by the line is carried out once: the second copy is answered, and no pulse more."""
    desk.set_up(anew=True)
    desk.program_supplies()
    before = desk.stats().executed
    results = 0
    for _ in range(3):
        number, op = desk.number, desk.next_op()
        frame = desk.request_frame(Opcode.PROGRAM, desk.program_arguments(op, 1))
        desk.link.send(frame + frame)
        desk.result(number, Opcode.PROGRAM, within_s=desk.busy_s)
        desk.link.send(frame)
        desk.result(number, Opcode.PROGRAM)
        results += 1
    executed = desk.stats().executed - before
    if executed != results + 1:
        raise Failed(f"{results} PROGRAMs carried out", f"{executed - 1}", requirement="D11")
