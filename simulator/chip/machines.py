"""Which machine stands between the pins and the cells of a part."""

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Loop
from simulator.chip.cells import Cells
from simulator.chip.commands import ByteWriter, CommandWriter, Machine
from simulator.chip.page_writes import PageWriter


def machine_for(part: Part, cells: Cells, seed: int, locked: bool) -> Machine | None:
    """Return the machine of a part, None for parts that are written by pulses or not at all."""
    match part.write.loop if part.write else None:
        case Loop.BYTE_WRITE:
            return ByteWriter(part, cells, seed)
        case Loop.PAGE_WRITE:
            return PageWriter(part, cells, seed, locked)
        case Loop.COMMAND:
            return CommandWriter(part, cells, seed, locked)
        case _:
            return None
