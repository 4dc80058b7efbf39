"""Things that are made when they are first wanted, so that the daemon is ready without them."""

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

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
