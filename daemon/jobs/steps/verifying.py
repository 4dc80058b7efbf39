"""Steps that compare the chip with the image, at every supply that the part's maker asks for."""

import zlib
from dataclasses import replace

from daemon.images.facts import content_facts
from daemon.images.model import Range
from daemon.jobs.choices import verifies_by_digest
from daemon.jobs.conflicts import Differences, differences
from daemon.jobs.context import Done, JobContext
from daemon.jobs.likeness import Likeness, likeness
from daemon.jobs.outcome import JobStopped, OutcomeCode
from daemon.jobs.steps.power import look_powering, made_by_itself, require_power
from daemon.operations.refusals import status_error
from protocol.wire import Status


def verify(ctx: JobContext) -> Done:
    """Compare at each of the part's supplies; a supply that cannot be made is recorded as not checked."""
    wanted = ctx.supply_checks()
    made = [vcc_v for vcc_v in wanted if ctx.socketed.vcc_setting(vcc_v) is not None]
    for vcc_v in wanted:
        if vcc_v not in made:
            ctx.not_checked("verify", "Verify", f"this programmer cannot make {vcc_v:.2f} V", vcc_v)
    # Nothing of the list can be made here: the nominal supply is better than no look at all.
    made = made or [ctx.part.supplies.vcc_read_v]
    looks = [_Look(ctx, vcc_v, at, len(made)) for at, vcc_v in enumerate(made)]
    for look, agree in zip(looks, _digests_at_once(ctx, made), strict=True):
        look.compare(agree)
    supplies = [f"{vcc_v:.1f} V" for vcc_v in made]
    return Done(f"matches the image at {' and '.join(supplies)}", {"supplies": supplies})


def _digests_at_once(ctx: JobContext, volts: list[float]) -> list[bool | None]:
    """Tell by digests whether the chip holds the image at each supply; all None where that cannot be told.

    All is asked for at once, so that no look waits for the answer to the one before.
    """
    content = ctx.content
    assert content is not None
    made = made_by_itself(ctx, volts)
    if made is None or not verifies_by_digest(ctx.request, ctx.part, content, ctx.socketed.identity):
        return [None] * len(volts)
    ranges, word_bytes, socketed = content.ranges, ctx.part.word_bytes, ctx.socketed
    lengths, askings = [0], []
    for mv in made:
        askings.append(socketed.powering(mv))
        lengths += [0, *(each.length_bytes for each in ranges)]
        for each in ranges:
            askings.append(
                socketed.digesting(each.start_bytes // word_bytes, each.length_bytes // word_bytes)
            )
    total_bytes = sum(lengths)
    results = socketed.together(
        *askings, on_ended=lambda ended: ctx.progress(sum(lengths[: ended + 1]), total_bytes)
    )
    wanted = [zlib.crc32(content.data[each.start_bytes : each.end_bytes]) for each in ranges]
    one = 1 + len(ranges)
    return [
        [result.crc for result in results[at + 1 : at + one]] == wanted for at in range(0, len(results), one)
    ]


class _Look:
    """One comparison, at one supply; `at` of `looks` it is, since progress is told for all of them."""

    def __init__(self, ctx: JobContext, vcc_v: float, at: int, looks: int) -> None:
        assert ctx.content is not None
        self._ctx = ctx
        self._vcc_v = vcc_v
        self._content = ctx.content
        self._ranges = ctx.content.ranges
        self._own_bytes = sum(each.length_bytes for each in self._ranges)
        self._before_bytes = at * self._own_bytes
        self._total_bytes = looks * self._own_bytes

    def compare(self, digests_agree: bool | None) -> None:
        """Compare by digest where that is enough, else by reading back; raise JobStopped for a difference.

        `digests_agree`: what the digests at this supply came to, None where they were not asked for yet.
        """
        by_digest = verifies_by_digest(
            self._ctx.request, self._ctx.part, self._content, self._ctx.socketed.identity
        )
        if not digests_agree:
            require_power(self._ctx, self._vcc_v)
        if digests_agree or (digests_agree is None and by_digest and self._digests_agree()):
            how = "by digest"
        else:
            found, alike = self._read_and_compare()
            if found.differing_bytes or by_digest:
                raise _mismatch(self._ctx, self._vcc_v, found, alike)
            how = "read back"
        self._ctx.passed("verify", "Verify", f"{self._own_bytes:,} bytes match, {how}", self._vcc_v)

    def _digests_agree(self) -> bool:
        word_bytes, done_bytes = self._ctx.part.word_bytes, 0
        for each in self._ranges:
            wanted = self._content.data[each.start_bytes : each.end_bytes]
            got = self._ctx.socketed.digest(each.start_bytes // word_bytes, each.length_bytes // word_bytes)
            if got != zlib.crc32(wanted):
                return False
            done_bytes += each.length_bytes
            self._progress(done_bytes)
        return True

    def _read_and_compare(self) -> tuple[Differences, Likeness | None]:
        """Return the differences within the image's ranges, and what the chip holds instead if that shows."""
        start, end = self._ranges[0].start_bytes, self._ranges[-1].end_bytes
        word_bytes = self._ctx.part.word_bytes
        share = self._own_bytes / (end - start)
        back = self._ctx.socketed.read(
            start // word_bytes, (end - start) // word_bytes, lambda done: self._progress(int(done * share))
        )
        if back.status is not Status.OK:
            raise status_error(back.status, "read the chip back")
        if not back.agrees:
            raise _unstable(self._ctx, self._vcc_v)
        wanted = b"".join(self._content.data[each.start_bytes : each.end_bytes] for each in self._ranges)
        got = b"".join(back.data[each.start_bytes - start : each.end_bytes - start] for each in self._ranges)
        found = differences(wanted, got)
        if not found.differing_bytes:
            return found, None
        # What follows takes its time, and nothing more is asked of the chip.
        self._ctx.socketed.power_off()
        alike = likeness(self._content.data[start:end], back.data, word_bytes)
        return _with_address(found, self._ranges), alike

    def _progress(self, done_bytes: int) -> None:
        self._ctx.progress(self._before_bytes + done_bytes, self._total_bytes)


def _with_address(found: Differences, ranges: tuple[Range, ...]) -> Differences:
    """Turn the first difference's place among the joined ranges into its place in the part."""
    at = found.first_bytes
    for each in ranges:
        if at is None or at < each.length_bytes:
            break
        at -= each.length_bytes
    return found if at is None else replace(found, first_bytes=each.start_bytes + at)


def _mismatch(ctx: JobContext, vcc_v: float, found: Differences, alike: Likeness | None) -> JobStopped:
    if not found.differing_bytes:
        return _unstable(ctx, vcc_v)
    differ = "1 byte differs" if found.differing_bytes == 1 else f"{found.differing_bytes:,} bytes differ"
    first = "" if found.differing_bytes == 1 else "the first "
    summary = (
        f"{differ} at VCC {vcc_v:.2f} V, {first}at {found.first_bytes:#x}: "
        f"{found.got:02X} instead of {found.wanted:02X}"
    )
    ctx.failed("verify", "Verify", summary, vcc_v)
    hint = f"{alike.words}. {alike.advice}" if alike else _advice(ctx, vcc_v, found)
    return JobStopped(
        OutcomeCode.VERIFY_MISMATCH, summary, hint,
        differing_bytes=found.differing_bytes, first_bytes=found.first_bytes, vcc_v=vcc_v,
        bits_wanted_0=found.bits_wanted_0, bits_wanted_1=found.bits_wanted_1,
    )  # fmt: skip


def _unstable(ctx: JobContext, vcc_v: float) -> JobStopped:
    words = f"some bits change from read to read at VCC {vcc_v:.2f} V"
    ctx.failed("verify", "Verify", words, vcc_v)
    return JobStopped(
        OutcomeCode.UNSTABLE_READ,
        words,
        "Clean the pins and verify again; a weak chip is to be erased and programmed afresh.",
        vcc_v=vcc_v,
    )


def _advice(ctx: JobContext, vcc_v: float, found: Differences) -> str:
    nominal_v = ctx.part.supplies.vcc_read_v
    if ctx.part.write is not None and ctx.part.write.lockable:
        return "If nothing changed at all, the chip is write-protected. Else clean the pins and try again."
    if not found.bits_wanted_1 and vcc_v >= nominal_v:
        return (
            "Every wrong bit reads 1 where the image has a 0: programmed too weakly, or not at all. Check VPP"
            " and the pulse, erase, and program again."
        )
    if not found.bits_wanted_0 and vcc_v <= nominal_v:
        return (
            "Every wrong bit reads 0 where the image has a 1: the chip was not fully erased. Erase it longer,"
            " then program again."
        )
    return "Is it the right image and chip? Clean the pins and verify again; else erase and program afresh."


def checksum(ctx: JobContext) -> Done:
    """State what the chip now holds, in the figures that go on a label."""
    powering = look_powering(ctx)
    data = ctx.content.data if ctx.content is not None else None
    if not ctx.socketed.can_digest:
        ctx.socketed.together(powering)
        if data is None:
            return Done("this programmer computes no digests", skipped=True)
        return _label(ctx, data, "of the image as fitted")
    crc = ctx.socketed.together(powering, ctx.socketed.digesting(0, ctx.part.words))[-1].crc
    if data is not None and crc == zlib.crc32(data):
        return _label(ctx, data, "of the whole chip")
    ctx.numbers.update(crc32=f"{crc:08X}")
    return Done(f"CRC-32 {crc:08X} of the whole chip", {"crc32": f"{crc:08X}"})


def _label(ctx: JobContext, data: bytes, what: str) -> Done:
    facts = content_facts(data, blank=ctx.part.blank_byte)
    figures = {"crc32": f"{facts.crc32:08X}", "byte_sum_16": f"{facts.byte_sum_16:04X}"}
    ctx.numbers.update(figures)
    return Done(f"CRC-32 {facts.crc32:08X}, 16-bit sum {facts.byte_sum_16:04X} {what}", figures)
