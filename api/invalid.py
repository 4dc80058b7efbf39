"""What a request that does not fit its schema is told: which field, what was sent, and what is accepted."""

import difflib
import re
from collections.abc import Mapping, Sequence
from typing import Any

from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel

from daemon.errors import BenchError, Code

_SHOWN_CHARACTERS = 60
_SHOWN_ERRORS = 20
_SUBJECT = re.compile(r"^(Input|String|Value|List|Tuple|Set|Frozenset|Dictionary|Object) should")
_PLACES = {"body": "the body", "query": "the query", "path": "the path", "header": "the headers"}


def invalid_request(error: RequestValidationError, route: object) -> BenchError:
    """Return the problem of a request that `route` could not take.

    The first fault is told in words; all of them (up to 20) are in `details`.
    """
    faults = [_fault(found, route) for found in error.errors()[:_SHOWN_ERRORS]]
    first = faults[0]
    more = len(error.errors()) - 1
    hint = str(first["accepted"])
    if more:
        hint += f" {more} more {'field is' if more == 1 else 'fields are'} wrong; `details` has them."
    return BenchError(
        Code.REQUEST_INVALID,
        str(first["detail"]),
        hint=hint,
        field=str(first["field"]) or None,
        details={"faults": faults},
    )


def _fault(found: Mapping[str, Any], route: object) -> dict[str, Any]:
    place, *steps = found["loc"]
    kind, field = found["type"], ".".join(str(step) for step in steps)
    if kind == "json_invalid":
        reason = found.get("ctx", {}).get("error", "it ends too early")
        return {
            "field": "body",
            "in": place,
            "detail": f"The body is not JSON: {reason} at character {field or 0}.",
            "accepted": "Send one JSON object, in UTF-8.",
        }
    if place == "body" and not steps:
        return _whole_body(found)
    if kind == "missing":
        detail, accepted = f"{field} is missing from {_PLACES.get(place, place)}.", "It must be given."
    elif kind == "extra_forbidden":
        detail, accepted = f"There is no field {field} here.", _known_fields(steps, route)
    else:
        detail, accepted = f"{field} cannot be {_shown(found.get('input'))}.", _sentence(found["msg"])
    return {"field": field, "in": place, "detail": detail, "accepted": accepted}


def _whole_body(found: Mapping[str, Any]) -> dict[str, Any]:
    """Describe a fault of the body as a whole: absent, of another type, or at odds with itself."""
    accepted = "Send one JSON object with `Content-Type: application/json`."
    if found["type"] == "missing":
        return {"field": "body", "in": "body", "detail": "The request has no body.", "accepted": accepted}
    if isinstance(found.get("input"), Mapping):
        # Our own models name the field first: "image: a program job needs an image".
        field, colon, _ = found["msg"].partition(": ")
        return {
            "field": field if colon else "body",
            "in": "body",
            "detail": _sentence(found["msg"]),
            "accepted": "",
        }
    return {"field": "body", "in": "body", "detail": "The body is not a JSON object.", "accepted": accepted}


def _known_fields(steps: Sequence[object], route: object) -> str:
    """Say which fields there are, and which was probably meant; only known for the top level of a body."""
    body = getattr(getattr(route, "body_field", None), "field_info", None)
    model = getattr(body, "annotation", None)
    if len(steps) != 1 or not (isinstance(model, type) and issubclass(model, BaseModel)):
        return "Leave it out."
    names = sorted(model.model_fields)
    close = difflib.get_close_matches(str(steps[0]), names, n=1)
    meant = f"Did you mean {close[0]}? " if close else ""
    return f"{meant}There are: {', '.join(names)}."


def _sentence(message: str) -> str:
    text = _SUBJECT.sub("It must", message.removeprefix("Value error, "))
    text = text[:1].upper() + text[1:]
    return text if text.endswith(".") else f"{text}."


def _shown(value: object) -> str:
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= _SHOWN_CHARACTERS else f"{text[:_SHOWN_CHARACTERS]}…"
