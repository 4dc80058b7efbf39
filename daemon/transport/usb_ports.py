"""Which USB interfaces are programmers, by pyusb.

What a device must show to be ours: in its first configuration, an interface (first alternate setting) of
class 0xFF, vendor-specific, whose string descriptor reads `romwright wire 1`, with exactly one bulk IN and
one bulk OUT endpoint. No vendor or product number is ours, so none is looked at.

pyusb and libusb are looked for only when first needed. On Windows the device has to be bound to WinUSB, which
it can ask for itself by a Microsoft OS descriptor.
"""

import errno
import functools
import importlib
import logging
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from daemon.transport.port_errors import port_permission

INTERFACE_STRING = "romwright wire 1"
INTERFACE_CLASS = 0xFF
_TRIES_MAX = 5

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class UsbPort:
    """One interface that speaks our wire.

    `path` is `usb:<bus>-<hub ports>/<interface number>`: where it is plugged in, as long as the bus numbers
    hold. `physical_path` is the middle part.
    """

    path: str
    physical_path: str
    vid: int
    pid: int
    usb_serial: str | None
    description: str
    interface_number: int
    endpoint_in: int
    endpoint_out: int


@functools.cache
def load_backend() -> Any | None:
    """Return pyusb's libusb backend, None with one notice in the log when there is no libusb."""
    try:
        import usb.backend.libusb1 as libusb1
    except ImportError:
        _log.info("USB bulk devices are not looked for: the package pyusb is not installed")
        return None
    # pyusb reports a missing library as an error of its own, without saying what to do.
    logging.getLogger("usb.backend.libusb1").setLevel(logging.CRITICAL)
    backend = libusb1.get_backend() or _bundled_backend(libusb1)
    if backend is None:
        _log.info(
            "USB bulk devices are not looked for: no libusb 1.0 was found. Serial ports are not affected. "
            "Install the system's libusb-1.0, or romwright with its `usb` extra"
        )
    return backend


def _bundled_backend(libusb1: Any) -> Any | None:
    try:
        package = importlib.import_module("libusb_package")
    except ImportError:
        return None
    return libusb1.get_backend(find_library=package.find_library)


class UsbScanner:
    """Lists the interfaces that are ours; keeps what it learnt, so that no device is asked twice.

    Telling ours apart means reading a string from every device with such an interface. One that refuses for
    want of permission is named in the log once, and asked again at the next scan; one that fails otherwise is
    let alone after a few tries.
    """

    def __init__(self, backend: Any | None = None) -> None:
        """`backend` is a `usb.backend.IBackend`; by default libusb, found at the first scan."""
        self._backend = backend
        self._known: dict[tuple[int, ...], tuple[UsbPort, ...]] = {}
        self._failures: Counter[tuple[int, ...]] = Counter()

    def scan(self) -> list[UsbPort]:
        """Return the interfaces that are ours now, [] without libusb. Other failures are USBError."""
        backend = self._backend or load_backend()
        if backend is None:
            return []
        known: dict[tuple[int, ...], tuple[UsbPort, ...]] = {}
        for device in usb_devices(backend):
            key = (device.bus, device.address, device.idVendor, device.idProduct, device.bcdDevice)
            ports = self._known.get(key)
            if ports is None:
                ports = self._ask(device, key)
            if ports is not None:
                known[key] = ports
        self._known = known
        return [port for ports in known.values() for port in ports]

    def _ask(self, device: Any, key: tuple[int, ...]) -> tuple[UsbPort, ...] | None:
        import usb.core

        try:
            return tuple(ports_of(device))
        except usb.core.USBError as error:
            self._failures[key] += 1
            if error.errno != errno.EACCES:
                return () if self._failures[key] >= _TRIES_MAX else None
            if self._failures[key] == 1:
                refusal = port_permission(f"usb:{physical_path_of(device)}", device_node(device))
                _log.info("a USB device may be a programmer: %s %s", refusal, refusal.hint)
            return None
        except NotImplementedError:  # no driver that libusb can use is bound to it (Windows)
            return None
        finally:
            release(device)


def usb_devices(backend: Any) -> Iterator[Any]:
    """Yield pyusb devices; USBError when the bus cannot be listed."""
    import usb.core

    yield from usb.core.find(find_all=True, backend=backend)


def ports_of(device: Any) -> Iterator[UsbPort]:
    """Yield the interfaces of `device` that are ours; USBError when it cannot be asked."""
    physical = physical_path_of(device)
    for interface in device[0]:
        endpoints = _bulk_pair(interface)
        if endpoints is None or _string(device, interface.iInterface) != INTERFACE_STRING:
            continue
        number = int(interface.bInterfaceNumber)
        yield UsbPort(
            path=f"usb:{physical}/{number}",
            physical_path=physical,
            vid=int(device.idVendor),
            pid=int(device.idProduct),
            usb_serial=_string(device, device.iSerialNumber) or None,
            description=_string(device, device.iProduct) or "USB device",
            interface_number=number,
            endpoint_in=endpoints[0],
            endpoint_out=endpoints[1],
        )


def _bulk_pair(interface: Any) -> tuple[int, int] | None:
    """Return the IN and OUT endpoint addresses of an interface shaped like ours, else None."""
    import usb.util

    if (
        interface.bInterfaceClass != INTERFACE_CLASS
        or interface.bAlternateSetting
        or not interface.iInterface
    ):
        return None
    bulk = [
        int(endpoint.bEndpointAddress)
        for endpoint in interface
        if usb.util.endpoint_type(endpoint.bmAttributes) == usb.util.ENDPOINT_TYPE_BULK
    ]
    into = [a for a in bulk if usb.util.endpoint_direction(a) == usb.util.ENDPOINT_IN]
    out = [a for a in bulk if usb.util.endpoint_direction(a) == usb.util.ENDPOINT_OUT]
    return (into[0], out[0]) if len(into) == len(out) == 1 else None


def _string(device: Any, index: int) -> str:
    """Return a string descriptor, "" when there is none or it is damaged; USBError when asking fails."""
    import usb.util

    if not index:
        return ""
    # Asked for here, since pyusb's own look-up hides a refusal behind an empty list.
    languages = usb.util.get_langids(device)
    if not languages:
        return ""
    try:
        return str(usb.util.get_string(device, index, languages[0]) or "").rstrip("\0")
    except (UnicodeDecodeError, IndexError):
        return ""


def physical_path_of(device: Any) -> str:
    """Return `<bus>-<hub ports>`, the same as long as the device stays in its socket."""
    ports = device.port_numbers
    where = ".".join(str(port) for port in ports) if ports else f"a{device.address}"
    return f"{device.bus}-{where}"


def device_node(device: Any) -> str:
    """Return the device file on Linux; elsewhere nobody looks."""
    return f"/dev/bus/usb/{device.bus or 0:03d}/{device.address or 0:03d}"


def release(device: Any) -> None:
    """Release interfaces and handle; a device that has gone refuses, which changes nothing."""
    import usb.core
    import usb.util

    try:
        usb.util.dispose_resources(device)
    except usb.core.USBError as error:
        _log.debug("releasing a USB device: %s", error)
