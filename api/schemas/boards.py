"""Boards and their plans."""

from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from api.schemas.common import Shown
from api.schemas.contents import AddressMapView, StepTold, ranges_shown
from api.schemas.images import ImageRange
from daemon.boards.shelf import BoardView
from daemon.images.model import Range
from daemon.jobs.request import JobRequest

if TYPE_CHECKING:  # numpy comes with these, and a daemon starts sooner without
    from daemon.boards.plan import BoardPlan, ChipContent, Erasure, PlannedChip, PlannedPosition, Purchase


class BoardSource(Shown):
    """A file that a board is made from."""

    name: str = Field(description="Its name in the recipe.")
    file: str = Field(description="The name under which people know the file.")
    size_bytes: int | None = Field(description="The size it must have, if the recipe says so.")


class BoardPosition(Shown):
    """One socket of a board."""

    label: str = Field(description="What is printed beside it.")
    title: str = Field(description="What it is for.")
    made_for: str = Field(description="The part that the board was designed around.")
    parts: list[str] = Field(description="Parts that may go in, best first; empty: any that fits.")
    access_ns: float = Field(description="How long the board waits, nanoseconds.")
    vcc_v: float = Field(description="Its supply, volts.")


class BoardSummary(Shown):
    """A board: which positions a product has and what goes in each."""

    id: str = Field(description="Its id.")
    name: str = Field(description="What people call it.")
    demo: bool = Field(description="Whether it came with the program.")
    problem: str | None = Field(description="Why its recipe cannot be used; null when it can.")
    sources: list[BoardSource] = Field(description="The files that it is made from.")
    positions: list[BoardPosition] = Field(description="Its positions.")
    notes: list[str] = Field(description="What its recipe says of it.")

    @classmethod
    def of(cls, view: BoardView) -> "BoardSummary":
        """Show a board."""
        return cls(**_board_fields(view))


class BoardDetails(BoardSummary):
    """A board with its recipe."""

    text: str = Field(description="The recipe, TOML.")

    @classmethod
    def of(cls, view: BoardView) -> "BoardDetails":
        """Show a board."""
        return cls(**_board_fields(view), text=view.text)


def _board_fields(view: BoardView) -> dict[str, Any]:
    board = view.board
    return {
        "id": view.id,
        "name": view.name,
        "demo": view.demo,
        "problem": view.problem.message if view.problem else None,
        "notes": list(board.notes) if board else [],
        "sources": [
            BoardSource(name=name, file=source.file or "", size_bytes=source.size_bytes)
            for name, source in (board.files.items() if board else ())
        ],
        "positions": [
            BoardPosition(
                label=position.label,
                title=position.title or "",
                made_for=position.made_for,
                parts=[entry.part for entry in position.parts],
                access_ns=position.access_ns,
                vcc_v=position.vcc_v,
            )
            for position in (board.positions if board else ())
        ],
    }


class BoardList(Shown):
    """The boards that the bench knows."""

    boards: list[BoardSummary] = Field(description="The user's own first.")


class NewBoard(BaseModel):
    """A recipe to keep."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: Annotated[str, Field(max_length=100)] = Field(
        description="Its id: lower-case letters and digits with - or . between."
    )
    text: Annotated[str, Field(max_length=61_440)] = Field(description="The recipe, TOML.")
    replace: bool = Field(default=False, description="Take the place of your own board of that id.")


class ContentView(Shown):
    """Figures of some content."""

    size_bytes: int = Field(description="How long it is.")
    sha256: str = Field(description="SHA-256, hexadecimal.")
    crc32: str = Field(description="CRC-32, as in zlib, hexadecimal.")
    byte_sum_16: str = Field(description="Sum of all bytes, low 16 bits, hexadecimal.")

    @classmethod
    def of(cls, content: "ChipContent") -> "ContentView":
        """Show content."""
        return cls(
            size_bytes=len(content.data),
            sha256=content.sha256,
            crc32=f"{content.crc32:08X}",
            byte_sum_16=f"{content.byte_sum_16:04X}",
        )


class PlannedChipView(Shown):
    """One chip to be made."""

    position: str = Field(description="Where it goes.")
    copy_number: int = Field(description="Of which copy of the board, from 1.")
    part_id: str = Field(description="The part.")
    part_name: str = Field(description="The part, as it is marked.")
    on_hand: int | None = Field(description="Which entry of the chips on hand it is; null: to be bought.")
    preparation: str = Field(
        description="`none`, `erase-by-job`, `erase-by-light` or `look-first`: what it needs before."
    )
    reason: str = Field(description="Why this part.")
    to_do: list[str] = Field(description="What its user has to do.")
    arranged: list[str] = Field(description="How the content was made to lie in this part.")
    rejected: list[str] = Field(description="Why other chips on hand were not taken.")
    content: ContentView = Field(description="The exact content of the whole chip.")
    job: JobRequest = Field(description="The job that makes it; for a plan that was kept.")
    estimated_s: float = Field(description="The chip's own programming time, seconds.")

    @classmethod
    def of(cls, chip: "PlannedChip") -> "PlannedChipView":
        """Show a chip."""
        return cls(
            position=chip.position,
            copy_number=chip.copy + 1,
            part_id=chip.part_id,
            part_name=chip.part_name,
            on_hand=chip.item,
            preparation=chip.preparation.value,
            reason=chip.reason,
            to_do=list(chip.to_do),
            arranged=list(chip.arranged),
            rejected=list(chip.rejected),
            content=ContentView.of(chip.content),
            job=chip.job,
            estimated_s=round(chip.estimated_s, 3),
        )


class PlannedPositionView(Shown):
    """One position: what the board reads there, and its chips."""

    label: str = Field(description="What is printed beside it.")
    title: str = Field(description="What it is for.")
    steps: list[StepTold] = Field(description="From the file to what the board reads, step by step.")
    map: AddressMapView = Field(description="Where what the board reads comes from.")
    window: ContentView = Field(description="What the board reads there.")
    chips: list[PlannedChipView] = Field(description="One for each copy.")

    @classmethod
    def of(cls, position: "PlannedPosition") -> "PlannedPositionView":
        """Show a position."""
        return cls(
            label=position.label,
            title=position.title,
            steps=[StepTold.of(trace) for trace in position.steps],
            map=AddressMapView.of(position.map),
            window=ContentView.of(position.window),
            chips=[PlannedChipView.of(chip) for chip in position.chips],
        )


class PurchaseView(Shown):
    """Chips that are not on hand."""

    count: int = Field(description="How many.")
    part_ids: list[str] = Field(description="Any of these.")
    access_ns: float = Field(description="As fast as this or faster, nanoseconds.")
    positions: list[str] = Field(description="What they are for.")

    @classmethod
    def of(cls, purchase: "Purchase") -> "PurchaseView":
        """Show a purchase."""
        return cls(
            count=purchase.count,
            part_ids=list(purchase.part_ids),
            access_ns=purchase.access_ns,
            positions=list(purchase.positions),
        )


class ErasureView(Shown):
    """Chips on hand that need light first."""

    count: int = Field(description="How many.")
    part_id: str = Field(description="The part.")
    label: str = Field(description="What you call them.")
    dose_j_per_cm2: float = Field(description="Dose at 253.7 nm that the data sheet asks for, J/cm².")
    positions: list[str] = Field(description="What they are for.")

    @classmethod
    def of(cls, erasure: "Erasure") -> "ErasureView":
        """Show an erasure."""
        return cls(
            count=erasure.count,
            part_id=erasure.part_id,
            label=erasure.label,
            dose_j_per_cm2=erasure.dose_j_per_cm2,
            positions=list(erasure.positions),
        )


class PlanView(Shown):
    """What it takes to make some copies of a board."""

    board_id: str = Field(description="The board.")
    board_name: str = Field(description="What people call it.")
    copies: int = Field(description="How many sets.")
    sources: dict[str, str] = Field(description="SHA-256 of the image used for each source.")
    positions: list[PlannedPositionView] = Field(description="Position by position.")
    to_buy: list[PurchaseView] = Field(description="What is not on hand.")
    to_erase: list[ErasureView] = Field(description="What needs light first.")
    estimated_s: float = Field(description="Programming time of all chips, seconds.")
    kept: bool = Field(description="Whether the contents joined the images, so that the jobs can run.")

    @classmethod
    def of(cls, plan: "BoardPlan", *, kept: bool) -> "PlanView":
        """Show a plan."""
        return cls(
            board_id=plan.board_id,
            board_name=plan.board_name,
            copies=plan.copies,
            sources=dict(plan.sources),
            positions=[PlannedPositionView.of(position) for position in plan.positions],
            to_buy=[PurchaseView.of(each) for each in plan.to_buy],
            to_erase=[ErasureView.of(each) for each in plan.to_erase],
            estimated_s=round(plan.estimated_s, 3),
            kept=kept,
        )


class RestoredFile(Shown):
    """A board's file, put together again from its chips."""

    source: str = Field(description="Its name in the recipe.")
    image: str = Field(description="SHA-256 of the image that it now is.")
    size_bytes: int = Field(description="How long it is.")
    missing: list[ImageRange] = Field(description="What no chip tells; it holds 0xFF.")

    @classmethod
    def of(cls, source: str, image: str, size_bytes: int, missing: tuple[Range, ...]) -> "RestoredFile":
        """Show a file."""
        return cls(source=source, image=image, size_bytes=size_bytes, missing=ranges_shown(missing))


class RestoredFiles(Shown):
    """The files of a board."""

    files: list[RestoredFile] = Field(description="One for each file of the recipe.")
