"""Batches as the API shows them."""

from datetime import UTC, datetime
from typing import Any

from pydantic import Field

from api.schemas.common import Shown
from daemon.batches.desk import Live
from daemon.batches.keeping import chip_facts, state_facts
from daemon.batches.model import ChipResult, Phase, Plan, Status, Verdict, Why
from daemon.batches.results import BatchResults, results_of


class InstructionView(Shown):
    """What the person at the bench is to do now."""

    code: str = Field(description="What kind of instruction it is, such as `put-in` or `working`.")
    words: str = Field(description="The instruction, for large letters.")
    detail: str = Field("", description="What else there is to say.")


class BatchChipView(Shown):
    """What became of one chip that was put in."""

    number: int = Field(description="Counts the chips of the batch.")
    position: str = Field(description="Position it was meant for.")
    title: str = Field(description="What that position is for.")
    set_number: int = Field(description="Set it was meant for.")
    verdict: Verdict = Field(description="`good`, `already` (held it before), or the pile it went to.")
    good: bool = Field(description="Whether it counts.")
    cause: str = Field(description="Stable code of why.")
    words: str = Field(description="Why, in words.")
    countable: bool = Field(description="Whether somebody may say that it counts after all.")
    part_id: str = Field(description="The part.")
    image_sha256: str = Field(description="What it was to hold.")
    crc32: str = Field(description="CRC-32 of that, 8 hexadecimal digits.")
    jobs: list[str] = Field(description="Its jobs, in order.")
    work_s: float = Field(description="Time of its jobs without waiting for hands.")
    began_at: datetime = Field(description="When it was put in, UTC.")
    ended_at: datetime = Field(description="When it was judged, UTC.")
    labelled: bool = Field(description="Whether its label is on, as far as was said.")
    re_verified: bool = Field(description="Whether it was verified a second time.")
    taken_out: int = Field(description="How often it was taken out too early.")

    @classmethod
    def of(cls, plan: Plan, chip: ChipResult) -> "BatchChipView":
        """Show a chip."""
        item = plan.items[chip.item]
        return cls(
            **chip_facts(plan, chip),
            part_id=item.part_id,
            image_sha256=item.image_sha256,
            crc32=f"{item.crc32:08X}",
            jobs=list(chip.jobs),
            work_s=round(chip.work_s, 3),
            began_at=datetime.fromtimestamp(chip.began_s, UTC),
            ended_at=datetime.fromtimestamp(chip.ended_s, UTC),
            labelled=chip.labelled,
            re_verified=chip.re_verified,
            taken_out=chip.taken_out,
        )


class RemainingView(Shown):
    """What is still to be made at one position."""

    position: str = Field(description="The position.")
    part_name: str = Field(description="The part that it takes.")
    sets: list[int] = Field(description="Numbers of the sets that lack it.")


class BatchResultsView(Shown):
    """The figures of a batch, finished or not."""

    made: int = Field(description="Chips that are made.")
    total: int = Field(description="Chips that were asked for.")
    sets_complete: int = Field(description="Sets that have all their chips.")
    counts: dict[str, int] = Field(description="Chips that were put in, by verdict.")
    yield_share: float | None = Field(
        None, description="Good chips among those programmed in this batch, 0 to 1; null before the first."
    )
    work_s: float | None = Field(None, description="Median time of the programmer for a good chip, seconds.")
    chip_s: float | None = Field(
        None, description="Median time from one good chip to the next, hands included, seconds."
    )
    elapsed_s: float = Field(description="From the first chip to the last, seconds.")
    failed_by_cause: dict[str, int] = Field(description="Chips that failed, by cause.")
    set_aside_by_cause: dict[str, int] = Field(description="Chips that were set aside, by cause.")
    remaining: list[RemainingView] = Field(description="What is still to be made.")
    remaining_s: float | None = Field(None, description="How long that takes at the pace so far, seconds.")
    re_verified: int = Field(description="Chips that were verified a second time.")
    misseated: int = Field(description="How often a chip sat badly.")
    taken_out: int = Field(description="How often a chip was taken out too early.")

    @classmethod
    def of(cls, results: BatchResults) -> "BatchResultsView":
        """Show the figures."""
        values = {name: getattr(results, name) for name in cls.model_fields if name != "remaining"}
        remaining = [
            RemainingView(position=each.position, part_name=each.part_name, sets=list(each.sets))
            for each in results.remaining
        ]
        return cls(**values, remaining=remaining)


class BatchView(Shown):
    """A batch as it stands."""

    id: str = Field(description="The batch's id.")
    number: int = Field(description="Counts batches in the order they were made.")
    board_id: str = Field(description="The board.")
    board_name: str = Field(description="What people call it.")
    programmer_id: str = Field(description="The programmer it runs on.")
    sets: int = Field(description="How many sets.")
    first_set: int = Field(description="Number of the first set.")
    state: Status = Field(description="Where it stands; the last two states are final.")
    phase: Phase = Field(description="What it waits for or does at this moment.")
    why: Why | None = Field(None, description="Why it is paused.")
    instruction: InstructionView = Field(description="What to tell the person at the bench.")
    made: int = Field(description="Chips that are made.")
    total: int = Field(description="Chips that were asked for.")
    counts: dict[str, int] = Field(description="Chips that were put in, by verdict.")
    job_id: str | None = Field(None, description="Its job that is under way.")
    last: BatchChipView | None = Field(None, description="The chip that was judged last.")
    results: BatchResultsView = Field(description="The figures so far.")
    request: dict[str, Any] = Field(description="The request, as it was understood.")
    created_at: datetime = Field(description="When it was made, UTC.")

    @classmethod
    def of(cls, live: Live) -> "BatchView":
        """Show a batch."""
        plan, state, record = live.plan, live.state, live.record
        return cls(
            id=record.id,
            number=record.number,
            board_id=plan.board_id,
            board_name=plan.board_name,
            programmer_id=record.programmer_id,
            sets=plan.sets,
            first_set=plan.first_set,
            **state_facts(plan, state),
            last=BatchChipView.of(plan, state.last) if state.last else None,
            results=BatchResultsView.of(results_of(plan, state)),
            request=live.request.model_dump(mode="json"),
            created_at=record.created_at,
        )


class BatchList(Shown):
    """Batches, newest first."""

    batches: list[BatchView] = Field(description="The batches.")
    next_before: int | None = Field(
        None, description="Give this as `before` for the batches that come next; null at the end."
    )


class BatchItemView(Shown):
    """One chip that the batch is to make."""

    index: int = Field(description="Its place in the order in which they are made, from 0.")
    position: str = Field(description="Its position.")
    title: str = Field(description="What the position is for.")
    set_number: int = Field(description="Its set.")
    part_id: str = Field(description="The part.")
    part_name: str = Field(description="The part's name.")
    image_sha256: str = Field(description="What it is to hold.")
    crc32: str = Field(description="CRC-32 of that, 8 hexadecimal digits.")
    made: bool = Field(description="Whether it is made.")


class BatchReport(Shown):
    """All of a batch: what was to be made, every chip that was put in, the figures."""

    batch: BatchView = Field(description="The batch.")
    items: list[BatchItemView] = Field(description="What is to be made, in order.")
    chips: list[BatchChipView] = Field(description="Every chip that was put in, in order.")

    @classmethod
    def of(cls, live: Live) -> "BatchReport":
        """Show everything."""
        plan, state = live.plan, live.state
        items = [
            BatchItemView(
                index=item.index,
                position=item.position,
                title=item.title,
                set_number=item.set_number,
                part_id=item.part_id,
                part_name=item.part_name,
                image_sha256=item.image_sha256,
                crc32=f"{item.crc32:08X}",
                made=item.index in state.made,
            )
            for item in plan.items
        ]
        chips = [BatchChipView.of(plan, chip) for chip in state.chips]
        return cls(batch=BatchView.of(live), items=items, chips=chips)
