"""Judging the device on a port, from opening to the sealed report."""

import contextlib
import json
import secrets
import signal
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from cli.exit_codes import Exit
from cli.failure import Failure
from cli.judging.hands import AskedHands
from cli.judging.port import PortLine, kind_and_path, opened
from cli.judging.show import show_progress, show_report
from cli.out import Out
from cli.reach import load_settings
from daemon.transport.base import PortKind, Transport
from protocol.conformance.check import Check, Failed
from protocol.conformance.desk import Desk
from protocol.conformance.link import RawLink
from protocol.conformance.part import TrialPart, from_descriptor
from protocol.conformance.report import broken_seal, document, is_good, sealed
from protocol.conformance.run import Run, selected
from protocol.conformance.setting import Setting, Socket

_PSEUDO_TERMINALS = ("/dev/pts/", "/dev/ttys")
"""What Linux and macOS call them: nothing restarts when one is opened."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to be judged, and how. `part` None: one made from what the device says of itself."""

    target: str
    socket: Socket
    part: str | None
    by_hand: bool
    only: tuple[str, ...]
    baud: int | None
    patience: float
    seed: int
    save: Path | None
    config: Path | None


def judge(out: Out, wish: Wish) -> Exit:
    """Judge the device, print and save the report, and return the exit status. Raises `Failure`."""
    checks = _checks(wish)
    with device_on_port(out, wish) as (link, setting):
        out.note(f"{len(checks)} checks; Ctrl-C takes the supplies off and ends")
        run = Run(
            link,
            setting,
            checks=checks,
            parts=parts_of(wish),
            on_end=lambda ended: show_progress(out, ended),
        )
        ended = run.carry_out()
    when = datetime.now(UTC).isoformat(timespec="seconds")
    report = sealed(document(run.desk, ended, tool=f"romwright {version('romwright')}", when=when))
    out.document(report)
    if report["device"] is not None:
        show_report(out, report)
    if wish.save is not None:
        _save(wish.save, report)
    return Exit.DONE if is_good(ended) or (wish.only and not _failed(report)) else Exit.NEGATIVE


@contextlib.contextmanager
def device_on_port(out: Out, wish: Wish) -> Iterator[tuple[RawLink, Setting]]:
    """Find and open the device's port for a while, at a speed at which it answers. Raises `Failure`."""
    kind, path = kind_and_path(wish.target, wish.config, out)
    rates = (wish.baud,) if wish.baud else load_settings(wish.config).settings.baud_rates
    hands = AskedHands(out) if wish.by_hand else None
    setting = Setting(wish.socket, wish.patience, wish.seed, secrets.randbits(32), hands)
    transport, link = _first_answer(kind, path, rates if kind is PortKind.SERIAL else rates[:1], setting)
    with contextlib.closing(transport), ending_as_by_ctrl_c():
        out.note(transport.description)
        yield link, setting


@contextlib.contextmanager
def ending_as_by_ctrl_c() -> Iterator[None]:
    """Let SIGTERM, and a terminal that hangs up, end the work as Ctrl-C does: with the supplies off."""

    def end(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    names = ("SIGTERM", "SIGHUP")
    numbers = [signal.Signals[name] for name in names if name in signal.Signals.__members__]
    try:
        before = {number: signal.signal(number, end) for number in numbers}
    except ValueError:  # not the main thread: then it is not ours to decide
        before = {}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def parts_of(wish: Wish) -> Callable[[Desk], list[TrialPart]] | None:
    """Return what names the part to set up; None: it is made from what the device says of itself."""
    return None if wish.part is None else lambda desk: _catalogue_part(wish, desk)


def _failed(report: dict[str, Any]) -> bool:
    verdicts = {each["verdict"] for each in report["checks"]}
    return "fail" in verdicts or "pass" not in verdicts


def _checks(wish: Wish) -> list[Check]:
    if wish.socket is Socket.SACRIFICIAL and wish.part is None:
        raise Failure(
            Exit.USAGE,
            "--socket sacrificial needs --part",
            "Say what the chip is: its pins get VPP, and a wrong part would get it on an address line.",
        )
    checks = selected(wish.only)
    if not checks:
        raise Failure(
            Exit.USAGE,
            f"no check is called {' or '.join(wish.only)}, and none is about such a requirement",
            "`romwright conformance --list` shows all.",
        )
    return checks


def _first_answer(
    kind: PortKind, path: str, rates: Iterable[int], setting: Setting
) -> tuple[Transport, RawLink]:
    """Open the port at the first speed at which HELLO is answered. Raises `Failure`."""
    tried: list[int] = []
    for baud in rates:
        transport = opened(kind, path, baud)
        try:
            line = PortLine(transport)
            link = RawLink(line)
            if not tried and kind is PortKind.SERIAL and not path.startswith(_PSEUDO_TERMINALS):
                line.settle()  # H2: opening may have restarted the board
            for _ in range(2):
                with contextlib.suppress(Failed):
                    Desk(link, setting).fresh()
                    return transport, link
        except BaseException:
            transport.close()
            raise
        transport.close()
        tried.append(baud)
    speeds = " and ".join(f"{baud}" for baud in tried)
    raise Failure(
        Exit.UNREACHABLE,
        f"nothing at {path} answers HELLO" + (f" at {speeds} baud" if kind is PortKind.SERIAL else ""),
        "Is this its port, is it powered, and is the speed right (--baud)? First bring up the receiver: a"
        " zero ends a block, then COBS, then the CRC-32; `protocol/vectors.json` has frames to compare with.",
        code="device-silent",
    )


def _catalogue_part(wish: Wish, desk: Desk) -> list[TrialPart]:
    """Return the part that was named, in this device's socket. Raises BenchError."""
    from daemon.catalogue.loader import Catalogue
    from daemon.programmers.fitting import describe, fit_directly
    from protocol.descriptor import encode_descriptor
    from protocol.fields import decode
    from protocol.identity import decode_identity
    from protocol.messages import HelloReply

    assert wish.part is not None
    part = Catalogue(load_settings(wish.config).settings.parts_dir).get(wish.part)
    identity = decode_identity(decode(HelloReply, desk.hello_detail).fields)
    descriptor = describe(fit_directly(part, identity), identity)
    return [from_descriptor(encode_descriptor(descriptor), desk.told)]


def _save(path: Path, report: dict[str, Any]) -> None:
    try:
        path.write_text(json.dumps(report, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    except OSError as error:
        raise Failure(Exit.REFUSED, f"{path}: {error.strerror}", "The report above was not saved.") from error


def verify(out: Out, path: Path) -> Exit:
    """Say whether a saved report is the one that was sealed. Raises `Failure` when it cannot be read."""
    try:
        report = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise Failure(Exit.USAGE, f"{path}: {error.strerror}", "Name a report made with --save.") from error
    except ValueError as error:
        raise Failure(Exit.USAGE, f"{path} is no JSON: {error}", "Name a report made with --save.") from error
    trouble = broken_seal(report)
    out.document({"file": str(path), "holds": not trouble, "trouble": trouble})
    if trouble:
        out.say(f"The seal of {path} does not hold: {trouble}.", "bold red")
        return Exit.NEGATIVE
    out.say(f"The seal holds. {report['seal']}")
    return Exit.DONE


def show_list(out: Out) -> None:
    """Print all checks with their requirements and levels."""
    checks = selected()
    out.document(
        [
            {
                "check": each.name,
                "requirements": list(each.requirements),
                "level": str(each.level),
                "words": each.words,
            }
            for each in checks
        ]
    )
    out.table(
        ("Check", "Level", "Requirements", "What must hold"),
        [(each.name, each.level.value, " ".join(each.requirements), each.words) for each in checks],
    )
