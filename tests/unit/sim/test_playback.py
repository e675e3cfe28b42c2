"""A run is recorded and played back: every register says the same again, in the very same words."""

from pathlib import Path

import pytest

from crumbmeter_sim.loader import FileRefusedError
from crumbmeter_sim.playback import Playback
from crumbmeter_sim.tables import RecordWriter, write_truth
from tests.unit.sim.making import DEMO, feeding, rig


def words(source: object) -> dict[str, tuple[int, ...]]:
    return {
        f"{name}.{register.name}": bank.read(register.table, register.address, register.count)
        for name, bank in source.banks.items()  # type: ignore[attr-defined]
        for register in bank.profile.registers.values()
    }


def test_round_trip_word_for_word(tmp_path: Path) -> None:
    played = rig()
    played.do("plant_start", mix_short_ton_h=240.0)
    feeding(played, 20.0)
    writer = RecordWriter(played, tmp_path / "record.csv", 0.5)
    seen = {}
    for _ in range(240):
        played.advance(writer.until_next_s())
        writer.take()
        seen[round(played.now_s, 3)] = words(played)
    writer.close()
    back = Playback.open(tmp_path / "record.csv", DEMO)
    assert back.duration_s == pytest.approx(120.0)
    for t_s, said in seen.items():
        back.advance_to(t_s + 0.2)  # between two rows the last one holds
        assert words(back) == said, t_s
    assert back.finished


def test_a_device_that_did_not_answer_does_not_answer_again(tmp_path: Path) -> None:
    played = rig()
    writer = RecordWriter(played, tmp_path / "record.csv", 1.0)
    played.do("link_dead", server="binder_meter", for_s=3.0)
    for _ in range(6):
        played.advance(1.0)
        writer.take()
    writer.close()
    back = Playback.open(tmp_path / "record.csv", DEMO)
    up = []
    for second in range(7):
        back.advance_to(float(second))
        up.append(back.links["binder_meter"].mode)
        assert back.links["feeder"].mode == "up"
    assert up == ["up", "dead", "dead", "dead", "up", "up", "up"]


def test_what_a_master_writes_holds_over_the_record(tmp_path: Path) -> None:
    (tmp_path / "record.csv").write_text("t_s,feeder.speed_setpoint\n0,12.5\n10,20\n", "utf-8")
    (tmp_path / "play.toml").write_text(f'record = "record.csv"\nplant = "{DEMO}"\n', "utf-8")
    back = Playback.open(tmp_path / "play.toml")
    feeder = back.banks["feeder"]
    assert feeder.read("holding", 0, 1) == (1250,)
    feeder.write("holding", 0, (700,))
    back.advance_to(10.0)
    assert feeder.read("holding", 0, 1) == (700,)


def test_no_value_is_played_as_the_sentinel(tmp_path: Path) -> None:
    text = "t_s,binder_meter.mass_flow,binder_meter.temperature\n0,,320\n"
    (tmp_path / "record.csv").write_text(text, "utf-8")
    back = Playback.open(tmp_path / "record.csv", DEMO)
    assert back.banks["binder_meter"].read("input", 16, 3) == (0x0080, 0x0000, 3200)  # BADC


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("time,a\n0,1\n", "a header that begins with t_s"),
        ("t_s,belt_scale.wet_flow\n", "at least one row"),
        ("t_s,belt_scale.wet_flow\n0,1\n0,2\n", "t_s: must rise"),
        ("t_s,belt_scale.wet_flow\n0,much\n", "line 2"),
        ("t_s,belt_scale.wet_flow\n0\n", "as many cells"),
        ("t_s,belt_scale.flow\n0,1\n", "column belt_scale.flow: no such register"),
    ],
)
def test_records_are_checked(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "record.csv").write_text(text, "utf-8")
    with pytest.raises(FileRefusedError, match=told):
        Playback.open(tmp_path / "record.csv", DEMO)


def test_the_truth_has_a_row_a_second(tmp_path: Path) -> None:
    played = rig()
    played.do("plant_start")
    played.advance(60.0)
    write_truth(played, tmp_path / "truth.csv")
    lines = (tmp_path / "truth.csv").read_text("utf-8").splitlines()
    assert len(lines) == 61
    assert lines[0].startswith("t_s,mix_in_kg_s,rubber_in_kg_s,wanted_in_kg_s")
