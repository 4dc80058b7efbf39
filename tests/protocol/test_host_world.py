"""The host link on bad lines, seeded, in virtual time: everything ends, once, and the law is kept."""

import random
from itertools import pairwise

import pytest
from host_world import World, opened, world
from hypothesis import given
from hypothesis import strategies as st
from scripted_peer import Limits, answer, raw_frame

from protocol.host.events import Completed, DataArrived, LossReason, Lost, Opened
from protocol.host.link import HostLink
from protocol.host.reading import ReadAssembly
from protocol.host.states import LinkState
from protocol.messages import Nothing, Program, Read, ReadResult
from protocol.wire import Kind, Mode, Opcode, Pass, Status

#: Nothing takes longer than this here, however bad the line; virtual seconds.
BOUND_S = 600.0

LINES = {
    "clean": {},
    "loses": {"loss": 0.15, "jitter_s": 0.003},
    "damages": {"damage": 0.12, "jitter_s": 0.003},
    "doubles": {"doubling": 0.3, "jitter_s": 0.003},
    "slow": {"latency_s": 0.4, "jitter_s": 0.2, "loss": 0.03},
    "everything": {"loss": 0.08, "damage": 0.06, "doubling": 0.1, "jitter_s": 0.05},
}
TAKES_S = {Opcode.PROGRAM: 0.04, Opcode.READ: 0.002, Opcode.MEASURE: 0.0}


def takes_s(opcode: int) -> float:
    return TAKES_S[Opcode(opcode)]


def submit_some(made: World, rng: random.Random, count: int, first_op: int = 1) -> list[int]:
    tickets = []
    for op in range(first_op, first_op + count):
        match rng.randrange(4):
            case 0:
                message, opcode = Nothing(), Opcode.MEASURE
            case 1:
                message, opcode = Read(rng.randrange(1000), 200, Mode.READ, 5000, 64), Opcode.READ
            case _:
                data = bytes(rng.randrange(256) for _ in range(rng.randrange(1, 65)))
                message, opcode = Program(op, op, Pass.FULL, data), Opcode.PROGRAM
        tickets.append(made.link.submit(opcode, message, made.now_s))
    return tickets


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("line", LINES)
def test_every_ticket_ends_once_and_nothing_is_carried_out_twice(line: str, seed: int) -> None:
    rng = random.Random(f"{line}{seed}")
    limits = Limits(window=rng.choice([1, 2, 5, 16]), rx_bytes=rng.choice([96, 200, 2000]))
    made = opened(seed, limits=limits, takes_s=takes_s, **LINES[line])
    assert made.link.state is LinkState.OPEN
    tickets = submit_some(made, rng, 70)
    made.run(BOUND_S, enough=lambda each: each.done(tickets))
    assert made.lost is None, made.lost
    assert sorted(made.completed) == tickets
    assert all(event.status is Status.OK for event in made.completed.values())
    assert sorted(made.accepted) == tickets
    assert max(made.peer.carried_out.values()) == 1
    programs = [event for event in made.completed.values() if event.opcode is Opcode.PROGRAM]
    assert len(made.peer.carried_out) == len(programs)
    assert made.judge.most_outstanding <= limits.window


def test_a_clean_line_fills_the_window_and_repeats_nothing() -> None:
    made = opened(limits=Limits(window=5, rx_bytes=2000), takes_s=takes_s)
    tickets = submit_some(made, random.Random(1), 60)
    made.run(BOUND_S, enough=lambda each: each.done(tickets))
    assert made.judge.most_outstanding == 5
    assert made.link.counters.retransmitted == 0
    assert made.link.counters.naks == 0
    assert made.link.counters.rtt_s == pytest.approx(0.008, rel=0.01)
    # Two latencies a watchdog's fifth: the device is never left alone for a quarter of its watchdog.
    assert made.peer.longest_silence_s <= made.peer.limits.watchdog_ms / 1000 / 4


def test_a_long_request_keeps_the_device_fed_and_is_not_sent_again() -> None:
    made = opened(takes_s=lambda opcode: 120.0)
    ticket = made.link.submit(Opcode.MEASURE, Nothing(), made.now_s)
    made.run(BOUND_S, enough=lambda each: each.done([ticket]))
    assert made.completed[ticket].status is Status.OK
    assert 120 < made.now_s < 121
    assert made.link.counters.retransmitted == 0
    assert made.peer.longest_silence_s <= 0.25


@pytest.mark.parametrize("seed", range(4))
def test_a_rewind_is_at_most_once_a_round_trip(seed: int) -> None:
    made = opened(seed, limits=Limits(window=8, rx_bytes=5000), takes_s=takes_s, loss=0.1)
    before, bursts = set(), []
    carry = made.to_peer.carry

    def noted(frame: bytes, now_s: float) -> None:
        # Session and kind take three bytes; a REQUEST of the same content and number is the same one.
        if frame in before and frame[1] >> 5 == Kind.REQUEST and (not bursts or bursts[-1][0] != now_s):
            bursts.append((now_s, frame))
        before.add(frame)
        carry(frame, now_s)

    made.to_peer.carry = noted  # type: ignore[method-assign]
    tickets = [
        made.link.submit(Opcode.PROGRAM, Program(op, op, Pass.FULL, bytes((op,)) * 20), made.now_s)
        for op in range(1, 121)
    ]
    made.run(BOUND_S, enough=lambda each: each.done(tickets))
    assert made.lost is None
    assert len(bursts) > 5
    for (earlier_s, earlier), (later_s, later) in pairwise(bursts):
        # One round trip is 8 ms here.
        assert later != earlier or later_s - earlier_s > 0.0079


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("line", ["clean", "everything"])
def test_abort_at_any_moment_ends_all_and_the_link_goes_on(line: str, seed: int) -> None:
    rng = random.Random(seed)
    made = opened(seed, takes_s=takes_s, **LINES[line])
    tickets = submit_some(made, rng, 40)
    made.run(made.now_s + rng.random() * 1.0)
    made.link.abort(made.now_s)
    made.run(BOUND_S, enough=lambda each: each.link.state is not LinkState.ABORTING)
    assert made.link.state is LinkState.OPEN
    more = submit_some(made, rng, 20, first_op=100)
    made.run(BOUND_S, enough=lambda each: each.done(tickets + more))
    assert made.lost is None
    assert sorted(made.completed) == tickets + more
    statuses = {made.completed[ticket].status for ticket in tickets}
    assert statuses <= {Status.OK, Status.ABORTED}
    assert all(made.completed[ticket].status is Status.OK for ticket in more)
    assert max(made.peer.carried_out.values()) == 1


@pytest.mark.parametrize("direction", ["to_peer", "to_host"])
@pytest.mark.parametrize("after_s", [0.0, 0.1, 0.9])
def test_a_line_that_dies_loses_the_link_in_time(direction: str, after_s: float) -> None:
    made = opened(takes_s=takes_s)
    tickets = submit_some(made, random.Random(5), 60)
    made.run(made.now_s + after_s)
    died_s = made.now_s
    getattr(made, direction).cut = True
    made.run(BOUND_S, enough=lambda each: each.done(tickets))
    assert made.lost is not None
    assert made.lost.reason is LossReason.SILENT
    assert sorted({*made.completed, *made.lost.unfinished}) == tickets
    # Section 9: at worst six timeouts that double up to 2 s, from the last request that was answered on.
    assert made.now_s - died_s < 15


def test_nobody_there_is_noticed_after_five_seconds() -> None:
    made = world(loss=1.0)
    made.run(BOUND_S, enough=lambda each: each.lost is not None)
    assert made.lost is not None
    assert made.lost.reason is LossReason.NO_DEVICE
    assert made.now_s == pytest.approx(5.0)


@pytest.mark.parametrize("seed", range(8))
def test_hello_gets_through_a_bad_line(seed: int) -> None:
    made = opened(seed, loss=0.2, damage=0.05)
    assert isinstance(made.events[0], Opened)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("line", ["clean", "everything"])
def test_a_range_is_put_together_from_what_the_line_leaves(line: str, seed: int) -> None:
    made = opened(seed, takes_s=takes_s, **LINES[line])
    assembly = ReadAssembly(
        address=100, count=3000, word_bytes=1, mode=Mode.READ, vcc_mv=5000, block_bytes=64
    )
    for _ in range(40):
        wanted = assembly.wanted()
        if not wanted:
            break
        reads = {made.link.submit(Opcode.READ, read, made.now_s): read for read in wanted}
        seen = len(made.events)
        made.run(BOUND_S, enough=lambda each, tickets=list(reads): each.done(tickets))
        for event in made.events[seen:]:
            if isinstance(event, DataArrived) and event.ticket in reads:
                assembly.add(reads[event.ticket], event.block, event.data)
        for ticket, read in reads.items():
            result = made.completed[ticket].result
            assert isinstance(result, ReadResult)
            assembly.note_result(read, result)
    assert assembly.wanted() == []
    assert assembly.data == made.peer.memory[100:3100]
    if line == "clean":
        assert made.link.counters.frames_in < 60


sound = st.builds(
    raw_frame,
    st.sampled_from(Kind),
    st.integers(0, 3) | st.integers(0, 31),
    st.sampled_from([0x0501, 0x0501, 0x0501, 7]),
    st.binary(max_size=24)
    | st.builds(
        answer,
        st.sampled_from([int(opcode) for opcode in Opcode]),
        st.sampled_from([0, 0, 0x20, 0x0C]),
        st.binary(max_size=20),
    ),
)
doings = st.sampled_from(["measure", "read", "keepalive", "abort", "energise", "tick", "late"])


def act(link: HostLink, what: str, now_s: float) -> list[int]:
    """Do what an owner may do at any time; return the ticket if it made one."""
    if what == "energise":
        link.set_energised(True)
    elif what in ("tick", "late"):
        link.tick(now_s)
    elif link.state is not LinkState.OPEN:
        pass
    elif what == "measure":
        return [link.submit(Opcode.MEASURE, Nothing(), now_s)]
    elif what == "read":
        return [link.submit(Opcode.READ, Read(0, 64, Mode.READ, 5000, 16), now_s)]
    elif what == "keepalive":
        link.keepalive(now_s)
    else:
        link.abort(now_s)
    return []


def ended(link: HostLink) -> list[int]:
    """Return the tickets that ended since the last time."""
    tickets: list[int] = []
    for event in link.take_events():
        if isinstance(event, Lost):
            tickets += event.unfinished
        elif isinstance(event, Completed):
            tickets.append(event.ticket)
    return tickets


@given(st.lists(sound | st.binary(max_size=30) | doings, max_size=40))
def test_no_device_makes_it_raise_or_forget_a_ticket(story: list[bytes | str]) -> None:
    link = HostLink(nonce=1)
    link.start(0.0)
    link.receive(Limits().reply(1), 0.0)
    now_s, tickets, over = 0.0, [], []
    for item in story:
        if isinstance(item, bytes):
            now_s += 0.01
            link.receive(item, now_s)
        else:
            now_s += {"tick": 0.3, "late": 5.0}.get(item, 0.01)
            tickets += act(link, item, now_s)
        assert len(link.take_output()) < 5000
        over += ended(link)
    link.cut("the end")
    assert sorted(over + ended(link)) == tickets
