"""Parts of the catalogue."""

from typing import Any

from pydantic import Field

from api.schemas.common import Shown
from daemon.catalogue.model import Part
from daemon.catalogue.terms import Confidence, EraseMethod, Kind, Level, Loop, Mode


class PartSummary(Shown):
    """A chip type, as lists show it."""

    id: str = Field(description="The part's id.")
    name: str = Field(description="The maker's name of it.")
    maker: str = Field(description="Who makes it.")
    aliases: list[str] = Field(description="Other names, such as the family's; several parts may share one.")
    kind: Kind = Field(description="What sort of memory it is.")
    package: str = Field(description="Its package, such as `DIP28`.")
    size_bytes: int = Field(description="Its capacity, bytes.")
    width_bits: int = Field(description="Its word: 8 or 16 bits.")
    writable: bool = Field(description="Whether it can be written at all.")
    erase_method: EraseMethod = Field(description="How it is erased.")
    confidence: Confidence = Field(
        description="`seen` in a named source, or at least one value from `memory`: then compare first."
    )

    @classmethod
    def of(cls, part: Part) -> "PartSummary":
        """Show a part in short."""
        return cls(**_summary(part))


class PartPin(Shown):
    """One pin of the package."""

    number: int = Field(description="Pin number, as on the package.")
    name: str = Field(description="What it is called in the data sheet.")


class PartMode(Shown):
    """What every pin gets in one mode of the part."""

    mode: Mode = Field(description="The mode.")
    levels: dict[str, Level] = Field(description="What each pin gets, by pin number.")


class PartValue(Shown):
    """One value of the catalogue and where it is from."""

    key: str = Field(description="Dotted name, such as `supplies.vpp_program_v`; units stand last.")
    value: Any = Field(description="The value.")
    source: str = Field(description="`memory`, `computed`, or the source it was read in.")


class PartView(PartSummary):
    """A chip type with everything the bench knows about it."""

    datasheet: str = Field(description="Title of the data sheet.")
    words: int = Field(description="How many words it has.")
    blank_byte: int = Field(description="The byte that erasing leaves, 0 to 255.")
    access_ns: list[float] = Field(description="Access times of the speed grades sold, nanoseconds.")
    typical_program_s: float | None = Field(
        None, description="The maker's own programming time for the whole chip, seconds."
    )
    vcc_read_v: float = Field(description="Nominal supply for reading, volts.")
    vcc_program_v: float | None = Field(None, description="Supply while programming, volts.")
    vpp_program_v: float | None = Field(None, description="Programming voltage, volts.")
    supply_checks_v: list[float] = Field(description="Supplies at which content is checked, volts.")
    loop: Loop | None = Field(None, description="How its words are written one after another.")
    pulse_us: float | None = Field(None, description="Length of one programming pulse, microseconds.")
    max_pulses: int | None = Field(None, description="Pulses allowed on one word.")
    dose_j_per_cm2: float | None = Field(None, description="UV dose that erases it, J/cm².")
    pins: list[PartPin] = Field(description="Its pins, pin 1 first.")
    modes: list[PartMode] = Field(description="What the pins get in each of its modes.")
    notes: list[str] = Field(description="Cautions about this part.")
    values: list[PartValue] = Field(description="Every value with its source.")

    @classmethod
    def of(cls, part: Part) -> "PartView":
        """Show a part in full."""
        write = part.write
        return cls(
            **_summary(part),
            datasheet=part.datasheet,
            words=part.words,
            blank_byte=part.blank_byte,
            access_ns=list(part.access_ns),
            typical_program_s=part.typical_program_s,
            vcc_read_v=part.supplies.vcc_read_v,
            vcc_program_v=part.supplies.vcc_program_v,
            vpp_program_v=part.supplies.vpp_program_v,
            supply_checks_v=list(part.supplies.supply_checks_v),
            loop=write.loop if write else None,
            pulse_us=write.pulse_us if write else None,
            max_pulses=write.max_pulses if write else None,
            dose_j_per_cm2=part.erase.dose_j_per_cm2,
            pins=[PartPin(number=number, name=name) for number, name in enumerate(part.pins, 1)],
            modes=[
                PartMode(mode=mode, levels={str(pin): level for pin, level in part.levels(mode).items()})
                for mode in part.modes
            ],
            notes=list(part.notes),
            values=[
                PartValue(key=key, value=_plain(value), source=part.source_of(key))
                for key, value in part.values.items()
            ],
        )


class PartList(Shown):
    """Parts of the catalogue."""

    parts: list[PartSummary] = Field(description="The parts, best match first when asked by words.")
    problems: list[str] = Field(description="Part files of the user's own that could not be read, and why.")


def _summary(part: Part) -> dict[str, Any]:
    return {
        "id": part.id,
        "name": part.name,
        "maker": part.maker,
        "aliases": list(part.aliases),
        "kind": part.kind,
        "package": part.package,
        "size_bytes": part.size_bytes,
        "width_bits": part.width_bits,
        "writable": part.write is not None,
        "erase_method": part.erase.method,
        "confidence": part.confidence,
    }


def _plain(value: Any) -> Any:
    """Turn the inner tables and tuples of a part into what JSON has."""
    if isinstance(value, dict):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return value
