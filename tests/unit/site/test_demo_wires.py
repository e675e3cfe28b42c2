"""The demonstration's sites over other wires are the demonstration's site: nothing but the wire differs."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

SITES = Path(__file__).parents[3] / "config" / "sites"
WIRE = {("site", "id"), ("site", "title"), ("site", "exchange_estimate_ms"), ("devices",)}
"""What may differ."""
SLOWER = {("signals", "supply_mass", "period_s"), ("signals", "feed_rate", "period_s")}
"""On a serial line these come with the feeder's other figures."""


def _leaves(table: dict[str, Any], way: tuple[str, ...] = ()) -> dict[tuple[str, ...], Any]:
    found: dict[tuple[str, ...], Any] = {}
    for key, value in table.items():
        here = (*way, key)
        if here in WIRE:
            continue
        found |= _leaves(value, here) if isinstance(value, dict) else {here: value}
    return found


@pytest.mark.parametrize("name", ["demo_opcua", "demo_serial"])
def test_only_the_wire_differs(name: str) -> None:
    plain, other = (_leaves(tomllib.loads((SITES / f"{site}.toml").read_text())) for site in ("demo_drum", name))
    differing = {way for way in plain.keys() | other.keys() if plain.get(way) != other.get(way)}
    assert differing == (SLOWER if name == "demo_serial" else set())
    assert len(plain) > 200
