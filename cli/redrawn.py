"""A picture on the terminal that is redrawn in place until it is left."""

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Self

from cli.out import Out

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.live import Live


class Redrawn(ABC):
    """Draws what `render` gives, some times a second; whatever ends the block, the terminal is as before."""

    def __init__(self, out: Out, per_second: int) -> None:
        self._out = out
        self._per_second = per_second
        self._live: Live | None = None

    @abstractmethod
    def render(self) -> "RenderableType":
        """Return the picture as it stands."""

    def refresh(self) -> None:
        """Draw at once; nothing happens outside the block."""
        if self._live is not None:
            self._live.refresh()

    def __enter__(self) -> Self:
        from rich.live import Live

        self._live = Live(
            get_renderable=self.render, console=self._out.plain, refresh_per_second=self._per_second,
            redirect_stdout=False, redirect_stderr=False,
        )  # fmt: skip
        self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()
            self._live = None
