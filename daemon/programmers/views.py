"""A programmer as front ends see it."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from daemon.errors import BenchError
from daemon.operations.supplies import describe_supply
from protocol.identity import Identity
from protocol.messages import HelloReply


class ProgrammerState(StrEnum):
    """How it stands with a programmer, or with a port that may have one."""

    CONNECTING = "connecting"
    READY = "ready"
    BUSY = "busy"
    LOST = "lost"
    """It was there, or its port is, but it does not answer now; tried again until the port goes."""
    REFUSED = "refused"
    """The port cannot be used as it is; `problem` says why."""


#: States of a programmer that can be given work.
ANSWERING = frozenset({ProgrammerState.READY, ProgrammerState.BUSY})


@dataclass(frozen=True, slots=True)
class ProgrammerView:
    """One programmer. `id` stays the same wherever it is plugged in; `name` is its user's."""

    id: str
    name: str | None
    serial: str
    path: str
    state: ProgrammerState
    hardware: str = ""
    firmware: str = ""
    protocol: str = ""
    socket_pins: int = 0
    supplies: tuple[str, ...] = ()
    capabilities: tuple[str, ...] = ()
    max_payload_bytes: int = 0
    window: int = 0
    problem: BenchError | None = None
    running_job_id: str | None = None
    queued_jobs: int = 0


def known_facts(identity: Identity, hello: HelloReply | None) -> dict[str, Any]:
    """Return the fields of a view that the handshake gives."""
    return {
        "serial": identity.serial,
        "hardware": identity.hardware,
        "firmware": identity.firmware,
        "protocol": f"{hello.major}.{hello.minor}" if hello else "",
        "socket_pins": identity.socket_pins,
        "supplies": (
            describe_supply("VCC", identity.vcc),
            describe_supply("VPP", identity.vpp),
            describe_supply("ID voltage", identity.id),
        ),
        "capabilities": tuple(
            flag.name.lower().replace("_", "-") for flag in identity.capabilities if flag.name
        ),
        "max_payload_bytes": hello.max_payload if hello else 0,
        "window": hello.window if hello else 0,
    }
