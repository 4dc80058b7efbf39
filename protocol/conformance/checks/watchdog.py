"""The watchdog and latched faults (D8, D19, D20)."""

from protocol.conformance import frames
from protocol.conformance.check import Failed, Level, Needs, about, check
from protocol.conformance.checks.supplies import expect_off
from protocol.conformance.desk import Desk
from protocol.conformance.frames import Seen
from protocol.wire import EventCode, Fault, Kind, Opcode, Status, SupplyAction

_LOOK = "A supply is on: count from the last sound frame of the present session, and end it all by yourself."


def _bite(desk: Desk, since_s: float, feed: bytes = b"") -> Seen:
    """Wait for the EVENT that is due one `watchdog_ms` after `since_s`; `feed` must not delay it."""
    told, patience = desk.told, desk.setting.patience
    # Time for the pulse and the discharge, and for a controller whose clock is 10 % slow.
    end_s = since_s + told.watchdog_s * 1.1 * patience + desk.stop_s
    while True:
        until_s = min(end_s, desk.link.now_s() + told.watchdog_s / 5)
        seen = desk.link.take(lambda each: each.kind is Kind.EVENT, until_s)
        if seen is not None:
            break
        if desk.link.now_s() >= end_s:
            waited = f"{(end_s - since_s) * 1000:.0f} ms"
            raise Failed(
                f"EVENT 1 after {told.watchdog_ms} ms", f"none in {waited}", _LOOK, requirement="D19"
            )
        if feed:
            desk.link.send(feed)
    event = (seen.content[0], int.from_bytes(seen.content[1:3], "little"))
    if event != (EventCode.FAULT, Fault.WATCHDOG):
        raise Failed("event 1 with WATCHDOG", frames.hex_words(seen.content), requirement="D19")
    early_s = told.watchdog_s * 0.85 - (seen.at_s - since_s)
    if early_s > 0:
        took = f"after {(seen.at_s - since_s) * 1000:.0f} ms"
        raise Failed(f"EVENT 1 after {told.watchdog_ms} ms", took, requirement="D19")
    return seen


@check("D19", level=Level.WIRE)
def no_watchdog_at_rest(desk: Desk) -> None:
    """With the supplies off and nothing running, silence does no harm."""
    desk.ok(Opcode.MEASURE)
    heard = desk.link.listen(desk.told.watchdog_s * 1.5)
    if heard:
        raise Failed(
            "nothing", frames.hex_words(heard[0].content), "The watchdog guards supplies and requests."
        )
    answer = desk.ok(Opcode.MEASURE)
    if answer.faults:
        raise Failed("no fault", frames.fault_words(answer.faults))


@check("D19", "D20", level=Level.READS, needs=Needs.VCC)
def silence_with_a_supply_on(desk: Desk) -> None:
    """After `watchdog_ms` of silence the supplies are off, WATCHDOG is latched, and EVENT 1 tells it."""
    desk.read_supplies()
    since_s = desk.link.now_s()
    desk.feed()
    _bite(desk, since_s)
    expect_off(desk, "the watchdog", "D19")
    answer = desk.ask(Opcode.READ, desk.read_arguments(0, 1))
    desk.expect_status(answer, Status.SUPPLY_NOT_SET, requirement="D19")


@check("D20", level=Level.READS, needs=Needs.VCC)
def a_fault_latches(desk: Desk) -> None:
    """A fault rides in every answer, refuses what energises or alters, and goes by CLEAR_FAULT alone."""
    desk.read_supplies()
    since_s = desk.link.now_s()
    desk.feed()
    _bite(desk, since_s)
    vcc_mv = desk.trial.vcc_read_mv
    for _ in range(2):
        _rides(desk)
        refused = desk.supply(SupplyAction.APPLY, vcc_mv)
        desk.expect_status(refused, Status.FAULTED, look="While a fault is latched nothing is energised.")
        program = desk.ask(Opcode.PROGRAM, desk.program_arguments(desk.next_op(), 1))
        desk.expect_status(program, Status.FAULTED, look="NO_FAULT is judged before the other needs.")
        desk.ok(Opcode.SUPPLY, bytes(5))
        desk.ok(Opcode.CLEAR_FAULT, (0xFFFF & ~Fault.WATCHDOG).to_bytes(2, "little"))
    desk.greet()
    _rides(desk)
    cleared = desk.ok(Opcode.CLEAR_FAULT, int(Fault.WATCHDOG).to_bytes(2, "little"))
    if cleared.faults or desk.ask_control(Opcode.KEEPALIVE).faults:
        raise Failed("no fault after CLEAR_FAULT", frames.fault_words(cleared.faults), requirement="D20")
    desk.read_supplies()
    desk.discharge()


def _rides(desk: Desk) -> None:
    """Raise unless WATCHDOG is in ACCEPT, NAK, RESULT and REPLY."""
    number = desk.number
    later = (number + 1) % 32
    seen: dict[str, int] = {"REPLY": desk.ask_control(Opcode.KEEPALIVE).faults}
    if desk.told.window > 1:
        desk.request(Opcode.MEASURE, number=later)
        nak = desk.link.take(lambda each: each.kind is Kind.NAK, desk.link.now_s() + desk.answer_s)
        seen["NAK"] = int.from_bytes(nak.content[:2], "little") if nak else 0
    desk.request(Opcode.MEASURE)
    seen["ACCEPT"] = int.from_bytes(desk.accepted(number).content[:2], "little")
    seen["RESULT"] = desk.result(number, Opcode.MEASURE).faults
    for kind, faults in seen.items():
        if not faults & Fault.WATCHDOG:
            raise Failed(
                f"WATCHDOG in {kind}", f"faults {faults:#06x}",
                "Faults latch until CLEAR_FAULT, over HELLO too.", requirement="D20",
            )  # fmt: skip


@check("D8", "D19", level=Level.READS, needs=Needs.VCC)
def strangers_do_not_feed_it(desk: Desk) -> None:
    """Frames of another session or major, and damaged ones, do not feed the watchdog."""
    stranger = frames.frame(Kind.CONTROL, 3, desk.session % 0xFFFF + 1, bytes((Opcode.KEEPALIVE,)))
    sound = frames.frame(Kind.CONTROL, 3, desk.session, bytes((Opcode.KEEPALIVE,)))
    nonce = desk.random.randbytes(4)
    foreign = frames.frame(Kind.CONTROL, 3, 0, bytes((Opcode.HELLO,)) + nonce + bytes((200, 0)))
    for feed in (stranger, sound[:-2] + bytes((sound[-2] ^ 0x10 or 1,)) + b"\0", foreign):
        desk.read_supplies()
        desk.link.forget()
        since_s = desk.link.now_s()
        desk.feed()
        with about("D8", "Only sound frames of the present session feed it."):
            _bite(desk, since_s, feed)
        desk.clear_faults(Fault.WATCHDOG)


@check("D19", level=Level.READS, needs=Needs.VCC)
def keepalive_feeds_it(desk: Desk) -> None:
    """KEEPALIVE four times in `watchdog_ms` keeps the supplies on."""
    desk.read_supplies()
    end_s = desk.link.now_s() + desk.told.watchdog_s * 2.5
    while desk.link.now_s() < end_s:
        desk.feed()
        heard = desk.link.listen(desk.told.watchdog_s / 4)
        if heard:
            raise Failed("nothing but answers to KEEPALIVE", frames.hex_words(heard[0].content))
    if not desk.standing().energised:
        raise Failed("the supplies on still", "off")
    desk.discharge()
