"""A part on an adapter: which chip pin meets which plug pin, and what the adapter takes away."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from daemon.adapters.model import Adapter, Tie
from daemon.catalogue.loader import packaged_pinouts
from daemon.catalogue.model import Part
from daemon.catalogue.pins import is_idle
from daemon.catalogue.terms import Level, Mode, Unused
from daemon.errors import BenchError, Code

_HELD: Mapping[Tie, frozenset[Level]] = {
    Tie.VCC: frozenset({Level.HIGH, Level.VCC, Level.FLOAT}),
    Tie.GROUND: frozenset({Level.LOW, Level.FLOAT}),
}
"""The levels of the mode table that a tied pin has."""
_SHOWN_MAX = 4


@dataclass(frozen=True, slots=True)
class Seated:
    """A part on an adapter.

    `part` is the part in the adapter's package and, where the adapter has switches, the bank of it that they
    select: a smaller part whose word 0 is word `first_word` of the chip.
    """

    part: Part
    adapter: Adapter
    bank: int = 0
    banks: int = 1
    first_word: int = 0
    switches: Mapping[str, int] | None = None
    """Address line -> level that its switch must be set to; None without switches."""
    read_only_because: str | None = None
    """Why the part cannot be written through this adapter; None when it can."""

    def in_words(self) -> Iterator[str]:
        """Yield what a hand must do before the chip is powered, and the adapter's own cautions."""
        yield self.adapter.placing
        if self.switches:
            levels = ", ".join(
                f"{name} {'high' if level else 'low'}" for name, level in self.switches.items()
            )
            first_bytes = self.first_word * self.part.word_bytes
            last_bytes = first_bytes + self.part.size_bytes - 1
            yield (
                f"Set its switches: {levels}. That is bank {self.bank} of 0 to {self.banks - 1}, "
                f"{first_bytes:#x} to {last_bytes:#x} of the chip."
            )
        yield from self.adapter.notes

    @property
    def plug_pins(self) -> Mapping[int, int]:
        """Chip pin -> plug pin."""
        return self.adapter.plug_pins


def seat(part: Part, adapter: Adapter, bank: int = 0) -> Seated:
    """Put the part on the adapter, with its switches at `bank`.

    Raises BenchError `adapter-does-not-fit` when the package or the pins are not those it was made for, when
    a signal that reading needs goes nowhere, or when it has no such bank.
    """
    try:
        chip = part.in_package(adapter.package)
    except LookupError as error:
        raise _refusal(
            part, adapter, f"takes a {adapter.package}; {error}", "Choose an adapter for its package."
        ) from error
    if not is_made_for(adapter, chip):
        shown, more = adapter.made_for[:_SHOWN_MAX], len(adapter.made_for) - _SHOWN_MAX
        names = ", ".join(shown) + (f" and {more} more" if more > 0 else "")
        raise _refusal(
            part,
            adapter,
            f"is made for the pinouts {names}, and {part.name} has other pins",
            "Choose an adapter for this family: on this one its pins would meet wrong signals.",
        )
    for pin, reason in _lost_pins(chip, adapter):
        signal = chip.signal_of(pin)
        raise _refusal(
            part, adapter, f"{reason} (pin {pin}, {signal})", "Correct its pins or choose another.",
            pin=pin, signal=signal,
        )  # fmt: skip
    banks = 1 << len(adapter.switched)
    if not 0 <= bank < banks:
        what = f"banks 0 to {banks - 1}" if banks > 1 else "no switches, so only bank 0"
        raise _refusal(part, adapter, f"has {what}; there is no bank {bank}", "Name one that it has.")
    return _bank(part, chip, adapter, bank, _why_read_only(chip, adapter))


def seats_for(part: Part, adapters: Iterable[Adapter]) -> Iterator[Seated]:
    """Yield how the part sits on each of the adapters that take it, with switches at bank 0."""
    for adapter in adapters:
        try:
            yield seat(part, adapter)
        except BenchError:
            continue


def is_made_for(adapter: Adapter, chip: Part) -> bool:
    """Tell whether the adapter's list of pinouts has these pins; one without a list takes any."""
    known = packaged_pinouts()
    return not adapter.made_for or any(known[name].pins == chip.pins for name in adapter.made_for)


def _lost_pins(chip: Part, adapter: Adapter) -> Iterator[tuple[int, str]]:
    """Yield pins that reading needs and the adapter does not serve, with what is wrong."""
    read = chip.levels(Mode.READ)
    lines = chip.address_pins
    highest = lines[len(lines) - len(adapter.switched) :]
    for pin in range(1, len(chip.pins) + 1):
        unused = chip.unused(pin)
        if pin in adapter.switched:
            if tuple(adapter.switched) != highest:
                named = " and ".join(chip.signal_of(line) for line in highest)
                yield pin, f"has switches, which must hold the highest address lines ({named}, lowest first)"
        elif pin in adapter.tied:
            held = _HELD[adapter.tied[pin]]
            if read[pin] not in held and unused not in (Unused.ANY, Unused.LEVEL, Unused.TIED):
                yield pin, f"ties to {adapter.tied[pin]} what reading needs otherwise"
        elif not adapter.pins[pin - 1] and unused not in (Unused.ANY, Unused.OPEN):
            yield pin, "leaves open what reading needs"


def _why_read_only(chip: Part, adapter: Adapter) -> str | None:
    if adapter.limits.read_only:
        return f"{adapter.name} passes data one way only"
    vpp_v, limit = chip.supplies.vpp_program_v, adapter.limits.vpp_max_v
    if vpp_v is not None and limit is not None and vpp_v > limit:
        return f"{adapter.name} stands {limit:g} V and {chip.name} is programmed with {vpp_v:g} V"
    for mode in (Mode.PROGRAM, Mode.VERIFY, Mode.INHIBIT, Mode.WRITE):
        levels = chip.levels(mode) if mode in chip.modes else {}
        for pin, tie in adapter.tied.items():
            level = levels.get(pin, Level.FLOAT)
            if level not in _HELD[tie] and not is_idle(chip.signal_of(pin)):
                signal = f"{chip.signal_of(pin)} (pin {pin})"
                return f"{adapter.name} ties {signal} to {tie}, and {mode} needs it {level}"
    return None


def _bank(part: Part, chip: Part, adapter: Adapter, bank: int, read_only: str | None) -> Seated:
    count = len(adapter.switched)
    if not count:
        return Seated(chip, adapter, read_only_because=read_only)
    words = chip.words >> count
    names = [chip.signal_of(pin) for pin in adapter.switched]
    # The switched lines no longer belong to the socket: what is left is a smaller part with idle pins there.
    stated: dict[str, Any] = chip.model_dump(exclude_unset=True)
    stated["pins"] = tuple("NC" if pin in adapter.switched else n for pin, n in enumerate(chip.pins, 1))
    stated |= {"words": words, "pinout": None, "also_in": {}, "typical_program_s": None}
    gone = ("also_in", "typical_program_s")
    stated["src"] = {key: src for key, src in chip.src.items() if key.partition(".")[0] not in gone}
    return Seated(
        Part.model_validate(stated),
        adapter,
        bank=bank,
        banks=1 << count,
        first_word=bank * words,
        switches={name: bank >> bit & 1 for bit, name in enumerate(names)},
        read_only_because=read_only,
    )


def _refusal(part: Part, adapter: Adapter, why: str, hint: str, **details: object) -> BenchError:
    return BenchError(
        Code.ADAPTER_DOES_NOT_FIT,
        f"{adapter.name} {why}",
        hint=hint,
        field="adapter",
        details={"adapter": adapter.id, "part": part.id, **details},
    )
