"""Sequence numbers, acceptance, repeats, NAKs, and the CONTROL frames beside them (D10 to D17)."""

from protocol.conformance import frames
from protocol.conformance.check import Failed, Level, NotApplicable, check
from protocol.conformance.desk import Desk
from protocol.conformance.frames import Seen
from protocol.conformance.talk import heard_in_words
from protocol.wire import NONE_U8, Kind, NakReason, Opcode, Status


def kinds_heard(desk: Desk) -> list[Seen]:
    """Return what comes until it is quiet."""
    return desk.link.listen(desk.quiet_s)


def _expect(heard: list[Seen], wanted: list[tuple[Kind, int]], words: str, look: str = "") -> None:
    if [(each.kind, each.number) for each in heard] != wanted:
        told = ", ".join(f"{kind.name} {number}" for kind, number in wanted) or "nothing"
        raise Failed(f"{told} for {words}", heard_in_words(heard) or "nothing in time", look)


@check("D10", "D12", level=Level.WIRE)
def in_order(desk: Desk) -> None:
    """Requests 0 to 31 and round again: each is accepted, then ends with one result, in order."""
    for _ in range(40):
        number = desk.number
        desk.request(Opcode.MEASURE)
        heard: list[Seen] = []
        until_s = desk.link.now_s() + desk.answer_s
        while len(heard) < 2 and (seen := desk.link.take(lambda _each: True, until_s)):
            heard.append(seen)
        _expect(heard, [(Kind.ACCEPT, (number + 1) % 32), (Kind.RESULT, number)], f"request {number}")
    if heard := kinds_heard(desk):
        raise Failed("nothing more", heard_in_words(heard), "Each request has one RESULT.", requirement="D12")


@check("D10", "D15", level=Level.WIRE)
def a_gap(desk: Desk) -> None:
    """A request after a gap is dropped and answered with one NAK; the ones from the gap on are then taken."""
    if desk.told.window < 2:
        raise NotApplicable("with a window of 1 no gap can be told from a stray")
    look = "Carry out only the number that is next; for a later one within the window send NAK once."
    first = desk.number
    for number in ((first + 1) % 32, (first + 1) % 32):
        desk.request(Opcode.MEASURE, number=number)
    heard = kinds_heard(desk)
    _expect(heard, [(Kind.NAK, first)], f"request {(first + 1) % 32} twice, with {first} missing", look)
    if heard[0].content[2:3] != bytes((NakReason.GAP,)):
        raise Failed("reason 1, gap", frames.hex_words(heard[0].content), requirement="D15")
    for _ in range(2):
        desk.ok(Opcode.MEASURE)
    if (expected := desk.standing().expected) != (first + 2) % 32:
        raise Failed(f"{(first + 2) % 32} expected", str(expected), look, requirement="D10")
    kinds_heard(desk)
    desk.request(Opcode.MEASURE, number=(desk.number + 1) % 32)
    _expect(
        kinds_heard(desk), [(Kind.NAK, desk.number)], "a new gap after the first was closed",
        "The expected request has arrived, so the next gap gets its own NAK.",
    )  # fmt: skip


@check("D10", level=Level.WIRE)
def strays(desk: Desk) -> None:
    """Numbers outside the window, and repeats of what never was, are dropped and counted."""
    window = desk.told.window
    before = desk.stats().damaged
    desk.greet()
    # 31 looks like a repeat, but this session has had no request yet.
    strange = [31, *([window] if window < 16 else [])]
    for number in strange:
        desk.request(Opcode.MEASURE, number=number)
        _expect(kinds_heard(desk), [], f"request {number} with 0 expected")
    counted = desk.stats().damaged - before
    if counted < len(strange):
        raise Failed(f"{len(strange)} more damaged in STATS", f"{counted} more", "Strays are counted, too.")


@check("D11", level=Level.WIRE)
def repeat_of_what_is_done(desk: Desk) -> None:
    """A repeat of a request that is complete is answered from memory and not carried out again."""
    number = desk.number
    first = desk.ok(Opcode.STATS)
    desk.link.listen(desk.quiet_s)
    frame = desk.request_frame(Opcode.STATS, number=number)
    for _ in range(2):
        desk.link.send(frame)
        heard = kinds_heard(desk)
        _expect(
            heard, [(Kind.RESULT, number)], f"request {number} again",
            "Keep the results of the last `window` requests and send them again.",
        )  # fmt: skip
        again = desk.read(heard[0], Opcode.STATS)
        if (again.status, again.detail) != (first.status, first.detail):
            raise Failed(
                f"the same result, {frames.hex_words(first.detail)}", frames.hex_words(again.detail),
                "It was carried out a second time: its counters went on.",
            )  # fmt: skip
    if (expected := desk.standing().expected) != desk.number:
        raise Failed(f"{desk.number} expected still", str(expected))


@check("D11", level=Level.WIRE)
def results_are_kept(desk: Desk) -> None:
    """The results of the last `window` requests are kept."""
    window = desk.told.window
    kept = {}
    for _ in range(window + 2):
        number = desk.number
        kept[number] = desk.ok(Opcode.STATS).detail
    desk.link.listen(desk.quiet_s)
    for number in list(kept)[-window:]:
        desk.request(Opcode.STATS, number=number)
        seen = desk.link.take(
            lambda each, number=number: each.kind is Kind.RESULT and each.number == number,  # type: ignore[misc]
            desk.link.now_s() + desk.answer_s,
        )
        if seen is None or desk.read(seen, Opcode.STATS).detail != kept[number]:
            told = desk.heard_words() if seen is None else frames.hex_words(seen.content)
            raise Failed(f"the result of {number} again, {frames.hex_words(kept[number])}", told)


@check("D15", level=Level.WIRE)
def one_nak_for_much_damage(desk: Desk) -> None:
    """Damaged frames one after another get one NAK, until the expected request has come."""
    sound = desk.request_frame(Opcode.MEASURE, number=desk.number)
    spoilt = sound[:-3] + bytes((sound[-3] ^ 0x40 or 1,)) + sound[-2:]
    for _ in range(2):
        for _ in range(3):
            desk.link.send(spoilt)
        _expect(
            kinds_heard(desk), [(Kind.NAK, desk.number)], "three damaged frames",
            "Remember that a NAK was sent, and forget it when the expected request comes.",
        )  # fmt: skip
        number = desk.number
        desk.ok(Opcode.MEASURE)
        sound = desk.request_frame(Opcode.MEASURE, number=desk.number)
        spoilt = sound[:-3] + bytes((sound[-3] ^ 0x40 or 1,)) + sound[-2:]
        if desk.number == number:
            raise Failed("the request accepted", "it was not", requirement="D10")


@check("D12", "D13", level=Level.WIRE)
def a_window_at_once(desk: Desk) -> None:
    """A whole window of requests in one go is accepted and answered in order."""
    for _ in range(3):
        first = desk.number
        sent: list[bytes] = []
        while len(sent) < desk.told.window:
            sent.append(desk.request_frame(Opcode.STATS))
        desk.link.send(b"".join(sent))
        numbers: list[int] = []
        until_s = desk.link.now_s() + desk.answer_s
        while len(numbers) < len(sent):
            seen = desk.link.take(lambda each: each.kind is Kind.RESULT, until_s)
            if seen is None:
                raise Failed(
                    f"{len(sent)} results", f"{len(numbers)}; {desk.heard_words()}", requirement="D12"
                )
            numbers.append(seen.number)
        if numbers != [(first + place) % 32 for place in range(len(sent))]:
            raise Failed("results in order", str(numbers), requirement="D12")
        desk.link.forget()


@check("D16", level=Level.WIRE)
def keepalive_tells(desk: Desk) -> None:
    """KEEPALIVE tells the next number, that nothing runs, and the last request that is done."""
    standing = desk.standing()
    told = (standing.expected, standing.running, standing.done, standing.energised, standing.progress_words)
    if told != (desk.number, NONE_U8, (desk.number - 1) % 32 if desk.number else NONE_U8, 0, 0):
        raise Failed(f"expected {desk.number}, running 255, done 255, energised 0, progress 0", str(standing))
    number = desk.number
    desk.ok(Opcode.MEASURE)
    standing = desk.standing()
    if (standing.expected, standing.running, standing.done) != (desk.number, NONE_U8, number):
        raise Failed(f"expected {desk.number}, running 255, done {number}", str(standing))


@check("D16", level=Level.WIRE)
def control_again(desk: Desk) -> None:
    """A CONTROL sent again with its tag is answered again, each with its own tag."""
    tag = desk.control(Opcode.KEEPALIVE)
    desk.reply(tag, Opcode.KEEPALIVE)
    desk.control(Opcode.KEEPALIVE, tag=tag)
    desk.reply(tag, Opcode.KEEPALIVE)
    for tag in range(32):
        desk.reply(desk.control(Opcode.KEEPALIVE, tag=tag), Opcode.KEEPALIVE)


@check("D17", level=Level.WIRE)
def abort_with_nothing(desk: Desk) -> None:
    """ABORT with nothing to stop is answered; a copy of it again; requests go on from `expected`."""
    desk.ok(Opcode.MEASURE)
    tag = desk.control(Opcode.ABORT)
    first = desk.reply(tag, Opcode.ABORT, within_s=desk.stop_s)
    desk.expect_status(first, Status.OK)
    if tuple(first.detail[:2]) != (desk.number, 0):
        raise Failed(f"expected {desk.number}, 0 dropped", frames.hex_words(first.detail))
    desk.control(Opcode.ABORT, tag=tag)
    again = desk.reply(tag, Opcode.ABORT, within_s=desk.stop_s)
    if again.detail != first.detail:
        raise Failed("the same answer to its copy", frames.hex_words(again.detail))
    desk.ok(Opcode.MEASURE)


@check("D33", "D36", level=Level.WIRE)
def always_allowed(desk: Desk) -> None:
    """MEASURE, STATS and CLEAR_FAULT are answered with OK in an open session."""
    for opcode, arguments in (
        (Opcode.MEASURE, b""),
        (Opcode.STATS, b""),
        (Opcode.CLEAR_FAULT, b"\xff\xff"),
    ):
        desk.expect_status(desk.ask(opcode, arguments), Status.OK)
    early, late = desk.stats(), desk.stats()
    if not 0 < late.frames - early.frames < 1000 or late.uptime_ms < early.uptime_ms:
        raise Failed("frames and uptime that go up", f"{early} and {late}", requirement="D36")
