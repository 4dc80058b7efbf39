"""Writes blocks into a chip, stage by stage: one stream of requests, as far as one need not wait for another.

A stage may look first: a range whose digest is right already needs nothing, and one whose digest is wrong is
narrowed down to what has to be sent.
"""

import zlib
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from daemon.operations.blocks import Block
from daemon.operations.refusals import require_ok
from daemon.operations.socketed import Asking, Socketed
from daemon.programmers.in_order import Asked
from protocol.descriptor import LoopKind
from protocol.host.events import Completed
from protocol.messages import Copy, DigestResult, Fill, Program, ProgramResult
from protocol.wire import Opcode, Pass, Status

#: Blocks that lie one behind another are looked at together, so many bytes at a time.
_TOGETHER_BYTES = 16_384
#: A range that is wrong is looked at again in so many parts, down to this size.
_PARTS, _LEAST_BYTES = 4, 256
#: What a DIGEST, its acceptance and its result need on the wire, both ways at once, about; and what surrounds
#: the data of a PROGRAM.
_DIGEST_BYTES, _FRAME_BYTES = 30, 21


@dataclass(frozen=True, slots=True)
class Stage:
    """Blocks under one pass of the loop. `looks_first`: not those that read right already."""

    blocks: Sequence[Block]
    which: Pass
    looks_first: bool = False


@dataclass(frozen=True, slots=True)
class Watcher:
    """Who is told what became of it; an exception from these stops all that is under way.

    `written` sees each result in order, failed ones too; `right` the blocks that needed nothing.
    """

    written: Callable[[Block, Pass, Completed, ProgramResult], None]
    right: Callable[[Block], None]


@dataclass(frozen=True, slots=True)
class _Write:
    block: Block
    which: Pass


@dataclass(frozen=True, slots=True)
class _Look:
    """A digest over blocks that lie one behind another."""

    blocks: tuple[Block, ...]
    which: Pass

    @property
    def length_bytes(self) -> int:
        return sum(len(block.data) for block in self.blocks)


_Task = _Write | _Look


def write(socketed: Socketed, stages: Sequence[Stage], watcher: Watcher) -> None:
    """Write all stages; the supplies are as the part wants them for it.

    A stage whose looks have found something to send has sent it before the next begins. Raises what
    `Session.stream` raises, and BenchError `device-refused` or `device-fault`.
    """
    writer = _Writer(socketed, stages, watcher)
    while True:
        socketed.session.stream(writer.requests(), writer.ended, timeout_s=writer.limit_s)
        if writer.done:
            return
        # The operation numbers of this work are used up.
        socketed.begin_another_work()


class _Writer:
    """What is still to be done and what is under way."""

    def __init__(self, socketed: Socketed, stages: Sequence[Stage], watcher: Watcher) -> None:
        self._socketed = socketed
        self._watcher = watcher
        self._word_bytes = socketed.part.word_bytes
        self._stages = deque(stages)
        self._tasks: Iterator[_Task] = iter(())
        self._follow_ups: deque[_Task] = deque()
        self._under_way: deque[_Task] = deque()
        self.done = False
        longest = max((len(block.data) for stage in stages for block in stage.blocks), default=0)
        self.limit_s = socketed.write_limit_s(longest // self._word_bytes, _TOGETHER_BYTES)

    def requests(self) -> Iterator[Asked | None]:
        """Yield requests until all is done or the operation numbers are used up; None to wait for an end."""
        while (task := self._next()) is not None or not self.done:
            if task is None:
                yield None
            elif isinstance(task, _Write) and not self._socketed.session.ops_left:
                self._follow_ups.appendleft(task)
                return
            else:
                self._under_way.append(task)
                yield self._asked(task)

    def _next(self) -> _Task | None:
        """Return what can be sent now; None when all is done, or a look may still find something to send."""
        while not self._follow_ups:
            task = next(self._tasks, None)
            if task is not None:
                return task
            if any(isinstance(each, _Look) for each in self._under_way):
                return None
            if not self._stages:
                self.done = True
                return None
            self._tasks = _tasks(self._stages.popleft(), self._word_bytes)
        return self._follow_ups.popleft()

    def _asked(self, task: _Task) -> Asked:
        match task:
            case _Look(blocks=blocks):
                asking = self._looking(blocks)
                return asking.opcode, asking.message
            case _Write(block=block, which=which):
                return _request(block, which, self._socketed.session.next_op(), self._word_bytes)

    def _looking(self, blocks: Sequence[Block]) -> Asking:
        words = sum(len(block.data) for block in blocks) // self._word_bytes
        return self._socketed.digesting(blocks[0].address, words, self._socketed.verify_mode)

    def ended(self, completed: Completed) -> None:
        """Take the end of what was sent first."""
        task = self._under_way.popleft()
        match task:
            case _Write(block=block, which=which):
                if completed.status is not Status.PROGRAM_FAILED:
                    require_ok(completed, f"program {len(block.data)} bytes at word {block.address:#x}")
                assert isinstance(completed.result, ProgramResult)
                self._watcher.written(block, which, completed, completed.result)
            case _Look(blocks=blocks):
                require_ok(completed, self._looking(blocks).doing)
                assert isinstance(completed.result, DigestResult)
                self._judge(task, completed.result.crc)

    def _judge(self, look: _Look, crc: int) -> None:
        if crc == zlib.crc32(b"".join(block.data for block in look.blocks)):
            for block in look.blocks:
                self._watcher.right(block)
            return
        parts = self._parts(look)
        if len(parts) > 1 and self._narrowing_pays(look):
            self._follow_ups.extend(_Look(blocks, look.which) for blocks in parts)
        else:
            self._follow_ups.extend(_Write(block, look.which) for block in look.blocks)

    def _parts(self, look: _Look) -> list[tuple[Block, ...]]:
        """Divide a range that is wrong; one part where that cannot be."""
        blocks = look.blocks
        if len(blocks) == 1 and self._socketed.descriptor.loop.kind is not LoopKind.PAGE_WRITE:
            (block,) = blocks
            size = max(_LEAST_BYTES, -(-len(block.data) // _PARTS) // 2 * 2)
            edges = [*range(0, len(block.data), size), len(block.data)]
            blocks = tuple(block.piece(at, upto, self._word_bytes) for at, upto in pairwise(edges))
        each = -(-len(blocks) // _PARTS)
        return [blocks[at : at + each] for at in range(0, len(blocks), each)]

    def _narrowing_pays(self, look: _Look) -> bool:
        """Tell whether looking at the parts and sending one is thought to be sooner done than sending all."""
        session = self._socketed.session
        byte_s, round_trip_s = session.byte_s, session.counters.rtt_s or 0.0
        one_s = max(round_trip_s / self._socketed.window, _DIGEST_BYTES * byte_s)
        sent = sum(block.carried_bytes + _FRAME_BYTES for block in look.blocks) * byte_s
        return _PARTS * one_s + sent / _PARTS + self._socketed.read_s(look.length_bytes) < sent


def _tasks(stage: Stage, word_bytes: int) -> Iterator[_Task]:
    if not stage.looks_first:
        yield from (_Write(block, stage.which) for block in stage.blocks)
        return
    together: list[Block] = []
    length_bytes = 0
    for block in stage.blocks:
        follows = together and _end(together[-1], word_bytes) == block.address
        if together and (not follows or length_bytes + len(block.data) > _TOGETHER_BYTES):
            yield _Look(tuple(together), stage.which)
            together, length_bytes = [], 0
        together.append(block)
        length_bytes += len(block.data)
    if together:
        yield _Look(tuple(together), stage.which)


def _end(block: Block, word_bytes: int) -> int:
    return block.address + len(block.data) // word_bytes


def _request(block: Block, which: Pass, op: int, word_bytes: int) -> Asked:
    """Return the request that writes a block."""
    words = len(block.data) // word_bytes
    if block.value is not None:
        return Opcode.FILL, Fill(op, block.address, words, which, block.value)
    if block.source is not None:
        return Opcode.COPY, Copy(op, block.address, words, which, block.source)
    return Opcode.PROGRAM, Program(op, block.address, which, block.data)
