"""A job that waits for its chip is followed without anybody's answering."""

from typing import Any

import pytest

from cli.client import Event
from cli.follow import Follower
from cli.live import JobLines, PlainView
from cli.out import Out

JOB: dict[str, Any] = {"id": "j_1", "state": "waiting", "steps": []}


class Client:
    """A client whose job waits; it keeps what is posted."""

    def __init__(self) -> None:
        self.posted: list[tuple[str, Any]] = []

    def get(self, path: str) -> dict[str, Any]:
        return JOB

    def post(self, path: str, body: Any = None) -> None:
        self.posted.append((path, body))


@pytest.mark.parametrize(("noticed_by", "answers"), [("pins", 0), ("button", 0), ("answer", 1), (None, 1)])
def test_only_what_nobody_can_notice_is_asked(
    noticed_by: str | None, answers: int, capsys: pytest.CaptureFixture[str]
) -> None:
    client, out = Client(), Out()
    follower = Follower(client, out, JOB)  # type: ignore[arg-type]
    question = {"code": "next-chip", "words": "Put in the next M27C512.", "noticed_by": noticed_by}
    follower._take(Event(1, "job-question", {"data": question}), PlainView(out, JobLines()))
    assert "Put in the next M27C512." in capsys.readouterr().err
    # There is no terminal here: what has to be answered is given up, as before.
    assert [body for _, body in client.posted] == [{"confirm": False}] * answers
