"""Finding parts, and a user's own folder beside ours."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from daemon.catalogue import loader
from daemon.catalogue.index import Names, names_in_file
from daemon.catalogue.loader import Catalogue
from daemon.catalogue.partfile import read_part
from daemon.errors import BenchError, Code

PARTS = Path(__file__).parents[3] / "daemon" / "catalogue" / "parts"
Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Write a user's part file made from a packaged one by replacing texts."""

    def _write(name: str, based_on: str, *changes: tuple[str, str]) -> Path:
        text = (PARTS / f"{based_on}.toml").read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return _write


def refusal(catalogue: Catalogue, text: str) -> BenchError:
    with pytest.raises(BenchError) as caught:
        catalogue.get(text)
    return caught.value


@pytest.mark.parametrize(
    "text", ["st-m27c512", "M27C512", "m27c512", " ST-M27C512 ", "STMicroelectronics M27C512", "M27C-512"]
)
def test_a_part_is_found_however_it_is_written(text: str, catalogue: Catalogue) -> None:
    assert catalogue.get(text).id == "st-m27c512"


def test_an_alias_of_one_part_is_enough(catalogue: Catalogue) -> None:
    assert catalogue.get("27C322").id == "st-m27c322"


def test_an_alias_of_several_parts_lists_them(catalogue: Catalogue) -> None:
    error = refusal(catalogue, "27C080")
    assert error.code is Code.PART_AMBIGUOUS
    assert error.details["choices"] == ["amd-am27c080", "atmel-at27c080", "st-m27c801"]
    assert "stands for 3 parts: amd-am27c080, atmel-at27c080, st-m27c801" in error.message
    assert "marking" in error.hint


def test_a_makers_name_that_is_also_the_familys_means_no_one_in_particular(catalogue: Catalogue) -> None:
    # All take 21 V, but one 50 ms pulse is not fifteen of 1 ms: the maker must be said.
    choices = ["hitachi-hn482764", "intel-2764", "nte-nte2764"]
    assert refusal(catalogue, "2764").details["choices"] == choices
    assert catalogue.get("Intel 2764").id == "intel-2764"
    assert catalogue.get("D2764").id == "intel-2764"


def test_an_unknown_part_offers_the_nearest(catalogue: Catalogue) -> None:
    error = refusal(catalogue, "M27C521")
    assert error.code is Code.PART_UNKNOWN
    assert error.details["near"][0] == "st-m27c512"
    assert "st-m27c512" in error.hint


@pytest.mark.parametrize(
    "text", ["", "  ", "-", "zzzzzz", "x" * 100_000, "../parts/st-m27c512", "st-m27c512.toml\0"]
)
def test_what_is_no_part_is_refused_briefly(text: str, catalogue: Catalogue) -> None:
    error = refusal(catalogue, text)
    assert error.code is Code.PART_UNKNOWN
    assert len(error.message) < 100


def test_search(catalogue: Catalogue) -> None:
    def ids(text: str) -> list[str]:
        return [part.id for part in catalogue.search(text)]

    assert ids("27c512")[:2] == ["amd-am27c512", "atmel-at27c512r"]
    assert ids("27c512")[-1] == "microchip-27c512a"  # named so with a letter more, so after those named so
    assert ids("M27C160")[0] == "st-m27c160"
    assert {"atmel-at27c256r", "atmel-at28c256"} < set(ids("atmel dip28"))
    assert all(i.startswith("atmel-") for i in ids("atmel dip28"))
    assert {"amd-am29f040b", "sst-39sf040"} < set(ids("flash plcc32")) <= set(ids("flash"))
    assert ids("") == list(catalogue.ids())
    assert ids("nothing like it") == []


def test_by_signature(catalogue: Catalogue) -> None:
    # Source: signatures in chip_facts.toml; 0x1E is what Atmel's 27-series answers.
    assert [part.id for part in catalogue.by_signature(0x1E, 0x0D)] == ["atmel-at27c512r"]
    assert [part.id for part in catalogue.by_signature(0x1E1E, 0xF4F4)] == ["atmel-at27c400"]
    assert [part.id for part in catalogue.by_signature(0x0020, 0x0034)] == ["st-m27c322"]
    assert catalogue.by_signature(0xFF, 0xFF) == ()
    # from memory: the E and the C of this part answer alike
    assert [part.id for part in catalogue.by_signature(0xDA, 0x08)] == ["winbond-w27c512", "winbond-w27e512"]


def test_the_packaged_catalogue_has_no_problems(catalogue: Catalogue) -> None:
    assert catalogue.problems == ()
    assert len(catalogue) == len(list(PARTS.glob("*.toml"))) >= 50


def test_a_user_adds_a_part(tmp_path: Path, write: Write) -> None:
    write("club-rom.toml", "st-m27c512", ('"M27C512"', '"Club ROM"'), ('["27C512"]', "[]"))
    catalogue = Catalogue(tmp_path)
    assert catalogue.problems == ()
    assert catalogue.get("club rom").id == "club-rom"
    assert len(catalogue) == len(Catalogue()) + 1


def test_a_user_replaces_a_part_by_its_id(tmp_path: Path, write: Write) -> None:
    write("st-m27c512.toml", "st-m27c512", ("max_pulses = 25", "max_pulses = 10"))
    part = Catalogue(tmp_path).get("M27C512")
    assert part.write
    assert part.write.max_pulses == 10
    assert len(Catalogue(tmp_path)) == len(Catalogue())


def test_a_user_names_a_source_of_their_own(tmp_path: Path, write: Write) -> None:
    own = '[sources.club-sheet]\nmaker = "Skerry Computer Club"\ntitle = "Measured on the bench"\n'
    path = write("st-m27c512.toml", "st-m27c512", ('default = "st-m27c512"', 'default = "club-sheet"'))
    path.write_text(path.read_text(encoding="utf-8") + own, encoding="utf-8")
    catalogue = Catalogue(tmp_path)
    assert catalogue.problems == ()
    assert catalogue.get("M27C512").source_of("write.pulse_us") == "club-sheet"
    assert catalogue.sources["club-sheet"].maker == "Skerry Computer Club"


def test_a_bad_file_fails_only_its_own_part(tmp_path: Path, write: Write) -> None:
    path = write(
        "club-rom.toml",
        "st-m27c512",
        ('"M27C512"', '"Club ROM"'),
        ("vpp_abs_max_v = 14.0", "vpp_abs_max_v = 12.0"),
    )
    catalogue = Catalogue(tmp_path)
    assert catalogue.ids() == Catalogue().ids()
    assert catalogue.get("M27C512").id == "st-m27c512"
    assert [(p.file, p.key) for p in catalogue.problems] == [(path, "supplies.vpp_program_v")]
    for text in ("club-rom", "Club ROM"):
        error = refusal(catalogue, text)
        assert error.code is Code.PART_INVALID
        assert error.field == "supplies.vpp_program_v"
        assert "club-rom.toml" in error.message
        assert "13.0 V is over the absolute maximum of 12.0 V" in error.message
        assert str(path) in error.hint


@pytest.mark.parametrize("content", ["not toml [", "\x00", "id = 7", ""])
def test_a_replaced_part_is_never_silently_ours_again(tmp_path: Path, content: str) -> None:
    (tmp_path / "st-m27c512.toml").write_text(content, encoding="utf-8")
    catalogue = Catalogue(tmp_path)
    assert "st-m27c512" not in catalogue.ids()
    for text in ("st-m27c512", "M27C512"):
        assert refusal(catalogue, text).code is Code.PART_INVALID
    # The shared alias must not quietly mean the other maker's part, whose VPP differs.
    error = refusal(catalogue, "27C512")
    assert error.code is Code.PART_AMBIGUOUS
    assert {"atmel-at27c512r", "st-m27c512"} < set(error.details["choices"])


def test_names_read_from_the_heads_are_those_of_the_parts(catalogue: Catalogue) -> None:
    for part in catalogue:
        names = Names.of(part.id, part.maker, part.name, part.aliases)
        assert names_in_file(PARTS / f"{part.id}.toml") == names


def test_finding_a_part_by_name_reads_that_part_alone(
    catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[str] = []

    def watched(path: Path, *tables: Any) -> Any:
        read.append(path.stem)
        return read_part(path, *tables)

    monkeypatch.setattr(loader, "read_part", watched)
    assert Catalogue().get("M27C322").id == "st-m27c322"
    assert read == ["st-m27c322"]


def test_a_file_is_read_when_it_is_first_needed(tmp_path: Path, write: Write) -> None:
    (tmp_path / "club-rom.toml").write_text("not toml [", encoding="utf-8")
    catalogue = Catalogue(tmp_path)
    assert catalogue.get("st-m27c512").name == "M27C512"
    write("club-rom.toml", "st-m27c512", ('"M27C512"', '"Club ROM"'))
    assert catalogue.get("club-rom").name == "Club ROM"


def test_a_folder_that_is_not_there_is_no_problem(tmp_path: Path) -> None:
    assert Catalogue(tmp_path / "none").problems == ()


def test_a_folder_that_is_a_file_is_told(tmp_path: Path) -> None:
    path = tmp_path / "parts"
    path.write_text("", encoding="utf-8")
    catalogue = Catalogue(path)
    assert len(catalogue) == len(Catalogue())
    (problem,) = catalogue.problems
    assert problem.file == path
    assert "cannot be listed" in problem.reason


def test_other_files_in_the_folder_are_left_alone(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("not a part", encoding="utf-8")
    (tmp_path / "sheets").mkdir()
    assert Catalogue(tmp_path).problems == ()


def test_a_folder_named_like_a_part_is_told(tmp_path: Path) -> None:
    (tmp_path / "sheets.toml").mkdir()
    (problem,) = Catalogue(tmp_path).problems
    assert "cannot be read" in problem.reason
