"""Fixed little-endian fields as annotations of dataclasses: the message table is the codec.

A message is a frozen dataclass whose fields are annotated `U8`, `U16`, `U32`, an IntEnum or IntFlag with a
`Scalar`, or, as the last one only, `Rest` (all bytes that remain).
"""

import struct
from dataclasses import dataclass, fields, is_dataclass
from enum import IntEnum, IntFlag
from typing import Annotated, Any, TypeVar, get_type_hints


class MalformedError(ValueError):
    """Content from the peer that does not fit its message."""


@dataclass(frozen=True, slots=True)
class Scalar:
    """An unsigned little-endian integer of `size_bytes` 1, 2 or 4."""

    size_bytes: int

    @property
    def code(self) -> str:
        """The `struct` letter."""
        return {1: "B", 2: "H", 4: "I"}[self.size_bytes]


@dataclass(frozen=True, slots=True)
class RestBytes:
    """All bytes that remain."""


U8 = Annotated[int, Scalar(1)]
U16 = Annotated[int, Scalar(2)]
U32 = Annotated[int, Scalar(4)]
Rest = Annotated[bytes, RestBytes()]

M = TypeVar("M")


@dataclass(frozen=True, slots=True)
class Layout:
    """How one message lies in its content: names, packing, enums to convert, whether bytes follow."""

    names: tuple[str, ...]
    sizes: tuple[int, ...]
    packing: struct.Struct
    enums: tuple[type[IntEnum] | type[IntFlag] | None, ...]
    rest: str | None


_LAYOUTS: dict[type, Layout] = {}


def layout_of(cls: type) -> Layout:
    """Return the layout of a message class. Raises TypeError for a class that is no message."""
    if cls not in _LAYOUTS:
        _LAYOUTS[cls] = _inspect(cls)
    return _LAYOUTS[cls]


def _inspect(cls: type) -> Layout:
    if not is_dataclass(cls):
        raise TypeError(f"{cls.__name__} is no dataclass")
    names: list[str] = []
    scalars: list[Scalar] = []
    enums: list[type[IntEnum] | type[IntFlag] | None] = []
    rest: str | None = None
    hints = get_type_hints(cls, include_extras=True)
    for field in fields(cls):
        base, marker = hints[field.name].__origin__, hints[field.name].__metadata__[0]
        if rest is not None:
            raise TypeError(f"{cls.__name__}.{field.name} follows the rest")
        if isinstance(marker, RestBytes):
            rest = field.name
            continue
        names.append(field.name)
        scalars.append(marker)
        enums.append(base if base is not int else None)
    packing = struct.Struct("<" + "".join(scalar.code for scalar in scalars))
    return Layout(tuple(names), tuple(s.size_bytes for s in scalars), packing, tuple(enums), rest)


def encode(message: Any) -> bytes:
    """Return the message's content. Raises ValueError when a value does not fit its field: our mistake."""
    layout = layout_of(type(message))
    try:
        head = layout.packing.pack(*(getattr(message, name) for name in layout.names))
    except struct.error as error:
        raise ValueError(f"{message!r}: {error}") from error
    return head + bytes(getattr(message, layout.rest)) if layout.rest else head


def decode(cls: type[M], content: bytes) -> M:
    """Return the message in `content`, skipping bytes after the last known field: a later minor may add them.

    Raises MalformedError for content that is too short or an enum value that version 1 does not know.
    """
    layout = layout_of(cls)
    size = layout.packing.size
    if len(content) < size:
        raise MalformedError(f"{cls.__name__}: {len(content)} bytes, needs {size}")
    values: dict[str, Any] = {}
    for name, enum, value in zip(
        layout.names, layout.enums, layout.packing.unpack_from(content), strict=True
    ):
        try:
            values[name] = value if enum is None else enum(value)
        except ValueError as error:
            raise MalformedError(f"{cls.__name__}.{name}: {value} is unknown") from error
    if layout.rest:
        values[layout.rest] = bytes(content[size:])
    return cls(**values)
