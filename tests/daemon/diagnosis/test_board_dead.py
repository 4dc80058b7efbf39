"""It verifies and the board is dead: what is said of supply, speed, pins and limits."""

from daemon.catalogue.loader import Catalogue
from daemon.diagnosis.board_dead import BoardNeeds, Look, walk
from simulator.programmer.profile import full, modest

PARTS = Catalogue()


def points(part_id, identity=None, **needs):
    found = walk(PARTS.get(part_id), BoardNeeds(**needs), identity)
    return {each.code: each for each in found}


def test_a_chip_that_is_too_slow_is_told_with_the_grades_that_would_do():
    """M27C512 grades (ST sheet): 45 ns to 250 ns."""
    found = points("st-m27c512", access_ns=150, grade_ns=200)["access-time"]
    assert found.verdict is Look.WRONG
    assert "150 ns" in found.words
    assert "200 ns" in found.words
    assert points("st-m27c512", access_ns=250, grade_ns=200)["access-time"].verdict is Look.WELL
    assert points("st-m27c512")["access-time"].verdict is Look.TO_DO


def test_the_supply_is_held_against_the_parts_own_band():
    assert points("st-m27c64a", vcc_v=4.2)["supply"].verdict is Look.WRONG
    well = points("st-m27c64a", vcc_v=4.9)
    assert well["supply"].verdict is Look.WELL
    assert "4.90 V" in well["supply-check"].words
    assert "pin 28" in points("st-m27c64a")["supply"].words


def test_pins_are_named_with_what_the_board_must_give_them():
    words = points("st-m27c64a")["control-pins"].words
    assert "pin 1 (VPP)" in words
    assert "pin 20 (/E)" in words or "pin 20 (/CE)" in words


def test_only_parts_with_a_write_pin_are_asked_about_it():
    assert "write-enable" not in points("st-m27c64a")
    # 28C256: /WE is pin 27, where a 27C256 has A14 (AT28C256, M27C256B pinouts).
    assert "Pin 27" in points("atmel-at28c256")["write-enable"].words


def test_what_the_programmer_cannot_see_is_said_with_its_own_figures():
    assert points("st-m27c64a")["limits"].verdict is Look.LIMIT
    coarse = points("st-m27c64a", modest().identity, access_ns=150)["limits"].words
    assert "250 ns" in coarse
    assert "too coarse" in coarse
    assert "25 ns" in points("st-m27c64a", full().identity, access_ns=150)["limits"].words


def test_every_point_has_words_that_end():
    for part in list(PARTS)[::9]:
        for point in walk(part, BoardNeeds(), None):
            assert point.words.endswith("."), point
