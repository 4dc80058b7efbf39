"""What to have on the table before a batch: chips that are there, what light frees in time, what to buy."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from daemon.boards.on_hand import Preparation
from daemon.boards.plan import BoardPlan, Erasure, Purchase
from daemon.boards.shelf import PlanRequest
from daemon.erasure.inputs import Spread
from daemon.errors import BenchError, Code

LoadTime = Callable[[str, int], Spread]
"""How long a tray of so many chips of a part is lit, seconds; BenchError when they do not fit on it."""

_LOAD_MAX = 500


class ShoppingRequest(BaseModel):
    """For which sets, with which chips on hand, under which lamp, and how much time there is."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    plan: PlanRequest = PlanRequest()
    """The sets, the files and the chips on hand."""
    lamp: Annotated[str, Field(min_length=1, max_length=100)] | None = None
    """Lamp that can erase used chips; left out: how long that takes is not known."""
    hours: Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)] | None = None
    """Hours until the chips must be ready; left out: as long as it takes."""


@dataclass(frozen=True, slots=True)
class Ready:
    """Chips on hand that can go into the socket.

    `by_job` of them are erased electrically by their job; of `unsure` it is not known whether they are blank,
    and their job looks first.
    """

    part_id: str
    part_name: str
    count: int
    by_job: int
    unsure: int
    positions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class UnderLight:
    """Used chips that light can free. `in_time` of `count` are done within the hours; all take `loads` trays.

    `first_s` is when the first tray is done, `total_s` when all are, lamp lit all the time; None without a
    lamp. The later ones are to be bought or waited for. `why_not` says why the time is not known.
    """

    part_id: str
    label: str
    count: int
    in_time: int
    loads: int | None
    first_s: Spread | None
    total_s: Spread | None
    positions: tuple[str, ...]
    why_not: str = ""

    @property
    def late(self) -> int:
        """How many are not ready in time."""
        return self.count - self.in_time


@dataclass(frozen=True, slots=True)
class ShoppingList:
    """What a batch needs, chip by chip: every chip is in exactly one of the three."""

    board_id: str
    board_name: str
    copies: int
    ready: tuple[Ready, ...]
    under_light: tuple[UnderLight, ...]
    to_buy: tuple[Purchase, ...]

    @property
    def complete(self) -> bool:
        """Whether all that is needed is on hand or will be in time."""
        return not self.to_buy and not any(each.late for each in self.under_light)


def shopping_list(plan: BoardPlan, load_s: LoadTime | None, hours: float | None) -> ShoppingList:
    """Sort the chips of a plan. Loads go under the lamp one after the other, slowest estimate taken.

    That is the upper end of the estimate: a chip that is promised for Saturday has to be ready then.
    """
    left_s = hours * 3600 if hours is not None else None
    under = []
    for erasure in plan.to_erase:
        found = _under_light(erasure, load_s, left_s)
        if left_s is not None and found.total_s is not None:
            left_s = max(0.0, left_s - found.total_s.high)
        under.append(found)
    return ShoppingList(plan.board_id, plan.board_name, plan.copies, _ready(plan), tuple(under), plan.to_buy)


def _ready(plan: BoardPlan) -> tuple[Ready, ...]:
    counts: Counter[tuple[str, str]] = Counter()
    by_job: Counter[tuple[str, str]] = Counter()
    unsure: Counter[tuple[str, str]] = Counter()
    positions: dict[tuple[str, str], list[str]] = {}
    for chip in plan.chips:
        if chip.item is not None and chip.preparation is not Preparation.ERASE_BY_LIGHT:
            key = chip.part_id, chip.part_name
            counts[key] += 1
            by_job[key] += chip.preparation is Preparation.ERASE_BY_JOB
            unsure[key] += chip.preparation is Preparation.LOOK_FIRST
            positions.setdefault(key, []).append(chip.position)
    return tuple(
        Ready(*key, count, by_job[key], unsure[key], tuple(dict.fromkeys(positions[key])))
        for key, count in counts.items()
    )


def _under_light(erasure: Erasure, load_s: LoadTime | None, left_s: float | None) -> UnderLight:
    kept = erasure.part_id, erasure.label, erasure.count
    if load_s is None:
        in_time = erasure.count if left_s is None else 0
        why = "Name a lamp to know how long it takes."
        return UnderLight(*kept, in_time, None, None, None, erasure.positions, why)
    try:
        loads = _loads(erasure, load_s)
    except BenchError as error:
        in_time = erasure.count if left_s is None else 0
        return UnderLight(*kept, in_time, None, None, None, erasure.positions, error.message)
    times = [load_s(erasure.part_id, chips) for chips in loads]
    in_time, passed_s = 0, 0.0
    for chips, time_s in zip(loads, times, strict=True):
        passed_s += time_s.high
        if left_s is None or passed_s <= left_s:
            in_time += chips
    total_s = Spread(
        sum(each.low for each in times),
        sum(each.nominal for each in times),
        sum(each.high for each in times),
    )
    return UnderLight(*kept, in_time, len(loads), times[0], total_s, erasure.positions)


def _loads(erasure: Erasure, load_s: LoadTime) -> list[int]:
    """Cut the chips into trays as full as they can be."""
    most = _most_on_tray(erasure.part_id, min(erasure.count, _LOAD_MAX), load_s)
    full, rest = divmod(erasure.count, most)
    return [most] * full + ([rest] if rest else [])


def _most_on_tray(part_id: str, wanted: int, load_s: LoadTime) -> int:
    """Return how many of `wanted` fit on the tray at once. Raises BenchError when not even one does."""
    load_s(part_id, 1)
    fits, too_many = 1, wanted + 1
    while too_many - fits > 1:
        middle = (fits + too_many) // 2
        try:
            load_s(part_id, middle)
        except BenchError as error:
            if error.code is not Code.ERASE_ESTIMATE_INPUT:
                raise
            too_many = middle
        else:
            fits = middle
    return fits
