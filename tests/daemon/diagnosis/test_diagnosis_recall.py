"""A chip too large to be read for a diagnosis is known by its checksum, where the bench has its content."""

import random

import numpy as np
import pytest

from daemon.jobs.request import JobRequest
from daemon.store.model import JobKind
from simulator.stock import Stock
from tests.support.one_bench import one_bench

#: 64 KiB take longer to read than a failed job has for a diagnosis.
PART = "st-m27c512"
FILE = random.Random(7).randbytes(0x20000)
EVEN, ODD = FILE[0::2], FILE[1::2]


def first_cause(one, kind, image):
    job = one.ended(one.bench.submit(JobRequest(kind=kind, part=PART, image=image)))
    assert job.outcome["causes"], job.outcome
    return job.outcome["causes"][0]


@pytest.mark.parametrize("shelved", ["the file", "the chips, too"])
def test_even_and_odd_exchanged_is_told_of_a_large_chip(tmp_path, shelved):
    with one_bench(tmp_path, PART, Stock.BLANK) as one:
        one.board.socket.chip.program_at_maker(np.frombuffer(EVEN, np.uint8).astype(np.uint16))
        one.bench.add_image(FILE, name="tern16.bin")
        odd = one.image(ODD)
        if shelved != "the file":
            one.bench.add_image(EVEN, name="tern-16 U10")
        cause = first_cause(one, JobKind.VERIFY, odd)
        assert (cause["code"], cause["confidence"]) == ("even-odd-exchanged", "sure")


def test_a_chip_that_is_not_blank_is_known_by_name(tmp_path):
    with one_bench(tmp_path, PART, Stock.BLANK) as one:
        one.board.socket.chip.program_at_maker(np.frombuffer(EVEN, np.uint8).astype(np.uint16))
        one.bench.add_image(EVEN, name="tern-16 U10")
        cause = first_cause(one, JobKind.PROGRAM, one.image(ODD))
        assert cause["code"] == "chip-programmed"
        assert "tern-16 U10" in cause["words"]
