"""What a programmer's refusal means to the person at the bench."""

from daemon.errors import BenchError, Code
from protocol.host.events import Completed
from protocol.messages import Measured, SetupResult
from protocol.wire import Fault, Opcode, Status

_HINTS: dict[Status, str] = {
    Status.UNKNOWN_OPCODE: "Its firmware lacks this operation; update it, or leave the step out.",
    Status.MALFORMED: "Firmware and this program disagree about a message: report it with both versions.",
    Status.CANNOT: "Choose a part or a supply that this programmer can serve.",
    Status.LIMIT: "Compare the part's absolute maximum ratings with what was asked for.",
    Status.FAULTED: "Remove the chip and look for the cause; the next job clears the fault.",
    Status.SUPPLY_OUT_OF_TOLERANCE: "Measure it with the socket empty; a weak converter sags under load.",
    Status.OVER_CURRENT: "Take the chip out; look at its orientation and for shorted pins.",
    Status.TIMED_OUT: "It did not finish in its longest time: worn, locked, or the wrong part.",
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
    faults = fault_words(completed.faults)
    details = {
        "opcode": Opcode(completed.opcode).name,
        "status": status.name,
        "faults": int(completed.faults),
        **_numbers(completed.result),
    }
    words = f"the programmer could not {doing}: {status.name.lower().replace('_', ' ')}"
    raise BenchError(
        Code.DEVICE_FAULT if completed.faults else Code.DEVICE_REFUSED,
        f"{words} ({faults})" if faults else words,
        hint=_HINTS.get(status, "See the programmer's log and its manual."),
        details=details,
    )


def status_error(status: Status, doing: str) -> BenchError:
    """Return the error for a request that ended with `status` and whose result is of no use."""
    return BenchError(
        Code.DEVICE_REFUSED,
        f"the programmer could not {doing}: {status.name.lower().replace('_', ' ')}",
        hint=_HINTS.get(status, "See the programmer's log and its manual."),
        details={"status": status.name},
    )


def _numbers(result: object) -> dict[str, int]:
    match result:
        case SetupResult(tag=tag, index=index):
            return {"record_tag": tag, "record_index": index}
        case Measured(vcc_mv=vcc_mv, vpp_mv=vpp_mv):
            return {"vcc_mv": vcc_mv, "vpp_mv": vpp_mv}
        case _:
            return {}
