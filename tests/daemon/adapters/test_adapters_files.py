"""What the author of an adapter file is told, and how adapters are found."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon import adapters as package
from daemon.adapters.files import Adapters, read_adapter
from daemon.adapters.folder import validate_folder
from daemon.adapters.model import Adapter, Orientation, Tie
from daemon.catalogue.loader import packaged_pinouts
from daemon.catalogue.problems import FileError, Problem
from daemon.errors import BenchError, Code

PACKAGED = Path(package.__file__).parent / "packaged"
PARTS = Path(package.__file__).parents[1] / "catalogue" / "parts"
GOOD = (PACKAGED / "2764-as-2364.toml").read_text(encoding="utf-8")
Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Write an adapter file made from a good one by replacing texts."""

    def _write(*changes: tuple[str, str], name: str = "mine.toml") -> Path:
        text = GOOD
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return _write


def problems_of(path: Path) -> tuple[Problem, ...]:
    with pytest.raises(FileError) as caught:
        read_adapter(path, packaged_pinouts())
    return caught.value.problems


def test_a_good_file(write: Write) -> None:
    adapter = read_adapter(write(), packaged_pinouts())
    assert (adapter.id, adapter.package, adapter.plug) == ("mine", "DIP28", "DIP24")
    assert adapter.plug_pins[23] == 18
    assert 22 not in adapter.plug_pins
    assert adapter.tied == {1: Tie.VCC, 22: Tie.GROUND, 27: Tie.VCC}
    assert adapter.orientation is Orientation.UP
    assert adapter.placing == "Put the DIP28 in with its pin 1 at the end where pin 1 of the plug is."


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ('plug = "DIP24"', "", "plug: is missing"),
        ("plug =", "plugg =", "plugg: is not a field that an adapter has here; did you mean plug?"),
        ('"DIP24"', '"24"', 'plug: "24" is not of the form kind and pins, such as "DIP32"'),
        ('"DIP24"', '"DIP22"', "pins: pin 25 goes to plug pin 23; the DIP22 has 22"),
        ('package = "DIP28"', 'package = "DIP24"', "pins: 28 pins are listed but the DIP24 has 24"),
        ('"pin-1-up"', '"pin-1-top"', 'orientation: "pin-1-top" is not one of pin-1-up, pin-1-down'),
        ('"pin-1-up"', '"pin-1-top"', "; did you mean pin-1-up?"),
        (
            '["dip28_2764"]',
            '["dip28_2746"]',
            "made_for.0: there is no pinout dip28_2746; did you mean dip28_2764?",
        ),
        ("0, 21, 1, 2", "0, 21, 1, 1", "pins: pins 3 and 4 both go to plug pin 1"),
        ("0, 21, 1, 2", "0, 25, 1, 2", "pins: pin 2 goes to plug pin 25; the DIP24 has 24"),
        ("0, 21, 1, 2", '0, "21", 1, 2', 'pins.1: input should be a valid integer, and this is "21"'),
        ("0, 21, 1, 2", "0, -1, 1, 2", "pins.1: input should be greater than or equal to 0, and this is -1"),
        ('22 = "ground"', '22 = "gnd"', 'tied.22: "gnd" is not one of vcc or ground; did you mean ground?'),
        (
            '22 = "ground"',
            '23 = "ground"',
            "tied: pin 23 goes to plug pin 18 as well; write 0 for it in pins",
        ),
        ('22 = "ground"', '29 = "ground"', "tied: there is no pin 29 on a DIP28"),
        ('22 = "ground"', 'x = "ground"', "tied.x: input should be a valid integer"),
        (
            "[tied]",
            "switched = [1]\n[tied]",
            "switched: pin 1 is named twice among the tied and switched pins",
        ),
        (
            "[tied]",
            "[limits]\nvpp_max = 3\n[tied]",
            "limits.vpp_max: is not a field that an adapter has here",
        ),
        ("[tied]", "[limits]\nvpp_max = 3\n[tied]", "; did you mean vpp_max_v?"),
        ("[tied]", "[limits]\nvpp_max_v = -3.0\n[tied]", "limits.vpp_max_v: input should be greater than 0"),
        ('name = "', 'id = "other"\nname = "', 'id: says "other" but the file is called mine.toml'),
        ('name = "', "[[[", "is not valid TOML"),
    ],
)
def test_messages(old: str, new: str, text: str, write: Write) -> None:
    told = [problem.text for problem in problems_of(write((old, new)))]
    assert all(line.startswith("mine.toml: ") for line in told)
    assert [line for line in told if text in line], told


def test_the_packaged_adapters_have_no_problems() -> None:
    adapters = Adapters()
    assert adapters.problems == ()
    assert len(adapters) == len(list(PACKAGED.glob("*.toml"))) >= 10
    assert {adapter.package for adapter in adapters} >= {"PLCC32", "SOP28", "SO44", "DIP42", "DIP28", "DIP24"}


@pytest.mark.parametrize("text", ["plcc32-to-dip28", "PLCC32 to DIP28", "PLCC32 in a DIP28 socket"])
def test_an_adapter_is_found_however_it_is_written(text: str) -> None:
    assert Adapters().get(text).id == "plcc32-to-dip28"


def test_an_unknown_adapter_offers_the_nearest() -> None:
    with pytest.raises(BenchError) as caught:
        Adapters().get("plcc32-to-dip23")
    assert caught.value.code is Code.ADAPTER_UNKNOWN
    assert caught.value.hint.startswith("Did you mean plcc32-to-dip")
    for text in ("", "-", "zzzz"):
        with pytest.raises(BenchError) as caught:
            Adapters().get(text)
        assert "There are: " in caught.value.hint


def test_a_user_adds_and_replaces(tmp_path: Path, write: Write) -> None:
    write(name="mine.toml")
    write(('"2764 in the', '"My 2764 in the'), name="2764-as-2364.toml")
    adapters = Adapters(tmp_path)
    assert len(adapters) == len(Adapters()) + 1
    assert adapters.get("2764-as-2364").name.startswith("My 2764")


def test_a_bad_file_fails_only_its_own_adapter(tmp_path: Path, write: Write) -> None:
    path = write(('"pin-1-up"', '"up"'), name="plcc32-to-dip28.toml")
    adapters = Adapters(tmp_path)
    assert [problem.file for problem in adapters.problems] == [path]
    assert adapters.get("plcc32-to-dip32").id == "plcc32-to-dip32"
    with pytest.raises(BenchError) as caught:
        adapters.get("plcc32-to-dip28")  # ours must not take the place of what the user meant
    assert caught.value.code is Code.ADAPTER_INVALID
    assert str(path) in caught.value.hint


def test_folders_that_are_not_there_or_no_folder(tmp_path: Path) -> None:
    assert Adapters(tmp_path / "none").problems == ()
    path = tmp_path / "file"
    path.write_text("", encoding="utf-8")
    (problem,) = Adapters(path).problems
    assert "cannot be listed" in problem.reason


# The check of a whole folder


def test_a_good_folder_has_no_problems(tmp_path: Path, write: Write) -> None:
    write(name="mine.toml")
    part = (PARTS / "st-m27c512.toml").read_text(encoding="utf-8")
    (tmp_path / "st-m27c512.toml").write_text(part, encoding="utf-8")
    (tmp_path / "notes.txt").write_text("[[[", encoding="utf-8")
    assert validate_folder(tmp_path) == []
    assert validate_folder(PARTS) == []
    assert validate_folder(PACKAGED) == []


def test_parts_and_adapters_are_told_apart(tmp_path: Path, write: Write) -> None:
    (tmp_path / "adapters").mkdir()
    (tmp_path / "parts").mkdir()
    write(("plug =", "plugg ="), name="mine.toml")  # still known by its other keys
    (tmp_path / "adapters" / "empty.toml").write_text("", encoding="utf-8")
    part = (PARTS / "st-m27c512.toml").read_text(encoding="utf-8")
    (tmp_path / "parts" / "club.toml").write_text(part.replace("kind =", "kindd ="), encoding="utf-8")
    (tmp_path / "bad.toml").write_text("[[[", encoding="utf-8")
    told = {(problem.file.name, problem.key) for problem in validate_folder(tmp_path)}
    assert {("mine.toml", "plug"), ("mine.toml", "plugg"), ("bad.toml", "")} <= told
    assert {("empty.toml", "orientation"), ("club.toml", "kind"), ("club.toml", "kindd")} <= told
    assert ("empty.toml", "words") not in told  # an adapter's own fields are missing, not a part's


def test_a_folder_that_cannot_be_listed_is_a_problem(tmp_path: Path) -> None:
    (problem,) = validate_folder(tmp_path / "none")
    assert problem.reason.startswith("cannot be listed: ")


ON_ONE_FILE = settings(
    max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
VALUES = st.sampled_from(
    ["nan", "-1", "0", "1e400", "true", "[]", "{}", '""', "1979-05-27", "[0, 0]", '{ "1" = "vcc" }', "[[1]]"]
) | st.integers().map(str)


@ON_ONE_FILE
@given(st.data())
def test_a_good_file_with_any_value_spoilt(tmp_path: Path, data: st.DataObject) -> None:
    """Whatever stands there: an adapter, or problems that can be shown; never another exception."""
    lines = GOOD.splitlines()
    index = data.draw(
        st.sampled_from([i for i, line in enumerate(lines) if " = " in line and "[" not in line])
    )
    lines[index] = f"{lines[index].split(' = ')[0]} = {data.draw(VALUES)}"
    (tmp_path / "mine.toml").write_text("\n".join(lines), encoding="utf-8")
    problems = validate_folder(tmp_path)
    assert all(problem.text for problem in problems)
    assert problems or isinstance(Adapters(tmp_path).get("mine"), Adapter)
