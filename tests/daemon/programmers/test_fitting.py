"""A part in a socket, and the descriptor made from it."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.catalogue.loader import Catalogue
from daemon.errors import BenchError, Code
from daemon.programmers.fitting import can_identify, describe, fit_directly
from protocol.descriptor import LoopKind, SignatureMethod, decode_descriptor, encode_descriptor
from protocol.wire import Capability, Level, Mode
from tests.support.identities import FULL

PARTS = Catalogue()
WRITABLE = [part.id for part in PARTS if part.write is not None and part.package.startswith("DIP")]


def test_28_pins_sit_two_lower_in_32():
    # JEDEC byte-wide families are bottom-justified: pin n of 28 in pin n + 2 of 32. Fairchild NM27C128 and
    # NM27C256 data sheets (July 1998), page 1, compatibility diagram.
    fit = fit_directly(PARTS.get("st-m27c512"), replace(FULL, socket_pins=32))
    assert [fit.socket_pin(pin) for pin in (1, 14, 15, 28)] == [3, 16, 17, 30]


def test_24_pins_sit_two_lower_in_28():
    # The same diagram, one step down.
    fit = fit_directly(PARTS.get("st-m2716"), replace(FULL, socket_pins=28))
    assert [fit.socket_pin(pin) for pin in (1, 12, 13, 24)] == [3, 14, 15, 26]


@given(st.sampled_from(WRITABLE), st.sampled_from([32, 40, 42, 48]))
def test_socket_pin_and_package_pin_are_inverse(part_id, socket):
    part = PARTS.get(part_id)
    if len(part.pins) > socket:
        with pytest.raises(BenchError) as caught:
            fit_directly(part, replace(FULL, socket_pins=socket))
        assert caught.value.code is Code.PART_DOES_NOT_FIT
        return
    fit = fit_directly(part, replace(FULL, socket_pins=socket))
    assert all(fit.package_pin(fit.socket_pin(pin)) == pin for pin in range(1, len(part.pins) + 1))


@pytest.mark.parametrize("part_id", WRITABLE)
def test_every_writable_part_has_a_descriptor_that_survives_the_wire(part_id):
    descriptor = describe(fit_directly(PARTS.get(part_id), FULL), FULL)
    packed = encode_descriptor(descriptor)
    assert decode_descriptor(packed) == descriptor
    # SPEC.md section 5: a device may hold as little as 256 bytes, or more if it says so.
    assert len(packed) <= 400


def test_m27c512_by_its_sheet():
    # STMicroelectronics M27C512, November 1998: pin 22 is G/VPP, programming VCC 6.25 V, VPP 12.75 V, 100 us
    # pulse on E, 25 pulses at most, signature 20h, 3Dh by 12 V on A9 (pin 24).
    identity = replace(FULL, socket_pins=28)
    descriptor = describe(fit_directly(PARTS.get("st-m27c512"), identity), identity)
    assert descriptor.supplies.vcc_program_mv == 6250
    assert descriptor.supplies.vpp_program_mv == 12750
    assert (descriptor.loop.kind, descriptor.loop.pulse_ns, descriptor.loop.max_pulses) == (
        LoopKind.VERIFY_EACH_PULSE,
        100_000,
        25,
    )
    program = dict(zip(descriptor.control_pins, descriptor.modes[Mode.PROGRAM], strict=True))
    signature = dict(zip(descriptor.control_pins, descriptor.modes[Mode.SIGNATURE], strict=True))
    assert program[22] is Level.VPP
    assert program[20] is Level.PULSE_LOW
    assert signature[24] is Level.ID
    assert program[24] is Level.ADDRESS


def test_without_id_voltage_the_signature_is_left_out():
    identity = replace(FULL, capabilities=~Capability.ID_VOLTAGE)
    fit = fit_directly(PARTS.get("st-m27c512"), identity)
    descriptor = describe(fit, identity)
    assert descriptor.signature is None
    assert Mode.SIGNATURE not in descriptor.modes
    assert not can_identify(fit, identity)


def test_signature_by_command_needs_no_id_voltage():
    identity = replace(FULL, capabilities=~Capability.ID_VOLTAGE)
    part = PARTS.get("sst-39sf040")
    descriptor = describe(fit_directly(part, identity), identity)
    assert descriptor.signature is not None
    assert descriptor.signature.method is SignatureMethod.COMMAND


def test_a_pin_that_cannot_have_vpp_is_named():
    identity = replace(FULL, socket_pins=28, vpp_pins=frozenset({1}))
    with pytest.raises(BenchError) as caught:
        describe(fit_directly(PARTS.get("st-m27c512"), identity), identity)
    assert caught.value.code is Code.PROGRAMMER_CANNOT
    assert caught.value.details == {"package_pin": 22, "socket_pin": 22, "signal": "/OE|VPP"}


def test_margin_modes_are_not_sent():
    part = PARTS.get("st-m27c512")
    descriptor = describe(fit_directly(part, FULL), FULL)
    assert not {Mode.MARGIN_SET, Mode.MARGIN_RESET} & descriptor.modes.keys()
