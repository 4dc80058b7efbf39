"""Looking a job through before it is recorded, and again before it starts: all that it needs."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from daemon.adapters.files import Adapters
from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.terms import EraseMethod
from daemon.errors import BenchError, Code
from daemon.image_shelf import ImageShelf
from daemon.images.fit import FittedContent
from daemon.images.fit import fit as fit_image
from daemon.jobs.estimate import Estimate, estimate_job
from daemon.jobs.kinds import TITLES, erases_without_light
from daemon.jobs.request import MAY_HAVE_IMAGE, WITH_IMAGE, EraseScope, JobRequest, sight_of
from daemon.jobs.runner import Assignment
from daemon.jobs.seats import Seat, seat_for
from daemon.operations.supplies import describe_supply, setting_for
from daemon.programmers.fitting import Fit, describe, supplies_of
from daemon.programmers.roster import Roster
from daemon.programmers.views import ProgrammerView
from daemon.store.model import JobKind, JobRecord
from protocol.descriptor import PartDescriptor
from protocol.identity import Identity

_WRITING = frozenset({JobKind.WRITE, JobKind.PROGRAM})
#: Kinds to which a range can be given; an erase of sectors is another.
_RANGED = frozenset({JobKind.READ, JobKind.BLANK_CHECK})


@dataclass(frozen=True, slots=True)
class Plan:
    """A request looked through: what it needs was found, and it can be done with this programmer."""

    request: JobRequest
    programmer: ProgrammerView
    part: Part
    fit: Fit
    descriptor: PartDescriptor
    identity: Identity
    image_sha256: str | None
    content: FittedContent | None
    estimate: Estimate


class Planner:
    """Finds what jobs need: part, seat, content, programmer. Thread-safe."""

    def __init__(self, catalogue: Catalogue, shelf: ImageShelf, adapters: Adapters) -> None:
        self._catalogue = catalogue
        self._shelf = shelf
        self._adapters = adapters

    def plan(self, request: JobRequest, roster: Roster) -> Plan:
        """Look a request through. Raises BenchError for anything that would make it fail for sure."""
        known = None if request.kind is JobKind.EXAMINE else self._catalogue.get(request.part_name)
        if known is not None:
            refuse_impossible(request, known)
        programmer = roster.find(request.programmer)
        worker = roster.worker_of(programmer.id)
        identity = roster.session_of(programmer.id).identity
        whole = known or self._unmarked(request, identity)
        seat = seat_for(request, whole, self._adapters, identity)
        fit, part = seat.fit, seat.fit.part
        _refuse_range(request, part)
        descriptor = describe(fit, identity)
        sha256, content = self._content(request, whole, seat)
        estimate = estimate_job(
            request, part, content, identity, programmer.max_payload_bytes, worker.wire_bytes_per_s, fit
        )
        return Plan(request, programmer, part, fit, descriptor, identity, sha256, content, estimate)

    def assign(self, job: JobRecord, identity: Identity, before: JobRecord | None = None) -> Assignment:
        """Gather what a recorded job needs; `before` is the attempt that it continues, if it does.

        Raises BenchError for a part or an image that has gone since, and a job of another version.
        """
        request = request_of(job)
        if request.kind is JobKind.EXAMINE:
            part = self._unmarked(request, identity)
        else:
            part = self._catalogue.get(request.part_name)
            # Its file may be another one than when the job was handed in.
            refuse_impossible(request, part)
        seat = seat_for(request, part, self._adapters, identity)
        _, content = self._content(request, part, seat)
        resumes = job.continues_id is not None and job.kind in _WRITING
        acknowledged = acknowledged_by(before) if resumes else ()
        return Assignment(job, request, seat.fit.part, content, resumes, seat.fit, acknowledged)

    def _unmarked(self, request: JobRequest, identity: Identity) -> Part:
        # Late: few jobs examine an unmarked chip, and the daemon is to be ready soon.
        from daemon.drawer.start import unmarked_part

        return unmarked_part(self._catalogue, sight_of(request), identity)

    def _content(
        self, request: JobRequest, part: Part, seat: Seat
    ) -> tuple[str | None, FittedContent | None]:
        if request.image is None or request.kind not in WITH_IMAGE | MAY_HAVE_IMAGE:
            return None, None
        view = self._shelf.get(request.image)
        if request.kind is JobKind.RESCUE_READ:
            # What an earlier rescue read kept: counts, and no content of a chip.
            counts = self._shelf.load(view.sha256)
            return view.sha256, FittedContent(counts.flatten(counts.span_bytes), (), ())
        content = fit_image(
            self._shelf.load(view.sha256),
            part.size_bytes,
            part.word_bytes,
            offset_bytes=request.offset_bytes,
            fill=request.fill,
            repeat=request.repeat,
        )
        return view.sha256, seat.own_share(content)


def request_of(job: JobRecord) -> JobRequest:
    """Return what was asked, with what its names meant then: a short digest may be ambiguous by now.

    Raises BenchError `job-request` for a record that another version wrote.
    """
    meant = {"programmer": job.programmer_id, "part": job.part_id, "image": job.image_sha256}
    params: Mapping[str, Any] = {**job.params, **{name: value for name, value in meant.items() if value}}
    try:
        request = JobRequest.model_validate(params)
    except ValidationError as error:
        fields = ", ".join(
            sorted({".".join(map(str, fault["loc"])) or "all of it" for fault in error.errors()})
        )
        raise _of_another_version(job, fields) from error
    unknown = [step.name for step in job.steps if step.name not in TITLES]
    if unknown:
        raise _of_another_version(job, f"the steps {', '.join(unknown)}")
    return request


def _of_another_version(job: JobRecord, what: str) -> BenchError:
    return BenchError(
        Code.JOB_REQUEST,
        f"job {job.id} was recorded by another version of this program; not understood: {what}",
        hint="Start it anew.",
    )


def refuse_impossible(request: JobRequest, part: Part) -> None:
    """Refuse before anything is recorded what this part can never do. Raises BenchError."""
    if request.kind in _WRITING and part.write is None:
        raise BenchError(
            Code.PART_READ_ONLY,
            f"{part.name} is a {part.kind} and cannot be programmed",
            hint="Choose a part that can be written and fits the same socket.",
            field="part",
        )
    if request.kind is JobKind.ERASE and not erases_without_light(part):
        uv = part.erase.method is EraseMethod.UV
        raise BenchError(
            Code.PART_CANNOT,
            f"{part.name} cannot be erased electrically",
            hint="It is erased by UV light: ask for an erase-time estimate."
            if uv
            else "It cannot be erased; use a fresh one.",
            field="part",
        )
    low_v, high_v = supplies_of(part).vcc_low_mv / 1000, supplies_of(part).vcc_high_mv / 1000
    for vcc_v in request.supply_checks_v or ():
        if not low_v <= vcc_v <= high_v:
            raise BenchError(
                Code.JOB_REQUEST,
                f"{part.name} is read at VCC {low_v:.2f} to {high_v:.2f} V; {vcc_v:.2f} V was asked for",
                hint="Leave the supplies out to use the part's own.",
                field="supply_checks_v",
            )
    if request.kind is JobKind.READ and len(request.supply_checks_v or ()) > 1:
        raise BenchError(
            Code.JOB_REQUEST,
            f"a read is made at one VCC; {len(request.supply_checks_v or ())} were asked for",
            hint="Start a read for each.",
            field="supply_checks_v",
        )


def refuse_unmade(plan: Plan) -> None:
    """Refuse to program where this programmer cannot make the part's supplies.

    Raises BenchError `programmer-cannot` for VPP, `consent-needed` for a VCC below the part's that nobody has
    agreed to.
    """
    wanted = supplies_of(plan.part)
    if plan.request.kind not in _WRITING:
        return
    vcc = setting_for(plan.identity.vcc, wanted.vcc_program_mv, wanted.vcc_tolerance_mv)
    if vcc is None and not plan.request.allow_low_vcc:
        raise BenchError(
            Code.CONSENT_NEEDED,
            f"{plan.part.name} is programmed at VCC {wanted.vcc_program_mv / 1000:.2f} V; this programmer has"
            f" {describe_supply('VCC', plan.identity.vcc)}",
            hint="Programming below the part's VCC can leave weak bits. Agree to it (allow_low_vcc, or"
            " --allow-low-vcc on the command line), or use a programmer that makes this supply.",
            field="allow_low_vcc",
            details={"wanted_v": wanted.vcc_program_mv / 1000},
        )
    if not wanted.vpp_program_mv:
        return
    if setting_for(plan.identity.vpp, wanted.vpp_program_mv, wanted.vpp_tolerance_mv) is None:
        raise BenchError(
            Code.PROGRAMMER_CANNOT,
            f"{plan.part.name} is programmed with VPP {wanted.vpp_program_mv / 1000:.2f} V; this programmer"
            f" has {describe_supply('VPP', plan.identity.vpp)}",
            hint="Use a programmer that makes this voltage.",
            field="part",
        )


def acknowledged_by(job: JobRecord | None) -> tuple[tuple[int, int], ...]:
    """Return what a job had got done of a chip, as stretches of bytes."""
    done = [step.acknowledged for step in job.steps if step.acknowledged] if job else []
    return done[0] if done else ()


def _refuse_range(request: JobRequest, part: Part) -> None:
    """Refuse a range that does not lie within the part, or that the kind of job has no use for."""
    sectors = request.kind is JobKind.ERASE and request.erase.scope is EraseScope.SECTOR
    if request.kind not in _RANGED and not sectors:
        if request.start_bytes or request.length_bytes is not None:
            raise BenchError(
                Code.JOB_REQUEST,
                f"a range was given; {request.kind} works on the whole chip, or where its image lies",
                hint="Leave start_bytes and length_bytes out; offset_bytes moves the image.",
                field="start_bytes",
            )
        return
    length_bytes = request.length_bytes
    end_bytes = part.size_bytes if length_bytes is None else request.start_bytes + length_bytes
    if request.start_bytes >= part.size_bytes or end_bytes > part.size_bytes or length_bytes == 0:
        raise BenchError(
            Code.JOB_REQUEST,
            f"{part.name} has bytes 0x0 to {part.size_bytes - 1:#x}; the range asked for does not lie within",
            hint="Leave the range out for the whole chip.",
            field="start_bytes",
        )
