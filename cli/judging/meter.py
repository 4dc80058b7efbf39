"""The supplies against the builder's own meter: each is held while the reading is typed."""

import contextlib
import queue
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass

from cli.builder.quantity import parse_quantity
from cli.exit_codes import Exit
from cli.failure import Failure
from cli.judging.judge import Wish, device_on_port, parts_of
from cli.out import Out
from protocol.conformance.checks.supplies import volts
from protocol.conformance.desk import Desk
from protocol.conformance.run import Run
from protocol.wire import NONE_U16, SupplyKind

_OFF_MV = 500


@dataclass(frozen=True, slots=True)
class Reading:
    """One supply held: asked for, measured by the device, and by the meter; mV, None: not told."""

    name: str
    asked_mv: int
    device_mv: int | None
    meter_mv: int | None
    tolerance_mv: int

    @property
    def verdict(self) -> str:
        """Whether the meter agrees: `good`, `off`, or `not-checked`."""
        if self.meter_mv is None:
            return "not-checked"
        told = (self.asked_mv, self.device_mv)
        near = [abs(self.meter_mv - value) <= self.tolerance_mv for value in told if value is not None]
        return "good" if all(near) else "off"


class Typed:
    """What is typed, line by line, without keeping anybody waiting."""

    def __init__(self) -> None:
        self._lines: queue.Queue[str | None] = queue.Queue()
        threading.Thread(target=self._read, name="typed readings", daemon=True).start()

    def _read(self) -> None:
        for line in sys.stdin:
            self._lines.put(line)
        self._lines.put(None)

    def ask(self, words: str, meanwhile: Callable[[], None], every_s: float) -> int | None:
        """Return a voltage in mV, None for an empty line or the end; `meanwhile` is called while waiting."""
        print(words, end="", file=sys.stderr, flush=True)
        while True:
            try:
                line = self._lines.get(timeout=every_s)
            except queue.Empty:
                meanwhile()
                continue
            if line is None:
                self._lines.put(None)  # nothing more comes, whatever is asked
                return None
            if not line.strip():
                return None
            try:
                return round(parse_quantity(line.strip().removesuffix("V").replace(",", ".")) * 1000)
            except ValueError:
                print("A number of volts, such as 12.7: ", end="", file=sys.stderr, flush=True)


def compare(out: Out, wish: Wish) -> Exit:
    """Hold each supply while it is measured, and print how device and meter agree. Raises `Failure`."""
    with device_on_port(out, wish) as (link, setting):
        run = Run(link, setting, checks=[], parts=parts_of(wish))
        run.carry_out()
        if run.desk.part is None:
            raise Failure(
                Exit.NEGATIVE, f"no part could be set up: {run.part_trouble}", "Name one by --part."
            )
        try:
            run.desk.fresh()
            readings = _readings(run.desk, Typed())
        finally:
            with contextlib.suppress(Exception):
                run.desk.make_safe()
    return _tell(out, readings)


def _readings(desk: Desk, typed: Typed) -> list[Reading]:
    trial, told = desk.trial, desk.told
    steps = [("VCC", trial.vcc_read_mv, 0)]
    if told.vpp.kind != SupplyKind.ABSENT and trial.vpp_mv:
        if trial.vcc_program_mv != trial.vcc_read_mv:
            steps.append(("VCC", trial.vcc_program_mv, 0))
        steps.append(("VPP", trial.vcc_program_mv, trial.vpp_mv))
    found = []
    for name, vcc_mv, vpp_mv in steps:
        answer = desk.apply(vcc_mv, vpp_mv)
        own, asked_mv = (told.vpp, vpp_mv) if vpp_mv else (told.vcc, vcc_mv)
        measured_mv = volts(answer)[1 if vpp_mv else 0]
        device_mv = None if measured_mv == NONE_U16 else measured_mv
        words = f"{name} is on: {asked_mv / 1000:g} V asked for. What does your meter say? "
        meter_mv = typed.ask(words, lambda: _hold(desk), told.watchdog_s / 5)
        found.append(Reading(name, asked_mv, device_mv, meter_mv, own.tolerance_mv))
    desk.discharge()
    words = "Both are off. What does your meter say, of the higher? "
    meter_mv = typed.ask(words, lambda: None, 0.2)
    found.append(Reading("off", 0, None, meter_mv, _OFF_MV))
    return found


def _hold(desk: Desk) -> None:
    """Feed the watchdog, and raise when the supply is no longer on."""
    if not desk.standing().energised:
        raise Failure(
            Exit.BROKEN_OFF,
            "the device has taken the supply off",
            "A fault? `romwright conformance` with --only D20 tells more.",
        )


def _tell(out: Out, readings: list[Reading]) -> Exit:
    good = all(each.verdict != "off" for each in readings)
    out.document(
        {
            "good": good,
            "readings": [
                {
                    "supply": each.name,
                    "asked_mv": each.asked_mv,
                    "device_mv": each.device_mv,
                    "meter_mv": each.meter_mv,
                    "tolerance_mv": each.tolerance_mv,
                    "verdict": each.verdict,
                }
                for each in readings
            ],
        }
    )
    out.table(
        ("Supply", "Asked", "Device", "Meter", "Within", "Verdict"),
        [
            (
                each.name,
                _volts(each.asked_mv),
                _volts(each.device_mv),
                _volts(each.meter_mv),
                _volts(each.tolerance_mv),
                each.verdict,
            )
            for each in readings
        ],
    )
    if not good:
        out.say("Put no chip in: first make device and meter agree.", "bold red")
    return Exit.DONE if good else Exit.NEGATIVE


def _volts(value_mv: int | None) -> str:
    return "-" if value_mv is None else f"{value_mv / 1000:g} V"
