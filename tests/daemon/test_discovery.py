import logging
import os
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from serial.tools.list_ports_common import ListPortInfo

from daemon.clock import ManualClock
from daemon.discovery import Candidate, PortEnumerator, PortWatcher, enumerate_ports
from daemon.discovery.failures import SUMMARY_S
from daemon.transport.base import PortKind
from daemon.transport.usb_ports import UsbPort

PATIENCE_S = 5.0
posix = pytest.mark.skipif(sys.platform == "win32", reason="paths and links of POSIX")


@dataclass(frozen=True)
class Chosen:
    ports: tuple[str, ...] = ()
    discover_serial: bool = True
    discover_usb: bool = True


def listed(device: str, **facts: object) -> ListPortInfo:
    info = ListPortInfo(device)
    for name, value in facts.items():
        assert hasattr(info, name)
        setattr(info, name, value)
    return info


ADAPTER = listed(
    "/dev/ttyUSB0", vid=0x1209, pid=2, serial_number="A1", location="1-2", description="Tern link"
)
BUILT_IN = listed("/dev/ttyS0", description="ttyS0")
BLUETOOTH = listed("/dev/rfcomm0")
MODEM = listed("/dev/ttyACM3", vid=0x1209, pid=3, product="Mobile Modem")
MODEM_PART = listed("/dev/ttyACM4", vid=0x1209, pid=3, product="Board", interface="modem commands")
BULK = UsbPort("usb:1-4/0", "1-4", 0x1209, 7, "B2", "Tern programmer", 0, 0x81, 2)


@dataclass
class UsbList:
    ports: list[UsbPort] = field(default_factory=lambda: [BULK])
    error: Exception | None = None
    scans: int = 0

    def scan(self) -> list[UsbPort]:
        self.scans += 1
        if self.error is not None:
            raise self.error
        return self.ports


def lister(
    tmp_path: Path, settings: Chosen, *infos: ListPortInfo, usb: UsbList | None = None
) -> PortEnumerator:
    return PortEnumerator(
        settings, comports=lambda: infos, usb=usb or UsbList([]), by_path=tmp_path / "by-path"
    )


def test_by_default_only_usb_adapters_count(tmp_path: Path) -> None:
    everything = (BUILT_IN, ADAPTER, BLUETOOTH, MODEM, MODEM_PART)
    (found,) = lister(tmp_path, Chosen(), *everything)()
    assert found == Candidate("/dev/ttyUSB0", PortKind.SERIAL, "A1", 0x1209, 2, "Tern link", "usb-1-2")


def test_a_named_port_counts_whatever_it_is(tmp_path: Path) -> None:
    names = (BUILT_IN.device, MODEM.device)
    found = lister(tmp_path, Chosen(ports=names, discover_serial=False), BUILT_IN, ADAPTER, MODEM)()
    assert [candidate.path for candidate in found] == list(names)
    assert found[1].pid == 3  # what the system knows of it comes along


@posix
def test_a_port_named_by_a_link_is_listed_once_and_under_its_name(tmp_path: Path) -> None:
    device = tmp_path / "ttyUSB7"
    device.touch()
    link = tmp_path / "my-programmer"
    link.symlink_to(device)
    adapter = listed(str(device), vid=1, pid=2, serial_number="S")
    for names in ((str(link),), (str(link), str(device), str(link))):
        (found,) = lister(tmp_path, Chosen(ports=names), adapter)()
        assert (found.path, found.usb_serial) == (str(link), "S")


@posix
def test_a_named_port_that_no_list_has_counts_while_it_exists(tmp_path: Path) -> None:
    master, slave = os.openpty()
    name = os.ttyname(slave)
    enumerator = lister(tmp_path, Chosen(ports=(name, str(tmp_path / "absent"))))
    assert enumerator() == [Candidate(name, PortKind.SERIAL, description="serial port")]
    os.close(slave)
    os.close(master)
    assert enumerator() == []


def test_a_named_tcp_port_always_counts_and_is_not_connected_to(tmp_path: Path) -> None:
    settings = Chosen(ports=("tcp://127.0.0.1:1",), discover_serial=False, discover_usb=False)
    (found,) = lister(tmp_path, settings)()
    assert (found.kind, found.path) == (PortKind.TCP, "tcp://127.0.0.1:1")


@posix
def test_the_socket_a_port_is_plugged_into_comes_from_the_systems_links(tmp_path: Path) -> None:
    devices = [tmp_path / "ttyUSB0", tmp_path / "ttyUSB1"]
    folder = tmp_path / "by-path"
    folder.mkdir()
    for number, device in enumerate(devices):
        device.touch()
        (folder / f"pci-0000:00:14.0-usb-0:{number}:1.0-port0").symlink_to(device)
        (folder / f"pci-0000:00:14.0-usbv2-0:{number}:1.0-port0").symlink_to(device)
    twins = [listed(str(device), vid=1, pid=2) for device in devices]
    found = lister(tmp_path, Chosen(), *twins)()
    assert [candidate.physical_path for candidate in found] == [
        "pci-0000:00:14.0-usb-0:0:1.0-port0",
        "pci-0000:00:14.0-usb-0:1:1.0-port0",
    ]


def test_usb_devices_with_our_interface(tmp_path: Path) -> None:
    expected = Candidate("usb:1-4/0", PortKind.USB, "B2", 0x1209, 7, "Tern programmer", "1-4")
    assert lister(tmp_path, Chosen(), usb=UsbList())() == [expected]
    named = Chosen(ports=("usb:1-4/0", "usb:9-9/0"), discover_usb=False)
    assert lister(tmp_path, named, usb=UsbList())() == [expected]
    unwanted = UsbList()
    assert lister(tmp_path, Chosen(discover_usb=False), usb=unwanted)() == []
    assert unwanted.scans == 0


def test_a_source_that_fails_takes_nothing_away(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    usb = UsbList()
    enumerator = lister(tmp_path, Chosen(), ADAPTER, usb=usb)
    before = enumerator()
    assert len(before) == 2
    usb.error = OSError("the bus is ill")
    for _ in range(3):
        assert enumerator() == before
    usb.error, usb.ports = None, []
    assert [candidate.path for candidate in enumerator()] == ["/dev/ttyUSB0"]
    assert [record.levelname for record in caplog.records if "bus is ill" in record.getMessage()] == [
        "WARNING"
    ]


def test_listing_this_machine_for_real() -> None:
    for candidate in enumerate_ports(Chosen()):
        assert candidate.kind is not PortKind.TCP
        assert candidate.vid is not None


class World:
    """Ports that tests plug in and out, and a log of what the watcher says."""

    def __init__(self) -> None:
        self.there: list[Candidate] = []
        self.error: Exception | None = None
        self.said: list[tuple[str, Candidate]] = []
        self.clock = ManualClock()
        self.watcher = PortWatcher(
            lambda candidate: self.said.append(("+", candidate)),
            lambda candidate: self.said.append(("-", candidate)),
            enumerate=self.look,
            clock=self.clock,
        )

    def look(self) -> list[Candidate]:
        if self.error is not None:
            raise self.error
        return list(self.there)

    def heard(self) -> list[tuple[str, Candidate]]:
        self.watcher.poll()
        said, self.said = self.said, []
        return said


A = Candidate("/dev/ttyUSB0", PortKind.SERIAL, usb_serial="A")
B = Candidate("/dev/ttyUSB0", PortKind.SERIAL, usb_serial="B")
C = Candidate("/dev/ttyUSB1", PortKind.SERIAL)


def test_what_comes_and_goes_is_said_once() -> None:
    world = World()
    assert world.heard() == []
    world.there = [A, C]
    assert world.heard() == [("+", A), ("+", C)]
    assert world.heard() == []
    assert world.watcher.present == (A, C)
    world.there = [C]
    assert world.heard() == [("-", A)]
    world.there = [A, C]
    assert world.heard() == [("+", A)]


def test_another_device_under_the_same_name_is_a_change() -> None:
    world = World()
    world.there = [A]
    world.heard()
    world.there = [B]
    assert world.heard() == [("-", A), ("+", B)]


def test_learning_more_about_a_port_is_no_change() -> None:
    world = World()
    bare = Candidate("/dev/ttyUSB0", PortKind.SERIAL)
    world.there = [bare]
    world.heard()
    for better in (A, Candidate("/dev/ttyUSB0", PortKind.SERIAL, "A", 1, 2, "words", "pci-1")):
        world.there = [better]
        assert world.heard() == []
    world.there = [B]
    assert [sign for sign, _ in world.heard()] == ["-", "+"]


def test_a_forgotten_port_is_said_again_and_an_absent_one_is_not() -> None:
    world = World()
    world.there = [A, C]
    world.heard()
    world.watcher.forget(A.path)
    world.watcher.forget("/dev/nothing")
    assert world.watcher.present == (C,)
    assert world.heard() == [("+", A)]
    world.watcher.forget(A.path)
    world.there = [C]
    assert world.heard() == []


def test_a_failing_look_is_logged_once_then_summed_up(caplog: pytest.LogCaptureFixture) -> None:
    world = World()
    world.there = [A]
    world.heard()
    world.error = OSError("no permission to look")
    with caplog.at_level(logging.INFO):
        for _ in range(100):
            assert world.heard() == []
            world.clock.advance_s(1.0)
        assert len(caplog.records) == 1
        assert "no permission to look" in caplog.text
        world.clock.advance_s(SUMMARY_S)
        world.heard()
        assert len(caplog.records) == 2
        assert "101 times" in caplog.text
        world.error = None
        world.there = []
        assert world.heard() == [("-", A)]  # nothing was believed gone meanwhile
        assert "works again" in caplog.text


def test_what_a_callback_raises_changes_nothing(caplog: pytest.LogCaptureFixture) -> None:
    told: list[str] = []

    def clumsy(candidate: Candidate) -> None:
        told.append(candidate.path)
        raise ValueError("oops")

    watcher = PortWatcher(clumsy, clumsy, enumerate=lambda: [A, C])
    watcher.poll()
    watcher.poll()
    assert told == [A.path, C.path]
    assert caplog.text.count("ValueError: oops") == 2


@pytest.fixture
def running() -> Iterator[Callable[[PortWatcher], None]]:
    started: list[PortWatcher] = []

    def start(watcher: PortWatcher) -> None:
        started.append(watcher)
        watcher.start()

    yield start
    for watcher in started:
        watcher.stop()


def test_the_thread_looks_at_once_and_again_and_stops(running: Callable[[PortWatcher], None]) -> None:
    looked, appeared = threading.Event(), threading.Event()
    looks: list[int] = []
    threads: set[str] = set()

    def look() -> list[Candidate]:
        looks.append(threading.get_ident())
        if len(looks) >= 3:
            looked.set()
        return [A]

    def tell(candidate: Candidate) -> None:
        threads.add(threading.current_thread().name)
        appeared.set()

    watcher = PortWatcher(tell, lambda _: None, enumerate=look, interval_s=0.001)
    running(watcher)
    watcher.start()  # once is enough
    assert appeared.wait(PATIENCE_S)
    assert looked.wait(PATIENCE_S)
    watcher.stop()
    watcher.stop()
    assert not [thread for thread in threading.enumerate() if thread.name == "port-watcher"]
    assert threading.get_ident() not in looks
    assert len(set(looks)) == 1
    assert threads == {"port-watcher"}
    appeared.clear()
    watcher.start()  # a new start says again what is there
    assert appeared.wait(PATIENCE_S)


def test_stop_does_not_wait_for_the_interval(running: Callable[[PortWatcher], None]) -> None:
    looked = threading.Event()
    watcher = PortWatcher(lambda _: looked.set(), lambda _: None, enumerate=lambda: [A], interval_s=3600.0)
    running(watcher)
    assert looked.wait(PATIENCE_S)
    watcher.stop()
    assert not [thread for thread in threading.enumerate() if thread.name == "port-watcher"]


def test_a_look_that_hangs_is_given_up_and_says_nothing_later(
    running: Callable[[PortWatcher], None], caplog: pytest.LogCaptureFixture
) -> None:
    entered, release = threading.Event(), threading.Event()
    told: list[Candidate] = []

    def hang() -> list[Candidate]:
        entered.set()
        assert release.wait(PATIENCE_S)
        return [A]

    watcher = PortWatcher(told.append, told.append, enumerate=hang, patience_s=0.01)
    running(watcher)
    assert entered.wait(PATIENCE_S)
    (thread,) = [thread for thread in threading.enumerate() if thread.name == "port-watcher"]
    watcher.stop()
    assert "hangs" in caplog.text
    assert thread.is_alive()
    release.set()
    thread.join(PATIENCE_S)
    assert not thread.is_alive()
    assert told == []
    assert watcher.present == ()
