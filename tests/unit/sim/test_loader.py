"""Files that do not say what they must are refused, with every fault named at once."""

from pathlib import Path

import pytest

from crumbmeter_sim.loader import FileRefusedError
from crumbmeter_sim.plantfile import load_plant
from crumbmeter_sim.profile import load_profile
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.rigs import open_plant
from crumbmeter_sim.scenario import load_scenario
from tests.unit.sim.making import DEMO, PLANTS, ROOT, SCENARIOS


def refused(action: object, *arguments: object) -> str:
    with pytest.raises(FileRefusedError) as caught:
        action(*arguments)  # type: ignore[operator]
    return str(caught.value)


def changed(tmp_path: Path, *edits: tuple[str, str]) -> Path:
    text = DEMO.read_text("utf-8")
    for old, new in edits:
        assert old in text
        text = text.replace(old, new, 1)
    path = tmp_path / "plant.toml"
    path.write_text(text, "utf-8")
    return path


@pytest.mark.parametrize("path", sorted(PLANTS.glob("*.toml")), ids=lambda path: path.stem)
def test_every_plant_file_loads(path: Path) -> None:
    assert open_plant(path).banks


def test_all_faults_of_a_plant_are_named_at_once(tmp_path: Path) -> None:
    path = changed(
        tmp_path, ("back_mixing =", "back_mixng ="), ("stall_rpm = 3.0", 'stall_rpm = "slow"'), ("[line]", "[lines]")
    )
    text = refused(load_plant, path)
    assert "drum.back_mixng: unknown key; did you mean back_mixing?" in text
    assert "drum.back_mixing: missing" in text
    assert "auger.stall_rpm = 'slow': expected float" in text
    assert "line: missing" in text


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("drum_steps = 2", "drum_steps = 20", "time: the drum's step"),
        ('mix = "surface_10lb"', 'mix = "unknown"', "nominal.mix = 'unknown': no such mix"),
        ("aggregate = 14.2", "agregate = 14.2", "binder.belt_delay_s: needs one entry for each belt"),
        ('kind = "recycle"', 'kind = "virgin"', "exactly one belt of kind virgin"),
        ('mode = "speed"', 'mode = "fast"', "feeder.mode = 'fast': expected one of speed, rate"),
    ],
)
def test_contradictions_are_named(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert told in refused(load_plant, changed(tmp_path, (old, new)))


def test_points_that_do_not_exist_are_named(tmp_path: Path) -> None:
    path = changed(tmp_path, ('"aggregate.wet_flow"', '"aggregate.flow"'), ("drum_speed =", "drum_sped ="))
    truth = load_plant(path)
    with pytest.raises(FileRefusedError) as caught:
        Rig(truth, ROOT / "config" / "devices", seed=1)
    text = str(caught.value)
    assert "no quantity or command 'aggregate.flow'" in text


def test_overrides_reach_every_depth_and_are_checked() -> None:
    truth = load_plant(DEMO, {"belt.1.scale.filter_s": 3, "drum.back_mixing": 0.3})
    assert (truth.belt[1].scale.filter_s, truth.drum.back_mixing) == (3.0, 0.3)
    assert "override belt.7.speed_m_s: no such place" in refused(load_plant, DEMO, {"belt.7.speed_m_s": 1.0})
    assert "drum.turns: unknown key" in refused(load_plant, DEMO, {"drum.turns": 1.0})


SCENARIO = """
title = "made"
plant = "{plant}"
seed = 1
duration_s = 60.0
[[at]]
t_s = 1.0
do = "{do}"
{more}
"""


@pytest.mark.parametrize(
    ("do", "more", "told"),
    [
        ("drum_stp", "", "did you mean drum_stop?"),
        ("drum_stop", "rate = 3", "drum_stop takes no such key"),
        ("plant_rate", "", "plant_rate needs mix_short_ton_h"),
        ("plant_rate", 'mix_short_ton_h = "much"', "mix_short_ton_h = 'much'"),
        ("restart", "for_s = 3", "restart takes no such key"),
    ],
)
def test_scenarios_are_checked(tmp_path: Path, do: str, more: str, told: str) -> None:
    path = tmp_path / "scenario.toml"
    path.write_text(SCENARIO.format(plant=DEMO, do=do, more=more), "utf-8")
    assert told in refused(load_scenario, path)


def test_names_that_the_plant_does_not_have_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "scenario.toml"
    path.write_text(SCENARIO.format(plant=DEMO, do="freeze_scale", more='belt = "sand"'), "utf-8")
    assert "the plant has no belt named 'sand' (has: aggregate, recycle)" in refused(Rig.from_scenario, path)


def test_what_happens_after_the_end_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "scenario.toml"
    path.write_text(SCENARIO.format(plant=DEMO, do="restart", more="").replace("t_s = 1.0", "t_s = 61.0"), "utf-8")
    assert "later than duration_s" in refused(load_scenario, path)


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ('table = "input"\naddress = 0\ntype = "u16"\nsize = 2', "registers.x.size: unknown key"),
        ('table = "inputs"\naddress = 0\ntype = "u16"', "registers.x.table = 'inputs'"),
        ('table = "holding"\naddress = "none"\ntype = "u16"', "not an address in notation offset"),
        ('table = "coil"\naddress = 0\ntype = "u16"', "a table of bits holds bits only"),
    ],
)
def test_profiles_are_checked(tmp_path: Path, body: str, told: str) -> None:
    path = tmp_path / "made.toml"
    path.write_text(f"[registers.x]\n{body}\n", "utf-8")
    assert told in refused(load_profile, path)


@pytest.mark.parametrize(
    ("notation", "address", "table", "offset"),
    [
        ("offset", 7, "input", 7),
        ("hex", '"0x0010"', "input", 16),
        ("modicon5", 40101, "holding", 100),
        ("modicon5", 30001, "input", 0),
        ("modicon5", 10001, "discrete", 0),
        ("modicon5", 1, "coil", 0),
        ("modicon6", 400101, "holding", 100),
    ],
)
def test_notations(tmp_path: Path, notation: str, address: object, table: str, offset: int) -> None:
    kind = "bit" if table in ("coil", "discrete") else "u16"
    path = tmp_path / "made.toml"
    path.write_text(
        f'notation = "{notation}"\n[registers.x]\ntable = "{table}"\naddress = {address}\ntype = "{kind}"\n', "utf-8"
    )
    assert load_profile(path).registers["x"].address == offset


def test_every_scenario_of_the_list_is_there() -> None:
    wanted = {
        "start_up", "rate_change", "full_drum_stop", "refill", "bag_change", "bag_hung_up", "bridged_hopper",
        "plugged_line", "hose_off", "frozen_scale", "dead_link", "drifting_empty_belt", "wet_pile", "silo_full",
        "feeder_local", "power_dip", "mix_without_rubber", "demo_shift",
    }  # fmt: skip
    assert wanted <= {path.stem for path in SCENARIOS.glob("*.toml")}
