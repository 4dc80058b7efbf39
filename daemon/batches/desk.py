"""Runs the batches of a bench: gives their orders to the job desk, and what becomes of them to the machine.

A batch is driven by what the records say, not by what was heard: after each event that may concern it, its
job is looked at as it stands. So nothing is lost by a restart or a missed event, and nothing happens twice.
"""

import contextlib
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import structlog

from daemon.batches import events as happened
from daemon.batches import machine
from daemon.batches.following import news_of
from daemon.batches.judging import CUT_OFF
from daemon.batches.keeping import change_of, events_of, plan_to_json, progress_to_json, read_back
from daemon.batches.model import OVER, Order, Phase, Plan, Purpose, State, Status
from daemon.batches.request import Act, BatchAct, BatchRequest
from daemon.batches.setting_up import batch_plan, job_request, supplies_stand
from daemon.boards.shelf import PlanRequest
from daemon.catalogue.loader import Catalogue
from daemon.clock import Clock
from daemon.errors import BenchError, Code
from daemon.jobs.desk import JobDesk
from daemon.store.batches import OPEN_STATES, BatchRecord
from daemon.store.model import EventRecord, JobRecord, JobState
from daemon.store.store import Store

if TYPE_CHECKING:
    from daemon.boards.shelf import BoardShelf

_log = structlog.get_logger(__name__)

#: Even without news every batch is looked at so often, seconds of real time: a store may have been ill.
_LOOK_S = 2.0
_JOB_EVENTS = frozenset({"job-state", "job-step", "job-question"})
_PROGRAMMER_EVENTS = frozenset({"programmer-appeared", "programmer-state"})
#: A batch whose orders are refused again and again without an end would loop: so many steps at once, no more.
_STEPS_MAX = 50


@dataclass(slots=True)
class Live:
    """One batch in memory. `lease_id` is that of whoever set it going, if several clients share."""

    record: BatchRecord
    plan: Plan
    request: BatchRequest
    state: State
    lease_id: str | None = None


class BatchDesk:
    """The batches of one bench. Thread-safe; `restore` comes first, `stop` last."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        catalogue: Catalogue,
        jobs: JobDesk,
        boards: "Callable[[], BoardShelf]",
    ) -> None:
        self._store = store
        self._clock = clock
        self._catalogue = catalogue
        self._jobs = jobs
        self._boards = boards
        self._lock = threading.RLock()
        self._live: dict[str, Live] = {}
        self._stopping = threading.Event()
        self._news = threading.Event()
        self._last_event = 0
        self._thread: threading.Thread | None = None
        self._end_listening: Callable[[], None] = lambda: None

    # Life

    def restore(self) -> None:
        """Take up what an earlier run left open: paused, with what became of its job."""
        with self._lock:
            self._last_event = self._store.events.newest_id()
            for record in reversed(self._store.batches.list(states=OPEN_STATES, limit=1_000)):
                try:
                    live = Live(record, *read_back(record))
                except (ValueError, KeyError) as error:
                    _log.error("a batch was recorded by another version", batch=record.id, reason=str(error))
                    continue
                self._live[record.id] = live
                self._step(live, happened.Restarted())
                self._drop_queued(live)
                self._sync(live)

    def _drop_queued(self, live: Live) -> None:
        """Cancel a job that had not begun: paused means that nothing begins by itself."""
        job_id = live.state.job_id
        if job_id is not None and self._store.jobs.get(job_id).state is JobState.QUEUED:
            self._jobs.cancel(job_id)

    def stop(self) -> None:
        """Give no more orders. Jobs are stopped by the job desk, after this."""
        self._stopping.set()
        self._news.set()
        self._end_listening()
        if self._thread is not None:
            self._thread.join(5.0)

    # Asking and telling

    def create(
        self, request: BatchRequest, *, lease_id: str | None = None, idempotency_key: str | None = None
    ) -> Live:
        """Set a batch going. Raises BenchError: what boards, parts and jobs raise; `batch-state`."""
        programmer = self._jobs.roster.find(request.programmer)
        wanted = PlanRequest(
            sources=request.sources,
            on_hand=request.on_hand,
            copies=request.sets,
            first_copy=request.first_set - 1,
        )
        board = self._boards().plan(request.board, wanted, keep=True)
        identity = self._jobs.roster.session_of(programmer.id).identity
        plan = batch_plan(request, board, self._catalogue, identity.capabilities)
        self._refuse_impossible(plan, request, programmer.id)
        with self._lock:
            self._refuse_second(programmer.id)
            state = machine.begin(plan)
            record = self._store.batches.create(
                programmer_id=programmer.id,
                board_id=board.board_id,
                state=str(state.status),
                plan=plan_to_json(plan, request),
                progress=progress_to_json(state),
                idempotency_key=idempotency_key,
            )
            live = self._live[record.id] = Live(record, plan, request, state, lease_id)
            self._listen()
            self._sync(live)
            return live

    def _refuse_impossible(self, plan: Plan, request: BatchRequest, programmer_id: str) -> None:
        """Look one job of each kind of item through, so that the batch is not refused half-way."""
        seen: set[tuple[str, str]] = set()
        for item in plan.items:
            if (item.position, item.part_id) not in seen:
                seen.add((item.position, item.part_id))
                order = Order(1, Purpose.MAKE, item.index)
                self._jobs.plan(job_request(plan, order, request, programmer_id))

    def _refuse_second(self, programmer_id: str) -> None:
        for live in self._live.values():
            if live.record.programmer_id == programmer_id and live.state.status is Status.ACTIVE:
                raise BenchError(
                    Code.BATCH_STATE,
                    f"batch {live.record.number} is under way on this programmer",
                    hint="Pause or end it first.",
                )

    def get(self, name: str) -> Live:
        """Return a batch by id or number. Raises BenchError `not-found`."""
        with self._lock:
            record = self._store.batches.get(name)
            return self._live.get(record.id) or Live(record, *_read(record))

    def list(self, *, limit: int, before_number: int | None) -> list[Live]:
        """Return batches, newest first."""
        with self._lock:
            records = self._store.batches.list(limit=limit, before_number=before_number)
            return [self._live.get(record.id) or Live(record, *_read(record)) for record in records]

    def act(self, name: str, act: BatchAct, *, lease_id: str | None = None) -> Live:
        """Do something to a batch. Raises BenchError: `not-found`, `batch-state`, `no-question`."""
        with self._lock:
            live = self.get(name)
            if live.state.status in OVER:
                raise BenchError(
                    Code.BATCH_STATE,
                    f"batch {live.record.number} is {live.state.status}",
                    hint="Start another one for what is still to be made.",
                )
            if act.act in _ANSWERS:
                self._answer(live, act.act)
                return live
            if act.act is Act.RESUME:
                if live.state.status is Status.PAUSED:
                    self._refuse_second(live.record.programmer_id)
                live.lease_id = lease_id or live.lease_id
                self._listen()
            before = live.state
            self._step(live, _EVENTS[act.act](act))
            if live.state == before and act.act not in _MAY_REPEAT:
                raise BenchError(
                    Code.BATCH_STATE,
                    f"batch {live.record.number} is {before.status} ({before.phase}): {act.act} does not fit",
                    hint="Look at what it asks for now.",
                )
            self._sync(live)
            return live

    def _answer(self, live: Live, act: Act) -> None:
        job_id = live.state.job_id
        if job_id is None or (act is Act.CHIP_IN) is live.state.arrived:
            raise BenchError(
                Code.NO_QUESTION,
                f"batch {live.record.number} does not wait for that now",
                hint="Look at what it asks for now.",
            )
        self._jobs.answer(job_id, act is not Act.NO)

    # The thread

    def _listen(self) -> None:
        """Follow the bench's events from now on. Lock held."""
        if self._thread is not None:
            return
        self._last_event = self._last_event or self._store.events.newest_id()
        self._end_listening = self._store.on_event(lambda _newest: self._news.set())
        self._thread = threading.Thread(target=self._run, name="batches", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stopping.is_set():
            heard = self._news.wait(_LOOK_S)
            self._news.clear()
            try:
                self._catch_up(everything=not heard)
            except BenchError as error:
                _log.warning("batches could not be looked after", reason=error.message)
                self._stopping.wait(0.5)
            except Exception:
                _log.exception("batches could not be looked after")
                self._stopping.wait(0.5)

    def _catch_up(self, *, everything: bool) -> None:
        while news := self._store.events.after(self._last_event):
            self._last_event = news[-1].id
            everything = everything or any(map(self._concerns, news))
        if everything:
            with self._lock:
                for live in list(self._live.values()):
                    self._sync(live)

    def _concerns(self, event: EventRecord) -> bool:
        if event.type in _PROGRAMMER_EVENTS:
            return True
        jobs = {live.state.job_id for live in self._live.copy().values()}
        return event.type in _JOB_EVENTS and event.job_id in jobs

    # Driving

    def _sync(self, live: Live) -> None:
        """Bring the machine to what the records say, and hand in what it orders. Lock held."""
        for _ in range(_STEPS_MAX):
            before = live.state
            if live.state.job_id is not None:
                self._look_at_job(live, self._store.jobs.get(live.state.job_id))
            elif live.state.phase is Phase.NO_PROGRAMMER and self._is_back(live):
                self._step(live, happened.ProgrammerBack())
            elif live.state.phase is Phase.STARTING and live.state.order is not None:
                self._hand_in(live, live.state.order)
            if live.state == before or self._stopping.is_set():
                break
        if live.state.status in OVER:
            self._live.pop(live.record.id, None)

    def _look_at_job(self, live: Live, job: JobRecord) -> None:
        for event in news_of(live.plan, live.state, job):
            self._step(live, event)

    def _is_back(self, live: Live) -> bool:
        with contextlib.suppress(BenchError):
            self._jobs.roster.session_of(live.record.programmer_id)
            return True
        return False

    def _hand_in(self, live: Live, order: Order) -> None:
        """Hand an order in as a job, once: its key finds the job again that a crash left unanswered."""
        key = f"{live.record.id}.{order.number}"
        job = self._store.jobs.find_by_key(key)
        if job is None:
            try:
                job = self._submit(live, order, key)
            except BenchError as error:
                if error.code is Code.BENCH_STOPPING:
                    return
                gone = error.code in CUT_OFF
                self._step(live, happened.Refused(str(error.code), error.message, gone))
                return
        self._step(live, happened.Submitted(job.id))

    def _submit(self, live: Live, order: Order, key: str) -> JobRecord:
        stand = supplies_stand(live.plan, live.state, order, live.request)
        request = job_request(
            live.plan, order, live.request, live.record.programmer_id, supplies_set=stand
        )  # fmt: skip
        continues = self._store.jobs.get(order.continues_id) if order.continues_id else None
        return self._jobs.submit(request, live.lease_id, idempotency_key=key, continues=continues)

    def _step(self, live: Live, event: happened.Event) -> None:
        """Move the machine, record it, and do what it asks for. What is not recorded has not happened."""
        before = live.state
        now_s = self._clock.utc_now().timestamp()
        after, cancels = machine.step(live.plan, before, event, now_s)
        if after == before:
            return
        change = change_of(live.plan, before, after)
        self._store.batches.update(
            live.record.id, change, *events_of(live.record, live.plan, before, after)
        )  # fmt: skip
        live.state = after
        for cancel in cancels:
            with contextlib.suppress(BenchError):  # it may have just ended
                self._jobs.cancel(cancel.job_id)


def _read(record: BatchRecord) -> tuple[Plan, BatchRequest, State]:
    try:
        return read_back(record)
    except (ValueError, KeyError) as error:
        raise BenchError(
            Code.BATCH_STATE,
            f"batch {record.number} was recorded by another version of this program",
            hint="Start it anew.",
        ) from error


_ANSWERS = frozenset({Act.CHIP_IN, Act.YES, Act.NO})
_MAY_REPEAT = frozenset({Act.PAUSE, Act.RESUME, Act.LABEL_ON})
_EVENTS: dict[Act, Callable[[BatchAct], happened.Event]] = {
    Act.PAUSE: lambda _act: happened.Pause(),
    Act.RESUME: lambda _act: happened.Resume(),
    Act.END: lambda _act: happened.End(),
    Act.LABEL_ON: lambda _act: happened.LabelOn(),
    Act.COUNT: lambda _act: happened.CountIt(),
    Act.REJECT: lambda act: happened.RejectIt(act.words),
}
