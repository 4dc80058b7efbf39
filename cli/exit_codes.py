"""What the exit status of every command means."""

from enum import IntEnum


class Exit(IntEnum):
    """Exit statuses; scripts depend on them, so a number never changes its meaning."""

    DONE = 0
    NEGATIVE = 1
    USAGE = 2
    UNREACHABLE = 3
    REFUSED = 4
    BROKEN_OFF = 5
    INTERRUPTED = 130


MEANINGS: dict[Exit, str] = {
    Exit.DONE: "Done, and the result is good.",
    Exit.NEGATIVE: "The chip was looked at and the result is negative: not blank, no match, sits wrong, does"
    " not take the programming; a batch paused since too many failed; `doctor` found a problem, or a device"
    " failed in `conformance`.",
    Exit.USAGE: "The command line or the configuration file is wrong.",
    Exit.UNREACHABLE: "The daemon cannot be reached or started, or no programmer is there.",
    Exit.REFUSED: "The daemon refused: unknown part, image too large, consent missing, programmer in use.",
    Exit.BROKEN_OFF: "The job came to no result: programmer unplugged, fault, cancelled, daemon stopped; or a"
    " batch was paused or ended before all was made.",
    Exit.INTERRUPTED: "Interrupted by Ctrl-C (128 + 2, as shells have it). A job was cancelled first, a batch"
    " paused.",
}
"""One sentence each, in ascending order; the help shows them."""


def exit_codes_text() -> str:
    """Return the table that `romwright help exit-codes` prints."""
    return "\n".join(f"{int(code):>4}  {meaning}" for code, meaning in MEANINGS.items())
