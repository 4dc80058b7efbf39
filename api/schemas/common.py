"""What all schemas share, and the shape of a problem."""

from typing import Any

from pydantic import BaseModel, ConfigDict, Field


class Shown(BaseModel):
    """A value as the API shows it."""

    # Building a validator costs about a millisecond; those nobody asks for are never built.
    model_config = ConfigDict(frozen=True, defer_build=True)


class Problem(Shown):
    """Why a request failed (RFC 9457). Programs compare `code`; people read `detail` and `hint`."""

    type: str = Field(description="Where this kind of problem is described.")
    title: str = Field(description="The kind of problem in words; always the same for one code.")
    status: int = Field(description="The HTTP status.")
    detail: str = Field(description="What is wrong this time, with the numbers.")
    code: str = Field(description="Stable code for programs, such as `part-unknown`.")
    hint: str | None = Field(None, description="What to do next.")
    field: str | None = Field(None, description="The field, header or setting at fault.")
    details: dict[str, Any] | None = Field(None, description="The numbers, for programs.")
