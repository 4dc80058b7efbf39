"""The command that judges a programmer by the wire's text: conformance."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from cli.handling import handled, leave
from cli.options import ConfigOption, JsonOption


class InSocket(StrEnum):
    """What the builder says is in the socket: `protocol.conformance.setting.Socket`, kept light for help."""

    UNKNOWN = "unknown"
    EMPTY = "empty"
    SACRIFICIAL = "sacrificial"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("conformance")(handled(conformance))


def conformance(
    target: Annotated[
        str | None, typer.Argument(metavar="[PORT|NAME]", help="The port, or a programmer's name.")
    ] = None,
    socket: Annotated[
        InSocket,
        typer.Option(
            "--socket",
            metavar="WHAT",
            help="empty, or sacrificial: a chip that may be spoilt. Left out, nothing is energised.",
        ),
    ] = InSocket.UNKNOWN,
    part: Annotated[
        str | None, typer.Option("--part", metavar="PART", help="The part to set up; needed with a chip.")
    ] = None,
    by_hand: Annotated[
        bool, typer.Option("--by-hand", help="You are at the board: set VPP, press reset when asked.")
    ] = False,
    meter: Annotated[
        bool,
        typer.Option("--meter", help="Instead: hold each supply while you measure it, and compare."),
    ] = False,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", metavar="D10", help="A requirement or a check; repeatable."),
    ] = None,
    baud: Annotated[
        int | None, typer.Option("--baud", min=300, max=12_000_000, help="Speed; left out: all are tried.")
    ] = None,
    patience: Annotated[
        float, typer.Option("--patience", min=1, max=60, help="Multiplies the times that are allowed.")
    ] = 1.0,
    seed: Annotated[int, typer.Option("--seed", min=0, help="For the same noise again.")] = 1,
    save: Annotated[
        Path | None, typer.Option("--save", metavar="FILE", help="Write the sealed report as JSON.")
    ] = None,
    verify_seal: Annotated[
        Path | None, typer.Option("--verify-seal", metavar="FILE", help="Check a saved report instead.")
    ] = None,
    list_checks: Annotated[bool, typer.Option("--list", help="Show all checks and end.")] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Judge a programmer that you build, requirement by requirement.

    Without --socket nothing is energised: frames, sessions, loss, descriptors. With it also supplies,
    watchdog, pulses. Ends with 0 when nothing failed, with 1 else. The seal shows a later change of the
    report; it is no signature.

    Example: romwright conformance /dev/ttyUSB0 --socket empty
    """
    from cli.exit_codes import Exit
    from cli.failure import Failure
    from cli.judging.judge import Wish, judge, show_list, verify
    from cli.out import Out
    from protocol.conformance.setting import Socket

    out = Out(json=as_json)
    if list_checks:
        show_list(out)
        return
    if verify_seal is not None:
        leave(verify(out, verify_seal))
        return
    if target is None:
        raise Failure(Exit.USAGE, "say which port or programmer", "For example /dev/ttyUSB0, or COM3.")
    in_socket = Socket(socket.value)
    chosen = tuple(only or ())
    wish = Wish(target, in_socket, part, by_hand, chosen, baud, patience, seed, save, config)
    if meter:
        from cli.judging.meter import compare

        if in_socket is not Socket.EMPTY:
            raise Failure(Exit.USAGE, "--meter needs --socket empty", "Take the chip out first.")
        leave(compare(out, wish))
    else:
        leave(judge(out, wish))
