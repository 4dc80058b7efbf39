"""What the author of a part file is told: file, key, reason, nearest valid choice."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.catalogue.loader import packaged_pinouts, packaged_sources
from daemon.catalogue.model import Part
from daemon.catalogue.partfile import read_part
from daemon.catalogue.problems import FileError, Problem

GOOD = (Path(__file__).parents[3] / "daemon" / "catalogue" / "parts" / "sst-39sf040.toml").read_text("utf-8")


def read(path: Path) -> Part:
    return read_part(path, packaged_pinouts(), packaged_sources())[0]


def problems_of(path: Path) -> tuple[Problem, ...]:
    with pytest.raises(FileError) as caught:
        read(path)
    assert all(problem.file == path for problem in caught.value.problems)
    return caught.value.problems


Spoilt = Callable[[str, str], Path]


@pytest.fixture
def spoilt(tmp_path: Path) -> Spoilt:
    def _spoilt(old: str, new: str) -> Path:
        assert old in GOOD
        path = tmp_path / "sst-39sf040.toml"
        path.write_text(GOOD.replace(old, new), encoding="utf-8")
        return path

    return _spoilt


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("vcc_read_v", "vcc_raed_v", "supplies.vcc_read_v: is missing"),
        (
            "vcc_read_v",
            "vcc_raed_v",
            "supplies.vcc_raed_v: is not a field that a part has here; did you mean vcc_read_v?",
        ),
        ("access_ns", "acess_ns", "acess_ns: is not a field that a part has here; did you mean access_ns?"),
        (
            '"flash"',
            '"flsh"',
            'kind: "flsh" is not one of uv-eprom, otp-eprom, ee-eprom, eeprom, flash or mask-rom',
        ),
        ('"flash"', '"flsh"', "; did you mean flash?"),
        (
            '"dip32_39sf040"',
            '"dip32_39fs040"',
            "there is no pinout dip32_39fs040; did you mean dip32_39sf040?",
        ),
        (
            'default = "sst-39sf"',
            'default = "sst-39fs"',
            'src.default: there is no source "sst-39fs"; name one',
        ),
        ('default = "sst-39sf"', 'default = "sst-39fs"', "; did you mean sst-39sf?"),
        ("standby =", "stanby =", 'modes.stanby: "stanby" is not one of standby, read'),
        (
            '"/WE" = "high" }\nread',
            '"/EW" = "high" }\nread',
            "modes.standby: the package has no pin named /EW",
        ),
        ("words = 524288", 'words = "512K"', 'words: input should be a valid integer, and this is "512K"'),
        (
            "words = 524288",
            "words = 524288.5",
            "words: input should be a valid integer, and this is 524288.5",
        ),
        ('["address", "data"]', '["adress", "data"]', "write.commands.program: steps are [address, data]"),
        (
            'package = "DIP32"',
            'package = "32"',
            'package: "32" is not of the form kind and pins, such as "DIP28"',
        ),
        ("[supplies]", "[[supplies]]", "supplies: input should be a valid dictionary"),
        (
            'PLCC32 = "dip32_39sf040"',
            'PLCC32 = "dip32_39fs040"',
            "also_in.PLCC32: there is no pinout dip32_39fs040; did you mean dip32_39sf040?",
        ),
        ("PLCC32 =", "plcc =", 'also_in.plcc: "plcc" is not of the form kind and pins, such as "PLCC32"'),
        ('name = "', 'id = "other"\nname = "', 'id: says "other" but the file is called sst-39sf040.toml'),
        ('name = "', 'pins = ["A0"]\nname = "', "pins: is given twice: keep either pinout or pins"),
        ('name = "', 'sources = 1\nname = "', "sources: must be a table of sources"),
        ('name = "', 'sources.x.makr = "M"\nname = "', "sources.x.maker: is missing"),
        ('name = "', "[[[", "is not valid TOML"),
        ('name = "', f'x = {"9" * 5000}\nname = "', "a number is too long or the nesting too deep"),
        ('name = "', f'x = {"[" * 20000}\nname = "', "sst-39sf040.toml: is not"),
        ('name = "', "#" + "x" * 70000 + '\nname = "', "a file of this kind has at most 65536"),
    ],
)
def test_messages(spoilt: Spoilt, old: str, new: str, text: str) -> None:
    told = [problem.text for problem in problems_of(spoilt(old, new))]
    assert all(line.startswith("sst-39sf040.toml: ") for line in told)
    assert [line for line in told if text in line], told


def test_an_unknown_pinout_is_told_once(spoilt: Spoilt) -> None:
    assert [problem.key for problem in problems_of(spoilt('pinout = "dip32_39sf040"', 'pinout = "dip"'))] == [
        "pinout"
    ]


def test_text_that_is_not_utf_8(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_bytes(b'name = "\xff"')
    (problem,) = problems_of(path)
    assert problem.text == "x.toml: is not UTF-8 text: byte 8 does not fit"


def test_a_byte_order_mark_is_accepted(tmp_path: Path) -> None:
    path = tmp_path / "sst-39sf040.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert read(path).name == "SST39SF040"


def test_pins_may_be_listed_in_the_file(spoilt: Spoilt) -> None:
    names = list(packaged_pinouts()["dip32_39sf040"].pins)
    assert read(spoilt('pinout = "dip32_39sf040"', f"pins = {names}".replace("'", '"'))).pins == tuple(names)


def test_the_datasheet_is_the_title_of_a_source_or_a_text(spoilt: Spoilt) -> None:
    assert read(spoilt("words", "words")).datasheet == packaged_sources()["sst-39sf"].title
    assert read(spoilt('datasheet = "sst-39sf"', 'datasheet = "My copy"')).datasheet == "My copy"


lines = st.lists(st.sampled_from(GOOD.splitlines()) | st.text(max_size=40), max_size=60)


def survives(path: Path, content: bytes) -> None:
    """Whatever stands in the file: a part, or problems that can be shown; never another exception."""
    path.write_bytes(content)
    problems: tuple[Problem, ...] = ()
    try:
        part = read(path)
    except FileError as error:
        problems = error.problems
    assert [problem.text for problem in problems] or part.id == path.stem


ON_ONE_FILE = settings(
    max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)


@ON_ONE_FILE
@given(st.binary(max_size=200))
def test_any_bytes(tmp_path: Path, content: bytes) -> None:
    survives(tmp_path / "x.toml", content)


@ON_ONE_FILE
@given(lines)
def test_any_lines_of_a_good_file_and_others(tmp_path: Path, content: list[str]) -> None:
    survives(tmp_path / "x.toml", "\n".join(content).encode("utf-8", "replace"))


@ON_ONE_FILE
@given(st.data())
def test_a_good_file_with_any_value_spoilt(tmp_path: Path, data: st.DataObject) -> None:
    all_lines = GOOD.splitlines()
    index = data.draw(st.sampled_from([i for i, line in enumerate(all_lines) if " = " in line]))
    key = all_lines[index].split(" = ")[0]
    value = data.draw(
        st.sampled_from(["nan", "inf", "-1", "0", "1e400", "true", "[]", "{}", "[[]]", '""', "1979-05-27"])
        | st.sampled_from(
            ['"default"', '[["address"]]', "[1, 2, 3]", '{ "" = "" }', "{ a.b.c = 1 }", "0x1FFFFFFFF"]
        )
        | st.integers().map(str)
    )
    all_lines[index] = f"{key} = {value}"
    survives(tmp_path / "sst-39sf040.toml", "\n".join(all_lines).encode())
