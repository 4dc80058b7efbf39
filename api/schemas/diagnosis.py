"""The walk round a board that is dead although its chip verifies."""

from collections.abc import Iterable

from pydantic import Field

from api.schemas.common import Shown
from daemon.diagnosis.board_dead import Look, Point


class PointView(Shown):
    """One thing to look at on a board that is dead although its chip verifies."""

    code: str = Field(description="Stable code, such as `access-time`.")
    title: str = Field(description="Its name for people.")
    verdict: Look = Field(description="`well`, `wrong`, `to-do`, or `limit`: what cannot be seen here.")
    words: str = Field(description="What to look at, with the part's own figures.")
    source: str = Field(description="Where the figures are from; empty: common practice, no source.")


class DeadBoardWalk(Shown):
    """The points in the order in which they are looked at."""

    points: list[PointView] = Field(description="The points.")

    @classmethod
    def of(cls, points: Iterable[Point]) -> "DeadBoardWalk":
        """Show the points."""
        return cls(
            points=[
                PointView(
                    code=each.code,
                    title=each.title,
                    verdict=each.verdict,
                    words=each.words,
                    source=each.source,
                )
                for each in points
            ]
        )
