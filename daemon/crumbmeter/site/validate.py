"""Check the keys of one table against its model, and say everything that is wrong in words. Pure.

Each table is validated by itself, so that one mistake never hides another. A table whose only mistakes are unknown keys
is still built without them: then the cross checks can look at it too.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from crumbmeter.site.documents import Document
from crumbmeter.site.keys.base import HOST_PATTERN, NAME_PATTERN, Keys
from crumbmeter.site.keys.nodes import NODE_PATTERN, VARIABLE_PATTERN
from crumbmeter.site.keys.quality import CLOCK_PATTERN
from crumbmeter.site.lines import KeyPath
from crumbmeter.site.problems import Problem, have, nearest

K = TypeVar("K", bound=Keys)

SECRETS = re.compile(r"(^|_)(password|passwd|secret|token|api_?key|private_?key)$")
_KEEP_APART = "Put it into a file of its own that only the daemon may read, and name that file in password_file."


@dataclass(frozen=True, slots=True)
class Checked:
    """Outcome for one table."""

    part: Any
    """The model, or None where the table cannot be used."""
    problems: tuple[Problem, ...]


def check_table(model: type[Keys], doc: Document, path: KeyPath, data: Any) -> Checked:
    """Validate one table of a document."""
    if not isinstance(data, dict):
        return Checked(None, (doc.problem("wrong-type", path, "must be a table"),))
    try:
        return Checked(model.model_validate(data), tuple(_choice_problems(model, doc, path, data)))
    except ValidationError as error:
        details = error.errors(include_url=False, include_context=True)
    problems = list(_problems(model, doc, path, data, details))
    problems += _choice_problems(model, doc, path, data)
    if all(detail["type"] == "extra_forbidden" for detail in details):
        return Checked(model.model_validate(_without(data, details)), tuple(problems))
    return Checked(None, tuple(problems))


def check_named(model: type[Keys], doc: Document, path: KeyPath, data: Any) -> tuple[dict[str, Any], list[Problem]]:
    """Validate a table of tables; every name maps to its model, or to None where that table cannot be used."""
    if not isinstance(data, dict):
        return {}, [doc.problem("wrong-type", path, "must be a table of tables, one for each name")]
    parts: dict[str, Any] = {}
    problems: list[Problem] = []
    for name, entry in data.items():
        if not re.fullmatch(NAME_PATTERN, name):
            problems.append(doc.problem("bad-name", (*path, name), "is no name", found=""))
        checked = check_table(model, doc, (*path, name), entry)
        parts[name] = checked.part
        problems += checked.problems
    return parts, problems


def key_of(name: str, info: FieldInfo) -> str:
    """Return a field's key as it stands in the file."""
    return info.alias or name


def known_keys(model: type[Keys]) -> dict[str, FieldInfo]:
    """Return all keys of a model with their fields."""
    return {key_of(name, info): info for name, info in model.model_fields.items()}


def metadata_of(info: FieldInfo) -> Iterator[Any]:
    """Yield all metadata of a field, also that inside `X | None`."""
    yield from info.metadata
    yield from _inner_metadata(info.annotation)


def _inner_metadata(annotation: Any) -> Iterator[Any]:
    if get_origin(annotation) is Annotated:
        yield from annotation.__metadata__
        yield from _inner_metadata(annotation.__origin__)
    elif get_origin(annotation) in (Union, UnionType):
        for arm in get_args(annotation):
            yield from _inner_metadata(arm)


def models_in(annotation: Any) -> Iterator[type[Keys]]:
    """Yield the models that an annotation speaks of."""
    if isinstance(annotation, type) and issubclass(annotation, Keys):
        yield annotation
    else:
        for arm in get_args(annotation):
            yield from models_in(arm)


def _without(data: Mapping[str, Any], details: list[ErrorDetails]) -> dict[str, Any]:
    """Copy a table without the keys that are unknown."""
    copy: dict[str, Any] = {k: (dict(v) if isinstance(v, dict) else v) for k, v in data.items()}
    for detail in details:
        inner: Any = copy
        *parents, last = detail["loc"]
        for part in parents:
            inner[part] = dict(inner[part])
            inner = inner[part]
        inner.pop(last)
    return copy


def _model_at(model: type[Keys], loc: KeyPath) -> type[Keys] | None:
    """Return the model of the table in which the last key of `loc` stands."""
    at: type[Keys] | None = model
    for part in loc[:-1]:
        info = known_keys(at).get(str(part)) if at else None
        inner = next(models_in(info.annotation), None) if info else None
        # A name inside a table of tables is no field: the model stays the same.
        at = inner if info else at
    return at


def _clean(data: Any, detail: ErrorDetails) -> KeyPath:
    """Return where in the file an error is: pydantic adds the arms of unions and the marks of keys to its paths."""
    path: KeyPath = ()
    at: Any = data
    for part in detail["loc"]:
        if isinstance(at, dict) and (part in at or detail["type"] == "missing"):
            path = (*path, part)
            at = at.get(part)
        elif isinstance(at, list) and isinstance(part, int):
            path = (*path, part)
            at = at[part]
    return path


def _problems(
    model: type[Keys], doc: Document, path: KeyPath, data: Mapping[str, Any], details: list[ErrorDetails]
) -> Iterator[Problem]:
    missing = [_clean(data, detail) for detail in details if detail["type"] == "missing"]
    replaced: set[KeyPath] = set()
    for detail in details:
        if detail["type"] == "extra_forbidden":
            loc = _clean(data, detail)
            candidates = [str(gap[-1]) for gap in missing if gap[:-1] == loc[:-1]]
            close = nearest(str(loc[-1]), candidates)
            if close:
                replaced.add((*loc[:-1], close))
            yield _unknown(model, doc, path, loc, close)
    seen: set[KeyPath] = set()
    # Of the arms of a union the one whose type fits has the more to say.
    for detail in sorted(details, key=lambda detail: detail["type"].endswith("_type")):
        loc = _clean(data, detail)
        if detail["type"] == "extra_forbidden" or loc in replaced or loc in seen:
            continue
        seen.add(loc)
        yield _one(doc, (*path, *loc), detail)


def _unknown(model: type[Keys], doc: Document, path: KeyPath, loc: KeyPath, close: str | None) -> Problem:
    word = str(loc[-1])
    if SECRETS.search(word):
        return doc.problem(
            "secret-in-file", (*path, *loc), "must not stand here", found="(not shown)", remedy=_KEEP_APART
        )
    owner = _model_at(model, loc)
    known = list(known_keys(owner)) if owner else []
    close = close or nearest(word, known)
    if close:
        return doc.problem(
            "unknown-key", (*path, *loc), f"unknown key; did you mean {close}?", remedy=f"Write {close}."
        )
    remedy = f"Take it out, or use a key that this table knows ({have(known)})."
    return doc.problem("unknown-key", (*path, *loc), "unknown key", remedy=remedy)


_COMPARISONS = {
    "greater_than": ("must be greater than", "gt"),
    "greater_than_equal": ("must be at least", "ge"),
    "less_than": ("must be less than", "lt"),
    "less_than_equal": ("must be at most", "le"),
}
_TYPES = {
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "bool_type": "must be true or false",
    "string_type": "must be text in quotes",
    "tuple_type": "must be a list in square brackets",
    "dict_type": "must be a table",
    "model_type": "must be a table",
    "model_attributes_type": "must be a table",
}
FORMS = {
    NAME_PATTERN: "must be small letters, digits and underscores, a letter first",
    r"^[a-z][a-z0-9_]*\.[a-z][a-z0-9_]*$": "must have the form device.register",
    HOST_PATTERN: "must be an IP address or a host name, without a port",
    r"^(embedded(:[0-9]{1,5})?|[A-Za-z0-9.-]+:[0-9]{1,5})$": "must be embedded, embedded:PORT or host:port",
    r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$": "must be words of letters, digits, - and _, parted by single slashes",
    r"^/dev/[A-Za-z0-9._:/+-]{1,200}$": "must be a device file under /dev/",
    NODE_PATTERN: "must be s= with a text, i= with a number, g= with a GUID, or b= with bytes in base 64",
    VARIABLE_PATTERN: "must be a name in capital letters, digits and underscores",
    r"^[A-Za-z0-9._~/-]{0,200}$": "must be the part of the address after host and port, without signs such as ? or :",
    CLOCK_PATTERN: 'must be a clock time such as "06:00"',
    r"^(0x[0-9A-Fa-f]{1,4}|[0-9]{1,6})$": 'must be a number, or hex text such as "0x0010"',
}
"""What each pattern of a key means to a person; a test sees to it that none is missing."""


def _one(doc: Document, path: KeyPath, detail: ErrorDetails) -> Problem:
    """Say one error of pydantic in the words of this project."""
    kind = detail["type"]
    context = detail.get("ctx", {})
    if kind == "missing":
        table = ".".join(map(str, path[:-1]))
        return doc.problem("missing-key", path, "is missing", remedy=f"Add {path[-1]} to [{table}].")
    if kind == "literal_error":
        allowed = str(context["expected"]).replace("'", "").replace(" or ", ", ")
        close = nearest(str(detail["input"]), allowed.split(", "))
        return doc.problem(
            "not-one-of", path, f"must be one of {allowed}", remedy=f"Did you mean {close}?" if close else ""
        )
    if kind == "string_pattern_mismatch":
        return doc.problem("bad-form", path, FORMS[str(context["pattern"])])
    beyond = _beyond(kind, context)
    return doc.problem("out-of-range", path, beyond) if beyond else doc.problem("wrong-type", path, _TYPES[kind])


def _beyond(kind: str, context: Mapping[str, Any]) -> str | None:
    """Return the limit that a value breaks, in words, or None where the error is no matter of limits."""
    if kind in _COMPARISONS:
        words, key = _COMPARISONS[kind]
        return f"{words} {context[key]:g}"
    entries = "entry" if context.get("min_length") == 1 else "entries"
    return {
        "finite_number": "must be a finite number",
        "too_short": f"needs at least {context.get('min_length')} {entries}",
        "too_long": f"takes at most {context.get('max_length')} entries",
        "string_too_short": "must not be empty",
        "string_too_long": f"must be at most {context.get('max_length')} characters long",
    }.get(kind)


def _choice_problems(model: type[Keys], doc: Document, path: KeyPath, data: Mapping[str, Any]) -> list[Problem]:
    problems = []
    for quantity, option in model.choices.items():
        given = [key for key in option.names if key in data]
        if len(given) > 1:
            expected = f"is given in {len(given)} units"
            remedy = f"Keep one of {', '.join(given)}."
            problems.append(doc.problem("two-units", (*path, given[-1]), expected, remedy=remedy))
        elif (
            not given and option.required and not any(nearest(key, option.names) for key in _unknown_keys(model, data))
        ):
            names = " or ".join(option.names)
            remedy = f"Add one of them to [{'.'.join(map(str, path))}]."
            problems.append(doc.problem("missing-key", (*path, quantity), f"is missing: {names}", remedy=remedy))
    return problems


def _unknown_keys(model: type[Keys], data: Mapping[str, Any]) -> list[str]:
    known = known_keys(model)
    return [key for key in data if key not in known]


def literals_of(info: FieldInfo) -> tuple[str, ...]:
    """Return the words that a field allows, or none where it takes any text."""
    return tuple(_literals(info.annotation))


def _literals(annotation: Any) -> Iterator[str]:
    if get_origin(annotation) is Literal:
        yield from (str(word) for word in get_args(annotation))
    else:
        for arm in get_args(annotation):
            yield from _literals(arm)
