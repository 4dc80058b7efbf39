"""Choices of method that an estimate and the work itself must make alike."""

from daemon.catalogue.model import Part
from daemon.images.fit import FittedContent
from daemon.jobs.request import JobRequest
from protocol.identity import Identity
from protocol.wire import Capability

#: Near the trip point counts flicker, so the median of these is taken.
ERASE_CHECK_READS = 5
_RANGES_BY_DIGEST = 32


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
