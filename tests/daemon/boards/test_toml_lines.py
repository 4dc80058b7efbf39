"""On which lines things stand: a tricky text by hand, and texts whose lines the writer of them knows."""

import tomllib
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from daemon.boards.toml_lines import Path, toml_lines

TEXT = '''# line 1
name = "a # b"   # not a comment inside
"quoted key" = 'c:\\'  # ends here

[sources.rom]
file = """
three
lines ] } """
steps = [  # line 9
  { do = "x", list = [1, 2,
     3] },

  { do = "y" }, { do = "z", "k.k" = 1 },
]
a.b . c = 1

[[positions]]
label = "U1"
[positions.inner]
deep = true
[[positions]]
label = "U2"
[[positions.steps]]
do = 1
[[positions.steps]]
do = 2
'''


def test_a_text_with_everything_in_it() -> None:
    assert tomllib.loads(TEXT)["positions"][1]["steps"][1]["do"] == 2
    line_of = toml_lines(TEXT)
    expected: dict[Path, int] = {
        ("name",): 2,
        ("quoted key",): 3,
        ("sources", "rom"): 5,
        ("sources", "rom", "file"): 6,
        ("sources", "rom", "steps"): 9,
        ("sources", "rom", "steps", 0, "do"): 10,
        ("sources", "rom", "steps", 0, "list", 2): 11,
        ("sources", "rom", "steps", 1): 13,
        ("sources", "rom", "steps", 2, "k.k"): 13,
        ("sources", "rom", "a", "b", "c"): 15,
        ("positions",): 17,
        ("positions", 0, "label"): 18,
        ("positions", 0, "inner", "deep"): 20,
        ("positions", 1): 21,
        ("positions", 1, "steps", 0, "do"): 24,
        ("positions", 1, "steps", 1): 25,
        # What is not there is told by what it would be in.
        ("positions", 1, "steps", 1, "nothing", "here"): 25,
        ("positions", 1, "source"): 21,
    }
    assert {path: line_of(path) for path in expected} == expected
    assert line_of(("nothing",)) is None
    assert line_of(()) is None


class Writer:
    """Writes values as TOML in a way that hypothesis chooses, and notes the line of each."""

    def __init__(self, data: st.DataObject) -> None:
        self.draw = data.draw
        self.text = ""
        self.lines: dict[Path, int] = {}

    def note(self, path: Path) -> None:
        self.lines[path] = 1 + self.text.count("\n")

    def break_here(self) -> None:
        self.text += self.draw(st.sampled_from(["", " ", "\n", '  # ], } "\n', "\n\n  "]))

    def key(self, name: str) -> str:
        return self.draw(st.sampled_from([f'"{name}"', name, f"'{name}'"]))

    def value(self, path: Path, value: Any) -> None:
        if isinstance(value, list):
            self.text += "["
            for index, each in enumerate(value):
                self.break_here()
                self.note((*path, index))
                self.value((*path, index), each)
                self.break_here()
                self.text += ","
            self.break_here()
            self.text += "]"
        elif isinstance(value, dict):
            self.text += "{"
            for index, (name, each) in enumerate(value.items()):
                self.text += ", " if index else " "
                self.note((*path, name))
                self.text += f"{self.key(name)} = "
                self.value((*path, name), each)
            self.text += " }"
        elif isinstance(value, str):
            quoted = value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
            self.text += self.draw(st.sampled_from([f'"{quoted}"', f'"""\n{quoted}"""']))
        else:
            self.text += str(value).lower()

    def table(self, path: Path, table: dict[str, Any]) -> None:
        for name, each in table.items():
            if isinstance(each, dict) and each and self.draw(st.booleans()):
                continue
            self.text += self.draw(st.sampled_from(["", "\n", "# [x]\n", "  "]))
            self.note((*path, name))
            self.text += f"{self.key(name)} = "
            self.value((*path, name), each)
            self.text += "\n"


NAMES = st.sampled_from(["a", "b-1", "do", "x_y"])
VALUES = st.recursive(
    st.integers(-5, 5) | st.booleans() | st.text(alphabet="ab#[]{},=\"\\\n' ", max_size=6),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner, max_size=2),
    max_leaves=8,
)


@given(data=st.data())
def test_every_value_is_found_where_it_was_written(data: st.DataObject) -> None:
    writer = Writer(data)
    writer.table((), data.draw(st.dictionaries(NAMES, VALUES, max_size=3)))
    for index in range(data.draw(st.integers(0, 2))):
        writer.note(("list", index))
        writer.text += "[[list]]\n"
        writer.table(("list", index), data.draw(st.dictionaries(NAMES, VALUES, max_size=3)))
    tomllib.loads(writer.text)
    line_of = toml_lines(writer.text)
    assert {path: line_of(path) for path in writer.lines} == writer.lines


@given(st.text(alphabet="ab=[]{},.\"'\n#\\ ", max_size=60))
def test_any_text_comes_to_an_end(text: str) -> None:
    toml_lines(text)(("a", 0, "b"))
