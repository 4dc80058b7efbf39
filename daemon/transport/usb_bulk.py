"""A programmer on two USB bulk endpoints, by pyusb; `usb_ports` says which devices are ours.

The endpoints carry a byte stream: packet borders mean nothing, frames may straddle them, no zero-length
packet is needed from the host. The device should end a burst with a short or zero-length packet: the system
may hold back full packets until `_READ_BYTES` have come or the slice is over.

libusb cannot be asked to end a running transfer through pyusb, so transfers are cut into slices of `SLICE_S`;
a `close` or `wake` waits that long at worst.
"""

import errno
import threading
import time
from typing import Any

from daemon.errors import BenchError
from daemon.transport.base import WRITE_TIMEOUT_S, Transport
from daemon.transport.port_errors import (
    port_busy,
    port_closed,
    port_lost,
    port_missing,
    port_permission,
    port_unusable,
    port_write_timeout,
)
from daemon.transport.usb_ports import (
    INTERFACE_STRING,
    UsbPort,
    device_node,
    load_backend,
    physical_path_of,
    ports_of,
    release,
    usb_devices,
)

SLICE_S = 0.05
_READ_BYTES = 4096  # a whole number of packets at every USB speed, small enough not to delay a stream


class UsbBulkTransport(Transport):
    """Opens the interface at one `UsbPort.path`."""

    def __init__(
        self, path: str, *, backend: Any | None = None, write_timeout_s: float = WRITE_TIMEOUT_S
    ) -> None:
        self._path = path
        self._backend = backend
        self._write_timeout_s = write_timeout_s
        self._lifecycle = threading.Lock()
        self._read_lock = threading.Lock()
        self._write_lock = threading.Lock()
        self._device: Any | None = None
        self._port: UsbPort | None = None
        self._closing = False
        self._woken = threading.Event()

    @property
    def path(self) -> str:
        """See the base class."""
        return self._path

    @property
    def description(self) -> str:
        """See the base class."""
        what = self._port.description if self._port else "USB device"
        return f"{what} at {self._path}"

    @property
    def is_open(self) -> bool:
        """See the base class."""
        return self._device is not None

    def open(self) -> None:
        """See the base class."""
        import usb.core

        with self._lifecycle:
            if self._device is not None:
                return
            device = self._find_device()
            try:
                port = self._claim(device)
            except (usb.core.USBError, NotImplementedError) as error:
                release(device)
                raise self._why_not(device, error) from error
            except BaseException:
                release(device)
                raise
            self._port, self._device, self._closing = port, device, False

    def read(self, timeout_s: float) -> bytes:
        """See the base class; at least a millisecond, since 0 means for ever to libusb."""
        deadline_s = time.monotonic() + timeout_s
        with self._read_lock:
            while True:
                device, port = self._require_open()
                wait_s = min(SLICE_S, max(0.0, deadline_s - time.monotonic()))
                wait_s = 0.0 if self._woken.is_set() else wait_s
                data = self._read_slice(device, port, wait_s)
                if data:
                    return data
                if self._woken.is_set():
                    self._woken.clear()
                    return b""
                if time.monotonic() >= deadline_s:
                    self._require_open()
                    return b""

    def write(self, data: bytes) -> None:
        """See the base class."""
        deadline_s = time.monotonic() + self._write_timeout_s
        rest = memoryview(data)
        with self._write_lock:
            while rest:
                device, port = self._require_open()
                wait_s = deadline_s - time.monotonic()
                if wait_s <= 0:
                    raise port_write_timeout(self._path, len(rest), self._write_timeout_s)
                rest = rest[self._write_slice(device, port, bytes(rest), min(wait_s, SLICE_S)) :]

    def wake(self) -> None:
        """See the base class."""
        if self._device is not None:
            self._woken.set()

    def close(self) -> None:
        """See the base class."""
        with self._lifecycle:
            if self._device is None:
                return
            self._closing = True
            with self._read_lock, self._write_lock:
                release(self._device)
                self._device = None
                self._woken.clear()

    def _find_device(self) -> Any:
        backend = self._backend or load_backend()
        if backend is None:
            raise port_unusable(self._path, "no libusb 1.0 was found on this machine")
        physical, _, _ = self._path.removeprefix("usb:").partition("/")
        for device in usb_devices(backend):
            if physical_path_of(device) == physical:
                return device
        raise port_missing(self._path)

    def _claim(self, device: Any) -> UsbPort:
        import usb.core
        import usb.util

        for port in ports_of(device):
            if port.path == self._path:
                break
        else:
            raise port_unusable(self._path, f"the device there has no interface `{INTERFACE_STRING}`")
        try:
            device.get_active_configuration()
        except usb.core.USBError:
            # Only when none is set: setting it again would reset the device's endpoints for nothing.
            device.set_configuration()
        usb.util.claim_interface(device, port.interface_number)
        return port

    def _why_not(self, device: Any, error: Exception) -> BenchError:
        number = getattr(error, "errno", None)
        if number in (errno.EACCES, errno.EPERM):
            return port_permission(self._path, device_node(device))
        if number == errno.EBUSY:
            return port_busy(self._path, device_node(device))
        if number in (errno.ENODEV, errno.EIO, errno.ENOENT):
            return port_missing(self._path, error)
        return port_unusable(self._path, error)

    def _read_slice(self, device: Any, port: UsbPort, wait_s: float) -> bytes:
        import usb.core

        try:
            return bytes(device.read(port.endpoint_in, _READ_BYTES, _milliseconds(wait_s)))
        except usb.core.USBTimeoutError:
            return b""
        except usb.core.USBError as error:
            raise port_lost(self._path, error.strerror or error) from error

    def _write_slice(self, device: Any, port: UsbPort, data: bytes, wait_s: float) -> int:
        import usb.core

        try:
            return int(device.write(port.endpoint_out, data, _milliseconds(wait_s)))
        except usb.core.USBTimeoutError:
            return 0
        except usb.core.USBError as error:
            raise port_lost(self._path, error.strerror or error) from error

    def _require_open(self) -> tuple[Any, UsbPort]:
        if self._device is None or self._port is None or self._closing:
            raise port_closed(self._path)
        return self._device, self._port


def _milliseconds(duration_s: float) -> int:
    return max(1, round(duration_s * 1000))
