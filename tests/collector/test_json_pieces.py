"""Pieces make the document that json itself would have written."""

from __future__ import annotations

import json

from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.json_pieces import json_pieces

VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=8,
)


@given(st.dictionaries(st.text(max_size=6), VALUES, max_size=5), st.booleans())
def test_pieces_are_the_whole(document: dict[str, object], lazily: bool) -> None:
    given_ = {key: iter(value) if lazily and isinstance(value, list) else value for key, value in document.items()}
    assert "".join(json_pieces(given_)) == json.dumps(document, indent=1)
