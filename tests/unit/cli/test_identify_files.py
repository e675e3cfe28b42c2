"""A register is added to a profile only where its address means there what was found: an offset on the wire."""

from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from crumbmeter.cli.commands import app
from crumbmeter.cli.look_file import LookFile, look_json
from crumbmeter.field.look import Look, Run, reading_of
from crumbmeter.field.spec import Table
from crumbmeter.site.profiles import load_profile

HEAD = 'profile = "scale"\ntitle = "A scale"\nmax_words = 32\nmax_gap = 0\n'
OTHER = '[registers.tare]\ntable = "holding"\naddress = {}\ntype = "u16"\norder = "ABCD"\nunit = "kg"\n'


@pytest.fixture
def looks(tmp_path: Path) -> list[Path]:
    """Write looks at a device whose register 3 counts tenths of the display."""
    made = []
    for place, tenths in enumerate((412, 1376, 2741, 3388)):
        display = f"{tenths / 10.0:.1f} kg"
        words = (7, 100, 100, tenths, 9000 - place % 2)
        look = Look(((Run(Table.HOLDING, 0, words),),) * 3, (reading_of(display),))
        path = tmp_path / f"look{place}.json"
        path.write_text(look_json(LookFile("tcp://127.0.0.1:502", 1, 0, (0.0, 1.0, 2.0), (display,), look)))
        made.append(path)
    return made


def identify(looks: list[Path], output: Path) -> Result:
    words = ["identify", *map(str, looks), "--profile-name", "scale", "--register", "mass", "-o", str(output)]
    return CliRunner().invoke(app, words)


def test_a_register_is_added_beside_others_in_offsets(looks: list[Path], tmp_path: Path) -> None:
    path = tmp_path / "scale.toml"
    path.write_text(HEAD + 'notation = "offset"\n' + OTHER.format(9))
    ended = identify(looks, path)
    assert ended.exit_code == 0, ended.output
    profile, problems = load_profile("scale", path, "scale.toml")
    assert problems == []
    mass = profile.registers["mass"]
    assert mass is not None
    assert (mass.table, mass.address, mass.scale) == (Table.HOLDING, 3, 0.1)
    assert identify(looks, path).exit_code == 2, "it is there already"


@pytest.mark.parametrize("head", [HEAD + 'notation = "modicon5"\n', HEAD.replace("scale", "other", 1), "profile ="])
def test_a_profile_in_another_notation_stays_as_it_is(looks: list[Path], tmp_path: Path, head: str) -> None:
    path = tmp_path / "scale.toml"
    path.write_text(head + OTHER.format(40010))
    before = path.read_bytes()
    ended = identify(looks, path)
    assert (ended.exit_code, str(path) in ended.output) == (2, True), ended.output
    assert path.read_bytes() == before
