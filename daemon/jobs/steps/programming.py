"""The step that programs: the part's own loop over what the image holds."""

from daemon.catalogue.terms import Semantics
from daemon.errors import BenchError
from daemon.jobs.context import Done, JobContext
from daemon.jobs.outcome import JobStopped, OutcomeCode
from daemon.jobs.steps.aftermath import vpp_afterwards_v, vpp_was_out, vpp_words
from daemon.jobs.steps.power import program_power
from daemon.operations.blocks import Block, blocks_of, is_sparse
from daemon.operations.stretches import Stretches
from daemon.operations.writing import Stage, Watcher, write
from protocol.descriptor import LoopKind, SequenceId
from protocol.host.events import Completed
from protocol.messages import Measured, ProgramResult
from protocol.wire import NONE_U16, Pass, Status

#: So many stretches are remembered of what is done: an image in more pieces is mostly done again.
_ACKNOWLEDGED_MAX = 256


def program(ctx: JobContext) -> Done:
    """Run the part's loop over what the image holds, in as many passes as the loop has."""
    part, content = ctx.part, ctx.content
    assert content is not None
    measured = program_power(ctx)
    socketed = ctx.socketed
    unlocked = socketed.run_sequence(SequenceId.UNLOCK)
    can = socketed.identity.capabilities
    blocks = blocks_of(
        content, part, socketed.descriptor, socketed.payload_bytes, sparse=is_sparse(part), can=can
    )
    work = _Work(ctx, measured, sum(len(block.data) for block in blocks))
    try:
        write(socketed, _stages(ctx, blocks), Watcher(work.written, work.right))
    except JobStopped as stopped:
        raise _with_vpp(ctx, stopped) from None
    except BenchError as error:
        _explain_vpp_fault(ctx, error)
        raise
    finally:
        # However it ended: each attempt keeps the record of its pulses.
        ctx.numbers.update(work.numbers)
    words = f"{work.words:,} words, {work.pulses:,} pulses, at most {work.most} on one word"
    if socketed.descriptor.loop.pulse_ns == 0:
        words = f"{work.words:,} words"
    if unlocked:
        words += "; the chip's software write protection was taken off first"
    return Done(words, {**work.numbers, **work.volts})


def _with_vpp(ctx: JobContext, stopped: JobStopped) -> JobStopped:
    """Return the verdict with what VPP measures, where that can be told."""
    vpp_v = vpp_afterwards_v(ctx)
    if vpp_v is not None:
        stopped.numbers["vpp_v"] = vpp_v
        if words := vpp_words(ctx.part, vpp_v, was_out=False):
            stopped.summary += f"; {words}"
    return stopped


def _explain_vpp_fault(ctx: JobContext, error: BenchError) -> None:
    """Raise the error again with what VPP measures at rest, where it was out of tolerance under load."""
    vpp_v = vpp_afterwards_v(ctx) if vpp_was_out(error) else None
    if vpp_v is not None:
        words = vpp_words(ctx.part, vpp_v, was_out=True)
        details = {**error.details, "vpp_v": vpp_v}
        raise BenchError(error.code, f"{error.message}; {words}", hint=error.hint, details=details) from error


def _stages(ctx: JobContext, blocks: list[Block]) -> list[Stage]:
    """Return the stages of the part's loop: first what stands for itself, then what is copied from it."""
    own = [block for block in blocks if block.source is None]
    copies = [block for block in blocks if block.source is not None]
    return [stage for some in (own, copies) if some for stage in _stages_of(ctx, some)]


def _stages_of(ctx: JobContext, blocks: list[Block]) -> list[Stage]:
    """Return the stages of some blocks; a continued attempt begins with what was cut off.

    What the attempt before it had got done is looked at, and done again only where it reads otherwise. The
    rest goes through the loop from its verify step: a word that is right may lack its overprogram pulse.
    """
    kind, looks = ctx.socketed.descriptor.loop.kind, ctx.socketed.can_digest
    if ctx.resumes:
        pulsed = kind in (LoopKind.VERIFY_EACH_PULSE, LoopKind.FIRST_PASS_THEN_VERIFY)
        which = Pass.RESUME if pulsed else Pass.FULL
        known, new = _sorted_by_done(ctx, blocks) if looks else ([], blocks)
        return [Stage(known, which, looks_first=True), Stage(new, which)]
    if kind is LoopKind.FIRST_PASS_THEN_VERIFY:
        return [Stage(blocks, Pass.FIRST), Stage(blocks, Pass.VERIFY, looks_first=looks)]
    return [Stage(blocks, Pass.FULL)]


def _sorted_by_done(ctx: JobContext, blocks: list[Block]) -> tuple[list[Block], list[Block]]:
    """Divide blocks into those that the attempt before had got done, and the others."""
    done, word_bytes = Stretches(ctx.acknowledged), ctx.part.word_bytes
    places = [(block, block.address * word_bytes) for block in blocks]
    known = [block for block, start in places if done.hold(start, start + len(block.data))]
    new = [block for block, start in places if not done.hold(start, start + len(block.data))]
    return known, new


def _shares(ctx: JobContext) -> dict[Pass, float]:
    """Return the share of the time that each of two passes is thought to take; the second mostly only reads.

    Empty for one pass.
    """
    if ctx.resumes or ctx.socketed.descriptor.loop.kind is not LoopKind.FIRST_PASS_THEN_VERIFY:
        return {}
    first_s, second_s = ctx.estimate.get("passes_s") or (1, 1)
    first = first_s / (first_s + second_s) if first_s + second_s else 0.5
    return {Pass.FIRST: first, Pass.VERIFY: 1 - first}


class _Work:
    """Adds up what the loop reports, and stops at the first word that does not take.

    Progress goes once over the bytes, whatever the number of passes, so that it keeps pace with the time.
    """

    def __init__(self, ctx: JobContext, measured: Measured, total_bytes: int) -> None:
        self._ctx = ctx
        self._total_bytes = total_bytes
        self._shares = _shares(ctx)
        self._last_pass = max(self._shares, default=None)
        self._done = Stretches()
        self._done_bytes = 0.0
        self.words = self.pulses = self.most = 0
        self.volts = {
            name: mv / 1000
            for name, mv in (("vcc_v", measured.vcc_mv), ("vpp_v", measured.vpp_mv))
            if mv not in (0, NONE_U16)
        }

    @property
    def numbers(self) -> dict[str, int]:
        """What was done, as far as results came."""
        return {"pulses": self.pulses, "most_pulses": self.most, "programmed_words": self.words}

    def written(self, block: Block, which: Pass, done: Completed, result: ProgramResult) -> None:
        """Take one block's result."""
        self.pulses += result.pulses
        self.most = max(self.most, result.most)
        if which is not Pass.VERIFY:
            self.words += result.words
        if done.status is Status.PROGRAM_FAILED:
            raise self._failed(result)
        self._add(block, which)

    def right(self, block: Block) -> None:
        """Take a block that needed nothing."""
        self._add(block, self._last_pass or Pass.FULL)

    def _add(self, block: Block, which: Pass) -> None:
        if self._last_pass in (None, which):
            start = block.address * self._ctx.part.word_bytes
            self._done.add(start, start + len(block.data))
            self._ctx.acknowledge(self._done.first(_ACKNOWLEDGED_MAX))
        self._done_bytes += self._shares.get(which, 1.0) * len(block.data)
        self._ctx.progress(min(round(self._done_bytes), self._total_bytes), self._total_bytes)

    def _failed(self, result: ProgramResult) -> JobStopped:
        part = self._ctx.part
        digits = 2 * part.word_bytes
        at_bytes = result.failed_address * part.word_bytes
        low = result.wanted & ~result.got
        summary = (
            f"the word at {at_bytes:#x} does not take {result.wanted:0{digits}X}: it reads "
            f"{result.got:0{digits}X} after {result.most} pulse{'s' if result.most != 1 else ''}"
        )
        if low and part.write is not None and part.write.semantics is not Semantics.OVERWRITE:
            hint = "Bits that read 0 where 1 is wanted were not erased, or are stuck: erase it and try again."
        else:
            hint = (
                "Check VPP under load, then clean the pins and try once more. A chip that still fails is worn"
                " or was damaged: mark it and use another."
            )
        self._ctx.failed("program", "Program", summary)
        return JobStopped(
            OutcomeCode.PROGRAM_FAILED, summary, hint,
            address_bytes=at_bytes, wanted=result.wanted, got=result.got, pulses=result.most, **self.volts,
        )  # fmt: skip
