"""From a port's kind and path to the transport for it."""

from daemon.transport.base import PortKind, Transport
from daemon.transport.serial_port import serial_transport
from daemon.transport.tcp import TcpTransport
from daemon.transport.usb_bulk import UsbBulkTransport


def transport_for(kind: PortKind, path: str, *, baud: int) -> Transport:
    """Return an unopened transport; `baud` matters to serial ports only.

    Both `kind` and `path` are to come from discovery or the configuration, never from a client's text.
    """
    if kind is PortKind.TCP:
        return TcpTransport(path)
    if kind is PortKind.USB:
        return UsbBulkTransport(path)
    return serial_transport(path, baud=baud)
