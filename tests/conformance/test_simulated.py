"""The simulator's programmers under the checks, in virtual time."""

import random
from dataclasses import replace

import pytest

from daemon.catalogue.loader import Catalogue
from daemon.programmers.fitting import describe, fit_directly
from protocol.conformance.check import Level, Verdict
from protocol.conformance.desk import Desk
from protocol.conformance.frames import Seen, frame, read_block
from protocol.conformance.part import from_descriptor
from protocol.conformance.report import document, is_good, verdict_on
from protocol.conformance.requirements import DEVICE, NOT_OBSERVABLE
from protocol.conformance.run import Run, level_of, selected
from protocol.conformance.setting import Setting, Socket
from protocol.descriptor import encode_descriptor
from simulator.programmer import Profile, full, modest
from simulator.stock import Stock, make_socket
from tests.support.conformance_line import virtual_bench


def names(run: Run, verdict: Verdict) -> set[str]:
    return {each.check.name for each in run.ended if each.verdict is verdict}


@pytest.mark.parametrize("profile", [full("full"), modest("modest")], ids=["full", "modest"])
def test_an_empty_socket(profile: Profile) -> None:
    link, setting, _ = virtual_bench(profile)
    run = Run(link, setting)
    ended = run.carry_out()
    assert names(run, Verdict.FAIL) == set()
    assert names(run, Verdict.NOT_RUN) == {"a-chip-is-programmed"}
    assert level_of(ended) is Level.PROGRAMS
    assert is_good(ended)


@pytest.mark.parametrize("part", ["M27C512", "M27C256B", "intel-27c64", "M27C1024"])
def test_a_chip_that_may_be_spoilt(part: str) -> None:
    """On parts with VPP on OE, on a pin of its own, and with words of 16 bits."""
    profile = full("full")
    found = Catalogue().get(part)
    socket = make_socket(found, Stock.BLANK, 1, socket_pins=profile.identity.socket_pins)
    link, setting, _ = virtual_bench(profile, socket=Socket.SACRIFICIAL, simulated=socket)
    data = encode_descriptor(describe(fit_directly(found, profile.identity), profile.identity))
    run = Run(link, setting, parts=lambda desk: [from_descriptor(data, desk.told)])
    ended = run.carry_out()
    assert [each for each in ended if each.verdict is Verdict.FAIL] == []
    assert names(run, Verdict.NOT_RUN) == set()
    assert level_of(ended) is Level.COMPLETE
    for number in DEVICE:
        if number not in NOT_OBSERVABLE:
            assert verdict_on(number, ended)[0] in (Verdict.PASS, Verdict.NOT_APPLICABLE), number


def test_nothing_is_energised_before_leave_is_given() -> None:
    link, _, line = virtual_bench(socket=Socket.UNKNOWN)
    run = Run(link, Setting(Socket.UNKNOWN))
    ended = run.carry_out()
    supplies = line.device.supplies
    assert supplies.vcc.switch_ons == supplies.vpp.switch_ons == supplies.id.switch_ons == 0
    assert level_of(ended) is Level.WIRE
    assert {each.why for each in ended if each.verdict is Verdict.NOT_RUN} == {
        "say what is in the socket: --socket empty, or --socket sacrificial",
        "nobody restarts the board: --by-hand",
    }


def test_the_supplies_are_off_however_it_ends() -> None:
    link, setting, line = virtual_bench()

    def interrupt(ended: object) -> None:
        raise KeyboardInterrupt

    checks = selected(["vcc-on-and-off"])
    original = checks[0]

    def leaves_it_on(desk: object) -> None:
        original.run(desk)  # type: ignore[arg-type]
        desk.read_supplies()  # type: ignore[attr-defined]
        assert line.device.rails(line.now_s()).vcc_v > 4
        raise KeyboardInterrupt

    run = Run(link, setting, checks=[replace(original, run=leaves_it_on)], on_end=interrupt)
    with pytest.raises(KeyboardInterrupt):
        run.carry_out()
    assert line.device.rails(line.now_s()).vcc_v < 0.5


def test_a_device_that_takes_no_part_is_told_so() -> None:
    link, setting, _ = virtual_bench()
    run = Run(link, setting, parts=lambda _desk: [], checks=selected(["D22", "D34"]))
    assert {each.verdict for each in run.carry_out()} == {Verdict.NOT_RUN}
    assert "takes none of the parts" in run.ended[0].why


def test_a_line_without_a_device() -> None:
    link, setting, line = virtual_bench()
    line.device.receive = lambda data, now_s: None  # type: ignore[method-assign]
    run = Run(link, setting)
    ended = run.carry_out()
    assert {each.verdict for each in ended} == {Verdict.NOT_RUN}
    assert ended[0].why.startswith("it does not answer HELLO")
    assert document(run.desk, ended, tool="t", when="w")["device"] is None
    assert not is_good(ended)


@pytest.mark.parametrize("seed", range(6))
def test_a_device_that_tells_nonsense_does_not_end_the_run(seed: int) -> None:
    """Its answers are altered at random, under a right CRC: each check ends with a verdict."""
    link, setting, line = virtual_bench()
    noise = random.Random(seed)

    def spoilt(_now_s: float) -> bytes:
        out = original(_now_s)
        found = [read_block(block, 0.0) for block in out.split(b"\0") if block]
        if noise.random() < 0.3:
            return b"".join(_spoilt(noise, each) for each in found if each)
        return out

    original = line.device.take_output
    line.device.take_output = spoilt  # type: ignore[method-assign]
    ended = Run(link, setting, checks=selected()).carry_out()
    assert len(ended) == len(selected())


def _spoilt(noise: random.Random, seen: Seen) -> bytes:
    at = noise.randrange(len(seen.content) + 1)
    content = (
        seen.content[:at] + noise.randbytes(noise.randrange(3)) + seen.content[at + noise.randrange(3) :]
    )
    return frame(seen.kind, seen.number, seen.session, content)


@pytest.mark.parametrize(("salt", "expected"), [(0x5EED, 0), (0, 1)], ids=["its own", "the same"])
def test_a_run_that_was_broken_off_does_not_disturb_the_next(salt: int, expected: int) -> None:
    """With the nonce of the run before, the device would go on with its session."""
    link, setting, _ = virtual_bench()
    first = Desk(link, setting)
    first.fresh()
    first.stats()
    second = Desk(link, replace(setting, salt=salt))
    second.fresh()
    assert second.standing().expected == expected
