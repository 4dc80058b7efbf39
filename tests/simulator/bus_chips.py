"""Chips with content, and the rails that the tests of the bus put on them."""

from collections.abc import Callable

import numpy as np

from daemon.catalogue.model import Part
from protocol.descriptor import PartDescriptor
from simulator.chip.chip import Chip
from simulator.rails import Rails

Describe = Callable[..., PartDescriptor]


READ = Rails(5.0)


PROGRAM = Rails(6.25, 12.75)


PULSE_S = 100e-6


def block(start: int, count: int) -> np.ndarray:
    return np.arange(start, start + count, dtype=np.uint32)


def content_of(part: Part, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 1 << part.width_bits, part.words).astype(np.uint16)


def used(part: Part, seed: int = 1) -> Chip:
    chip = Chip(part, seed)
    chip.program_at_maker(content_of(part, seed))
    return chip
