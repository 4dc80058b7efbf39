"""What a programmer's refusal means to the person at the bench."""

from daemon.errors import BenchError, Code
from protocol.descriptor import Tag
from protocol.host.events import Completed
from protocol.messages import Measured, SetupResult
from protocol.wire import NONE_U16, Fault, Opcode, Status

_HINTS: dict[Status, str] = {
    Status.UNKNOWN_OPCODE: "Its firmware lacks this operation; update it, or leave the step out.",
    Status.MALFORMED: "Firmware and this program disagree about a message: report it with both versions.",
    Status.CANNOT: "Choose a part or a supply that this programmer can serve.",
    Status.LIMIT: "Compare the part's absolute maximum ratings with what was asked for.",
    Status.FAULTED: "Remove the chip and look for the cause; the next job clears the fault.",
    Status.SUPPLY_OUT_OF_TOLERANCE: "Measure it with the socket empty; a weak converter sags under load.",
    Status.OVER_CURRENT: "Take the chip out; look at its orientation and for shorted pins.",
    Status.HARDWARE: "The programmer itself is at fault, not the chip: take the chip out, switch it off and"
    " on; if it stays, mend it.",
    Status.TIMED_OUT: "It did not finish in its longest time: worn, locked, or the wrong part.",
}
_WORDS: dict[Status, str] = {
    Status.CANNOT: "it is not made for that",
    Status.LIMIT: "it would pass a limit of the part or of the programmer",
    Status.HARDWARE: "something in it does not work",
    Status.NEEDS_CONFIRMATION: "a supply has to be set by hand first",
    Status.PAGE_CROSSING: "the block runs over the end of a page",
}
_FAULTS: dict[Fault, str] = {
    Fault.VCC_OVER_CURRENT: "VCC drew too much current",
    Fault.VPP_OVER_CURRENT: "VPP drew too much current",
    Fault.VCC_OUT_OF_TOLERANCE: "VCC was out of tolerance",
    Fault.VPP_OUT_OF_TOLERANCE: "VPP was out of tolerance",
    Fault.WATCHDOG: "it did not hear from this computer in time",
    Fault.SOCKET_OPENED: "the socket was opened while the chip was powered",
    Fault.INTERNAL: "it found itself faulty",
}


def fault_words(faults: Fault) -> str:
    """Return the latched faults in words, empty for none."""
    return ", ".join(words for fault, words in _FAULTS.items() if fault in faults)


def require_ok(completed: Completed, doing: str) -> None:
    """Raise BenchError `device-refused` or `device-fault` unless the request succeeded."""
    status = completed.status
    if status is Status.OK:
        return
    why = [fault_words(completed.faults), _measured_words(completed.result), _record_words(completed.result)]
    told = ", ".join(words for words in why if words)
    details = {
        "opcode": Opcode(completed.opcode).name,
        "status": status.name,
        "faults": int(completed.faults),
        **_numbers(completed.result),
    }
    raise BenchError(
        Code.DEVICE_FAULT if completed.faults else Code.DEVICE_REFUSED,
        f"{_could_not(doing, status)}{f' ({told})' if told else ''}",
        hint=_hint(status),
        details=details,
    )


def status_error(status: Status, doing: str) -> BenchError:
    """Return the error for a request that ended with `status` and whose result is of no use."""
    return BenchError(
        Code.DEVICE_REFUSED, _could_not(doing, status), hint=_hint(status), details={"status": status.name}
    )


def _could_not(doing: str, status: Status) -> str:
    return f"the programmer could not {doing}: {_WORDS.get(status, status.name.lower().replace('_', ' '))}"


def _hint(status: Status) -> str:
    return _HINTS.get(status, "See the programmer's log and its manual.")


def _numbers(result: object) -> dict[str, int]:
    match result:
        case SetupResult(tag=tag, index=index):
            return {"record_tag": tag, "record_index": index}
        case Measured(vcc_mv=vcc_mv, vpp_mv=vpp_mv):
            return {"vcc_mv": vcc_mv, "vpp_mv": vpp_mv}
        case _:
            return {}


def _measured_words(result: object) -> str:
    if not isinstance(result, Measured):
        return ""
    values = (("VCC", result.vcc_mv), ("VPP", result.vpp_mv))
    return ", ".join(f"{name} measured {mv / 1000:.2f} V" for name, mv in values if 0 < mv < NONE_U16)


def _record_words(result: object) -> str:
    if not isinstance(result, SetupResult) or result.tag not in list(Tag):
        return ""
    name = Tag(result.tag).name.lower().replace("_", " ")
    return f"the {name} record of the part's description, number {result.index}"
