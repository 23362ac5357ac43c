"""A large JSON document, laid out like any other, but never in memory as a whole. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping


def json_pieces(document: Mapping[str, object]) -> Iterator[str]:
    """What `json.dumps(document, indent=1)` gives, in pieces; a value that is an iterator counts as the list of its
    items, which are made one by one."""
    if not document:
        yield "{}"
        return
    before = "{"
    for key, value in document.items():
        yield f"{before}\n {json.dumps(key)}: "
        yield from _items(value) if isinstance(value, Iterator) else (_indented(value, " "),)
        before = ","
    yield "\n}"


def _items(values: Iterator[object]) -> Iterator[str]:
    before = "["
    for value in values:
        yield f"{before}\n  {_indented(value, '  ')}"
        before = ","
    yield "[]" if before == "[" else "\n ]"


def _indented(value: object, by: str) -> str:
    # A string's own line ends are escaped.
    return json.dumps(value, indent=1).replace("\n", f"\n{by}")
