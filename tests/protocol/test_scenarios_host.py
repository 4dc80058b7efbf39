"""The host link replays `scenarios.json`: fed the device's frames, it must send the host's, byte for byte."""

from collections.abc import Iterator

import pytest
from scenario_player import Scenario, Step, load_book, play, scenarios

from protocol.fields import decode
from protocol.host.events import Completed
from protocol.host.link import HostLink
from protocol.messages import OPERATIONS
from protocol.wire import Opcode


class HostUser:
    """Carries out the user's steps on a link."""

    def __init__(self) -> None:
        host = load_book()["host"]
        self.link = HostLink(nonce=host["nonce"])
        self.link.set_pulse_s(host["pulse_ms"] / 1000)

    def __call__(self, step: Step, now_s: float) -> None:
        match step.do:
            case "start":
                self.link.start(now_s)
            case "submit":
                opcode = Opcode(step.sent[0])
                self.link.submit(opcode, decode(OPERATIONS[opcode].request, step.sent[1:]), now_s)
            case "abort":
                self.link.abort(now_s)
            case "keepalive":
                self.link.keepalive(now_s)
            case "energised":
                self.link.tick(now_s)
                self.link.set_energised(True)
            case "wait":
                pass
            case other:
                raise AssertionError(f"unknown step {other}")


def bytewise(data: bytes) -> Iterator[bytes]:
    for value in data:
        yield bytes((value,))


@pytest.mark.parametrize("scenario", scenarios("host"), ids=lambda scenario: scenario.name)
@pytest.mark.parametrize("cut", [lambda data: iter((data,)), bytewise], ids=["whole", "bytewise"])
def test_host_follows_the_scenario(scenario: Scenario, cut) -> None:
    user = HostUser()
    play(scenario, user.link, "host", user, cut)
    assert user.link.state.value == scenario.host_state
    completed = [event for event in user.link.take_events() if isinstance(event, Completed)]
    by_ticket = sorted(completed, key=lambda event: event.ticket)
    assert [event.ticket for event in by_ticket] == list(range(1, len(completed) + 1))
    assert tuple(event.status for event in by_ticket) == scenario.completed


def test_every_scenario_is_for_someone_and_named_once() -> None:
    every = list(scenarios())
    assert len({scenario.name for scenario in every}) == len(every)
    assert all(scenario.ends in ("host", "device", "both") for scenario in every)


@pytest.mark.parametrize("scenario", scenarios("host"), ids=lambda scenario: scenario.name)
def test_the_judge_notices_a_byte_too_many(scenario: Scenario) -> None:
    """The player itself can fail: an end that sends anything else is caught."""
    user = HostUser()
    honest = user.link.take_output
    user.link.take_output = lambda: honest() + b"\x00"  # type: ignore[method-assign]
    with pytest.raises(AssertionError):
        play(scenario, user.link, "host", user)
