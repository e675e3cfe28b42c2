"""The table of effects against the settings that are built: what it lets through, can be exchanged, key by key."""

import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from crumbmeter.app.applying import FIXED
from crumbmeter.control.adopting import unlike
from crumbmeter.site import Site, SiteRefused, load
from crumbmeter.site.editing import Path as KeyPath
from crumbmeter.site.editing import with_values
from crumbmeter.site.effects import When, effect_of

ROOT = Path(__file__).parents[3]
AT_ANY_TIME = {"tolerance", "alarm_delays_s", "uncertainty", "mixes"}
"""Parts of the core's settings that no output depends on: of a mix its title alone."""


def leaves(data: dict[str, Any], path: KeyPath = ()) -> Iterator[tuple[KeyPath, Any]]:
    for key, value in data.items():
        if isinstance(value, dict):
            yield from leaves(value, (*path, key))
        else:
            yield (*path, key), value


def others(value: Any) -> tuple[Any, ...]:
    """Return values near by, of which one may be good."""
    if isinstance(value, bool):
        return (not value,)
    if isinstance(value, int | float):
        return (value * 1.02, value * 0.98, value + 1, value - 1)
    return ("metric", "stop", "another.toml") if isinstance(value, str) else ()


def mutants(folder: Path, site: str) -> Iterator[tuple[KeyPath, Site, Site]]:
    shutil.copytree(ROOT / "config/devices", folder / "devices")
    path = folder / "sites" / "site.toml"
    path.parent.mkdir()
    text = (ROOT / "config/sites" / f"{site}.toml").read_text("utf-8")
    path.write_text(text)
    before = load(path)
    done: set[KeyPath] = set()
    for key, value in leaves(tomllib.loads(text)):
        effect = effect_of(key)
        kind = (key[0], key[-1])  # of the signals one will do
        if effect is None or effect.when is When.RESTART or kind in done:
            continue
        for other in others(value):
            path.write_text(with_values(text, {key: other}))
            try:
                yield key, before, load(path)
            except SiteRefused:
                continue
            done.add(kind)
            break


@pytest.mark.parametrize(("site", "least"), [("demo_drum", 50), ("demo_batch", 35)])
def test_whatever_the_table_lets_through_can_be_exchanged(tmp_path: Path, site: str, least: int) -> None:
    seen = 0
    for key, before, after in mutants(tmp_path, site):
        effect = effect_of(key)
        assert effect is not None
        seen += 1
        assert unlike(before.params, after.params) == (), key
        assert [name for name in FIXED if getattr(before, name) != getattr(after, name)] == [], key
        if effect.when is When.AT_REST:
            continue
        differ = {
            name
            for name in type(after.params).__dataclass_fields__
            if getattr(before.params, name) != getattr(after.params, name)
        }
        assert differ <= AT_ANY_TIME | {"settings_id"}, (key, differ)
    assert seen >= least, seen
