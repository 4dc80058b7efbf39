"""Devices that are wrong in one thing: the checks name the requirement. Made from the simulator's device."""

from collections.abc import Callable
from typing import Any

import pytest

from protocol.conformance.check import Verdict
from protocol.conformance.run import Run, selected
from protocol.device import greeting, link, sequence
from protocol.framing import FrameReader
from protocol.wire import Fault, NakReason
from simulator.programmer import altering, power, programmer, sensing
from simulator.programmer.operations import Operations
from tests.support.conformance_line import virtual_bench

Patch = Callable[[pytest.MonkeyPatch], None]
Link = link.DeviceLink


def carries_out_repeats(patch: pytest.MonkeyPatch) -> None:
    def on_repeat(self: Any, number: int) -> None:
        kept, self._expected = self._expected, number
        del kept

    def on_request(self: Any, frame: Any) -> None:
        if sequence.place_of(frame.number, self._expected, self.limits.window) is sequence.Place.REPEAT:
            expected, self._expected = self._expected, frame.number
            self._on_next(frame)
            self._expected = expected
        else:
            original(self, frame)

    original = Link._on_request
    patch.setattr(Link, "_on_request", on_request)


def takes_any_number(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(link, "place_of", lambda number, expected, window: sequence.Place.NEXT)


def sends_naks_without_end(patch: pytest.MonkeyPatch) -> None:
    def nak(self: Any, reason: NakReason) -> None:
        self._outbox.nak(self._expected, self.faults, reason)

    patch.setattr(Link, "_nak", nak)


def silent_on_unknown_opcodes(patch: pytest.MonkeyPatch) -> None:
    original = Link._reply

    def reply(self: Any, number: int, opcode: int, status: Any, detail: bytes = b"") -> None:
        if status != 1:
            original(self, number, opcode, status, detail)

    patch.setattr(Link, "_reply", reply)


def starts_anew_on_the_same_nonce(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(greeting.Greeting, "is_present", lambda self, hello: False)


def keeps_no_results(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(sequence.KeptResults, "put", lambda self, number, result: None)


def forgets_operations(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(sequence.OperationHistory, "seen", lambda self, op: False)


def deaf_to_abort(patch: pytest.MonkeyPatch) -> None:
    original = Link._on_control

    def on_control(self: Any, frame: Any) -> None:
        if frame.content[0] != 3:
            original(self, frame)

    patch.setattr(Link, "_on_control", on_control)


def no_watchdog(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Link, "deadline_s", lambda self: None)


def strangers_feed_the_watchdog(patch: pytest.MonkeyPatch) -> None:
    original = Link._on_frame

    def on_frame(self: Any, frame: Any, now_s: float) -> None:
        self._heard_s = now_s
        original(self, frame, now_s)

    patch.setattr(Link, "_on_frame", on_frame)


def faults_do_not_last(patch: pytest.MonkeyPatch) -> None:
    def latch(self: Any, faults: Fault) -> None:
        original(self, faults)
        self.faults = Fault.NONE

    original = Link.latch
    patch.setattr(Link, "latch", latch)


def takes_vpp_without_vcc(patch: pytest.MonkeyPatch) -> None:
    def refused(board: Any, request: Any) -> Any:
        return None if request.vpp_mv and not request.vcc_mv else original(board, request)

    original = power.refused
    patch.setattr(power, "refused", refused)


def minds_no_range(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(sensing, "outside", lambda board, address, count: None)


def any_vcc_will_do(patch: pytest.MonkeyPatch) -> None:
    original = sensing.range_refused

    def range_refused(board: Any, request: Any) -> Any:
        status = original(board, request)
        return None if status == 0x0A else status

    patch.setattr(sensing, "range_refused", range_refused)


def pulses_once_too_often(patch: pytest.MonkeyPatch) -> None:
    original = altering._style

    def style(board: Any, which: Any) -> Any:
        from dataclasses import replace

        found = original(board, which)
        return replace(found, limit=found.limit + 1)

    patch.setattr(altering, "_style", style)


def boots_under_one_number(patch: pytest.MonkeyPatch) -> None:
    original = programmer.VirtualProgrammer._boot

    def boot(self: Any, now_s: float) -> None:
        self.boot_id = 1
        original(self, now_s)

    patch.setattr(programmer.VirtualProgrammer, "_boot", boot)


def counts_no_damage(patch: pytest.MonkeyPatch) -> None:
    original = FrameReader.feed
    patch.setattr(FrameReader, "feed", lambda self, data: [each for each in original(self, data) if each])


def skips_unknown_records(patch: pytest.MonkeyPatch) -> None:
    from protocol.records import unpack_records
    from simulator.programmer import judge

    original = judge.decode_descriptor

    def decode(data: bytes) -> Any:
        known = [(tag, value) for tag, value in unpack_records(data) if tag in {*range(1, 13), 0x10, 0x11}]
        return original(b"".join(bytes((tag, len(value))) + value for tag, value in known))

    patch.setattr(judge, "decode_descriptor", decode)


def sets_up_while_energised(patch: pytest.MonkeyPatch) -> None:
    original = Operations._refused

    def refused(self: Any, request: Any) -> Any:
        return None if request.opcode == 0x10 else original(self, request)

    patch.setattr(Operations, "_refused", refused)


VARIANTS: list[tuple[Patch, str]] = [
    (carries_out_repeats, "D11"),
    (takes_any_number, "D10"),
    (sends_naks_without_end, "D15"),
    (silent_on_unknown_opcodes, "D31"),
    (starts_anew_on_the_same_nonce, "D5"),
    (keeps_no_results, "D11"),
    (forgets_operations, "D18"),
    (deaf_to_abort, "D17"),
    (no_watchdog, "D19"),
    (strangers_feed_the_watchdog, "D8"),
    (faults_do_not_last, "D20"),
    (takes_vpp_without_vcc, "D25"),
    (minds_no_range, "D33"),
    (any_vcc_will_do, "D28"),
    (pulses_once_too_often, "D30"),
    (boots_under_one_number, "D6"),
    (counts_no_damage, "D1"),
    (skips_unknown_records, "D22"),
    (sets_up_while_energised, "D23"),
]


@pytest.mark.parametrize(
    ("variant", "requirement"), VARIANTS, ids=lambda each: getattr(each, "__name__", each)
)
def test_a_broken_device_fails_by_the_right_requirement(
    variant: Patch, requirement: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    variant(monkeypatch)
    bench, setting, _ = virtual_bench()
    ended = Run(bench, setting, checks=selected([requirement])).carry_out()
    failed = {number for each in ended if each.verdict is Verdict.FAIL for number in each.failed}
    assert requirement in failed, [(each.check.name, each.why) for each in ended]
    assert all(each.expected and each.seen for each in ended if each.verdict is Verdict.FAIL)
