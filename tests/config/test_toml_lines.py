"""Every key that the TOML reader finds has a line, and it is the right one."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from config.toml_lines import KeyPath, key_lines


def paths(node: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    if path:
        yield path
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in items:
        yield from paths(value, (*path, key))


TEXT = '''# head
top = 1
[a]
b.c = "x # no comment" # comment
"quoted.key" = 'y'

[[list]]
n = """
many
lines"""
[list.sub]
k = [1,
  2,
  { deep = "v", other = [ "]" ] }]
[[list]]
n = \'\'\'a\'\'\'\'
m = 1979-05-27T07:32:00Z
inline = { x = 1, y = { z = "}" } }
'''


def test_lines_are_those_of_the_text() -> None:
    lines = key_lines(TEXT)

    assert lines[("top",)] == 2
    assert lines[("a",)] == 3
    assert lines[("a", "b", "c")] == 4
    assert lines[("a", "quoted.key")] == 5
    assert lines[("list", 0)] == 7
    assert lines[("list", 0, "n")] == 8
    assert lines[("list", 0, "sub", "k")] == 12
    assert lines[("list", 0, "sub", "k", 1)] == 13
    assert lines[("list", 0, "sub", "k", 2, "other")] == 14
    assert lines[("list", 1)] == 15
    assert lines[("list", 1, "m")] == 17
    assert lines[("list", 1, "inline", "y", "z")] == 18


def test_every_key_of_the_reader_has_a_line() -> None:
    assert set(paths(tomllib.loads(TEXT))) == set(key_lines(TEXT))


BARE = st.text(alphabet="abcXYZ019_-", min_size=1, max_size=5)
VALUE = st.one_of(
    st.integers(-9, 9).map(str),
    st.text(alphabet="ab#[]{},.= '", max_size=6).map(lambda text: f'"{text}"'),
    st.text(alphabet='ab#[]{},.= "', max_size=6).map(lambda text: f"'{text}'"),
    st.just('"""two\nlines "" here"""'),
    st.just("[1, [2,\n 3], {k = 4}]"),
    st.just('{a = "}", b.c = [ 1 ]}'),
)


@given(st.lists(st.tuples(BARE, BARE, st.dictionaries(BARE, VALUE, max_size=4), st.booleans()), max_size=5))
def test_any_document_is_indexed_completely(
    tables: list[tuple[str, str, dict[str, str], bool]],
) -> None:
    text = ""
    for number, (name, comment, keys, array) in enumerate(tables):
        header = f"[[t.{name}x]]" if array else f"[p{number}.{name}]"
        text += f"{header} # {comment}\n" + "".join(f"{key} = {value}\n" for key, value in keys.items())

    found = key_lines(text)

    assert set(paths(tomllib.loads(text))) == set(found)
    for path, line in found.items():
        last = path[-1]
        if isinstance(last, str):
            assert last in text.splitlines()[line - 1]
