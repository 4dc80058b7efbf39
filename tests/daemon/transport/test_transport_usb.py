import errno
import logging
from collections.abc import Iterator

import pytest

from daemon.errors import BenchError, Code
from daemon.transport import usb_ports
from daemon.transport.usb_bulk import UsbBulkTransport
from daemon.transport.usb_ports import UsbScanner, load_backend
from tests.daemon.transport.contract import Bench, TransportContract, read_all
from tests.daemon.transport.usb_fake import FakeBus, FakeInterface, FakeUsbDevice

PATH = "usb:1-2.4/0"


class UsbBench:
    virtual = False

    def __init__(self) -> None:
        self.device = FakeUsbDevice()
        self.transport = UsbBulkTransport(PATH, backend=FakeBus(self.device))

    def peer_sends(self, data: bytes) -> None:
        self.device.send(data)

    def peer_received(self, size: int) -> bytes:
        return self.device.take(size)

    def vanish(self) -> None:
        self.device.unplug()


@pytest.fixture
def usb() -> Iterator[UsbBench]:
    bench = UsbBench()
    yield bench
    bench.transport.close()
    assert bench.device.handles == 0  # nothing is left open, whatever happened
    assert not bench.device.claimed or bench.device.gone


class TestUsbContract(TransportContract):
    @pytest.fixture
    def bench(self, usb: UsbBench) -> Bench:
        return usb


def test_a_programmer_is_found_with_its_strings_and_place() -> None:
    scanner = UsbScanner(FakeBus(FakeUsbDevice()))
    (port,) = scanner.scan()
    assert port.path == PATH
    assert (port.physical_path, port.vid, port.pid) == ("1-2.4", 0x1209, 0x0001)
    assert (port.usb_serial, port.description) == ("SKERRY-7", "Tern programmer")
    assert (port.endpoint_in, port.endpoint_out) == (0x81, 0x02)


@pytest.mark.parametrize(
    "interface",
    [
        FakeInterface(text="romwright wire 2"),
        FakeInterface(text="something else"),
        FakeInterface(text=None),
        FakeInterface(interface_class=0x0A),  # CDC data, by the USB-IF's list of class codes
        FakeInterface(endpoints=(0x81,)),
        FakeInterface(endpoints=(0x81, 0x82, 0x03)),
        FakeInterface(attributes=3),  # interrupt endpoints
    ],
)
def test_other_devices_are_not_ours(interface: FakeInterface) -> None:
    device = FakeUsbDevice(interfaces=[interface])
    assert UsbScanner(FakeBus(device)).scan() == []
    transport = UsbBulkTransport(PATH, backend=FakeBus(device))
    with pytest.raises(BenchError) as caught:
        transport.open()
    assert caught.value.code is Code.PORT_UNUSABLE
    assert device.handles == 0


def test_the_right_interface_of_several_is_taken() -> None:
    ours = FakeInterface(endpoints=(0x83, 0x04))
    device = FakeUsbDevice(interfaces=[FakeInterface(text="log output"), ours])
    (port,) = UsbScanner(FakeBus(device)).scan()
    assert (port.path, port.interface_number, port.endpoint_in) == ("usb:1-2.4/1", 1, 0x83)


def test_two_alike_are_told_apart_by_their_place() -> None:
    twins = [FakeUsbDevice(address=5, ports=(1,)), FakeUsbDevice(address=6, ports=(2,))]
    assert [port.path for port in UsbScanner(FakeBus(*twins)).scan()] == ["usb:1-1/0", "usb:1-2/0"]
    transport = UsbBulkTransport("usb:1-2/0", backend=FakeBus(*twins))
    transport.open()
    transport.write(b"second")
    assert twins[1].take(6) == b"second"
    transport.close()


def test_a_device_without_serial_number_or_hub_place() -> None:
    (port,) = UsbScanner(FakeBus(FakeUsbDevice(serial=None, product=None, ports=None))).scan()
    assert (port.usb_serial, port.physical_path, port.description) == (None, "1-a5", "USB device")


def test_a_device_is_asked_once_and_forgotten_when_unplugged() -> None:
    device = FakeUsbDevice()
    bus = FakeBus(device, FakeUsbDevice(address=9, ports=(3,), interfaces=[FakeInterface(text="other")]))
    scanner = UsbScanner(bus)
    scanner.scan()
    asked = device.asked
    assert len(scanner.scan()) == 1
    assert device.asked == asked
    device.unplug()
    assert scanner.scan() == []


def test_a_device_that_may_not_be_asked_is_named_once_and_found_when_it_may(
    caplog: pytest.LogCaptureFixture,
) -> None:
    device = FakeUsbDevice()
    device.refuse["open_device"] = errno.EACCES
    scanner = UsbScanner(FakeBus(device))
    with caplog.at_level(logging.INFO):
        assert scanner.scan() == []
        assert scanner.scan() == []
    assert len(caplog.records) == 1
    assert "usb:1-2.4" in caplog.text
    device.refuse.clear()
    assert len(scanner.scan()) == 1


def test_a_device_that_fails_is_let_alone_after_a_few_tries() -> None:
    device = FakeUsbDevice()
    device.refuse["open_device"] = errno.EIO
    scanner = UsbScanner(FakeBus(device))
    for _ in range(10):
        assert scanner.scan() == []
    device.refuse.clear()
    assert scanner.scan() == []
    assert device.asked == 0


@pytest.mark.parametrize(
    ("method", "number", "code"),
    [
        ("open_device", errno.EACCES, Code.PORT_PERMISSION),
        ("claim_interface", errno.EACCES, Code.PORT_PERMISSION),
        ("claim_interface", errno.EBUSY, Code.PORT_BUSY),
        ("claim_interface", errno.ENODEV, Code.PORT_MISSING),
        ("claim_interface", errno.EINVAL, Code.PORT_UNUSABLE),
    ],
)
def test_why_a_device_cannot_be_opened(method: str, number: int, code: Code) -> None:
    device = FakeUsbDevice()
    device.refuse[method] = number
    transport = UsbBulkTransport(PATH, backend=FakeBus(device))
    with pytest.raises(BenchError) as caught:
        transport.open()
    assert caught.value.code is code
    assert caught.value.hint
    assert not transport.is_open
    assert device.handles == 0


def test_two_benches_cannot_have_one_device() -> None:
    bus = FakeBus(FakeUsbDevice())
    first, second = UsbBulkTransport(PATH, backend=bus), UsbBulkTransport(PATH, backend=bus)
    first.open()
    with pytest.raises(BenchError) as caught:
        second.open()
    assert caught.value.code is Code.PORT_BUSY
    first.close()
    second.open()
    second.close()


def test_nothing_in_that_place_is_a_missing_port() -> None:
    with pytest.raises(BenchError) as caught:
        UsbBulkTransport("usb:1-9/0", backend=FakeBus(FakeUsbDevice())).open()
    assert caught.value.code is Code.PORT_MISSING


def test_a_configuration_is_set_only_where_none_is() -> None:
    for configured, times in ((True, 0), (False, 1)):
        device = FakeUsbDevice(configured=configured)
        transport = UsbBulkTransport(PATH, backend=FakeBus(device))
        transport.open()
        transport.write(b"x")
        transport.close()
        assert device.configurations_set == times


def test_short_packets_end_a_read_and_full_ones_are_not_lost(usb: UsbBench) -> None:
    usb.transport.open()
    for size in (1, 63, 64, 65, 128, 4096, 4097):
        data = bytes(index % 251 for index in range(size))
        usb.device.send(data)
        assert read_all(usb.transport, size) == data


def test_full_packets_without_an_end_come_with_the_slice(usb: UsbBench) -> None:
    usb.transport.open()
    usb.device.to_host.append(bytes(64))  # no short packet follows
    assert usb.transport.read(1.0) == bytes(64)


def test_a_device_that_takes_nothing_times_the_write_out() -> None:
    device = FakeUsbDevice(room_bytes=10)
    transport = UsbBulkTransport(PATH, backend=FakeBus(device), write_timeout_s=0.03)
    transport.open()
    with pytest.raises(BenchError) as caught:
        transport.write(bytes(25))
    assert caught.value.code is Code.PORT_WRITE_TIMEOUT
    assert caught.value.details["unsent_bytes"] == 15
    transport.close()


def test_without_libusb_there_is_one_notice_and_no_failure(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    import usb.backend.libusb1

    # The boundary is the loader of the system's library: this machine may or may not have one.
    monkeypatch.setattr(usb.backend.libusb1, "get_backend", lambda find_library=None: None)
    load_backend.cache_clear()
    with caplog.at_level(logging.INFO, logger=usb_ports.__name__):
        assert UsbScanner().scan() == []
        assert UsbScanner().scan() == []
        with pytest.raises(BenchError) as caught:
            UsbBulkTransport(PATH).open()
    load_backend.cache_clear()
    assert caught.value.code is Code.PORT_UNUSABLE
    assert "libusb" in caught.value.message
    assert len(caplog.records) == 1
    assert "Serial ports are not affected" in caplog.text
