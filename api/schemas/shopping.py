"""What some sets of a board need."""

from pydantic import Field

from api.schemas.boards import PurchaseView
from api.schemas.common import Shown
from daemon.boards.shopping import Ready, ShoppingList, UnderLight


class ReadyView(Shown):
    """Chips on hand that can go into the socket."""

    part_id: str = Field(description="The part.")
    part_name: str = Field(description="What it is called.")
    count: int = Field(description="How many.")
    by_job: int = Field(description="How many of them are erased electrically by their job.")
    unsure: int = Field(description="Of how many it is not known whether they are blank; the job looks.")
    positions: list[str] = Field(description="Where they go.")

    @classmethod
    def of(cls, ready: Ready) -> "ReadyView":
        """Show some chips."""
        return cls.model_validate(ready, from_attributes=True)


class UnderLightView(Shown):
    """Used chips that light can free. Seconds are those of the lit lamp, the slow end of the estimate."""

    part_id: str = Field(description="The part.")
    label: str = Field(description="What you call them.")
    count: int = Field(description="How many.")
    in_time: int = Field(description="How many are ready within the hours.")
    late: int = Field(description="How many are not: buy as many, or wait.")
    trays: int | None = Field(description="How many trays, one after the other; null without a lamp.")
    first_tray_s: float | None = Field(description="When the first tray is done.")
    all_s: float | None = Field(description="When all are done.")
    positions: list[str] = Field(description="Where they go.")
    why_not: str = Field(description="Why the time is not known; empty where it is.")

    @classmethod
    def of(cls, chips: UnderLight) -> "UnderLightView":
        """Show some chips."""
        return cls(
            part_id=chips.part_id,
            label=chips.label,
            count=chips.count,
            in_time=chips.in_time,
            late=chips.late,
            trays=chips.loads,
            first_tray_s=chips.first_s.high if chips.first_s else None,
            all_s=chips.total_s.high if chips.total_s else None,
            positions=list(chips.positions),
            why_not=chips.why_not,
        )


class ShoppingView(Shown):
    """What some sets of a board need; every chip is in one of the three lists."""

    board_id: str = Field(description="The board.")
    board_name: str = Field(description="What it is called.")
    copies: int = Field(description="How many sets.")
    ready: list[ReadyView] = Field(description="On hand.")
    under_light: list[UnderLightView] = Field(description="On hand, and to be erased by light first.")
    to_buy: list[PurchaseView] = Field(description="Not on hand.")
    complete: bool = Field(description="Whether nothing has to be bought.")

    @classmethod
    def of(cls, needed: ShoppingList) -> "ShoppingView":
        """Show a list."""
        return cls(
            board_id=needed.board_id,
            board_name=needed.board_name,
            copies=needed.copies,
            ready=[ReadyView.of(each) for each in needed.ready],
            under_light=[UnderLightView.of(each) for each in needed.under_light],
            to_buy=[PurchaseView.of(each) for each in needed.to_buy],
            complete=needed.complete,
        )
