"""Rooms of the bench that are made when they are first wanted, so that the daemon is ready without them."""

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Generic, TypeVar

import structlog

from daemon.catalogue.loader import Catalogue
from daemon.clock import Clock
from daemon.image_shelf import ImageShelf
from daemon.store.store import Store

if TYPE_CHECKING:
    from daemon.batches.desk import BatchDesk
    from daemon.boards.shelf import BoardShelf
    from daemon.boards.shopping import ShoppingList, ShoppingRequest
    from daemon.drawer.lookup import Lookup
    from daemon.erasure.inputs import Spread
    from daemon.exposures.room import ErasingRoom
    from daemon.exposures.tray_check import JobDoor
    from daemon.images.desk import ContentDesk
    from daemon.jobs.desk import JobDesk
    from daemon.labels.room import LabelRoom
    from daemon.records.room import RecordRoom
    from daemon.settings import Settings
    from daemon.store.blobs import Blobs

_log = structlog.get_logger(__name__)

_BOARDS = "boards"

T = TypeVar("T")


class Late(Generic[T]):
    """One thing, made by the first thread that asks for it."""

    def __init__(self, make: Callable[[], T]) -> None:
        self._make = make
        self._lock = threading.Lock()
        self._made: list[T] = []

    def get(self) -> T:
        """Return it; what making it raises passes on, and the next call tries again."""
        with self._lock:
            if not self._made:
                self._made.append(self._make())
            return self._made[0]

    @property
    def made(self) -> T | None:
        """The thing, if anybody has asked for it so far."""
        with self._lock:
            return self._made[0] if self._made else None


class LateRooms:
    """What the bench can do beside jobs. Each is imported with its first use."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        catalogue: Catalogue,
        shelf: ImageShelf,
        blobs: "Blobs",
        settings: "Settings",
    ) -> None:
        self._store = store
        self._clock = clock
        self._catalogue = catalogue
        self._shelf = shelf
        self._blobs = blobs
        self._settings = settings
        self._boards_folder = settings.state_dir / _BOARDS
        #: Where rooms hand in jobs of their own; the bench says so before any room is entered.
        self.jobs: JobDoor
        self.practice_lamps = False
        #: The job desk itself, for batches: they take up what was cut off.
        self.desk: JobDesk
        self.contents: Late[ContentDesk] = Late(self._make_contents)
        self.boards: Late[BoardShelf] = Late(self._make_boards)
        self.erasing: Late[ErasingRoom] = Late(self._make_erasing)
        self.lookup: Late[Lookup] = Late(self._make_lookup)
        self.batches: Late[BatchDesk] = Late(self._make_batches)
        self.labels: Late[LabelRoom] = Late(self._make_labels)
        self.records: Late[RecordRoom] = Late(self._make_records)

    def _make_contents(self) -> "ContentDesk":
        from daemon.images.desk import ContentDesk

        return ContentDesk(self._shelf, self._catalogue)

    def _make_boards(self) -> "BoardShelf":
        from daemon.boards.shelf import BoardShelf

        return BoardShelf(self._boards_folder, self._catalogue, self._shelf)

    def _make_erasing(self) -> "ErasingRoom":
        from daemon.exposures.room import ErasingRoom

        room = ErasingRoom(
            self._store, self._catalogue, self._clock, self.jobs, practice_lamps=self.practice_lamps
        )
        for exposure in room.exposures.start():
            _log.warning("an exposure was left lit: somebody has to say how long", exposure=exposure.id)
        room.checks.start()
        return room

    def _make_batches(self) -> "BatchDesk":
        from daemon.batches.desk import BatchDesk

        desk = BatchDesk(self._store, self._clock, self._catalogue, self.desk, self.boards.get)
        desk.restore()
        return desk

    def _make_labels(self) -> "LabelRoom":
        from daemon.labels.room import LabelRoom

        return LabelRoom(
            self._store, self._clock, self._catalogue, self._shelf, self.boards.get, self.batches.get
        )

    def _make_records(self) -> "RecordRoom":
        from daemon.records.backup import OwnFiles, clear_leftovers
        from daemon.records.room import RecordRoom

        clear_leftovers(self._settings.state_dir)
        own = OwnFiles(self._boards_folder, self._settings.parts_dir, self._settings.adapters_dir)
        return RecordRoom(self._store, self._blobs, own, self._clock)

    def _make_lookup(self) -> "Lookup":
        from daemon.drawer.lookup import Lookup

        return Lookup(self._shelf)


class Rooms:
    """The doors to the rooms that are made when they are first wanted; the bench has them."""

    _late: LateRooms

    @property
    def contents(self) -> "ContentDesk":
        """What can be done with contents: recipes, line orders, hex, test contents."""
        return self._late.contents.get()

    @property
    def boards(self) -> "BoardShelf":
        """The boards that are known, and their plans."""
        return self._late.boards.get()

    @property
    def erasing(self) -> "ErasingRoom":
        """Lamps, trays, exposures and lots."""
        return self._late.erasing.get()

    @property
    def batches(self) -> "BatchDesk":
        """Sets of boards, chip by chip."""
        return self._late.batches.get()

    @property
    def labels(self) -> "LabelRoom":
        """Labels for the chips of plans, batches and jobs."""
        return self._late.labels.get()

    @property
    def records(self) -> "RecordRoom":
        """What was done here: found, given out, backed up."""
        return self._late.records.get()

    def shopping(self, board: str, request: "ShoppingRequest") -> "ShoppingList":
        """Say what is on hand for some sets of a board, what light frees in time, and what to buy.

        Raises BenchError: as planning does, `not-found` for a lamp.
        """
        from daemon.boards.shopping import shopping_list
        from daemon.exposures.request import ChipsWanted, TrayWish

        def load_s(part_id: str, chips: int) -> "Spread":
            assert request.lamp is not None
            wish = TrayWish(
                lamp=request.lamp, chips=(ChipsWanted.model_validate({"part": part_id, "chips": chips}),)
            )
            _, plans = self.erasing.exposures.plans(wish)
            return plans[0].total_s

        if request.lamp is not None:
            self.erasing.lamps.get(request.lamp)
        plan = self.boards.plan(board, request.plan)
        return shopping_list(plan, load_s if request.lamp else None, request.hours)
