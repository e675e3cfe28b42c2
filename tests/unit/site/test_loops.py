"""The loops of a site: all of them, and whatever decides what a number means gives another name to its meaning."""

import re
import shutil
from collections.abc import Mapping
from pathlib import Path

import pytest

from crumbmeter.qc.loop_checks import LoopKind
from crumbmeter.site import load
from crumbmeter.site.loops import loops_of

CONFIG = Path(__file__).resolve().parents[3] / "config"


def meanings(folder: Path) -> Mapping[tuple[str, str], str]:
    loops = loops_of(load(folder / "sites" / "demo_drum.toml"))
    return {(one.kind.value, one.name): one.meaning for one in loops}


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    for name in ("devices", "sites", "quality"):
        shutil.copytree(CONFIG / name, tmp_path / name)
    return tmp_path


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text()
    changed, count = re.subn(old, new, text, count=1)
    assert count == 1, old
    file.write_text(changed)


def test_every_signal_and_output_is_a_loop() -> None:
    site = load(CONFIG / "sites" / "demo_drum.toml")
    loops = loops_of(site)
    names = [one.signal_id for one in site.params.signals] + [one.role for one in site.params.outputs]
    assert [one.name for one in loops] == names
    assert {one.name for one in loops if one.kind is LoopKind.OUTPUT} == {one.role for one in site.params.outputs}
    assert len({one.meaning for one in loops}) == len(loops)
    mass = next(one for one in loops if one.name == "hopper_mass")
    assert (mass.unit, mass.is_contact) == ("lb", False)
    assert mass.high_si == pytest.approx(700 * 0.45359237)


@pytest.mark.parametrize(
    ("file", "old", "new", "touched"),
    [
        ("sites/demo_drum.toml", r"high = 700\.0", "high = 800.0", {"hopper_mass"}),
        ("devices/demo_feeder.toml", r'(\[registers\.auger_speed\]\ntable = "input"\naddress =) 4', r"\1 7",
         {"auger_speed"}),
        ("devices/demo_belt_scale.toml", r"order = \"\w+\"", 'order = "DCBA"', {"aggregate_flow"}),
        ("sites/demo_drum.toml", r"port = 15025", "port = 15035", {"line_pressure", "blower_running", "blower_run"}),
        ("sites/demo_drum.toml", r"title = .*", 'title = "Another name"', set()),
        ("sites/demo_drum.toml", r"max_age_s = 10\.0", "max_age_s = 11.0", set()),
    ],
)  # fmt: skip
def test_what_decides_a_number_decides_its_meaning(
    copied: Path, file: str, old: str, new: str, touched: set[str]
) -> None:
    before = meanings(copied)
    change(copied / file, old, new)
    after = meanings(copied)
    changed = {name for (kind, name), meaning in after.items() if before[kind, name] != meaning}
    assert changed == touched
