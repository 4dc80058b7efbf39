"""What each fault is said to make of a read, against the simulator, and the figures of likelihood."""

import random
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import betaln

from daemon.catalogue.loader import Catalogue
from daemon.diagnosis.advice import advice, headline
from daemon.diagnosis.causes import SHARES, Cause, fault
from daemon.diagnosis.gathering import pieces_of
from daemon.diagnosis.likelihood import Rate, log_unforeseen
from daemon.diagnosis.wires import Wire, wires_of
from daemon.store.model import JobKind, JobState
from simulator.programmer.profile import modest
from simulator.socket import ContactFault, Socket
from simulator.stock import Stock
from tests.support.virtual_bench import virtual_bench

PARTS = Catalogue()
PART = "st-m27c64a"
CONTENT = random.Random(5).randbytes(8192)


def causes_of(job):
    return [(each["code"], [pin["pin"] for pin in each["pins"]]) for each in job.outcome["causes"]]


def with_faults(faults=None, **more):
    """Return what changes a socket into one with these faults at package pins of a 28-pin chip."""

    def change(socket):
        up = (socket.pin_count - 28) // 2
        at = {pin + up: each for pin, each in (faults or {}).items()}
        return Socket(socket.pin_count, socket.remove(), faults=at, **more)

    return change


# Figures


@given(st.integers(0, 300), st.integers(0, 3000), st.floats(0.01, 50), st.floats(0.1, 1e5))
def test_the_marginal_is_the_beta_binomial_one(missed, others, a, b):
    """Reference: scipy's logarithm of the beta function."""
    theirs = betaln(a + missed, b + others) - betaln(a, b)
    assert Rate(a, b).log_marginal(missed, missed + others) == pytest.approx(theirs, abs=1e-6, rel=1e-6)


def test_content_costs_what_its_bytes_scatter():
    """Random bytes cost 8 bits each, one byte over and over next to nothing (Shannon's entropy)."""
    noise = np.frombuffer(random.Random(1).randbytes(65536), np.uint8).astype(np.uint16)
    assert -log_unforeseen(noise, 8) / np.log(2) / 65536 == pytest.approx(8, abs=0.05)
    assert -log_unforeseen(np.full(65536, 0xFF, np.uint16), 8) < 2000


@given(st.integers(6, 22), st.integers(0, 1 << 22))
def test_stretches_to_read_lie_in_the_chip_and_change_every_line(lines, affordable):
    words = 1 << lines
    pieces = pieces_of(words, affordable)
    assert all(at >= 0 and at + count <= words for at, count in pieces)
    starts = {at for at, _ in pieces}
    if len(pieces) > 1:
        for line in range(6, lines):
            assert any(at ^ 1 << line in starts for at in starts), line


def test_every_cause_has_words_advice_and_a_share():
    part = PARTS.get(PART)
    for cause in Cause:
        details = {"shift_bytes": 16, "upto_bytes": 100, "level": 1}
        each = fault(cause, 1, 2, **details)
        assert headline(each, part)
        assert advice(each, part).endswith(".")
        assert 0 < SHARES[cause] < 0.2


# Forward models, against the simulator


def test_wires_name_pins_of_their_part():
    part = PARTS.get(PART)
    for wire in wires_of(part, pins_good=False):
        for each, share in wire.faults:
            assert share > 0
            assert all(1 <= pin <= 28 for pin in each.pins)


@settings(max_examples=40)
@given(st.data())
def test_rows_and_outputs_are_words_of_the_chip(data):
    wires = list(wires_of(PARTS.get(PART), pins_good=data.draw(st.booleans())))
    wire: Wire = data.draw(st.sampled_from(wires))
    addresses = np.arange(8192, dtype=np.int64)
    rows = wire.rows(addresses)
    assert rows.min() >= 0
    assert rows.max() < 8192
    sensed = wire.outputs(np.full(8192, 0xFF, np.uint16), addresses)
    assert sensed.max() <= 0xFF


@pytest.mark.parametrize("line", [0, 5, 12])
@pytest.mark.parametrize("level", ["ground", "VCC"])
def test_a_shorted_address_pin_is_named(tmp_path, line, level):
    pin = PARTS.get(PART).address_pins[line]
    short = ContactFault.SHORT_TO_GROUND if level == "ground" else ContactFault.SHORT_TO_VCC
    with virtual_bench(tmp_path, PART, profile=modest(), change=with_faults({pin: short})) as bench:
        chip = bench.programmer.socket.chip
        chip.program_at_maker(np.frombuffer(CONTENT, np.uint8).astype(np.uint16))
        job = bench.run(JobKind.VERIFY, PART, CONTENT)
        named = [(code, pins) for code, pins in causes_of(job) if pins]
        assert pin in named[0][1]
        # No read tells a short from a line that is dead for another reason: it is not called certain.
        assert job.outcome["causes"][0]["confidence"] != "sure"


def test_an_open_data_pin_is_named_by_its_number(tmp_path):
    pin = PARTS.get(PART).data_pins[3]
    change = with_faults({pin: ContactFault.OPEN})
    with virtual_bench(tmp_path, PART, profile=modest(), change=change) as bench:
        chip = bench.programmer.socket.chip
        chip.program_at_maker(np.frombuffer(CONTENT, np.uint8).astype(np.uint16))
        job = bench.run(JobKind.VERIFY, PART, CONTENT)
        first = job.outcome["causes"][0]
        assert (first["code"], first["pins"]) == ("pin-open", [{"pin": pin, "signal": "D3"}])
        assert "8,192 words" in first["evidence"][0]
        assert first["advice"]


def test_an_open_ground_pin_is_told_from_an_empty_socket(tmp_path):
    with virtual_bench(tmp_path, PART, change=with_faults({14: ContactFault.OPEN})) as bench:
        job = bench.run(JobKind.PIN_CHECK, PART)
        assert job.outcome["code"] == "chip-missing"
        assert causes_of(job)[0] == ("pin-open", [14])
        assert bench.supplies_off


def test_nothing_is_pulsed_or_lifted_for_a_diagnosis(tmp_path):
    """VPP and the ID voltage stay off, and the cells as they are."""
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        chip = bench.programmer.socket.chip
        rows = np.arange(chip.part.words, dtype=np.uint32)
        before = chip.cells.thresholds_mv(rows)
        supplies = bench.programmer.supplies
        job = bench.run(JobKind.BLANK_CHECK, PART)
        assert job.outcome["causes"]
        bench.run(JobKind.DIAGNOSE, PART, CONTENT)
        assert (supplies.vpp.switch_ons, supplies.id.switch_ons) == (0, 0)
        assert (chip.cells.thresholds_mv(rows) == before).all()
        assert bench.supplies_off


def test_a_diagnosis_on_demand_says_when_nothing_is_wrong(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        bench.run(JobKind.WRITE, PART, CONTENT)
        job = bench.run(JobKind.DIAGNOSE, PART, CONTENT)
        assert job.state is JobState.SUCCEEDED
        assert "nothing wrong" in job.outcome["summary"]
        other = bench.run(JobKind.DIAGNOSE, PART, bytes(byte ^ 0xFF for byte in CONTENT))
        assert other.outcome["causes"][0]["code"] == "image-inverted"


def test_what_cannot_be_told_is_not_told(tmp_path):
    """Every bit that reads wrong was drawn at random: no cause in the list does that."""
    rng = Random(2)
    spoilt = bytes(byte ^ (rng.getrandbits(8) & rng.getrandbits(8)) for byte in CONTENT)
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        chip = bench.programmer.socket.chip
        chip.program_at_maker(np.frombuffer(spoilt, np.uint8).astype(np.uint16))
        job = bench.run(JobKind.VERIFY, PART, CONTENT)
        assert job.outcome["causes"][-1]["code"] == "unknown"
        assert all(each["confidence"] != "sure" for each in job.outcome["causes"])


def test_a_job_that_went_well_has_no_causes(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        assert bench.run(JobKind.BLANK_CHECK, PART).outcome["causes"] == ()
