"""The step that programs: the part's own loop over what the image holds."""

from daemon.catalogue.terms import Semantics
from daemon.errors import BenchError
from daemon.jobs.context import Done, JobContext
from daemon.jobs.outcome import JobStopped, OutcomeCode
from daemon.jobs.steps.aftermath import vpp_afterwards_v, vpp_was_out, vpp_words
from daemon.jobs.steps.power import program_power
from daemon.operations.blocks import blocks_of, is_sparse
from daemon.operations.socketed import Block
from protocol.descriptor import LoopKind, SequenceId
from protocol.host.events import Completed
from protocol.messages import Measured, ProgramResult
from protocol.wire import NONE_U16, Pass, Status


def program(ctx: JobContext) -> Done:
    """Run the part's loop over what the image holds, in as many passes as the loop has."""
    part, content = ctx.part, ctx.content
    assert content is not None
    measured = program_power(ctx)
    socketed = ctx.socketed
    unlocked = socketed.run_sequence(SequenceId.UNLOCK)
    blocks = blocks_of(content, part, socketed.descriptor, socketed.payload_bytes, sparse=is_sparse(part))
    passes = _passes(ctx)
    work = _Work(ctx, measured, sum(len(block.data) for block in blocks), _shares(ctx, passes))
    try:
        for which in passes:
            work.begin_pass()
            socketed.program(blocks, which, work.block_done)
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


def _passes(ctx: JobContext) -> tuple[Pass, ...]:
    """Return the passes of the part's loop; a continued attempt begins with what was cut off."""
    kind = ctx.socketed.descriptor.loop.kind
    pulsed = kind in (LoopKind.VERIFY_EACH_PULSE, LoopKind.FIRST_PASS_THEN_VERIFY)
    if ctx.resumes and pulsed:
        return (Pass.RESUME,)
    if kind is LoopKind.FIRST_PASS_THEN_VERIFY:
        return (Pass.FIRST, Pass.VERIFY)
    return (Pass.FULL,)


def _shares(ctx: JobContext, passes: tuple[Pass, ...]) -> tuple[float, ...]:
    """Return the share of the time that each pass is thought to take: a second one mostly only reads."""
    passes_s = ctx.estimate.get("passes_s") or ()
    if len(passes_s) != len(passes) or not sum(passes_s):
        return (1 / len(passes),) * len(passes)
    return tuple(each / sum(passes_s) for each in passes_s)


class _Work:
    """Adds up what the loop reports, and stops at the first word that does not take.

    Progress goes once over the bytes, whatever the number of passes, so that it keeps pace with the time.
    """

    def __init__(
        self, ctx: JobContext, measured: Measured, total_bytes: int, shares: tuple[float, ...]
    ) -> None:
        self._ctx = ctx
        self._total_bytes = total_bytes
        self._shares = shares
        self._pass = -1
        self._done_bytes = 0
        self._seen: set[int] = set()
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

    def begin_pass(self) -> None:
        """Begin the next pass."""
        self._pass += 1
        self._done_bytes = 0

    def block_done(self, block: Block, done: Completed, result: ProgramResult) -> None:
        """Take one block's result."""
        self.pulses += result.pulses
        self.most = max(self.most, result.most)
        if block.address not in self._seen:
            self._seen.add(block.address)
            self.words += result.words
        if done.status is Status.PROGRAM_FAILED:
            raise self._failed(result)
        self._done_bytes += len(block.data)
        before_bytes = sum(self._shares[: self._pass]) * self._total_bytes
        done_bytes = round(before_bytes + self._shares[self._pass] * self._done_bytes)
        self._ctx.progress(min(done_bytes, self._total_bytes), self._total_bytes)

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
