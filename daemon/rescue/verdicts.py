"""From counts to content: what each bit is, and how sure that is.

Charge only leaks away: the threshold of a programmed cell falls, that of an erased one stays (data retention,
standard device physics; the reason for margin reads). So a bit that reads programmed at a lower supply and
erased at a higher one was programmed, and the vote at the lowest supply counts. A cell that has lost all of
its charge reads erased as steadily as an erased one: while others are seen to fade, a bit that reads erased
is called steady, not certain.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.rescue.evidence import ALPHA, OTHERWISE_MAX, READS_MIN, dissent_max, upper_bound
from daemon.rescue.tally import Tally

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_LISTED_MAX = 200


@dataclass(frozen=True, slots=True, eq=False)
class Verdicts:
    """What a rescue came to. Masks have one bit a bit of content, in its order.

    `certain`: read alike in every read, at every supply. `steady`: so too, but it reads erased while others
    fade. `voted`: unsteady, with a vote that is no chance. `open`: unsteady, and the vote says nothing.
    """

    content: bytes
    certain_mask: bytes
    certain: int
    steady: int
    voted: int
    open: int
    fading: bool
    reads: int
    otherwise_below: float
    unsteady: tuple[dict[str, int], ...]

    @property
    def bits(self) -> int:
        """All of them."""
        return 8 * len(self.content)


def judge(tally: Tally, blank_byte: int) -> Verdicts:
    """Judge every bit. There is at least one read at each supply."""
    import numpy as np

    lowest, n_low = tally.ones[0], tally.reads[0]
    all_ones, none = _alike(tally)
    alike = all_ones | none
    blank = np.tile(np.unpackbits(np.uint8(blank_byte), bitorder="little").astype(bool), tally.size_bytes)
    fading = bool((~alike).any())
    enough = tally.total_reads >= READS_MIN
    reads_erased = alike & (all_ones == blank)
    certain = alike & ~(reads_erased & fading) if enough else np.zeros_like(alike)
    value = lowest.astype(np.int16) * 2 > n_low
    # A tie at the lowest supply: with the side to which charge leaks only in time, it was programmed.
    tie = lowest.astype(np.int16) * 2 == n_low
    value = np.where(tie, ~blank, value)
    dissent = np.minimum(lowest, n_low - lowest)
    voted = ~alike & (dissent <= dissent_max(n_low, 0.5))
    return Verdicts(
        content=_packed(value),
        certain_mask=_packed(certain),
        certain=int(certain.sum()),
        steady=int((alike & ~certain).sum()),
        voted=int(voted.sum()),
        open=int((~alike & ~voted).sum()),
        fading=fading,
        reads=tally.total_reads,
        otherwise_below=upper_bound(0, tally.total_reads),
        unsteady=_listed(tally, ~alike),
    )


def _alike(tally: Tally) -> "tuple[NDArray[np.bool_], NDArray[np.bool_]]":
    """Return which bits read 1 in every read, and which 0."""
    import numpy as np

    reads = np.array(tally.reads, np.uint8)[:, None]
    return np.all(tally.ones == reads, axis=0), np.all(tally.ones == 0, axis=0)


def _packed(bits: "NDArray[np.bool_]") -> bytes:
    import numpy as np

    return np.packbits(bits, bitorder="little").tobytes()


def _listed(tally: Tally, unsteady: "NDArray[np.bool_]") -> tuple[dict[str, int], ...]:
    import numpy as np

    places = np.flatnonzero(unsteady)[:_LISTED_MAX]
    return tuple(
        {
            "address_bytes": int(place) // 8,
            "bit": int(place) % 8,
            **{f"ones_at_{mv}_mv": int(tally.ones[at, place]) for at, mv in enumerate(tally.supplies_mv)},
        }
        for place in places
    )


def statistics_words(reads: int) -> str:
    """Return what "certain" means after so many reads, in a sentence."""
    if reads < READS_MIN:
        return f"{reads} reads are too few to call a bit certain: {READS_MIN} are needed"
    return (
        f"a bit called certain read the same in all {reads} reads: with {1 - ALPHA:.0%} confidence it reads"
        f" otherwise in fewer than {upper_bound(0, reads):.1%} of reads (1 - {ALPHA} ** (1/{reads}),"
        f" Clopper-Pearson; {OTHERWISE_MAX:.0%} is asked for)"
    )
