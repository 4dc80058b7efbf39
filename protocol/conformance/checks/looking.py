"""READ, BLANK, DIGEST, CONTACT and IDENTIFY with VCC on (D28, D33, D34, D36)."""

import struct
import zlib

from protocol.conformance.check import Failed, Level, Needs, NotApplicable, check
from protocol.conformance.desk import Desk
from protocol.conformance.part import SIGNATURE
from protocol.conformance.setting import Socket
from protocol.wire import Capability, Kind, Mode, Opcode, Status

_SHARE_WORDS = 700


def read_words(desk: Desk, address: int, count: int, block: int) -> bytes:
    """Read a range and return its bytes. Blocks, count and CRC must be right (D34)."""
    number = desk.request(Opcode.READ, desk.read_arguments(address, count, block=block))
    answer = desk.result(number, Opcode.READ, within_s=desk.answer_s * 4)
    desk.expect_status(answer, Status.OK)
    blocks = [each for each in desk.link.inbox if each.kind is Kind.DATA and each.number == number]
    desk.link.forget()
    size = count * desk.trial.word_bytes
    sizes = [min(block, size - at) for at in range(0, size, block)]
    told = [(int.from_bytes(each.content[:2], "little"), len(each.content) - 2) for each in blocks]
    if told != list(enumerate(sizes)):
        raise Failed(f"blocks numbered from 0, of {sizes} bytes", str(told), requirement="D34")
    data = b"".join(each.content[2:] for each in blocks)
    words, crc = struct.unpack_from("<II", answer.detail)
    if words != count or crc != zlib.crc32(data):
        raise Failed(
            f"{count} words with the CRC {zlib.crc32(data):08x}", f"{words} words, {crc:08x}",
            "The CRC is over the bytes of all blocks, the low byte of each word first.", requirement="D34",
        )  # fmt: skip
    return data


@check("D34", level=Level.READS, needs=Needs.VCC)
def reads_in_blocks(desk: Desk) -> None:
    """READ streams blocks numbered from 0, then count and CRC of all bytes."""
    trial = desk.trial
    desk.read_supplies()
    most = desk.told.max_payload // trial.word_bytes * trial.word_bytes
    count = min(_SHARE_WORDS, trial.words)
    for block in (most, 64, trial.word_bytes * 3):
        read_words(desk, 0, min(count, block * 30), block)
    read_words(desk, trial.words - 1, 1, most)
    desk.discharge()


@check("D5", "D17", level=Level.READS, needs=Needs.VCC)
def a_read_can_be_stopped(desk: Desk) -> None:
    """ABORT and HELLO in the middle of a READ: nothing of it comes after the answer but its result."""
    for words, requirement in (("ABORT", "D17"), ("HELLO", "D5")):
        desk.read_supplies()
        number, session = desk.number, desk.session
        read = desk.request_frame(Opcode.READ, desk.read_arguments(0, desk.trial.words))
        desk.link.send(read)
        if words == "ABORT":
            desk.ask_control(Opcode.ABORT, within_s=desk.stop_s)
        else:
            desk.greet()
        desk.link.inbox = [each for each in desk.link.inbox if each.at_s >= desk.link.now_s()]
        late = desk.link.listen(desk.quiet_s)
        data = [each for each in late if each.kind is Kind.DATA and each.session == session]
        if data:
            raise Failed(
                f"no DATA after the answer to {words}", f"{len(data)} blocks", requirement=requirement
            )
        results = [each for each in late if each.kind is Kind.RESULT and each.session == session]
        if words == "HELLO" and results:
            raise Failed("no result of the session before", f"RESULT {number}", requirement="D5")


@check("D34", level=Level.READS, needs=Needs.VCC)
def blank_and_digest_agree(desk: Desk) -> None:
    """With a chip, BLANK and DIGEST say the same of it as READ does."""
    trial = desk.trial
    if desk.setting.socket is not Socket.SACRIFICIAL:
        desk.read_supplies()
        blank = desk.ok(Opcode.BLANK, desk.read_arguments(0, 64)[:-2])
        bits, first = struct.unpack_from("<II", blank.detail)
        if (bits == 0) != (first == 0xFFFFFFFF):
            raise Failed("a first address exactly where bits differ", f"{bits} bits, {first:#x}")
        return
    desk.read_supplies()
    count = min(_SHARE_WORDS, trial.words)
    data = read_words(desk, 0, count, 64)
    words = [data[at : at + trial.word_bytes] for at in range(0, len(data), trial.word_bytes)]
    differing = [int.from_bytes(word, "little") ^ trial.blank for word in words]
    wanted = sum(value.bit_count() for value in differing)
    blank = desk.ok(Opcode.BLANK, desk.read_arguments(0, count)[:-2], within_s=desk.answer_s * 2)
    bits, first, got = struct.unpack_from("<IIH", blank.detail)
    place = next((at for at, value in enumerate(differing) if value), 0xFFFFFFFF)
    there = 0 if place == 0xFFFFFFFF else differing[place] ^ trial.blank
    if (bits, first, got) != (wanted, place, there):
        raise Failed(f"{wanted} bits, first at {place:#x} with {there:#x}", f"{bits}, {first:#x}, {got:#x}")
    if Capability.DIGEST & desk.told.capabilities:
        digest = desk.ok(Opcode.DIGEST, desk.read_arguments(0, count)[:-2], within_s=desk.answer_s * 2)
        if digest.detail != zlib.crc32(data).to_bytes(4, "little"):
            raise Failed(f"the digest {zlib.crc32(data):08x}", digest.detail[::-1].hex())


@check("D28", level=Level.READS, needs=Needs.VCC)
def at_the_vcc_that_is_set(desk: Desk) -> None:
    """READ, BLANK and DIGEST at another VCC are refused, and in modes that they must not use."""
    trial = desk.trial
    desk.read_supplies()
    opcodes = [Opcode.READ, Opcode.BLANK]
    if Capability.DIGEST & desk.told.capabilities:
        opcodes.append(Opcode.DIGEST)
    for opcode in opcodes:
        cut = None if opcode is Opcode.READ else -2
        for away_mv in (-1, 1, -500):
            arguments = desk.read_arguments(0, 1, vcc_mv=trial.vcc_read_mv + away_mv)[:cut]
            look = "The VCC is compared with what was asked for, to the mV."
            desk.expect_status(desk.ask(opcode, arguments), Status.SUPPLY_NOT_SET, look=look)
        for mode in (Mode.PROGRAM, Mode.WRITE, Mode.ERASE, Mode.STANDBY):
            answer = desk.ask(opcode, desk.read_arguments(0, 1, mode=mode)[:cut])
            desk.expect_status(answer, Status.CANNOT, look=f"Mode {mode.name} is for no look.")
    desk.discharge()


@check("D33", level=Level.READS, needs=Needs.VCC)
def ranges_end(desk: Desk) -> None:
    """What lies outside the part, and a count of 0, is refused with OUT_OF_RANGE."""
    trial = desk.trial
    desk.read_supplies()
    for address, count in (
        (0, 0),
        (trial.words, 1),
        (trial.words - 1, 2),
        (0, trial.words + 1),
        (0xFFFFFFFF, 2),
        (1, 0xFFFFFFFF),
    ):
        for opcode, cut in ((Opcode.READ, None), (Opcode.BLANK, -2)):
            answer = desk.ask(opcode, desk.read_arguments(address, count)[:cut])
            look = f"{count} words from {address:#x} of {trial.words}: mind the sum that overflows."
            desk.expect_status(answer, Status.OUT_OF_RANGE, look=look)
            desk.link.forget()
    desk.discharge()


@check("D32", level=Level.READS, needs=Needs.VCC)
def block_sizes(desk: Desk) -> None:
    """A READ with blocks larger than `max_payload`, or of no words, is refused with OUT_OF_RANGE."""
    desk.read_supplies()
    for block in (0, desk.told.max_payload + desk.trial.word_bytes, 0xFFFE):
        arguments = desk.read_arguments(0, 1)[:-2] + block.to_bytes(2, "little")
        answer = desk.ask(Opcode.READ, arguments)
        desk.expect_status(answer, Status.OUT_OF_RANGE, look=f"Blocks of {block} bytes.")
        desk.link.forget()
    desk.discharge()


@check("D14", "D33", level=Level.READS, needs=Needs.VCC)
def without_the_capability(desk: Desk) -> None:
    """Operations that the device has no capability for complete with CANNOT."""
    told = desk.told.capabilities
    asked = {
        Opcode.DIGEST: (Capability.DIGEST, desk.read_arguments(0, 1)[:-2]),
        Opcode.FILL: (Capability.FILL, struct.pack("<HIIBH", 1, 0, 1, desk.trial.full_pass, 0)),
        Opcode.COPY: (Capability.COPY, struct.pack("<HIIBI", 1, 0, 1, desk.trial.full_pass, 0)),
    }
    missing = {opcode: given for opcode, (flag, given) in asked.items() if not flag & told}
    if not missing and Capability.CONTACT & told:
        raise NotApplicable("it has all of them")
    if not Capability.CONTACT & told:
        desk.expect_status(desk.ask(Opcode.CONTACT), Status.CANNOT, requirement="D14")
    desk.read_supplies()
    for opcode, arguments in missing.items():
        desk.expect_status(desk.ask(opcode, arguments), Status.CANNOT)
    desk.discharge()


@check("D36", level=Level.READS, needs=Needs.VCC)
def pin_check(desk: Desk) -> None:
    """CONTACT tells a state of each socket pin, with the supplies off before and after."""
    if not Capability.CONTACT & desk.told.capabilities:
        raise NotApplicable("it cannot check pins")
    answer = desk.ok(Opcode.CONTACT, within_s=desk.answer_s * 2)
    pins = answer.detail[0]
    size = 1 + (pins + 1) // 2
    if pins != desk.told.socket_pins or len(answer.detail) < size:
        raise Failed(f"{desk.told.socket_pins} pins, four bits each", answer.detail.hex(" "))
    states = [answer.detail[1 + pin // 2] >> 4 * (pin % 2) & 15 for pin in range(pins)]
    if strange := {state for state in states if state not in (0, 1, 2, 3, 4, 5, 15)}:
        raise Failed("states 0 to 5, or 15", str(sorted(strange)))
    if desk.standing().energised:
        raise Failed("supplies off", "energised")
    found = sum(state == 1 for state in states)
    if desk.setting.socket is Socket.EMPTY and found:
        raise Failed("no chip at any pin of an empty socket", f"{found} pins with a chip")
    if desk.setting.socket is Socket.SACRIFICIAL and not found:
        raise Failed("a chip at some pin", "none")


@check("D36", level=Level.READS, needs=Needs.VCC)
def identify_without_method(desk: Desk) -> None:
    """IDENTIFY of a part without a signature completes with CANNOT."""
    records = tuple(each for each in desk.trial.records if each[0] != SIGNATURE)
    answer = desk.upload(b"".join(bytes((tag, len(value))) + value for tag, value in records))
    desk.expect_status(answer, Status.OK, requirement="D22")
    desk.apply_to_other(desk.trial.vcc_read_mv)
    desk.expect_status(desk.ask(Opcode.IDENTIFY), Status.CANNOT)
    desk.discharge()


@check("D36", level=Level.READS, needs=Needs.VCC)
def identify_looks_first(desk: Desk) -> None:
    """IDENTIFY by ID voltage is refused with WRONG_STATE before the first look at the part."""
    if not Capability.ID_VOLTAGE & desk.told.capabilities or desk.setting.socket is not Socket.EMPTY:
        raise NotApplicable("it has no ID voltage, or a chip in the socket that may not stand it")
    own = desk.told.id
    id_mv = min(max(12000, own.minimum_mv), own.maximum_mv)
    trial = desk.trial
    supplies = bytearray(trial.value(7))
    struct.pack_into("<H", supplies, 10, id_mv)
    struct.pack_into("<H", supplies, 20, id_mv + own.tolerance_mv + 500)
    records = [each for each in trial.with_value(7, bytes(supplies)) if each[0] != SIGNATURE]
    read = trial.records[trial.place(0x10, Mode.READ)][1]
    records += [(SIGNATURE, struct.pack("<BII", 1, 0, 1)), (0x10, bytes((Mode.SIGNATURE,)) + read[1:])]
    records.sort(key=lambda each: each[0])
    answer = desk.upload(b"".join(bytes((tag, len(value))) + value for tag, value in records))
    desk.expect_status(answer, Status.OK, requirement="D22")
    desk.apply_to_other(desk.trial.vcc_read_mv)
    look = "The ID voltage can kill parts that have no signature: a READ, BLANK or DIGEST comes first."
    desk.expect_status(desk.ask(Opcode.IDENTIFY), Status.WRONG_STATE, look=look)
    desk.ok(Opcode.READ, desk.read_arguments(0, 1))
    desk.expect_status(desk.ask(Opcode.IDENTIFY, within_s=desk.answer_s * 3), Status.OK)
    desk.discharge()
