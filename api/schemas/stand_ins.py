"""Which parts can stand in a place that was made for another."""

from pydantic import Field

from api.schemas.common import Shown
from daemon.adapters.stand_ins import StandInAnswer
from daemon.catalogue.substitution.arrangement import Arrangement
from daemon.catalogue.substitution.verdict import StandIn, Task, Verdict, Work
from daemon.catalogue.terms import Confidence


class StandInTask(Shown):
    """One thing to be done before a part can stand in."""

    work: Work = Field(description="The kind of work.")
    text: str = Field(description="What to do, as a sentence.")
    pin: int | None = Field(description="The chip's pin; null where it is about no pin.")
    to: str | int | None = Field(
        description="Where that pin goes: `VCC`, `GND`, `open`, or a pin number of the place."
    )

    @classmethod
    def of(cls, task: Task) -> "StandInTask":
        """Show a task."""
        return cls(work=task.work, text=task.text, pin=task.pin, to=task.to)


class StandInContent(Shown):
    """Where the content must lie in the chip so that the board finds it."""

    starts_bytes: list[int] = Field(description="Where copies of it begin in the chip, bytes.")
    copies: int = Field(description="How many copies there must be; `starts_bytes` shows up to 64.")
    moved_lines: dict[str, int] = Field(
        description="Address bits of the chip, and the board's bit on each, where the two differ."
    )
    data_bits: list[int] = Field(
        description="For each data bit of the chip, bit 0 first, the board's bit on it."
    )
    plain: bool = Field(description="Whether the content goes in as it is, from the start.")

    @classmethod
    def of(cls, arrangement: Arrangement) -> "StandInContent":
        """Show an arrangement."""
        starts = arrangement.starts()
        return cls(
            starts_bytes=[start * arrangement.unit_bytes for start in starts[:64]],
            copies=len(starts),
            moved_lines={str(bit): own for bit, own in arrangement.moved_lines},
            data_bits=list(arrangement.data),
            plain=arrangement.plain,
        )


class StandInView(Shown):
    """How one part does there."""

    part_id: str = Field(description="The part.")
    part_name: str = Field(description="Its name.")
    maker: str = Field(description="Its maker.")
    package: str = Field(description="Its package.")
    size_bytes: int = Field(description="Its capacity, bytes.")
    writable: bool = Field(description="Whether it can be written; mask ROMs come with their content.")
    confidence: Confidence = Field(
        description="`seen` in a named source, or from `memory`: then compare first."
    )
    verdict: Verdict = Field(description="How much stands between the part and the place.")
    reasons: list[str] = Field(description="What speaks against putting it in as it is.")
    tasks: list[StandInTask] = Field(description="What must be done.")
    cautions: list[str] = Field(description="What to know although it works.")
    adapter: str | None = Field(description="Name of the adapter that it takes; null for none.")
    content: StandInContent | None = Field(description="How the content must lie in it; null if it cannot.")

    @classmethod
    def of(cls, found: StandIn) -> "StandInView":
        """Show one answer."""
        part = found.part
        return cls(
            part_id=part.id,
            part_name=part.name,
            maker=part.maker,
            package=part.package,
            size_bytes=part.size_bytes,
            writable=part.write is not None,
            confidence=part.confidence,
            verdict=found.verdict,
            reasons=list(found.reasons),
            tasks=[StandInTask.of(task) for task in found.tasks],
            cautions=list(found.cautions),
            adapter=found.adapter,
            content=None if found.arrangement is None else StandInContent.of(found.arrangement),
        )


class StandInPin(Shown):
    """What the board was taken to have on a pin of the place."""

    pin: int = Field(description="The pin.")
    signal: str = Field(description="What the part that the place was made for calls it.")
    board: str = Field(description="What the board has there.")


class StandInList(Shown):
    """The place, and how each part does in it."""

    made_for: str = Field(description="Id of the part that the place was made for.")
    place: str = Field(description="The place in words.")
    words: int = Field(description="How many words the board reads there.")
    width_bits: int = Field(description="Their width, bits.")
    access_ns: float | None = Field(description="How long the board waits; null: not known, and not judged.")
    vcc_v: float = Field(description="The board's supply, volts.")
    pins: list[StandInPin] = Field(description="What the board was taken to have on each pin.")
    stand_ins: list[StandInView] = Field(description="The parts, best first; those that cannot come last.")

    @classmethod
    def of(cls, answer: StandInAnswer) -> "StandInList":
        """Show an answer."""
        place, part = answer.position, answer.made_for
        return cls(
            made_for=part.id,
            place=place.name,
            words=place.words,
            width_bits=place.width_bits,
            access_ns=place.access_ns,
            vcc_v=place.vcc_v,
            pins=[
                StandInPin(pin=pin, signal=part.signal_of(pin), board=own.words)
                for pin, own in enumerate(place.nets, 1)
            ],
            stand_ins=[StandInView.of(found) for found in answer.found],
        )
