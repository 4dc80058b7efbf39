"""SUPPLY: limits, order of refusal, what is measured, who may set what (D25 to D27, D23)."""

from protocol.conformance.check import Failed, Level, Needs, NotApplicable, check
from protocol.conformance.desk import Desk
from protocol.conformance.frames import Answer
from protocol.wire import NONE_U16, Capability, Opcode, Status, SupplyAction, SupplyKind

_OFF_MV = 500


def volts(answer: Answer) -> tuple[int, int, int]:
    """Return VCC, VPP and ID voltage as a RESULT tells them, mV."""
    return tuple(int.from_bytes(answer.detail[at : at + 2], "little") for at in (0, 2, 4))  # type: ignore[return-value]


def expect_off(desk: Desk, after: str, requirement: str) -> None:
    """Raise unless the device says that its supplies are off, and measures so where it can."""
    standing = desk.standing()
    if standing.energised:
        raise Failed(
            f"supplies off after {after}", "KEEPALIVE says energised",
            "Take VPP, then VCC off and discharge them before you answer.", requirement=requirement,
        )  # fmt: skip
    answer = desk.ok(Opcode.MEASURE)
    for name, value_mv in zip(("VCC", "VPP", "ID voltage"), volts(answer), strict=True):
        if value_mv != NONE_U16 and value_mv > _OFF_MV:
            raise Failed(f"{name} below 0.5 V after {after}", f"{value_mv} mV", requirement=requirement)


def _expect_measured(desk: Desk, answer: Answer, vcc_mv: int, vpp_mv: int) -> None:
    told, limits = desk.told, (Capability.MEASURE_VCC, Capability.MEASURE_VPP)
    for name, flag, own, value_mv, measured_mv in zip(
        ("VCC", "VPP"), limits, (told.vcc, told.vpp), (vcc_mv, vpp_mv), volts(answer)[:2], strict=True
    ):
        if not flag & told.capabilities:
            if measured_mv != NONE_U16:
                raise Failed(f"0xFFFF for {name}, which it cannot measure", f"{measured_mv} mV")
        elif value_mv and abs(measured_mv - value_mv) > own.tolerance_mv + 250:
            raise Failed(f"about {value_mv} mV measured at {name}", f"{measured_mv} mV")


@check("D25", "D27", level=Level.READS, needs=Needs.VCC)
def vcc_on_and_off(desk: Desk) -> None:
    """SUPPLY apply brings VCC, KEEPALIVE says so, discharge takes it below 0.5 V in time."""
    expect_off(desk, "HELLO", "D27")
    answer = desk.read_supplies()
    _expect_measured(desk, answer, desk.trial.vcc_read_mv, 0)
    if desk.standing().energised != 1:
        raise Failed("energised 1 in KEEPALIVE", "0", requirement="D16")
    begun_s = desk.link.now_s()
    desk.discharge()
    took_s = desk.link.now_s() - begun_s
    if took_s > (0.5 + 0.25) * desk.setting.patience:
        raise Failed(
            "discharge within 500 ms", f"{took_s * 1000:.0f} ms", "A bleeder of lower value?",
            requirement="D27",
        )  # fmt: skip
    expect_off(desk, "discharge", "D27")
    desk.discharge()


@check("D25", level=Level.PROGRAMS, needs=Needs.VPP)
def vpp_on_and_off(desk: Desk) -> None:
    """SUPPLY apply brings VCC and VPP; lowering and raising them again works."""
    trial = desk.trial
    answer = desk.program_supplies()
    _expect_measured(desk, answer, trial.vcc_program_mv, trial.vpp_mv)
    desk.apply(trial.vcc_program_mv)
    desk.program_supplies()
    answer = desk.apply(0)
    expect_off(desk, "apply of 0 mV", "D25")


def _refused(desk: Desk, vcc_mv: int, vpp_mv: int, status: Status, words: str, requirement: str) -> None:
    """Ask for supplies that must be refused, with nothing switched on."""
    answer = desk.supply(SupplyAction.APPLY, vcc_mv, vpp_mv)
    look = f"Judge {words} before anything changes."
    try:
        desk.expect_status(answer, status, requirement=requirement, look=look)
        expect_off(desk, words, requirement)
    except Failed:
        desk.supply(SupplyAction.DISCHARGE)
        raise


@check("D25", level=Level.READS, needs=Needs.VCC)
def limits_of_vcc(desk: Desk) -> None:
    """A VCC outside the part's range or above a maximum is refused with LIMIT, before anything changes."""
    trial, own = desk.trial, desk.told.vcc
    desk.set_up()
    for vcc_mv, words in (
        (trial.vcc_max_mv + 100, "a VCC above the part's maximum"),
        (own.maximum_mv + own.tolerance_mv + 500, "a VCC above what the device makes"),
        (trial.vcc_high_mv + 400, "a VCC above the part's range"),
        (1000, "a VCC below the part's range"),
    ):
        _refused(desk, vcc_mv, 0, Status.LIMIT, words, "D25")


@check("D25", level=Level.PROGRAMS, needs=Needs.VPP)
def limits_of_vpp(desk: Desk) -> None:
    """A VPP above a maximum, the device's tolerance counted against it, is refused with LIMIT."""
    trial, own = desk.trial, desk.told.vpp
    desk.set_up()
    vcc_mv = trial.vcc_program_mv
    _refused(desk, vcc_mv, trial.vpp_max_mv + 100, Status.LIMIT, "a VPP above the part's maximum", "D25")
    close_mv = trial.vpp_max_mv - own.tolerance_mv // 2
    if own.tolerance_mv > 1 and own.minimum_mv <= close_mv <= own.maximum_mv:
        words = "a VPP that may be above the part's maximum by the device's tolerance"
        _refused(desk, vcc_mv, close_mv, Status.LIMIT, words, "D25")


@check("D25", level=Level.PROGRAMS, needs=Needs.VPP)
def vpp_without_vcc(desk: Desk) -> None:
    """VPP without VCC is refused with WRONG_STATE, before anything changes."""
    desk.set_up()
    _refused(desk, 0, desk.trial.vpp_mv, Status.WRONG_STATE, "VPP without VCC", "D25")


@check("D26", level=Level.READS, needs=Needs.VCC)
def a_fixed_vcc(desk: Desk) -> None:
    """A fixed VCC takes only its own value."""
    own = desk.told.vcc
    if own.kind != SupplyKind.FIXED:
        raise NotApplicable("VCC is not fixed")
    desk.set_up()
    away_mv = own.tolerance_mv + 100
    for vcc_mv in (own.minimum_mv + away_mv, own.minimum_mv - away_mv):
        _refused(desk, vcc_mv, 0, Status.LIMIT, f"{vcc_mv} mV of a fixed VCC", "D26")


@check("D26", level=Level.PROGRAMS, needs=Needs.VPP)
def a_supply_set_by_hand(desk: Desk) -> None:
    """One set by hand wants to be confirmed for the same values, in each session."""
    trial = desk.trial
    wanted = desk.hand_set(trial.vcc_program_mv, trial.vpp_mv)
    if not wanted:
        raise NotApplicable("no supply of it is set by hand")
    desk.set_up()
    for name, value_mv in wanted.items():
        desk.turn(name, value_mv)
    values = trial.vcc_program_mv, trial.vpp_mv
    _refused(desk, *values, Status.NEEDS_CONFIRMATION, "a value that nobody has confirmed", "D26")
    confirmed = desk.supply(SupplyAction.CONFIRM, *values)
    desk.expect_status(confirmed, Status.OK)
    if desk.standing().energised:
        raise Failed("confirm switches nothing on", "energised")
    desk.expect_status(desk.supply(SupplyAction.APPLY, *values), Status.OK)
    desk.greet()
    _refused(desk, *values, Status.NEEDS_CONFIRMATION, "a value confirmed in the session before", "D26")


@check("D23", "D33", "D36", level=Level.READS, needs=Needs.VCC)
def not_while_energised(desk: Desk) -> None:
    """SETUP and CONTACT are refused with WRONG_STATE while a supply is on, and the part stays."""
    desk.read_supplies()
    data = desk.trial.packed()
    piece = desk.work.to_bytes(4, "little") + len(data).to_bytes(2, "little") + b"\0\0" + data[:40]
    desk.expect_status(desk.ask(Opcode.SETUP, piece), Status.WRONG_STATE, requirement="D23")
    contact = desk.ask(Opcode.CONTACT)
    # A device without the capability may say that at once.
    desk.expect_status(contact, Status.WRONG_STATE, *_cannot(desk, Capability.CONTACT), requirement="D36")
    desk.expect_status(desk.ask(Opcode.READ, desk.read_arguments(0, 1)), Status.OK, requirement="D23")
    desk.discharge()


def _cannot(desk: Desk, flag: Capability) -> tuple[Status, ...]:
    return () if flag & desk.told.capabilities else (Status.CANNOT,)


@check("D5", "D17", "D24", level=Level.READS, needs=Needs.VCC)
def hello_and_abort_take_them_off(desk: Desk) -> None:
    """HELLO with a new nonce, and ABORT, take the supplies off before they are answered."""
    for words, requirement in (("HELLO", "D5"), ("ABORT", "D17")):
        desk.read_supplies()
        if words == "HELLO":
            desk.greet()
        else:
            desk.ask_control(Opcode.ABORT, within_s=desk.stop_s)
        expect_off(desk, words, requirement)
        answer = desk.ask(Opcode.READ, desk.read_arguments(0, 1))
        desk.expect_status(answer, Status.SUPPLY_NOT_SET, requirement=requirement)


@check("D5", "D7", level=Level.READS, needs=Needs.VCC)
def repeated_and_foreign_hello_leave_them(desk: Desk) -> None:
    """HELLO with the session's nonce, or of another major version, leaves the supplies on."""
    desk.read_supplies()
    desk.reply(desk.hello(desk.nonce), Opcode.HELLO, within_s=desk.stop_s)
    if not desk.standing().energised:
        raise Failed("the supplies on after the same HELLO again", "off", requirement="D5")
    desk.reply(desk.hello(7, major=200), Opcode.HELLO, within_s=desk.stop_s)
    if not desk.standing().energised:
        raise Failed("the supplies on after a HELLO of major 200", "off", requirement="D7")
    desk.discharge()
