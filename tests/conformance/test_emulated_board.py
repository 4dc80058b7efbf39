"""The firmware on an emulated ATmega2560 under the checks, in real time: in four parts at once."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from daemon.catalogue.loader import Catalogue
from daemon.programmers.fitting import describe, fit_directly
from protocol import fields
from protocol.conformance.check import Check, Level, Verdict
from protocol.conformance.desk import Desk
from protocol.conformance.link import RawLink
from protocol.conformance.part import TrialPart, from_descriptor
from protocol.conformance.run import Ended, Run, level_of, selected
from protocol.conformance.setting import Setting, Socket
from protocol.descriptor import encode_descriptor
from protocol.identity import decode_identity
from protocol.messages import HelloReply
from tests.support.firmware_build import build, missing_tools
from tests.support.rig_line import RigLine

_PARTS = 4
_PATIENCE = 2.0
"""The machine may have other things to do; the emulated board then runs late."""


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Return the emulated rig and the firmware for it."""
    if lacking := missing_tools("make", "cc", "avr-gcc"):
        pytest.skip(lacking)
    firmware = build("avr", tmp_path_factory.mktemp("avr")) / "m2560" / "device.elf"
    return build("rig", tmp_path_factory.mktemp("rig")) / "rig" / "rig", firmware


def _chip(desk: Desk) -> list[TrialPart]:
    part = Catalogue().get("intel-27c64")
    identity = decode_identity(fields.decode(HelloReply, desk.hello_detail).fields)
    return [from_descriptor(encode_descriptor(describe(fit_directly(part, identity), identity)), desk.told)]


def _judge(made: tuple[Path, Path], checks: list[Check]) -> list[Ended]:
    line = RigLine(*made, "--chip=27c64")
    try:
        setting = Setting(Socket.SACRIFICIAL, patience=_PATIENCE, hands=line)
        return Run(RawLink(line), setting, checks=checks, parts=_chip).carry_out()
    finally:
        line.close()


@pytest.mark.slow
def test_an_emulated_board_with_a_chip(made: tuple[Path, Path]) -> None:
    checks = selected()
    with ThreadPoolExecutor(_PARTS) as pool:
        judged = pool.map(lambda first: _judge(made, checks[first::_PARTS]), range(_PARTS))
        ended = [each for part in judged for each in part]
    assert [(each.check.name, each.why) for each in ended if each.verdict is Verdict.FAIL] == []
    assert [each.check.name for each in ended if each.verdict is Verdict.NOT_RUN] == []
    assert level_of(ended) is Level.COMPLETE
