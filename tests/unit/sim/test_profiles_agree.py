"""Both programs read every stored profile the same way: addresses, and what is sent comes out as it was meant."""

from pathlib import Path

import pytest

from crumbmeter.field.spec import RegisterSpec, WordType
from crumbmeter.field.words import decode_si
from crumbmeter.model.quality import Reason
from crumbmeter.model.units import UNITS
from crumbmeter.site.profiles import load_profile
from crumbmeter_sim.codec import encode
from crumbmeter_sim.profile import load_profile as load_as_simulator

PROFILES = sorted((Path(__file__).parents[3] / "config/devices").glob("*.toml"))


def _daemon(path: Path) -> dict[str, RegisterSpec]:
    profile, problems = load_profile(path.stem, path, path.name)
    assert not problems
    return {name: spec for name, spec in profile.registers.items() if spec is not None}


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_both_find_every_register_at_the_same_place(path: Path) -> None:
    ours = {name: (spec.table.value, spec.address, spec.count) for name, spec in _daemon(path).items()}
    theirs = {name: (one.table, one.address, one.count) for name, one in load_as_simulator(path).registers.items()}
    assert ours == theirs


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_what_the_simulator_sends_is_what_the_daemon_reads(path: Path) -> None:
    registers = load_as_simulator(path).registers
    for name, spec in _daemon(path).items():
        if spec.word_type in (WordType.BIT, WordType.TEXT) or spec.power is not None:
            continue
        raw = 12000.0
        value_si = decode_si(spec, encode(registers[name], _si(spec, raw)))
        assert value_si[1] is Reason.OK, name
        assert value_si[0] == pytest.approx(_si(spec, raw), rel=1e-6), name


def _si(spec: RegisterSpec, raw: float) -> float:
    return UNITS[spec.unit].to_si(spec.scale * raw + spec.offset)
