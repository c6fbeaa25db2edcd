"""The text that the change trail hashes against an independent implementation of RFC 8785.

RFC 8785, "JSON Canonicalization Scheme" (Rundgren, Jordan, Erdtman, 2020); the implementation is the package
``rfc8785``. Numbers are decimal text in the trail, so its rules for numbers are not met with and not compared.
"""

import pytest
import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.trail.canonical import encoded, plain, text_of

# Section 3.2.3 prints these keys in the order of their UTF-16 code units, which is not that of their code points.
SORTED_KEYS = ["\r", "1", "\x80", "\xf6", "\u20ac", "\U0001f600", "\ufb33"]
SCALARS = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text()
VALUES = st.recursive(SCALARS, lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner), max_leaves=30)


@settings(max_examples=200, deadline=None)
@given(st.dictionaries(st.text(), VALUES))
def test_text_is_that_of_the_other_implementation(values):
    one = plain(values)
    assert encoded(one).encode() == rfc8785.dumps(one)


@pytest.mark.parametrize("code", [*range(0x20), 0x22, 0x2F, 0x5C, 0x7F, 0x2028, 0x2029, 0xFEFF])
def test_each_character_with_a_rule_of_its_own_is_written_alike(code):
    assert text_of({"said": chr(code)}).encode() == rfc8785.dumps({"said": chr(code)})


def test_keys_stand_in_the_order_that_the_document_prints():
    mixed = dict.fromkeys(sorted(SORTED_KEYS), "x")
    assert list(mixed) != SORTED_KEYS
    assert list(plain(mixed)) == SORTED_KEYS
    assert text_of(mixed).encode() == rfc8785.dumps(mixed)
