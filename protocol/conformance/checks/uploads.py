"""SETUP: pieces, and what of a descriptor is refused (D22 to D24). Nothing is energised."""

import struct
from collections.abc import Iterable

from protocol.conformance import frames, part
from protocol.conformance.check import Failed, Level, Needs, NotApplicable, check
from protocol.conformance.desk import Desk
from protocol.conformance.part import Record, TrialPart
from protocol.wire import Capability, Mode, Opcode, Status, SupplyKind
from protocol.wire import Level as PinLevel


def refused(
    desk: Desk, records: Iterable[Record], status: Status, words: str, place: tuple[int, int] | None = None
) -> None:
    """Raise unless a descriptor is refused with `status`, naming tag and index in `place`."""
    answer = desk.upload(part.packed(records))
    desk.expect_status(answer, status, requirement="D22", look=f"The descriptor has {words}.")
    if place is not None and tuple(answer.detail[:2]) != place:
        raise Failed(
            f"tag 0x{place[0]:02X}, index {place[1]}", frames.hex_words(answer.detail),
            f"The descriptor has {words}. The index counts its records from 0.", requirement="D22",
        )  # fmt: skip


def _expect_no_part(desk: Desk, words: str) -> None:
    answer = desk.ask(Opcode.READ, struct.pack("<IIBHH", 0, 1, Mode.READ, 5000, 64))
    desk.expect_status(
        answer,
        Status.NO_SETUP,
        requirement="D23",
        look=f"After {words} there is no part: forget the one before.",
    )


@check("D22", "D31", level=Level.WIRE, needs=Needs.PART)
def a_part_in_pieces(desk: Desk) -> None:
    """A descriptor is taken in pieces of any size, and each answer has tag 0 and index 0."""
    for piece_bytes in (desk.told.max_payload, 64, 13):
        answer = desk.upload(desk.trial.packed(), piece_bytes=piece_bytes)
        desk.expect_status(answer, Status.OK, requirement="D22")
        if answer.detail[:2] != b"\0\0":
            raise Failed("tag 0, index 0", frames.hex_words(answer.detail), requirement="D22")


@check("D22", level=Level.WIRE, needs=Needs.PART)
def unknown_record(desk: Desk) -> None:
    """A record with a tag that the device does not know is refused: to skip it could hurt the chip."""
    records = [*desk.trial.records, (0x7E, b"\x01\x02")]
    refused(desk, records, Status.CANNOT, "an unknown record at its end", (0x7E, len(records) - 1))
    records = [*desk.trial.records[:3], (0xC3, b""), *desk.trial.records[3:]]
    refused(desk, records, Status.CANNOT, "an unknown record in its middle", (0xC3, 3))


@check("D22", level=Level.WIRE, needs=Needs.PART)
def contradictions(desk: Desk) -> None:
    """A descriptor that lacks something, has it twice, is cut short or contradicts itself is MALFORMED."""
    trial = desk.trial
    for tag in (part.GEOMETRY, part.ADDRESS, part.DATA, part.GROUND, part.SUPPLIES, part.LOOP):
        left = [record for record in trial.records if record[0] != tag]
        refused(desk, left, Status.MALFORMED, f"no record 0x{tag:02X}")
    refused(desk, [*trial.records, trial.records[0]], Status.MALFORMED, "GEOMETRY twice")
    mode = trial.records[trial.place(part.MODE, Mode.READ)]
    refused(desk, [*trial.records, mode], Status.MALFORMED, "the mode read twice")
    longer = trial.with_value(part.MODE, mode[1] + bytes((PinLevel.LOW,)), Mode.READ)
    refused(desk, longer, Status.MALFORMED, "a mode with more levels than control pins")
    data, lines = trial.value(part.DATA), trial.value(part.ADDRESS)
    refused(desk, trial.with_value(part.DATA, data[:-1]), Status.MALFORMED, "too few data pins")
    refused(desk, trial.with_value(part.ADDRESS, lines[:-1]), Status.MALFORMED, "an address pin too few")
    same = trial.with_value(part.ADDRESS, lines[:-1] + data[:1])
    refused(desk, same, Status.MALFORMED, "one pin for an address and a data line")
    cut = trial.packed()[:-1]
    desk.expect_status(desk.upload(cut), Status.MALFORMED, requirement="D22")


def _foreign_pin(desk: Desk, role: str, used: bytes) -> int | None:
    """Return a pin that cannot have a role and has no other in the trial part."""
    inside = set(range(1, desk.told.socket_pins + 1)) - desk.told.pins_for(role)
    return next(iter(sorted(inside - set(used))), None)


@check("D22", "D29", level=Level.WIRE, needs=Needs.PART)
def pins_outside_the_masks(desk: Desk) -> None:
    """A pin that the socket does not have, or that cannot have its role, is refused by its record."""
    trial = desk.trial
    beyond = desk.told.socket_pins + 1
    used = b"".join(trial.value(tag) for tag in range(part.ADDRESS, part.GROUND + 1))
    roles = {part.ADDRESS: "DRIVE", part.DATA: "SENSE", part.VCC: "VCC", part.GROUND: "GROUND"}
    for tag, role in roles.items():
        value = trial.value(tag)
        for pin in (beyond, _foreign_pin(desk, role, used)):
            if pin is not None:
                records = trial.with_value(tag, value[:-1] + bytes((pin,)))
                words = f"pin {pin} in record 0x{tag:02X}, outside the mask {role}"
                refused(desk, records, Status.CANNOT, words, (tag, trial.place(tag)))
    levels = trial.value(part.MODE)
    for level, role in ((PinLevel.VPP, "VPP"), (PinLevel.ID, "ID")):
        for place, pin in enumerate(trial.value(part.CONTROL)):
            if pin not in desk.told.pins_for(role):
                spoilt = bytearray(trial.records[trial.place(part.MODE, Mode.READ)][1])
                spoilt[1 + place] = level
                records = trial.with_value(part.MODE, bytes(spoilt), Mode.READ)
                words = f"the level {level.name} on pin {pin}, outside the mask {role}"
                refused(desk, records, Status.CANNOT, words, (part.MODE, trial.place(part.MODE, Mode.READ)))
                break
    assert levels


def _supplies(trial: TrialPart, **changed: int) -> bytes:
    names = (
        "read",
        "low",
        "high",
        "program",
        "vpp",
        "id",
        "vcc_tol",
        "vpp_tol",
        "vcc_max",
        "vpp_max",
        "id_max",
    )
    values = dict(zip(names, struct.unpack_from("<11H", trial.value(part.SUPPLIES)), strict=True))
    return part.packed_mv(*{**values, **changed}.values())


@check("D22", level=Level.WIRE, needs=Needs.PART)
def supplies_it_cannot_make(desk: Desk) -> None:
    """A supply that it cannot make is refused with CANNOT, one above the part's maximum with LIMIT."""
    trial, told = desk.trial, desk.told
    place = (part.SUPPLIES, trial.place(part.SUPPLIES))
    high = told.vcc.maximum_mv + 1500
    records = trial.with_value(
        part.SUPPLIES, _supplies(trial, read=high, high=high, program=high, vcc_tol=100, vcc_max=high + 1000)
    )
    refused(desk, records, Status.CANNOT, f"a VCC of {high} mV", place)
    records = trial.with_value(part.SUPPLIES, _supplies(trial, vcc_max=trial.vcc_read_mv - 100))
    refused(desk, records, Status.LIMIT, "a VCC above its own maximum", place)
    if trial.loop:
        vpp = told.vpp.maximum_mv + 2000
        if told.vpp.kind != SupplyKind.ABSENT:
            records = trial.with_value(
                part.SUPPLIES, _supplies(trial, vpp=vpp, vpp_tol=100, vpp_max=vpp + 1000)
            )
            refused(desk, records, Status.CANNOT, f"a VPP of {vpp} mV", place)
        records = trial.with_value(part.SUPPLIES, _supplies(trial, vpp_max=trial.vpp_mv - 100))
        refused(desk, records, Status.LIMIT, "a VPP above its own maximum", place)


@check("D22", level=Level.WIRE, needs=Needs.PART)
def loops_it_cannot_run(desk: Desk) -> None:
    """A pulse it cannot make, or a loop, signature or sequence without the capability, is refused."""
    trial, told = desk.trial, desk.told
    place = (part.LOOP, trial.place(part.LOOP))
    needs = {
        1: Capability.LOOP_VERIFY_EACH, 2: Capability.LOOP_FIRST_PASS, 3: Capability.BYTE_WRITE,
        4: Capability.PAGE_WRITE, 5: Capability.COMMANDS,
    }  # fmt: skip
    for kind, needed in needs.items():
        if not needed & told.capabilities:
            records = trial.with_loop(kind, trial.pulse_ns or 1_000_000, 1).records
            refused(desk, records, Status.CANNOT, f"loop {kind} without its capability", place)
    if trial.loop in (1, 2):
        if told.pulse_min_ns > 20:
            short = trial.with_loop(trial.loop, told.pulse_min_ns // 2, 1).records
            refused(desk, short, Status.CANNOT, f"a pulse of {told.pulse_min_ns // 2} ns", place)
        if 0 < told.pulse_max_ns < 2_000_000_000:
            long = trial.with_loop(trial.loop, told.pulse_max_ns * 2, 1).records
            refused(desk, long, Status.CANNOT, f"a pulse of {told.pulse_max_ns * 2} ns", place)
        _overprogram(desk, place)
    if not Capability.COMMANDS & told.capabilities:
        records = (*trial.records, (part.SEQUENCE, bytes((3, 0, 0, 0, 0, 0, 0, 0, 0))))
        refused(desk, records, Status.CANNOT, "a sequence", (part.SEQUENCE, len(records) - 1))
    if not Capability.ID_VOLTAGE & told.capabilities:
        records = (*_without(trial, part.SIGNATURE), (part.SIGNATURE, struct.pack("<BII", 1, 0, 1)))
        words = "a signature by ID voltage"
        refused(desk, records, Status.CANNOT, words, (part.SIGNATURE, len(records) - 1))


def _without(trial: TrialPart, tag: int) -> tuple[Record, ...]:
    return tuple(record for record in trial.records if record[0] != tag)


def _overprogram(desk: Desk, place: tuple[int, int]) -> None:
    trial, told = desk.trial, desk.told
    if not Capability.OVERPROGRAM & told.capabilities:
        records = trial.with_loop(trial.loop, trial.pulse_ns, 2, 1).records
        refused(desk, records, Status.CANNOT, "an overprogram pulse without the capability", place)
    elif trial.pulse_ns * 255 * 255 < 1 << 62 and told.pulse_max_ns * 2 < trial.pulse_ns * 255 * 3:
        records = trial.with_loop(trial.loop, trial.pulse_ns, 255, 3).records
        refused(desk, records, Status.CANNOT, "a longest overprogram pulse that is too long", place)


@check("D23", "D22", level=Level.WIRE, needs=Needs.PART)
def no_part_is_left(desk: Desk) -> None:
    """A refused or half-sent descriptor leaves no part set up."""
    desk.set_up(anew=True)
    refused(desk, [*desk.trial.records, (0x7E, b"")], Status.CANNOT, "an unknown record")
    _expect_no_part(desk, "a refused descriptor")
    desk.set_up(anew=True)
    data = desk.trial.packed()
    half = struct.pack("<IHH", desk.new_work(), len(data), 0) + data[:40]
    desk.lost_part()
    desk.ok(Opcode.SETUP, half)
    _expect_no_part(desk, "half a descriptor")


@check("D22", "D32", level=Level.WIRE, needs=Needs.PART)
def pieces_that_do_not_fit(desk: Desk) -> None:
    """Pieces out of order or past the total are MALFORMED; too large a total is OUT_OF_RANGE."""
    data = desk.trial.packed()
    desk.lost_part()
    look = "A piece begins where the one before ended, in the same work with the same total."

    def send(work: int, total: int, offset: int, piece: bytes, status: Status, requirement: str) -> None:
        answer = desk.ask(Opcode.SETUP, struct.pack("<IHH", work, total, offset) + piece)
        desk.expect_status(answer, status, requirement=requirement, look=look)

    work, size = desk.new_work(), len(data)
    send(work, size, 0, data[:40], Status.OK, "D22")
    send(work, size, 50, data[50:60], Status.MALFORMED, "D22")
    send(work, size, 40, data[40:60], Status.MALFORMED, "D22")
    send(work, size, 0, data[:40], Status.OK, "D22")
    send(work, size + 1, 40, data[40:60], Status.MALFORMED, "D22")
    send(work, 30, 0, data[:40], Status.MALFORMED, "D22")
    if desk.told.descriptor_max < 0xFFFF:
        send(work, desk.told.descriptor_max + 1, 0, data[:40], Status.OUT_OF_RANGE, "D32")


@check("D32", level=Level.WIRE, needs=Needs.PART)
def more_than_max_payload(desk: Desk) -> None:
    """A SETUP piece of one byte more than `max_payload` is not taken, and the device lives on."""
    size = desk.told.max_payload + 1
    if size > desk.told.descriptor_max:
        raise NotApplicable("no descriptor that it can hold is longer than a payload")
    desk.lost_part()
    number = desk.number
    piece = struct.pack("<IHH", desk.new_work(), size, 0) + bytes(size)
    desk.request(Opcode.SETUP, piece)
    heard = desk.link.listen(desk.quiet_s)
    statuses = [
        each.content[1] for each in heard if len(each.content) > 3 and each.content[0] == Opcode.SETUP
    ]
    if statuses not in ([], [Status.OUT_OF_RANGE]):
        raise Failed("OUT_OF_RANGE, or no RESULT", frames.named(Status, statuses[0]), "It was taken.")
    if not statuses:
        desk.number = number  # it was damaged: more than the device can hold
    desk.ok(Opcode.MEASURE)


@check("D24", level=Level.WIRE, needs=Needs.PART)
def outlives_hello_and_abort(desk: Desk) -> None:
    """The descriptor outlives HELLO and ABORT."""
    desk.set_up(anew=True)
    for words in ("HELLO", "ABORT"):
        if words == "HELLO":
            desk.greet()
        else:
            desk.ask_control(Opcode.ABORT, within_s=desk.stop_s)
        answer = desk.ask(Opcode.READ, desk.read_arguments(0, 1))
        desk.expect_status(answer, Status.SUPPLY_NOT_SET, look=f"The part is still set up after {words}.")


@check("D33", level=Level.WIRE, needs=Needs.PART)
def needs_without_power(desk: Desk) -> None:
    """What needs VCC is refused with SUPPLY_NOT_SET while it is off, and with NO_SETUP where no part is."""
    asked = {
        Opcode.READ: desk.read_arguments(0, 1),
        Opcode.BLANK: desk.read_arguments(0, 1)[:-2],
        Opcode.DIGEST: desk.read_arguments(0, 1)[:-2],
        Opcode.IDENTIFY: b"",
        Opcode.PROGRAM: desk.program_arguments(1, 1),
        Opcode.FILL: struct.pack("<HIIBH", 1, 0, 1, 0, 0),
        Opcode.COPY: struct.pack("<HIIBI", 1, 0, 1, 0, 0),
        Opcode.ERASE: struct.pack("<HBI", 1, 0, 0),
        Opcode.SEQUENCE: struct.pack("<HB", 1, 6),
    }
    desk.set_up(anew=True)
    for opcode, arguments in asked.items():
        answer = desk.ask(opcode, arguments)
        cannot = opcode not in (Opcode.READ, Opcode.BLANK, Opcode.PROGRAM)
        # An operation that the device has no capability for may be refused for that at once.
        wanted = (Status.SUPPLY_NOT_SET, Status.CANNOT) if cannot else (Status.SUPPLY_NOT_SET,)
        desk.expect_status(answer, *wanted)
    desk.lost_part()
    desk.ask(Opcode.SETUP, struct.pack("<IHH", desk.new_work(), 100, 0) + bytes(10))
    for opcode, arguments in asked.items():
        desk.expect_status(desk.ask(opcode, arguments), Status.NO_SETUP)


@check("D27", level=Level.WIRE)
def discharge_needs_nothing(desk: Desk) -> None:
    """SUPPLY discharge is OK without a part, and with nothing to take off."""
    desk.lost_part()
    desk.ask(Opcode.SETUP, struct.pack("<IHH", desk.new_work(), 100, 0) + bytes(10))
    answer = desk.ask(Opcode.SUPPLY, bytes(5), within_s=desk.stop_s)
    desk.expect_status(answer, Status.OK, look="It is the way out: nothing may stand in it.")
