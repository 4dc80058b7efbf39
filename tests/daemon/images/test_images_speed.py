"""No step works through content byte by byte: 16 MiB take a fraction of a second of a processor."""

import hashlib
from time import process_time
from typing import Any

import pytest

from daemon.images import Image
from daemon.images.recipe import parse_steps, transform

IMAGE = Image.raw(hashlib.shake_256(b"large").digest(1 << 20) * 16)
LIMIT_S = 1.0
"""Python needs longer than this for 16 million turns of any loop that does something."""


@pytest.mark.parametrize(
    "step",
    [
        {"do": "skip-header", "length_bytes": 512},
        {"do": "split", "lane": "odd"},
        {"do": "split", "ways": 4, "lane": 1, "unit_bytes": 2},
        {"do": "swap-bytes"},
        {"do": "swap-bytes", "word_bytes": 8},
        {"do": "reorder-address-lines", "exchange": [[0, 23], [11, 12]]},
        {"do": "reorder-address-lines", "order": [*range(23, -1, -1)]},
        {"do": "reorder-data-lines", "exchange": [[0, 7]]},
        {"do": "reorder-data-lines", "exchange": [[0, 15]], "word_bytes": 2},
        {"do": "place", "offset_bytes": 1, "size_bytes": 1 << 25},
        {"do": "repeat", "times": 2},
        {"do": "checksum", "kind": "sum-16", "offset_bytes": 0},
        {"do": "checksum", "kind": "crc-16", "offset_bytes": 0},
        {"do": "checksum", "kind": "crc-32", "offset_bytes": 0, "crc": "MPEG-2"},
    ],
    ids=lambda step: step["do"],
)
def test_large_content_is_quick(step: dict[str, Any]) -> None:
    steps = parse_steps([step])
    begun_s = process_time()
    transform(IMAGE, steps, with_map=False)
    assert process_time() - begun_s < LIMIT_S
