"""Change values in the text of a TOML site file, and nothing else: comments, order and every other line stay.

What has been written is read again before it is handed back: an edit that would change anything but the keys it was
asked to change is refused, never saved. Pure.
"""

import tomllib
from collections.abc import Mapping, Sequence
from copy import deepcopy
from typing import Any, TypeAlias

import tomlkit
from tomlkit.container import Container
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, InlineTable, Item, Key, SingleKey, Table

from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.site.lines import path_text
from crumbmeter.site.problems import have, nearest

Value: TypeAlias = str | int | float | bool | Sequence["Value"]
"""What a key of a site file may hold."""
Path: TypeAlias = tuple[str, ...]


class EditRefusedError(CrumbmeterError):
    """The text stays as it is; the words say which key could not be set, why, and what to do."""


def with_values(text: str, changes: Mapping[Path, Value]) -> str:
    """Return the text with the values set; comments, order and untouched lines stay byte for byte.

    A key that is missing is put at the end of its table, which must exist: as a header, as dotted keys or inline.

    Args:
        text: A valid TOML text.
        changes: New value by key path, as ("streams", "rap", "travel", "belt_length_m"). In an array of tables no
            key can be set.

    Raises:
        EditRefusedError: the text is not TOML, or a path leads to no table or to one. Nothing has been changed.
    """
    wanted = _parsed(text)
    for path, value in changes.items():
        text = _with_one(text, path, value)
        _put(wanted, path, value)
    if _parsed(text) != wanted:
        keys = ", ".join(path_text(path) for path in changes)
        raise EditRefusedError(f"{keys}: cannot be set without touching other keys of this file. Set it by hand.")
    return text


def with_table(text: str, path: Path, values: Mapping[str, Value], *, comment: str = "") -> str:
    """Return the text with one new table under its own header, after the last of its kind or at the end.

    Args:
        text: A valid TOML text.
        path: Where: ("devices", "scale_2").
        values: Its keys, in this order.
        comment: Stands behind the header. Empty: none.

    Raises:
        EditRefusedError: the text is not TOML, or there is something at that path already.
    """
    before = _parsed(text)
    if _at(before, path) is not None:
        raise EditRefusedError(f"{path_text(path)}: stands in the file already. Choose another name, or set its keys.")
    ending = "\r\n" if "\r\n" in text else "\n"
    said = f"  # {comment}" if comment else ""
    lines = [f"[{path_text(path)}]{said}"]
    lines += [f"{path_text((key,))} = {tomlkit.item(_plain(value)).as_string()}" for key, value in values.items()]
    rows = text.splitlines(keepends=True)
    if rows and not rows[-1].endswith("\n"):
        rows[-1] += ending
    place = _end_of_kind(rows, path[:-1])
    block = ["", *lines] if place else lines
    after = "".join((*rows[:place], *(line + ending for line in block), *rows[place:]))
    wanted = deepcopy(before)
    _put(wanted, path, {key: _plain(value) for key, value in values.items()})
    if _parsed(after) != wanted:
        raise EditRefusedError(f"{path_text(path)}: cannot be added without touching other tables. Add it by hand.")
    return after


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise EditRefusedError(f"not valid TOML: {error}. Put that right first; `crumbmeter check` shows it.") from None


def _with_one(text: str, path: Path, value: Value) -> str:
    try:
        document = tomlkit.parse(text)
        holders = _holders(document, path[:-1])
    except TOMLKitError as error:
        raise EditRefusedError(f"{path_text(path)}: {error}. Set it by hand.") from None
    if tomlkit.dumps(document) != text:
        raise EditRefusedError(f"{path_text(path)}: this file is written in a way that cannot be kept. Set it by hand.")
    new = tomlkit.item(_plain(value))
    if any(_replaced(holder, path, new) for holder in holders):
        return tomlkit.dumps(document)
    homes = [holder for holder in holders if not _is_implied(holder)]
    if not homes:
        raise _no_table(_parsed(text), path)
    if not text.endswith("\n"):
        return _with_one(text + ("\r\n" if "\r\n" in text else "\n"), path, value)
    _added(homes[-1], path[-1], new)
    return tomlkit.dumps(document)


def _holders(document: Container, path: Path) -> list[Container | Table | InlineTable]:
    """Return every piece of the text that holds keys of the table at a path: a table may be written in several."""
    found: list[Container | Table | InlineTable] = [document]
    for part in path:
        found = [
            item
            for holder in found
            for key, item in _body(holder)
            if key is not None and key.key == part and isinstance(item, Table | InlineTable)
        ]
    return found


def _body(holder: Container | Table | InlineTable) -> list[tuple[Key | None, Item]]:
    return holder.body if isinstance(holder, Container) else holder.value.body


def _is_implied(holder: Container | Table | InlineTable) -> bool:
    """Tell whether a table has no place of its own in the text: it is only named in the headers of those below it."""
    if not isinstance(holder, Table) or not holder.is_super_table():
        return False
    return all(isinstance(item, Table | AoT) and not (key and key.is_dotted()) for key, item in _body(holder) if key)


def _replaced(holder: Container | Table | InlineTable, path: Path, new: Item) -> bool:
    """Put a value in the place of another, with the comment behind it in the same column where there is room."""
    body = _body(holder)
    for index, (key, old) in enumerate(body):
        if key is None or key.key != path[-1]:
            continue
        if isinstance(old, Table | AoT):
            raise EditRefusedError(f"{path_text(path)}: is a table, not a value. Name one of the keys in it.")
        trivia = old.trivia
        spare = len(trivia.comment_ws) + len(old.as_string()) - len(new.as_string())
        new.trivia.indent, new.trivia.comment, new.trivia.trail = trivia.indent, trivia.comment, trivia.trail
        new.trivia.comment_ws = " " * max(spare, 1) if trivia.comment and "\t" not in trivia.comment_ws else ""
        new.trivia.comment_ws = new.trivia.comment_ws or trivia.comment_ws
        body[index] = (key, new)
        return True
    return False


def _added(holder: Container | Table | InlineTable, name: str, new: Item) -> None:
    """Put a new key behind the last key of the table itself, before its tables and before what follows it."""
    if isinstance(holder, InlineTable):
        holder[name] = new
        return
    body = _body(holder)
    last = -1
    for index, (key, item) in enumerate(body):
        if key is not None and (key.is_dotted() or not isinstance(item, Table | AoT)):
            last = index
    if last >= 0 and not isinstance(body[last][1], Table):
        new.trivia.indent, new.trivia.trail = body[last][1].trivia.indent, body[last][1].trivia.trail
    body.insert(last + 1, (SingleKey(name), new))


def _no_table(data: Mapping[str, Any], path: Path) -> EditRefusedError:
    """Say which part of a path leads nowhere."""
    here: Any = data
    for depth, part in enumerate(path[:-1]):
        if not isinstance(here, dict) or part not in here:
            known = list(here) if isinstance(here, dict) else []
            close = nearest(part, known)
            hint = f"did you mean {close}?" if close else have(known)
            where = path_text(path[: depth + 1])
            return EditRefusedError(f"{path_text(path)}: there is no table [{where}]; {hint}")
        here = here[part]
    table = path_text(path[:-1])
    if isinstance(here, dict):
        return EditRefusedError(f"{path_text(path)}: [{table}] has no header of its own here. Write one first.")
    return EditRefusedError(f"{path_text(path)}: {table} is not a table that a key can be set in. Set it by hand.")


def _end_of_kind(rows: Sequence[str], parent: Path) -> int:
    """Return the row behind the last table below `parent`: 0 in an empty text, its end where there is none."""
    prefix = f"[{path_text(parent)}." if parent else "["
    headers = [index for index, row in enumerate(rows) if row.lstrip().startswith("[")]
    of_kind = [index for index in headers if rows[index].lstrip().startswith(prefix)]
    if not of_kind:
        return len(rows)
    end = min((index for index in headers if index > of_kind[-1]), default=len(rows))
    while end > of_kind[-1] + 1 and (not rows[end - 1].strip() or rows[end - 1].lstrip().startswith("#")):
        end -= 1
    return end


def _at(data: Any, path: Path) -> Any:
    for part in path:
        if not isinstance(data, dict) or part not in data:
            return None
        data = data[part]
    return data


def _put(data: dict[str, Any], path: Path, value: Any) -> None:
    """Set a value in what a text means; tables on the way are made."""
    for part in path[:-1]:
        data = data.setdefault(part, {})
    data[path[-1]] = _plain(value)


def _plain(value: Any) -> Any:
    """Turn tuples and other sequences into lists, as TOML reads them."""
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(item) for item in value]
    return value
