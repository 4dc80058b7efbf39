"""The virtual programmer as the trivial device replays `scenarios.json`, to the byte and millisecond."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import groupby
from typing import Any

import pytest
from scenario_player import Scenario, load_book, play, scenarios

from protocol.device import LinkLimits
from protocol.identity import decode_identity
from simulator.programmer import Profile, VirtualProgrammer
from simulator.socket import Socket
from simulator.supplies import SupplyDesign
from tests.support.device_rig import FakeBus

LIMITS = ("max_payload", "window", "rx_bytes", "watchdog_ms")


class TrivialDevice:
    """A virtual programmer in which nothing but a pulse takes time."""

    def __init__(self) -> None:
        book: dict[str, Any] = load_book()["device"]
        identity = decode_identity(bytes.fromhex(book["records"]))

        def prompt(supply: Any) -> SupplyDesign:
            return SupplyDesign(supply, rise_s=0, fall_s=0, adc_step_mv=0)

        self.bus = FakeBus(size=book["size_words"])
        profile = Profile(
            identity=identity,
            vcc=prompt(identity.vcc),
            vpp=prompt(identity.vpp),
            id=prompt(identity.id),
            limits=LinkLimits(**{name: book[name] for name in LIMITS}),
        )
        self.device = VirtualProgrammer(
            profile,
            Socket(identity.socket_pins),
            boot_id=book["boot_id"],
            last_session=0,
            make_bus=lambda _part: self.bus,
        )
        self._now_s = 0.0

    def receive(self, data: bytes, now_s: float) -> None:
        self._now_s = now_s
        self.device.receive(data, now_s)

    def tick(self, now_s: float) -> None:
        self.receive(b"", now_s)

    def take_output(self) -> bytes:
        return self.device.take_output(self._now_s)

    def deadline_s(self) -> float | None:
        return self.device.next_deadline_s()


def whole(data: bytes) -> Iterator[bytes]:
    yield data


def bytewise(data: bytes) -> Iterator[bytes]:
    for value in data:
        yield bytes((value,))


def at_once(scenario: Scenario) -> Scenario:
    """Let frames that the host sends one after another at one time arrive together, as they do."""
    steps = []
    for (_, side), group in groupby(scenario.steps, key=lambda step: (step.at_ms, step.side)):
        together = list(group)
        if side == "host":
            arrives = b"".join(step.arrives for step in together)
            together = [replace(together[0], arrives=arrives)]
        steps += together
    return replace(scenario, steps=tuple(steps))


@pytest.mark.parametrize("scenario", scenarios("device"), ids=lambda scenario: scenario.name)
@pytest.mark.parametrize("cut", [whole, bytewise])
def test_device_follows_the_scenario(scenario: Scenario, cut: Any) -> None:
    trivial = TrivialDevice()
    play(at_once(scenario), trivial, "device", cut=cut)
    assert trivial.bus.pulses.sum() == scenario.pulses


def test_there_are_scenarios_for_most_of_what_a_device_must_do() -> None:
    shown = {name for scenario in scenarios("device") for name in scenario.shows}
    assert {"D1", "D5", "D7", "D8", "D9", "D10", "D11", "D15", "D16", "D17", "D18", "D19"} <= shown
