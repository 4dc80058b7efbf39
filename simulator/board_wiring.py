"""How a board is wired, as a description of its own: buses, sockets with a net on each pin, decoding.

It says nothing of files or recipes, so that reading a board by it can judge a plan: what the board's
processor sees follows from copper and silicon alone.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, Self


class ByteOrder(StrEnum):
    """Which byte of a word a bus shows at the lower address."""

    LITTLE = "little"
    BIG = "big"


@dataclass(frozen=True, slots=True)
class Bus:
    """Lines A0 up and D0 up. A bus of 16 data lines reads two bytes at once and has no A0.

    `access_ns` is the time from a stable address to the moment the data are taken.
    """

    name: str
    address_lines: int
    data_lines: int
    access_ns: float
    byte_order: ByteOrder = ByteOrder.LITTLE

    @property
    def word_bytes(self) -> int:
        """Bytes read at once."""
        return self.data_lines // 8


@dataclass(frozen=True, slots=True)
class BoardSocket:
    """One socket: its bus, when it is selected, and what is on each pin.

    It is selected where `address & mask == match`; the decoder takes `select_ns`, during which the chip
    cannot have begun. Nets are `A5`, `D3`, `VCC`, `GND`, `HIGH`, `LOW`, `OPEN`, `/SEL` and `SEL` (low and
    high when selected), `/RD` and `RD` (low and high in reads), `/WR` (high in reads).
    """

    label: str
    bus: str
    pins: tuple[str, ...]
    mask: int = 0
    match: int = 0
    select_ns: float = 0.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """Addresses of a bus, the last included, in the order that the board's makers give them in a file."""

    bus: str
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class BoardWiring:
    """A whole board. `image` lists what makes up the file of its makers, in order."""

    name: str
    vcc_v: float
    buses: Mapping[str, Bus]
    sockets: tuple[BoardSocket, ...]
    image: tuple[Stretch, ...]

    def __post_init__(self) -> None:
        """Raise ValueError for a wiring that names buses and lines which it does not have."""
        for socket in self.sockets:
            bus = self._bus(socket.bus, socket.label)
            if len(socket.pins) < 2 or len(socket.pins) % 2:
                raise ValueError(f"{socket.label} has {len(socket.pins)} pins; a socket has two equal rows")
            for net in socket.pins:
                _check_net(net, bus, socket.label)
        for stretch in self.image:
            bus = self._bus(stretch.bus, "the image")
            if not 0 <= stretch.first <= stretch.last < 1 << bus.address_lines:
                raise ValueError(f"{stretch.bus} has no addresses {stretch.first:#x} to {stretch.last:#x}")
            if stretch.first % bus.word_bytes or (stretch.last + 1) % bus.word_bytes:
                raise ValueError(f"{stretch.bus} is read {bus.word_bytes} bytes at a time")

    def _bus(self, name: str, who: str) -> Bus:
        if name not in self.buses:
            raise ValueError(f'{who} is on bus "{name}", and the board has {", ".join(self.buses)}')
        return self.buses[name]

    @classmethod
    def from_toml(cls, text: str) -> Self:
        """Read a wiring. Raises ValueError or KeyError where it is not one."""
        table: dict[str, Any] = tomllib.loads(text)
        buses = {
            name: Bus(
                name,
                each["address_lines"],
                each["data_lines"],
                each["access_ns"],
                ByteOrder(each.get("byte_order", "little")),
            )
            for name, each in table["buses"].items()
        }
        sockets = tuple(
            BoardSocket(
                each["label"],
                each["bus"],
                tuple(each["pins"].split()),
                each.get("select", {}).get("mask", 0),
                each.get("select", {}).get("match", 0),
                each.get("select_ns", 0.0),
            )
            for each in table["sockets"]
        )
        image = tuple(Stretch(each["bus"], each["first"], each["last"]) for each in table["image"])
        return cls(table["name"], table.get("vcc_v", 5.0), buses, sockets, image)


def demo_wiring(board_id: str) -> BoardWiring:
    """Return the wiring of a demo board of the Skerry Computer Club; raises LookupError for another."""
    path = Path(__file__).parent / "boards" / f"{board_id}.toml"
    if not board_id.replace("-", "").isalnum() or not path.is_file():
        raise LookupError(f"there is no demo board {board_id}")
    return BoardWiring.from_toml(path.read_text(encoding="utf-8"))


_PLAIN = frozenset({"VCC", "GND", "HIGH", "LOW", "OPEN", "/SEL", "SEL", "/RD", "RD", "/WR"})


def line_of(net: str) -> int:
    """Return the number in `A5` or `D3`."""
    return int(net[1:])


def is_line(net: str, letter: str) -> bool:
    """Tell whether a net is an address (A) or data (D) line."""
    return net[0] == letter and net[1:].isdecimal()


def _check_net(net: str, bus: Bus, label: str) -> None:
    if net in _PLAIN:
        return
    lowest = 1 if bus.data_lines == 16 else 0
    if is_line(net, "A") and lowest <= line_of(net) < bus.address_lines:
        return
    if is_line(net, "D") and line_of(net) < bus.data_lines:
        return
    raise ValueError(f"{label}: bus {bus.name} has no net {net}")
