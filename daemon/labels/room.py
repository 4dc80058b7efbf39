"""The room where labels are made out: from plans, batches and jobs."""

from collections.abc import Callable
from typing import TYPE_CHECKING

from daemon.boards.model import Board, Position
from daemon.boards.plan import BoardPlan, PlannedChip
from daemon.boards.shelf import BoardShelf
from daemon.catalogue.loader import Catalogue
from daemon.clock import Clock
from daemon.errors import BenchError, Code
from daemon.images.moving_steps import Split
from daemon.labels.model import LabelSheet, LabelText, line_of
from daemon.labels.request import LabelOrder, LabelRequest
from daemon.store.model import JobRecord, JobState
from daemon.store.store import Store

if TYPE_CHECKING:
    from daemon.batches.desk import BatchDesk
    from daemon.batches.model import Item
    from daemon.image_shelf import ImageShelf


class LabelRoom:
    """Makes labels out. Thread-safe: it only reads."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        catalogue: Catalogue,
        shelf: "ImageShelf",
        boards: Callable[[], BoardShelf],
        batches: "Callable[[], BatchDesk]",
    ) -> None:
        self._store = store
        self._clock = clock
        self._catalogue = catalogue
        self._shelf = shelf
        self._boards = boards
        self._batches = batches

    def sheet(self, request: LabelRequest) -> LabelSheet:
        """Return the labels that are asked for, on their stock.

        Raises BenchError: `not-found`, `label-invalid` for a job that gives no label, what planning raises.
        """
        if request.board is not None:
            labels = self._of_board(request)
        elif request.batch is not None:
            labels = self._of_batch(request)
        elif request.jobs:
            labels = [self._of_job(request, self._store.jobs.get(job_id)) for job_id in request.jobs]
        else:
            labels = list(request.labels)
        if not labels:
            raise BenchError(
                Code.LABEL_INVALID,
                f"batch {request.batch} has no chip that is made",
                hint="Leave out only_made to get labels for all of it.",
                field="only_made",
            )
        return LabelSheet(tuple(labels), request.stock, request.start_at)

    def _of_board(self, request: LabelRequest) -> list[LabelText]:
        assert request.board is not None
        view = self._boards().get(request.board)
        plan = self._boards().plan(request.board, request.plan)
        assert view.board is not None  # a recipe that cannot be read has no plan
        chips = list(plan.chips)
        if request.order is LabelOrder.BY_POSITION:
            labels = [position.label for position in plan.positions]
            chips.sort(key=lambda chip: labels.index(chip.position))
        return [self._of_chip(request, view.board, plan, chip) for chip in chips]

    def _of_chip(self, request: LabelRequest, board: Board, plan: BoardPlan, chip: PlannedChip) -> LabelText:
        position = board.position(chip.position)
        on_hand = request.plan.on_hand[chip.item] if chip.item is not None else None
        access_ns = on_hand.access_ns if on_hand and on_hand.access_ns else None
        number = request.plan.first_copy + chip.copy + 1
        last = request.plan.first_copy + plan.copies
        return LabelText(
            title=self._title(request, board.name),
            position=chip.position,
            lane=lane_of(position),
            part=_part_words(chip.part_name, access_ns, position.access_ns),
            crc32=chip.content.crc32,
            byte_sum_16=chip.content.byte_sum_16,
            date=self._date(request),
            set=f"set {number} of {last}" if last > 1 else "",
        )

    def _of_batch(self, request: LabelRequest) -> list[LabelText]:
        assert request.batch is not None
        live = self._batches().get(request.batch)
        board = self._boards().get(live.plan.board_id).board
        positions = {position.label: position for position in board.positions} if board else {}
        last = live.plan.first_set + live.plan.sets - 1
        return [
            self._of_item(request, live.plan.board_name, item, positions.get(item.position), last)
            for item in live.plan.items
            if item.index in live.state.made or not request.only_made
        ]

    def _of_item(
        self, request: LabelRequest, board_name: str, item: "Item", position: Position | None, last: int
    ) -> LabelText:
        return LabelText(
            title=self._title(request, board_name),
            position=item.position,
            lane=lane_of(position) if position else "",
            part=_part_words(item.part_name, item.access_ns, position.access_ns if position else None),
            crc32=item.crc32,
            byte_sum_16=int(self._shelf.get(item.image_sha256).facts["byte_sum_16"], 16),
            date=self._date(request),
            set=f"set {item.set_number} of {last}" if last > 1 else "",
        )

    def _of_job(self, request: LabelRequest, job: JobRecord) -> LabelText:
        numbers = (job.outcome or {}).get("numbers") or {}
        if job.state is not JobState.SUCCEEDED or "crc32" not in numbers:
            raise BenchError(
                Code.LABEL_INVALID,
                f"job {job.id} ({job.kind}, {job.state}) says nothing that could stand on a label",
                hint="Name a job that programmed, verified or read a chip and succeeded.",
                field="jobs",
            )
        image = self._shelf.get(job.image_sha256).name if job.image_sha256 else "read"
        total = numbers.get("byte_sum_16")
        return LabelText(
            title=self._title(request, image),
            part=line_of(self._catalogue.get(job.part_id).name) if job.part_id else "",
            crc32=int(numbers["crc32"], 16),
            byte_sum_16=int(total, 16) if total else None,
            date=self._date(request, job),
        )

    def _title(self, request: LabelRequest, known: str) -> str:
        return line_of("  ".join(filter(None, (request.title or known, request.version))))

    def _date(self, request: LabelRequest, job: JobRecord | None = None) -> str:
        when = job.ended_at if job and job.ended_at else self._clock.utc_now()
        # The day as it is where the bench stands.
        return (request.date or when.astimezone().date()).isoformat()


def lane_of(position: Position) -> str:
    """Return which bytes a position takes, from the recipe's own steps: "even bytes", "odd bytes"."""
    for step in position.steps:
        if isinstance(step, Split) and step.ways == 2:
            unit = "bytes" if step.unit_bytes == 1 else "words" if step.unit_bytes == 2 else "units"
            return f"{('even', 'odd')[step.lane]} {unit}"
    return line_of((position.title or "").split(",")[0])


def _part_words(name: str, access_ns: float | None, needed_ns: float | None) -> str:
    """Return the part and its speed: the grade that is marked on it, else what the board needs."""
    if access_ns:
        return line_of(f"{name} {access_ns:g} ns")
    return line_of(f"{name} max. {needed_ns:g} ns" if needed_ns else name)
