"""How long a job will take, from the part, the content, the programmer's own figures and the line's speed."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from daemon.catalogue.model import Part
from daemon.catalogue.terms import EraseMethod, Loop, Semantics, SignatureMethod
from daemon.catalogue.timing import chip_erase_s, fastest_program_s
from daemon.images.fit import FittedContent
from daemon.jobs.choices import ERASE_CHECK_READS, rescue_reads, rescue_supplies_v, verifies_by_digest
from daemon.jobs.kinds import erases_without_light, steps_for
from daemon.jobs.request import JobRequest, Skippable
from daemon.operations.blocks import blocks_of, is_sparse
from daemon.operations.supplies import READ_TOLERANCE_MV, setting_for
from daemon.programmers.fitting import Fit, describe, fit_directly, supplies_of
from daemon.store.model import JobKind
from protocol.identity import Identity
from protocol.wire import Capability

#: What surrounds the data of a PROGRAM or DATA frame: header, fields, CRC, COBS and delimiter (SPEC.md 2, 8).
_FRAME_BYTES = 18
#: A short request and its answer: a USB adapter holds bytes for up to 16 ms; other lines do not.
_EXCHANGE_S, _QUICK_EXCHANGE_S = 0.02, 0.001
#: A part descriptor with its frames, about.
_DESCRIPTOR_BYTES = 400
#: Of what a second pass goes over, about: what is looked at more closely, and what is sent again (ours).
_LOOKED_AT_AGAIN, _SENT_AGAIN = 0.5, 0.05
#: Of an examination: about so many ways to read, which come to so many times the largest, and working it out.
_TRIALS, _SHARE_OF_LARGEST, _SORTING_S = 5, 2.0, 0.2


@dataclass(frozen=True, slots=True)
class Estimate:
    """Seconds by step, in the order of the steps; `passes_s` those of the passes over a part's words."""

    steps_s: Mapping[str, float]
    passes_s: tuple[float, ...] = ()

    @property
    def total_s(self) -> float:
        """The whole job."""
        return sum(self.steps_s.values())

    def to_json(self) -> dict[str, object]:
        """Return the estimate as the store keeps it."""
        return {
            "total_s": round(self.total_s, 3),
            "steps_s": {name: round(seconds, 3) for name, seconds in self.steps_s.items()},
            "passes_s": [round(seconds, 3) for seconds in self.passes_s],
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
    """Estimate a job that goes well with a chip that behaves as its sheet says.

    `wire_bytes_per_s` None: the line is faster than it matters; `fit` None: no adapter. Tests hold it against
    the simulator: within 5 % and 0.3 s, and within 35 % where the chip itself times its writes, since sheets
    give only the longest time. An erase is counted though a chip that is blank already goes without.
    """
    if request.kind is JobKind.RESCUE_READ:
        content = None  # Counts of an earlier one are none of the chip's.
    look = _Look(part, identity, wire_bytes_per_s, payload_bytes)
    whole = JobKind.PROGRAM is request.kind
    length_bytes = part.size_bytes if whole else min(request.length_bytes or part.size_bytes, part.size_bytes)
    passes_s = _passes_s(fit or fit_directly(part, identity), content, look)
    seconds = {
        "connect": look.exchange_s(1) + look.wire_s(_DESCRIPTOR_BYTES),
        "next-chip": 0.0,  # however long a person takes
        "pin-check": look.exchange_s(1),
        "signature": _signature_s(request, part, look),
        "held-content": look.settle_s + look.exchange_s(1) + look.scan_s(part.size_bytes),
        "blank-check": _blank_s(request, part, length_bytes, look),
        "erase": _erase_s(part, look),
        "erase-check": look.exchange_s(4)
        + 2 * (look.settle_s + ERASE_CHECK_READS * look.scan_s(part.size_bytes)),
        "program": look.settle_s + look.exchange_s(2) + sum(passes_s),
        "narrow": 0.0,
        "seating": look.exchange_s(4),
        "trial-reads": _trials_s(part, look),
        "naming": look.settle_s + look.exchange_s(5),
        "sorting": _SORTING_S,
        "verify": _verify_s(request, part, content, look),
        "read": look.settle_s + look.exchange_s(1) + look.read_s(length_bytes),
        "diagnose": _diagnose_s(part, look),
        "rescue-read": _rescue_s(request, part, look),
        "checksum": look.settle_s + look.exchange_s(1) + look.scan_s(part.size_bytes),
    }
    steps = steps_for(
        request.kind,
        part,
        awaits_chip=request.await_chip is not None,
        spares_contents=bool(request.spare_crc32),
    )
    return Estimate({name: seconds[name] for name in steps}, passes_s)


@dataclass(frozen=True, slots=True)
class _Look:
    """The speed of looking at the chip with this programmer."""

    part: Part
    identity: Identity
    wire_bytes_per_s: float | None
    payload_bytes: int

    @property
    def settle_s(self) -> float:
        """The time of a change of supplies."""
        return self.identity.timing.settle_ms / 1000

    def exchange_s(self, requests: int) -> float:
        """Return the time of so many short requests, one after another."""
        return requests * (_QUICK_EXCHANGE_S if self.wire_bytes_per_s is None else _EXCHANGE_S)

    def scan_s(self, length_bytes: int) -> float:
        """Return the time of a look at words that stay on the programmer."""
        words = length_bytes / self.part.word_bytes
        return words * self.identity.timing.read_ns_per_word / 1e9

    def wire_s(self, data_bytes: int, frames: int = 0) -> float:
        """Return what the line takes for data in so many frames, or in as few as they go into."""
        if self.wire_bytes_per_s is None:
            return 0.0
        frames = frames or math.ceil(data_bytes / self.payload_bytes)
        return (data_bytes + frames * _FRAME_BYTES) / self.wire_bytes_per_s

    def read_s(self, length_bytes: int) -> float:
        """Return the time of a read: words are read while those before them are on the line."""
        return max(self.scan_s(length_bytes), self.wire_s(length_bytes) + self.exchange_s(1))


def _diagnose_s(part: Part, look: _Look) -> float:
    # Three looks at the nominal supply, two at each other one.
    return look.exchange_s(6) + 3 * look.settle_s + 7 * look.read_s(part.size_bytes)


def _rescue_s(request: JobRequest, part: Part, look: _Look) -> float:
    supplies = len(rescue_supplies_v(request, part, look.identity))
    return (
        rescue_reads(request) * supplies * (look.settle_s + look.exchange_s(1) + look.read_s(part.size_bytes))
    )


def _erase_s(part: Part, look: _Look) -> float:
    if part.erase.method is EraseMethod.ELECTRICAL:
        return look.settle_s + look.exchange_s(3) + look.scan_s(part.size_bytes) + (chip_erase_s(part) or 0.0)
    if erases_without_light(part):
        # Blank is written over all of it.
        own_s = part.words * look.identity.timing.program_ns_per_word / 1e9
        line_s = 0.0 if Capability.FILL in look.identity.capabilities else look.wire_s(part.size_bytes)
        return look.settle_s + look.exchange_s(2) + max(fastest_program_s(part) + own_s, line_s)
    return 0.0


def _signature_s(request: JobRequest, part: Part, look: _Look) -> float:
    if part.signature.method is SignatureMethod.NONE or Skippable.SIGNATURE in request.skip:
        return 0.0
    # VCC, then the look at 5 V, then the ID voltage on and off.
    return 2 * look.settle_s + look.exchange_s(1)


def _blank_s(request: JobRequest, part: Part, length_bytes: int, look: _Look) -> float:
    replaces = part.write is not None and part.write.semantics is Semantics.OVERWRITE
    if request.kind is JobKind.PROGRAM and (replaces or Skippable.BLANK_CHECK in request.skip):
        return 0.0
    low_mv = supplies_of(part).vcc_low_mv
    looks = 1 if setting_for(look.identity.vcc, low_mv, READ_TOLERANCE_MV) is None else 2
    return look.exchange_s(1) + looks * (look.settle_s + look.scan_s(length_bytes))


def _trials_s(part: Part, look: _Look) -> float:
    """Estimate all reads of a chip that is not known; `part` is the largest way to read it.

    The ways mostly double in size, so all together come to twice the largest (exact for 27C64 to 27C512:
    120 KiB against 64). Each is read and then looked at once more by digest.
    """
    return _SHARE_OF_LARGEST * (look.read_s(part.size_bytes) + look.scan_s(part.size_bytes)) + _TRIALS * (
        look.settle_s + look.exchange_s(6)
    )


def _passes_s(fit: Fit, content: FittedContent | None, look: _Look) -> tuple[float, ...]:
    part, identity = fit.part, look.identity
    if content is None or part.write is None:
        return ()
    descriptor = describe(fit, identity)
    can = identity.capabilities
    blocks = blocks_of(content, part, descriptor, look.payload_bytes, sparse=is_sparse(part), can=can)
    data_bytes = sum(len(block.data) for block in blocks)
    words = data_bytes // part.word_bytes
    own_s = words * identity.timing.program_ns_per_word / 1e9
    device_s = fastest_program_s(part, words) + own_s if words else 0.0
    # While one block is programmed, the next arrives.
    line_s = look.wire_s(sum(block.carried_bytes for block in blocks), len(blocks))
    if part.write.loop is Loop.FIRST_PASS_THEN_VERIFY:
        # The second pass of such a loop mostly only reads: what a digest shows to be right is not sent again.
        looks_s = look.scan_s(data_bytes)
        if Capability.DIGEST in can:
            return max(device_s, line_s), (1 + _LOOKED_AT_AGAIN) * looks_s + _SENT_AGAIN * line_s
        return max(device_s, line_s), max(looks_s, line_s)
    return (max(device_s, line_s),)


def _verify_s(request: JobRequest, part: Part, content: FittedContent | None, look: _Look) -> float:
    if content is None:
        return 0.0
    asked = request.supply_checks_v or part.supplies.supply_checks_v
    made = [v for v in asked if setting_for(look.identity.vcc, round(v * 1000), READ_TOLERANCE_MV)] or [0.0]
    if verifies_by_digest(request, part, content, look.identity):
        length_bytes = sum(each.length_bytes for each in content.ranges)
        return look.exchange_s(1) + len(made) * (look.settle_s + look.scan_s(length_bytes))
    one_s = look.exchange_s(1) + look.read_s(content.ranges[-1].end_bytes - content.ranges[0].start_bytes)
    return len(made) * (look.settle_s + one_s)
