"""Programmers and leases."""

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from api.problems import problem_of
from api.schemas.common import Problem, Shown
from daemon.programmers.leases import Lease
from daemon.programmers.views import ProgrammerState, ProgrammerView


class LeaseView(Shown):
    """The right to start jobs on a programmer, while several clients share it."""

    id: str = Field(description="To be sent as `Lease-Id` with jobs.")
    programmer_id: str = Field(description="The programmer.")
    holder: str = Field(description="Who holds it, as they said.")
    expires_in_s: float = Field(description="Seconds until it runs out, unless renewed.")

    @classmethod
    def of(cls, lease: Lease) -> "LeaseView":
        """Show a lease."""
        return cls(
            id=lease.id,
            programmer_id=lease.programmer_id,
            holder=lease.holder,
            expires_in_s=round(lease.expires_in_s, 1),
        )


class LeaseHolder(Shown):
    """Who holds a lease; its id is known to them."""

    holder: str = Field(description="Who, as they said.")
    expires_in_s: float = Field(description="Seconds until it runs out, unless renewed.")


class LeaseWish(BaseModel):
    """Who wants a lease, and for how long."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    holder: Annotated[str, Field(min_length=1, max_length=100)] = Field(
        description="A name that others will see, such as `ci-runner-3`. The same holder renews its lease."
    )
    ttl_s: float | None = Field(
        None,
        ge=1,
        le=3600,
        allow_inf_nan=False,
        description="Seconds until it runs out unless renewed; left out: the setting `lease_ttl_s`.",
    )


class Programmer(Shown):
    """A programmer, or a port that may have one."""

    id: str = Field(description="Stays the same wherever it is plugged in.")
    name: str | None = Field(None, description="The name its user gave it.")
    state: ProgrammerState = Field(description="How it stands with it.")
    serial: str = Field(description="Its serial number.")
    path: str = Field(description="The port it is on now.")
    hardware: str = Field(description="What it says it is.")
    firmware: str = Field(description="What runs in it.")
    protocol: str = Field(description="The version of the wire protocol it speaks.")
    socket_pins: int = Field(description="Pins of its socket; 0 while not known.")
    supplies: list[str] = Field(description="What each of its supplies can make, in words.")
    capabilities: list[str] = Field(description="What it can do beside the basics.")
    max_payload_bytes: int = Field(description="Largest payload of one frame.")
    window: int = Field(description="Frames that may be under way at once.")
    problem: Problem | None = Field(None, description="Why it cannot be used now, and what to do.")
    running_job_id: str | None = Field(None, description="The job it works on.")
    queued_jobs: int = Field(description="Jobs that wait for it.")
    lease: LeaseHolder | None = Field(None, description="Who has it for themselves now.")

    @classmethod
    def of(cls, view: ProgrammerView, lease: Lease | None) -> "Programmer":
        """Show a programmer."""
        return cls(
            id=view.id,
            name=view.name,
            state=view.state,
            serial=view.serial,
            path=view.path,
            hardware=view.hardware,
            firmware=view.firmware,
            protocol=view.protocol,
            socket_pins=view.socket_pins,
            supplies=list(view.supplies),
            capabilities=list(view.capabilities),
            max_payload_bytes=view.max_payload_bytes,
            window=view.window,
            problem=Problem.model_validate(problem_of(view.problem)) if view.problem else None,
            running_job_id=view.running_job_id,
            queued_jobs=view.queued_jobs,
            lease=LeaseHolder(holder=lease.holder, expires_in_s=round(lease.expires_in_s, 1))
            if lease
            else None,
        )


class ProgrammerList(Shown):
    """The programmers that are, or lately were, connected."""

    programmers: list[Programmer] = Field(description="The programmers.")


class ProgrammerChange(BaseModel):
    """What to change of a programmer."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str | None = Field(description="A name for it, or null to take its name away.", max_length=200)


class LinkCounters(Shown):
    """How the line to a programmer does."""

    counters: dict[str, Any] = Field(description="What was sent, received, repeated and lost, by name.")
