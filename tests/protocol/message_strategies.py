"""Hypothesis strategies for every message, made from its fields."""

from typing import Any

from hypothesis import strategies as st

from protocol.fields import layout_of
from protocol.messages import OPERATIONS, Accept, Answer, Data, EventMessage, Nak
from protocol.wire import PAYLOAD_MAX, Fault

OTHERS = (Accept, Answer, Data, EventMessage, Nak)
MESSAGES: list[type[Any]] = sorted(
    {cls for row in OPERATIONS.values() for cls in (row.request, row.result)} | set(OTHERS),
    key=lambda cls: cls.__name__,
)


def messages(cls: type[Any]) -> st.SearchStrategy[Any]:
    """Return messages of one class with every value that its fields can hold."""
    layout = layout_of(cls)
    fields: dict[str, st.SearchStrategy[Any]] = {}
    for name, size, enum in zip(layout.names, layout.sizes, layout.enums, strict=True):
        whole = st.integers(0, 256**size - 1)
        if enum is None:
            fields[name] = whole
        elif enum is Fault:
            # Later minors may add bits: they are kept.
            fields[name] = whole.map(Fault)
        else:
            fields[name] = st.sampled_from(list(enum))
    if layout.rest:
        fields[layout.rest] = st.binary(max_size=PAYLOAD_MAX)
    return st.builds(cls, **fields)
