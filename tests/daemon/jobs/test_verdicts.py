"""What jobs say of chips: in right numbers, in right words, and never more than was seen."""

import random
import zlib
from dataclasses import replace

import numpy as np
import pytest

from daemon.images.model import Image, Segment
from daemon.jobs.steps.aftermath import vpp_words
from daemon.store.model import JobKind, JobState
from daemon.transport.memory import Direction
from protocol.wire import Capability
from simulator.programmer.profile import full, modest
from simulator.stock import Stock
from simulator.supplies import SupplyName, SupplyTrouble
from tests.support.virtual_bench import PARTS, virtual_bench

DENSE = random.Random(5).randbytes(1 << 17)
PART = "st-m27c512"


def checks_of(job):
    return {(check["name"], check["vcc_v"]): check["verdict"] for check in job.outcome["checks"]}


def step_words(job, name):
    return next(step.result["words"] for step in job.steps if step.name == name)


# Nothing more than was seen


def test_pins_that_cannot_be_checked_are_not_called_good(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.REVERSED, profile=modest()) as bench:
        job = bench.run(JobKind.PIN_CHECK, PART)
        assert checks_of(job)["pin-check", None] == "not-checked"
        assert "the pins were not checked" in job.outcome["summary"]


def test_a_signature_that_cannot_be_read_is_not_called_read(tmp_path):
    with virtual_bench(tmp_path, PART, profile=modest()) as bench:
        job = bench.run(JobKind.IDENTIFY, PART)
        assert checks_of(job)["signature", None] == "not-checked"
        assert "the signature was not read" in job.outcome["summary"]


# Verify


def test_nothing_verified_is_never_called_verified(tmp_path):
    """Asked for a supply that the board cannot make, it looks at the nominal one and says so."""
    with virtual_bench(tmp_path, PART, profile=modest()) as bench:
        job = bench.run(JobKind.VERIFY, PART, b"\xff" * 100, supply_checks_v=(6.0,))
        assert job.state is JobState.SUCCEEDED
        assert checks_of(job) == {
            ("pin-check", None): "not-checked",
            ("verify", 6.0): "not-checked",
            ("verify", 5.0): "passed",
        }
        assert "6.00 V" in job.outcome["hint"]
        wrong = bench.run(JobKind.VERIFY, PART, DENSE[:100], supply_checks_v=(6.0,))
        assert wrong.outcome["code"] == "verify-mismatch"


def test_a_mismatch_is_counted_and_placed(tmp_path):
    content = DENSE[:1000]
    with virtual_bench(tmp_path, PART) as bench:
        bench.run(JobKind.WRITE, PART, content, offset_bytes=0x200)
        changed = bytearray(content)
        changed[0x123] ^= 0b110
        changed[0x200] ^= 0b1
        job = bench.run(JobKind.VERIFY, PART, bytes(changed), offset_bytes=0x200)
        numbers = job.outcome["numbers"]
        assert job.outcome["code"] == "verify-mismatch"
        assert numbers["differing_bytes"] == 2
        assert numbers["first_bytes"] == 0x323
        assert numbers["bits_wanted_0"] + numbers["bits_wanted_1"] == 3
        assert f"{content[0x123]:02X} instead of {changed[0x123]:02X}" in job.outcome["summary"]
        assert "2 bytes differ" in job.outcome["summary"]
        changed[0x200] ^= 0b1
        single = bench.run(JobKind.VERIFY, PART, bytes(changed), offset_bytes=0x200)
        assert "1 byte differs" in single.outcome["summary"]


def test_a_chip_with_its_bytes_exchanged_is_told_so(tmp_path):
    content = DENSE[:65536]
    exchanged = bytes(content[at ^ 1] for at in range(65536))
    with virtual_bench(tmp_path, PART) as bench:
        bench.run(JobKind.WRITE, PART, exchanged)
        job = bench.run(JobKind.VERIFY, PART, content)
        assert job.outcome["code"] == "verify-mismatch"
        assert job.outcome["hint"].startswith("The chip holds the image with even and odd bytes exchanged.")


def test_a_blank_chip_is_told_so(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        job = bench.run(JobKind.VERIFY, PART, DENSE[:65536])
        assert "reads FF everywhere" in job.outcome["hint"]


@pytest.mark.parametrize(
    ("on_chip", "wanted", "words"),
    [
        (b"\xf0\x0f" * 300, b"\xf0\x07" * 300, "not at all"),
        (b"\xf0\x07" * 300, b"\xf0\x0f" * 300, "not fully erased"),
    ],
)
def test_bits_that_are_wrong_in_one_direction_say_why(tmp_path, on_chip, wanted, words):
    with virtual_bench(tmp_path, PART) as bench:
        bench.run(JobKind.WRITE, PART, on_chip)
        job = bench.run(JobKind.VERIFY, PART, wanted, supply_checks_v=(5.0,))
        assert words in job.outcome["hint"]


@pytest.mark.parametrize("read_back", [False, True])
def test_progress_of_a_verify_counts_all_its_supplies(tmp_path, read_back):
    with virtual_bench(tmp_path, PART) as bench:
        bench.run(JobKind.WRITE, PART, DENSE[:65536])
        job = bench.run(JobKind.VERIFY, PART, DENSE[:65536], read_back=read_back)
        step = next(step for step in job.steps if step.name == "verify")
        supplies = len(PARTS.get(PART).supplies.supply_checks_v)
        assert step.total_bytes == step.done_bytes == supplies * 65_536


SPARSE = [Segment(0x100, DENSE[:300]), Segment(0x4000, DENSE[300:700]), Segment(0x8001, b"\x12\x34")]


def without_digests():
    profile = full("SIM-1")
    lacks = profile.identity.capabilities & ~Capability.DIGEST
    return replace(profile, identity=replace(profile.identity, capabilities=lacks))


@pytest.mark.parametrize("digests", [True, False])
def test_an_image_in_several_pieces_is_verified_where_it_lies(tmp_path, digests):
    with virtual_bench(tmp_path, PART, profile=full("SIM-1") if digests else without_digests()) as bench:
        job = bench.run(JobKind.PROGRAM, PART, Image.of(SPARSE))
        assert job.state is JobState.SUCCEEDED, job.outcome
        how = "by digest" if digests else "read back"
        verified = [check for check in job.outcome["checks"] if check["name"] == "verify"]
        assert all(check["words"] == f"702 bytes match, {how}" for check in verified)
        assert len(verified) == 2
        wrong = bytearray(DENSE[300:700])
        wrong[5] ^= 0x10
        other = Image.of([SPARSE[0], Segment(0x4000, bytes(wrong)), SPARSE[2]])
        job = bench.run(JobKind.VERIFY, PART, other)
        assert job.outcome["numbers"]["first_bytes"] == 0x4005


def test_a_programmer_without_digests_says_whose_figures_go_on_the_label(tmp_path):
    with virtual_bench(tmp_path, PART, profile=without_digests()) as bench:
        job = bench.run(JobKind.PROGRAM, PART, DENSE[:65_536])
        assert "of the image as fitted" in step_words(job, "checksum")


def test_a_chip_that_holds_more_than_the_image_gets_its_own_checksum(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        job = bench.run(JobKind.VERIFY, PART, bench.held[:1000])
        assert job.state is JobState.SUCCEEDED
        # zlib's CRC-32, of what the cells hold.
        assert job.outcome["numbers"]["crc32"] == f"{zlib.crc32(bench.held):08X}"


def test_bits_that_change_from_read_to_read_are_no_mismatch(tmp_path):
    """The digest finds a difference that the read-back does not."""
    with virtual_bench(tmp_path, PART) as bench:
        bench.run(JobKind.WRITE, PART, DENSE[:65_536])
        cells = bench.programmer.socket.chip.cells
        row = np.array([0x1234], np.uint32)
        right = cells.read(row, 5.0)
        cells.store(row, right ^ 1)

        def heal(direction, data, now_s):
            # The first large piece on its way back is the read that follows the digest.
            if direction is Direction.TO_HOST and len(data) > 500:
                cells.store(row, right)
            return [(0.0, data)]

        bench.transport.fault = heal
        # The device reads 1 KiB at a time, so what lies further on is read after the first piece has gone.
        job = bench.run(JobKind.VERIFY, PART, DENSE[:65_536], supply_checks_v=(5.0,))
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "unstable-read")
        assert "5.00 V" in job.outcome["summary"]


# Blank check


def test_a_blank_check_says_the_share_and_the_place(tmp_path):
    content = b"\xff" * 0x700 + bytes(0x100)
    with virtual_bench(tmp_path, PART) as bench:
        bench.run(JobKind.WRITE, PART, content)
        job = bench.run(JobKind.BLANK_CHECK, PART)
        # 256 bytes of 65,536 are 0.4 %.
        assert "2,048 bits of 524,288 read 0 at 5.00 V (0.4%), the first at 0x700" in job.outcome["summary"]
        assert job.outcome["numbers"]["bits"] == 2048
        assert job.outcome["numbers"]["first_address"] == 0x700


def test_a_blank_check_of_a_range_counts_the_range(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        bench.run(JobKind.WRITE, PART, b"\xfe", offset_bytes=0x800)
        job = bench.run(JobKind.BLANK_CHECK, PART, start_bytes=0x800, length_bytes=0x100)
        assert "1 bit of 2,048 reads 0" in job.outcome["summary"]
        below = bench.run(JobKind.BLANK_CHECK, PART, start_bytes=0, length_bytes=0x800)
        assert below.outcome["code"] == "blank"


@pytest.mark.parametrize(
    ("content", "share"),
    [(b"\xfe", "under 0.1%"), (bytes(65_536), "100.0%"), (b"\x01" + bytes(65_535), "over 99.9%")],
)
def test_shares_are_never_rounded_to_nothing_or_all(tmp_path, content, share):
    with virtual_bench(tmp_path, PART) as bench:
        bench.run(JobKind.WRITE, PART, content)
        job = bench.run(JobKind.BLANK_CHECK, PART)
        assert f"({share})" in job.outcome["summary"]


@pytest.mark.parametrize(
    ("part_id", "words"),
    [("st-m27c512", "J/cm²"), ("sst-39sf010a", "by an erase job"), ("atmel-at27c256r", "use a fresh one")],
)
def test_a_chip_that_is_not_blank_comes_with_how_it_is_erased(tmp_path, part_id, words):
    with virtual_bench(tmp_path, part_id, Stock.USED) as bench:
        job = bench.run(JobKind.BLANK_CHECK, part_id)
        assert job.outcome["code"] == "not-blank"
        assert words in job.outcome["hint"]


# Erase


def test_sectors_are_erased_and_no_more(tmp_path):
    part = PARTS.get("sst-39sf010a")  # SST39SF010A data sheet: uniform sectors of 4 KiB
    with virtual_bench(tmp_path, part.id, Stock.USED) as bench:
        before = bench.held
        job = bench.run(
            JobKind.ERASE, part, erase={"scope": "sector"}, start_bytes=0x1800, length_bytes=0x1000
        )
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert step_words(job, "erase").startswith("2 sectors")
        assert bench.held == before[:0x1000] + b"\xff" * 0x2000 + before[0x3000:]
        whole = bench.run(JobKind.ERASE, part)
        assert whole.state is JobState.SUCCEEDED
        assert bench.held == b"\xff" * part.size_bytes


# What nobody has foreseen


def test_a_mistake_of_ours_ends_the_job_with_the_supplies_off(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        bench.kept = None
        job = bench.run(JobKind.READ, PART)
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "internal")
        assert "AttributeError" in job.outcome["summary"]
        assert "report" in job.outcome["hint"]
        assert bench.supplies_off
        bench.kept = []
        assert bench.run(JobKind.READ, PART).state is JobState.SUCCEEDED


# Read


def test_a_read_at_another_supply_says_which(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        job = bench.run(JobKind.READ, PART, supply_checks_v=(4.2,))
        assert checks_of(job)["read", 4.2] == "passed"


def test_accepting_another_signature_goes_on_and_is_written_down(tmp_path):
    with virtual_bench(tmp_path, "st-m27c256b", Stock.WRONG, other="atmel-at27c256r") as bench:
        job = bench.run(JobKind.PROGRAM, "st-m27c256b", DENSE[:512], accept_signature=True)
        # Pins, size and loop of the AT27C256R are near enough for it to be programmed.
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert checks_of(job)["signature", None] == "failed"
        assert "going on as asked" in step_words(job, "signature")


# Program


def step(job, name):
    return next(step for step in job.steps if step.name == name)


def test_a_word_that_does_not_take_comes_with_what_vpp_measures(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.STUCK) as bench:
        job = bench.run(JobKind.PROGRAM, PART, bytes(65_536), skip=["blank-check"])
        assert job.outcome["code"] == "program-failed"
        assert job.outcome["numbers"]["vpp_v"] == pytest.approx(12.75, abs=0.1)
        # It is in order, so it is no part of the story.
        assert "VPP" not in job.outcome["summary"]
        assert bench.supplies_off


def test_a_vpp_that_sags_is_told_from_one_that_is_weak(tmp_path):
    # 200 ohm: enough to leave the M27C512's 12.5 to 13.0 V under its programming current, nothing at rest.
    trouble = {SupplyName.VPP: SupplyTrouble(source_ohm=200.0)}
    with virtual_bench(tmp_path, PART, troubles=trouble) as bench:
        job = bench.run(JobKind.PROGRAM, PART, DENSE[:4096])
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "device-fault"), job.outcome
        assert "gives way under load" in job.outcome["summary"]
        assert "12.7" in job.outcome["summary"]
        assert bench.supplies_off
        assert step(job, "program").state == "failed"


def test_a_weak_vpp_is_named_with_its_volts(tmp_path):
    with virtual_bench(tmp_path, PART, troubles={SupplyName.VPP: SupplyTrouble(ceiling_v=11.0)}) as bench:
        job = bench.run(JobKind.PROGRAM, PART, DENSE[:4096])
        assert "VPP measured 11.0" in job.outcome["summary"]


@pytest.mark.parametrize(
    ("vpp_v", "was_out", "words"),
    [
        (12.0, False, "VPP measures 12.00 V, below the 12.50 to 13.00 V"),
        (13.4, True, "VPP measures 13.40 V, above the 12.50 to 13.00 V"),
        (12.8, True, "12.80 V while nothing is programmed"),
        (12.8, False, ""),
    ],
)
def test_what_a_measured_vpp_says(vpp_v, was_out, words):
    # M27C512, November 1998: VPP 12.75 V, +- 0.25 V.
    said = vpp_words(PARTS.get(PART), vpp_v, was_out=was_out)
    assert said.startswith(words) or words in said
    assert bool(said) is bool(words)
