"""PROGRAM and its like: pulses, reports, refusals, the queue meanwhile (D11 to D16, D30, D33, D35)."""

import struct

from protocol import fields
from protocol.conformance.check import Failed, Level, Needs, NotApplicable, NotRun, about, check
from protocol.conformance.desk import Desk
from protocol.conformance.frames import Answer
from protocol.conformance.part import GEOMETRY
from protocol.conformance.setting import Socket
from protocol.messages import ProgramResult
from protocol.wire import NONE_U32, Capability, Kind, Mode, NakReason, Opcode, Pass, Status


def told_by(answer: Answer) -> ProgramResult:
    """Return the detail of a programming result."""
    return fields.decode(ProgramResult, answer.detail)


def _stubborn(desk: Desk) -> int:
    """Return a word that word 0 cannot take: any in an empty socket, ones where the chip has zeros."""
    if desk.setting.socket is Socket.EMPTY:
        return 0
    desk.ok(Opcode.PROGRAM, desk.program_arguments(desk.next_op(), 1), within_s=desk.busy_s)
    return 0x0F


@check("D30", "D35", level=Level.PROGRAMS, needs=Needs.VPP)
def a_word_that_does_not_take(desk: Desk) -> None:
    """A word that stays wrong gets the most pulses and no more, each of its length, and ends the request."""
    trial = desk.trial
    desk.program_supplies()
    wanted = _stubborn(desk)
    begun_s = desk.link.now_s()
    arguments = desk.program_arguments(desk.next_op(), 3, word=wanted)
    number = desk.request(Opcode.PROGRAM, arguments)
    answer = desk.result(number, Opcode.PROGRAM, within_s=desk.busy_s)
    took_s = desk.link.now_s() - begun_s
    look = "Is the complement on the data pins before a word is read back? An empty socket echoes."
    desk.expect_status(answer, Status.PROGRAM_FAILED, requirement="D35", look=look)
    told = told_by(answer)
    if (told.pulses, told.most) != (trial.most_pulses, trial.most_pulses):
        raise Failed(
            f"{trial.most_pulses} pulses, as many on the worst word", f"{told.pulses} and {told.most}",
            "`most pulses` of LOOP is the cap for each word.", requirement="D30",
        )  # fmt: skip
    if (told.words, told.failed_address, told.wanted) != (0, 0, wanted) or told.got == wanted:
        raise Failed(f"0 words, failed at 0, wanted {wanted:#x}, got another", str(told), requirement="D35")
    pulses_s = trial.most_pulses * trial.pulse_s
    most_s = (pulses_s * 1.05 + trial.most_pulses * (desk.told.program_ns / 1e9 + 1e-3)) + desk.answer_s
    if not pulses_s * 0.95 <= took_s <= most_s * desk.setting.patience:
        raise Failed(
            f"{trial.most_pulses} pulses of {trial.pulse_s * 1000:g} ms, {pulses_s * 1000:.0f} ms in all",
            f"{took_s * 1000:.0f} ms",
            "Measure a pulse with an oscilloscope: it must be within 5 %.",
            requirement="D35",
        )


@check("D35", level=Level.PROGRAMS, needs=Needs.VPP)
def erased_words_are_not_pulsed(desk: Desk) -> None:
    """On a clear-only part a word equal to the erased word gets no pulse, but is verified."""
    trial = desk.trial
    if trial.value(GEOMETRY)[1] != 0:
        raise NotApplicable("the part is not clear-only")
    desk.program_supplies()
    if desk.setting.socket is Socket.SACRIFICIAL:
        _stubborn(desk)
    arguments = desk.program_arguments(desk.next_op(), 1, word=trial.blank)
    answer = desk.ask(Opcode.PROGRAM, arguments, within_s=desk.busy_s)
    told = told_by(answer)
    if told.pulses:
        raise Failed("no pulse for the erased word", str(told), "To pulse it would only wear the chip.")
    # In an empty socket whatever is read is right: some sockets are pulled up.
    if desk.setting.socket is Socket.SACRIFICIAL:
        desk.expect_status(answer, Status.PROGRAM_FAILED, look="Verify it all the same.")


@check("D35", level=Level.COMPLETE, needs=Needs.VPP)
def a_chip_is_programmed(desk: Desk) -> None:
    """A chip takes zeros: PROGRAM reports each word and its pulses, and mode verify reads them back."""
    if desk.setting.socket is not Socket.SACRIFICIAL:
        raise NotRun("needs a chip that may be spoilt: --socket sacrificial")
    trial = desk.trial
    desk.program_supplies()
    count = min(desk.told.max_payload // trial.word_bytes, 16)
    arguments = desk.program_arguments(desk.next_op(), count, address=0)
    answer = desk.ask(Opcode.PROGRAM, arguments, within_s=desk.busy_s)
    desk.expect_status(answer, Status.OK, look="Is it a sound chip of this part, VPP and all?")
    told = told_by(answer)
    if told.words != count or told.most > trial.most_pulses or told.failed_address != NONE_U32:
        raise Failed(f"{count} words, none failed", str(told))
    if trial.loop == 1 and not count <= told.pulses <= count * trial.most_pulses:
        raise Failed(f"{count} pulses or more", str(told))
    reading = desk.read_arguments(0, count, mode=Mode.VERIFY, vcc_mv=trial.vcc_program_mv)
    number = desk.request(Opcode.READ, reading)
    desk.expect_status(desk.result(number, Opcode.READ), Status.OK)
    data = b"".join(each.content[2:] for each in desk.link.inbox if each.kind is Kind.DATA)
    if data != bytes(count * trial.word_bytes):
        raise Failed("zeros in mode verify", data.hex(" "))


@check("D33", level=Level.PROGRAMS, needs=Needs.VPP)
def programming_stays_in_range(desk: Desk) -> None:
    """PROGRAM outside the part, or of nothing, is refused with OUT_OF_RANGE and pulses nothing."""
    trial = desk.trial
    desk.program_supplies()
    for address, count in ((trial.words, 1), (trial.words - 1, 2), (0xFFFFFFFF, 2), (0, 0)):
        arguments = desk.program_arguments(desk.next_op(), count, address=address)
        answer = desk.ask(Opcode.PROGRAM, arguments, within_s=desk.busy_s)
        look = f"{count} words from {address:#x} of {trial.words}."
        desk.expect_status(answer, Status.OUT_OF_RANGE, look=look)
    if Capability.FILL & desk.told.capabilities:
        for address, count, value in (
            (trial.words - 1, 2, 0),
            (0, 0, 0),
            (0xFFFFFFFE, 4, 0),
            *(((0, 1, 1 << trial.width_bits),) if trial.width_bits < 16 else ()),
        ):
            fill = struct.pack("<HIIBH", desk.next_op(), address, count, trial.full_pass, value)
            answer = desk.ask(Opcode.FILL, fill, within_s=desk.busy_s)
            desk.expect_status(answer, Status.OUT_OF_RANGE, look=f"FILL of {count} words from {address:#x}.")


@check("D35", level=Level.PROGRAMS, needs=Needs.VPP)
def passes_of_the_loop(desk: Desk) -> None:
    """A pass that the part's loop does not have completes with CANNOT."""
    desk.program_supplies()
    strange = Pass.FIRST if desk.trial.loop == 1 else Pass.FULL
    answer = desk.ask(Opcode.PROGRAM, desk.program_arguments(desk.next_op(), 1, which=strange))
    desk.expect_status(answer, Status.CANNOT, look=f"Loop {desk.trial.loop} has no pass {strange.name}.")


@check("D32", level=Level.PROGRAMS, needs=Needs.VPP)
def a_payload_too_long(desk: Desk) -> None:
    """PROGRAM of more bytes than `max_payload` is not carried out, and the device lives on."""
    desk.program_supplies()
    words = desk.told.max_payload // desk.trial.word_bytes + 1
    number = desk.number
    frame = desk.request_frame(Opcode.PROGRAM, desk.program_arguments(desk.next_op(), words))
    if len(frame) > desk.told.rx_bytes:
        raise NotApplicable("such a frame is longer than its receive buffer")
    desk.link.send(frame)
    result = desk.fed(lambda each: each.kind is Kind.RESULT and each.number == number, desk.busy_s)
    if result is None:
        desk.number = number  # it was damaged: more than the device can hold
    else:
        answer = desk.read(result, Opcode.PROGRAM)
        desk.expect_status(answer, Status.OUT_OF_RANGE, look="max_payload is a promise to itself, too.")
    desk.link.forget()
    desk.ok(Opcode.MEASURE)


@check("D13", "D16", level=Level.PROGRAMS, needs=Needs.VPP)
def accepted_while_it_runs(desk: Desk) -> None:
    """While pulses run the next request is accepted and KEEPALIVE tells what runs and how far."""
    if desk.told.window < 2:
        raise NotApplicable("with a window of 1 nothing is sent while a request runs")
    desk.program_supplies()
    number, _ = desk.begin_busy()
    limit_s = desk.quiet_s + desk.pulse_s
    second = desk.request(Opcode.STATS)
    with about("D13", f"In {limit_s * 1000:.0f} ms: look at the receiver at every word, or by interrupt."):
        desk.accepted(second, within_s=limit_s)
    standing = desk.standing()
    if standing.running != number or standing.expected != desk.number or not standing.energised:
        words = f"running {number}, expected {desk.number}, energised"
        raise Failed(words, str(standing), requirement="D16")
    if standing.progress_words > desk.busy_words:
        raise Failed(f"at most {desk.busy_words} words done", str(standing), requirement="D16")
    desk.result(number, Opcode.PROGRAM, within_s=desk.busy_s)
    desk.result(second, Opcode.STATS, within_s=desk.busy_s)


@check("D11", level=Level.PROGRAMS, needs=Needs.VPP)
def repeat_of_what_runs(desk: Desk) -> None:
    """A repeat of the request that runs is answered with ACCEPT, and it runs once."""
    desk.program_supplies()
    before = desk.stats().executed
    number, op = desk.begin_busy()
    again = desk.request_frame(Opcode.PROGRAM, desk.busy_arguments(op), number=number)
    for _ in range(3):
        desk.link.send(again)
        desk.accepted(number, within_s=desk.answer_s + desk.pulse_s)
    desk.result(number, Opcode.PROGRAM, within_s=desk.busy_s)
    desk.link.send(again)
    desk.result(number, Opcode.PROGRAM)
    heard = desk.fed(lambda each: each.kind is Kind.RESULT, desk.busy_s / 2)
    after = desk.stats().executed
    if heard is not None or after - before != 2:
        told = f"{after - before} more executed, with STATS"
        raise Failed("one PROGRAM carried out", told, "A repeat is only answered.")


@check("D13", "D32", level=Level.PROGRAMS, needs=Needs.VPP)
def all_of_rx_bytes(desk: Desk) -> None:
    """While pulses run it takes as many requests as `window` and `rx_bytes` promise, in one go."""
    if desk.told.window < 2:
        raise NotApplicable("with a window of 1 nothing is sent while a request runs")
    desk.program_supplies()
    first = desk.number
    desk.begin_busy()
    room = desk.told.rx_bytes - len(desk.request_frame(Opcode.PROGRAM, desk.busy_arguments(1), number=0))
    most = desk.told.max_payload // desk.trial.word_bytes
    sent: list[bytes] = []
    while len(sent) < desk.told.window - 1:
        # A frame of n bytes of content is at most n + 10 + n / 254 bytes long on the line.
        words = min(most, (room * 254 // 255 - 20) // desk.trial.word_bytes)
        if words < 1:
            break
        number = desk.number
        frame = desk.request_frame(Opcode.PROGRAM, desk.program_arguments(desk.next_op(), words, word=0x5A))
        if len(frame) > room:
            desk.number = number
            break
        room -= len(frame)
        sent.append(frame)
    desk.link.send(b"".join(sent))
    last = (first + len(sent)) % 32
    with about("D32", "A plain serial line has no back-pressure: what HELLO promises must find room."):
        desk.accepted(last, within_s=desk.answer_s + desk.pulse_s)
    if naks := [each for each in desk.link.inbox if each.kind is Kind.NAK]:
        raise Failed(f"{len(sent)} requests accepted", f"NAK {naks[0].number}", requirement="D32")
    desk.ask_control(Opcode.ABORT, within_s=desk.stop_s)


@check("D15", level=Level.PROGRAMS, needs=Needs.VPP)
def more_than_the_window(desk: Desk) -> None:
    """A request more than the window holds is answered with NAK 3, or taken; it is not lost in silence."""
    desk.program_supplies()
    number, _ = desk.begin_busy()
    for _ in range(desk.told.window - 1):
        desk.accepted(desk.request(Opcode.MEASURE), within_s=desk.answer_s + desk.pulse_s)
    extra = desk.number
    desk.request(Opcode.MEASURE, number=extra)
    seen = desk.link.take(
        lambda each: each.kind is Kind.NAK or (each.kind is Kind.ACCEPT and each.number == (extra + 1) % 32),
        desk.link.now_s() + desk.answer_s + desk.pulse_s,
    )
    if seen is None:
        raise Failed(f"NAK {extra}, reason 3, or ACCEPT", desk.heard_words())
    if seen.kind is Kind.NAK and (seen.number != extra or seen.content[2:3] != bytes((NakReason.NO_ROOM,))):
        raise Failed(f"NAK {extra} with reason 3", f"NAK {seen.number}, {seen.content.hex(' ')}")
    desk.result(number, Opcode.PROGRAM, within_s=desk.busy_s)


@check("D35", level=Level.PROGRAMS, needs=Needs.VPP)
def page_crossing(desk: Desk) -> None:
    """PROGRAM over the end of a page of a page-write part is refused with PAGE_CROSSING."""
    if not Capability.PAGE_WRITE & desk.told.capabilities or desk.setting.socket is not Socket.EMPTY:
        raise NotApplicable("it cannot write pages, or the chip is of another kind")
    trial = desk.trial
    read = trial.records[trial.place(0x10, Mode.READ)][1]
    records = [each for each in trial.with_loop(4, 0, 1).records if each[0] != 0x10]
    records += [(9, struct.pack("<HHIB", 32, 1000, 10_000, 0)), (0x10, read)]
    records.append((0x10, bytes((Mode.WRITE, 4, *read[2:]))))
    records.sort(key=lambda each: each[0])
    answer = desk.upload(b"".join(bytes((tag, len(value))) + value for tag, value in records))
    if answer.status != Status.OK:
        raise NotApplicable("it does not take the trial part with pages")
    desk.apply_to_other(trial.vcc_read_mv)
    arguments = struct.pack("<HIB", desk.next_op(), 30, Pass.FULL) + bytes(4)
    desk.expect_status(desk.ask(Opcode.PROGRAM, arguments, within_s=desk.busy_s), Status.PAGE_CROSSING)
