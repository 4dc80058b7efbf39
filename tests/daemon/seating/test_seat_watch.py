"""When a chip is believed to be in the socket. How long a hand takes is ours; no source."""

from hypothesis import given
from hypothesis import strategies as st

from daemon.diagnosis import PinFault, Seating
from daemon.seating.watch import (
    Arrived,
    BadlySeated,
    Evidence,
    Gone,
    NothingTouches,
    SeatEvent,
    SeatState,
    SeatWatch,
    Timing,
)
from protocol.wire import PinState

GOOD, EMPTY, BACKWARDS = Seating(), Seating(missing=True), Seating(reversed=True)
HALF_IN = Seating(faults=(PinFault(3, "A7", PinState.OPEN),))
TIMING = Timing()


def looks(watch: SeatWatch, *spans: tuple[Seating, float], from_s: float = 0.0) -> list[SeatEvent]:
    """Let the watch look as often as it likes while the socket is so, for so long."""
    found, now_s, until_s = list[SeatEvent](), from_s, from_s
    for seating, for_s in spans:
        until_s += for_s
        while now_s < until_s:
            found += watch.look(seating, now_s)
            now_s = watch.next_look_s(now_s)
    return found


def kinds(events: list[SeatEvent]) -> list[type]:
    return [type(event) for event in events]


def test_a_chip_that_holds_still_has_arrived_once() -> None:
    watch = SeatWatch()
    found = looks(watch, (EMPTY, 3.0), (GOOD, 5.0))
    assert kinds(found) == [Arrived]
    (arrived,) = found
    assert isinstance(arrived, Arrived)
    assert arrived.by is Evidence.PINS
    assert arrived.looks >= TIMING.looks_min
    # It touched at 3.0 s; a look every 0.25 s may see that so much later.
    assert 3.0 + TIMING.settle_s <= arrived.at_s <= 3.0 + TIMING.settle_s + TIMING.calm_look_s + 0.1


def test_pins_that_come_one_by_one_are_waited_for() -> None:
    found = looks(SeatWatch(), (HALF_IN, 1.0), (BACKWARDS, 0.2), (HALF_IN, 0.4), (GOOD, 2.0))
    assert kinds(found) == [Arrived]


def test_a_chip_that_touches_and_leaves_again_never_arrived() -> None:
    watch = SeatWatch()
    assert looks(watch, (GOOD, 0.4), (EMPTY, 1.0), (GOOD, 0.4), (EMPTY, 1.0)) == []
    assert watch.state is SeatState.EMPTY


def test_a_chip_that_sits_badly_is_told_once_and_waited_for() -> None:
    found = looks(SeatWatch(), (BACKWARDS, 10.0), (EMPTY, 2.0), (GOOD, 2.0))
    assert kinds(found) == [BadlySeated, Arrived]
    assert isinstance(found[0], BadlySeated)
    assert found[0].seating is BACKWARDS


def test_the_chip_of_before_must_go_first() -> None:
    watch = SeatWatch(occupied=True)
    assert looks(watch, (GOOD, 60.0)) == []
    found = looks(watch, (EMPTY, 1.0), (GOOD, 2.0), from_s=60.0)
    assert kinds(found) == [Gone, Arrived]


def test_a_chip_that_is_wiggled_in_the_socket_is_not_out() -> None:
    found = looks(SeatWatch(occupied=True), (GOOD, 2.0), (HALF_IN, 1.0), (EMPTY, 0.2), (GOOD, 3.0))
    assert found == []


def test_the_lever_tells_what_no_look_can_see() -> None:
    watch = SeatWatch(occupied=True)
    assert looks(watch, (GOOD, 1.0)) == []
    assert kinds(list(watch.lever(True, 1.0))) == [Gone]
    assert looks(watch, (GOOD, 3.0), from_s=1.0) == []  # nothing is settled behind an open lever
    watch.lever(False, 4.0)
    assert kinds(looks(watch, (GOOD, 2.0), from_s=4.0)) == [Arrived]


def test_the_button_does_not_overrule_the_pins() -> None:
    watch = SeatWatch()
    looks(watch, (EMPTY, 1.0))
    assert kinds(list(watch.press(1.0))) == [NothingTouches]
    assert looks(watch, (BACKWARDS, 4.0), from_s=1.0)
    assert kinds(list(watch.press(5.0))) == [BadlySeated]


def test_a_button_that_bounces_is_pressed_once() -> None:
    watch = SeatWatch(sees_pins=False)
    assert kinds(list(watch.press(1.0))) == [Arrived]
    assert watch.press(1.05) == ()
    assert kinds(list(watch.press(2.0))) == [Gone, Arrived]


def test_a_person_can_say_that_a_chip_was_exchanged_unseen() -> None:
    watch = SeatWatch(occupied=True)
    looks(watch, (GOOD, 1.0))
    assert [type(event) for event in watch.press(1.0)] == [Gone, Arrived]


@given(
    st.lists(
        st.tuples(st.sampled_from([GOOD, EMPTY, BACKWARDS, HALF_IN]), st.floats(0.05, 4.0)), max_size=12
    ),
    st.booleans(),
)
def test_arriving_and_going_take_turns_and_nothing_arrives_that_is_not_in(
    spans: list[tuple[Seating, float]], occupied: bool
) -> None:
    watch = SeatWatch(occupied=occupied)
    inside, now_s, until_s, good_since_s = occupied, 0.0, 0.0, None
    for seating, for_s in spans:
        until_s += for_s
        good_since_s = (now_s if good_since_s is None else good_since_s) if seating.good else None
        while now_s < until_s:
            for event in watch.look(seating, now_s):
                if isinstance(event, Arrived):
                    assert not inside
                    assert good_since_s is not None
                    assert now_s - good_since_s >= TIMING.settle_s - 1e-6
                    inside = True
                elif isinstance(event, Gone):
                    assert inside
                    assert seating.missing
                    inside = False
            following_s = watch.next_look_s(now_s)
            assert now_s < following_s <= now_s + TIMING.calm_look_s
            now_s = following_s
