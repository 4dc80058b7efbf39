"""What docs/boards.md shows is what there is: its recipe, its steps and keys, its worked example."""

import re
from collections.abc import Callable
from pathlib import Path

from daemon.boards.drawer import ChipState, OnHand
from daemon.boards.model import Position, Source
from daemon.boards.plan import BoardPlan
from daemon.images.recipe_errors import STEP_TABLES

DOCS = (Path(__file__).parents[3] / "docs" / "boards.md").read_text(encoding="utf-8")


def test_the_recipe_can_be_planned(plan_text: Callable[..., BoardPlan]) -> None:
    (recipe,) = re.findall(r"```toml\n(.*?)```", DOCS, re.DOTALL)
    file = bytes(range(256)) * 256
    plan = plan_text(recipe, {"firmware": file})
    assert [chip.content.data for chip in plan.chips] == [file[:0x8000], file[0x8000:]]


def test_every_step_and_key_is_told() -> None:
    rows = dict(re.findall(r"^\| `([a-z-]+)` \| (.*?) \|", DOCS, re.MULTILINE))
    for name, table in STEP_TABLES.items():
        for key in table.model_fields:
            assert key == "do" or f"`{key}`" in rows[name], f"{name}: {key}"
    told = DOCS[DOCS.index("| key of a source") : DOCS.index("## Steps")]
    for table in (Source, Position):
        for key, field in table.model_fields.items():
            assert f"`{field.alias or key}`" in told, key


def test_the_worked_example_is_true(plan_demo: Callable[..., BoardPlan]) -> None:
    drawer = (
        OnHand(part="M27C512", count=2, state=ChipState.BLANK, access_ns=100, label="2 M27C512 blank 100ns"),
        OnHand(part="M2732A", state=ChipState.BLANK, access_ns=450, label="1 M2732A blank 450ns"),
    )
    plan = plan_demo("tern-8", on_hand=drawer)
    assert plan.to_buy == ()
    assert [chip.part_name for chip in plan.chips] == ["M27C512", "M2732A"]
    (u4,) = plan.positions[0].chips
    for words in (
        *(trace.words for trace in plan.positions[0].steps),
        *(row.words for row in plan.positions[0].map.rows),
        *u4.arranged,
        u4.reason,
    ):
        assert words in DOCS
