"""Stages of writing: operation numbers that run out, and passes that send only what has to be sent."""

import random
from dataclasses import replace
from itertools import pairwise

import pytest

from daemon.catalogue.terms import Loop
from daemon.operations.stretches import Stretches
from daemon.store.model import JobKind, JobState
from daemon.transport.memory import Direction, Wire
from protocol.framing import FrameReader
from protocol.wire import Capability, Kind, Opcode
from simulator.programmer.profile import full
from tests.support.virtual_bench import PARTS, small_limits, virtual_bench

DENSE = random.Random(4).randbytes(1 << 16)
ALTERING = {Opcode.PROGRAM, Opcode.FILL, Opcode.COPY}


class Listener:
    """Reads along what the host sends."""

    def __init__(self, bench):
        self._reader = FrameReader()
        self.sent = []
        bench.transport.fault = self

    def __call__(self, direction, data, at_s):
        if direction is Direction.TO_DEVICE:
            frames = [frame for frame in self._reader.feed(data) if frame is not None]
            self.sent += [frame.content for frame in frames if frame.kind is Kind.REQUEST]
        return [(0.0, data)]

    def of(self, *opcodes):
        return [content for content in self.sent if content[0] in opcodes]


@pytest.mark.parametrize("part_id", ["st-m27256", "atmel-at27c256r", "atmel-at28c64"])
def test_operation_numbers_that_run_out_begin_a_second_work(tmp_path, part_id, monkeypatch):
    monkeypatch.setattr("daemon.programmers.session.OPS_MAX", 50)
    part = PARTS.get(part_id)
    content = DENSE[: part.size_bytes]
    profile = small_limits(full("SIM-1"), max_payload=64, rx_bytes=400)
    with virtual_bench(tmp_path, part_id, profile=profile) as bench:
        heard = Listener(bench)
        job = bench.run(JobKind.PROGRAM, part_id, content)
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert bench.held == content
    works, ops = [], []
    for message in heard.sent:
        # SETUP: work_id (4), total (2), offset (2), piece; PROGRAM: op (2), address (4), pass (1), data.
        if message[0] == Opcode.SETUP and message[7:9] == b"\0\0":
            works.append(message[1:5])
            ops.append([])
        elif message[0] in ALTERING:
            ops[-1].append(int.from_bytes(message[1:3], "little"))
    # SPEC.md D18: within one work a host counts 1, 2, 3 ...
    assert len(set(works)) == len(works) >= part.size_bytes // 64 // 50
    assert all(each == list(range(1, len(each) + 1)) for each in ops)
    assert max(map(len, ops)) == 50


def test_a_second_pass_sends_only_what_reads_wrong(tmp_path):
    part = PARTS.get("ti-tms27c512")
    assert part.write.loop is Loop.FIRST_PASS_THEN_VERIFY
    content = DENSE[: part.size_bytes]
    wire = Wire(baud=115_200, latency_to_device_s=0.001, latency_to_host_s=0.001)
    with virtual_bench(tmp_path, part.id, wire=wire) as bench:
        heard = Listener(bench)
        job = bench.run(JobKind.PROGRAM, part.id, content)
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert bench.held == content
    numbers = job.outcome["numbers"]
    second = [message for message in heard.of(Opcode.PROGRAM) if message[7] == 2]
    # Pulses beyond the first of each word say how many words were wrong after the first pass, at most.
    more = numbers["pulses"] - (len(content) - content.count(0xFF))
    assert 0 < more < 30
    assert 0 < len(second) <= more
    assert sum(len(message) - 8 for message in second) <= 256 * more
    assert numbers["programmed_words"] == part.words


def test_a_second_pass_without_digests_sends_all(tmp_path):
    part = PARTS.get("ti-tms27c256")
    profile = full("SIM-1")
    identity = replace(profile.identity, capabilities=profile.identity.capabilities & ~Capability.DIGEST)
    with virtual_bench(tmp_path, part.id, profile=replace(profile, identity=identity)) as bench:
        heard = Listener(bench)
        assert bench.run(JobKind.PROGRAM, part.id, DENSE[:32768]).state is JobState.SUCCEEDED
        assert bench.held == DENSE[:32768]
    second = [message for message in heard.of(Opcode.PROGRAM) if message[7] == 2]
    assert b"".join(message[8:] for message in second) == DENSE[:32768]


@pytest.mark.parametrize("seed", range(20))
def test_stretches_are_a_set_of_bytes(seed):
    rng = random.Random(seed)
    stretches, truth = Stretches(), set()
    for _ in range(30):
        start = rng.randrange(200)
        end = start + rng.randrange(1, 30)
        stretches.add(start, end)
        truth |= set(range(start, end))
        shown = stretches.first(100)
        assert {at for begin, finish in shown for at in range(begin, finish)} == truth
        assert all(one[1] < two[0] for one, two in pairwise(shown))
        start = rng.randrange(220)
        end = start + rng.randrange(1, 40)
        assert stretches.hold(start, end) is (set(range(start, end)) <= truth)
