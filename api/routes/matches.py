"""Images: which others are in one."""

from fastapi import APIRouter

from api.routes.images import PATH, ImageId
from api.schemas.matches import MatchList, MatchView
from api.wiring import BenchHere

router = APIRouter(tags=["images"])


@router.get(f"{PATH}/{{sha256}}/matches")
def image_matches(bench: BenchHere, sha256: ImageId) -> MatchList:
    """Say which other images, or which slices of them, are in an image.

    Found are the same bytes anywhere: whole, repeated, a half or another slice, the even or odd bytes, bytes
    exchanged in their words.
    """
    return MatchList(matches=[MatchView.of(match) for match in bench.image_matches(sha256.lower())])
