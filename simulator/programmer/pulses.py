"""One block of words under the pulse loop, computed ahead of time and taken back where time did not reach.

A whole block is pulsed and verified at once, as arrays; what each word took gives the time at which it was
done. Words do not act on one another, so the order does not matter; where they do (address lines that are
folded, bridged or open), a block that fails is done again word by word, as the board does it.
"""

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from protocol.descriptor import Semantics
from protocol.wire import Mode
from simulator.programmer.board import Board
from simulator.programmer.ports import Addresses, Words
from simulator.programmer.tally import Failure

Places: TypeAlias = NDArray[np.intp]
"""Places in a block, ascending."""

#: A pulse that ends sooner than this is never cut short (D17).
PULSE_GRACE_S = 0.001


@dataclass(frozen=True, slots=True)
class Style:
    """Which parts of the loop are run.

    `reads_first`: a word that is right already is not pulsed. `verifies`: each pulse is followed by a verify.
    `limit`: the most pulses a word. `factor`: overprogram pulse in pulses used. `tops_up`: a word that is
    right at the first read gets the overprogram pulse of one pulse, which it may have lost.
    """

    reads_first: bool
    verifies: bool
    limit: int
    factor: int
    tops_up: bool = False


@dataclass(frozen=True, slots=True)
class Rewound:
    """What a block had come to when it was stopped: words done, their pulses and those of the word under way.

    `stop_s` is when the pulse that was running has ended.
    """

    words: int
    pulses: int
    most: int
    under_way: int
    stop_s: float


@dataclass(slots=True)
class Block:
    """Words that were pulsed ahead of time from `begun_s` on, up to the one that failed if one did.

    `ends_s` says when each was done, `used` its pulses, `overprogram` its last pulse in multiples of one.
    `snapshots` is one from before the block, or one from before each word.
    """

    board: Board
    addresses: Addresses
    words: Words
    style: Style
    begun_s: float
    snapshots: list[Any]
    used: NDArray[np.int64]
    overprogram: NDArray[np.int64]
    ends_s: NDArray[np.float64]
    failure: Failure | None

    @property
    def end_s(self) -> float:
        """When the last word was done."""
        return float(self.ends_s[-1])

    def done_at(self, now_s: float) -> int:
        """Return how many words are done at `now_s`."""
        return int(np.searchsorted(self.ends_s, now_s, side="right"))

    def rewind(self, now_s: float, grace_s: float = PULSE_GRACE_S) -> Rewound:
        """Take back what lies after `now_s`, but for a pulse that ends within `grace_s`."""
        word = self.done_at(now_s)
        stop_s, pulses = now_s, 0
        if word < len(self.ends_s):
            self._restore(word)
            widths_s, pulses, stop_s = self._widths_until(word, now_s, grace_s)
            one = slice(word, word + 1)
            rails = self.board.supplies.rails(self.board.now_s, self.board.loads_ma(Mode.PROGRAM))
            for width_s in widths_s:
                self.board.bus.pulse(self.addresses[one], self.words[one], rails, width_s)
        done = self.used[:word]
        most = max(pulses, int(done.max(initial=0)))
        return Rewound(word, int(done.sum()) + pulses, most, pulses, stop_s)

    def _restore(self, word: int) -> None:
        """Undo the pulses of the words from place `word` on."""
        if len(self.snapshots) == 1:
            self.board.bus.restore(self.snapshots[0], word)
        else:
            for snapshot in reversed(self.snapshots[word:]):
                self.board.bus.restore(snapshot, 0)

    def _widths_until(self, word: int, now_s: float, grace_s: float) -> tuple[list[float], int, float]:
        """Return the pulses that `word` had by `now_s`, how many count, and when the last of them ends."""
        pulse_s = self.board.part.loop.pulse_ns / 1e9
        begins_s = float(self.ends_s[word - 1]) if word else self.begun_s
        begins_s += self._lead_s(word)
        planned = [pulse_s] * int(self.used[word])
        if self.overprogram[word]:
            planned.append(pulse_s * int(self.overprogram[word]))
        widths_s: list[float] = []
        for planned_s in planned:
            if now_s <= begins_s:
                break
            ends_s = begins_s + planned_s
            if now_s < ends_s:
                stays = ends_s - now_s < grace_s
                widths_s.append(planned_s if stays else now_s - begins_s)
                return widths_s, min(len(widths_s), int(self.used[word])), ends_s if stays else now_s
            widths_s.append(planned_s)
            # The last verify is in the stated time per word, and so in front.
            begins_s = ends_s + (self.board.read_s if len(widths_s) < self.used[word] else 0.0)
        return widths_s, min(len(widths_s), int(self.used[word])), now_s

    def _lead_s(self, word: int) -> float:
        pulsed = self.used[word] or self.overprogram[word]
        first_s = self.board.read_s if self.style.reads_first else 0.0
        return first_s + (self.board.program_s if pulsed else self.board.read_s)


def run_block(board: Board, addresses: Addresses, words: Words, style: Style) -> Block:
    """Put the block through the loop from now on; raises Halt for a supply out of bounds."""
    block = _run(board, addresses, words, style)
    if block.failure is not None and len(words) > 1:
        board.bus.restore(block.snapshots[0], 0)
        _run_singly(block)
    block.ends_s = _ends_s(block)
    return block


def _run_singly(whole: Block) -> None:
    """Do a block word by word, and stop at the first that fails."""
    singles: list[Block] = []
    for at in range(len(whole.words)):
        one = slice(at, at + 1)
        singles.append(_run(whole.board, whole.addresses[one], whole.words[one], whole.style))
        if singles[-1].failure is not None:
            break
    whole.snapshots = [single.snapshots[0] for single in singles]
    whole.used = np.concatenate([single.used for single in singles])
    whole.overprogram = np.concatenate([single.overprogram for single in singles])
    whole.failure = singles[-1].failure


def _run(board: Board, addresses: Addresses, words: Words, style: Style) -> Block:
    """Put all words through the loop at once; the failure is that of the first which stayed wrong."""
    snapshot = board.bus.snapshot(addresses)
    loop = _Loop(board, addresses, words, style)
    wrong = loop.run()
    failure = None
    if wrong.size:
        last = int(wrong[0])
        failure = Failure(int(addresses[last]), int(words[last]), int(loop.got[last]))
    return Block(
        board=board,
        addresses=addresses,
        words=words,
        style=style,
        begun_s=board.now_s,
        snapshots=[snapshot],
        used=loop.used,
        overprogram=loop.overprogram,
        ends_s=np.empty(0),
        failure=failure,
    )


class _Loop:
    """The part's loop over words at given places of a block."""

    def __init__(self, board: Board, addresses: Addresses, words: Words, style: Style) -> None:
        self._board = board
        self._addresses = addresses
        self._words = words
        self._style = style
        self._pulse_s = board.part.loop.pulse_ns / 1e9
        self._program_rails = board.rails(Mode.PROGRAM)
        self._verify_rails = board.rails(Mode.VERIFY) if style.verifies else self._program_rails
        self.used = np.zeros(len(words), np.int64)
        self.overprogram = np.zeros(len(words), np.int64)
        self.got = words.copy()

    def run(self) -> Places:
        """Pulse and verify; return the places of the words that stayed wrong."""
        geometry, style = self._board.part.geometry, self._style
        # A word of a clear-only part that is to stay erased is never pulsed, but verified.
        erased = (self._words == geometry.blank_word) & (geometry.semantics is Semantics.CLEAR_ONLY)
        pulsed = np.flatnonzero(~erased)
        if not style.verifies:
            self._pulse(pulsed, style.limit)
            return pulsed[:0]
        dirty = self._wrong(np.flatnonzero(erased))
        if style.reads_first:
            wrong = self._wrong(pulsed)
            if style.tops_up:
                self._overprogram(pulsed, wrong, 1)
            pulsed = wrong
        for number in range(1, style.limit + 1):
            if not pulsed.size:
                break
            self._pulse(pulsed, 1)
            wrong = self._wrong(pulsed)
            self._overprogram(pulsed, wrong, number)
            pulsed = wrong
        still: Places = np.union1d(dirty, pulsed) if dirty.size else pulsed
        return still

    def _wrong(self, places: Places) -> Places:
        """Verify; return the places that do not read as they should."""
        if not places.size:
            return places
        got = self._board.bus.read(Mode.VERIFY, self._addresses[places], self._verify_rails)
        self.got[places] = got
        wrong: Places = places[got != self._words[places]]
        return wrong

    def _pulse(self, places: Places, pulses: int) -> None:
        for _ in range(pulses if places.size else 0):
            self.used[places] += 1
            self._give(places, self._pulse_s)

    def _overprogram(self, places: Places, wrong: Places, pulses: int) -> None:
        """Give those that are not wrong their last pulse."""
        units = self._style.factor * pulses
        if units and (places := np.setdiff1d(places, wrong)).size:
            self.overprogram[places] = units
            self._give(places, units * self._pulse_s)

    def _give(self, places: Places, width_s: float) -> None:
        self._board.bus.pulse(self._addresses[places], self._words[places], self._program_rails, width_s)


def _ends_s(block: Block) -> NDArray[np.float64]:
    """Return when each word is done: address and latch, reads, pulses, overprogram pulse."""
    board, used = block.board, block.used
    pulse_s = board.part.loop.pulse_ns / 1e9
    took_s = np.where(used + block.overprogram > 0, board.program_s, board.read_s)
    took_s += board.read_s * block.style.reads_first
    took_s += used * pulse_s + np.maximum(used - 1, 0) * board.read_s + block.overprogram * pulse_s
    ends_s: NDArray[np.float64] = block.begun_s + np.cumsum(took_s)
    return ends_s
