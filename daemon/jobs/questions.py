"""Questions that a job asks a person: the worker waits, an API thread brings the answer."""

import threading
from collections.abc import Callable

from daemon.errors import BenchError, Code
from daemon.jobs.context import Question

#: How often a waiting worker looks after its programmer, so that an unplugged one is noticed.
_LOOK_S = 0.2


class QuestionBox:
    """At most one open question of one job."""

    def __init__(self) -> None:
        self._condition = threading.Condition()
        self._question: Question | None = None
        self._answer: bool | None = None

    def begin(self, question: Question) -> None:
        """Take answers to `question` from now on: to be called before anybody can hear of it."""
        with self._condition:
            self._question, self._answer = question, None

    def ask(self, question: Question, meanwhile: Callable[[], None]) -> bool:
        """Wait for the answer; `meanwhile` is called again and again and may raise to give up."""
        if self._question is not question:
            self.begin(question)
        try:
            while True:
                with self._condition:
                    if self._condition.wait_for(lambda: self._answer is not None, _LOOK_S):
                        return bool(self._answer)
                meanwhile()
        finally:
            with self._condition:
                self._question = None

    def poll(self) -> bool | None:
        """Return the answer that came since the last call, None for none; the question stays open."""
        with self._condition:
            answer, self._answer = self._answer, None
            return answer

    def end(self) -> None:
        """Take no more answers."""
        with self._condition:
            self._question = self._answer = None

    def answer(self, yes: bool) -> None:
        """Answer the open question. Raises BenchError `no-question` when none is open."""
        with self._condition:
            if self._question is None or self._answer is not None:
                raise BenchError(
                    Code.NO_QUESTION,
                    "this job does not wait for an answer",
                    hint="Look at the job: it may have gone on or ended.",
                )
            self._answer = yes
            self._condition.notify_all()
