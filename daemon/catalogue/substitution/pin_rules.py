"""What each need of a chip pin makes of each net that a board may have there."""

from collections.abc import Callable, Mapping

from daemon.catalogue.substitution.arrangement import HIGH, LOW
from daemon.catalogue.substitution.case import Case
from daemon.catalogue.substitution.demands import Demand, Needs
from daemon.catalogue.substitution.nets import Carries, Net
from daemon.catalogue.substitution.verdict import Task, Work

_VARYING = frozenset({Carries.ADDRESS, Carries.DATA})


def judge_pins(case: Case) -> None:
    """Hold every pin's need against what the board has there, in pin order."""
    for pin, demand in case.demands.items():
        _RULES[demand.needs](case, pin, demand, case.contacts[pin].net)


def _supply(case: Case, pin: int, demand: Demand, net: Net) -> None:
    if net.carries is not Carries.VCC:
        case.tie(pin, "VCC", f"{_start(case, pin)} gets no supply: {case.there(pin)}.")


def _ground(case: Case, pin: int, demand: Demand, net: Net) -> None:
    if net.carries is not Carries.GROUND:
        case.tie(pin, "GND", f"{_start(case, pin)} gets no ground: {case.there(pin)}.")


def _low(case: Case, pin: int, demand: Demand, net: Net) -> None:
    """Hold a pin low while the chip is read; most such pins silence it when they are high."""
    if net.level == 0:
        if demand.gates:
            case.gates.add(net)
        return
    if net.carries is Carries.EITHER:
        case.check(f"Make sure that the board holds {case.name(pin)} low.", pin)
        return
    if net.carries is Carries.SELECT_HIGH:
        case.fatal.append(
            f"The board selects it by a high level, and {case.name(pin)} must be low: that takes an inverter."
        )
        return
    reason = f"{_start(case, pin)} must be low while the chip is read; {case.there(pin)}."
    if demand.gates:
        preferred = (Net(Carries.OUTPUT_ENABLE), Net(Carries.SELECT))
        order = preferred if "/OE" in case.part.signal_of(pin) else preferred[::-1]
        for wanted in order:
            if case.wire(pin, wanted, reason):
                case.gates.add(wanted)
                return
    case.tie(pin, "GND", reason)


def _high(case: Case, pin: int, demand: Demand, net: Net) -> None:
    if demand.gates and net.carries in (Carries.SELECT, Carries.OUTPUT_ENABLE):
        name = case.name(pin)
        case.fatal.append(
            f"The board selects it by a low level, and {name} must be high: that takes an inverter."
        )
        return
    if demand.draws and net.is_signal:
        case.tie(pin, "VCC", f"{_start(case, pin)} must be at VCC while the chip is read; {case.there(pin)}.")
        return
    if net.carries is Carries.WRITE_ENABLE:
        if demand.writes:
            _wakeful(case, pin)
        return
    if net.level == 1:
        if demand.gates:
            case.gates.add(net)
        return
    if net.carries is Carries.EITHER:
        case.check(
            f"Make sure that the board holds {case.name(pin)} high; if not, lift it and wire it to VCC.", pin
        )
    elif demand.writes:
        case.tie(pin, "VCC", _woken(case, pin, net))
    else:
        case.tie(pin, "VCC", f"{_start(case, pin)} must be high while the chip is read; {case.there(pin)}.")


def _woken(case: Case, pin: int, net: Net) -> str:
    """Say how the board would make the chip write when it means to read."""
    what = f"{_start(case, pin)} is write enable, and {case.there(pin)}"
    if net.carries in _VARYING:
        return f"{what}: whenever that is low, a read could be taken for a write."
    if net.carries is Carries.OPEN:
        return f"{what}: left open, it could take reads for writes."
    return f"{what}, which is low when the board reads: reads could be taken for writes."


def _wakeful(case: Case, pin: int) -> None:
    write = case.part.write
    cure = "Lock it by its software protection" if write and write.lockable else "Wire the pin to VCC"
    case.cautions.append(
        f"{_start(case, pin)} gets the board's write strobe: a write to this address would reach the chip. "
        f"{cure} if the board ever writes there by mistake."
    )


def _level(case: Case, pin: int, demand: Demand, net: Net) -> None:
    if net.carries is Carries.OPEN:
        case.tie(
            pin, "VCC", f"{_start(case, pin)} may have either level but must not float; {case.there(pin)}."
        )


def _tied(case: Case, pin: int, demand: Demand, net: Net) -> None:
    if net.is_signal or net.carries is Carries.OPEN:
        case.tie(pin, "VCC", f"{_start(case, pin)} must be tied to VCC or ground; {case.there(pin)}.")


def _open(case: Case, pin: int, demand: Demand, net: Net) -> None:
    if net.carries is Carries.OPEN:
        return
    case.reasons.append(f"{_start(case, pin)} must be left open, as an output; {case.there(pin)}.")
    case.tasks.append(Task(Work.LIFT, f"Lift {case.name(pin)} and leave it open.", pin, "open"))


def _any(case: Case, pin: int, demand: Demand, net: Net) -> None:
    """Nothing can be wrong with a pin that leads nowhere."""


def _address(case: Case, pin: int, demand: Demand, net: Net) -> None:
    bit = demand.bit
    if net.carries is Carries.ADDRESS and net.line is not None:
        if net.line in case.position.lines:
            case.sources[bit] = net.line - case.position.first_line
        else:
            # The board moves it, but not to tell the words apart that it wants from here.
            case.loose(bit)
    elif net.carries is Carries.DATA:
        case.sources[bit] = LOW
        case.tie(pin, "GND", f"{_start(case, pin)} is an address pin, and {case.there(pin)}.")
    elif net.level is not None:
        case.sources[bit] = HIGH if net.level else LOW
    elif case.contacts[pin].position_pin is None:
        case.sources[bit] = LOW
        case.tie(pin, "GND", f"{_start(case, pin)} has no pin in this position.")
    else:
        case.loose(bit)


def _data(case: Case, pin: int, demand: Demand, net: Net) -> None:
    if net.carries is Carries.DATA and net.line is not None:
        case.data[demand.bit] = net.line
        return
    wanted = Net(Carries.DATA, demand.bit)
    reason = f"{_start(case, pin)} is an output, and {case.there(pin)}."
    if case.wire(pin, wanted, reason):
        case.data[demand.bit] = demand.bit
    else:
        case.fatal.append(f"{reason[:-1]}; the board brings no {wanted.words} to this position.")


def _start(case: Case, pin: int) -> str:
    """Name a pin at the start of a sentence."""
    name = case.name(pin)
    return name[0].upper() + name[1:]


Rule = Callable[[Case, int, Demand, Net], None]
_RULES: Mapping[Needs, Rule] = {
    Needs.ADDRESS: _address,
    Needs.DATA: _data,
    Needs.SUPPLY: _supply,
    Needs.GROUND: _ground,
    Needs.LOW: _low,
    Needs.HIGH: _high,
    Needs.LEVEL: _level,
    Needs.TIED: _tied,
    Needs.OPEN: _open,
    Needs.ANY: _any,
}
