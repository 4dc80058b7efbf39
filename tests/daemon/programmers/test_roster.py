"""All programmers of a bench: plugged in, pulled out, moved, told apart, and shown with what is wrong."""

import threading

import pytest

from daemon.errors import BenchError, Code
from daemon.programmers.roster import Roster
from daemon.programmers.views import ProgrammerState
from daemon.store.store import Store
from daemon.transport.port_errors import port_busy, port_permission
from protocol.wire import Status
from tests.support.ports import QUICK, Greeter, Ports, Silent, board, until

ONE, TWO, THREE = "/dev/ttyUSB0", "/dev/ttyUSB1", "/dev/ttyUSB2"


@pytest.fixture
def ports():
    return Ports()


@pytest.fixture
def store(tmp_path, ports):
    with Store.open(f"sqlite:///{(tmp_path / 'bench.db').as_posix()}", ports.clock, "b_test") as opened:
        yield opened


@pytest.fixture
def make_roster(ports, store):
    """Make rosters; they end with the test."""
    made = []

    def make(do_work=lambda worker, session: False):
        roster = Roster(
            store,
            ports.clock,
            enumerate_ports=ports.enumerate,
            make_transport=ports.transport,
            baud_rates=(115_200,),
            poll_interval_s=0.01,
            do_work=do_work,
            pauses=QUICK,
        )
        made.append(roster)
        roster.start()
        return roster

    yield make
    for roster in made:
        roster.stop()


@pytest.fixture
def roster(make_roster):
    return make_roster()


def states(roster):
    return {view.id: view.state for view in roster.views()}


def ready(roster, *ids):
    until(lambda: all(states(roster).get(each) is ProgrammerState.READY for each in ids))


def view_of(roster, wanted):
    return next(view for view in roster.views() if view.id == wanted)


# Coming and going


def test_a_programmer_appears_with_what_it_says_of_itself(ports, store, roster):
    assert roster.views() == []
    ports.plug(ONE, board("A1", ports.clock))
    ready(roster, "A1")
    view = view_of(roster, "A1")
    assert (view.path, view.serial, view.name, view.problem) == (ONE, "A1", None, None)
    assert view.socket_pins == 48
    assert view.protocol == "1.0"
    assert "VPP 5.00 to 26.00 V" in view.supplies
    assert "contact" in view.capabilities
    until(lambda: "programmer-appeared" in [event.type for event in store.events.after(0, 100)])
    assert store.programmers.get("A1").info["path"] == ONE


def test_a_programmer_that_vanishes_is_lost_and_says_why(ports, store, roster):
    ports.plug(ONE, board("A1", ports.clock))
    ready(roster, "A1")
    ports.unplug(ONE)
    until(lambda: states(roster) == {"A1": ProgrammerState.LOST})
    until(lambda: "programmer-vanished" in [event.type for event in store.events.after(0, 100)])
    view = view_of(roster, "A1")
    assert view.problem.code is Code.PROGRAMMER_GONE
    assert ONE in view.problem.message
    assert view.problem.hint
    with pytest.raises(BenchError) as caught:
        roster.worker_of("A1")
    assert caught.value.code is Code.PROGRAMMER_GONE
    with pytest.raises(BenchError) as caught:
        roster.find(None)
    assert caught.value.code is Code.NO_PROGRAMMER
    assert ONE in caught.value.message


def test_it_keeps_its_id_and_name_on_another_port(ports, store, roster):
    peer = board("A1", ports.clock)
    ports.plug(ONE, peer)
    ready(roster, "A1")
    store.programmers.rename("A1", "left bench")
    roster.renamed("A1", "left bench")
    ports.unplug(ONE)
    until(lambda: states(roster) == {"A1": ProgrammerState.LOST})
    ports.plug(TWO, peer)
    ready(roster, "A1")
    view = view_of(roster, "A1")
    assert (view.path, view.name) == (TWO, "left bench")
    assert roster.find("left bench") == view
    assert len(roster.views()) == 1


def test_it_keeps_its_id_when_it_moves_between_two_looks(ports, roster):
    peer = board("A1", ports.clock)
    ports.plug(ONE, peer)
    ready(roster, "A1")
    ports.unplug(ONE)
    ports.plug(TWO, peer)
    until(lambda: view_of(roster, "A1").path == TWO)
    ready(roster, "A1")
    assert len(roster.views()) == 1


def test_a_worker_that_ends_late_does_not_spoil_the_view_of_the_next_one(ports, make_roster):
    """Its last word comes when the programmer answers at another port already."""
    held, busy = threading.Event(), threading.Event()

    def work(worker, session):
        if worker.candidate.path != ONE:
            return False
        busy.set()
        held.wait(10)
        session.listen(0.0)
        return False

    roster = make_roster(work)
    peer = board("A1", ports.clock)
    ports.plug(ONE, peer)
    assert busy.wait(10)
    old = roster.worker_of("A1")
    ports.unplug(ONE)
    ports.plug(TWO, peer)
    until(lambda: view_of(roster, "A1").path == TWO)
    ready(roster, "A1")
    held.set()
    assert old.join(10)
    assert states(roster) == {"A1": ProgrammerState.READY}
    assert roster.worker_of("A1").candidate.path == TWO


def test_another_programmer_behind_the_same_adapter(ports, roster):
    ports.plug(ONE, board("A1", ports.clock))
    ready(roster, "A1")
    ports.peers[ONE] = board("B2", ports.clock)
    ports.transports[ONE].unplug()
    ready(roster, "B2")
    assert states(roster) == {"A1": ProgrammerState.LOST, "B2": ProgrammerState.READY}
    with pytest.raises(BenchError):
        roster.worker_of("A1")


def test_a_programmer_carried_to_another_adapter_that_stays_plugged_in(ports, roster):
    peer = board("A1", ports.clock)
    ports.plug(ONE, peer)
    ready(roster, "A1")
    ports.peers[ONE] = Silent()
    ports.transports[ONE].replug(Silent())
    until(lambda: states(roster)["A1"] is ProgrammerState.LOST)
    ports.plug(TWO, peer)
    until(lambda: states(roster).get("A1") is ProgrammerState.READY)
    wanted = {ONE: ProgrammerState.REFUSED, TWO: ProgrammerState.READY}
    until(lambda: {view.path: view.state for view in roster.views()} == wanted)


# Who is who


def test_without_a_serial_number_the_ports_own_counts_then_the_place(ports, roster):
    ports.plug(ONE, board("", ports.clock), usb_serial="FT0001", physical_path="usb-1-1")
    ports.plug(TWO, board("", ports.clock), physical_path="usb-1-2:1.0")
    ports.plug(THREE, board("", ports.clock))
    ready(roster, "FT0001", "usb-1-2-1.0", "dev-ttyUSB2")


def test_a_serial_number_with_odd_characters_can_stand_in_an_address(ports, roster):
    ports.plug(ONE, board("No. 7/a?#é", ports.clock))
    ready(roster, "No.-7-a")


def test_an_id_means_its_programmer_whatever_another_is_called(ports, store, roster):
    ports.plug(ONE, board("A1", ports.clock))
    ready(roster, "A1")
    store.programmers.rename("A1", "B2")
    roster.renamed("A1", "B2")
    ports.plug(TWO, board("B2", ports.clock))
    ready(roster, "B2")
    assert roster.find("B2").path == TWO
    assert roster.find("A1").path == ONE


def plug_twins(ports, roster):
    ports.plug(ONE, board("A1", ports.clock), physical_path="place-1")
    ready(roster, "A1")
    ports.plug(TWO, board("A1", ports.clock), physical_path="place-2")
    until(lambda: len(roster.views()) == 2 and set(states(roster).values()) == {ProgrammerState.READY})
    (other,) = set(states(roster)) - {"A1"}
    return other


def test_two_with_one_serial_number_are_told_apart_by_their_place(ports, roster):
    other = plug_twins(ports, roster)
    assert other.startswith("A1-")
    assert view_of(roster, "A1").path == ONE
    assert view_of(roster, other).path == TWO
    assert view_of(roster, other).serial == "A1"
    assert roster.worker_of("A1").candidate.path == ONE
    assert roster.worker_of(other).candidate.path == TWO
    with pytest.raises(BenchError) as caught:
        roster.find(None)
    assert caught.value.code is Code.PROGRAMMER_AMBIGUOUS


@pytest.mark.parametrize("first", [ONE, TWO])
def test_twins_keep_their_ids_whichever_is_there_first_next_time(ports, make_roster, first):
    roster = make_roster()
    other = plug_twins(ports, roster)
    roster.stop()
    second = TWO if first == ONE else ONE
    candidate = ports.candidates.pop(second)
    again = make_roster()
    ready(again, "A1" if first == ONE else other)
    ports.candidates[second] = candidate
    ready(again, "A1", other)
    assert view_of(again, "A1").path == ONE
    assert view_of(again, other).path == TWO


def test_twins_keep_their_ids_when_one_is_pulled_and_comes_back(ports, roster):
    other = plug_twins(ports, roster)
    for path, name, place in ((TWO, other, "place-2"), (ONE, "A1", "place-1")):
        peer = ports.peers[path]
        ports.unplug(path)
        until(lambda name=name: states(roster)[name] is ProgrammerState.LOST)
        ports.plug(path, peer, physical_path=place)
        ready(roster, "A1", other)
        assert view_of(roster, name).path == path


# What is wrong


def test_each_port_that_cannot_be_used_is_shown_with_its_problem_and_what_to_do(ports, roster):
    ports.plug(ONE, Silent())
    ports.refuses[TWO] = port_permission(TWO)
    ports.plug(TWO, board("A1", ports.clock))
    ports.plug(THREE, Greeter(Status.UNKNOWN_VERSION, session=0, major=2))
    ports.refuses["/dev/ttyUSB3"] = port_busy("/dev/ttyUSB3")
    ports.plug("/dev/ttyUSB3", board("B2", ports.clock))
    until(lambda: len(roster.views()) == 4 and all(view.problem for view in roster.views()))
    shown = {view.path: view for view in roster.views()}
    assert {path: view.problem.code for path, view in shown.items()} == {
        ONE: Code.DEVICE_SILENT,
        TWO: Code.PORT_PERMISSION,
        THREE: Code.DEVICE_VERSION,
        "/dev/ttyUSB3": Code.PORT_BUSY,
    }
    for view in shown.values():
        assert view.state is ProgrammerState.REFUSED
        assert view.id == f"port-{view.path.strip('/').replace('/', '-')}"
        assert view.problem.hint
    assert "2.0" in shown[THREE].problem.message
    with pytest.raises(BenchError) as caught:
        roster.find(None)
    assert caught.value.code is Code.NO_PROGRAMMER
    for view in shown.values():
        assert view.problem.message in caught.value.message


def test_without_any_port_it_says_so(roster):
    with pytest.raises(BenchError) as caught:
        roster.find(None)
    assert caught.value.code is Code.NO_PROGRAMMER
    assert "no port" in caught.value.message
    with pytest.raises(BenchError) as caught:
        roster.find("A1")
    assert caught.value.code is Code.NOT_FOUND


def test_firmware_that_is_brought_up_to_date_is_seen_without_a_restart(ports, roster):
    ports.plug(ONE, Greeter(Status.UNKNOWN_VERSION, session=0, major=2))
    until(lambda: roster.views() and roster.views()[0].problem)
    ports.peers[ONE] = board("A1", ports.clock)
    ready(roster, "A1")
    assert len(roster.views()) == 1


def test_a_store_that_takes_nothing_for_a_while_stops_no_worker(ports, store, roster):
    ports.plug(ONE, board("A1", ports.clock))
    ready(roster, "A1")
    append, upsert = store.events.append, store.programmers.upsert
    failed = []

    def full(*args, **kwargs):
        failed.append(args)
        raise BenchError(Code.DISK_FULL, "no room")

    store.events.append = store.programmers.upsert = full
    ports.transports[ONE].unplug()
    until(lambda: len(failed) > 3)
    store.events.append, store.programmers.upsert = append, upsert
    ready(roster, "A1")


# Ending


def test_a_port_that_hangs_does_not_keep_the_bench_from_ending(ports, make_roster):
    hangs, released = threading.Event(), threading.Event()

    def work(worker, session):
        if worker.programmer_id == "A1":
            hangs.set()
            released.wait(20)
        return False

    roster = make_roster(work)
    ports.plug(ONE, board("A1", ports.clock))
    ports.plug(TWO, board("B2", ports.clock))
    ready(roster, "A1", "B2")
    assert hangs.wait(5)
    hanging, fine = roster.worker_of("A1"), roster.worker_of("B2")
    ended = threading.Event()

    def stop():
        roster.stop(timeout_s=0.2)
        ended.set()

    threading.Thread(target=stop).start()
    assert ended.wait(5) or pytest.fail("stopping hangs")
    assert fine.join(0)
    assert not hanging.join(0)
    released.set()
    assert hanging.join(5)
