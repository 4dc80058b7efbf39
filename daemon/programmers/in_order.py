"""Requests that are under way one behind another, and their ends given back in the order of the requests."""

from collections.abc import Iterable, Iterator
from typing import Any

from protocol.host.events import Completed
from protocol.wire import Opcode

Asked = tuple[Opcode, Any]
"""An opcode and its message."""


class InOrder:
    """What is still to be sent, what is under way, and which ends wait for the end of an earlier request.

    A result that overtook another, which the line had lost, is held back until that one is there too.
    """

    def __init__(self, requests: Iterable[Asked | None]) -> None:
        """Take `requests`; it may yield None for "not before another has ended", while one is under way."""
        self._source = iter(requests)
        self._dry = False
        self._under_way: dict[int, Completed | None] = {}

    def __len__(self) -> int:
        return len(self._under_way)

    def __contains__(self, ticket: int) -> bool:
        return ticket in self._under_way

    @property
    def done(self) -> bool:
        """Whether all has been sent and has ended."""
        if self._under_way:
            return False
        assert self._dry, "who waits for an answer has asked for something"
        return True

    def next(self) -> Asked | None:
        """Return what is to be sent next, None if there is nothing, or nothing now."""
        if self._dry:
            return None
        for asked in self._source:
            return asked
        self._dry = True
        return None

    def sent(self, ticket: int) -> None:
        """Note the ticket of what was taken last."""
        self._under_way[ticket] = None

    def ended(self, completed: Completed) -> bool:
        """Take the end of a request; False if it is none of these."""
        if completed.ticket not in self._under_way:
            return False
        self._under_way[completed.ticket] = completed
        return True

    def take(self) -> Iterator[Completed]:
        """Take out and yield the ends up to the first request that has not ended."""
        while self._under_way and (completed := next(iter(self._under_way.values()))) is not None:
            del self._under_way[completed.ticket]
            yield completed
