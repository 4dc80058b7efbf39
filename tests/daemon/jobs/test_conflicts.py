"""Counting what differs, against plain Python."""

from hypothesis import given
from hypothesis import strategies as st

from daemon.jobs.conflicts import conflicts_with, differences

PAIRS = st.integers(1, 200).flatmap(
    lambda n: st.tuples(st.binary(min_size=n, max_size=n), st.binary(min_size=n, max_size=n))
)


@given(PAIRS)
def test_conflicts_are_zeros_where_ones_are_wanted(pair):
    chip, wanted = pair
    places = [at for at, (held, asked) in enumerate(zip(chip, wanted, strict=True)) if asked & ~held & 0xFF]
    found = conflicts_with(chip, wanted)
    assert found.bits == sum((wanted[at] & ~chip[at] & 0xFF).bit_count() for at in places)
    assert found.first_bytes == (places[0] if places else None)


@given(PAIRS)
def test_differences_by_direction(pair):
    wanted, got = pair
    places = [at for at in range(len(wanted)) if wanted[at] != got[at]]
    found = differences(wanted, got)
    assert found.differing_bytes == len(places)
    assert found.bits_wanted_1 == sum((wanted[at] & ~got[at] & 0xFF).bit_count() for at in places)
    assert found.bits_wanted_0 == sum((got[at] & ~wanted[at] & 0xFF).bit_count() for at in places)
    if places:
        assert (found.first_bytes, found.wanted, found.got) == (places[0], wanted[places[0]], got[places[0]])
