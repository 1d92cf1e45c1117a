"""Conditions as profiles write them."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busledger.decoder.bus import expression
from busledger.decoder.bus.expression import Literal
from busledger.decoder.errors import ProfileError


def value(terms, levels):
    return any(all(levels[lit.line] == lit.asserted for lit in term) for term in terms)


texts = st.recursive(
    st.sampled_from("ABCD"),
    lambda inner: st.one_of(
        inner.map(lambda a: f"!({a})"),
        st.tuples(inner, st.sampled_from("&|"), inner).map(lambda t: f"({t[0]} {t[1]} {t[2]})"),
    ),
    max_leaves=6,
)


@given(texts)
def test_an_or_of_ands_has_the_value_of_the_text(text):
    terms = expression.parse(text)
    python = text.replace("!", " not ").replace("&", " and ").replace("|", " or ")
    for levels in product([False, True], repeat=4):
        named = dict(zip("ABCD", levels, strict=True))
        assert value(terms, named) == eval(python, {}, named)


def test_places_and_nothing():
    assert expression.parse("") == expression.ALWAYS
    assert expression.parse("!any.WAIT & adr.A0") == (
        frozenset({Literal("any", "WAIT", False), Literal("adr", "A0", True)}),
    )
    assert expression.parse("A & !A") == ()


@pytest.mark.parametrize("text", ["A &", "& A", "A B", "(A", "A)", "A ? B", "!", "A && B", "a.b.c", "()", "1A"])
def test_what_is_not_understood_is_named(text):
    with pytest.raises(ProfileError) as caught:
        expression.parse(text)
    assert text in str(caught.value)


def test_a_tangle_is_refused():
    with pytest.raises(ProfileError, match="too tangled"):
        expression.parse(" & ".join(f"(A{n} | B{n})" for n in range(10)))
