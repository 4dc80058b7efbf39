"""The step that looks whether a chip already holds something that is to be left alone."""

import zlib

from daemon.jobs.context import Done, JobContext
from daemon.jobs.outcome import JobStopped, OutcomeCode
from daemon.jobs.steps.power import look_power


def held_content(ctx: JobContext) -> Done:
    """End the job with `already-programmed` if the whole chip has one of the contents that are to be spared.

    Content is told by its CRC-32 at the nominal supply: one chance in four thousand million that another one
    is taken for it. Whoever wants to rely on such a chip verifies it.
    """
    look_power(ctx)
    words = ctx.part.words
    if ctx.socketed.can_digest:
        crc = ctx.socketed.digest(0, words)
    else:
        size = ctx.part.word_bytes
        back = ctx.socketed.read(0, words, lambda done: ctx.progress(done, words * size))
        crc = zlib.crc32(back.data)
    if crc not in ctx.request.spare_crc32:
        return Done("none of the contents that are looked for")
    raise JobStopped(
        OutcomeCode.ALREADY_PROGRAMMED,
        f"the chip already holds a content that is to be left alone, CRC-32 {crc:08X}",
        "Verify it if you want to use it; erase it if you want to program it anew.",
        held_crc32=crc,
    )
