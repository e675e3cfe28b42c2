"""Values made by `model.frozen` are, but for their speed, the library's frozen classes."""

import dataclasses
import importlib
from collections.abc import Callable
from copy import deepcopy
from typing import Any

import pytest

from crumbmeter.model import frozen
from crumbmeter.model.reading import NOT_CONFIGURED
from tests.architecture.sources import ROOT

DAEMON = ROOT / "daemon"
MODULES = sorted(
    ".".join(path.relative_to(DAEMON).with_suffix("").parts)
    for path in DAEMON.rglob("*.py")
    if "from crumbmeter.model.frozen import" in path.read_text(encoding="utf-8")
)


MUTABLE = ["Columns"]
"""Classes of these modules that are filled bit by bit, and are no values."""


def made_there() -> list[type]:
    modules = [importlib.import_module(name) for name in MODULES]
    return [
        kind
        for module in modules
        for kind in vars(module).values()
        if dataclasses.is_dataclass(kind) and isinstance(kind, type) and kind.__module__ == module.__name__
    ]


def described() -> type:
    class Rate:
        """A rate."""

        mass_kg: float
        """[kg] Mass."""
        over_s: float = 10.0
        parts: tuple[int, ...] = ()
        note: list[str] = dataclasses.field(default_factory=list)

        @property
        def rate_kg_s(self) -> float:
            return self.mass_kg / self.over_s

    return Rate


OURS: Any = frozen.dataclass(frozen=True, slots=True)(described())
LIBRARYS: Any = dataclasses.dataclass(frozen=True, slots=True)(described())
SAME: tuple[Callable[[Any], Any], ...] = (
    lambda kind: kind(1.0).rate_kg_s,
    lambda kind: repr(kind(1.0, parts=(1, 2))).rpartition("Rate")[2],
    lambda kind: kind(1.0, 2.0) == kind(1.0, 2.0),
    lambda kind: kind(1.0) == kind(2.0),
    lambda kind: kind(1.0) == (1.0, 10.0, (), []),
    lambda kind: kind(1.0).note is kind(1.0).note,
    lambda kind: dataclasses.asdict(kind(1.0)),
    lambda kind: dataclasses.replace(kind(1.0), over_s=3.0).rate_kg_s,
    lambda kind: [(field.name, field.type) for field in dataclasses.fields(kind)],
    lambda kind: repr(deepcopy(kind(1.0, note=["a"]))).rpartition("Rate")[2],
    lambda kind: (kind.__name__, kind.__qualname__, kind.__module__, kind.__doc__, kind.__match_args__),
    lambda kind: kind.__annotations__,
    dataclasses.is_dataclass,
)


@pytest.mark.parametrize("seen", SAME)
def test_a_class_made_here_is_the_librarys(seen: Callable[[Any], Any]) -> None:
    assert seen(OURS) == seen(LIBRARYS)


@pytest.mark.parametrize("kind", [OURS, LIBRARYS])
def test_what_is_wrong_is_refused(kind: Any) -> None:
    for wrong in (kind, lambda: kind(1.0, none=2.0), lambda: kind(1.0, 2.0, (), [], 3)):
        with pytest.raises(TypeError):
            wrong()
    with pytest.raises(AttributeError):
        kind(1.0).mass_kg = 2.0


def test_equal_values_are_one_key() -> None:
    assert len({NOT_CONFIGURED, frozen.replace(NOT_CONFIGURED), deepcopy(NOT_CONFIGURED)}) == 1


def test_every_class_of_frozen_values_is_made_so() -> None:
    kinds = made_there()
    assert len(kinds) > 100
    configs = {kind.__name__: getattr(kind, "__struct_config__", None) for kind in kinds}
    assert [name for name, config in configs.items() if config is None or not config.frozen] == MUTABLE
