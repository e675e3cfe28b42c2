"""Frozen values at a scan's pace: `dataclass` and `replace` of the library, to the type checker and to the reader.

A scan makes some hundred values and thirty changed copies. The library's frozen classes are written in Python and take
a third of a scan for that. Here the same classes are made by msgspec, in C, and refuse an assignment just the same
(decision 0011). Only rooms whose values are made anew in every scan import this; all else takes the library's own.
"""

import dataclasses
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

from msgspec import json as _json

V = TypeVar("V")

if TYPE_CHECKING:
    from dataclasses import dataclass as dataclass  # noqa: PLC0414 - exported
    from dataclasses import replace as replace  # noqa: PLC0414 - exported
else:
    from msgspec import NODEFAULT, defstruct, field
    from msgspec.structs import replace as replace  # noqa: PLC0414 - exported

    def dataclass(*, frozen: bool = False, slots: bool = False) -> Any:
        """Make a class of frozen values, known to the library's `fields`, `asdict` and `is_dataclass`.

        A class that is not frozen is made by the library.
        """
        return _frozen if frozen else dataclasses.dataclass(slots=slots)

    def _frozen(described: type) -> type:
        own = set(vars(described))
        fields = dataclasses.dataclass(described).__dataclass_fields__
        kept = {name: vars(described)[name] for name in own - fields.keys() - {"__dict__", "__weakref__"}}
        kept |= {"__qualname__": described.__qualname__, "__dataclass_fields__": fields}
        given = [(each.name, each.type, _default(each)) for each in fields.values()]
        return defstruct(described.__name__, given, namespace=kept, module=described.__module__, frozen=True)

    def _default(each: dataclasses.Field[Any]) -> Any:
        if each.default is not dataclasses.MISSING:
            return each.default
        return NODEFAULT if each.default_factory is dataclasses.MISSING else field(default_factory=each.default_factory)


def body_reader(shape: type[V]) -> Callable[[bytes], V]:
    """Return a fast reader of JSON objects with exactly the fields of a class of frozen values.

    It raises ValueError where the bytes are no such object. What the class has no field for is passed over.
    """
    return _json.Decoder(shape).decode
