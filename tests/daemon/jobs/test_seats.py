"""Chips on adapters, as jobs see them."""

import random

import pytest

from daemon.adapters.files import Adapters
from daemon.errors import BenchError, Code
from daemon.images.fit import FittedContent, fit
from daemon.images.model import Image, Range, Segment
from daemon.jobs.request import JobRequest
from daemon.jobs.seats import seat_for
from daemon.store.model import JobKind, JobState
from tests.support.identities import FULL
from tests.support.virtual_bench import DIGEST, PARTS, virtual_bench

DENSE = random.Random(31).randbytes(65536)
#: A plain carrier: every pin goes straight down, as JEDEC's byte-wide packages lie (n in n + 2).
STRAIGHT = """
name = "DIP28 carrier on 32 pins"
package = "DIP28"
plug = "DIP32"
orientation = "pin-1-up"
pins = [{pins}]
""".format(pins=", ".join(str(pin + 2) for pin in range(1, 29)))


def request(kind=JobKind.PROGRAM, part="st-m27c512", **options):
    image = DIGEST if kind in (JobKind.PROGRAM, JobKind.WRITE, JobKind.VERIFY) else None
    return JobRequest(kind=kind, part=part, image=image, **options)


@pytest.fixture
def adapters(tmp_path):
    folder = tmp_path / "adapters"
    folder.mkdir()
    (folder / "carrier.toml").write_text(STRAIGHT)
    return Adapters(folder)


def test_without_an_adapter_a_part_sits_directly(adapters):
    seat = seat_for(request(), PARTS.get("st-m27c512"), adapters, FULL)
    assert (seat.fit.adapter, seat.first_bytes) == ("direct", 0)


def test_a_job_on_a_users_adapter_works_and_records_it(tmp_path, adapters):
    part = PARTS.get("st-m27c512")
    with virtual_bench(tmp_path, part.id) as bench:
        seat = seat_for(request(adapter="carrier"), part, adapters, bench.session.identity)
        job = bench.run(JobKind.PROGRAM, part, DENSE, adapter="carrier", seat=seat)
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert bench.held == DENSE
        assert job.outcome["numbers"]["adapter"] == "carrier"
        # Package pin 1 through plug pin 3 of 32, which is socket pin 11 of 48.
        assert job.outcome["numbers"]["adapter_pins"]["1"] == 11


def test_a_direct_job_records_that_too(tmp_path):
    with virtual_bench(tmp_path, "st-m27c512") as bench:
        assert bench.run(JobKind.PIN_CHECK, "st-m27c512").outcome["numbers"]["adapter"] == "direct"


def test_an_adapter_that_only_lets_read_refuses_what_writes(adapters):
    part = PARTS.get("amd-am29f040b")
    seat_for(request(JobKind.READ, part.id, adapter="29f040-as-27c040"), part, adapters, FULL)
    with pytest.raises(BenchError) as caught:
        seat_for(request(part=part.id, adapter="29f040-as-27c040"), part, adapters, FULL)
    assert caught.value.code is Code.ADAPTER_DOES_NOT_FIT
    assert "can only be read" in caught.value.message


def test_an_unknown_adapter_is_said(adapters):
    with pytest.raises(BenchError) as caught:
        seat_for(request(adapter="carier"), PARTS.get("st-m27c512"), adapters, FULL)
    assert caught.value.code is Code.ADAPTER_UNKNOWN


def test_a_bank_gets_its_share_of_the_content():
    part = PARTS.get("st-m27c512")
    whole = fit(Image.of([Segment(0x7FF0, b"a" * 0x20), Segment(0xF000, b"b")]), part.size_bytes, 1)
    upper = whole.cut(0x8000, 0x8000)
    assert upper.data == whole.data[0x8000:]
    assert upper.ranges == (Range(0, 0x10), Range(0x7000, 0x7001))
    assert FittedContent(whole.data, whole.ranges, ()).cut(0, 0x8000).ranges == (Range(0x7FF0, 0x8000),)
