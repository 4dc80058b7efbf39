"""What the pins touch, and what that says about the chip in the socket."""

from dataclasses import replace
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.catalogue.loader import Catalogue
from daemon.diagnosis import judge_seating
from daemon.programmers.fitting import fit_directly
from protocol.identity import Identity
from protocol.wire import PinState
from simulator.chip.chip import Chip
from simulator.socket import ContactFault, Placement, Socket

PARTS = Catalogue()
PART_IDS = ("st-m27c512", "st-m27c1001", "st-m27c322", "st-m2716", "sst-39sf040")


@cache
def chip_of(part_id):
    """Make a chip once: its cells take longest, and nothing here looks at more than its pins."""
    return Chip(PARTS.get(part_id), seed=1)


def states_of(part_id, *, placement=None, faults=None, bridges=(), empty=False, pins=48):
    """Ask the simulated socket, whose diodes are worked out apart from the judgement."""
    part = PARTS.get(part_id)
    fit = fit_directly(part, Identity(socket_pins=pins))
    at_socket = {fit.socket_pin(pin): fault for pin, fault in (faults or {}).items()}
    joined = [(fit.socket_pin(a), fit.socket_pin(b)) for a, b in bridges]
    socket = Socket(pins, faults=at_socket, bridges=joined)
    if not empty:
        socket.insert(chip_of(part_id), placement or Placement())
    grounds = tuple(fit.socket_pin(pin) for pin in part.ground_pins)
    return fit, socket.contact(grounds)


@pytest.mark.parametrize("part_id", PART_IDS)
def test_a_chip_that_sits_well(part_id):
    assert judge_seating(*states_of(part_id)).good


@pytest.mark.parametrize("part_id", PART_IDS)
def test_an_empty_socket(part_id):
    assert judge_seating(*states_of(part_id, empty=True)).missing


@pytest.mark.parametrize("part_id", PART_IDS)
def test_a_reversed_chip(part_id):
    found = judge_seating(*states_of(part_id, placement=Placement(reversed=True)))
    assert found.reversed
    assert not found.missing


@given(st.sampled_from(PART_IDS), st.data())
def test_one_folded_pin_is_named(part_id, data):
    part = PARTS.get(part_id)
    pin = data.draw(
        st.sampled_from(
            [
                n
                for n in range(1, len(part.pins) + 1)
                if n not in part.ground_pins and part.pins[n - 1] != "NC"
            ]
        )
    )
    found = judge_seating(*states_of(part_id, faults={pin: ContactFault.OPEN}))
    assert [(fault.pin, fault.signal, fault.state) for fault in found.faults] == [
        (pin, part.signal_of(pin), PinState.OPEN)
    ]


def test_a_shorted_pin_is_named_in_words():
    found = judge_seating(*states_of("st-m27c512", faults={10: ContactFault.SHORT_TO_GROUND}))
    assert [fault.words for fault in found.faults] == ["pin 10 (A0): shorted to ground"]


@pytest.mark.parametrize("rows", [1, 2, 3])
def test_a_chip_that_sits_too_high_looks_missing_until_one_looks_there(rows):
    # Socket pin 1 is at the top; the simulator counts a shift towards the bottom as positive.
    fit, states = states_of("st-m27c512", placement=Placement(shift=-rows))
    assert judge_seating(fit, states).missing
    there = fit_directly(fit.part, Identity(socket_pins=48), rows_up=rows)
    socket = Socket(48, Chip(fit.part, seed=1), placement=Placement(shift=-rows))
    grounds = tuple(there.socket_pin(pin) for pin in fit.part.ground_pins)
    assert judge_seating(there, socket.contact(grounds)).good


def test_unconnected_pins_say_nothing():
    part = PARTS.get("st-m27c64a")
    assert "NC" in part.pins
    assert judge_seating(*states_of("st-m27c64a")).good


def test_pins_that_were_not_tested_are_no_fault():
    fit, states = states_of("st-m27c512")
    seen = [PinState.NOT_TESTED if index % 3 else state for index, state in enumerate(states)]
    assert judge_seating(fit, seen).good


def test_words_for_an_open_pin():
    found = judge_seating(*states_of("st-m27c512", faults={24: ContactFault.OPEN}))
    assert found.faults[0].words.startswith("pin 24 (A9): no contact")
    assert replace(found, faults=()).good
