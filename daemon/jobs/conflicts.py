"""Comparing what a chip holds with what it should hold."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Conflicts:
    """Bits of the chip that are 0 where 1 is wanted: programming cannot bring them back."""

    bits: int
    first_bytes: int | None


@dataclass(frozen=True, slots=True)
class Differences:
    """How content differs: bytes, bits by direction, and the first place with what is there."""

    differing_bytes: int
    bits_wanted_0: int
    bits_wanted_1: int
    first_bytes: int | None
    wanted: int
    got: int


def conflicts_with(chip: bytes, wanted: bytes) -> Conflicts:
    """Count the bits that are 0 in `chip` and 1 in `wanted`, two contents of the same length."""
    import numpy as np

    held, asked = np.frombuffer(chip, np.uint8), np.frombuffer(wanted, np.uint8)
    clash = asked & ~held
    places = np.flatnonzero(clash)
    return Conflicts(int(np.bitwise_count(clash).sum()), int(places[0]) if places.size else None)


def differences(wanted: bytes, got: bytes) -> Differences:
    """Compare two contents of the same length."""
    import numpy as np

    asked, held = np.frombuffer(wanted, np.uint8), np.frombuffer(got, np.uint8)
    places = np.flatnonzero(asked != held)
    first = int(places[0]) if places.size else None
    return Differences(
        differing_bytes=int(places.size),
        bits_wanted_0=int(np.bitwise_count(held & ~asked).sum()),
        bits_wanted_1=int(np.bitwise_count(asked & ~held).sum()),
        first_bytes=first,
        wanted=wanted[first] if first is not None else 0,
        got=got[first] if first is not None else 0,
    )
