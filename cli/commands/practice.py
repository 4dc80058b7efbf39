"""Commands for working without hardware: simulate and demo."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from cli.handling import handled
from cli.options import JsonOption


class Kind(StrEnum):
    """What is in the simulated socket: the names of `simulator.stock`, which is too heavy for help."""

    BLANK = "blank"
    USED = "used"
    HALF_ERASED = "half-erased"
    REVERSED = "reversed"
    SHIFTED = "shifted"
    FOLDED = "folded"
    WRONG = "wrong"
    NONE = "none"
    WEAK = "weak"
    STUCK = "stuck"
    LOCKED = "locked"
    HALF_SIZE = "half-size"


class Law(StrEnum):
    """How the cells of chips on a simulated tray erase: the names of `simulator.chip.erase_laws`."""

    LOG_NORMAL = "log-normal"
    DECAY = "decay"
    WEIBULL = "weibull"
    LOG_LOGISTIC = "log-logistic"
    SLOW_CELLS = "slow-cells"


class Board(StrEnum):
    """What sort of programmer is simulated."""

    FULL = "full"
    MODEST = "modest"


TrayOption = Annotated[
    int,
    typer.Option("--tray", min=0, max=40, metavar="CHIPS", help="So many used chips on a tray under a lamp."),
]
TubeOption = Annotated[
    list[str] | None,
    typer.Option("--tube", metavar="TUBE[@MM]", help="That lamp's tubes, as for `lamp add`; else one 8w-t5."),
]
LawOption = Annotated[
    Law, typer.Option("--law", metavar="LAW", help=f"How their cells erase: {', '.join(Law)}.")
]
DirtOption = Annotated[
    float, typer.Option("--lamp-dirt", min=0.01, max=1, help="What the dirt on that lamp lets pass.")
]
WriteConfigOption = Annotated[
    Path | None,
    typer.Option("--write-config", metavar="FILE", help="Write a configuration that names it."),
]
BoardOption = Annotated[
    Board,
    typer.Option("--board", metavar="BOARD", help="full, or modest: fixed 5 V VCC, VPP set by hand."),
]
TcpOption = Annotated[
    int | None,
    typer.Option("--tcp", min=0, max=65535, metavar="PORT", help="Listen on TCP; 0: any free port."),
]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("simulate")(handled(simulate))
    app.command("demo")(handled(demo))


def simulate(
    part: Annotated[
        str, typer.Option("--part", metavar="PART", help="What the chip in its socket is taken for.")
    ] = "M27C512",
    chip: Annotated[
        Kind, typer.Option("--chip", metavar="KIND", help=f"What is in the socket: {', '.join(Kind)}.")
    ] = Kind.BLANK,
    other: Annotated[
        str | None, typer.Option("--other", metavar="PART", help="What a wrong chip really is.")
    ] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Chips of one seed are alike in every bit.")] = 1,
    board: BoardOption = Board.FULL,
    serial: Annotated[str, typer.Option("--serial", help="The programmer's serial number.")] = "SIM-1",
    speed: Annotated[
        float, typer.Option("--speed", min=0.1, max=60, help="How fast its time runs; 1 is a real chip's.")
    ] = 1.0,
    baud: Annotated[
        int, typer.Option("--baud", min=0, max=12_000_000, help="Speed of its line; 0: as fast as it goes.")
    ] = 0,
    tcp: TcpOption = None,
    write_config: WriteConfigOption = None,
    tray: TrayOption = 0,
    tube: TubeOption = None,
    law: LawOption = Law.LOG_NORMAL,
    lamp_dirt: DirtOption = 1.0,
    as_json: JsonOption = False,
) -> None:
    """Simulate a programmer with a chip in its socket.

    Prints the name of its port, and serves it until Ctrl-C. Meanwhile you can change the chip: type help.
    With --tray there are used chips on a tray under a lamp as well, and hands that carry them. With --json
    each line is one JSON document, and words are read from standard input all the same.

    Example: romwright simulate --part M27C512 --chip half-erased
    """
    from cli.out import Out
    from cli.practice.simulate import TrayWish, Wish, simulate
    from simulator.chip.erase_laws import EraseLaw
    from simulator.stock import Stock

    stock, lamp = Stock(chip.value), None
    if tray:
        lamp = TrayWish(tray, tuple(map(_hung, tube or ["8w-t5"])), EraseLaw(law.value), lamp_dirt)
        stock = Stock.NONE
    wish = Wish(part, other, stock, seed, board.value, serial, speed, baud, tcp, write_config, lamp)
    simulate(Out(json=as_json), wish)


def _hung(text: str) -> tuple[str, float]:
    """Read `8w-t5@-20`: a tube by name, and how far sideways it hangs, mm."""
    from simulator.lamp import TUBES

    name, _, across = text.partition("@")
    try:
        place = float(across or 0)
    except ValueError:
        place = float("nan")
    if name.upper() not in TUBES or not abs(place) <= 1000:
        names = ", ".join(each.lower() for each in TUBES)
        raise typer.BadParameter(f"'{text}' is no tube here: {names}, and @MM behind it", param_hint="--tube")
    return name.upper(), place


def demo(
    speed: Annotated[
        float,
        typer.Option("--speed", min=0.1, max=60, help="How fast simulated time runs; 1 is a real chip's."),
    ] = 1.0,
    pause_s: Annotated[
        float, typer.Option("--pause", min=0, max=60, metavar="SECONDS", help="Time to read between scenes.")
    ] = 4.0,
) -> None:
    """Watch the main job and three mishaps, with no hardware.

    Runs a simulated programmer and a daemon of its own in a temporary folder, and removes them afterwards.
    Ends with 1 when anything differs from what it promises.
    """
    from cli.demo.show import show
    from cli.out import Out

    show(Out(), speed=speed, pause_s=pause_s)
