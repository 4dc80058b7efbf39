"""Which steps each kind of job has, in order."""

from collections.abc import Mapping

from daemon.catalogue.model import Part
from daemon.catalogue.terms import EraseMethod, Semantics
from daemon.store.model import JobKind

TITLES: Mapping[str, str] = {
    "connect": "Connect",
    "next-chip": "Next chip",
    "pin-check": "Pin check",
    "signature": "Signature",
    "held-content": "What it holds",
    "erase": "Erase",
    "blank-check": "Blank check",
    "erase-check": "Erase check",
    "program": "Program",
    "verify": "Verify",
    "read": "Read",
    "narrow": "What can be seen",
    "seating": "Pin check",
    "trial-reads": "Read",
    "naming": "Signature",
    "sorting": "Sort",
    "checksum": "Checksum",
    "diagnose": "Diagnosis",
    "rescue-read": "Rescue read",
}
"""Every step by name, with the title that people see; `steps.table` has what each does."""


def steps_for(
    kind: JobKind, part: Part, *, awaits_chip: bool = False, spares_contents: bool = False
) -> tuple[str, ...]:
    """Return the names of a job's steps, in order: those of its kind that make sense for this part.

    `awaits_chip`: it waits for its chip to be put in first. `spares_contents`: it looks first whether the
    chip holds something that is to be left alone.
    """
    electrical = part.erase.method is EraseMethod.ELECTRICAL
    erases = electrical or (kind is JobKind.ERASE and erases_without_light(part))
    optional = (("erase", erases), ("next-chip", awaits_chip), ("held-content", spares_contents))
    left_out = {name for name, wanted in optional if not wanted}
    return tuple(name for name in STEPS_OF[kind] if name not in left_out)


def erases_without_light(part: Part) -> bool:
    """Tell whether an erase job can do it: by the part's own erase, or by writing blank over all of it."""
    overwritten = part.write is not None and part.write.semantics is Semantics.OVERWRITE
    return part.erase.method is EraseMethod.ELECTRICAL or overwritten


STEPS_OF: Mapping[JobKind, tuple[str, ...]] = {
    JobKind.IDENTIFY: ("connect", "next-chip", "pin-check", "signature"),
    JobKind.PIN_CHECK: ("connect", "next-chip", "pin-check"),
    JobKind.BLANK_CHECK: ("connect", "next-chip", "pin-check", "blank-check"),
    JobKind.READ: ("connect", "next-chip", "pin-check", "read"),
    JobKind.WRITE: ("connect", "next-chip", "pin-check", "program"),
    JobKind.VERIFY: ("connect", "next-chip", "pin-check", "verify", "checksum"),
    JobKind.ERASE: ("connect", "next-chip", "pin-check", "erase", "blank-check"),
    JobKind.ERASE_CHECK: ("connect", "next-chip", "pin-check", "erase-check"),
    JobKind.DIAGNOSE: ("connect", "next-chip", "diagnose"),
    JobKind.RESCUE_READ: ("connect", "next-chip", "pin-check", "rescue-read"),
    JobKind.EXAMINE: ("narrow", "seating", "trial-reads", "naming", "sorting"),
    JobKind.PROGRAM: (
        "connect",
        "next-chip",
        "pin-check",
        "signature",
        "held-content",
        "erase",
        "blank-check",
        "program",
        "verify",
        "checksum",
    ),
}
