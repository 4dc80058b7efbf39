"""What each step does, by its name. Imported with the first job: the daemon is ready without it."""

from collections.abc import Callable, Mapping

from daemon.jobs.context import Done, JobContext
from daemon.jobs.steps import (
    awaiting,
    diagnosing,
    erase_checking,
    erasing,
    examining,
    holding,
    looking,
    naming,
    programming,
    rescuing,
    seating,
    sorting,
    verifying,
)

DEEDS: Mapping[str, Callable[[JobContext], Done]] = {
    "connect": seating.connect,
    "next-chip": awaiting.next_chip,
    "pin-check": seating.pin_check,
    "signature": seating.signature,
    "held-content": holding.held_content,
    "erase": erasing.erase,
    "blank-check": looking.blank_check,
    "erase-check": erase_checking.erase_check,
    "program": programming.program,
    "verify": verifying.verify,
    "read": looking.read,
    "narrow": examining.narrow_down,
    "seating": examining.seat,
    "trial-reads": examining.read_trials,
    "naming": naming.ask_for_names,
    "sorting": sorting.sort,
    "checksum": verifying.checksum,
    "diagnose": diagnosing.diagnose,
    "rescue-read": rescuing.rescue,
}
