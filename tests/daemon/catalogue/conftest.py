"""The outside reference: facts collected from data sheets, each value with its source."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from daemon.catalogue.loader import Catalogue

FACTS = Path(__file__).parents[2] / "data" / "chip_facts.toml"


@pytest.fixture(scope="session")
def facts() -> dict[str, Any]:
    return tomllib.loads(FACTS.read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return Catalogue()
