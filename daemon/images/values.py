"""Numbers and bytes as people write them in recipes. TOML has hexadecimal ones, JSON only text for it."""

import re
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, PlainSerializer
from pydantic_core import PydanticCustomError

MAX_CONTENT_BYTES = 64 << 20
"""Largest content that a recipe may make or read: sixteen times the largest part we know of."""

_NUMBER_TEXT = re.compile(r"0[xX][0-9A-Fa-f_]{1,16}|[0-9_]{1,16}")
_HEX_TEXT = re.compile(r"0[xX]((?:[0-9A-Fa-f]{2}[ _]?)+)")


def _number(value: Any) -> Any:
    if isinstance(value, bool):
        raise PydanticCustomError("number", "is {given}; a whole number is needed", {"given": value})
    if isinstance(value, str) and _NUMBER_TEXT.fullmatch(value):
        return int(value, 0 if value[:2].lower() == "0x" else 10)
    return value


def _bytes(value: Any) -> Any:
    """Take text as its ASCII characters, "0x1A 2B" as two bytes, a list as byte values."""
    if isinstance(value, bytes):
        return value
    if isinstance(value, str):
        if value[:2].lower() == "0x":
            match = _HEX_TEXT.fullmatch(value)
            if match is None:
                raise PydanticCustomError(
                    "byte_text", 'is not pairs of hexadecimal digits after 0x, such as "0x1A 2B"'
                )
            return bytes.fromhex(match[1].replace("_", " "))
        if not value.isascii():
            raise PydanticCustomError(
                "byte_text", 'has characters outside ASCII; write those as bytes, such as "0xC3 A9"'
            )
        return value.encode("ascii")
    if isinstance(value, list | tuple) and all(
        isinstance(each, int) and not isinstance(each, bool) and 0 <= each <= 0xFF for each in value
    ):
        return bytes(value)
    raise PydanticCustomError(
        "byte_text", 'must be text, hexadecimal such as "0x1A 2B", or a list of numbers from 0 to 255'
    )


def spelled(data: bytes) -> str:
    """Write bytes as `ByteText` reads them back, text where it is text."""
    printable = all(0x20 <= each <= 0x7E for each in data)
    if printable and data[:2].lower() != b"0x":
        return data.decode("ascii")
    return "0x" + data.hex(" ").upper()


Number = Annotated[int, BeforeValidator(_number)]
Offset = Annotated[int, BeforeValidator(_number), Field(strict=True, ge=0, lt=MAX_CONTENT_BYTES)]
"""A byte offset in content, counted from 0."""
Size = Annotated[int, BeforeValidator(_number), Field(strict=True, ge=1, le=MAX_CONTENT_BYTES)]
"""A length in bytes."""
Address = Annotated[int, BeforeValidator(_number), Field(strict=True, ge=0, lt=1 << 32)]
"""A byte address as Intel HEX and S-record have them."""
Byte = Annotated[int, BeforeValidator(_number), Field(strict=True, ge=0, le=0xFF)]
Line = Annotated[int, BeforeValidator(_number), Field(strict=True, ge=0, le=31)]
"""The number of an address or data line."""
Small = Annotated[int, BeforeValidator(_number), Field(strict=True, ge=1, le=64)]
Word32 = Annotated[int, BeforeValidator(_number), Field(strict=True, ge=0, lt=1 << 32)]
ByteText = Annotated[
    bytes,
    BeforeValidator(_bytes),
    Field(min_length=1, max_length=65_536),
    PlainSerializer(spelled, return_type=str),
]
"""A few bytes: text, "0x1A 2B", or a list of numbers."""
