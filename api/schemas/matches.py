"""Which images are in some content."""

from pydantic import Field

from api.schemas.common import Shown
from daemon.drawer.lookup import Lane, Match, Relation


class MatchView(Shown):
    """An image, or a slice of one, that is in the content."""

    sha256: str = Field(description="The image that was found.")
    name: str = Field(description="What its user called it.")
    words: str = Field(description="The match in words: this is tern8.bin, upper half.")
    relation: Relation = Field(
        description="Whether it is the whole image, a half, a slice, or stands among others."
    )
    image_lane: Lane = Field(description="Which bytes of the image were found: all, even or odd ones.")
    content_lane: Lane = Field(description="In which bytes of the content.")
    swapped: bool = Field(description="Whether the bytes of each word are exchanged.")
    start_bytes: int = Field(description="Where in the content, or its lane, the common stretch begins.")
    image_start_bytes: int = Field(description="Where in the image, or its lane, it begins.")
    length_bytes: int = Field(description="How long it is.")
    differing_bytes: int = Field(description="How many bytes of it differ; 0 for none.")
    times: int = Field(description="How often the content repeats it.")

    @classmethod
    def of(cls, match: Match) -> "MatchView":
        """Show a match."""
        return cls.model_validate(match.to_json())


class MatchList(Shown):
    """The best match of each image, the best first."""

    matches: list[MatchView] = Field(description="The matches; at most ten.")
