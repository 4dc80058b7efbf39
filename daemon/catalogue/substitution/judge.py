"""Whether a part can stand in a position: computed from pins, levels, sizes, speed and supply alone."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from daemon.catalogue.checks import printed_pins
from daemon.catalogue.model import Part
from daemon.catalogue.substitution.arrangement import LOOSE, Arrangement
from daemon.catalogue.substitution.case import Case
from daemon.catalogue.substitution.contacts import Route, contacts_of
from daemon.catalogue.substitution.demands import Needs, demands_of
from daemon.catalogue.substitution.nets import Carries, Net
from daemon.catalogue.substitution.pin_rules import judge_pins
from daemon.catalogue.substitution.position import Position
from daemon.catalogue.substitution.verdict import StandIn, Task, Verdict, Work
from daemon.catalogue.terms import Confidence

_REWIRED_MAX = 8
"""More pins than this to be led elsewhere are another layout, not a substitution (ours)."""

Routes = Iterable[tuple[Part, Route]]
"""A part in the package that an adapter takes, and the adapter; see `daemon.adapters.routes`."""


def judge(part: Part, position: Position, route: Route | None = None) -> StandIn:
    """Judge one part in one position, put in directly or by way of an adapter.

    Through an adapter the verdict is at best ADAPTER, and CANNOT when it leaves anything to be rewired.
    """
    if route is None and position.package in part.also_in:
        part = part.in_package(position.package)
    contacts = contacts_of(part, position, route)
    if contacts is None:
        package = route.plug if route else part.package
        reason = f"A {package} does not go into a {position.package} position without an adapter."
        return StandIn(part, Verdict.CANNOT, (reason,), adapter=route.name if route else None)
    unfit = (*_width(part, position), *_size(part, position), *_supply(part, position))
    by_bytes = part.width_bits > position.width_bits and part.has_byte_mode
    case = Case(part, position, demands_of(part, byte_mode=by_bytes), contacts, fatal=[*unfit])
    _speed(case, route.access_adds_ns if route else 0)
    if not unfit:
        own, there = printed_pins(route.plug if route else part.package), len(position.nets)
        if own > there:
            case.reasons.append(f"Its {own} pins stand over both ends of a position with {there}.")
        judge_pins(case)
        _lines(case)
        _selection(case)
        _layout(case)
    return _answer(case, route)


def stand_ins(position: Position, parts: Iterable[Part], routes: Routes = ()) -> tuple[StandIn, ...]:
    """Judge all parts, each directly and by way of every adapter that takes it, and keep the best of each.

    Sorted by verdict, then by how little there is to do, then parts whose values were read before recalled
    ones, then by id.
    """
    directly = {part.id: judge(part, position) for part in parts}
    best = dict(directly)
    for part, route in routes:
        if part.id not in best or best[part.id].verdict.rank < Verdict.ADAPTER.rank:
            continue
        found = judge(part, position, route)
        if _order(found) < _order(best[part.id]):
            # What speaks against it without the adapter is why it needs one.
            best[part.id] = replace(found, reasons=directly[part.id].reasons)
    return tuple(sorted(best.values(), key=_order))


def _order(found: StandIn) -> tuple[int, bool, int, bool, str]:
    recalled = found.part.confidence is Confidence.MEMORY
    own_wiring = found.verdict is Verdict.ADAPTER and found.adapter is None
    return (found.verdict.rank, own_wiring, len(found.tasks), recalled, found.part.id)


# What no wire can cure


def _width(part: Part, position: Position) -> Iterator[str]:
    own, wanted = part.width_bits, position.width_bits
    if own < wanted:
        yield f"The board reads {wanted} bits there; {part.name} has {own}."
    elif own > wanted and not part.has_byte_mode:
        yield f"The board reads bytes there; {part.name} has no byte mode, only words of {own} bits."


def _size(part: Part, position: Position) -> Iterator[str]:
    if part.size_bytes < position.size_bytes:
        yield f"It holds {part.size_bytes:,} bytes and the board reads {position.size_bytes:,} there."


def _supply(part: Part, position: Position) -> Iterator[str]:
    lowest, highest = position.vcc_v - position.vcc_tolerance_v, position.vcc_v + position.vcc_tolerance_v
    if not (part.reads_at(lowest) and part.reads_at(highest)):
        own = part.supplies
        yield (
            f"The board supplies {lowest:.2f} to {highest:.2f} V; {part.name} is read at "
            f"{own.vcc_read_v:g} V ± {own.vcc_read_tolerance_v:g} V."
        )


def _speed(case: Case, adds_ns: float) -> None:
    part, allowed_ns = case.part, case.position.access_ns
    if allowed_ns is None:
        case.cautions.append("How fast the board reads is not known, so the access time was not judged.")
        return
    grades = part.grades_within(allowed_ns - adds_ns)
    fastest = min(part.access_ns)
    if not grades:
        through = f" and the adapter adds {adds_ns:g} ns" if adds_ns else ""
        case.fatal.append(
            f"Too slow: the fastest {part.name} answers in {fastest:g} ns{through}; "
            f"the board waits {allowed_ns:g} ns."
        )
    elif len(grades) < len(part.access_ns):
        case.tasks.append(Task(Work.GRADE, f"Take one that is marked {grades[-1]:g} ns or faster."))


# What the pins leave open


def _lines(case: Case) -> None:
    """See that every address line that the board needs moves an address pin; wire those that do not."""
    reached = set(case.sources.values())
    pins = {demand.bit: pin for pin, demand in case.demands.items() if demand.needs is Needs.ADDRESS}
    free = [bit for bit in sorted(pins) if not isinstance(case.sources.get(bit), int)]
    for index, line in enumerate(case.position.lines):
        if index in reached:
            continue
        net = Net(Carries.ADDRESS, line)
        lost = f"The board's {net.words} reaches no address pin"
        if not free:
            case.fatal.append(f"{lost}, and none is free.")
            continue
        bit = index if index in free else free[0]
        pin = pins[bit]
        if case.wire(pin, net, f"{lost}; {case.name(pin)} is free, and {case.there(pin)}."):
            case.sources[bit] = index
            free.remove(bit)
        else:
            case.fatal.append(f"The board brings no {net.words} to this position.")
    for pin in (pins[bit] for bit in free):
        net = case.contacts[pin].net
        if net.carries is Carries.OPEN and case.contacts[pin].position_pin is not None:
            case.cautions.append(f"The board leaves {case.name(pin)} open: tie it to ground if you can.")
        elif net.is_signal and net.level is not None:
            case.cautions.append(
                f"The board has {net.words} on {case.name(pin)}: the access time counts from that signal."
            )


def _layout(case: Case) -> None:
    """Call a chip whose pins mostly meet other signals than they need what it is: another layout."""
    moved = {task.pin for task in case.tasks if task.work in (Work.TIE, Work.LIFT, Work.WIRE)}
    if len(moved) > _REWIRED_MAX:
        own = len(case.part.pins)
        case.reasons.clear()
        case.fatal.append(
            f"Its pins are laid out differently: {len(moved)} of {own} do not meet what they need."
        )


def _selection(case: Case) -> None:
    """See that the board can silence the chip."""
    select = Net(Carries.SELECT)
    wanted = [net for net in (select, Net(Carries.SELECT_HIGH)) if case.position.pin_with(net)]
    if wanted and not case.gates.intersection(wanted):
        gate = next((pin for pin, demand in case.demands.items() if demand.gates), None)
        reason = (
            "The board's chip select reaches no enable pin: the chip would answer reads meant for others."
        )
        if gate is None or not case.wire(gate, wanted[0], reason):
            case.fatal.append(reason)
    elif not case.gates.issuperset(wanted):
        case.cautions.append(
            "Not all of the board's chip selects reach it: it may answer reads meant for others."
        )
    if case.position.pin_with(Net(Carries.OUTPUT_ENABLE)) and case.gates == {select}:
        case.cautions.append(
            "The board's output enable does not reach it: it answers whenever it is selected, also when the "
            "board writes there."
        )


# The answer


def _answer(case: Case, route: Route | None) -> StandIn:
    adapter = route.name if route else None
    if case.fatal:
        return StandIn(
            case.part, Verdict.CANNOT, tuple(dict.fromkeys([*case.fatal, *case.reasons])), adapter=adapter
        )
    verdict = _verdict(case)
    tasks = list(case.tasks)
    if route:
        if verdict.rank >= Verdict.REWORK.rank:
            return StandIn(case.part, Verdict.CANNOT, tuple(case.reasons), adapter=adapter)
        verdict = Verdict.ADAPTER
        tasks.insert(0, Task(Work.ADAPTER, f"Put it on the adapter “{route.name}”."))
    arrangement = _arrangement(case)
    tasks += [Task(Work.CONTENT, text) for text in arrangement.in_words()]
    return StandIn(
        case.part,
        verdict,
        tuple(dict.fromkeys(case.reasons)),
        tuple(tasks),
        tuple(dict.fromkeys(case.cautions)),
        arrangement,
        adapter,
    )


def _verdict(case: Case) -> Verdict:
    works = {task.work for task in case.tasks}
    hanging = len(case.part.pins) > len(case.position.nets)
    if Work.WIRE in works or (hanging and Work.TIE in works):
        return Verdict.ADAPTER
    if works & {Work.TIE, Work.LIFT}:
        return Verdict.REWORK
    return Verdict.CHECK if Work.CHECK in works else Verdict.READY


def _arrangement(case: Case) -> Arrangement:
    width = case.position.width_bits
    bits: Sequence[int] = range((case.part.size_bytes * 8 // width - 1).bit_length())
    return Arrangement(
        unit_bytes=width // 8,
        board_units=case.position.words,
        sources=tuple(case.sources.get(bit, LOOSE) for bit in bits),
        data=tuple(case.data[bit] for bit in range(width)),
    )
