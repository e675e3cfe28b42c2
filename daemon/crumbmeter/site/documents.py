"""Read one TOML file: its bytes, its values, and the line of every key. Only this module reads files here."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from re import search
from typing import Any

from crumbmeter.site.lines import KeyPath, key_lines, line_of, path_text
from crumbmeter.site.problems import Problem, as_written
from crumbmeter.site.refusals import REFUSALS


@dataclass(frozen=True, slots=True)
class Document:
    """One file as it was read."""

    name: str
    """Path as a person would type it; stands in every message."""
    raw: bytes
    data: Mapping[str, Any]
    lines: Mapping[KeyPath, int]

    def problem(
        self, code: str, path: KeyPath, expected: str, *, remedy: str = "", found: str | None = None
    ) -> Problem:
        """Make a problem at a key of this file; what stands there is looked up unless `found` says otherwise."""
        return Problem(
            code=code,
            file=self.name,
            line=line_of(self.lines, path),
            key=path_text(path),
            found=self.written(path) if found is None else found,
            expected=expected,
            remedy=remedy or REFUSALS[code].remedy,
        )

    def written(self, path: KeyPath) -> str:
        """Return the value at a path as it is written, or nothing where there is none or it is a table."""
        value: Any = self.data
        for part in path:
            try:
                value = value[part]
            except (KeyError, IndexError, TypeError):
                return ""
        return "" if isinstance(value, dict) else as_written(value)


def read_document(path: Path, name: str) -> Document | Problem:
    """Read a file, or say why it cannot be read."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        why = error.strerror or "cannot be read"
        return Problem("file-missing", name, 1, "", "", f"cannot be read: {why}", REFUSALS["file-missing"].remedy)
    return parse_document(raw, name)


def parse_document(raw: bytes, name: str) -> Document | Problem:
    """Parse the bytes of a file, or say what breaks the rules of TOML, and on which line."""
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        remedy = "Save the file as UTF-8."
        return Problem("bad-toml", name, line, "", "", f"byte {raw[error.start]:#04x} is not UTF-8", remedy)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = search(r"\(at line (\d+), column (\d+)\)", str(error))
        line = int(place[1]) if place else text.count("\n") + 1
        what = str(error).split(" (at ")[0]
        source = text.split("\n")[line - 1].strip() if line <= text.count("\n") + 1 else ""
        shown = f", in: {source[:60]}" if source else ""
        remedy = REFUSALS["bad-toml"].remedy
        return Problem("bad-toml", name, line, "", "", f"not valid TOML: {what}{shown}", remedy)
    except RecursionError:
        return Problem("bad-toml", name, 1, "", "", "nested too deeply", "Take the nesting out.")
    return Document(name, raw, data, key_lines(text))
