"""Resets of the board (D6, D9, D24): somebody has to press its button."""

from protocol.conformance.check import Failed, Level, Needs, NotRun, check
from protocol.conformance.checks.supplies import expect_off
from protocol.conformance.desk import Desk
from protocol.conformance.setting import RESET_S
from protocol.wire import NONE_U8, Opcode, Status


def _reset(desk: Desk, *, busy: bool = False) -> tuple[int, int]:
    """Have the board restarted and return the session and boot number from before.

    It has restarted when it answers no more. With `busy` a PROGRAM runs all the while.
    """
    before = desk.session, desk.told.boot_id
    hands = desk.setting.hands
    if hands is None or not hands.reset():
        raise NotRun("nobody restarts the board: --by-hand")
    end_s = desk.link.now_s() + RESET_S
    while desk.link.now_s() < end_s:
        try:
            standing = desk.standing()
        except Failed:
            desk.lost_part()
            desk.link.forget()
            return before
        if busy and standing.running == NONE_U8:
            desk.request(Opcode.PROGRAM, desk.busy_arguments(desk.next_op()))
        desk.link.listen(desk.told.watchdog_s / 5)
    raise NotRun(f"the board was not restarted within {RESET_S:g} s")


def _greet_again(desk: Desk) -> None:
    """Say HELLO until the board has started."""
    for _ in range(6):
        try:
            desk.greet()
        except Failed:
            continue
        return
    desk.greet()


@check("D6", "D9", "D24", level=Level.COMPLETE, needs=Needs.PART)
def reset_at_rest(desk: Desk) -> None:
    """After a reset nothing is answered before HELLO, boot_id is another, and no part is set up."""
    boots = [desk.told.boot_id]
    for _ in range(2):
        desk.set_up()
        session, _ = _reset(desk)
        desk.link.send(b"\0")
        desk.control(Opcode.KEEPALIVE, session=session)
        desk.control(Opcode.KEEPALIVE, session=0)
        desk.link.send(desk.request_frame(Opcode.MEASURE, number=desk.number, session=session))
        desk.link.send(desk.request_frame(Opcode.MEASURE, number=0, session=0))
        desk.expect_silence("before the first HELLO after a start", requirement="D9")
        _greet_again(desk)
        if desk.told.boot_id in boots:
            raise Failed(
                f"a boot_id other than {', '.join(map(str, boots))}", str(desk.told.boot_id),
                "Count starts in memory that lasts; a host trusts an unfinished PROGRAM by it.",
                requirement="D6",
            )  # fmt: skip
        boots.append(desk.told.boot_id)
        answer = desk.ask(Opcode.READ, desk.read_arguments(0, 1))
        desk.expect_status(answer, Status.NO_SETUP, requirement="D24")


@check("D6", "D24", "D21", level=Level.COMPLETE, needs=Needs.VPP)
def reset_in_mid_program(desk: Desk) -> None:
    """A reset in mid-program leaves the supplies off, another boot_id, and no part."""
    desk.program_supplies()
    desk.begin_busy()
    _, boot = _reset(desk, busy=True)
    _greet_again(desk)
    if desk.told.boot_id == boot:
        raise Failed(f"a boot_id other than {boot}", str(desk.told.boot_id), requirement="D6")
    expect_off(desk, "a reset", "D21")
    answer = desk.ask(Opcode.READ, desk.read_arguments(0, 1))
    desk.expect_status(answer, Status.NO_SETUP, requirement="D24")
    answer = desk.ask(Opcode.PROGRAM, desk.program_arguments(desk.next_op(), 1))
    desk.expect_status(answer, Status.NO_SETUP, requirement="D24")


@check("D6", level=Level.WIRE)
def same_boot_id(desk: Desk) -> None:
    """Without a reset boot_id stays."""
    boot = desk.told.boot_id
    for _ in range(3):
        desk.greet()
        if desk.told.boot_id != boot:
            raise Failed(f"boot_id {boot} still", str(desk.told.boot_id))
