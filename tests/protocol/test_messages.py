"""Every message there and back, and lints of the table."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from message_strategies import MESSAGES, messages

from protocol.fields import MalformedError, decode, encode, layout_of
from protocol.framing import CONTENT_MAX
from protocol.messages import OPERATIONS, Answer, Needs, Operation
from protocol.wire import PAYLOAD_MAX, WINDOW_MAX, Mode, Opcode, Status

ROWS = list(OPERATIONS.values())


@pytest.mark.parametrize("cls", MESSAGES, ids=lambda cls: cls.__name__)
@given(data=st.data())
def test_a_message_comes_back_as_it_was(cls: type[Any], data: st.DataObject) -> None:
    message = data.draw(messages(cls))
    content = encode(message)
    assert decode(cls, content) == message
    assert len(content) + 1 <= CONTENT_MAX


@pytest.mark.parametrize("cls", MESSAGES, ids=lambda cls: cls.__name__)
@given(content=st.binary(max_size=40))
def test_garbage_is_decoded_or_malformed(cls: type[Any], content: bytes) -> None:
    try:
        message = decode(cls, content)
    except MalformedError:
        return
    assert content.startswith(encode(message))


def test_the_table_has_each_opcode_once_under_its_own_number() -> None:
    assert set(OPERATIONS) == set(Opcode)
    assert all(row.opcode is opcode for opcode, row in OPERATIONS.items())


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.opcode.name)
def test_what_alters_the_chip_is_numbered_and_guarded(row: Operation) -> None:
    """D18 and D20: an operation number comes first, and a latched fault refuses it."""
    assert (layout_of(row.request).names[:1] == ("op",)) == row.alters
    if row.alters:
        assert Needs.NO_FAULT in row.needs
        assert Needs.SETUP in row.needs
        assert Needs.VCC_ON in row.needs


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.opcode.name)
def test_a_refusal_says_nothing_more_but_where_it_must(row: Operation) -> None:
    refusals = {status for status in row.detail_on if 0 < status < Status.ABORTED}
    allowed = {
        Opcode.SETUP: {Status.CANNOT, Status.LIMIT},
        Opcode.HELLO: {Status.UNKNOWN_VERSION},
    }
    assert refusals == allowed.get(row.opcode, set())
    assert Status.OK not in row.detail_on


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.opcode.name)
def test_control_frames_carry_no_arguments_but_hello(row: Operation) -> None:
    """The host link relies on it."""
    if row.control and row.opcode is not Opcode.HELLO:
        assert layout_of(row.request).names == ()
        assert layout_of(row.request).rest is None


def test_a_full_payload_and_its_arguments_fit_a_frame() -> None:
    for row in ROWS:
        assert 1 + layout_of(row.request).packing.size + PAYLOAD_MAX <= CONTENT_MAX
    assert layout_of(Answer).packing.size == 4


def test_the_window_is_at_most_half_the_sequence_space() -> None:
    # Go back N needs a space larger than the window; with repeats in both directions, twice as large:
    # A. Tanenbaum, Computer Networks, sliding window protocols (from memory).
    assert WINDOW_MAX * 2 <= 32


def test_modes_fit_a_record_byte() -> None:
    assert all(0 <= mode <= 255 for mode in Mode)
