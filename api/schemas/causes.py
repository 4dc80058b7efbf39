"""Causes of failures, as outcomes of jobs show them."""

from typing import Any

from pydantic import Field

from api.schemas.common import Shown


class CausePin(Shown):
    """One pin of the package."""

    pin: int = Field(description="Its number on the chip's own package.")
    signal: str = Field(description="Its name.")


class CauseView(Shown):
    """One thing that may be why a job failed."""

    code: str = Field(description="Stable code, such as `pin-open`; `unknown` claims nothing.")
    words: str = Field(description="The cause in words.")
    probability: float = Field(description="How probable it is, 0 to 1; causes may go together.")
    confidence: str = Field(description="`sure`, `likely`, `possible`, or `cannot-tell`.")
    pins: list[CausePin] = Field([], description="The pins that it is about.")
    evidence: list[str] = Field([], description="What was seen that speaks for it.")
    advice: str = Field("", description="What to do.")
    details: dict[str, Any] = Field({}, description="What else tells it apart, for programs.")
