"""Lists the ports that may have a programmer.

A candidate is a port that will be opened and sent a HELLO, and opening can restart what is behind a port. So,
unless the user names it, a port counts only when it is a USB serial adapter or has our USB interface. Left
alone are built-in ports (ttyS*, COM1: what hangs there is unknown, and looking is slow), Bluetooth ports (to
open one calls the other device up) and what describes itself as a modem. Ports named in the settings always
count when they are there; a named TCP port always, since only connecting can tell.

Listing blocks, for seconds when a driver is ill, so it has no place in a caller's thread: see `PortWatcher`.
"""

import logging
import os
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from serial.tools import list_ports

from daemon.clock import Clock, SystemClock
from daemon.discovery.failures import FailureLog
from daemon.transport.base import PortKind
from daemon.transport.usb_ports import UsbPort, UsbScanner

BY_PATH = Path("/dev/serial/by-path")
TCP_PREFIX = "tcp://"
USB_PREFIX = "usb:"

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Candidate:
    """A port that may have a programmer, with what the system knows of it unopened.

    `physical_path` says where it is plugged in, None when that is not known. `path` may name another device
    after a replug; a programmer's identity comes from its handshake, then `usb_serial`, then `physical_path`.
    """

    path: str
    kind: PortKind
    usb_serial: str | None = None
    vid: int | None = None
    pid: int | None = None
    description: str = ""
    physical_path: str | None = None


class PortSettings(Protocol):
    """The part of the settings that is needed here."""

    @property
    def ports(self) -> tuple[str, ...]:
        """Ports named by the user: serial ports, pseudo-terminals, tcp://host:port, or usb:... as listed."""

    @property
    def discover_serial(self) -> bool:
        """Whether serial ports that are not named count."""

    @property
    def discover_usb(self) -> bool:
        """Whether USB devices that are not named count."""


class UsbSource(Protocol):
    """What lists USB interfaces: a `UsbScanner`."""

    def scan(self) -> list[UsbPort]:
        """Return the interfaces that speak our wire."""


def enumerate_ports(settings: PortSettings) -> list[Candidate]:
    """List once. To list again and again, keep a `PortEnumerator`: it asks no USB device twice."""
    return PortEnumerator(settings)()


class PortEnumerator:
    """Lists candidates at each call. A source that fails keeps its last answer: a fault unplugs nothing."""

    def __init__(
        self,
        settings: PortSettings,
        *,
        clock: Clock | None = None,
        comports: Callable[[], Iterable[Any]] = list_ports.comports,
        usb: UsbSource | None = None,
        by_path: Path = BY_PATH,
    ) -> None:
        clock = clock or SystemClock()
        self._settings = settings
        self._comports = comports
        self._usb = usb or UsbScanner()
        self._by_path = by_path
        self._sources = {
            name: (source, FailureLog(f"listing {name}", _log, clock))
            for name, source in (("serial ports", self._serial), ("USB devices", self._usb_ports))
        }
        self._last: dict[str, list[Candidate]] = {name: [] for name in self._sources}

    def __call__(self) -> list[Candidate]:
        """Return the candidates that are there now, each path once."""
        for name, (source, failures) in self._sources.items():
            try:
                self._last[name] = source()
            except Exception as error:  # whatever a driver or library comes up with: the bench goes on
                failures.failed(error)
            else:
                failures.succeeded()
        found = [candidate for candidates in self._last.values() for candidate in candidates]
        taken = {_address(candidate.path) for candidate in found}
        return found + [c for c in self._named_only() if _address(c.path) not in taken]

    def _serial(self) -> list[Candidate]:
        names = {_address(name): name for name in reversed(self._settings.ports) if _is_serial(name)}
        places = _places(self._by_path)
        found = []
        for info in self._comports():
            name = names.get(_address(info.device))
            if name is not None or (self._settings.discover_serial and _is_usb_adapter(info)):
                found.append(_from_listing(info, name or info.device, places))
        return found

    def _usb_ports(self) -> list[Candidate]:
        named = {name for name in self._settings.ports if name.startswith(USB_PREFIX)}
        if not self._settings.discover_usb and not named:
            return []
        return [
            Candidate(
                path=port.path,
                kind=PortKind.USB,
                usb_serial=port.usb_serial,
                vid=port.vid,
                pid=port.pid,
                description=port.description,
                physical_path=port.physical_path,
            )
            for port in self._usb.scan()
            if self._settings.discover_usb or port.path in named
        ]

    def _named_only(self) -> Iterable[Candidate]:
        """Yield what is named and in no list: TCP ports, pseudo-terminals, ports of unusual drivers."""
        addresses = set()
        for name in self._settings.ports:
            if name.startswith(USB_PREFIX) or _address(name) in addresses:
                continue
            addresses.add(_address(name))
            if name.startswith(TCP_PREFIX):
                yield Candidate(name, PortKind.TCP, description="network port")
            elif sys.platform == "win32" or os.path.exists(name):
                # Windows has no cheap test; opening the port tells.
                yield Candidate(name, PortKind.SERIAL, description="serial port")


def _is_serial(name: str) -> bool:
    return not name.startswith((TCP_PREFIX, USB_PREFIX))


def _address(path: str) -> str:
    """Return what two names of one port have in common: links are followed, COM3 and com3 are one."""
    if not _is_serial(path):
        return path
    return path.upper() if sys.platform == "win32" else os.path.realpath(path)


def _is_usb_adapter(info: Any) -> bool:
    texts = (info.product, info.interface, info.description)
    return info.vid is not None and not any("modem" in (text or "").lower() for text in texts)


def _from_listing(info: Any, path: str, places: dict[str, str]) -> Candidate:
    description = info.description if info.description and info.description != "n/a" else "serial port"
    location = f"usb-{info.location}" if info.location else None
    return Candidate(
        path=path,
        kind=PortKind.SERIAL,
        usb_serial=info.serial_number or None,
        vid=info.vid,
        pid=info.pid,
        description=description,
        physical_path=places.get(_address(info.device), location),
    )


def _places(folder: Path) -> dict[str, str]:
    """Map each port to the link that names its socket (Linux, by udev); {} where there are none."""
    try:
        links = sorted(folder.iterdir(), key=lambda link: (len(link.name), link.name), reverse=True)
    except OSError:
        return {}
    # Several links may lead to one port; the shortest name, first of its length, comes last and stays.
    return {os.path.realpath(link): link.name for link in links}
