"""How chips sit, and what a pin check finds."""

import pytest

from daemon.catalogue.loader import Catalogue
from protocol.wire import PinState
from simulator.chip.chip import Chip
from simulator.socket import ContactFault, Placement, Socket


def states(socket: Socket, *grounds: int) -> dict[PinState, set[int]]:
    found: dict[PinState, set[int]] = {}
    for pin, state in enumerate(socket.contact(grounds), 1):
        found.setdefault(state, set()).add(pin)
    return found


def test_smaller_packages_sit_at_the_bottom(parts: Catalogue) -> None:
    # JEDEC: pin n of 28 in pin n + 2 of 32 (Fairchild NM27C256 sheet, page 1); ground meets ground, VCC
    # (28) meets pin 30.
    socket = Socket(32, Chip(parts.get("st-m27c512")))
    contacts = socket.contacts()
    assert contacts[14] == 16
    assert contacts[28] == 30
    assert contacts[1] == 3
    assert socket.chip_pin(1) is None
    assert socket.chip_pin(32) is None


def test_a_turned_chip_swaps_ground_and_vcc(parts: Catalogue) -> None:
    socket = Socket(28, Chip(parts.get("st-m27c512")), placement=Placement(reversed=True))
    assert socket.chip_pin(14) == 28
    assert socket.chip_pin(28) == 14
    assert socket.chip_pin(1) == 15


def test_a_shifted_chip_moves_both_rows_the_same_way(parts: Catalogue) -> None:
    socket = Socket(32, Chip(parts.get("st-m27c512")), placement=Placement(shift=-1))
    assert socket.contacts()[14] == 15
    assert socket.contacts()[15] == 18
    over_the_end = Socket(28, Chip(parts.get("st-m27c512")), placement=Placement(shift=1))
    assert 14 not in over_the_end.contacts()
    assert 15 not in over_the_end.contacts()
    assert over_the_end.contacts()[13] == 14


def test_a_chip_must_fit(parts: Catalogue) -> None:
    with pytest.raises(ValueError, match="does not go into 24"):
        Socket(24, Chip(parts.get("st-m27c512")))
    with pytest.raises(ValueError, match="pins 1 to 28, not 29"):
        Socket(28, faults={29: ContactFault.OPEN})
    with pytest.raises(ValueError, match="not 27"):
        Socket(27)


# Pin check


def test_a_good_chip_shows_on_every_connected_pin(parts: Catalogue) -> None:
    # Pin 30 of a 27C010 is not connected (M27C1001 sheet).
    assert states(Socket(32, Chip(parts.get("st-m27c1001"))), 16) == {
        PinState.CHIP: set(range(1, 33)) - {30},
        PinState.OPEN: {30},
    }
    smaller = states(Socket(32, Chip(parts.get("st-m27c512"))), 16)
    assert smaller == {PinState.CHIP: set(range(3, 31)), PinState.OPEN: {1, 2, 31, 32}}


def test_both_grounds_of_a_wide_part_count(parts: Catalogue) -> None:
    part = parts.get("st-m27c160")
    assert part.ground_pins == (12, 31)  # M27C160 sheet
    assert states(Socket(42, Chip(part)), 12, 31) == {PinState.CHIP: set(range(1, 43))}
    one_folded = Socket(42, Chip(part), faults={12: ContactFault.OPEN})
    assert states(one_folded, 12, 31)[PinState.OPEN] == {12}


def test_an_empty_socket_is_open() -> None:
    assert states(Socket(32), 16) == {PinState.OPEN: set(range(1, 33))}


def test_a_turned_chip_shows_diodes_the_other_way(parts: Catalogue) -> None:
    found = states(Socket(28, Chip(parts.get("st-m27c512")), placement=Placement(reversed=True)), 14)
    # Pins that stand more than VCC have no diode to it: /OE|VPP (22, now at 8) and A9 (24, now at 10).
    assert found == {PinState.REVERSED: set(range(1, 29)) - {8, 10}, PinState.OPEN: {8, 10}}


def test_a_chip_one_pin_up_shows_nothing_at_the_ground_pin(parts: Catalogue) -> None:
    socket = Socket(32, Chip(parts.get("st-m27c512")), placement=Placement(shift=-1))
    assert states(socket, 16) == {PinState.OPEN: set(range(1, 33))}


def test_a_chip_one_pin_down_shows_only_its_ground_and_vcc(parts: Catalogue) -> None:
    part = parts.get("st-m27c256b")
    socket = Socket(32, Chip(part), placement=Placement(shift=1))
    # Its D2 (13) stands on the socket's ground (16). D2 conducts to VCC, and its ground to D2.
    assert socket.chip_pin(16) == part.pin_number("D2")
    found = states(socket, 16)
    assert found[PinState.CHIP] == {29}
    assert found.get(PinState.REVERSED, set()) == set()  # its ground hangs over the end


def test_contact_faults_are_named(parts: Catalogue) -> None:
    faults = {
        5: ContactFault.OPEN,
        9: ContactFault.SHORT_TO_GROUND,
        11: ContactFault.SHORT_TO_VCC,
    }
    socket = Socket(28, Chip(parts.get("st-m27c512")), faults=faults, bridges=[(20, 21), (21, 22)])
    found = states(socket, 14)
    assert found[PinState.OPEN] == {5}
    assert found[PinState.SHORT_TO_GROUND] == {9}
    assert found[PinState.SHORT_TO_VCC] == {11}
    assert found[PinState.BRIDGED] == {20, 21, 22}
    assert found[PinState.CHIP] == set(range(1, 29)) - {5, 9, 11, 20, 21, 22}


def test_a_folded_ground_pin_hides_the_whole_chip(parts: Catalogue) -> None:
    socket = Socket(28, Chip(parts.get("st-m27c512")), faults={14: ContactFault.OPEN})
    assert states(socket, 14) == {PinState.OPEN: set(range(1, 29))}
