"""What all models of keys share: strictness, and quantities that may be given in one of several units."""

from dataclasses import dataclass
from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, ConfigDict, GetJsonSchemaHandler, StringConstraints
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from crumbmeter.model.units import UNITS

NAME_PATTERN = r"^[a-z][a-z0-9_]{0,39}$"
HOST_PATTERN = r"^([A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?|[0-9A-Fa-f.]*:[0-9A-Fa-f.]*:[0-9A-Fa-f:.]*)$"
"""A name or an IPv4 address, or (with two colons at least) an IPv6 address; never with a port."""
Name = Annotated[str, StringConstraints(pattern=NAME_PATTERN)]
Text = Annotated[str, StringConstraints(min_length=1, max_length=120)]


@dataclass(frozen=True, slots=True)
class Ref:
    """Marks a key whose text names something else in the site."""

    kind: str
    """signal, register, mix or profile."""
    dimension: str = ""
    """For a signal: what it must be a measure of; alternatives are joined by a bar."""

    @property
    def dimensions(self) -> tuple[str, ...]:
        """List what it may be a measure of."""
        return tuple(self.dimension.split("|"))


@dataclass(frozen=True, slots=True)
class Choice:
    """A quantity that is given under exactly one of several keys, each with its own unit."""

    keys: tuple[tuple[str, float], ...]
    """Key, and what its value is multiplied by to become SI."""
    required: bool = True

    @property
    def names(self) -> tuple[str, ...]:
        """List the keys, in the order in which the reference shows them."""
        return tuple(key for key, _ in self.keys)


def choice(required: bool = True, **units: str) -> Choice:
    """Make a choice between keys; each argument is a key and the code of its unit."""
    return Choice(tuple((key, UNITS[code].factor) for key, code in units.items()), required)


class Keys(BaseModel):
    """One table of a file. Unknown keys are refused, text is never taken for a number, and nothing is infinite."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

    choices: ClassVar[dict[str, Choice]] = {}
    """By the name of the quantity."""

    @classmethod
    def __get_pydantic_json_schema__(cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        """Add to the schema for editors that of the keys of a choice one is given."""
        schema = handler.resolve_ref_schema(handler(core_schema))
        rules: list[dict[str, Any]] = []
        for option in cls.choices.values():
            if option.required:
                rules.append({"oneOf": [{"required": [key]} for key in option.names]})
            else:
                rules.append({"not": {"required": list(option.names)}})
        if rules:
            schema["allOf"] = rules
        return schema

    def si_or_none(self, quantity: str) -> float | None:
        """Return a quantity in SI from whichever of its keys was given, or None."""
        for key, factor in self.choices[quantity].keys:
            value = getattr(self, key)
            if value is not None:
                return float(value) * factor
        return None

    def si(self, quantity: str) -> float:
        """Return a quantity in SI that the check has proved to be there."""
        value = self.si_or_none(quantity)
        if value is None:
            raise KeyError(quantity)
        return value
