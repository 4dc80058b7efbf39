"""Which steps each kind of job has, in order."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from daemon.catalogue.model import Part
from daemon.catalogue.terms import EraseMethod, Semantics
from daemon.jobs.context import Done, JobContext
from daemon.jobs.steps import (
    erase_checking,
    erasing,
    examining,
    looking,
    naming,
    programming,
    seating,
    sorting,
    verifying,
)
from daemon.store.model import JobKind


@dataclass(frozen=True, slots=True)
class StepKind:
    """A step by name, with the title that people see and the function that does it."""

    name: str
    title: str
    run: Callable[[JobContext], Done]


STEPS: Mapping[str, StepKind] = {
    kind.name: kind
    for kind in (
        StepKind("connect", "Connect", seating.connect),
        StepKind("pin-check", "Pin check", seating.pin_check),
        StepKind("signature", "Signature", seating.signature),
        StepKind("erase", "Erase", erasing.erase),
        StepKind("blank-check", "Blank check", looking.blank_check),
        StepKind("erase-check", "Erase check", erase_checking.erase_check),
        StepKind("program", "Program", programming.program),
        StepKind("verify", "Verify", verifying.verify),
        StepKind("read", "Read", looking.read),
        StepKind("narrow", "What can be seen", examining.narrow_down),
        StepKind("seating", "Pin check", examining.seat),
        StepKind("trial-reads", "Read", examining.read_trials),
        StepKind("naming", "Signature", naming.ask_for_names),
        StepKind("sorting", "Sort", sorting.sort),
        StepKind("checksum", "Checksum", verifying.checksum),
    )
}


def steps_for(kind: JobKind, part: Part) -> tuple[str, ...]:
    """Return the names of a job's steps, in order: those of its kind that make sense for this part."""
    electrical = part.erase.method is EraseMethod.ELECTRICAL
    erases = electrical or (kind is JobKind.ERASE and erases_without_light(part))
    return tuple(name for name in STEPS_OF[kind] if name != "erase" or erases)


def erases_without_light(part: Part) -> bool:
    """Tell whether an erase job can do it: by the part's own erase, or by writing blank over all of it."""
    overwritten = part.write is not None and part.write.semantics is Semantics.OVERWRITE
    return part.erase.method is EraseMethod.ELECTRICAL or overwritten


STEPS_OF: Mapping[JobKind, tuple[str, ...]] = {
    JobKind.IDENTIFY: ("connect", "pin-check", "signature"),
    JobKind.PIN_CHECK: ("connect", "pin-check"),
    JobKind.BLANK_CHECK: ("connect", "pin-check", "blank-check"),
    JobKind.READ: ("connect", "pin-check", "read"),
    JobKind.WRITE: ("connect", "pin-check", "program"),
    JobKind.VERIFY: ("connect", "pin-check", "verify", "checksum"),
    JobKind.ERASE: ("connect", "pin-check", "erase", "blank-check"),
    JobKind.ERASE_CHECK: ("connect", "pin-check", "erase-check"),
    JobKind.EXAMINE: ("narrow", "seating", "trial-reads", "naming", "sorting"),
    JobKind.PROGRAM: (
        "connect",
        "pin-check",
        "signature",
        "erase",
        "blank-check",
        "program",
        "verify",
        "checksum",
    ),
}
