"""The host build of the firmware under the checks in its own time, sound and broken on purpose."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from daemon.catalogue.loader import Catalogue
from daemon.programmers.fitting import describe, fit_directly
from protocol import fields
from protocol.conformance.check import Level, Verdict
from protocol.conformance.desk import Desk
from protocol.conformance.link import RawLink
from protocol.conformance.part import TrialPart, from_descriptor
from protocol.conformance.run import Ended, Run, level_of, selected
from protocol.conformance.setting import Setting, Socket
from protocol.descriptor import encode_descriptor
from protocol.identity import decode_identity
from protocol.messages import HelloReply
from tests.support.firmware_broken import BROKEN
from tests.support.firmware_build import missing_tools
from tests.support.firmware_line import FirmwareLine
from tests.support.firmware_variants import Change, Objects


@pytest.fixture(scope="session")
def objects(tmp_path_factory: pytest.TempPathFactory) -> Objects:
    if lacking := missing_tools("cc"):
        pytest.skip(lacking)
    return Objects(tmp_path_factory.mktemp("objects"))


@contextmanager
def line_to(program: Path, *options: str) -> Iterator[FirmwareLine]:
    line = FirmwareLine(program, *options)
    try:
        yield line
    finally:
        line.close()


def failures(ended: list[Ended]) -> list[tuple[str, str]]:
    return [(each.check.name, each.why) for each in ended if each.verdict is Verdict.FAIL]


def not_run(ended: list[Ended]) -> set[str]:
    return {each.check.name for each in ended if each.verdict is Verdict.NOT_RUN}


def test_an_empty_socket(objects: Objects) -> None:
    with line_to(objects.program("empty"), "--empty") as line:
        ended = Run(RawLink(line), Setting(Socket.EMPTY, hands=line)).carry_out()
    assert failures(ended) == []
    assert not_run(ended) == {"a-chip-is-programmed"}
    assert level_of(ended) is Level.PROGRAMS


@pytest.mark.parametrize(
    ("chip", "part"), [("27c64", "intel-27c64"), ("27c512", "ti-tms27c512"), ("27c256", "intel-27c256")]
)
def test_a_chip_that_may_be_spoilt(objects: Objects, chip: str, part: str) -> None:
    found = Catalogue().get(part)

    def parts(desk: Desk) -> list[TrialPart]:
        identity = decode_identity(fields.decode(HelloReply, desk.hello_detail).fields)
        return [
            from_descriptor(encode_descriptor(describe(fit_directly(found, identity), identity)), desk.told)
        ]

    with line_to(objects.program(chip), f"--chip={chip}") as line:
        setting = Setting(Socket.SACRIFICIAL, hands=line)
        ended = Run(RawLink(line), setting, parts=parts).carry_out()
    assert failures(ended) == []
    assert not_run(ended) == set()
    assert level_of(ended) is Level.COMPLETE


@pytest.mark.parametrize(
    "limits",
    [("--payload=64", "--window=1", "--rx-bytes=96"), ("--payload=64", "--window=2", "--watchdog-ms=200")],
    ids=["smallest", "hasty"],
)
def test_small_limits(objects: Objects, limits: tuple[str, ...]) -> None:
    with line_to(objects.program(limits[-1].strip("-")), "--empty", *limits) as line:
        ended = Run(RawLink(line), Setting(Socket.EMPTY, hands=line)).carry_out()
    assert failures(ended) == []


@pytest.mark.parametrize(
    ("words", "requirement", "change"), BROKEN, ids=lambda each: each if isinstance(each, str) else ""
)
def test_a_broken_device_fails_by_the_right_requirement(
    objects: Objects, words: str, requirement: str, change: Change | tuple[Change, ...]
) -> None:
    changes = (change,) if isinstance(change[0], str) else change
    program = objects.program(words.replace(" ", "-"), changes)
    with line_to(program, "--empty") as line:
        checks = selected([requirement])
        ended = Run(RawLink(line), Setting(Socket.EMPTY, hands=line), checks=checks).carry_out()
    failed = {number for each in ended if each.verdict is Verdict.FAIL for number in each.failed}
    assert requirement in failed, [(each.check.name, each.verdict, each.why) for each in ended]


def test_a_supply_set_by_hand(objects: Objects) -> None:
    by_hand = ("host/records.c", "(IDENTITY_VPP, SUPPLY_ADJUSTABLE", "(IDENTITY_VPP, SUPPLY_BY_HAND")
    with line_to(objects.program("by-hand", [by_hand]), "--empty") as line:
        checks = selected(["D25", "D26"])
        ended = Run(RawLink(line), Setting(Socket.EMPTY, hands=line), checks=checks).carry_out()
    assert failures(ended) == []
    assert "a-supply-set-by-hand" in {each.check.name for each in ended if each.verdict is Verdict.PASS}
