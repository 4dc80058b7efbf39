"""Recipes: what is wrong in one is told with its line and with what would be accepted."""

from collections.abc import Callable

import pytest

from daemon.boards.demo_images import DEMO_FILES
from daemon.boards.reading import BoardRecipe, read_board
from daemon.errors import BenchError, Code

GOOD = """name = "Tern-8"
[sources.rom]
file = "tern8.rom"
steps = [
  { do = "skip-header", length_bytes = 128 },
]
[sources.shapes]
from = "rom"
[[positions]]
label = "U4"
made_for = "27C256"
access_ns = 200
source = "rom"
[[positions.steps]]
do = "slice"
length_bytes = 0x8000
[[positions]]
label = "U9"
made_for = "2716"
parts = ["2716", { part = "2732A", note = "upper half" }]
pins = { 21 = "VCC" }
access_ns = 450
source = "shapes"
shares_with = ["U4"]
"""


def problems_of(text: str) -> list[str]:
    with pytest.raises(BenchError) as caught:
        read_board("tern-8", text)
    error = caught.value
    assert error.code is Code.RECIPE_INVALID
    assert error.message.startswith("board tern-8: ")
    assert error.hint
    problems: list[str] = error.details["problems"]
    assert problems[0] in error.message
    return problems


def test_a_good_recipe() -> None:
    recipe = read_board("tern-8", GOOD)
    assert recipe.line_of(("positions", 1, "pins")) == 21
    assert [position.label for position in recipe.board.positions] == ["U4", "U9"]
    assert recipe.board.positions[1].pins == {21: "VCC"}
    assert [entry.part for entry in recipe.board.positions[1].parts] == ["2716", "2732A"]
    assert list(recipe.board.files) == ["rom"]


@pytest.mark.parametrize("board_id", list(DEMO_FILES))
def test_demo_recipes_are_good(demo: Callable[[str], BoardRecipe], board_id: str) -> None:
    assert set(demo(board_id).board.files) == set(DEMO_FILES[board_id])


@pytest.mark.parametrize(
    ("old", "new", "line", "path", "reason"),
    [
        (
            "skip-header",
            "skip-haeder",
            5,
            "sources.rom.steps[0]",
            'there is no step "skip-haeder"; did you mean skip-header?',
        ),
        (
            "length_bytes = 128",
            "length_bytes = -1",
            5,
            "sources.rom.steps[0].length_bytes",
            "-1 is not accepted; 1 or more is",
        ),
        (
            "length_bytes = 0x8000",
            "lenght_bytes = 1",
            16,
            "positions[0].steps[0].lenght_bytes",
            "is no key here; did you mean length_bytes?",
        ),
        (
            "access_ns = 200",
            "acces_ns = 200",
            12,
            "positions[0].acces_ns",
            "is no key here; did you mean access_ns?",
        ),
        ("access_ns = 200\n", "", 9, "positions[0].access_ns", "is missing"),
        (
            "access_ns = 200",
            'access_ns = "fast"',
            12,
            "positions[0].access_ns",
            '"fast" is not accepted; a number is',
        ),
        ('file = "tern8.rom"', "", 2, "sources.rom.file", "needs file or from, one of the two"),
        (
            'from = "rom"',
            'from = "rum"',
            8,
            "sources.shapes.from",
            'there is no source "rum"; did you mean rom?',
        ),
        (
            'from = "rom"',
            'from = "rom"\nsize_bytes = 3',
            9,
            "sources.shapes.size_bytes",
            "belongs to the source that names the file",
        ),
        (
            'source = "shapes"',
            'source = "shape"',
            23,
            "positions[1].source",
            'there is no source "shape"; did you mean shapes?',
        ),
        ('label = "U9"', 'label = "U4"', 18, "positions[1].label", 'is "U4", as positions[0] is already'),
        (
            'shares_with = ["U4"]',
            'shares_with = ["U5"]',
            24,
            "positions[1].shares_with[0]",
            'there is no other position "U5"; did you mean U4?',
        ),
        ("21 =", "121 =", 21, "positions[1].pins[121]", "121 is not accepted; 100 or less is"),
        ('21 = "VCC"', '21 = "5V"', 21, "positions[1].pins[21]", '"5V" is no net; write one of A0, D0'),
        (
            "access_ns = 450",
            "access_ns = 450\nsize_bytes = 3000",
            23,
            "positions[1].size_bytes",
            "is 3,000; address lines make a power of two, 4 or more",
        ),
        (
            "access_ns = 450",
            "access_ns = 450\nwidth_bits = 4",
            23,
            "positions[1].width_bits",
            "4 is not accepted; one of 8, 16 is",
        ),
        (
            "access_ns = 450",
            'access_ns = 450\neffort = "any"',
            23,
            "positions[1].effort",
            '"any" is not accepted; one of ready, check, rework, adapter is',
        ),
        (
            "[sources.shapes]\n",
            "[sources.shapes]\nunused = 3\n",
            8,
            "sources.shapes.unused",
            "3 is not accepted; one of rest is",
        ),
        (
            '{ part = "2732A", note',
            "{ prat = 1, note",
            20,
            "positions[1].parts[1].prat",
            "is no key here; did you mean part?",
        ),
    ],
)
def test_what_is_wrong_is_told_with_its_line(old: str, new: str, line: int, path: str, reason: str) -> None:
    assert GOOD.count(old) >= 1
    problems = problems_of(GOOD.replace(old, new, 1))
    assert any(problem.startswith(f"line {line}, {path}: {reason}") for problem in problems)


def test_all_problems_are_told_at_once() -> None:
    text = GOOD.replace("skip-header", "skip").replace("access_ns = 450", "access_ns = 0").replace("U4", "")
    assert len(problems_of(text)) >= 3


def test_joins_and_circles() -> None:
    text = GOOD.replace('do = "slice"\nlength_bytes = 0x8000', 'do = "join"\nsources = ["shapes", "nil"]')
    assert problems_of(text) == [
        'line 16, positions[0].steps[0].sources: there is no source "nil"; there is rom, shapes'
    ]
    circle = GOOD.replace('from = "rom"', 'from = "shapes"')
    assert "is made from itself" in problems_of(circle)[0]
    longer = GOOD.replace(
        '  { do = "skip-header", length_bytes = 128 },', '  { do = "join", sources = ["shapes"] },'
    )
    assert any("rom from shapes from rom" in problem for problem in problems_of(longer))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name = ", "not valid TOML"),
        ("name = 1" + "0" * 5000, "too long"),
        ("#" * 70_000, "61,440 bytes"),
        ('name = "x"', "sources: is missing"),
        ('name = "x"\npositions = []\n[sources]', "list"),
    ],
)
def test_texts_that_are_no_recipes(text: str, said: str) -> None:
    assert any(said in problem for problem in problems_of(text))
