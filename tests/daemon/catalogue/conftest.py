"""The outside reference: facts collected from data sheets, each value with its source."""

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from daemon import catalogue as package
from daemon.catalogue.loader import Catalogue, packaged_pinouts
from daemon.catalogue.model import Part
from daemon.catalogue.substitution.judge import judge
from daemon.catalogue.substitution.position import position_for
from daemon.catalogue.substitution.verdict import StandIn
from tests.daemon.catalogue.judging import Judged

FACTS = Path(__file__).parents[2] / "data" / "chip_facts.toml"
PARTS = Path(package.__file__).parent / "parts"


@pytest.fixture(scope="session")
def facts() -> dict[str, Any]:
    return tomllib.loads(FACTS.read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return Catalogue()


@pytest.fixture
def m27c512() -> dict[str, Any]:
    """The tables of a good part file, ready to be spoilt."""
    return tables_of("st-m27c512")


@pytest.fixture
def mask_rom() -> Part:
    """A part that can only be read; pins and supplies as a 27C256's."""
    table = tables_of("st-m27c256b")
    del table["write"], table["typical_program_s"], table["also_in"]
    table |= {"id": "rom", "name": "ROM", "kind": "mask-rom", "src": {}}
    table |= {"signature": {"method": "none"}, "erase": {"method": "none"}}
    table["modes"] = {mode: table["modes"][mode] for mode in ("standby", "read")}
    return Part.model_validate(table)


def tables_of(part_id: str) -> dict[str, Any]:
    """Return a packaged part file as plain tables, its pin names filled in."""
    table = tomllib.loads((PARTS / f"{part_id}.toml").read_text(encoding="utf-8"))
    others = {package: packaged_pinouts()[name].pins for package, name in table.get("also_in", {}).items()}
    return table | {"id": part_id, "pins": packaged_pinouts()[table["pinout"]].pins, "also_in": others}


@pytest.fixture
def tables() -> Callable[[str], dict[str, Any]]:
    """Give the tables of any packaged part file by its id."""
    return tables_of


@pytest.fixture
def judged(catalogue: Catalogue) -> Judged:
    """Judge a part in the position of another, both by id."""

    def _judged(part: str, meant_for: str, **position: Any) -> StandIn:
        return judge(catalogue.get(part), position_for(catalogue.get(meant_for), **position))

    return _judged
