"""What a job would do, before anything is energised."""

from pydantic import Field

from api.schemas.common import Shown
from api.schemas.jobs import JobEstimate
from daemon.jobs.preview import JobPreview


class PinUseView(Shown):
    """One pin of the package in the socket."""

    pin: int = Field(description="Package pin.")
    signal: str = Field(description="Its name in the data sheet.")
    socket_pin: int = Field(description="The socket pin it sits on.")
    high_voltages: list[str] = Field(description="Where it gets a high voltage, such as `program: vpp`.")


class JobPreviewView(Shown):
    """Compare this with the marking on the chip before starting the job."""

    part_id: str = Field(description="The part.")
    part_name: str = Field(description="Its name.")
    maker: str = Field(description="Its maker.")
    package: str = Field(description="Its package.")
    programmer_id: str = Field(description="The programmer that would do it.")
    adapter: str = Field(description="Id of the adapter between chip and socket; `direct` for none.")
    adapter_name: str | None = Field(None, description="The adapter's name; null for none.")
    adapter_words: list[str] = Field(description="What to do with the adapter, as sentences; empty for none.")
    switches: dict[str, int] = Field(
        description="Address lines that switches on the adapter hold, and the level to set: 0 or 1."
    )
    bank: int = Field(description="The part of the chip that the switches select, from 0.")
    banks: int = Field(description="How many such parts the chip has on this adapter; 1 without switches.")
    vcc_read_v: float = Field(description="Supply for reading, volts.")
    vcc_program_v: float = Field(description="Supply while programming, volts; 0 if it is not written.")
    vpp_program_v: float = Field(description="Programming voltage, volts; 0 if it has none.")
    id_v: float = Field(description="Voltage for reading the signature, volts; 0 if none is applied.")
    pulse_us: float = Field(description="One programming pulse, microseconds; 0 if it has none.")
    max_pulses: int = Field(description="Pulses allowed on one word.")
    supply_checks_v: list[float] = Field(description="Supplies at which content would be checked, volts.")
    pins: list[PinUseView] = Field(description="The pins.")
    confidence: str = Field(description="`seen` in a named source, or from `memory`: then compare first.")
    datasheet: str = Field(description="The data sheet.")
    notes: list[str] = Field(description="Cautions about the part.")
    estimate: JobEstimate = Field(description="How long it would take.")
    image_sha256: str | None = Field(None, description="The image.")
    image_bytes: int = Field(description="Bytes that would be written or compared.")
    fit_notes: list[str] = Field(description="How the image was made to fit.")
    limits: list[str] = Field(description="What this programmer makes otherwise than the part wants.")

    @classmethod
    def of(cls, preview: JobPreview) -> "JobPreviewView":
        """Show a preview."""
        return cls(
            part_id=preview.part_id,
            part_name=preview.part_name,
            maker=preview.maker,
            package=preview.package,
            programmer_id=preview.programmer_id,
            adapter=preview.adapter,
            adapter_name=preview.adapter_name,
            adapter_words=list(preview.adapter_words),
            switches=preview.switches,
            bank=preview.bank,
            banks=preview.banks,
            vcc_read_v=preview.vcc_read_v,
            vcc_program_v=preview.vcc_program_v,
            vpp_program_v=preview.vpp_program_v,
            id_v=preview.id_v,
            pulse_us=preview.pulse_us,
            max_pulses=preview.max_pulses,
            supply_checks_v=list(preview.supply_checks_v),
            pins=[
                PinUseView(
                    pin=use.pin,
                    signal=use.signal,
                    socket_pin=use.socket_pin,
                    high_voltages=list(use.high_voltages),
                )
                for use in preview.pins
            ],
            confidence=preview.confidence,
            datasheet=preview.datasheet,
            notes=list(preview.notes),
            estimate=JobEstimate(total_s=preview.total_s, steps_s=dict(preview.steps_s)),
            image_sha256=preview.image_sha256,
            image_bytes=preview.image_bytes,
            fit_notes=list(preview.fit_notes),
            limits=list(preview.limits),
        )
