"""What a job would do to the chip, to compare with the chip's marking before anything is energised."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.catalogue.terms import Level, Mode
from daemon.operations.supplies import READ_TOLERANCE_MV, How, describe_supply, setting_for, volts
from daemon.programmers.fitting import supplies_of
from daemon.store.model import JobKind

if TYPE_CHECKING:
    from daemon.jobs.planning import Plan

_VOLTAGES = (Level.VPP, Level.ID)


@dataclass(frozen=True, slots=True)
class PinUse:
    """One pin of the package: its name, the socket pin under it, and where it gets a high voltage."""

    pin: int
    signal: str
    socket_pin: int
    high_voltages: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class JobPreview:
    """A job before it begins. Volts as the part wants them; 0 where it has no such supply.

    `limits` says in sentences what this programmer makes otherwise, or cannot make. `adapter` is an id, or
    `direct`; `adapter_words` what a hand must do with the adapter, `switches` the levels that its address
    lines must be set to.
    """

    part_id: str
    part_name: str
    maker: str
    package: str
    programmer_id: str
    adapter: str
    vcc_read_v: float
    vcc_program_v: float
    vpp_program_v: float
    id_v: float
    pulse_us: float
    max_pulses: int
    supply_checks_v: tuple[float, ...]
    pins: tuple[PinUse, ...]
    confidence: str
    datasheet: str
    notes: tuple[str, ...]
    steps_s: dict[str, float]
    total_s: float
    image_sha256: str | None
    image_bytes: int
    fit_notes: tuple[str, ...]
    limits: tuple[str, ...]
    adapter_name: str | None
    adapter_words: tuple[str, ...]
    switches: dict[str, int]
    bank: int
    banks: int


def preview_of(plan: "Plan") -> JobPreview:
    """Return the preview of a job that has been planned."""
    part, fit, descriptor, content = plan.part, plan.fit, plan.descriptor, plan.content
    supplies, loop = supplies_of(part), descriptor.loop
    writes, seated = part.write is not None, fit.seated
    return JobPreview(
        part_id=part.id,
        part_name=part.name,
        maker=part.maker,
        package=part.package,
        programmer_id=plan.programmer.id,
        adapter=fit.adapter,
        vcc_read_v=supplies.vcc_read_mv / 1000,
        vcc_program_v=supplies.vcc_program_mv / 1000 if writes else 0.0,
        vpp_program_v=supplies.vpp_program_mv / 1000,
        id_v=supplies.id_mv / 1000 if descriptor.signature else 0.0,
        pulse_us=loop.pulse_ns / 1000,
        max_pulses=loop.max_pulses,
        supply_checks_v=plan.request.supply_checks_v or part.supplies.supply_checks_v,
        pins=tuple(
            PinUse(pin, part.signal_of(pin), fit.socket_pin(pin), _high_voltages(plan, pin))
            for pin in sorted(fit.socket_pins)
        ),
        confidence=part.confidence.value,
        datasheet=part.datasheet,
        notes=part.notes,
        steps_s={name: round(seconds, 3) for name, seconds in plan.estimate.steps_s.items()},
        total_s=round(plan.estimate.total_s, 3),
        image_sha256=plan.image_sha256,
        image_bytes=sum(each.length_bytes for each in content.ranges) if content else 0,
        fit_notes=content.notes if content else (),
        limits=tuple(_limits(plan)),
        adapter_name=seated.adapter.name if seated else None,
        adapter_words=tuple(seated.in_words()) if seated else (),
        switches=dict(seated.switches or {}) if seated else {},
        bank=seated.bank if seated else 0,
        banks=seated.banks if seated else 1,
    )


def _limits(plan: "Plan") -> Iterator[str]:
    part, identity, wanted = plan.part, plan.identity, supplies_of(plan.part)
    if plan.request.kind in (JobKind.PROGRAM, JobKind.WRITE):
        vcc = setting_for(identity.vcc, wanted.vcc_program_mv, wanted.vcc_tolerance_mv)
        vpp = setting_for(identity.vpp, wanted.vpp_program_mv, wanted.vpp_tolerance_mv)
        if vcc is None:
            have = describe_supply("VCC", identity.vcc)
            low = volts(wanted.vcc_program_mv)
            yield f"It has {have}: programming below {low} needs your consent, and is recorded."
        if wanted.vpp_program_mv and vpp is None:
            yield f"It has {describe_supply('VPP', identity.vpp)}: it cannot program this part."
        for name, setting in (("VCC", vcc), ("VPP", vpp if wanted.vpp_program_mv else None)):
            if setting is not None and setting.how is How.BY_HAND:
                yield f"{name} is set by hand: to {volts(setting.mv)}, with the socket empty, and measured."
    checks = plan.request.supply_checks_v or part.supplies.supply_checks_v
    if plan.request.kind in (JobKind.PROGRAM, JobKind.VERIFY):
        for check_v in checks:
            if setting_for(identity.vcc, round(check_v * 1000), READ_TOLERANCE_MV) is None:
                yield f"It cannot read at {check_v:.2f} V: recorded as not checked."


def _high_voltages(plan: "Plan", pin: int) -> tuple[str, ...]:
    """Return in which modes a pin gets VPP or the ID voltage with this programmer, such as `program: vpp`."""
    found: list[str] = []
    for mode in plan.part.modes:
        if mode in (Mode.MARGIN_SET, Mode.MARGIN_RESET):
            continue
        if mode is Mode.SIGNATURE and plan.descriptor.signature is None:
            continue
        level = plan.part.levels(mode).get(pin)
        if level in _VOLTAGES:
            found.append(f"{mode.value}: {level.value}")
    return tuple(found)
