"""The report and its seal."""

import hashlib
import json
from typing import Any

import pytest

from protocol.conformance.report import broken_seal, document, seal_of, sealed
from protocol.conformance.run import Run, selected
from tests.support.conformance_line import virtual_bench


@pytest.fixture(scope="module")
def report() -> dict[str, Any]:
    link, setting, _ = virtual_bench()
    run = Run(link, setting, checks=selected(["D10", "D6"]))
    ended = run.carry_out()
    return document(run.desk, ended, tool="romwright 9.9", when="2026-11-25T12:00:00+00:00")


def test_it_has_a_verdict_for_each_requirement(report: dict[str, Any]) -> None:
    verdicts = {each["requirement"]: each["verdict"] for each in report["requirements"]}
    assert verdicts["D10"] == "pass"
    assert verdicts["D11"] == "partly"
    assert verdicts["D1"] == "not-run"
    assert verdicts["D21"] == "not-observable"
    assert len(verdicts) == 36
    assert report["level"] == "none"  # most checks of the first level were not asked for


def test_the_seal_is_a_digest_of_the_canonical_document(report: dict[str, Any]) -> None:
    seal = seal_of(report)
    text = json.dumps(report, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert seal.endswith("sha256=" + hashlib.sha256(text.encode()).hexdigest())
    assert 'wire=1.0 level=none device="virtual bench board, 48 pins romwright simulator 1.0"' in seal
    assert 'serial="judged" tool="romwright 9.9"' in seal


def test_it_holds_after_a_way_through_a_file(report: dict[str, Any]) -> None:
    again = json.loads(json.dumps(sealed(report), indent=3))
    assert broken_seal(again) == ""


@pytest.mark.parametrize("change", ["level", "device", "checks", "seal", "tool"])
def test_a_changed_report_is_noticed(report: dict[str, Any], change: str) -> None:
    whole = json.loads(json.dumps(sealed(report)))
    match change:
        case "device":
            whole["device"]["serial"] = "another"
        case "checks":
            whole["checks"][0]["verdict"] = "not-run"
        case "seal":
            whole["seal"] = whole["seal"].replace("level=none", "level=wire")
        case _:
            whole[change] = "complete"
    assert broken_seal(whole) == "the report is not the one that was sealed"


@pytest.mark.parametrize(
    ("thing", "words"),
    [
        ([], "no conformance report"),
        ({"checks": [], "requirements": []}, "its format is None"),
        ({"checks": [], "requirements": [], "format": 1}, "no seal"),
    ],
)
def test_what_is_no_sealed_report_is_told(thing: Any, words: str) -> None:
    assert words in broken_seal(thing)


def test_a_failure_shows_what_went_over_the_line_without_repetitions() -> None:
    link, setting, line = virtual_bench()
    device = line.device

    def doubled(now_s: float) -> bytes:
        return original(now_s) * 6

    original = device.take_output
    device.take_output = doubled  # type: ignore[method-assign]
    run = Run(link, setting, checks=selected(["in-order"]))
    told = document(run.desk, run.carry_out(), tool="t", when="w")["checks"][0]
    assert told["verdict"] == "fail"
    assert told["broken"] == ["D10", "D12"]
    assert (told["expected"], told["seen"][:6]) == ("ACCEPT 2, RESULT 1 for request 1", "ACCEPT")
    words = [each["words"].split()[0] for each in told["exchange"]]
    assert words[0] == "REQUEST"
    assert len(words) <= 14
    assert all(words[at : at + 4] != [words[at]] * 4 for at in range(len(words)))
    assert told["exchange"][0]["hex"].endswith("00")
