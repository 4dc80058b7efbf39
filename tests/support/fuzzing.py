"""What is fed with any bytes at all: every door by which strangers' bytes come in.

Each target takes bytes and returns; anything it raises is a finding. Where a checksum would stop every random
byte at the door, the bytes say which *sound* frames to send, so that what is behind it is reached, too.
"""

import atexit
import contextlib
import io
import shutil
import tempfile
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

from daemon.adapters.files import read_adapter
from daemon.boards.reading import read_board
from daemon.catalogue.loader import packaged_pinouts, packaged_sources
from daemon.catalogue.partfile import read_part
from daemon.catalogue.problems import FileError
from daemon.errors import BenchError
from daemon.images import load
from daemon.images.model import ImageFormat
from daemon.records.archive import Archive
from protocol.descriptor import decode_descriptor, encode_descriptor
from protocol.fields import MalformedError, encode
from protocol.framing import Frame, FrameReader, encode_frame
from protocol.host.link import HostLink
from protocol.host.states import LinkState
from protocol.identity import decode_identity
from protocol.messages import HelloReply, Nothing, Program, Read
from protocol.wire import Kind, Mode, Opcode, Pass
from tests.support.device_rig import Rig

Target = Callable[[bytes], None]

SPAN_MAX = 1 << 20
_OUTPUT_MAX = 1 << 20
_FRAMES_MAX = 40


def frames_of(data: bytes) -> Iterator[bytes]:
    """Read bytes as a script: frames that are sound, and some bytes as they are.

    A piece is: one byte of kind and number, one of session and how it is sent, one of length, the content.
    """
    source = io.BytesIO(data)
    for _ in range(_FRAMES_MAX):
        head = source.read(3)
        if len(head) < 3:
            return
        content = source.read(head[2])
        if head[1] & 0x80:
            yield bytes((head[0],)) + content
        else:
            yield encode_frame(Frame(Kind(head[0] >> 5), head[0] & 31, head[1] & 0x7F, content))


def framing(data: bytes) -> None:
    """Frames out of any stream: the same whole or cut, and never much memory."""
    whole, cut = FrameReader(), FrameReader()
    found = whole.feed(data)
    pieces = [frame for at in range(0, len(data), 7) for frame in cut.feed(data[at : at + 7])]
    assert found == pieces
    assert whole.damaged == cut.damaged <= len(data)


def host_link(data: bytes) -> None:
    """The host's end, open, with requests under way, hearing anything."""
    link = HostLink(nonce=1)
    link.start(0.0)
    hello = HelloReply(1, 1, 0, 7, 64, 4, 300, 1000, b"")
    content = bytes((Opcode.HELLO, 0, 0, 0)) + encode(hello)
    link.receive(encode_frame(Frame(Kind.REPLY, 0, 1, content)), 0.01)
    assert link.state is LinkState.OPEN
    for op in range(1, 4):
        link.submit(Opcode.PROGRAM, Program(op, op, Pass.FULL, b"\x00" * op), 0.02)
    link.submit(Opcode.READ, Read(0, 300, Mode.READ, 5000, 64), 0.02)
    now_s = 0.02
    for piece in frames_of(data):
        now_s += 0.01
        link.receive(piece, now_s)
        link.tick(now_s)
        assert len(link.take_output()) < _OUTPUT_MAX
        link.take_events()
        if link.state is LinkState.OPEN and piece[:1] > b"\x80":
            link.submit(Opcode.MEASURE, Nothing(), now_s)
    link.tick(now_s + 100)


def device(data: bytes) -> None:
    """A whole simulated programmer with a chip, energised or not: link, descriptor, supplies, operations."""
    rig = Rig(last_session=0)
    if data[:1] > b"\x7f":
        rig.ready()
    else:
        rig.hello()
    for piece in frames_of(data[1:]):
        rig.now_s += 0.003
        rig.send_bytes(piece)
    # Nobody speaks any more: the watchdog, one pulse and the discharge are over long before.
    rig.advance(90.0)
    assert rig.off, f"a supply is still on: {rig.rails}"


def descriptor(data: bytes) -> None:
    """A part's descriptor: refused, or read to what is written again the same."""
    with contextlib.suppress(MalformedError):
        part = decode_descriptor(data)
        assert decode_descriptor(encode_descriptor(part)) == part


def identity(data: bytes) -> None:
    """What a device says of itself."""
    with contextlib.suppress(MalformedError):
        decode_identity(data)


def image_of(format: ImageFormat | None) -> Target:
    """Return the target for image files of one format, or of a format to be found."""

    def target(data: bytes) -> None:
        with contextlib.suppress(BenchError):
            loaded = load(data, format=format, max_span_bytes=SPAN_MAX)
            assert loaded.image.span_bytes <= max(SPAN_MAX, len(data))

    return target


def board(data: bytes) -> None:
    """A recipe of a board."""
    with contextlib.suppress(BenchError):
        read_board("fuzz", data.decode("utf-8", "replace"))


def _file(data: bytes, suffix: str) -> Path:
    path = _folder() / f"fuzz{suffix}"
    path.write_bytes(data)
    return path


@cache
def _folder() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="romwright-fuzz-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def part_file(data: bytes) -> None:
    """A user's own part file."""
    with contextlib.suppress(FileError):
        read_part(_file(data, ".toml"), packaged_pinouts(), packaged_sources())


def adapter_file(data: bytes) -> None:
    """A user's own adapter file."""
    with contextlib.suppress(FileError):
        read_adapter(_file(data, ".toml"), packaged_pinouts())


def backup(data: bytes) -> None:
    """A backup."""
    with contextlib.suppress(BenchError), contextlib.closing(Archive(_file(data, ".zip"))) as archive:
        archive.check()


TARGETS: dict[str, Target] = {
    "framing": framing,
    "host-link": host_link,
    "device": device,
    "descriptor": descriptor,
    "identity": identity,
    "image": image_of(None),
    "intel-hex": image_of(ImageFormat.INTEL_HEX),
    "s-record": image_of(ImageFormat.S_RECORD),
    "elf": image_of(ImageFormat.ELF),
    "board": board,
    "part": part_file,
    "adapter": adapter_file,
    "backup": backup,
}
