"""Frozen values at a scan's pace: `dataclass` and `replace` of the library, to the type checker and to the reader.

A scan makes some hundred values. The library's frozen classes guard each field of each of them against assignment while
they are made, which took a third of a scan (decision 0007). Here the type checker keeps them frozen, in every line of
the program, and nothing guards them again while it runs. Only rooms whose values are made anew in every scan import
this; everything else takes the library's own.
"""

import dataclasses
from dataclasses import fields
from operator import attrgetter
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dataclasses import dataclass as dataclass  # noqa: PLC0414 - exported
    from dataclasses import replace as replace  # noqa: PLC0414 - exported
else:
    GUARDED = False
    """Set before anything else is imported, it guards these values while the program runs too (test_frozen_values)."""

    def dataclass(*, frozen: bool = False, slots: bool = False) -> Any:
        """Make a class of frozen values, which nothing guards while the program runs."""
        if not frozen or GUARDED:
            return dataclasses.dataclass(frozen=frozen, slots=slots)
        return dataclasses.dataclass(slots=slots, unsafe_hash=True)

    _SHAPES: dict[type, tuple[Any, dict[str, int]]] = {}
    """By class: what gets all fields at once, and where each stands."""

    def replace(value: Any, /, **changes: Any) -> Any:
        """Return a copy of a frozen value with some fields changed, as the library makes it, in half the time.

        Raises:
            KeyError: it has no such field.
        """
        kind = value.__class__
        shape = _SHAPES.get(kind)
        if shape is None:
            names = [field.name for field in fields(kind)]
            all_of_them = attrgetter(*names) if len(names) > 1 else lambda one: [getattr(one, name) for name in names]
            shape = _SHAPES[kind] = all_of_them, {name: place for place, name in enumerate(names)}
        whole, places = shape
        values = list(whole(value))
        for name, changed in changes.items():
            values[places[name]] = changed
        return kind(*values)
