"""Adapters, and what is wrong with files that people write."""

from pydantic import Field

from api.schemas.common import Shown
from daemon.adapters.model import Adapter, Orientation, Tie
from daemon.adapters.seating import Seated
from daemon.catalogue.problems import Problem as WrittenProblem


class AdapterSeat(Shown):
    """How one part sits on an adapter."""

    part_id: str = Field(description="The part.")
    package: str = Field(description="The package of it that the adapter takes.")
    banks: int = Field(description="Into how many parts switches divide the chip; 1 without switches.")
    switched_lines: list[str] = Field(description="Address lines that switches hold, lowest first.")
    read_only_because: str | None = Field(
        description="Why the part can only be read on it; null when it can be programmed."
    )

    @classmethod
    def of(cls, seated: Seated) -> "AdapterSeat":
        """Show how a part sits."""
        return cls(
            part_id=seated.part.id,
            package=seated.adapter.package,
            banks=seated.banks,
            switched_lines=list(seated.switches or ()),
            read_only_because=seated.read_only_because,
        )


class AdapterView(Shown):
    """What takes a chip of one package and stands in a socket as another."""

    id: str = Field(description="The adapter's id; jobs name it.")
    name: str = Field(description="What people call it.")
    package: str = Field(description="The package that it takes.")
    plug: str = Field(description="The package that it stands in a socket as.")
    made_for: list[str] = Field(
        description="Names of the pinouts it is for; empty: any part in that package."
    )
    orientation: Orientation = Field(description="Where the chip's pin 1 points, the plug's pin 1 up.")
    placing: str = Field(description="How the chip goes in, as a sentence.")
    pins: list[int] = Field(description="For each chip pin, pin 1 first, the plug pin it goes to; 0: none.")
    tied: dict[str, Tie] = Field(description="Chip pins that the adapter ties to a supply, by number.")
    switched: list[int] = Field(description="Chip pins that switches hold, the lowest address line first.")
    vpp_max_v: float | None = Field(description="Highest voltage that a pin of it may get; null: no limit.")
    access_adds_ns: float = Field(description="What it adds to the access time, nanoseconds.")
    read_only: bool = Field(description="Whether data passes only one way.")
    notes: list[str] = Field(description="Cautions about it.")
    seat: AdapterSeat | None = Field(None, description="How the part that was asked for sits on it.")

    @classmethod
    def of(cls, adapter: Adapter, seated: Seated | None = None) -> "AdapterView":
        """Show an adapter, with how a part sits on it if that was asked."""
        return cls(
            id=adapter.id,
            name=adapter.name,
            package=adapter.package,
            plug=adapter.plug,
            made_for=list(adapter.made_for),
            orientation=adapter.orientation,
            placing=adapter.placing,
            pins=list(adapter.pins),
            tied={str(pin): tie for pin, tie in adapter.tied.items()},
            switched=list(adapter.switched),
            vpp_max_v=adapter.limits.vpp_max_v,
            access_adds_ns=adapter.limits.access_adds_ns,
            read_only=adapter.limits.read_only,
            notes=list(adapter.notes),
            seat=None if seated is None else AdapterSeat.of(seated),
        )


class AdapterList(Shown):
    """Adapters that the bench knows."""

    adapters: list[AdapterView] = Field(description="The adapters, in order of their ids.")
    problems: list[str] = Field(description="Adapter files of the user's own that cannot be used, and why.")


class FileProblem(Shown):
    """One thing wrong with a file of parts or adapters."""

    file: str = Field(description="The file, or the folder that cannot be listed.")
    key: str = Field(description="Dotted name of the key at fault; empty for the file as a whole.")
    reason: str = Field(description="What is wrong with it.")
    nearest: str | None = Field(description="The nearest valid choice; null when there is none.")
    text: str = Field(description="All of this as one sentence.")

    @classmethod
    def of(cls, problem: WrittenProblem) -> "FileProblem":
        """Show a problem."""
        return cls(
            file=str(problem.file),
            key=problem.key,
            reason=problem.reason,
            nearest=problem.nearest,
            text=problem.text,
        )


class FileProblems(Shown):
    """What is wrong with the user's own files."""

    problems: list[FileProblem] = Field(description="The problems, file by file; empty when all is well.")
