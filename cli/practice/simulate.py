"""The simulator as a command: a programmer on a port, and a person who may change the chip meanwhile."""

import contextlib
import json
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cli.exit_codes import Exit
from cli.failure import Failure
from cli.out import Out
from cli.practice.deeds import Done, NotUnderstood
from cli.practice.hands import Hands
from cli.practice.tray_hands import TrayHands
from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from simulator.chip.erase_laws import EraseLaw
from simulator.endpoints import TcpEndpoint
from simulator.programmer.profile import Profile, full, modest
from simulator.programmer.programmer import VirtualProgrammer
from simulator.serve import ServedProgrammer
from simulator.stock import Stock, make_socket

_BOARDS = {"full": full, "modest": modest}
_QUIT = ("quit", "exit")


@dataclass(frozen=True, slots=True)
class TrayWish:
    """A tray of used chips under a lamp. `tubes_mm`: names of tubes and how far sideways each hangs."""

    chips: int
    tubes_mm: tuple[tuple[str, float], ...]
    law: EraseLaw
    lamp_dirt: float


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to be simulated.

    `tcp_port` None: a pseudo-terminal, or any free port where there are none; 0: any free port. `baud` 0: as
    fast as it goes.
    """

    part: str
    other: str | None
    stock: Stock
    seed: int
    board: str
    serial: str
    speed: float
    baud: int
    tcp_port: int | None
    write_config: Path | None
    tray: TrayWish | None = None


def simulate(out: Out, wish: Wish) -> None:
    """Serve a simulated programmer until Ctrl-C, SIGTERM or `quit`."""
    parts = Catalogue()
    part = parts.get(wish.part)
    other = parts.get(wish.other) if wish.other else _another(parts, part)
    profile = _BOARDS[wish.board](wish.serial)
    try:
        socket = make_socket(
            part, wish.stock, wish.seed, socket_pins=profile.identity.socket_pins, other=other
        )
    except ValueError as error:
        raise Failure(Exit.USAGE, str(error)) from error
    programmer = VirtualProgrammer(profile, socket)
    hands = Hands(programmer, part, other, wish.stock, wish.seed, _tray(wish, programmer, part))
    endpoint = None if wish.tcp_port is None else TcpEndpoint(wish.tcp_port)
    served = ServedProgrammer(programmer, endpoint, speed=wish.speed, baud=wish.baud)
    try:
        _start(served)
        if wish.write_config is not None:
            _write_config(wish.write_config, served.port, practice_lamps=wish.tray is not None)
        _welcome(out, wish, served.port, profile, hands)
        for line in _lines():
            if line.lower() in _QUIT:
                break
            _do(out, served, hands, line)
    finally:
        served.stop()


def _tray(wish: Wish, programmer: VirtualProgrammer, part: Part) -> TrayHands | None:
    if wish.tray is None:
        return None
    tray = wish.tray
    return TrayHands(
        programmer,
        part,
        tray.chips,
        tubes_mm=tray.tubes_mm,
        law=tray.law,
        dirt=tray.lamp_dirt,
        seed=wish.seed,
    )


def _start(served: ServedProgrammer) -> None:
    try:
        served.start()
    except OSError as error:
        raise Failure(
            Exit.USAGE,
            f"the port cannot be opened: {error.strerror or error}",
            "Another program may have that TCP port: --tcp 0 takes any free one.",
        ) from error


def _another(parts: Catalogue, part: Part) -> Part:
    """Return a part of the same package with another signature, for a socket with the wrong chip."""
    for other in parts:
        differs = other.signature.device is not None and not part.signature.matches(
            other.signature.maker or 0, other.signature.device
        )
        if other.package == part.package and other.kind is part.kind and differs:
            return other
    return part


def _lines() -> Iterator[str]:
    """Give what is typed; without anybody who types, nothing more comes, and waiting goes on."""
    while line := sys.stdin.readline():
        if line.strip():
            yield line.strip()
    _wait_for_ever()


def _wait_for_ever() -> None:
    import threading

    threading.Event().wait()


def _welcome(out: Out, wish: Wish, port: str, profile: Profile, hands: Hands) -> None:
    out.line(
        {"port": port, "hardware": profile.identity.hardware, "part": wish.part, "kind": wish.stock.value}
    )
    out.say(port, "bold")
    out.say(f"{profile.identity.hardware}; in its socket: {wish.part}, {wish.stock.value}.")
    if wish.tray is not None:
        out.say(f"On a tray under a lamp: {wish.tray.chips} used {wish.part}, in a row along the tube.")
    if port.startswith("tcp://"):
        where = wish.write_config or "romwright.toml"
        out.say(f'For the daemon, in {where}: ports = ["{port}"]')
    else:
        out.say(f"In another terminal: romwright program FILE --part {wish.part} --port {port}")
    if not out.json and sys.stdin.isatty():
        out.say("Type help and Enter to change the chip, Ctrl-C to end.")


def _doing(hands: Hands, line: str) -> Callable[[VirtualProgrammer, float], Done]:
    return lambda _, now_s: hands.do(line, now_s)


def _do(out: Out, served: ServedProgrammer, hands: Hands, line: str) -> None:
    if line.lower() == "help":
        out.say(hands.help())
        out.say("  quit                     end")
        out.line({"help": hands.help()})
        return
    while line:
        try:
            done = served.look(_doing(hands, line))
        except NotUnderstood as error:
            out.line({"error": str(error)})
            out.say(str(error), "yellow")
            return
        facts: dict[str, Any] = {"words": done.words, **done.facts}
        out.line(facts)
        out.say(done.words)
        line = done.then
        if line:
            time.sleep(done.after_s)


def _write_config(path: Path, port: str, *, practice_lamps: bool) -> None:
    text = (
        f"# A simulated programmer, for `romwright ... --config {path.name}`\nports = [{json.dumps(port)}]\n"
    )
    if practice_lamps:
        text += "# Its lamp too: minutes of light take no time, and are believed as they are said.\n"
        text += "practice_lamps = true\n"
    with contextlib.suppress(FileExistsError):
        path.touch(exist_ok=False)
        path.write_text(text, encoding="utf-8")
        return
    raise Failure(Exit.USAGE, f"{path} exists already", "Choose another name, or delete it.")
