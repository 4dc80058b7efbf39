"""A chip on the virtual bench, examined by what can be seen of it alone."""

from collections.abc import Callable
from typing import Any

import numpy as np

from daemon.drawer.lookup import Match
from daemon.drawer.start import unmarked_part
from daemon.jobs.estimate import estimate_job
from daemon.jobs.kinds import TITLES, steps_for
from daemon.jobs.questions import QuestionBox
from daemon.jobs.request import JobRequest, sight_of
from daemon.jobs.runner import Assignment, JobControl, Runner
from daemon.programmers.session import StopSignal
from daemon.store.model import JobChange, JobKind, JobRecord, JobState, NewJob, Step
from simulator.chip.chip import Chip
from simulator.supplies import SupplyName
from tests.support.virtual_bench import PARTS, PROGRAMMER_ID, VirtualBench


class Answers(QuestionBox):
    """Answers each question beforehand by its code, and remembers what was asked."""

    def __init__(self, **by_code: bool) -> None:
        super().__init__()
        self.by_code = {code.replace("_", "-"): yes for code, yes in by_code.items()}
        self.asked: list[Any] = []
        self.before_answer: Callable[[], None] = lambda: None

    def ask(self, question: Any, meanwhile: Callable[[], None]) -> bool:
        self.asked.append(question)
        self.before_answer()
        meanwhile()
        return self.by_code[question.code]


class DrawerBench:
    """A bench with one chip that nobody has told the daemon of."""

    def __init__(self, bench: VirtualBench) -> None:
        self.bench = bench
        self.questions = Answers()
        self.matches: tuple[Match, ...] = ()
        self.before_answer: Callable[[], None] = lambda: None

    def examine(self, **seen: Any) -> JobRecord:
        """Run an examine job; `answers` are the answers to its questions by code."""
        self.questions = Answers(**seen.pop("answers", {}))
        self.questions.before_answer = self.before_answer
        bench, session = self.bench, self.bench.session
        request = JobRequest(kind=JobKind.EXAMINE, **seen)
        part = unmarked_part(PARTS, sight_of(request), session.identity)
        hello = session.hello
        assert hello is not None
        estimate = estimate_job(request, part, None, session.identity, hello.max_payload, None)
        job = bench.store.jobs.create(
            NewJob(
                kind=request.kind,
                programmer_id=PROGRAMMER_ID,
                steps=tuple(Step(name, TITLES[name]) for name in steps_for(request.kind, part)),
                estimate=estimate.to_json(),
            )
        )
        job = bench.store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
        runner = Runner(bench.store, bench.clock, PARTS, bench._keep, lambda _content: self.matches)
        control = JobControl(StopSignal(), self.questions)
        end = runner.run(Assignment(job, request, part, None, False), session, control)
        return bench.store.jobs.update(job.id, end)

    @property
    def chip(self) -> Chip:
        chip = self.bench.programmer.socket.chip
        assert chip is not None
        return chip

    @property
    def id_switch_ons(self) -> int:
        """How often the ID voltage was switched on."""
        return self.bench.programmer.supplies.named(SupplyName.ID).switch_ons

    @property
    def never_powered(self) -> bool:
        return self.bench.programmer.supplies.named(SupplyName.VCC).switch_ons == 0


def chip_of(part_id: str, content: bytes | None = None, **more: Any) -> Chip:
    """Return a chip of a part, with this content made at its maker's."""
    part = PARTS.get(part_id)
    chip = Chip(part, more.pop("seed", 1), **more)
    if content is not None:
        chip.program_at_maker(
            np.frombuffer(content, dtype="<u2" if part.word_bytes == 2 else "u1").astype(np.uint16)
        )
    return chip
