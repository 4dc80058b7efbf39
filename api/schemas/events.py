"""Events as streams carry them."""

from datetime import datetime
from typing import Any

from pydantic import Field

from api.schemas.common import Shown
from daemon.store.model import EventRecord


class EventView(Shown):
    """Something that happened on the bench."""

    id: int = Field(description="Number of the event; later events have higher ones.")
    type: str = Field(description="What happened, such as `job-state` or `job-progress`.")
    at: datetime = Field(description="When, UTC.")
    bench_id: str = Field(description="The bench it happened on.")
    job_id: str | None = Field(None, description="The job it is about, if any.")
    programmer_id: str | None = Field(None, description="The programmer it is about, if any.")
    data: dict[str, Any] = Field(description="What the type of event tells beside that.")

    @classmethod
    def of(cls, record: EventRecord) -> "EventView":
        """Show an event of the store."""
        return cls(
            id=record.id,
            type=record.type,
            at=record.at,
            bench_id=record.bench_id,
            job_id=record.job_id,
            programmer_id=record.programmer_id,
            data=dict(record.data),
        )
