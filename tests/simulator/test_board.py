"""The judge of boards by itself: what it must notice, from wirings written down here."""

import hashlib

import numpy as np
import pytest

from daemon.catalogue.loader import Catalogue
from simulator.board import PlayedBoard
from simulator.board_wiring import BoardWiring, demo_wiring
from simulator.chip.chip import Chip
from simulator.socket import Placement

CATALOGUE = Catalogue()
DATA = hashlib.shake_256(b"board").digest(0x2000)

# A 27C64 (pins: chip facts, section 5) at 2000 to 3FFF.
WIRING = """
name = "One chip"
[buses.cpu]
address_lines = 16
data_lines = 8
access_ns = 200
[[sockets]]
label = "U1"
bus = "cpu"
select = { mask = 0xE000, match = 0x2000 }
pins = "VCC A12 A7 A6 A5 A4 A3 A2 A1 A0 D0 D1 D2 GND D3 D4 D5 D6 D7 /SEL A10 /RD A11 A9 A8 OPEN VCC VCC"
[[image]]
bus = "cpu"
first = 0x2000
last = 0x3FFF
"""


def chip(part: str = "st-m27c64a", data: bytes = DATA, **options: float) -> Chip:
    made = Chip(CATALOGUE.get(part), 5, access_ns=options.get("access_ns", 100))
    kind = "<u2" if made.part.word_bytes == 2 else np.uint8
    made.program_at_maker(np.frombuffer(data, dtype=kind).astype(np.uint16))
    return made


def board(text: str = WIRING, **chips: Chip) -> PlayedBoard:
    return PlayedBoard(BoardWiring.from_toml(text), chips)


def test_a_chip_reads_where_it_is_decoded_and_nowhere_else() -> None:
    played = board(U1=chip())
    assert played.rebuild() == DATA
    assert played.read("cpu", 0x2010, 0x201F) == DATA[0x10:0x20]
    assert played.faults == []
    assert played.read("cpu", 0x4000, 0x400F) == b"\xff" * 16
    assert "nothing drives" in played.faults[0]


def test_an_empty_socket_reads_ones() -> None:
    played = board()
    assert played.rebuild() == b"\xff" * 0x2000
    assert "nothing drives all lines of bus cpu at 0x2000" in played.faults


def test_lines_that_change_places_change_content() -> None:
    swapped = WIRING.replace("A1 A0 D0 D1", "A0 A1 D1 D0")
    read = board(swapped, U1=chip()).rebuild()
    for at in range(0x2000):
        byte = DATA[at & ~3 | (at & 1) << 1 | (at & 2) >> 1]
        assert read[at] == byte & ~3 | (byte & 1) << 1 | (byte & 2) >> 1


def test_a_slow_chip_shows_what_it_had_before() -> None:
    assert board(U1=chip(access_ns=200)).rebuild() == DATA
    played = board(U1=chip(access_ns=400))
    read = played.rebuild()
    assert read == b"\xff" + DATA[:-1]  # 0.8 of 400 ns is late for every output
    assert "U1 is too slow: it needs 400 ns, the board waits 200 ns" in played.faults
    some = board(U1=chip(access_ns=230)).rebuild()
    assert some != DATA
    assert all(got & DATA[at] | got & DATA[at - 1] == got for at, got in enumerate(some[1:], 1))
    late = WIRING.replace("select =", "select_ns = 101\nselect =")
    assert board(late, U1=chip(access_ns=110)).rebuild() != DATA


def test_two_chips_on_one_bus_fight() -> None:
    second = WIRING[WIRING.index("[[sockets]]") : WIRING.index("[[image]]")].replace("U1", "U2")
    other = bytes(reversed(DATA))
    played = board(WIRING + second, U1=chip(), U2=chip(data=other))
    assert played.rebuild() == bytes(one & two for one, two in zip(DATA, other, strict=True))
    assert any("U2 and another chip drive the same lines" in fault for fault in played.faults)


def test_chips_that_are_wrong_or_turned_do_not_read() -> None:
    # A 28C256 in a socket for a 27C64: its A14 has VCC, its A13 is open, its /WE is high.
    assert board(U1=chip("atmel-at28c256", DATA * 4)).rebuild() == DATA
    assert board(U1=chip("atmel-at28c256", bytes(0x4000) + DATA * 2)).rebuild() == DATA
    assert board(U1=chip("atmel-at28c256", DATA * 2 + bytes(0x4000))).rebuild() == bytes(0x2000)
    turned = PlayedBoard(BoardWiring.from_toml(WIRING), {"U1": chip()}, {"U1": Placement(reversed=True)})
    assert turned.rebuild() == b"\xff" * 0x2000
    assert any("no data" in fault for fault in turned.faults)


def test_write_enable_on_an_address_line_is_noticed() -> None:
    # A 28C256 in a position for a 27C256: its write enable is on pin 27, where the board has A14.
    text = WIRING.replace("0xE000, match = 0x2000", "0x8000, match = 0x8000")
    text = text.replace("OPEN VCC VCC", "A13 A14 VCC").replace("0x2000", "0x8000").replace("0x3FFF", "0xFFFF")
    data = hashlib.shake_256(b"wrong place").digest(0x8000)
    played = board(text, U1=chip("atmel-at28c256", data))
    assert played.rebuild() != data
    assert played.faults
    assert board(text, U1=chip("st-m27c256b", data)).rebuild() == data


def test_too_much_voltage_destroys() -> None:
    played = board("vcc_v = 12.0\n" + WIRING, U1=chip())
    played.rebuild()
    assert any("U1 is destroyed" in fault for fault in played.faults)


def test_a_small_chip_sits_at_the_bottom_of_a_large_socket() -> None:
    # A 2764 in a 32-pin position for a 27C010: pin n in socket pin n + 2 (JEDEC rule, chip facts, section 5).
    wide = WIRING.replace('pins = "', 'pins = "OPEN OPEN ').replace('VCC VCC"', 'VCC VCC OPEN OPEN"')
    assert board(wide, U1=chip()).rebuild() == DATA


def test_bytes_of_wide_words_come_in_the_order_of_the_bus() -> None:
    text = """
name = "Wide"
[buses.cpu]
address_lines = 17
data_lines = 16
byte_order = "ORDER"
access_ns = 200
[[sockets]]
label = "U1"
bus = "cpu"
pins = '''VCC /SEL D15 D14 D13 D12 D11 D10 D9 D8 GND D7 D6 D5 D4 D3 D2 D1 D0 /RD
A1 A2 A3 A4 A5 A6 A7 A8 A9 GND A10 A11 A12 A13 A14 A15 A16 OPEN VCC VCC'''
[[image]]
bus = "cpu"
first = 0
last = 0x1FFFF
"""
    data = hashlib.shake_256(b"wide").digest(0x20000)
    little = board(text.replace("ORDER", "little"), U1=chip("amd-am27c1024", data)).rebuild()
    big = board(text.replace("ORDER", "big"), U1=chip("amd-am27c1024", data)).rebuild()
    assert little == data
    assert big[::2] == data[1::2]
    assert big[1::2] == data[::2]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("A12 A7", "A16 A7", "no net A16"),
        ("D0 D1", "D8 D1", "no net D8"),
        ("/SEL", "/CE", "no net /CE"),
        ('bus = "cpu"\nselect', 'bus = "io"\nselect', 'bus "io"'),
        ("VCC A12", "A12", "27 pins"),
        ("last = 0x3FFF", "last = 0x1FFFF", "no addresses"),
    ],
)
def test_wirings_that_cannot_be(old: str, new: str, said: str) -> None:
    assert old in WIRING
    with pytest.raises(ValueError, match=said):
        BoardWiring.from_toml(WIRING.replace(old, new))


def test_names_that_lead_nowhere() -> None:
    with pytest.raises(LookupError, match="U7"):
        board(U7=chip())
    with pytest.raises(LookupError, match="no demo board"):
        demo_wiring("../secret")
    assert [socket.label for socket in demo_wiring("tern-16").sockets] == ["U10", "U11"]
