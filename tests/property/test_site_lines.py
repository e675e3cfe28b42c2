"""The line scanner against tomllib: on generated TOML it finds the very same keys, each where it was written."""

import tomllib
from collections.abc import Iterator
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from crumbmeter.site.lines import KeyPath, key_lines, line_of

BARE = st.text("abcXYZ019_-", min_size=1, max_size=5)
QUOTED = st.text("ab .=[]{}#,\\\"'\té\n", max_size=6)
KEYS = st.one_of(BARE, QUOTED)
SCALARS = st.one_of(
    st.integers(-(10**12), 10**12),
    st.booleans(),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text("ab #[]{}=,.\\\"'\té", max_size=8),
)


class Writer:
    """Writes random TOML, and notes where each key begins."""

    def __init__(self, draw: Any) -> None:
        self.draw = draw
        self.text = ""
        self.lines: dict[KeyPath, int] = {}

    @property
    def line(self) -> int:
        return self.text.count("\n") + 1

    def note(self, path: KeyPath) -> None:
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], self.line)

    def key(self, key: str) -> str:
        if key and all(letter in "abcXYZ019_-" for letter in key) and self.draw(st.booleans()):
            return key
        if "'" not in key and "\n" not in key and self.draw(st.booleans()):
            return f"'{key}'"
        return basic(key)

    def blank(self, *, breaks: bool) -> None:
        """Write white space and comments that mean nothing."""
        choices = ["", " ", "\t"] + (["\n", "# a = [1] 'x\n", "\r\n"] if breaks else [])
        self.text += self.draw(st.sampled_from(choices))

    def value(self, path: KeyPath, depth: int) -> None:
        kind = self.draw(st.sampled_from(["scalar", "scalar", "array", "inline"] if depth < 2 else ["scalar"]))
        if kind == "array":
            self.array(path, depth)
        elif kind == "inline":
            self.inline(path, depth)
        else:
            self.scalar()

    def scalar(self) -> None:
        value = self.draw(SCALARS)
        if isinstance(value, bool):
            self.text += str(value).lower()
        elif isinstance(value, str):
            self.string(value)
        else:
            self.text += repr(value)

    def string(self, value: str) -> None:
        kind = self.draw(st.sampled_from(["basic", "literal", "long basic", "long literal"]))
        if kind == "long basic":
            self.text += (
                f'"""\n{value.replace(chr(92), chr(92) * 2).replace(chr(34), chr(92) + chr(34))}\n# "x"\\\n  y"""'
            )
        elif kind == "long literal" and "'" not in value:
            self.text += f"'''\n{value}\n[a]\n''' "
        elif kind == "literal" and "'" not in value:
            self.text += f"'{value}'"
        else:
            self.text += basic(value)

    def array(self, path: KeyPath, depth: int) -> None:
        self.text += "["
        count = self.draw(st.integers(0, 3))
        for index in range(count):
            self.blank(breaks=True)
            self.note((*path, index))
            self.value((*path, index), depth + 1)
            self.blank(breaks=True)
            if index < count - 1 or self.draw(st.booleans()):
                self.text += ","
        self.blank(breaks=True)
        self.text += "]"

    def inline(self, path: KeyPath, depth: int) -> None:
        self.text += "{"
        keys = self.draw(st.lists(KEYS, unique=True, max_size=3))
        for number, key in enumerate(keys):
            self.blank(breaks=False)
            self.pair(path, [key], depth + 1)
            self.blank(breaks=False)
            self.text += "," if number < len(keys) - 1 else ""
        self.text += "}"

    def pair(self, table: KeyPath, keys: list[str], depth: int) -> None:
        self.note((*table, *keys))
        self.text += " . ".join(self.key(key) for key in keys)
        self.blank(breaks=False)
        self.text += "="
        self.blank(breaks=False)
        self.value((*table, *keys), depth)

    def body(self, path: KeyPath) -> None:
        for key in self.draw(st.lists(KEYS, unique=True, max_size=3)):
            self.blank(breaks=True)
            dotted = [key, *self.draw(st.lists(KEYS, max_size=2))]
            self.pair(path, dotted, 0)
            self.text += self.draw(st.sampled_from(["\n", " # comment = [\n", "\r\n"]))

    def document(self) -> None:
        self.body(())
        # Names of tables cannot meet those of keys: they begin with a letter that keys do not have.
        for number in range(self.draw(st.integers(0, 4))):
            name = f"t{number}" + self.draw(BARE)
            inner = self.draw(BARE)
            if self.draw(st.booleans()):
                self.table((name, f"i{inner}"), f"[{name}.{self.key('i' + inner)}]", header_makes=(name,))
            else:
                for index in range(self.draw(st.integers(1, 3))):
                    self.table((name, index), f"[[ {name} ]]", header_makes=(name,))
                    if self.draw(st.booleans()):
                        self.table((name, index, f"s{inner}"), f"[{name}.s{inner}]", header_makes=())

    def table(self, path: KeyPath, header: str, header_makes: KeyPath) -> None:
        self.blank(breaks=True)
        self.note(path)
        self.text += header + self.draw(st.sampled_from(["\n", "  # [x]\n"]))
        self.body(path)


def basic(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\t", "\\u0009")
    return f'"{escaped}"'


def paths(value: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        yield (*path, key)
        yield from paths(item, (*path, key))


@st.composite
def documents(draw: Any) -> Writer:
    writer = Writer(draw)
    writer.document()
    return writer


@settings(max_examples=400, deadline=None)
@given(documents())
def test_every_key_is_found_on_its_line(writer: Writer) -> None:
    data = tomllib.loads(writer.text)
    found = key_lines(writer.text)
    assert set(found) == set(paths(data))
    assert found == writer.lines


def test_a_missing_key_is_shown_at_its_table() -> None:
    lines = key_lines("a = 1\n\n[b.c]\nd = 2\n[[e]]\nf = 1\n[[e]]\n")
    assert line_of(lines, ("b", "c", "missing")) == 3
    assert line_of(lines, ("e", 1, "f")) == 7
    assert line_of(lines, ("nothing", "here")) == 1


def test_a_table_opened_by_its_inner_table_first_stands_at_its_own_header() -> None:
    assert key_lines("[a.b]\nx = 1\n[a]\ny = 2\n")[("a",)] == 3
