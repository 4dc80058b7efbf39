"""How long a job will take, from the part, the content, the programmer's own figures and the line's speed."""

from collections.abc import Mapping
from dataclasses import dataclass

from daemon.catalogue.model import Part
from daemon.catalogue.terms import EraseMethod, Loop
from daemon.catalogue.timing import chip_erase_s, fastest_program_s
from daemon.images.fit import FittedContent
from daemon.jobs.kinds import erases_without_light, steps_for
from daemon.jobs.request import JobRequest
from daemon.jobs.steps.erase_checking import READS
from daemon.operations.blocks import blocks_of
from daemon.operations.supplies import READ_TOLERANCE_MV, setting_for
from daemon.programmers.fitting import Fit, describe, fit_directly
from protocol.identity import Identity

#: What a frame adds to its payload on the wire (SPEC.md sections 2 and 8), for a PROGRAM of 256 bytes.
_FRAME_SHARE = 1.08
#: A short request and its answer: USB adapters hold bytes for up to 16 ms.
_EXCHANGE_S = 0.02
#: Of an examination: about so many ways to read, which come to so many times the largest, and working it out.
_TRIALS, _SHARE_OF_LARGEST, _SORTING_S = 5, 2.0, 0.2


@dataclass(frozen=True, slots=True)
class Estimate:
    """Seconds by step, in the order of the steps."""

    steps_s: Mapping[str, float]

    @property
    def total_s(self) -> float:
        """The whole job."""
        return sum(self.steps_s.values())

    def to_json(self) -> dict[str, object]:
        """Return the estimate as the store keeps it."""
        return {
            "total_s": round(self.total_s, 3),
            "steps_s": {name: round(seconds, 3) for name, seconds in self.steps_s.items()},
        }


def estimate_job(
    request: JobRequest,
    part: Part,
    content: FittedContent | None,
    identity: Identity,
    payload_bytes: int,
    wire_bytes_per_s: float | None,
    fit: Fit | None = None,
) -> Estimate:
    """Estimate a job. `wire_bytes_per_s` None: the line is faster than it matters; `fit` None: no adapter."""
    look = _Look(part, identity, wire_bytes_per_s)
    length_bytes = min(request.length_bytes or part.size_bytes, part.size_bytes)
    seconds = {
        "connect": look.exchange_s(8),
        "pin-check": look.exchange_s(1),
        "signature": look.settle_s + look.exchange_s(3),
        "blank-check": 2 * (look.settle_s + look.scan_s(length_bytes)),
        "erase": _erase_s(part),
        "erase-check": 2 * (look.settle_s + READS * look.scan_s(part.size_bytes)),
        "program": _program_s(fit or fit_directly(part, identity), content, identity, payload_bytes, look),
        "narrow": 0.0,
        "seating": look.exchange_s(4),
        "trial-reads": _trials_s(part, look),
        "naming": look.settle_s + look.exchange_s(4),
        "sorting": _SORTING_S,
        "verify": _verify_s(request, part, content, look),
        "read": look.settle_s + look.read_s(length_bytes),
        "checksum": look.settle_s + look.scan_s(part.size_bytes),
    }
    return Estimate({name: seconds[name] for name in steps_for(request.kind, part)})


@dataclass(frozen=True, slots=True)
class _Look:
    """The speed of looking at the chip with this programmer."""

    part: Part
    identity: Identity
    wire_bytes_per_s: float | None

    @property
    def settle_s(self) -> float:
        return self.identity.timing.settle_ms / 1000 + _EXCHANGE_S

    def exchange_s(self, requests: int) -> float:
        return requests * _EXCHANGE_S

    def scan_s(self, length_bytes: int) -> float:
        words = length_bytes / self.part.word_bytes
        return words * self.identity.timing.read_ns_per_word / 1e9 + _EXCHANGE_S

    def wire_s(self, length_bytes: int) -> float:
        return 0.0 if self.wire_bytes_per_s is None else length_bytes * _FRAME_SHARE / self.wire_bytes_per_s

    def read_s(self, length_bytes: int) -> float:
        return max(self.scan_s(length_bytes), self.wire_s(length_bytes))


def _trials_s(part: Part, look: _Look) -> float:
    """Estimate all reads of a chip that is not known; `part` is the largest way to read it.

    The ways mostly double in size, so all together come to twice the largest (exact for 27C64 to 27C512:
    120 KiB against 64). Each is read and then looked at once more by digest.
    """
    return _SHARE_OF_LARGEST * (look.read_s(part.size_bytes) + look.scan_s(part.size_bytes)) + _TRIALS * (
        look.settle_s + look.exchange_s(4)
    )


def _erase_s(part: Part) -> float:
    if part.erase.method is EraseMethod.ELECTRICAL:
        return chip_erase_s(part) or 0.0
    return fastest_program_s(part) if erases_without_light(part) else 0.0


def _program_s(
    fit: Fit, content: FittedContent | None, identity: Identity, payload_bytes: int, look: _Look
) -> float:
    part = fit.part
    if content is None or part.write is None:
        return 0.0
    descriptor = describe(fit, identity)
    blocks = blocks_of(
        content, part, descriptor, payload_bytes, sparse=part.write.loop is not Loop.PAGE_WRITE
    )
    data_bytes = sum(len(block.data) for block in blocks)
    words = data_bytes // part.word_bytes
    own_s = words * identity.timing.program_ns_per_word / 1e9
    device_s = fastest_program_s(part, words) + own_s if words else 0.0
    passes = 2 if part.write.loop is Loop.FIRST_PASS_THEN_VERIFY else 1
    # The second pass of such a loop mostly only reads.
    extra_s = look.scan_s(data_bytes) if passes == 2 else 0.0
    return (
        look.settle_s
        + max(device_s, look.wire_s(data_bytes))
        + max(extra_s, (passes - 1) * look.wire_s(data_bytes))
    )


def _verify_s(request: JobRequest, part: Part, content: FittedContent | None, look: _Look) -> float:
    if content is None:
        return 0.0
    length_bytes = sum(each.length_bytes for each in content.ranges)
    asked = request.supply_checks_v or part.supplies.supply_checks_v
    made = [v for v in asked if setting_for(look.identity.vcc, round(v * 1000), READ_TOLERANCE_MV)] or [0.0]
    one_s = look.read_s(length_bytes) if request.read_back else look.scan_s(length_bytes)
    return len(made) * (look.settle_s + one_s)
