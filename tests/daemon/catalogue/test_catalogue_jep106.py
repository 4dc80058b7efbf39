"""Maker codes against the published bank."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.catalogue import jep106
from daemon.catalogue.loader import Catalogue


def test_every_row_of_the_bank(facts: dict[str, Any]) -> None:
    # Source: bank-1 list "Based on JEDEC JEP106-BA - January 2022" (chip_facts.toml, jep106).
    for row in facts["jep106"]["bank1"]:
        assert jep106.with_parity(row["code7"]) == row["code"], row["name"]
        assert jep106.has_odd_parity(row["code"])
        assert jep106.maker_name(row["code"]) == row["name"]


def test_no_name_that_the_bank_does_not_have(facts: dict[str, Any]) -> None:
    named = {code for code in range(256) if jep106.maker_name(code)}
    assert named == {row["code"] for row in facts["jep106"]["bank1"]} | {jep106.ATMEL_27_SERIES}


def test_atmel_answers_a_code_that_is_none() -> None:
    # Source: sheets of AT27C256R, AT27C512R, AT27C010, AT27C400, AT27C800: 0x1E, of even parity.
    assert not jep106.has_odd_parity(0x1E)
    assert jep106.maker_name(0x1E) == jep106.maker_name(0x1F) == "Atmel"
    assert jep106.maker_name(0x1E1E) == "Atmel"  # AT27C400 sheet: "1E1E / F4F4 on 16 bits"
    assert jep106.maker_name(0x9E) == "Exel"


@given(st.integers(0, 0x7F))
def test_parity_makes_the_ones_odd_and_keeps_the_code(code7: int) -> None:
    byte = jep106.with_parity(code7)
    assert f"{byte:b}".count("1") % 2 == 1
    assert byte & 0x7F == code7


@pytest.mark.parametrize("code7", [-1, 0x80, 0x1F0])
def test_a_code_has_seven_bits(code7: int) -> None:
    with pytest.raises(ValueError, match="seven bits"):
        jep106.with_parity(code7)


def test_every_part_with_a_signature_has_a_known_maker(catalogue: Catalogue) -> None:
    for part in catalogue:
        if part.signature.maker is not None:
            name = jep106.maker_name(part.signature.maker)
            assert name, part.id
            # The NM27C series went from National to Fairchild and kept its codes (from memory).
            own = "National" if part.maker == "Fairchild" else part.maker
            assert own.split()[0].lower()[:5] in name.lower() or name == "SGS-Thomson/ST", part.id
