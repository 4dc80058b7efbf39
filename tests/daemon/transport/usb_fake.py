"""A USB bus in pure Python, behind pyusb's own backend interface: devices, strings, bulk packets, faults."""

import errno
import threading
import time
from array import array
from collections import deque
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import usb.backend
import usb.core

# From the USB 2.0 specification, chapter 9: GET_DESCRIPTOR, the string descriptor type, and US English.
GET_DESCRIPTOR = 6
STRING = 3
LANGUAGE = 0x0409


@dataclass
class FakeInterface:
    text: str | None = "romwright wire 1"
    interface_class: int = 0xFF
    endpoints: tuple[int, ...] = (0x81, 0x02)
    attributes: int = 2  # bulk


@dataclass
class FakeUsbDevice:
    bus: int = 1
    address: int = 5
    ports: tuple[int, ...] | None = (2, 4)
    vid: int = 0x1209
    pid: int = 0x0001
    serial: str | None = "SKERRY-7"
    product: str | None = "Tern programmer"
    interfaces: list[FakeInterface] = field(default_factory=lambda: [FakeInterface()])
    packet_bytes: int = 64
    room_bytes: int = 1 << 20
    configured: bool = True

    def __post_init__(self) -> None:
        self.changed = threading.Condition()
        self.to_host: deque[bytes] = deque()
        self.from_host = bytearray()
        self.gone = False
        self.refuse: dict[str, int] = {}  # backend method -> errno
        self.claimed = False
        self.handles = 0
        self.asked = 0  # control transfers, to see that nobody is asked twice
        self.configurations_set = 0

    @property
    def strings(self) -> list[str]:
        texts = [self.product, self.serial, *(i.text for i in self.interfaces)]
        return [text for text in texts if text is not None]

    def index_of(self, text: str | None) -> int:
        return 0 if text is None else self.strings.index(text) + 1

    def send(self, data: bytes) -> None:
        """Queue packets; the burst ends with a short one, empty if need be."""
        with self.changed:
            for begin in range(0, len(data) + 1, self.packet_bytes):
                self.to_host.append(data[begin : begin + self.packet_bytes])
            self.changed.notify_all()

    def take(self, size: int, patience_s: float = 5.0) -> bytes:
        with self.changed:
            assert self.changed.wait_for(lambda: len(self.from_host) >= size, patience_s)
            data = bytes(self.from_host[:size])
            del self.from_host[:size]
            return data

    def unplug(self) -> None:
        with self.changed:
            self.gone = True
            self.changed.notify_all()


class FakeBus(usb.backend.IBackend):  # type: ignore[misc, unused-ignore]
    def __init__(self, *devices: FakeUsbDevice) -> None:
        self.devices = list(devices)

    def enumerate_devices(self) -> list[FakeUsbDevice]:
        return [device for device in self.devices if not device.gone]

    def get_device_descriptor(self, dev: FakeUsbDevice) -> SimpleNamespace:
        return SimpleNamespace(
            bLength=18, bDescriptorType=1, bcdUSB=0x200, bDeviceClass=0, bDeviceSubClass=0, bDeviceProtocol=0,
            bMaxPacketSize0=64, idVendor=dev.vid, idProduct=dev.pid, bcdDevice=0x100, iManufacturer=0,
            iProduct=dev.index_of(dev.product), iSerialNumber=dev.index_of(dev.serial), bNumConfigurations=1,
            address=dev.address, bus=dev.bus, port_number=dev.ports[-1] if dev.ports else None,
            port_numbers=dev.ports, speed=2,
        )  # fmt: skip

    def get_configuration_descriptor(self, dev: FakeUsbDevice, config: int) -> SimpleNamespace:
        return SimpleNamespace(
            bLength=9, bDescriptorType=2, wTotalLength=0, bNumInterfaces=len(dev.interfaces),
            bConfigurationValue=1, iConfiguration=0, bmAttributes=0x80, bMaxPower=50, extra_descriptors=[],
        )  # fmt: skip

    def get_interface_descriptor(
        self, dev: FakeUsbDevice, intf: int, alt: int, config: int
    ) -> SimpleNamespace:
        if alt or intf >= len(dev.interfaces):
            raise IndexError
        interface = dev.interfaces[intf]
        return SimpleNamespace(
            bLength=9, bDescriptorType=4, bInterfaceNumber=intf, bAlternateSetting=0,
            bNumEndpoints=len(interface.endpoints), bInterfaceClass=interface.interface_class,
            bInterfaceSubClass=0, bInterfaceProtocol=0, iInterface=dev.index_of(interface.text),
            extra_descriptors=[],
        )  # fmt: skip

    def get_endpoint_descriptor(
        self, dev: FakeUsbDevice, ep: int, intf: int, alt: int, config: int
    ) -> SimpleNamespace:
        interface = dev.interfaces[intf]
        return SimpleNamespace(
            bLength=7, bDescriptorType=5, bEndpointAddress=interface.endpoints[ep],
            bmAttributes=interface.attributes, wMaxPacketSize=dev.packet_bytes, bInterval=0, bRefresh=0,
            bSynchAddress=0, extra_descriptors=[],
        )  # fmt: skip

    def open_device(self, dev: FakeUsbDevice) -> FakeUsbDevice:
        self._may(dev, "open_device")
        dev.handles += 1
        return dev

    def close_device(self, dev_handle: FakeUsbDevice) -> None:
        dev_handle.handles -= 1

    def set_configuration(self, dev_handle: FakeUsbDevice, config_value: int) -> None:
        dev_handle.configured = bool(config_value)
        dev_handle.configurations_set += 1

    def get_configuration(self, dev_handle: FakeUsbDevice) -> int:
        return 1 if dev_handle.configured else 0

    def claim_interface(self, dev_handle: FakeUsbDevice, intf: int) -> None:
        self._may(dev_handle, "claim_interface")
        if dev_handle.claimed:
            raise usb.core.USBError("Resource busy", -6, errno.EBUSY)
        dev_handle.claimed = True

    def release_interface(self, dev_handle: FakeUsbDevice, intf: int) -> None:
        dev_handle.claimed = False
        self._may(dev_handle, "release_interface")

    def bulk_write(self, dev_handle: FakeUsbDevice, ep: int, intf: int, data: Any, timeout: int) -> int:
        assert timeout > 0, "0 means for ever"
        self._may(dev_handle, "bulk_write")
        with dev_handle.changed:
            room = max(0, dev_handle.room_bytes - len(dev_handle.from_host))
            if room == 0:
                dev_handle.changed.wait(timeout / 1000)
                raise usb.core.USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT)
            taken = data.tobytes()[:room]
            dev_handle.from_host += taken
            dev_handle.changed.notify_all()
            return len(taken)

    def bulk_read(self, dev_handle: FakeUsbDevice, ep: int, intf: int, buff: Any, timeout: int) -> int:
        """Like libusb: done at a short packet or a full buffer; at a timeout what came so far is returned."""
        assert timeout > 0, "0 means for ever"
        room = len(buff) * buff.itemsize
        assert room % dev_handle.packet_bytes == 0, "a packet could overflow the buffer"
        got = bytearray()
        deadline_s = time.monotonic() + timeout / 1000
        with dev_handle.changed:
            while len(got) < room:
                self._may(dev_handle, "bulk_read")
                if dev_handle.to_host:
                    packet = dev_handle.to_host.popleft()
                    got += packet
                    if len(packet) < dev_handle.packet_bytes:
                        break
                elif not dev_handle.changed.wait(max(0.0, deadline_s - time.monotonic())):
                    if got:
                        break
                    raise usb.core.USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT)
        buff[: len(got)] = array("B", got)
        return len(got)

    def ctrl_transfer(
        self, dev_handle: FakeUsbDevice, bmRequestType: int, bRequest: int, wValue: int, wIndex: int,  # noqa: N803
        data: Any, timeout: int,
    ) -> int:  # fmt: skip
        self._may(dev_handle, "ctrl_transfer")
        dev_handle.asked += 1
        assert (bmRequestType, bRequest, wValue >> 8) == (0x80, GET_DESCRIPTOR, STRING)
        index = wValue & 0xFF
        text = LANGUAGE.to_bytes(2, "little") if index == 0 else self._encoded(dev_handle, index)
        reply = bytes([len(text) + 2, STRING]) + text
        data[: len(reply)] = array("B", reply)
        return len(reply)

    def _encoded(self, device: FakeUsbDevice, index: int) -> bytes:
        return device.strings[index - 1].encode("utf-16-le")

    def _may(self, device: FakeUsbDevice, method: str) -> None:
        number = errno.ENODEV if device.gone else device.refuse.get(method)
        if number is not None:
            raise usb.core.USBError("refused", -1, number)
