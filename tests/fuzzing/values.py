"""Values that break what reads them, and good values with one of them put in somewhere."""

from __future__ import annotations

import copy
from typing import Any

from hypothesis import strategies as st

NASTY = (
    *("", " ", "\x00", "²", "٣", "1e400", "-1e400", "NaN", "inf", "-0", "1_000", "0x10", "9" * 400, "1,5", "1.5.2"),
    *("0001-01-01", "9999-12-31", "9999-12-31T23:59:59Z", "0001-01-01T00:00:00+14:00", "2024-02-30", "2024-13-01T25"),
    *("0001-01-01T00:00", "9999-12-31T23:59", "10:99", "24:00", "-1", "2147483648", "9223372036854775808", "½"),
    *("00000000-0000-0000-0000-000000000000", "not-a-key", "[]", "{}", "null", "[[[[[[", '{"a":{"a":1}}', "true"),
    *("=1+1", "<script>x</script>", "' OR 1=1 --", "../../etc/passwd", "%00", "%s%n", "{{ 7*7 }}", "\u202eabc"),
    *("\ufeff", "\r\nSet-Cookie: a=b", "a" * 5000, "Å" * 300, "\u0130", "\U0001fac0"),
)
nasty = st.one_of(
    st.sampled_from(NASTY), st.text(max_size=30), st.integers().map(str), st.floats().map(str), st.datetimes().map(str)
)
anything = st.one_of(
    nasty,
    st.none(),
    st.booleans(),
    st.integers(),
    st.integers(min_value=10**18, max_value=10**400),
    st.floats(),
    st.lists(nasty, max_size=3),
    st.dictionaries(nasty, nasty, max_size=2),
    st.builds(lambda: {"a": [{"a": [{}]}]}),
)


def _places(value: Any, way: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [way] if way else []
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, one in inner:
        found += _places(one, (*way, name))
    return found


@st.composite
def spoilt(draw: st.DrawFn, value: Any) -> Any:
    """Return a copy with something else in one to three places, a value left out, or one too many."""
    made = copy.deepcopy(value)
    for _ in range(draw(st.integers(1, 3))):
        places = _places(made)
        if not places:
            break
        *before, last = draw(st.sampled_from(places))
        holder = made
        for name in before:
            holder = holder[name]
        how = draw(st.integers(0, 7))
        if how == 0:
            del holder[last]
        elif how == 1 and isinstance(holder, dict):
            holder[draw(nasty)] = draw(anything)
        elif how == 2 and isinstance(holder, list):
            holder.append(copy.deepcopy(holder[last]))
        else:
            holder[last] = draw(anything)
    return made
