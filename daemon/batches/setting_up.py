"""From a request and the plan of a board to the plan of a batch, and from an order to its job."""

from collections import Counter
from typing import Any

from daemon.batches.model import Item, Order, Plan, Purpose, State, Verdict
from daemon.batches.request import Arrangement, BatchRequest
from daemon.batches.words import awaited_words
from daemon.boards.plan import BoardPlan, PlannedChip, PlannedPosition
from daemon.catalogue.loader import Catalogue
from daemon.catalogue.terms import EraseMethod
from daemon.errors import BenchError, Code
from daemon.jobs.request import SPARED_MAX, AwaitChip, JobRequest
from daemon.store.model import JobKind
from protocol.wire import Capability

_TITLE_MAX = 40


def batch_plan(
    request: BatchRequest, board: BoardPlan, catalogue: Catalogue, capabilities: Capability
) -> Plan:
    """Lay out the items of a batch in the order in which they are made.

    Raises BenchError `board-parts` for a position that the board has not.
    """
    positions = _positions(request, board)
    pairs = [(position, chip) for position in positions for chip in _grouped(position)]
    arrangement = request.order or (
        Arrangement.BY_SET if any(map(_has_numbers, positions)) else Arrangement.BY_POSITION
    )
    if arrangement is Arrangement.BY_SET:
        pairs.sort(key=lambda pair: pair[1].copy)
    contents = Counter((chip.part_id, chip.content.crc32) for _, chip in pairs)
    items = tuple(
        _item(index, request, position, chip, catalogue, contents[chip.part_id, chip.content.crc32] > 1)
        for index, (position, chip) in enumerate(pairs)
    )
    return Plan(
        board.board_id,
        board.board_name,
        request.sets,
        request.first_set,
        items,
        request.policy.to_policy(),
        _say_so(capabilities),
    )


def _say_so(capabilities: Capability) -> str:
    if Capability.CONTACT in capabilities:
        return ""
    how = "press the programmer's button" if Capability.BUTTON in capabilities else "say so"
    return f"Then {how}: this programmer cannot check pins, so look at the orientation yourself."


def _has_numbers(position: PlannedPosition) -> bool:
    """Tell whether the sets of a board have content of their own at a position: equal chips, other bytes."""
    kinds = {chip.part_id for chip in position.chips}
    return len({(chip.part_id, chip.content.sha256) for chip in position.chips}) > len(kinds)


def _positions(request: BatchRequest, board: BoardPlan) -> list[PlannedPosition]:
    by_label = {position.label: position for position in board.positions}
    for label in request.positions:
        if label not in by_label:
            raise BenchError(
                Code.BOARD_PARTS,
                f"{board.board_name} has no position {label}",
                hint=f"Its positions are {', '.join(by_label)}.",
                field="positions",
            )
    return [by_label[label] for label in dict.fromkeys(request.positions)] or list(board.positions)


def _grouped(position: PlannedPosition) -> list[PlannedChip]:
    """Return a position's chips with equal parts together, so that a hand stays with one bag."""
    first_of: dict[str, int] = {}
    for at, chip in enumerate(position.chips):
        first_of.setdefault(chip.part_id, at)
    return sorted(position.chips, key=lambda chip: (first_of[chip.part_id], chip.copy))


def _item(
    index: int,
    request: BatchRequest,
    position: PlannedPosition,
    chip: PlannedChip,
    catalogue: Catalogue,
    shared: bool,
) -> Item:
    part = catalogue.get(chip.part_id)
    assert chip.job.image is not None
    return Item(
        index=index,
        position=position.label,
        title=position.title.split(",")[0][:_TITLE_MAX],
        set_number=request.first_set + chip.copy,
        part_id=chip.part_id,
        part_name=chip.part_name,
        pins=len(part.pins),
        image_sha256=chip.job.image,
        crc32=chip.content.crc32,
        fill=chip.job.fill,
        blank=chip.content.data.count(bytes((part.blank_byte,))) == len(chip.content.data),
        shared=shared,
        by_light=part.erase.method is EraseMethod.UV,
    )


def supplies_stand(plan: Plan, state: State, order: Order, request: BatchRequest) -> bool:
    """Tell whether the supplies that are set by hand need not be asked for again.

    That was said beforehand, and holds for all parts of the batch only where they are one part; or the chip
    before was of the same part and came out good. For another part a person is asked: a wrong VPP destroys.
    """
    part_id = plan.items[order.item].part_id
    if request.hand_set_confirmed and {item.part_id for item in plan.items} == {part_id}:
        return True
    last = state.last
    return last is not None and last.verdict is Verdict.GOOD and plan.items[last.item].part_id == part_id


def job_request(
    plan: Plan, order: Order, request: BatchRequest, programmer_id: str, *, supplies_set: bool = False
) -> JobRequest:
    """Return the job that an order is for."""
    item = plan.items[order.item]
    awaits = None
    if order.waits:
        awaits = AwaitChip(occupied=order.occupied, words=awaited_words(plan, order)[:200])
    common: dict[str, Any] = {
        "part": item.part_id,
        "programmer": programmer_id,
        "await_chip": awaits,
        "hand_set_confirmed": supplies_set,
    }
    if order.purpose is Purpose.LOOK:
        return JobRequest(kind=JobKind.PIN_CHECK, **common)
    common |= {"image": item.image_sha256, "fill": item.fill, "read_back": request.read_back}
    common |= {"skip": request.skip, "allow_low_vcc": request.allow_low_vcc}
    if order.purpose is Purpose.MAKE:
        return JobRequest(kind=JobKind.PROGRAM, spare_crc32=_spared(plan, item), **common)
    return JobRequest(kind=JobKind.VERIFY, **common)


def _spared(plan: Plan, item: Item) -> frozenset[int]:
    """Return the contents that a chip must not be programmed over with: those of the batch, its own first.

    A content that is blank all over would take every new chip for one that was made.
    """
    every = sorted(plan.items, key=lambda each: (each.index != item.index, each.position != item.position))
    found = dict.fromkeys(each.crc32 for each in every if not each.blank)
    return frozenset(list(found)[:SPARED_MAX])
