"""Which image of the shelf, or which slice of one, is in some content.

Found are the same bytes anywhere: exact, repeated, a half or another slice, an image that stands somewhere in
the content, the even or odd bytes of one, bytes exchanged in their words. Candidates come from hashed blocks
(`anchors`) and are then compared byte by byte, so a match that is told is one.
"""

import hashlib
import threading
import zlib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from daemon.drawer.anchors import anchors, rolling
from daemon.errors import BenchError
from daemon.image_shelf import ImageShelf, ImageView
from daemon.images.repeats import repeats_of

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from daemon.drawer.anchors import Bytes

#: Places that are compared byte by byte; beyond it the same content is on the shelf many times over.
_COMPARED_MAX = 48
_TOLD_MAX = 10
#: Content that differs in up to this share of what both hold is told as a match with differing bytes.
_DIFFERING_SHARE = 1 / 64
_SIEVE_BITS = 24
_RECALLED_BYTES = 64 * 1024 * 1024
_BLANK = 0xFF


class Lane(StrEnum):
    """Which bytes: all, or every other one from the first (even) or the second (odd)."""

    ALL = "all"
    EVEN = "even"
    ODD = "odd"


class Relation(StrEnum):
    """How content and image belong together."""

    WHOLE = "whole"
    """The content is the image, blank bytes around it aside."""
    LOWER_HALF = "lower-half"
    UPPER_HALF = "upper-half"
    SLICE = "slice"
    """The content is another stretch of the image."""
    CONTAINS = "contains"
    """The image stands in the content, among other things."""


@dataclass(frozen=True, slots=True)
class Match:
    """An image that is in some content.

    `image_lane`: which bytes of the image were found; `content_lane`: in which bytes of the content.
    `start_bytes` is where in the content (its lane) the common stretch begins, `image_start_bytes` where in
    the image (its lane), `length_bytes` how long it is. `times`: how often the content repeats it.
    """

    sha256: str
    name: str
    relation: Relation
    image_lane: Lane
    content_lane: Lane
    swapped: bool
    start_bytes: int
    image_start_bytes: int
    length_bytes: int
    differing_bytes: int
    times: int

    def to_json(self) -> dict[str, object]:
        """Return the match as a job's record keeps it."""
        return asdict(self) | {"words": self.words}

    @property
    def words(self) -> str:
        """The match in a sentence without its full stop."""
        lane = "" if self.image_lane is Lane.ALL else f"the {self.image_lane} bytes of "
        end = self.image_start_bytes + self.length_bytes - 1
        whole = f"{lane}{self.name}"
        what = {
            Relation.LOWER_HALF: f"{whole}, lower half",
            Relation.UPPER_HALF: f"{whole}, upper half",
            Relation.SLICE: f"{whole}, bytes {self.image_start_bytes:#x} to {end:#x}",
        }.get(self.relation, whole)
        subject = "this is" if self.content_lane is Lane.ALL else f"its {self.content_lane} bytes are"
        if self.relation is Relation.CONTAINS:
            subject = subject.replace("this is", "among other things this holds").replace(" are", " hold")
        if self.start_bytes:
            what += f", from {self.start_bytes:#x} on"
        if self.times > 1:
            what += f", {self.times} times"
        if self.swapped:
            what += ", with the bytes of each word exchanged"
        if self.differing_bytes:
            what += f", but for {self.differing_bytes:,} byte{'s' if self.differing_bytes > 1 else ''}"
        return f"{subject} {what}"


@dataclass(frozen=True, slots=True)
class _Entry:
    """What is remembered of one image: per lane, hashes and their places."""

    lanes: "Mapping[Lane, tuple[NDArray[np.uint64], NDArray[np.int64]]]"


@dataclass(frozen=True, slots=True)
class _Table:
    """All anchors of all images, sorted by hash; `owners` index `keys`."""

    hashes: "NDArray[np.uint64]"
    places: "NDArray[np.int64]"
    owners: "NDArray[np.int64]"
    keys: tuple[tuple[str, Lane], ...]
    sieve: "NDArray[np.bool_]"


@dataclass(frozen=True, slots=True)
class _Query:
    """One form of the content that is looked for."""

    data: "Bytes"
    lane: Lane
    swapped: bool


@dataclass(frozen=True, slots=True)
class _Hit:
    """Two places that look alike: an image's lane, shifted by `delta_bytes` against the content."""

    sha256: str
    lane: Lane
    delta_bytes: int
    votes: int
    query: _Query


class Lookup:
    """Finds content on a shelf. Thread-safe; remembers hashes of images, not their bytes."""

    def __init__(self, shelf: ImageShelf) -> None:
        self._shelf = shelf
        self._lock = threading.Lock()
        self._entries: dict[str, _Entry] = {}
        self._table: _Table | None = None

    def find(self, content: bytes, *, exclude: Collection[str] = ()) -> tuple[Match, ...]:
        """Return what images are in the content, the best match of each, the best first.

        `exclude` are digests that are not to be told. An image whose file is damaged is passed over. The
        first call reads every image once; later ones only those that are new.
        """
        import numpy as np

        if not content or content.count(content[:1]) == len(content):
            return ()
        same = hashlib.sha256(content).hexdigest()
        repeats = repeats_of(content)
        unit = np.frombuffer(content, dtype=np.uint8)[: repeats.unit_bytes]
        with self._lock:
            views = {view.sha256: view for view in self._shelf.list() if view.sha256 not in exclude}
            table = self._refreshed()
        hits = [hit for query in _queries(unit) for hit in _hits(table, query) if hit.sha256 in views]
        hits.sort(key=lambda hit: -hit.votes)
        best: dict[str, Match] = {}
        if same in views:
            best[same] = Match(same, views[same].name, Relation.WHOLE, Lane.ALL, Lane.ALL, False, 0, 0,
                               len(content), 0, 1)  # fmt: skip
        loaded: dict[str, Bytes | None] = {}
        for hit in [hit for hit in hits if hit.sha256 != same][:_COMPARED_MAX]:
            if hit.sha256 not in loaded:
                loaded[hit.sha256] = self._load(hit.sha256)
            image = loaded[hit.sha256]
            match = None if image is None else _compare(hit, image, views[hit.sha256], repeats.times)
            if match is not None and (hit.sha256 not in best or _rank(match) < _rank(best[hit.sha256])):
                best[hit.sha256] = match
        return tuple(sorted(best.values(), key=_rank)[:_TOLD_MAX])

    def content_of(self, crc32: int, size_bytes: int) -> bytes | None:
        """Return content of this size and CRC-32 that the shelf knows, None if there is none.

        Looked at are images as they are, with blank bytes behind them, and the even and odd bytes and the
        halves of images of twice the size. The newest come first; after 64 MiB the search is given up.
        """
        looked_at = 0
        for view in self._shelf.list():
            span = int(view.facts.get("span_bytes", 0))
            if not 0 < span <= 2 * size_bytes or looked_at > _RECALLED_BYTES:
                continue
            image = self._load(view.sha256)
            looked_at += span
            for part in () if image is None else _parts_of(image.tobytes(), size_bytes):
                if zlib.crc32(part) == crc32:
                    return part
        return None

    def matches(self, digest: str) -> tuple[Match, ...]:
        """Return what other images are in an image. Raises BenchError `not-found` and what loading raises."""
        view = self._shelf.get(digest)
        image = self._shelf.load(view.sha256)
        content = image.flatten(image.span_bytes, offset_bytes=-image.lowest)
        return self.find(content, exclude={view.sha256})

    def _load(self, sha256: str) -> "Bytes | None":
        import numpy as np

        try:
            image = self._shelf.load(sha256)
        except BenchError:
            return None
        data = image.flatten(image.span_bytes, offset_bytes=-image.lowest)
        return np.frombuffer(data, dtype=np.uint8)

    def _refreshed(self) -> _Table:
        """Bring the table up to date with the shelf."""
        there = {view.sha256 for view in self._shelf.list()}
        if self._table is not None and there == self._entries.keys():
            return self._table
        for gone in self._entries.keys() - there:
            del self._entries[gone]
        for sha256 in sorted(there - self._entries.keys()):
            data = self._load(sha256)
            self._entries[sha256] = _Entry({} if data is None else dict(_lanes_of(data)))
        self._table = _table(self._entries)
        return self._table


def _parts_of(image: bytes, size_bytes: int) -> Iterator[bytes]:
    """Yield what of an image could fill a chip of this size."""
    if len(image) <= size_bytes:
        yield image.ljust(size_bytes, bytes((_BLANK,)))
    elif len(image) == 2 * size_bytes:
        yield from (image[0::2], image[1::2], image[:size_bytes], image[size_bytes:])


# Hashes


def _lanes_of(data: "Bytes") -> "Iterator[tuple[Lane, tuple[NDArray[np.uint64], NDArray[np.int64]]]]":
    yield Lane.ALL, anchors(data)
    yield Lane.EVEN, anchors(data[0::2])
    yield Lane.ODD, anchors(data[1::2])


def _queries(content: "Bytes") -> Iterator[_Query]:
    yield _Query(content, Lane.ALL, swapped=False)
    if len(content) % 2 == 0:
        yield _Query(content.reshape(-1, 2)[:, ::-1].reshape(-1), Lane.ALL, swapped=True)
        yield _Query(content[0::2], Lane.EVEN, swapped=False)
        yield _Query(content[1::2], Lane.ODD, swapped=False)


def _table(entries: Mapping[str, _Entry]) -> _Table:
    import numpy as np

    keys: list[tuple[str, Lane]] = []
    hashes, places, owners = [np.empty(0, np.uint64)], [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for sha256, entry in entries.items():
        for lane, (its_hashes, its_places) in entry.lanes.items():
            owners.append(np.full(len(its_hashes), len(keys), dtype=np.int64))
            hashes.append(its_hashes)
            places.append(its_places)
            keys.append((sha256, lane))
    joined = np.concatenate(hashes)
    order = np.argsort(joined, kind="stable")
    sieve = np.zeros(1 << _SIEVE_BITS, dtype=np.bool_)
    sieve[(joined >> np.uint64(64 - _SIEVE_BITS)).astype(np.int64)] = True
    return _Table(
        joined[order], np.concatenate(places)[order], np.concatenate(owners)[order], tuple(keys), sieve
    )


def _hits(table: _Table, query: _Query) -> list[_Hit]:
    """Return where anchors of images stand in the content, by how many of them agree on the place."""
    import numpy as np

    hashes = rolling(query.data)
    at = np.flatnonzero(table.sieve[(hashes >> np.uint64(64 - _SIEVE_BITS)).astype(np.int64)])
    first = np.searchsorted(table.hashes, hashes[at], side="left")
    counts = np.searchsorted(table.hashes, hashes[at], side="right") - first
    at, first, counts = at[counts > 0], first[counts > 0], counts[counts > 0]
    if not len(at):
        return []
    ends = np.cumsum(counts)
    rows = np.arange(ends[-1]) - np.repeat(ends - counts, counts) + np.repeat(first, counts)
    deltas = table.places[rows] - np.repeat(at, counts)
    pairs, votes = np.unique(np.stack([table.owners[rows], deltas]), axis=1, return_counts=True)
    order = np.argsort(-votes, kind="stable")[:_COMPARED_MAX]
    found = []
    for owner, delta, count in zip(pairs[0][order], pairs[1][order], votes[order], strict=True):
        sha256, lane = table.keys[int(owner)]
        # A lane in a lane, or an exchanged one, is the same content found another way.
        if lane is Lane.ALL or (query.lane is Lane.ALL and not query.swapped):
            found.append(_Hit(sha256, lane, int(delta), int(count), query))
    return found


# Bytes


def _compare(hit: _Hit, image: "Bytes", view: ImageView, times: int) -> Match | None:
    """Compare content and image at a place that looked alike; None when they are not the same there."""
    lane = {Lane.ALL: image, Lane.EVEN: image[0::2], Lane.ODD: image[1::2]}[hit.lane]
    content = hit.query.data
    start = max(0, -hit.delta_bytes)
    length = min(len(content) - start, len(lane) - start - hit.delta_bytes)
    differing, used = _unlike(content, lane, start, length, hit.delta_bytes)
    if differing:
        # Blank bytes around what the chip holds need not be the image's.
        first, last = _used(content)
        start, end = max(start, first), min(start + length, last)
        length = end - start
        differing, used = _unlike(content, lane, start, length, hit.delta_bytes)
    image_start = start + hit.delta_bytes
    whole_image = length == len(lane)
    rest_blank = bool((content[:start] == _BLANK).all() and (content[start + length :] == _BLANK).all())
    if length <= 0 or differing > _DIFFERING_SHARE * used or not (whole_image or rest_blank):
        return None
    if whole_image:
        relation = Relation.WHOLE if rest_blank else Relation.CONTAINS
    else:
        half = {0: Relation.LOWER_HALF, len(lane) // 2: Relation.UPPER_HALF}.get(image_start)
        relation = half if half and 2 * length == len(lane) else Relation.SLICE
    return Match(
        sha256=hit.sha256,
        name=view.name,
        relation=relation,
        image_lane=hit.lane,
        content_lane=hit.query.lane,
        swapped=hit.query.swapped,
        start_bytes=start,
        image_start_bytes=image_start,
        length_bytes=length,
        differing_bytes=differing,
        times=times,
    )


def _unlike(content: "Bytes", lane: "Bytes", start: int, length: int, delta_bytes: int) -> tuple[int, int]:
    """Return how many bytes of a stretch differ, and how many are not blank in both."""
    import numpy as np

    mine = content[start : start + length]
    theirs = lane[start + delta_bytes : start + delta_bytes + length]
    if len(mine) != len(theirs):
        return 1, 0
    used = np.count_nonzero((mine != _BLANK) | (theirs != _BLANK))
    return int(np.count_nonzero(mine != theirs)), int(used)


def _used(content: "Bytes") -> tuple[int, int]:
    import numpy as np

    places = np.flatnonzero(content != _BLANK)
    return (int(places[0]), int(places[-1]) + 1) if len(places) else (0, 0)


_ORDER = tuple(Relation)


def _rank(match: Match) -> tuple[object, ...]:
    """Order matches: without differences first, then the plainest relation, then the longest."""
    return (
        match.differing_bytes > 0,
        match.content_lane is not Lane.ALL,
        match.swapped,
        match.image_lane is not Lane.ALL,
        _ORDER.index(match.relation),
        -match.length_bytes,
        match.differing_bytes,
        match.start_bytes,
        match.sha256,
    )
