import errno
import os
import socket
import stat
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.errors import BenchError, Code
from daemon.transport.base import PortKind, Transport
from daemon.transport.choose import transport_for
from daemon.transport.port_errors import explain_open_failure, explain_text, port_permission
from daemon.transport.serial_port import TimedSerialTransport, serial_transport
from tests.daemon.transport.contract import PATIENCE_S, Bench, TransportContract

posix = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals with a path")
linux = pytest.mark.skipif(sys.platform != "linux", reason="reads what only Linux tells")


class PtyBench:
    virtual = False

    def __init__(self, make: Callable[[str], Transport]) -> None:
        self._master, self._slave = os.openpty()
        self.path = os.ttyname(self._slave)
        self.transport = make(self.path)
        self._senders: list[threading.Thread] = []

    def peer_sends(self, data: bytes) -> None:
        sender = threading.Thread(target=self._send, args=(data,))
        sender.start()
        self._senders.append(sender)

    def peer_received(self, size: int) -> bytes:
        data = bytearray()
        while len(data) < size:
            data += os.read(self._master, size - len(data))
        return bytes(data)

    def vanish(self) -> None:
        os.close(self._master)
        os.close(self._slave)
        self._master = -1

    def end(self) -> None:
        self.transport.close()
        for sender in self._senders:
            sender.join(PATIENCE_S)
        if self._master >= 0:
            self.vanish()

    def _send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._master, data) :]


def quick(path: str) -> Transport:
    return serial_transport(path, baud=115_200)


def timed(path: str) -> Transport:
    return TimedSerialTransport(path, baud=115_200)


@pytest.fixture
def pty() -> Iterator[PtyBench]:
    bench = PtyBench(quick)
    yield bench
    bench.end()


@posix
class TestSerialContract(TransportContract):
    @pytest.fixture
    def bench(self, pty: PtyBench) -> Bench:
        return pty


@posix
class TestTimedSerialContract(TransportContract):
    """The way that Windows needs, held to the same contract on a pseudo-terminal."""

    @pytest.fixture
    def bench(self) -> Iterator[Bench]:
        bench = PtyBench(timed)
        yield bench
        bench.end()


@posix
@pytest.mark.parametrize("make", [quick, timed])
def test_what_came_before_opening_is_dropped(make: Callable[[str], Transport]) -> None:
    bench = PtyBench(make)
    bench.transport.open()  # sets raw mode, so that the next bytes are kept without a line end
    bench.transport.close()
    bench._send(b"stale")
    bench.transport.open()
    assert bench.transport.read(0.02) == b""
    bench.end()


@posix
@pytest.mark.parametrize("make", [quick, timed])
def test_a_far_end_that_takes_nothing_times_the_write_out(make: Callable[[str], Transport]) -> None:
    bench = PtyBench(make)
    transport = type(bench.transport)(bench.path, baud=10_000_000, write_timeout_s=0.03)  # type: ignore[call-arg]
    transport.open()
    with pytest.raises(BenchError) as caught:
        transport.write(bytes(100_000))
    assert caught.value.code is Code.PORT_WRITE_TIMEOUT
    assert 0 < caught.value.details["unsent_bytes"] <= 100_000
    transport.close()  # does not wait for what nobody takes
    bench.end()


@posix
def test_a_slow_line_is_given_the_time_it_needs(pty: PtyBench) -> None:
    transport = serial_transport(pty.path, baud=9600, write_timeout_s=0.0)
    transport.open()
    reader = threading.Timer(0.05, pty.peer_received, args=(20_000,))
    reader.start()
    transport.write(bytes(20_000))  # more than the system holds; 20.8 s at 9600 baud
    reader.join(PATIENCE_S)
    transport.close()


@posix
def test_a_port_in_use_by_this_program(pty: PtyBench) -> None:
    pty.transport.open()
    second = quick(pty.path)
    with pytest.raises(BenchError) as caught:
        second.open()
    assert caught.value.code is Code.PORT_BUSY
    assert not second.is_open
    if sys.platform == "linux":
        assert caught.value.details["pid"] == os.getpid()
        assert "this program itself" in caught.value.message
    pty.transport.close()
    second.open()
    second.close()


@linux
def test_a_port_in_use_by_another_program_is_named_with_its_process(pty: PtyBench) -> None:
    script = "import fcntl, os, sys; f = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); "
    script += "fcntl.flock(f, fcntl.LOCK_EX); print('locked', flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", script, pty.path], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"locked\n"
        with pytest.raises(BenchError) as caught:
            pty.transport.open()
        holder.communicate()
    assert caught.value.code is Code.PORT_BUSY
    assert caught.value.details["pid"] == holder.pid
    assert str(holder.pid) in caught.value.message
    pty.transport.open()


@linux
def test_a_port_without_permission_names_the_group_and_what_to_do(pty: PtyBench) -> None:
    """A real refusal: as root by giving up root for a moment, else by taking the rights from our own port."""
    pty.transport.open()  # loads all that is needed while we may read it
    pty.transport.close()
    mode = stat.S_IMODE(os.stat(pty.path).st_mode)
    root = os.geteuid() == 0
    os.chmod(pty.path, 0o600 if root else 0)
    if root:
        os.seteuid(65_534)
    try:
        with pytest.raises(BenchError) as caught:
            pty.transport.open()
    finally:
        if root:
            os.seteuid(0)
        os.chmod(pty.path, mode)
    assert caught.value.code is Code.PORT_PERMISSION
    assert caught.value.details["mode"].startswith("c")
    assert "udev rule" in caught.value.hint  # no group has rights here
    pty.transport.open()


@linux
def test_the_hint_gives_the_command_where_a_group_has_rights(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import grp

    node = tmp_path / "ttyUSB0"
    node.touch(mode=0o660)
    node.chmod(0o660)
    # The operating system's group table is the boundary: this machine may have no such group.
    monkeypatch.setattr(grp, "getgrgid", lambda gid: grp.struct_group(("dialout", "x", gid, [])))
    error = port_permission(str(node))
    assert error.hint == "Run `sudo usermod -aG dialout $USER`, then log out and in again."
    assert error.details == {"path": str(node), "group": "dialout", "mode": "-rw-rw----"}


@linux
def test_the_hint_knows_a_group_that_takes_effect_at_the_next_login(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import grp
    import pwd

    node = tmp_path / "ttyUSB0"
    node.touch()
    node.chmod(0o660)
    me = pwd.getpwuid(os.geteuid()).pw_name
    monkeypatch.setattr(grp, "getgrgid", lambda gid: grp.struct_group(("dialout", "x", gid, [me])))
    assert "log out and in again" in port_permission(str(node)).hint
    assert "usermod" not in port_permission(str(node)).hint


@posix
def test_names_with_nothing_or_the_wrong_thing_behind_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)  # a socket's name must be short
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind("sock")
    file = tmp_path / "notes.txt"
    file.write_bytes(b"keep me")
    os.mkfifo(tmp_path / "pipe")
    for path, code in (
        (tmp_path / "ttyUSB9", Code.PORT_MISSING),
        (file / "below", Code.PORT_MISSING),
        (file, Code.PORT_UNUSABLE),
        (tmp_path, Code.PORT_UNUSABLE),
        (tmp_path / "pipe", Code.PORT_UNUSABLE),
        (tmp_path / "sock", Code.PORT_UNUSABLE),
        (Path("/dev/null"), Code.PORT_UNUSABLE),
        (Path("bad\0name"), Code.PORT_MISSING),
    ):
        for make in (quick, timed):
            transport = make(str(path))
            with pytest.raises(BenchError) as caught:
                transport.open()
            assert caught.value.code is code, path
            assert not transport.is_open
    assert file.read_bytes() == b"keep me"


@posix
@pytest.mark.parametrize("path", ["spy://{}?file={}", "socket://localhost:1", "loop://", "alt://{}?class=x"])
def test_a_url_is_only_a_name_with_nothing_behind_it(path: str, tmp_path: Path, pty: PtyBench) -> None:
    target = tmp_path / "written"
    with pytest.raises(BenchError) as caught:
        transport_for(PortKind.SERIAL, path.format(pty.path, target), baud=9600).open()
    assert caught.value.code is Code.PORT_MISSING
    assert not target.exists()


@posix
def test_a_speed_that_no_port_has(pty: PtyBench) -> None:
    with pytest.raises(BenchError) as caught:
        serial_transport(pty.path, baud=-1).open()
    assert caught.value.code is Code.PORT_UNUSABLE


@posix
def test_the_control_lines_stay_up_when_the_port_is_closed(pty: PtyBench) -> None:
    import termios

    attributes = termios.tcgetattr(pty._slave)
    attributes[2] |= termios.HUPCL
    termios.tcsetattr(pty._slave, termios.TCSANOW, attributes)
    pty.transport.open()
    assert not termios.tcgetattr(pty._slave)[2] & termios.HUPCL
    assert not termios.tcgetattr(pty._slave)[3] & (termios.ECHO | termios.ICANON | termios.ISIG)


@pytest.mark.parametrize(
    ("number", "code"),
    [
        (errno.ENOENT, Code.PORT_MISSING),
        (errno.ENXIO, Code.PORT_MISSING),
        (errno.EACCES, Code.PORT_PERMISSION),
        (errno.EPERM, Code.PORT_PERMISSION),
        (errno.EBUSY, Code.PORT_BUSY),
        (errno.EAGAIN, Code.PORT_BUSY),
        (errno.EINVAL, Code.PORT_UNUSABLE),
    ],
)
def test_the_systems_error_numbers(number: int, code: Code) -> None:
    assert explain_open_failure("/dev/ttyX", OSError(number, "text")).code is code


def test_a_number_is_found_in_what_caused_an_error_without_one() -> None:
    error = OSError("Could not configure port")
    error.__context__ = OSError(errno.EBUSY, "busy")
    assert explain_open_failure("/dev/ttyX", error).code is Code.PORT_BUSY


@pytest.mark.parametrize(
    ("text", "code"),
    [  # pyserial's texts on Windows, from memory
        (
            "could not open port 'COM9': FileNotFoundError(2, 'The system cannot find the file.', None, 2)",
            Code.PORT_MISSING,
        ),
        ("could not open port 'COM4': PermissionError(13, 'Access is denied.', None, 5)", Code.PORT_BUSY),
        (
            "Cannot configure port, something went wrong. OSError(22, 'Parameter incorrect.', None, 87)",
            Code.PORT_UNUSABLE,
        ),
    ],
)
def test_windows_texts(text: str, code: Code) -> None:
    assert explain_text("COM9", text).code is code
