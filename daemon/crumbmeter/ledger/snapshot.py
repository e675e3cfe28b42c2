"""Frozen values to bytes and back, exactly: the state of the core, at a moment from which a replay can start.

Works by type hints: nested frozen dataclasses of floats, ints, strings, booleans, enums, tuples, and unions of these.
The same value always gives the same bytes; decoding gives an equal value of the same types, every float bit for bit
(JSON carries `repr`, which reads back to the same double). What is not finite is refused, and named with its path.
The bytes carry a fingerprint of the type's shape: after a change of shape an old snapshot is refused, never misread.
"""

import json
import math
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from hashlib import sha256
from types import NoneType, UnionType
from typing import Any, Final, Literal, NewType, TypeVar, Union, get_args, get_origin, get_type_hints

from crumbmeter.journal.chain import canonical_json
from crumbmeter.model.frozen import dataclass

T = TypeVar("T")

_PLAIN: Final[dict[Any, frozenset[type]]] = {
    float: frozenset({float, int}),
    int: frozenset({int}),
    str: frozenset({str}),
    bool: frozenset({bool}),
}
"""Types that JSON carries as they are, with the exact types of value that each may hold."""


class SnapshotError(ValueError):
    """A value cannot be encoded, or bytes do not hold a value of the type asked for."""


@dataclass(frozen=True, slots=True)
class _Codec:
    put: Callable[[Any], Any]
    get: Callable[[Any], Any]
    shape: str
    plain: frozenset[type] | None = None
    """The exact types of value, where JSON carries them as they are."""


def encode(value: object) -> bytes:
    """Return the canonical bytes of a frozen dataclass.

    Raises:
        SnapshotError: something in it is not finite, or not of its declared type; names where.
    """
    kind: Any = type(value)
    codec = _codec(kind)
    try:
        return canonical_json({"shape": fingerprint(kind), "value": codec.put(value)})
    except SnapshotError:
        raise
    except ValueError as problem:
        where = _not_finite(value, type(value).__name__)
        raise SnapshotError(f"{where or type(value).__name__}: {problem}") from problem


def decode(kind: type[T], data: bytes) -> T:
    """Return the value that bytes hold.

    Raises:
        SnapshotError: they hold another type, or the type has changed its shape since.
    """
    try:
        envelope = json.loads(data, parse_constant=_refuse)
        shape, held = envelope["shape"], envelope["value"]
    except (ValueError, KeyError, TypeError) as problem:
        raise SnapshotError(f"not a snapshot: {problem}") from problem
    wanted: Any = kind
    if shape != fingerprint(wanted):
        raise SnapshotError(f"a snapshot of another shape ({shape}) than {kind.__name__} now ({fingerprint(wanted)})")
    value: T = _codec(wanted).get(held)
    return value


def _refuse(word: str) -> float:
    raise SnapshotError(f"{word} in a snapshot")


@cache
def fingerprint(kind: Any) -> str:
    """Return 16 hexadecimal digits that change when the shape of a type changes: names, order and types of fields."""
    return sha256(_codec(kind).shape.encode()).hexdigest()[:16]


@cache
def _codec(hint: Any) -> _Codec:
    if isinstance(hint, NewType):
        return _codec(hint.__supertype__)
    if hint in _PLAIN:
        return _plain(hint)
    if isinstance(hint, type) and issubclass(hint, Enum):
        return _enum(hint)
    if isinstance(hint, type) and is_dataclass(hint):
        return _dataclass(hint)
    composed = _COMPOSED.get(get_origin(hint))
    if composed is None:
        raise SnapshotError(f"no codec for {hint!r}")
    return composed(get_args(hint))


def _plain(hint: type) -> _Codec:
    allowed = _PLAIN[hint]

    def same(value: Any) -> Any:
        if type(value) not in allowed:
            raise SnapshotError(f"{value!r} is no {hint.__name__}")
        return value

    return _Codec(same, same, hint.__name__, allowed)


def _literal(choices: tuple[Any, ...]) -> _Codec:
    def same(value: Any) -> Any:
        if not any(value == one and type(value) is type(one) for one in choices):
            raise SnapshotError(f"{value!r} is none of {choices}")
        return value

    return _Codec(same, same, f"Literal{list(choices)}")


def _enum(kind: type[Enum]) -> _Codec:
    members = {member.value: member for member in kind}

    def put(value: Any) -> Any:
        if type(value) is not kind:
            raise SnapshotError(f"{value!r} is no {kind.__name__}")
        return value.value

    def get(held: Any) -> Enum:
        if held not in members:
            raise SnapshotError(f"{held!r} is no {kind.__name__}")
        return members[held]

    return _Codec(put, get, kind.__name__)


def _dataclass(kind: type) -> _Codec:
    hints = get_type_hints(kind)
    parts = [(field.name, _codec(hints[field.name])) for field in fields(kind)]
    getters = [(name, codec.get) for name, codec in parts]
    putters = [(name, codec.put) for name, codec in parts]

    def put(value: Any) -> list[Any]:
        if type(value) is not kind:
            raise SnapshotError(f"{value!r} is no {kind.__name__}")
        try:
            return [put_part(getattr(value, name)) for name, put_part in putters]
        except SnapshotError as problem:
            raise SnapshotError(f"{kind.__name__}{_where(value, putters)}: {problem}") from None

    def get(held: Any) -> Any:
        if not isinstance(held, list) or len(held) != len(getters):
            raise SnapshotError(f"not the fields of {kind.__name__}")
        return kind(**{name: get_part(one) for (name, get_part), one in zip(getters, held, strict=True)})

    shape = ",".join(f"{name}:{codec.shape}" for name, codec in parts)
    return _Codec(put, get, f"{kind.__name__}({shape})")


def _where(value: Any, putters: list[tuple[str, Callable[[Any], Any]]]) -> str:
    """Find the field that would not go, after the fact: the way that goes well stays short."""
    for name, put_part in putters:
        try:
            put_part(getattr(value, name))
        except SnapshotError:
            return f".{name}"
    return ""


def _tuple(parts: tuple[Any, ...]) -> _Codec:
    if len(parts) == 2 and parts[1] is Ellipsis:
        return _long_tuple(_codec(parts[0]))
    codecs = [_codec(part) for part in parts]

    def put(value: Any) -> list[Any]:
        if type(value) is not tuple or len(value) != len(codecs):
            raise SnapshotError(f"{value!r} is no tuple of {len(codecs)}")
        return [codec.put(one) for codec, one in zip(codecs, value, strict=True)]

    def get(held: Any) -> tuple[Any, ...]:
        if not isinstance(held, list) or len(held) != len(codecs):
            raise SnapshotError(f"{held!r} is no tuple of {len(codecs)}")
        return tuple(codec.get(one) for codec, one in zip(codecs, held, strict=True))

    return _Codec(put, get, f"({','.join(codec.shape for codec in codecs)})")


def _long_tuple(codec: _Codec) -> _Codec:
    """Codec of a tuple of any length; plain members are checked at once and copied whole."""

    def put(value: Any) -> list[Any]:
        if type(value) is not tuple:
            raise SnapshotError(f"{value!r} is no tuple")
        if codec.plain is not None and codec.plain.issuperset(map(type, value)):
            return list(value)
        return [codec.put(one) for one in value]

    def get(held: Any) -> tuple[Any, ...]:
        if not isinstance(held, list):
            raise SnapshotError(f"{held!r} is no tuple")
        if codec.plain is not None and codec.plain.issuperset(map(type, held)):
            return tuple(held)
        return tuple(codec.get(one) for one in held)

    return _Codec(put, get, f"({codec.shape},...)")


def _union(parts: tuple[Any, ...]) -> _Codec:
    members = [part for part in parts if part is not NoneType]
    optional = len(members) < len(parts)
    inner = _codec(members[0]) if len(members) == 1 else _one_of(members)

    def put(value: Any) -> Any:
        if value is None and optional:
            return None
        return inner.put(value)

    def get(held: Any) -> Any:
        if held is None and optional:
            return None
        return inner.get(held)

    return _Codec(put, get, f"{inner.shape}?" if optional else inner.shape)


def _type_of(hint: Any) -> Any:
    """Return the type that a value of a hint has at run time."""
    while isinstance(hint, NewType):
        hint = hint.__supertype__
    return get_origin(hint) or hint


def _one_of(members: list[Any]) -> _Codec:
    """Codec of one of several types: the place of the type goes with the value."""
    codecs = [_codec(member) for member in members]
    types = [_type_of(member) for member in members]

    def put(value: Any) -> list[Any]:
        for place, (kind, codec) in enumerate(zip(types, codecs, strict=True)):
            if type(value) is kind:
                return [place, codec.put(value)]
        raise SnapshotError(f"{value!r} is none of {members}")

    def get(held: Any) -> Any:
        if not isinstance(held, list) or len(held) != 2 or held[0] not in range(len(codecs)):
            raise SnapshotError(f"{held!r} is none of {members}")
        return codecs[held[0]].get(held[1])

    return _Codec(put, get, f"<{'|'.join(codec.shape for codec in codecs)}>")


_COMPOSED: Final[dict[Any, Callable[[tuple[Any, ...]], _Codec]]] = {
    tuple: _tuple,
    Union: _union,
    UnionType: _union,
    Literal: _literal,
}


def _not_finite(value: object, path: str) -> str | None:
    """Return the path of the first float that is not finite."""
    if isinstance(value, float):
        return None if math.isfinite(value) else f"{path} = {value}"
    if isinstance(value, tuple):
        parts = [(f"{path}[{place}]", one) for place, one in enumerate(value)]
    elif is_dataclass(value):
        parts = [(f"{path}.{field.name}", getattr(value, field.name)) for field in fields(value)]
    else:
        return None
    return next((found for where, one in parts if (found := _not_finite(one, where))), None)
