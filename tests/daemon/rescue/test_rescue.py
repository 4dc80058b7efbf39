"""Rescue reads: votes against a single read, what is called certain, and broken-off ones taken up."""

import json
import random
import struct
import zlib

import numpy as np
import pytest
from scipy.stats import beta

from daemon.errors import BenchError
from daemon.images.fit import FittedContent
from daemon.jobs.questions import QuestionBox
from daemon.jobs.runner import JobControl
from daemon.programmers.session import StopSignal
from daemon.rescue.evidence import READS_MIN, dissent_max, upper_bound
from daemon.rescue.tally import Tally
from daemon.rescue.verdicts import judge
from daemon.store.model import JobKind, JobState
from daemon.transport.memory import Direction
from simulator.stock import Stock
from tests.support.virtual_bench import PARTS, virtual_bench

PART = "st-m27c64a"
CONTENT = random.Random(8).randbytes(8192)


def failing(chip, *, lost=0, faded=400):
    """Let cells lose charge: to thresholds around the supplies, and `lost` ones all of it."""
    words = np.frombuffer(CONTENT, np.uint8).astype(np.uint16)
    chip.program_at_maker(words)
    rows = np.arange(chip.part.words, dtype=np.uint32)
    levels = chip.cells.thresholds_mv(rows)
    rng = np.random.default_rng(3)
    done = np.argwhere(levels > 6000)
    chosen = done[rng.choice(len(done), faded + lost, replace=False)]
    for place in chosen[:faded]:
        # Around the nominal supply, within a few times the noise of the sense amplifier (8 mV, ours).
        levels[tuple(place)] = int(rng.normal(5000, 12))
    for place in chosen[faded:]:
        levels[tuple(place)] = 1500
    chip.cells.put_thresholds_mv(rows, levels)


def bits_of(data):
    return np.unpackbits(np.frombuffer(data, np.uint8), bitorder="little")


@pytest.mark.parametrize(("otherwise", "reads"), [(0, 9), (0, 30), (1, 30), (5, 27), (13, 40)])
def test_the_bound_is_that_of_clopper_and_pearson(otherwise, reads):
    """scipy's beta quantile gives the same bound (Clopper and Pearson 1934 in its beta form)."""
    theirs = beta.ppf(0.99, otherwise + 1, reads - otherwise)
    assert upper_bound(otherwise, reads) == pytest.approx(theirs, abs=1e-9)


def test_the_rule_of_three():
    """No event in n trials: at 95 % below about 3/n (Hanley and Lippman-Hand 1983)."""
    assert upper_bound(0, 100, 0.05) == pytest.approx(0.03, abs=0.001)


def test_certainty_needs_reads():
    assert 0.75**READS_MIN < 0.01 <= 0.75 ** (READS_MIN - 1)
    assert dissent_max(3, 0.5) == -1
    assert dissent_max(30, 0.5) > 5


def test_votes_beat_a_single_read_and_certain_bits_are_right(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        failing(bench.programmer.socket.chip)
        single = bench.run(JobKind.READ, PART)
        assert single.outcome["code"] in ("ok", "unstable-read")
        job = bench.run(JobKind.RESCUE_READ, PART)
        assert job.state is JobState.SUCCEEDED, job.outcome
        one, voted, mask = bench.kept
        truth = bits_of(CONTENT)
        wrong_single, wrong_voted = (np.count_nonzero(bits_of(data) != truth) for data in (one, voted))
        # Half of the faded cells read wrong at 5 V; at the lowest supply all of them are far from it.
        assert wrong_single > 100
        assert wrong_voted == 0
        certain = bits_of(mask).astype(bool)
        assert (bits_of(voted)[certain] == truth[certain]).all()
        numbers = job.outcome["numbers"]
        assert numbers["certain_bits"] == int(certain.sum()) > 20_000
        assert numbers["fading"]
        assert numbers["voted_bits"] + numbers["open_bits"] >= 300
        assert "Clopper-Pearson" in numbers["statistics"]
        assert numbers["reads_by_supply"]["5.00"] == 9
        assert numbers["unsteady"]
        assert bench.supplies_off


def test_what_is_lost_for_good_is_never_called_certain(tmp_path):
    """A cell without charge reads erased as steadily as an erased one; others that fade give it away."""
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        failing(bench.programmer.socket.chip, lost=50)
        bench.run(JobKind.RESCUE_READ, PART)
        voted, mask = bench.kept
        wrong = bits_of(voted) != bits_of(CONTENT)
        assert np.count_nonzero(wrong) == 50
        assert not bits_of(mask)[wrong].any()


def test_a_sound_chip_is_certain_all_over(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        truth = bench.held
        job = bench.run(JobKind.RESCUE_READ, PART)
        assert bench.kept == [truth, b"\xff" * 8192]
        assert job.outcome["numbers"]["certain_bits"] == 65536


def test_few_reads_make_nothing_certain(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        job = bench.run(JobKind.RESCUE_READ, PART, reads=2)
        assert job.outcome["numbers"]["certain_bits"] == 0
        assert "too few" in job.outcome["hint"]


def test_a_broken_off_rescue_is_taken_up(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        truth = bench.held
        control = JobControl(StopSignal(), QuestionBox())

        def stop_after_some(direction, data, _at_s):
            nonlocal sent
            sent += len(data) if direction is Direction.TO_HOST else 0
            if sent > 10 * 8192:
                control.stop.ask()
            return [(0.0, data)]

        sent = 0
        bench.transport.fault = stop_after_some
        broken = bench.run(JobKind.RESCUE_READ, PART, control=control)
        assert broken.state is JobState.CANCELLED
        assert bench.supplies_off
        kept = sum(broken.outcome["numbers"]["reads"])
        assert 0 < kept < 27
        job = bench.run(JobKind.RESCUE_READ, PART, counts=bench.kept[-1])
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert job.outcome["numbers"]["reads_by_supply"] == {"4.20": 9, "5.00": 9, "6.00": 9}
        assert bench.kept[-2] == truth


def test_counts_of_another_part_are_refused():
    kept = Tally("st-m27c64a", 8192, (5000,)).to_bytes()
    for data, part in ((kept, "st-m27c512"), (b"RWT1junk", "st-m27c64a"), (kept[:60], "st-m27c64a")):
        with pytest.raises(BenchError) as refused:
            Tally.from_bytes(data, part, PARTS.get(part).size_bytes)
        assert refused.value.code == "job-request"


@pytest.mark.parametrize(
    ("supplies_mv", "reads"),
    [([], []), ([5000, 5000], [1, 1]), ([5000], [1, 1]), ([5000], [300]), ([5000], [0]), ([5000], [1e400])],
)
def test_counts_that_make_no_sense_are_refused(supplies_mv, reads):
    head = json.dumps({"part": PART, "size_bytes": 8192, "supplies_mv": supplies_mv, "reads": reads}).encode()
    counts = zlib.compress(b"\1" * (8 * 8192 * len(supplies_mv)))
    with pytest.raises(BenchError) as refused:
        Tally.from_bytes(b"RWT1" + struct.pack("<I", len(head)) + head + counts, PART, 8192)
    assert refused.value.code == "job-request"


def test_kept_counts_set_no_supply_that_the_part_is_not_read_at(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        kept = Tally(PART, 8192, (5000, 6900)).to_bytes()
        job = bench.run(JobKind.RESCUE_READ, PART, counts=kept)
        assert job.outcome["code"] == "job-request"
        assert "6.90 V" in job.outcome["summary"]
        assert bench.supplies_off


def test_a_tie_is_taken_for_programmed_and_stays_open():
    tally = Tally(PART, 1, (4500,))
    for value in (0xFF, 0xFE, 0xFF, 0xFE):
        tally.add(0, bytes([value]))
    found = judge(tally, 0xFF)
    assert found.content == b"\xfe"
    assert (found.open, found.voted, found.certain) == (1, 0, 0)


def test_a_job_may_carry_counts():
    assert FittedContent(b"counts", (), ()).padded
