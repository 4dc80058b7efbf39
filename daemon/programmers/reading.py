"""Reading a range: one small request, a stream of blocks, and asking again for those that were lost."""

from collections.abc import Callable
from dataclasses import dataclass

from daemon.errors import BenchError, Code
from daemon.programmers.session import Session
from protocol.host.events import Completed, DataArrived
from protocol.host.reading import ReadAssembly
from protocol.messages import Read, ReadResult
from protocol.wire import Mode, Opcode, Status

#: Rounds of asking again that may bring nothing: at 5 % damage even one is a rarity.
_FRUITLESS_MAX = 8
#: A chip that disagrees with its own digest this often changes between reads; more tries prove nothing.
_DISAGREEMENTS_MAX = 2


@dataclass(frozen=True, slots=True)
class Stretch:
    """What to read: words, the mode, and the VCC that must be set."""

    address: int
    count: int
    mode: Mode
    vcc_mv: int
    word_bytes: int


@dataclass(frozen=True, slots=True)
class ReadBack:
    """What came back; with a status other than OK the data are not to be used.

    `agrees`: the device's CRC is that of these bytes; else the chip reads differently from time to time.
    """

    data: bytes
    agrees: bool
    status: Status


def read_stretch(
    session: Session, stretch: Stretch, *, timeout_s: float, on_progress: Callable[[int], None]
) -> ReadBack:
    """Read a stretch of words. `on_progress` is told how many bytes of it are here.

    Raises what `Session.stream` raises, and BenchError `link-lost` when blocks never arrive.
    """
    payload = session.hello.max_payload if session.hello else 64
    assembly = ReadAssembly(
        address=stretch.address,
        count=stretch.count,
        word_bytes=stretch.word_bytes,
        mode=stretch.mode,
        vcc_mv=stretch.vcc_mv,
        block_bytes=payload // stretch.word_bytes * stretch.word_bytes,
    )
    total_bytes = stretch.count * stretch.word_bytes
    disagreements = fruitless = 0
    while True:
        missing_before = assembly.missing_bytes
        wanted = assembly.wanted()
        if not wanted:
            return ReadBack(assembly.data, True, Status.OK)
        if missing_before == 0:
            disagreements += 1
            if disagreements == _DISAGREEMENTS_MAX:
                return ReadBack(assembly.data, False, Status.OK)
        missing_before = assembly.missing_bytes
        for read in wanted:
            status = _run(session, assembly, read, timeout_s, lambda left: on_progress(total_bytes - left))
            if status is not Status.OK:
                return ReadBack(b"", False, status)
        fruitless = fruitless + 1 if assembly.missing_bytes == missing_before else 0
        if fruitless == _FRUITLESS_MAX:
            raise BenchError(
                Code.LINK_LOST,
                f"{missing_before:,} bytes of a read never arrive, though short messages do",
                hint="Try a lower baud rate or a shorter cable, and see the link's counters.",
            )


def _run(
    session: Session, assembly: ReadAssembly, read: Read, timeout_s: float, on_missing: Callable[[int], None]
) -> Status:
    """Send one READ and give its blocks to the assembly; return its status."""
    ended: list[Completed] = []

    def arrived(event: DataArrived) -> None:
        if assembly.add(read, event.block, event.data):
            on_missing(assembly.missing_bytes)

    session.stream([(Opcode.READ, read)], ended.append, timeout_s=timeout_s, on_data=arrived)
    if isinstance(ended[0].result, ReadResult):
        assembly.note_result(read, ended[0].result)
    return ended[0].status
