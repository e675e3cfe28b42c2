"""TOML tables to frozen dataclasses: every key known, every type right, or the list of all problems."""

import dataclasses
import difflib
import tomllib
import types
import typing
from pathlib import Path
from typing import Any, TypeVar

T = TypeVar("T")


class FileRefusedError(Exception):
    """A file of the simulator does not say what it must. `problems` holds one line for each fault."""

    def __init__(self, path: Path, problems: list[str]) -> None:
        self.path = path
        self.problems = problems
        super().__init__("\n".join([f"{path}: {len(problems)} problem(s), nothing started.", *problems]))


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file, or say why it cannot be read."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise FileRefusedError(path, [f"  {error}"]) from error


def read_based(path: Path) -> dict[str, Any]:
    """Read a TOML file over the one that its `based_on` names; tables are merged, lists replaced."""
    table = read_toml(path)
    base = table.get("based_on")
    if not isinstance(base, str) or not base:
        return table
    if (path.parent / base).resolve() == path.resolve():
        raise FileRefusedError(path, [f"  based_on = {base!r}: the file itself"])
    return _laid_over(read_based(path.parent / base), table)


def _laid_over(under: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    both = dict(under)
    for key, value in over.items():
        below = both.get(key)
        both[key] = _laid_over(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return both


def override(path: Path, table: Any, dotted: str, value: Any) -> None:
    """Set the value at a dotted path (`belt.0.moisture_percent`) of a table; the place must exist."""
    *way, last = dotted.split(".")
    try:
        for part in way:
            table = table[int(part)] if isinstance(table, list) else table[part]
    except (KeyError, IndexError, ValueError) as error:
        raise FileRefusedError(path, [f"  override {dotted}: no such place"]) from error
    table[int(last) if isinstance(table, list) else last] = value


def build(path: Path, kind: type[T], table: dict[str, Any]) -> T:
    """Build `kind` from a table, or raise with every problem found."""
    problems: list[str] = []
    result = _struct(kind, table, "", problems)
    if problems:
        raise FileRefusedError(path, problems)
    return typing.cast("T", result)


def _struct(kind: Any, table: Any, where: str, problems: list[str]) -> Any:
    if not isinstance(table, dict):
        problems.append(f"  {where or 'file'}: found {table!r}, expected a table")
        return None
    hints = typing.get_type_hints(kind)
    fields = {field.name: field for field in dataclasses.fields(kind)}
    for key in table:
        if key not in fields:
            near = difflib.get_close_matches(key, fields, 1)
            remedy = f"; did you mean {near[0]}?" if near else f"; known: {', '.join(fields)}"
            problems.append(f"  {_join(where, key)}: unknown key{remedy}")
    values: dict[str, Any] = {}
    for name, field in fields.items():
        if name in table:
            values[name] = _value(hints[name], table[name], _join(where, name), problems)
        elif field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING:
            problems.append(f"  {_join(where, name)}: missing")
    return None if problems else kind(**values)


def _value(hint: Any, value: Any, where: str, problems: list[str]) -> Any:
    if dataclasses.is_dataclass(hint):
        return _struct(hint, value, where, problems)
    origin = typing.get_origin(hint)
    if origin is not None:
        return _generic(hint, origin, value, where, problems)
    if hint is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if hint is Any or (isinstance(value, hint) and not (hint is int and isinstance(value, bool))):
        return value
    problems.append(f"  {where} = {value!r}: expected {hint.__name__}")
    return None


def _generic(hint: Any, origin: Any, value: Any, where: str, problems: list[str]) -> Any:
    arguments = typing.get_args(hint)
    if origin is typing.Literal:
        if value not in arguments:
            problems.append(f"  {where} = {value!r}: expected one of {', '.join(map(str, arguments))}")
        return value
    if origin is types.UnionType:  # only `X | None` is used
        return _value(arguments[0], value, where, problems)
    if origin is tuple and isinstance(value, list):
        return tuple(_value(arguments[0], item, f"{where}[{i}]", problems) for i, item in enumerate(value))
    if origin is dict and isinstance(value, dict):
        return {key: _value(arguments[1], item, _join(where, key), problems) for key, item in value.items()}
    problems.append(f"  {where} = {value!r}: expected {'a list' if origin is tuple else 'a table'}")
    return None


def _join(where: str, key: str) -> str:
    return f"{where}.{key}" if where else key
