"""The verbs by which a scenario spoils registers and the wire, from the file to what a master meets."""

import json
import struct
from pathlib import Path

import pytest

from crumbmeter_sim.faults.kinds import KINDS
from crumbmeter_sim.loader import FileRefusedError
from crumbmeter_sim.pdu import BankError
from crumbmeter_sim.rack import Rack
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.serve import ServeOptions, build_rack
from crumbmeter_sim.verbs import VERBS
from tests.unit.sim.making import DEMO, PLANTS, ROOT, SCENARIOS, rig
from tests.unit.sim.test_bus import asked, mbap
from tests.unit.sim.test_proxy import Serial
from tests.unit.sim.test_server import Master

HEAD = f'title = "Made"\nplant = "{DEMO}"\nseed = 1\nduration_s = 60.0\n'


def played(tmp_path: Path, *steps: str) -> Rig:
    path = tmp_path / "made.toml"
    path.write_text(HEAD + "".join(f"[[at]]\nt_s = 1.0\n{step}\n" for step in steps), "utf-8")
    made = Rig.from_scenario(path)
    made.advance(1.2)
    return made


def speed(made: Rig) -> int:
    return made.banks["feeder"].read("holding", 0, 1)[0]


def test_a_write_is_ignored_clamped_rounded_late_or_overwritten(tmp_path: Path) -> None:
    feeder = 'server = "feeder"\nregister = "speed_setpoint"\n'
    made = played(tmp_path, f'do = "ignore_writes"\n{feeder}for_s = 1.0')
    made.banks["feeder"].write("holding", 0, (1500,))
    assert (speed(made), made.plant.feeder.speed_setpoint_rev_s) == (0, 0.0)
    made.advance(1.0)
    made.banks["feeder"].write("holding", 0, (1500,))
    assert speed(made) == 1500
    made = played(
        tmp_path, f'do = "clamp_writes"\n{feeder}low = 300\nhigh = 1000', f'do = "round_writes"\n{feeder}step = 7'
    )
    made.banks["feeder"].write("holding", 0, (1500,))
    assert speed(made) == 1001
    made = played(tmp_path, f'do = "late_writes"\n{feeder}seconds = 5.0')
    made.banks["feeder"].write("holding", 0, (1500,))
    made.advance(4.0)
    assert made.plant.feeder.speed_setpoint_rev_s == 0.0
    made.advance(1.5)
    assert made.plant.feeder.speed_setpoint_rev_s == 0.25  # although nobody has asked for anything since
    made = played(tmp_path, f'do = "overwrite"\n{feeder}raw = 4000\nseconds = 2.0')
    made.banks["feeder"].write("holding", 0, (1500,))
    assert speed(made) == 1500
    made.advance(2.5)
    assert made.plant.feeder.speed_setpoint_rev_s == pytest.approx(40.0 / 60.0)


def test_reads_are_refused_holed_limited_frozen_and_forced(tmp_path: Path) -> None:
    made = played(tmp_path, 'do = "refuse"\nserver = "belt_scale"\ncode = 6\nfor_s = 1.0')
    with pytest.raises(BankError) as caught:
        made.banks["belt_scale"].read("holding", 107, 2)
    assert caught.value.code == 6
    made.advance(1.0)
    made.do("hole", server="feeder", register="feed_rate")
    made.do("read_limit", server="feeder", most=5)
    assert len(made.banks["feeder"].read("input", 0, 5)) == 5
    for stretch in ((0, 6), (4, 2)):
        with pytest.raises(BankError):
            made.banks["feeder"].read("input", *stretch)
    made.do("behave", server="feeder", was="read_limit")
    assert len(made.banks["feeder"].read("input", 0, 5)) == 5
    made.do("behave", server="feeder")
    made.do("force", server="feeder", register="hopper_mass", pattern=0x7F800000)
    assert struct.pack(">HH", *made.banks["feeder"].read("input", 0, 2)) == bytes.fromhex("7F800000")
    made.do("force", server="feeder", register="auger_speed", raw=0xFFFF, for_s=1.0)
    assert made.banks["feeder"].read("input", 4, 1) == (0xFFFF,)
    made.do("freeze_registers", server="plant_io")
    io = made.banks["plant_io"]
    turning = io.profile.registers["drum_turning"]
    shown = io.read(turning.table, turning.address, 1)
    made.do("plant_start")
    made.advance(30.0)
    assert io.value("drum_turning") == 1.0
    assert io.read(turning.table, turning.address, 1) == shown


def test_torn_values_and_wrong_echoes(tmp_path: Path) -> None:
    made = played(tmp_path, 'do = "wrong_echo"\nserver = "feeder"\nregister = "heartbeat"')
    assert made.banks["feeder"].answer(bytes.fromhex("0600030007")) == bytes.fromhex("0600020007")
    made.do("torn", server="feeder", register="supply_mass", first=0xFFFF, last=0x10000)
    device = made.banks["feeder"]
    assert device.read("input", 2, 2) != device.read("input", 2, 2)
    made = Rig.from_plant(PLANTS / "demo_bus.toml")
    made.do("point_switch", server="indicator", register="weight", point="decimal_point", value=87.5)
    pairs = [made.banks["indicator"].read("input", 1, 2) for _ in range(2)]
    assert pairs == [(875, 1), (8750, 2)]


@pytest.mark.parametrize(
    ("step", "told"),
    [
        ('do = "refuse"\nserver = "feeder"\ncode = 9', "at[0].code = 9: expected one of 1, 2, 3, 4, 5, 6, 10, 11"),
        ('do = "wrong_echo"\nserver = "feeder"\nwhat = "all"', "expected address or value"),
        ('do = "hole"\nserver = "feeder"\nregister = "hoper_mass"', "feeder has no register 'hoper_mass'"),
        ('do = "hole"\nserver = "feder"\nregister = "hopper_mass"', "no server named 'feder'"),
        ('do = "loop_short"\nloop = "x"', "no loop named 'x'"),
        ('do = "counter_put"\ncounter = "x"\ncount = 1', "no counter named 'x'"),
        ('do = "fault"\nserver = "feeder"\nkind = "dely"', "kind = 'dely': no such fault"),
        ('do = "fault"\nserver = "feeder"\nkind = "drop"\nshare = 3', "share = 3: expected 0 to 1"),
        ('do = "fault"\nserver = "feeder"\nkind = "wrong_crc"', "only with framing rtu"),
        ('do = "fault"\nserver = "feeder"\nkind = "drop"\ndirection = "up"', "expected to_master or to_device"),
    ],
)
def test_what_makes_no_sense_is_refused_before_anything_starts(tmp_path: Path, step: str, told: str) -> None:
    with pytest.raises(FileRefusedError) as caught:
        played(tmp_path, step)
    assert told in str(caught.value)


async def test_a_fault_of_a_scenario_strikes_on_the_wire_and_is_over_after_its_time(tmp_path: Path) -> None:
    step = 'do = "fault"\nserver = "feeder"\nkind = "exception"\nsize = 4\nfor_s = 10.0'
    made = played(tmp_path, step)
    rack: Rack = build_rack(made, ServeOptions(free_ports=True), lambda: None)
    await rack.follow()
    frame = mbap(1, asked(1, 0, 1))
    master, other = await Master.at(rack.ports["feeder"]), await Master.at(rack.ports["blower"])
    assert await master.ask(frame) == [mbap(1, bytes.fromhex("018304"))]
    made.advance(11.0)
    await rack.follow()
    assert await master.ask(frame) == [mbap(1, bytes.fromhex("0103020000"))]
    with pytest.raises(KeyError):
        rack.proxy("blower")  # only where the scenario has faults to come
    await master.close()
    await other.close()
    await rack.close()


async def test_a_plant_on_a_serial_line(tmp_path: Path) -> None:
    made = Rig.from_plant(PLANTS / "demo_bus.toml", overrides={"bus.0.framing": "rtu", "bus.0.turnaround_s": 0.0})
    rack = build_rack(made, ServeOptions(serial_folder=tmp_path), lambda: None)
    await rack.follow()
    assert rack.serial == dict.fromkeys(made.banks, str(tmp_path / "field_bus"))
    master = Serial(str(tmp_path / "field_bus"))
    made.banks["feeder"].write("holding", 0, (1234,))
    reply = await master.ask(bytes.fromhex("060300000001") + bytes.fromhex("85BD"), 7)
    assert reply[:5] == bytes.fromhex("06030204D2")
    master.channel.close()
    await rack.close()


def test_the_manual_has_every_verb_and_every_fault() -> None:
    text = (ROOT / "docs" / "simulator.md").read_text("utf-8")
    assert [word for word in (*VERBS, *KINDS) if f"`{word}`" not in text] == []


def test_an_override_reaches_through_the_file_it_is_based_on() -> None:
    made = Rig.from_plant(PLANTS / "demo_bus.toml")
    demo = rig()
    assert made.plant.truth.drum == demo.plant.truth.drum
    assert made.title != demo.title
    assert [server.bus for server in made.servers] == ["field_bus"] * 8


def test_the_lying_line_names_faults_that_there_are() -> None:
    made = Rig.from_scenario(SCENARIOS / "lying_line.toml")
    assert {server.name for server in made.servers if made.is_faulty(server.name)} == {
        "belt_scale", "recycle_scale", "feeder", "binder_meter",
    }  # fmt: skip
    made.advance(320.0)
    assert json.dumps([fault.kind for fault in made.links["belt_scale"].faults]) == '["duplicate", "wrong_transaction"]'
    made.advance(400.0)
    assert made.links["belt_scale"].faults == []
