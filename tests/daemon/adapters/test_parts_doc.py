"""docs/parts.md: its files are good, and what it quotes is what is said."""

import re
from pathlib import Path

import pytest

from daemon.adapters.files import read_adapter
from daemon.adapters.folder import validate_folder
from daemon.adapters.seating import seat
from daemon.catalogue.loader import Catalogue, packaged_pinouts
from daemon.catalogue.records import Supplies
from daemon.catalogue.substitution.judge import judge
from daemon.catalogue.substitution.position import position_for

DOC = (Path(__file__).parents[3] / "docs" / "parts.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```toml\n# (\S+)\n(.*?)```", DOC, re.DOTALL)
PLAIN = re.sub(r"\s+", " ", DOC)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in BLOCKS:
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def test_the_files_shown_are_good(folder: Path) -> None:
    assert [name for name, _ in BLOCKS] == ["skerry-cm8.toml", "28-in-24.toml"]
    assert validate_folder(folder) == []
    part = Catalogue(folder).get("CM8")
    assert part.source_of("write.pulse_us") == "club-bench"
    adapter = read_adapter(folder / "28-in-24.toml", packaged_pinouts())
    # A 2716 has A10 on pin 19 and chip enable on pin 18 (chip_facts.toml); a 27128 on 21 and 20.
    assert (adapter.plug_pins[21], adapter.plug_pins[20]) == (19, 18)
    with pytest.raises(Exception, match="ties to ground what reading needs"):
        seat(Catalogue().get("M27128A"), adapter)  # on a programmer it lacks address lines


def test_the_problems_shown_are_told_so(folder: Path) -> None:
    path = folder / "skerry-cm8.toml"
    good = path.read_text(encoding="utf-8")
    told = []
    for old, new in (('"uv-eprom"', '"uv-eprm"'), ("vpp_abs_max_v = 14.0", "vpp_abs_max_v = 12.6")):
        path.write_text(good.replace(old, new), encoding="utf-8")
        told += [problem.text for problem in validate_folder(folder)]
    shown = re.findall(r"^skerry-cm8\.toml: .*$", DOC, re.MULTILINE)
    assert told == shown


@pytest.mark.parametrize(
    ("part", "meant_for", "position"),
    [
        ("M27C512", "M27C256B", {}),
        ("M27C256B", "intel-2764", {}),
        ("AT28C256", "M27C256B", {}),
        ("M27C322", "M27C160", {"byte_mode": True}),
        ("AT28C256", "AT28C256", {"access_ns": 120}),
    ],
)
def test_the_answers_shown_are_given(part: str, meant_for: str, position: dict[str, bool | float]) -> None:
    catalogue = Catalogue()
    found = judge(catalogue.get(part), position_for(catalogue.get(meant_for), **position))  # type: ignore[arg-type]
    told = [*found.reasons] or [task.text for task in found.tasks]
    assert told
    assert f"*{found.verdict}. {' '.join(told)}*" in PLAIN


def test_the_count_is_right_and_the_keys_exist() -> None:
    assert f"{len(Catalogue())} parts come with the program" in PLAIN
    assert {"supply_checks_v", "vpp_abs_max_v"} < set(Supplies.model_fields)
