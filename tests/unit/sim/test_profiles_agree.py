"""Both programs read every stored profile the same way: addresses, and what is sent comes out as it was meant."""

from pathlib import Path

import pytest
from asyncua import ua

from crumbmeter.adapters.opcua_session import node_value
from crumbmeter.field.opcua import NodeValue, read_back, value_of, words_of_node
from crumbmeter.field.spec import RegisterSpec, Table, WordType
from crumbmeter.field.words import decode_si
from crumbmeter.model.quality import Reason
from crumbmeter.model.units import UNITS
from crumbmeter.site.profiles import load_profile
from crumbmeter_sim.bank import Bank
from crumbmeter_sim.codec import encode
from crumbmeter_sim.opcua.variable import TYPES, Variable
from crumbmeter_sim.profile import load_profile as load_as_simulator

ALL = sorted((Path(__file__).parents[3] / "config/devices").glob("*.toml"))
NODES = [path for path in ALL if load_as_simulator(path).protocol == "opcua"]
PROFILES = [path for path in ALL if path not in NODES]


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


@pytest.mark.parametrize("path", NODES, ids=lambda path: path.stem)
def test_both_find_every_node_under_the_same_name_and_type(path: Path) -> None:
    profile, registers = load_as_simulator(path), _daemon(path)
    assert set(registers) == set(profile.registers)
    for name, spec in registers.items():
        assert spec.table is Table.NODE
        assert spec.node == f"nsu={profile.namespace};{profile.nodes[name]}"
        number, _ = value_of(spec, read_back(spec, words_of_node(spec, _shown(path, name, 1.0)), 0))
        assert number == TYPES[profile.registers[name].kind].value


@pytest.mark.parametrize("path", NODES, ids=lambda path: path.stem)
def test_what_a_node_shows_is_what_the_daemon_reads(path: Path) -> None:
    for name, spec in _daemon(path).items():
        meant = 1.0 if spec.word_type is WordType.BIT else _si(spec, 12000.0)
        value, reason = decode_si(spec, words_of_node(spec, _shown(path, name, meant)))[:2]
        assert reason is Reason.OK, name
        assert value == pytest.approx(meant, rel=1e-6), name


def _shown(path: Path, name: str, value_si: float) -> NodeValue:
    """Return what the simulator's server shows of a quantity, as the daemon's adapter takes it."""
    bank = Bank(load_as_simulator(path), {name: lambda: value_si}, {})
    return node_value(Variable(bank, bank.profile.registers[name]).value(ua.DateTime.now()))
