"""Back from the chips of a board to the files that they were made from."""

from collections.abc import Mapping
from dataclasses import dataclass

from daemon.boards.reading import BoardRecipe
from daemon.boards.seating import Seating, seat, window_of
from daemon.catalogue.loader import Catalogue
from daemon.errors import BenchError, Code
from daemon.images.content import ranges_of
from daemon.images.recipe import Restored
from daemon.images.transform import ContradictionError, Partial, Where, sizes_through, undo


@dataclass(frozen=True, slots=True)
class ReadChip:
    """What was read from the chip of a position. `part` names it; without, its size must tell."""

    data: bytes
    part: str | None = None


def reassemble(
    recipe: BoardRecipe,
    chips: Mapping[str, ReadChip],
    catalogue: Catalogue,
    *,
    sizes: Mapping[str, int] | None = None,
    known: Mapping[str, bytes] | None = None,
) -> dict[str, Restored]:
    """Put the files of a board together again, as far as its chips tell; by source name.

    `chips` are by label, some may be missing. `sizes` are those of files whose recipe does not say how long
    they are. `known` are files (an older release, say) that fill in what no chip holds: a header, a
    checksum's place. What stays unknown is in `missing`.

    Raises BenchError `board-reassembly` where chips contradict each other, or a size is not known.
    """
    return _Reassembly(recipe, catalogue, sizes or {}, known or {}).run(chips)


class _Reassembly:
    def __init__(
        self, recipe: BoardRecipe, catalogue: Catalogue, sizes: Mapping[str, int], known: Mapping[str, bytes]
    ) -> None:
        self._recipe = recipe
        self._catalogue = catalogue
        self._known = known
        self._sizes = {name: self._file_size(name, sizes) for name in recipe.board.files}
        self._files = {name: Partial.nothing(size) for name, size in self._sizes.items()}
        self._who: dict[str, list[str]] = {name: [] for name in self._files}
        self._label = ""

    def _file_size(self, name: str, sizes: Mapping[str, int]) -> int:
        source = self._recipe.board.sources[name]
        given = sizes.get(name) or source.size_bytes or len(self._known.get(name, b""))
        if not given:
            raise BenchError(
                Code.BOARD_REASSEMBLY,
                f"how long the file {source.file} was is not known",
                hint=f"Give the size of source {name}, or write size_bytes into the recipe.",
                field=f"sizes.{name}",
            )
        return given

    def run(self, chips: Mapping[str, ReadChip]) -> dict[str, Restored]:
        labels = [position.label for position in self._recipe.board.positions]
        for label in chips:
            if label not in labels:
                raise BenchError(
                    Code.BOARD_REASSEMBLY,
                    f"board {self._recipe.id} has no position {label}",
                    hint=f"Its positions are {', '.join(labels)}.",
                    field=f"chips.{label}",
                )
        for index, label in enumerate(labels):
            if label in chips:
                self._label = label
                self._take(index, chips[label])
        return {name: self._restored(name) for name in self._files}

    def _take(self, index: int, chip: ReadChip) -> None:
        position = self._recipe.board.positions[index]
        where = Where(("positions", index), f"position {position.label}", self._recipe.line_of)
        seating = seat(position, self._catalogue, where)
        try:
            window = self._window(seating, chip, where)
        except ContradictionError as clash:
            raise self._contradiction(f"the copies in the chip of {position.label}", clash) from None
        steps_at = Where(("positions", index, "steps"), where.words, self._recipe.line_of)
        size = self._size_of(position.source)
        sizes = sizes_through(position.steps, size, self._size_of, steps_at)
        if sizes[-1] != len(window):
            raise BenchError(
                Code.BOARD_REASSEMBLY,
                f"from files of these sizes the recipe makes {sizes[-1]:,} bytes for {position.label},"
                f" and the board reads {len(window):,} there",
                hint="Check the sizes of the files.",
            )
        try:
            before = undo(position.steps, sizes, window, self._give_back, self._size_of)
            self._give_back(position.source, before)
        except ContradictionError as clash:
            raise self._contradiction(f"the copies in the chip of {position.label}", clash) from None

    def _window(self, seating: Seating, chip: ReadChip, where: Where) -> Partial:
        """Return what the board reads of a chip, or of content that is just that."""
        content = Partial.all_of(chip.data)
        if chip.part is not None:
            found = [seating.judged(self._catalogue.get(chip.part))]
        elif len(chip.data) == seating.wired.size_bytes:
            return content
        else:
            found = [each for each in seating.candidates if each.part.size_bytes == len(chip.data)]
        usable = {each.arrangement: each for each in found if each.arrangement is not None}
        if len(usable) != 1 or next(iter(usable.values())).part.size_bytes != len(chip.data):
            raise where.located(
                (),
                BenchError(
                    Code.BOARD_REASSEMBLY,
                    f"{len(chip.data):,} bytes were read there; which part that was does not show",
                    hint=f"Say which part it is; the board itself reads {seating.wired.size_bytes:,} bytes.",
                ),
            )
        arrangement = next(iter(usable))
        assert arrangement is not None
        return window_of(content, arrangement)

    # Through the steps of sources

    def _size_of(self, name: str) -> int:
        """Return the size of a source's content after its steps."""
        return self._sizes_in(name)[-1]

    def _sizes_in(self, name: str) -> list[int]:
        source = self._recipe.board.sources[name]
        start = self._sizes[name] if source.from_ is None else self._size_of(source.from_)
        where = Where(("sources", name, "steps"), f"source {name}", self._recipe.line_of)
        return sizes_through(source.steps, start, self._size_of, where)

    def _give_back(self, name: str, partial: Partial) -> None:
        source = self._recipe.board.sources[name]
        before = undo(source.steps, self._sizes_in(name), partial, self._give_back, self._size_of)
        if source.from_ is not None:
            self._give_back(source.from_, before)
            return
        try:
            self._files[name] = self._files[name].merged(before)
        except ContradictionError as clash:
            others = ", ".join(self._who[name])
            raise self._contradiction(f"{self._label} and {others}, in {name},", clash) from None
        if self._label not in self._who[name]:
            self._who[name].append(self._label)

    def _restored(self, name: str) -> Restored:
        found, template = self._files[name], self._known.get(name)
        if template is not None and len(template) == len(found):
            found = Partial.all_of(template).overlaid(found)
        return Restored(found.data.tobytes(), ranges_of(~found.known))

    def _contradiction(self, who: str, clash: ContradictionError) -> BenchError:
        return BenchError(
            Code.BOARD_REASSEMBLY,
            f"{who} disagree at {clash.offset:#x}: {clash.one:02X} and {clash.other:02X}"
            f" ({clash.count:,} bytes in all)",
            hint="Read the chips again; then check that they come from one board and this recipe is its own.",
            details={"offset_bytes": clash.offset, "count": clash.count},
        )
