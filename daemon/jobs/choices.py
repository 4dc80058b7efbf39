"""Choices of method that an estimate and the work itself must make alike."""

from daemon.catalogue.model import Part
from daemon.images.fit import FittedContent
from daemon.jobs.request import JobRequest
from daemon.operations.supplies import READ_TOLERANCE_MV, How, setting_for
from daemon.programmers.fitting import supplies_of
from protocol.identity import Identity
from protocol.wire import Capability

#: Near the trip point counts flicker, so the median of these is taken.
ERASE_CHECK_READS = 5
_RANGES_BY_DIGEST = 32
_RESCUE_READS = 9


def verifies_by_digest(request: JobRequest, part: Part, content: FittedContent, identity: Identity) -> bool:
    """Tell whether digests are enough: not when a read-back was asked for, nor for a part that can be locked.

    A locked part accepts a write as if it took it, so what it holds is read and compared byte by byte.
    """
    locked_could_fake = part.write is not None and part.write.lockable
    return (
        Capability.DIGEST in identity.capabilities
        and not request.read_back
        and not locked_could_fake
        and len(content.ranges) <= _RANGES_BY_DIGEST
    )


def rescue_reads(request: JobRequest) -> int:
    """Return how often a rescue read reads at each supply."""
    return request.reads or _RESCUE_READS


def rescue_supplies_v(request: JobRequest, part: Part, identity: Identity) -> tuple[float, ...]:
    """Return the supplies of a rescue read: those asked for, or the part's lowest, nominal and highest.

    Only those that this programmer makes without a hand; the nominal one where it makes none of them.
    """
    wanted = supplies_of(part)
    nominal_v = part.supplies.vcc_read_v
    own = (wanted.vcc_low_mv / 1000, nominal_v, wanted.vcc_high_mv / 1000)
    asked = request.supply_checks_v or own
    made = [
        volts
        for volts in dict.fromkeys(asked)
        if (setting := setting_for(identity.vcc, round(volts * 1000), READ_TOLERANCE_MV)) is not None
        and setting.how is How.ITSELF
    ]
    return tuple(sorted(made)) or (nominal_v,)
