"""Chips that nobody has named, examined on the virtual bench in virtual time.

What a chip is and which pile it belongs to comes from its own data sheet and from the pinouts of the facts
file (27512: A15 on pin 1 where a 27256 has VPP; 2732: A11 on pin 21 where a 2716 has VPP; 28C64: pin 26 not
connected, RDY on pin 1), never from what the code answers.
"""

import random

import numpy as np
import pytest

from daemon.store.model import JobState, StepState
from simulator.programmer.profile import modest
from simulator.socket import ContactFault, Placement, Socket
from simulator.stock import Stock, make_socket
from tests.support.drawer_bench import DrawerBench, chip_of
from tests.support.virtual_bench import PARTS, virtual_bench

DENSE = random.Random(27512).randbytes(1 << 19)
NO = {"id_voltage": False, "write_cycles": False}


def numbers(job):
    assert job.state is JobState.SUCCEEDED, job.outcome
    return job.outcome["numbers"]


def likely(job):
    return {row["part"] for row in numbers(job)["candidates"] if row["likely"]}


def safe(desk):
    """Nothing above the supply came near the chip, and everything is off."""
    return desk.id_switch_ons == 0 and desk.chip.damage is None and desk.bench.supplies_off


# Full of content


def test_a_27c512_is_told_from_smaller_ones_without_any_high_voltage(on_bench):
    with on_bench(chip_of("st-m27c512", DENSE[:65536])) as desk:
        job = desk.examine(package_pins=28, window=True, answers=NO)
        found = numbers(job)
        assert "st-m27c512" in likely(job)
        assert {PARTS.get(part).size_bytes for part in likely(job)} == {65536}
        assert found["true_size_bytes"] == 65536
        # STMicroelectronics M27C512, November 1998: 15 W-sec/cm2.
        assert (found["pile"], found["pile_certain"]) == ("erase-15", True)
        assert desk.bench.kept == [DENSE[:65536]]
        assert safe(desk)
        assert [question.code for question in desk.questions.asked] == ["id-voltage"]


def test_the_content_is_kept_before_anybody_is_asked_for_more(on_bench):
    with on_bench(chip_of("st-m27c512", DENSE[:65536])) as desk:
        kept_when_asked = []
        desk.before_answer = lambda: kept_when_asked.append(list(desk.bench.kept))
        desk.examine(package_pins=28, window=True, answers=NO)
        assert kept_when_asked == [[DENSE[:65536]]]


def test_with_consent_it_names_itself(on_bench):
    with on_bench(chip_of("st-m27c512", DENSE[:65536])) as desk:
        job = desk.examine(package_pins=28, window=True, answers={"id_voltage": True})
        # M27C512: manufacturer code 20h, device code 3Dh.
        assert numbers(job)["signature"] == {
            "method": "id-voltage",
            "maker": 0x20,
            "device": 0x3D,
            "parts": ["st-m27c512"],
        }
        assert likely(job) == {"st-m27c512"}
        assert desk.chip.damage is None


def test_consent_given_beforehand_is_not_asked_for(on_bench):
    with on_bench(chip_of("st-m27c512", DENSE[:65536])) as desk:
        job = desk.examine(package_pins=28, window=True, allow_id_voltage=True)
        assert numbers(job)["signature"]["device"] == 0x3D
        assert desk.questions.asked == []
        job = desk.examine(package_pins=28, window=True, allow_id_voltage=False)
        assert numbers(job)["signature"] is None
        assert desk.questions.asked == []


def test_a_27c256_under_the_label_of_a_27c512(on_bench):
    with on_bench(chip_of("st-m27c256b", DENSE[:32768])) as desk:
        job = desk.examine(package_pins=28, window=True, marking="27C512", answers=NO)
        found = numbers(job)
        assert found["true_size_bytes"] == 32768
        assert found["remarked"] is True
        assert "st-m27c256b" in likely(job)
        assert {PARTS.get(part).size_bytes for part in likely(job)} == {32768}
        assert desk.bench.kept == [DENSE[:32768]]
        assert any("27C512" in words and "twice" in words for words in found["evidence"])
        assert found["pile"] == "erase-15"


def test_its_own_name_gives_the_remarked_chip_away(on_bench):
    with on_bench(chip_of("st-m27c256b", DENSE[:32768])) as desk:
        job = desk.examine(package_pins=28, window=True, marking="27C512", answers={"id_voltage": True})
        # M27C256B: 20h, 8Dh.
        assert numbers(job)["signature"]["device"] == 0x8D
        assert numbers(job)["remarked"] is True
        assert numbers(job)["half_size"] is False


def test_a_die_of_half_the_size_that_names_itself_as_the_whole(on_bench):
    chip = chip_of("st-m27c512", DENSE[:32768], die_words=32768)
    with on_bench(chip) as desk:
        job = desk.examine(package_pins=28, window=True, marking="M27C512-10F1", answers={"id_voltage": True})
        found = numbers(job)
        assert found["signature"]["device"] == 0x3D
        assert found["true_size_bytes"] == 32768
        assert (found["half_size"], found["remarked"]) == (True, False)
        assert any("32 KiB" in words for words in found["evidence"])


def test_content_that_really_stands_twice_is_not_called_a_fake_outright(on_bench):
    with on_bench(chip_of("st-m27c512", DENSE[:32768] * 2)) as desk:
        job = desk.examine(package_pins=28, window=True, answers=NO)
        rows = {row["part"]: row for row in numbers(job)["candidates"]}
        assert rows["st-m27c512"]["doubts"]  # still a candidate, with what it would take for granted
        assert any("written so" in words for words in numbers(job)["evidence"])


def test_a_27c512_with_nothing_in_its_lower_half(on_bench):
    content = b"\xff" * 32768 + DENSE[:32768]
    with on_bench(chip_of("st-m27c512", content)) as desk:
        job = desk.examine(package_pins=28, window=True, answers=NO)
        assert {PARTS.get(part).size_bytes for part in likely(job)} == {65536}
        assert desk.bench.kept == [content]


@pytest.mark.no_cover
@pytest.mark.parametrize(
    ("part_id", "size", "pins"),
    [
        ("st-m2716", 2048, 24),
        ("st-m2732a", 4096, 24),
        ("ti-tms2532", 4096, 24),
        ("st-m27c64a", 8192, 28),
        ("st-m27128a", 16384, 28),
        ("intel-27256", 32768, 28),
        ("st-m27c1001", 131072, 32),
        ("hitachi-hn27c301", 131072, 32),
        ("st-m27c2001", 262144, 32),
        ("st-m27c1024", 131072, 40),
        pytest.param("st-m27c800", 1048576, 42, marks=pytest.mark.slow),
    ],
)
def test_windowed_parts_are_found_by_their_pins_and_size(on_bench, part_id, size, pins):
    content = (DENSE * 4)[:size] if size <= len(DENSE) else random.Random(1).randbytes(size)
    with on_bench(chip_of(part_id, content)) as desk:
        job = desk.examine(package_pins=pins, window=True, answers=NO)
        assert part_id in likely(job)
        assert {PARTS.get(part).size_bytes for part in likely(job)} == {size}
        assert numbers(job)["true_size_bytes"] == size
        assert desk.bench.kept == [content]
        assert safe(desk)


def test_a_dose_of_30_sends_it_to_the_longer_pile(on_bench):
    # STMicroelectronics M27C64A asks for 30 W-sec/cm2, other 27C64s for 15 (facts, section 1, item 3).
    with on_bench(chip_of("st-m27c64a", DENSE[:8192])) as desk:
        assert numbers(desk.examine(package_pins=28, window=True, answers=NO))["pile"] == "erase-30"
    with on_bench(chip_of("amd-am27c64", DENSE[:8192])) as desk:
        job = desk.examine(package_pins=28, window=True, answers={"id_voltage": True})
        assert numbers(job)["pile"] == "erase-15"


# Blank


def test_a_blank_chip_does_not_tell_its_size(on_bench):
    with on_bench(chip_of("st-m27c512")) as desk:
        job = desk.examine(package_pins=28, window=True, answers=NO)
        found = numbers(job)
        assert found["blank"] is True
        assert found["true_size_bytes"] is None
        assert found["pile"] == "keep"
        sizes = {PARTS.get(row["part"]).size_bytes for row in found["candidates"]}
        assert sizes >= {32768, 65536}
        assert any("FF" in words for words in found["evidence"])


def test_a_half_erased_chip_is_found_out_once_it_has_a_name(tmp_path):
    def change(socket: Socket) -> Socket:
        return make_socket(PARTS.get("st-m27c512"), Stock.HALF_ERASED, 1, socket_pins=socket.pin_count)

    with virtual_bench(tmp_path, "st-m27c512", change=change) as bench:
        desk = DrawerBench(bench)
        job = desk.examine(package_pins=28, window=True, answers={"id_voltage": True})
        # The M27C512's own lowest check is 4.2 V; the simulator leaves its bits just below 4.4 V.
        assert (numbers(job)["blank"], numbers(job)["pile"]) == (True, "erase-15")
        checks = {check["name"]: check for check in job.outcome["checks"]}
        assert checks["blank-check-low"]["verdict"] == "failed"
        assert checks["blank-check-low"]["vcc_v"] == pytest.approx(4.2)


# Without a window


def test_a_28c64_is_found_without_any_question(on_bench):
    with on_bench(chip_of("atmel-at28c64", DENSE[:8192])) as desk:
        before = desk.bench.held
        job = desk.examine(package_pins=28, window=False)
        assert "atmel-at28c64" in likely(job)
        assert {PARTS.get(part).kind.value for part in likely(job)} == {"eeprom"}
        assert numbers(job)["pile"] == "electrically-erasable"
        assert numbers(job)["pile_certain"] is True
        assert desk.questions.asked == []
        assert desk.bench.held == before
        assert safe(desk)


@pytest.mark.no_cover
@pytest.mark.parametrize("part_id", ["atmel-at28c256", "atmel-at28c64", "atmel-at28c16", "atmel-at29c256"])
def test_no_way_of_reading_writes_to_a_part_with_a_write_enable(on_bench, part_id):
    part = PARTS.get(part_id)
    content = DENSE[: part.size_bytes]
    with on_bench(chip_of(part_id, content)) as desk:
        job = desk.examine(package_pins=len(part.pins), answers=NO)
        assert part_id in likely(job)
        assert desk.bench.held == content
        assert desk.bench.kept == [content]


@pytest.mark.no_cover
def test_a_39sf010a_names_itself_by_a_command_at_its_own_supply(on_bench):
    content = random.Random(39).randbytes(1 << 17)
    with on_bench(chip_of("sst-39sf010a", content)) as desk:
        job = desk.examine(package_pins=32, window=False, answers={"write_cycles": True})
        # SST39SF010A: manufacturer BFH, device B5H.
        assert numbers(job)["signature"] == {
            "method": "command",
            "maker": 0xBF,
            "device": 0xB5,
            "parts": ["sst-39sf010a"],
        }
        assert numbers(job)["pile"] == "electrically-erasable"
        assert desk.bench.held == content
        assert desk.id_switch_ons == 0


def test_a_mask_rom_with_an_idle_pin_is_known_by_it(on_bench):
    with on_bench(chip_of("mask-23256", DENSE[:32768])) as desk:
        job = desk.examine(package_pins=28, window=False)
        assert likely(job) == {"mask-23256"}
        assert numbers(job)["pile"] == "keep"
        assert desk.questions.asked == []
        assert safe(desk)


def test_a_mask_rom_that_could_be_an_eprom_survives_a_no(on_bench):
    with on_bench(chip_of("mask-23512", DENSE[:65536])) as desk:
        job = desk.examine(package_pins=28, window=False, answers=NO)
        assert {"mask-23512", "st-m27c512"} <= likely(job)
        assert numbers(job)["pile_certain"] is False
        question = next(q for q in desk.questions.asked if q.code == "id-voltage")
        assert "mask-23512" in question.numbers["at_risk"]
        assert desk.bench.kept == [DENSE[:65536]]
        assert safe(desk)


def test_a_yes_can_kill_it_and_what_it_held_is_kept(on_bench):
    with on_bench(chip_of("mask-23512", DENSE[:65536])) as desk:
        job = desk.examine(package_pins=28, window=False, answers={"id_voltage": True, "write_cycles": False})
        assert desk.chip.damage is not None
        assert numbers(job)["pile"] == "reject"
        assert desk.bench.kept == [DENSE[:65536]]
        assert desk.bench.supplies_off


# Not to be powered


@pytest.mark.parametrize(
    ("placement", "code"),
    [(Placement(reversed=True), "chip-reversed"), (Placement(shift=-1), "chip-shifted")],
)
@pytest.mark.parametrize("part_id", ["st-m27c512", "mask-23256", "atmel-at28c64"])
def test_a_badly_seated_chip_is_never_powered(on_bench, part_id, placement, code):
    with on_bench(chip_of(part_id, DENSE[: PARTS.get(part_id).size_bytes]), placement) as desk:
        job = desk.examine(package_pins=28)
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, code)
        assert desk.never_powered
        assert {step.name: step.state for step in job.steps}["trial-reads"] is StepState.SKIPPED


def test_an_empty_socket(on_bench):
    with on_bench(None) as desk:
        job = desk.examine(package_pins=28)
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "chip-missing")
        assert desk.never_powered


@pytest.mark.parametrize(("part_id", "said"), [("st-m27c512", 24), ("st-m2716", 28), ("st-m27c1001", 28)])
def test_a_chip_with_another_number_of_pins_than_was_said(on_bench, part_id, said):
    with on_bench(chip_of(part_id)) as desk:
        job = desk.examine(package_pins=said)
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "pin-fault")
        assert str(len(PARTS.get(part_id).pins)) in job.outcome["summary"]
        assert desk.never_powered


def test_a_shorted_pin_is_never_powered(tmp_path):
    def change(socket: Socket) -> Socket:
        # Pin 26 of a 27C64 is not connected: even there a short is no place for a chip. Socket pin 36 of 48.
        return Socket(48, chip_of("st-m27c64a"), faults={36: ContactFault.SHORT_TO_GROUND})

    with virtual_bench(tmp_path, "st-m27c64a", change=change) as bench:
        desk = DrawerBench(bench)
        job = desk.examine(package_pins=28)
        assert job.outcome["code"] == "pin-fault"
        assert "pin 26" in job.outcome["summary"]
        assert desk.never_powered


def test_forty_pins_with_two_places_for_vcc_are_not_guessed_at(on_bench):
    # 27C400: VCC on pin 21, outputs on 13 to 29; 27C4002: VCC on pin 40, addresses on 21 to 39 (facts, 5).
    with on_bench(chip_of("st-m27c400", random.Random(4).randbytes(1 << 19))) as desk:
        job = desk.examine(package_pins=40, window=True)
        assert desk.never_powered
        assert numbers(job)["pile_certain"] is False
        assert all("output" in row["reason"] or "VCC" in row["reason"] for row in numbers(job)["reads"])


@pytest.mark.slow
def test_a_marking_says_which_of_two_risks_to_take(on_bench):
    content = random.Random(4).randbytes(1 << 19)
    with on_bench(chip_of("st-m27c400", content)) as desk:
        job = desk.examine(package_pins=40, window=True, marking="27C400", answers=NO)
        assert [row["pinout"] for row in numbers(job)["reads"] if row["bytes"]] == ["dip40_27c400"]
        assert desk.bench.kept == [content]
        assert likely(job) == {"st-m27c400"}


# The rest


def test_a_chip_that_reads_differently_from_time_to_time_is_rejected(tmp_path):
    def change(socket: Socket) -> Socket:
        chip = chip_of("st-m27c512")
        # Charge that leaves the thresholds at the read supply itself: each look differs.
        rows = np.arange(65536, dtype=np.uint32)
        chip.cells.put_thresholds_mv(rows, np.full_like(chip.cells.thresholds_mv(rows), 5000))
        return Socket(socket.pin_count, chip)

    with virtual_bench(tmp_path, "st-m27c512", change=change) as bench:
        job = DrawerBench(bench).examine(package_pins=28, window=True, answers=NO)
        assert numbers(job)["pile"] == "reject"
        assert numbers(job)["stable"] is False


def test_a_chip_that_draws_too_much_is_let_go_at_once(tmp_path):
    def change(socket: Socket) -> Socket:
        chip = chip_of("st-m27c512", DENSE[:65536])
        chip.damage = "struck by a static discharge"
        return Socket(socket.pin_count, chip)

    with virtual_bench(tmp_path, "st-m27c512", change=change) as bench:
        job = DrawerBench(bench).examine(package_pins=28, window=True)
        assert numbers(job)["pile"] == "reject"
        assert "current" in numbers(job)["pile_reason"]
        assert bench.supplies_off


def test_a_marking_that_the_pins_contradict(on_bench):
    with on_bench(chip_of("mask-23256", DENSE[:32768])) as desk:
        job = desk.examine(package_pins=28, window=False, marking="27C512")
        assert numbers(job)["remarked"] is True
        assert likely(job) == {"mask-23256"}


def test_a_programmer_without_a_pin_check_says_so(on_bench):
    with on_bench(chip_of("st-m27c256b", DENSE[:32768]), profile=modest("M1")) as desk:
        job = desk.examine(package_pins=28, window=True)
        assert {check["name"]: check["verdict"] for check in job.outcome["checks"]}[
            "pin-check"
        ] == "not-checked"
        assert "st-m27c256b" in likely(job)
        assert numbers(job)["signature"] is None


def test_the_estimate_is_about_right(on_bench):
    with on_bench(chip_of("st-m27c512", DENSE[:65536])) as desk:
        job = desk.examine(package_pins=28, window=True, answers=NO)
        assert numbers(job)["took_s"] == pytest.approx(job.estimate["total_s"], rel=0.35, abs=1.5)
