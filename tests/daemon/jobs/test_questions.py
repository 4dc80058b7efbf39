"""A job's question and its answer, across threads."""

import threading

import pytest

from daemon.errors import BenchError, Code
from daemon.jobs.context import Question
from daemon.jobs.questions import QuestionBox

SET = Question("set-supplies", "Set VPP to 12.75 V.")


def test_nothing_is_asked_so_nothing_is_answered():
    with pytest.raises(BenchError) as caught:
        QuestionBox().answer(True)
    assert caught.value.code is Code.NO_QUESTION


@pytest.mark.parametrize("yes", [True, False])
def test_the_answer_comes_from_another_thread(yes):
    box = QuestionBox()
    answered = threading.Event()

    def meanwhile():
        if not answered.is_set():
            answered.set()
            threading.Thread(target=box.answer, args=(yes,)).start()

    assert box.ask(SET, meanwhile) is yes
    with pytest.raises(BenchError):
        box.answer(yes)


def test_meanwhile_may_give_up():
    box = QuestionBox()

    def unplugged():
        raise BenchError(Code.LINK_LOST, "gone")

    with pytest.raises(BenchError):
        box.ask(SET, unplugged)
    with pytest.raises(BenchError):
        box.answer(True)


def test_only_the_first_answer_counts():
    box = QuestionBox()
    seen = []

    def meanwhile():
        if not seen:
            box.answer(True)
            seen.append("answered")
            with pytest.raises(BenchError):
                box.answer(False)

    assert box.ask(SET, meanwhile) is True
    assert seen


def test_an_answer_may_come_before_the_worker_waits():
    box = QuestionBox()
    box.begin(SET)
    box.answer(True)
    assert box.ask(SET, lambda: pytest.fail("it was answered")) is True


def test_an_answer_to_one_question_is_none_to_the_next():
    box = QuestionBox()
    box.begin(SET)
    box.answer(True)
    box.ask(SET, lambda: None)
    other = Question("set-supplies", "Set VCC to 6.00 V.")

    def meanwhile():
        raise BenchError(Code.LINK_LOST, "gone")

    with pytest.raises(BenchError):
        box.ask(other, meanwhile)
