"""Words written ahead of time against the same words written cycle by cycle: chip, times, answers.

Both worlds have a modelled chip and true pins. In one the bus foresees nothing, so that each write cycle is
given and polled by itself; that one is held to the data sheets in `chip/test_commands.py` and to the wire in
`test_loops.py`.
"""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from protocol.messages import Copy, Fill, Program
from protocol.wire import Opcode, Pass
from simulator.supplies import SupplyName, SupplyTrouble
from tests.simulator.programmer.course_world import (
    DIE_WORDS,
    EEPROM,
    FLASH,
    SST,
    ChipRig,
    Deed,
    World,
    agree,
    deadlines_s,
    fall_silent,
)

NONE = 0xFFFF_FFFF


# What a hand or a host can do in the middle


def abort(rig: ChipRig) -> None:
    rig.control(Opcode.ABORT)


def greet(rig: ChipRig) -> None:
    rig.hello()


def look(rig: ChipRig) -> None:
    rig.control(Opcode.KEEPALIVE)


def reset(rig: ChipRig) -> None:
    rig.device.reset(rig.now_s)


def lift_the_lever(rig: ChipRig) -> None:
    rig.device.open_socket(rig.now_s)


def swap(rig: ChipRig) -> None:
    rig.device.insert(rig.world.chip(99), rig.now_s)


def pull(rig: ChipRig) -> None:
    rig.device.remove(rig.now_s)


def sag_a_little(rig: ChipRig) -> None:
    rig.device.afflict(SupplyName.VCC, SupplyTrouble(source_ohm=1.0), rig.now_s)


def sag_too_far(rig: ChipRig) -> None:
    rig.device.afflict(SupplyName.VCC, SupplyTrouble(source_ohm=40.0), rig.now_s)


def drift(rig: ChipRig) -> None:
    rig.device.afflict(SupplyName.VCC, SupplyTrouble(drift_v_per_s=-30.0), rig.now_s)


def drift_and_sag(rig: ChipRig) -> None:
    rig.device.afflict(SupplyName.VCC, SupplyTrouble(source_ohm=1.0, drift_v_per_s=-2.0), rig.now_s)


def sag_then_abort(rig: ChipRig) -> None:
    sag_a_little(rig)
    rig.advance(0.0001)
    abort(rig)


def swap_then_abort(rig: ChipRig) -> None:
    swap(rig)
    abort(rig)


DEEDS = [
    abort,
    greet,
    look,
    fall_silent,
    reset,
    lift_the_lever,
    swap,
    pull,
    sag_a_little,
    sag_too_far,
    drift,
    drift_and_sag,
    sag_then_abort,
    swap_then_abort,
]


@st.composite
def worlds(draw: st.DrawFn) -> World:
    part_id = draw(st.sampled_from([FLASH, FLASH, EEPROM, SST]))
    sound = {"part_id": part_id, "seed": draw(st.integers(0, 5)), "sensor": draw(st.booleans())}
    trouble: dict[str, Any] = draw(
        st.sampled_from(
            [
                {},
                {},
                {},
                {"locked": True},
                {"stuck": (draw(st.integers(0, 255)), draw(st.integers(0, 7)))},
                {"holds": draw(st.integers(0, 255))},
                {"open_pin": draw(st.integers(1, 28))},
                {"bridge": (draw(st.integers(1, 28)), draw(st.integers(1, 28)))},
                {"chip_id": draw(st.sampled_from([FLASH, SST, EEPROM, "atmel-at28c256"]))},
                {"polls": False},
                {"cycle_us": draw(st.sampled_from([5, 14, 840]))},
                {"part_id": EEPROM, "die_words": 64},
            ]
        )
    )
    return World(**{**sound, **trouble})


@st.composite
def streams(draw: st.DrawFn, die_words: int) -> list[Any]:
    """One to three requests, which may run over the die's end and over each other."""
    requests: list[Any] = []
    for op in range(1, draw(st.integers(1, 3)) + 1):
        address = draw(st.integers(0, die_words + 40))
        count = draw(st.integers(1, 200))
        match draw(st.sampled_from(["program", "program", "fill", "copy"])):
            case "program":
                data = draw(st.one_of(st.binary(min_size=count, max_size=count), st.just(bytes(count))))
                requests.append(Program(op, address, Pass.FULL, data))
            case "fill":
                requests.append(Fill(op, address, count, Pass.FULL, draw(st.integers(0, 255))))
            case "copy":
                source = draw(st.integers(0, die_words))
                requests.append(Copy(op, address, min(count, 20), Pass.FULL, source))
    return requests


@pytest.mark.no_cover
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_ahead_of_time_is_as_cycle_by_cycle_whatever_comes_between(data: st.DataObject) -> None:
    world = data.draw(worlds())
    requests = data.draw(streams(world.die_words or min(2048, DIE_WORDS[world.part_id])))
    deed = data.draw(st.sampled_from([None, *DEEDS]))
    at_s = 0.0
    if deed is not None:
        due_s = deadlines_s(world, requests)
        # At the very moment at which a unit ends, just before, just after, or in the middle.
        at_s = data.draw(st.sampled_from(due_s)) + data.draw(st.sampled_from([0.0, 1e-9, -1e-9, 7e-5]))
    agree(world, requests, deed, at_s)


@pytest.mark.no_cover
@pytest.mark.parametrize("deed", DEEDS)
@pytest.mark.parametrize("part_id", [FLASH, EEPROM])
def test_each_interruption_in_the_middle_of_a_block(part_id: str, deed: Deed) -> None:
    requests = [Program(1, 0, Pass.FULL, bytes(range(1, 201)))]
    due_s = deadlines_s(World(part_id), requests)
    middle_s = due_s[len(due_s) // 2]
    for sensor in (True, False):
        for off_s in (0.0, 3e-5):
            agree(World(part_id, sensor=sensor), requests, deed, middle_s + off_s)
