"""How long erasing without light takes: flash, and electrically erasable 27- and 28-series parts."""

from dataclasses import dataclass

from daemon.catalogue.model import Part
from daemon.catalogue.terms import EraseMethod, Semantics
from daemon.catalogue.timing import fastest_program_s
from daemon.erasure.inputs import Spread
from daemon.errors import BenchError, Code


@dataclass(frozen=True, slots=True)
class ElectricalEstimate:
    """Seconds for the whole chip, how it is done, and where the figure is from."""

    time_s: Spread
    how: str
    origin: str


def estimate_electrical(part: Part) -> ElectricalEstimate:
    """Estimate an electrical erase from the part's own figures; connecting and checking are not in it.

    Raises BenchError: `part-cannot` for a part that light erases or nothing does, `erase-estimate-input` when
    the part's file gives no time.
    """
    erase, write = part.erase, part.write
    if erase.method is EraseMethod.ELECTRICAL:
        return _erased(part)
    if write is not None and write.semantics is Semantics.OVERWRITE:
        seconds = fastest_program_s(part)
        longest = write.write_cycle_us_max or write.write_cycle_us_typ or 0.0
        typical = write.write_cycle_us_typ or longest
        high = seconds * longest / typical if typical else seconds
        return ElectricalEstimate(
            Spread(seconds, seconds, max(high, seconds)),
            f"every {'page' if write.page_bytes else 'byte'} is written as {part.blank_byte:02X}; nothing"
            " needs"
            " erasing first",
            f"write cycle of the part's data ({part.source_of('write')})",
        )
    raise BenchError(
        Code.PART_CANNOT,
        f"{part.name} is not erased electrically",
        hint="It is erased by UV light: ask for that estimate."
        if erase.method is EraseMethod.UV
        else "It cannot be erased; use a fresh one.",
        field="part",
    )


def _erased(part: Part) -> ElectricalEstimate:
    erase = part.erase
    typical_ms, longest_ms = erase.chip_ms_typ, erase.chip_ms_max
    if typical_ms is None and longest_ms is None:
        raise BenchError(
            Code.ERASE_ESTIMATE_INPUT,
            f"the data of {part.name} gives no time for erasing",
            hint="Look for it in the maker's sheet and add it to the part's file in your parts folder.",
            field="part",
        )
    usual_ms = typical_ms if typical_ms is not None else longest_ms or 0.0
    high_ms = longest_ms if longest_ms is not None else usual_ms
    key = "erase.chip_ms_typ" if typical_ms is not None else "erase.chip_ms_max"
    how = "the whole chip at once, then a blank check"
    if erase.pulse_ms is not None and erase.max_pulses is not None:
        how = f"pulses of {erase.pulse_ms:g} ms, at most {erase.max_pulses}, each verified"
        if erase.verify_v is not None:
            how += f" at {erase.verify_v:g} V"
    return ElectricalEstimate(
        Spread(min(usual_ms, high_ms) / 1e3, usual_ms / 1e3, max(usual_ms, high_ms) / 1e3),
        how,
        f"the part's data ({part.source_of(key)})",
    )
