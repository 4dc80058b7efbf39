"""What all steps of a recipe share."""

from pydantic import BaseModel, ConfigDict
from pydantic_core import PydanticCustomError


class StepTable(BaseModel):
    """One table of a recipe; a misspelt key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    @property
    def words(self) -> str:
        """The step as a sentence."""
        raise NotImplementedError


def refused(field: str, message: str) -> PydanticCustomError:
    """Make the error for a field of a step; the message goes on from the field's name."""
    return PydanticCustomError("step", "{message}", {"message": message, "at": field})


def in_hex(value: int) -> str:
    """Write an address or offset."""
    return f"{value:#x}"
