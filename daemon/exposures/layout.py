"""From what is wanted on a tray to chips at places."""

from collections.abc import Sequence

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.terms import EraseMethod
from daemon.erasure.forecast import effective_of
from daemon.erasure.loads import TrayPlan, Wanted, sentinels_of
from daemon.erasure.tray import footprint_of
from daemon.errors import BenchError, Code
from daemon.exposures.chips import TrayChip
from daemon.exposures.request import ChipsWanted
from daemon.store.chip_lots import ChipLots

Origin = tuple[Part, str | None, str | None]
"""Part, lot and own number (both by id) of one chip."""


def uv_part(catalogue: Catalogue, name: str) -> Part:
    """Return a part that light erases. Raises BenchError: `part-unknown`, `part-cannot`."""
    part = catalogue.get(name)
    if part.erase.method is not EraseMethod.UV:
        raise BenchError(
            Code.PART_CANNOT,
            f"{part.name} is not erased by UV light",
            hint="Leave it off the tray.",
            field="part",
        )
    return part


def wanted_of(part: Part, chips: int) -> Wanted:
    """Return what the planner needs of chips; BenchError `erase-estimate-input` without a known dose."""
    if part.erase.dose_j_per_cm2 is None:
        raise BenchError(
            Code.ERASE_ESTIMATE_INPUT,
            f"the dose that {part.name} needs is not known",
            hint="Look for it in the maker's sheet and add it to the part's file in your parts folder.",
            field="part",
        )
    return Wanted(part.id, chips, part.erase.dose_j_per_cm2, footprint_of(part))


def chips_for(
    plan: TrayPlan, wanted: Sequence[ChipsWanted], catalogue: Catalogue, lots: ChipLots
) -> list[TrayChip]:
    """Give each place of a plan a chip of those wanted, with lot and number.

    Raises BenchError: `not-found` for an unknown lot or number, `erase-estimate-input` for one of another
    part.
    """
    waiting: dict[str, list[Origin]] = {}
    for each in wanted:
        part = uv_part(catalogue, each.part)
        waiting.setdefault(part.id, []).extend(_origins(each, part, lots))
    sentinels = sentinels_of(plan.chips)
    found = []
    for index, placed in enumerate(plan.chips):
        part, lot_id, chip_id = waiting[placed.label].pop(0)
        sheet_s = effective_of(placed.estimate)
        found.append(
            TrayChip(
                part_id=part.id,
                label=part.name,
                dose_j_per_cm2=placed.estimate.dose_j_per_cm2,
                along_mm=placed.place.along_mm,
                across_mm=placed.place.across_mm,
                new_mw_per_cm2=placed.place.new_irradiance_mw_per_cm2,
                sheet_low_s=sheet_s.low,
                sheet_nominal_s=sheet_s.nominal,
                sheet_high_s=sheet_s.high,
                sentinel=index in sentinels,
                part_bits=part.words * part.width_bits,
                lowest_v=min(part.supplies.vcc_read_v, *part.supplies.supply_checks_v),
                lot_id=lot_id,
                chip_id=chip_id,
            )
        )
    return found


def _origins(wanted: ChipsWanted, part: Part, lots: ChipLots) -> list[Origin]:
    lot = lots.lot(wanted.lot) if wanted.lot else None
    chips = [lots.chip(number) for number in wanted.numbers]
    for name, part_id in [(lot.name, lot.part_id)] if lot else []:
        _refuse_other(name, part_id, part)
    for chip in chips:
        _refuse_other(chip.number, chip.part_id, part)
    ids: list[str | None] = [chip.id for chip in chips]
    ids += [None] * (wanted.chips - len(ids))
    return [(part, lot.id if lot else None, each) for each in ids]


def _refuse_other(name: str, part_id: str, part: Part) -> None:
    if part_id != part.id:
        raise BenchError(
            Code.ERASE_ESTIMATE_INPUT,
            f"'{name}' is of part {part_id}, not of {part.id}",
            hint="Name the right part, or the right lot or number.",
            field="chips",
        )
