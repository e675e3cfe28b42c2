"""Find the line of every key of a TOML text. tomllib reads values and forgets where they stood; this remembers.

Runs only over text that tomllib has already accepted, so it need not judge: it walks. Pure.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from re import Pattern
from re import compile as compile_pattern

KeyPath = tuple[str | int, ...]
"""Keys from the top, with the index for each item of an array: ("streams", "rap", "travel"), ("at", 2, "t_s")."""

_SPACE = compile_pattern(r"[ \t]*")
_BLANK = compile_pattern(r"(?:[ \t\n\r]|#[^\n]*)*")
"""White space, line ends and comments."""
_BARE_KEY = compile_pattern(r"[^ \t.=\]\n]*")
_BARE_VALUE = compile_pattern(r"[^,\]}#\n]*")


def path_text(path: KeyPath) -> str:
    """Write a key path as people read it: `devices.feeder.port`, `at[2].t_s`."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            bare = part.replace("_", "").replace("-", "").isalnum() and part.isascii()
            word = part if bare else '"' + part.replace('"', '\\"') + '"'
            text += f".{word}" if text else word
    return text


def line_of(lines: Mapping[KeyPath, int], path: KeyPath) -> int:
    """Return the line [counted from 1] of a key, or of the nearest table around it where the key is not there."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return 1


def key_lines(text: str) -> dict[KeyPath, int]:
    """Map every key, table and array item of a valid TOML text to the line [counted from 1] on which it begins."""
    return _Walk(text.replace("\r\n", "\n")).run()


@dataclass
class _Walk:
    """One pass over the text, with the place it has come to."""

    text: str
    at: int = 0
    line: int = 1
    table: KeyPath = ()
    lines: dict[KeyPath, int] = field(default_factory=dict)
    counts: dict[KeyPath, int] = field(default_factory=dict)
    """How many items each array of tables has so far."""

    def run(self) -> dict[KeyPath, int]:
        while True:
            self._pass(_BLANK)
            if self.at >= len(self.text):
                return self.lines
            if self.text[self.at] == "[":
                self._header()
            else:
                self._pair(self.table)

    def _peek(self) -> str:
        return self.text[self.at] if self.at < len(self.text) else ""

    def _step(self, count: int = 1) -> None:
        self.line += self.text.count("\n", self.at, self.at + count)
        self.at += count

    def _pass(self, pattern: Pattern[str]) -> str:
        """Pass what a pattern that always matches takes, and return it."""
        found = pattern.match(self.text, self.at)
        passed = found[0] if found else ""
        self.line += passed.count("\n")
        self.at += len(passed)
        return passed

    def _mark(self, path: KeyPath) -> None:
        """Note the line of a path and of every table that it brings into being."""
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], self.line)

    def _within(self, keys: list[str]) -> KeyPath:
        """Turn the keys of a header into a path through the newest item of every array of tables."""
        path: KeyPath = ()
        for key in keys:
            path = (*path, key)
            if path in self.counts:
                path = (*path, self.counts[path] - 1)
        return path

    def _header(self) -> None:
        double = self.text.startswith("[[", self.at)
        self._step(2 if double else 1)
        keys = self._dotted()
        self._step(2 if double else 1)
        if double:
            array = (*self._within(keys[:-1]), keys[-1])
            self.counts[array] = self.counts.get(array, 0) + 1
        self.table = self._within(keys)
        for length in range(1, len(self.table) + 1):
            self.lines.setdefault(self.table[:length], self.line)
        # A table that an earlier header or key only implied begins, for the reader, where its own header stands.
        self.lines[self.table] = self.line

    def _dotted(self) -> list[str]:
        keys = []
        while True:
            self._pass(_SPACE)
            keys.append(self._key())
            self._pass(_SPACE)
            if self._peek() != ".":
                return keys
            self._step()

    def _key(self) -> str:
        if self._peek() in "\"'":
            return self._string()
        return self._pass(_BARE_KEY)

    def _pair(self, table: KeyPath) -> None:
        line = self.line
        path = (*table, *self._dotted())
        self._step()  # the equals sign
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], line)
        self._pass(_SPACE)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        first = self._peek()
        if first in "\"'":
            self._string()
        elif first == "[":
            self._array(path)
        elif first == "{":
            self._inline(path)
        else:
            self._pass(_BARE_VALUE)

    def _array(self, path: KeyPath) -> None:
        self._step()
        index = 0
        while True:
            self._pass(_BLANK)
            if self._peek() == "]":
                self._step()
                return
            self._mark((*path, index))
            self._value((*path, index))
            index += 1
            self._pass(_BLANK)
            if self._peek() == ",":
                self._step()

    def _inline(self, path: KeyPath) -> None:
        self._step()
        while True:
            self._pass(_BLANK)
            if self._peek() == "}":
                self._step()
                return
            self._pair(path)
            self._pass(_BLANK)
            if self._peek() == ",":
                self._step()

    def _string(self) -> str:
        """Pass a string of any of the four kinds; return its content, escapes resolved, for use as a key."""
        quote = self._peek()
        if self.text.startswith(quote * 3, self.at):
            return self._long_string(quote)
        start = self.at + 1
        end = start
        while self.text[end] != quote:
            end += 2 if quote == '"' and self.text[end] == "\\" else 1
        raw = self.text[start:end]
        self._step(end + 1 - self.at)
        return _unescaped(raw) if quote == '"' else raw

    def _long_string(self, quote: str) -> str:
        end = self.at + 3
        while not self.text.startswith(quote * 3, end):
            end += 2 if quote == '"' and self.text[end] == "\\" else 1
        while self.text.startswith(quote, end + 3):  # one or two quotes may stand before the closing three
            end += 1
        raw = self.text[self.at + 3 : end]
        self._step(end + 3 - self.at)
        return raw


_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


def _unescaped(raw: str) -> str:
    out = []
    at = 0
    while at < len(raw):
        if raw[at] != "\\":
            out.append(raw[at])
            at += 1
            continue
        letter = raw[at + 1]
        if letter in "uU":
            digits = 4 if letter == "u" else 8
            out.append(chr(int(raw[at + 2 : at + 2 + digits], 16)))
            at += 2 + digits
        else:
            out.append(_ESCAPES[letter])
            at += 2
    return "".join(out)
