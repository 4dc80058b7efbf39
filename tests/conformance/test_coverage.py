"""The requirements of `SPEC.md` against the checks: none is left out in silence."""

import re
from pathlib import Path

from protocol.conformance.check import Level
from protocol.conformance.requirements import DEVICE, NOT_OBSERVABLE
from protocol.conformance.run import selected

SPEC = (Path(__file__).parents[2] / "protocol" / "SPEC.md").read_text(encoding="utf-8")
IN_SPEC = re.findall(r"^- \*\*(D\d+)\*\*", SPEC, re.MULTILINE)


def test_every_requirement_of_a_device_is_in_the_table() -> None:
    assert sorted(DEVICE) == sorted(IN_SPEC)


def test_each_is_checked_or_its_not_being_seen_is_explained() -> None:
    checked = {number for check in selected() for number in check.requirements}
    assert checked <= set(DEVICE)
    assert set(DEVICE) - checked - set(NOT_OBSERVABLE) == set()
    assert all(words.startswith("needs a meter: ") for words in NOT_OBSERVABLE.values())


def test_checks_have_names_and_words_of_their_own() -> None:
    checks = selected()
    assert len({check.name for check in checks}) == len(checks)
    assert len({check.words for check in checks}) == len(checks)
    assert all(check.words.endswith(".") and len(check.words) < 112 for check in checks)


def test_checks_are_chosen_by_requirement_or_name() -> None:
    assert {"strays"} < {check.name for check in selected(["D10"])}
    assert all("D10" in check.requirements for check in selected(["D10"]))
    assert [check.name for check in selected(["strays"])] == ["strays"]
    assert selected(["D99"]) == []


def test_each_level_has_checks() -> None:
    assert {check.level for check in selected()} == set(Level) - {Level.NONE}
