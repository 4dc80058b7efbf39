"""The plan of a board: the exact content of every chip, which chip it is, the jobs, what to buy and erase."""

import hashlib
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from daemon.boards.contents import Contents, Window
from daemon.boards.coverage import check_coverage
from daemon.boards.drawer import OnHand
from daemon.boards.on_hand import Offer, Preparation, assign, offer
from daemon.boards.reading import BoardRecipe
from daemon.boards.seating import Seating, arranged, seat
from daemon.catalogue.loader import Catalogue
from daemon.catalogue.substitution.verdict import StandIn, Work
from daemon.catalogue.timing import chip_erase_s, fastest_program_s
from daemon.errors import BenchError, Code
from daemon.images.address_map import AddressMap, address_map
from daemon.images.model import Image
from daemon.images.transform import Trace
from daemon.jobs.request import JobRequest
from daemon.store.model import JobKind

MAX_COPIES = 100
_ALTERNATIVES_TOLD = 8


@dataclass(frozen=True, slots=True)
class ChipContent:
    """The exact content of a whole chip. `byte_sum_16` is the sum of all bytes, low 16 bits."""

    data: bytes = field(repr=False)
    sha256: str
    crc32: int
    byte_sum_16: int

    @classmethod
    def of(cls, data: bytes) -> "ChipContent":
        """Work out the figures of content."""
        total = int(np.frombuffer(data, dtype=np.uint8).sum(dtype=np.uint64))
        return cls(data, hashlib.sha256(data).hexdigest(), zlib.crc32(data), total & 0xFFFF)


@dataclass(frozen=True, slots=True)
class PlannedChip:
    """One chip to be made: which part, why, what must be done with it, and what goes in.

    `item` is the entry of the drawer that it comes from, None when it has to be bought. `to_do` is for the
    user, `arranged` says how the content was made to lie in this part, `rejected` why other chips on hand
    were not taken.
    """

    position: str
    copy: int
    part_id: str
    part_name: str
    item: int | None
    preparation: Preparation
    reason: str
    to_do: tuple[str, ...]
    arranged: tuple[str, ...]
    content: ChipContent
    job: JobRequest
    estimated_s: float
    rejected: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PlannedPosition:
    """One position: what the board reads there, step by step and as an address map, and its chips."""

    label: str
    title: str
    size_bytes: int
    steps: tuple[Trace, ...]
    map: AddressMap
    window: ChipContent
    chips: tuple[PlannedChip, ...]


@dataclass(frozen=True, slots=True)
class Purchase:
    """Chips that are not on hand: any of `part_ids`, as fast as `access_ns` or faster.

    All of them would hold the very content that was planned; others of another size may suit too.
    """

    count: int
    part_ids: tuple[str, ...]
    access_ns: float
    positions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Erasure:
    """Chips on hand that need light first; `dose_j_per_cm2` at 253.7 nm."""

    count: int
    part_id: str
    label: str
    dose_j_per_cm2: float
    positions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BoardPlan:
    """What it takes to make `copies` sets of a board. Times in seconds, on one programmer."""

    board_id: str
    board_name: str
    copies: int
    sources: Mapping[str, str]
    """Source name -> SHA-256 of the image that was used."""
    positions: tuple[PlannedPosition, ...]
    to_buy: tuple[Purchase, ...]
    to_erase: tuple[Erasure, ...]
    estimated_s: float

    @property
    def chips(self) -> tuple[PlannedChip, ...]:
        """All chips, copy by copy."""
        every = [chip for position in self.positions for chip in position.chips]
        return tuple(sorted(every, key=lambda chip: chip.copy))


def plan_board(
    recipe: BoardRecipe,
    images: Mapping[str, Image],
    catalogue: Catalogue,
    on_hand: Sequence[OnHand] = (),
    copies: int = 1,
    first_copy: int = 0,
) -> BoardPlan:
    """Work out what goes where. `images` are by source name; raises BenchError rather than guess.

    `first_copy` is the number of the first copy, counted from 0: serial numbers go on from there.

    `board-source` for a file that is missing or another one; `recipe-step` for a step that does not suit it;
    `board-coverage` for gaps, overlaps and leftovers; `board-parts` and `part-...` for parts.
    """
    if not 1 <= copies <= MAX_COPIES:
        raise BenchError(
            Code.BOARD_PARTS,
            f"{copies} copies cannot be planned at once",
            hint=f"1 to {MAX_COPIES} are accepted.",
            field="copies",
        )
    contents = Contents(recipe, images)
    positions = recipe.board.positions
    seatings = [
        seat(position, catalogue, contents.where("positions", index))
        for index, position in enumerate(positions)
    ]
    windows = [contents.window(index) for index in range(len(positions))]
    check_coverage(recipe, contents, windows, [seating.wired.size_bytes for seating in seatings])
    planner = _Planner(recipe, contents, seatings, windows, catalogue, on_hand, copies, first_copy)
    return planner.plan(images)


class _Planner:
    def __init__(
        self,
        recipe: BoardRecipe,
        contents: Contents,
        seatings: Sequence[Seating],
        windows: Sequence[Window],
        catalogue: Catalogue,
        on_hand: Sequence[OnHand],
        copies: int,
        first_copy: int,
    ) -> None:
        self._recipe = recipe
        self._contents = contents
        self._seatings = seatings
        self._windows = windows
        self._on_hand = on_hand
        self._copies = copies
        self._first_copy = first_copy
        self._offers = self._look_through(catalogue)

    def _look_through(self, catalogue: Catalogue) -> list[list[Offer]]:
        """Judge every kind of chip on hand for every position."""
        parts = []
        for index, item in enumerate(self._on_hand):
            try:
                parts.append(catalogue.get(item.part))
            except BenchError as error:
                error.field = f"on_hand[{index}].part"
                raise
        return [
            [offer(item, chips, parts[item], seating) for item, chips in enumerate(self._on_hand)]
            for seating in self._seatings
        ]

    def plan(self, images: Mapping[str, Image]) -> BoardPlan:
        seats = {
            copy * len(self._seatings) + index: self._offers[index]
            for copy in range(self._copies)
            for index in range(len(self._seatings))
        }
        chosen = assign(seats, [item.count for item in self._on_hand])
        positions = tuple(self._position(index, chosen) for index in range(len(self._seatings)))
        chips = [chip for position in positions for chip in position.chips]
        return BoardPlan(
            self._recipe.id,
            self._recipe.board.name,
            self._copies,
            {name: images[name].sha256 for name in self._recipe.board.files},
            positions,
            self._purchases(chips),
            self._erasures(chips),
            sum(chip.estimated_s for chip in chips),
        )

    def _position(self, index: int, chosen: Mapping[int, Offer]) -> PlannedPosition:
        position, window = self._seatings[index].position, self._windows[index]
        origin = window.content.origin
        assert origin is not None
        made: dict[tuple[int, str], ChipContent] = {}
        chips = tuple(
            self._chip(index, copy, chosen.get(copy * len(self._seatings) + index), made)
            for copy in range(self._copies)
        )
        return PlannedPosition(
            position.label,
            position.title or "",
            len(window.content),
            window.traces,
            address_map(origin, self._contents.files),
            ChipContent.of(window.content.data.tobytes()),
            chips,
        )

    def _chip(
        self, index: int, copy: int, taken: Offer | None, made: dict[tuple[int, str], ChipContent]
    ) -> PlannedChip:
        seating = self._seatings[index]
        position = seating.position
        found = taken.stand_in if taken else self._to_buy(index)
        own_copy = self._first_copy + copy if self._contents.differs_by_copy(position) else 0
        if (own_copy, found.part.id) not in made:
            window = self._windows[index] if not own_copy else self._contents.window(index, own_copy)
            assert found.arrangement is not None
            data = arranged(window.content.data, found.arrangement, found.part.blank_byte)
            made[own_copy, found.part.id] = ChipContent.of(data.tobytes())
        content = made[own_copy, found.part.id]
        preparation = taken.preparation if taken else Preparation.NONE
        done = {Work.CONTENT}  # by the planner; a grade that is known was compared
        if taken and self._on_hand[taken.item].access_ns is not None:
            done.add(Work.GRADE)
        return PlannedChip(
            position.label,
            copy,
            found.part.id,
            found.part.name,
            taken.item if taken else None,
            preparation,
            taken.reason if taken else f"Nothing on hand goes in; {found.part.name} suits best.",
            (*(task.text for task in found.tasks if task.work not in done), *found.cautions),
            tuple(task.text for task in found.tasks if task.work is Work.CONTENT),
            content,
            _job(found, content),
            _estimated_s(found, content, preparation),
            self._rejected(index),
        )

    def _to_buy(self, index: int) -> StandIn:
        suitable = self._seatings[index].suitable
        if suitable:
            return suitable[0]
        seating = self._seatings[index]
        reasons = [f"{each.part.name}: {seating.why_not(each)}" for each in seating.candidates]
        where = self._contents.where("positions", index)
        raise where.located(
            ("parts" if seating.position.parts else "made_for",),
            BenchError(
                Code.BOARD_PARTS,
                f"none of the {len(reasons)} parts considered can go in. {reasons[0] if reasons else ''}",
                hint="Accept other parts, allow more effort, or give what the board has on its pins.",
                details={"reasons": reasons[:20]},
            ),
        )

    def _rejected(self, index: int) -> tuple[str, ...]:
        return tuple(
            f"{self._on_hand[each.item].label or each.stand_in.part.name}: {each.reason}"
            for each in self._offers[index]
            if each.rank is None
        )

    def _purchases(self, chips: Sequence[PlannedChip]) -> tuple[Purchase, ...]:
        missing: dict[tuple[tuple[str, ...], float], list[str]] = {}
        for chip in chips:
            if chip.item is None:
                seating = next(each for each in self._seatings if each.position.label == chip.position)
                ids = _equal_parts(seating)
                missing.setdefault((ids, seating.position.access_ns), []).append(chip.position)
        return tuple(
            Purchase(len(labels), ids, access_ns, tuple(dict.fromkeys(labels)))
            for (ids, access_ns), labels in missing.items()
        )

    def _erasures(self, chips: Sequence[PlannedChip]) -> tuple[Erasure, ...]:
        lit: dict[int, list[str]] = {}
        for chip in chips:
            if chip.preparation is Preparation.ERASE_BY_LIGHT and chip.item is not None:
                lit.setdefault(chip.item, []).append(chip.position)
        found = []
        for item, labels in lit.items():
            part = next(each.stand_in.part for each in self._offers[0] if each.item == item)
            dose = part.erase.dose_j_per_cm2
            assert dose is not None
            label = self._on_hand[item].label
            found.append(Erasure(len(labels), part.id, label, dose, tuple(dict.fromkeys(labels))))
        return tuple(found)


def _equal_parts(seating: Seating) -> tuple[str, ...]:
    """Return the ids of the parts that would hold the very same content as the one that suits best."""
    best = seating.suitable[0]
    ids = [
        each.part.id
        for each in seating.suitable
        if (each.arrangement, each.part.blank_byte) == (best.arrangement, best.part.blank_byte)
    ]
    return tuple(ids[:_ALTERNATIVES_TOLD])


def _job(found: StandIn, content: ChipContent) -> JobRequest:
    """Return the job that programs the whole content, once that is among the bench's images."""
    return JobRequest.model_validate(
        {
            "kind": JobKind.PROGRAM,
            "part": found.part.id,
            "image": Image.raw(content.data).sha256,
            "fill": found.part.blank_byte,
        }
    )


def _estimated_s(found: StandIn, content: ChipContent, preparation: Preparation) -> float:
    """Return the chip's own floor: words that are not blank, and the electrical erase if there is one."""
    part = found.part
    blank = bytes((part.blank_byte,)) * part.word_bytes
    words = part.words - _count_words(content.data, blank)
    seconds = fastest_program_s(part, words) if words else 0.0
    if preparation is Preparation.ERASE_BY_JOB:
        seconds += chip_erase_s(part) or 0.0
    return seconds


def _count_words(data: bytes, word: bytes) -> int:
    kind = np.uint8 if len(word) == 1 else np.dtype("<u2")
    words = np.frombuffer(data, dtype=kind)
    return int(np.count_nonzero(words == int.from_bytes(word, "little")))
