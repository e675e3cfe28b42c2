"""`crumbmeter reconcile` over a real journal of a made-up day: words, JSON, refusals and exit codes."""

import datetime as dt
import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from crumbmeter.cli.commands import app
from crumbmeter.journal.entry import Appendable
from crumbmeter.journal.limits import Limits
from crumbmeter.ledger import boots, parcels, rows, settings
from crumbmeter.ledger.stamped import Stamped
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.site import load
from tests.unit.journal.making import BOOT, NOW, write

ROOT = Path(__file__).parents[3]
SITE = load(ROOT / "config/sites/demo_drum.toml")
LAYOUT = rows.Layout(("mix_rate_kg_s", "hopper_mass", "supply_mass"))
PARCELS = 400
MIX_KG = PARCELS * 250.0
RUBBER_KG = PARCELS * 1.25
HOPPER_KG, SUPPLY_KG = -20.0, 200.0
HEADER = "kind,when,mass,unit,scale,lot,within\n"


def at(second: float) -> Stamped:
    return Stamped(round(second * 1e6), NOW.wall_us + round(second * 1e6))


def when(second: float) -> str:
    return dt.datetime.fromtimestamp(at(second).wall_us / 1e6, dt.UTC).isoformat()


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A day of 100 t between an empty drum and an empty drum, in the words of the ledger."""
    folder = tmp_path_factory.mktemp("day")
    kept = settings.KeptSettings(SITE.settings_id, tuple((one.name, one.content) for one in SITE.files))
    boot = boots.boot(BOOT, "1", SITE.settings_id, clock_synced=True, simulated=True)
    made: list[Appendable] = [boots.entry(boot, at(0)), settings.entry(kept, at(0)), rows.layout_entry(LAYOUT, at(0))]
    for second in range(1801):
        rate = 69.0 if 60 <= second < 1660 else 0.0
        share = second / 1800.0
        values = (rate, 240.0 + HOPPER_KG * share * 1.0056, 700.0 + SUPPLY_KG * share * 1.0056)
        made.append(rows.entry(rows.Row(LAYOUT.layout_id, "feeding", values, (Quality.GOOD,) * 3), at(second)))
        if second >= 120 and second % 4 == 0 and (second - 120) // 4 < PARCELS:
            made.append(parcels.entry(parcel((second - 120) // 4 + 1, float(second)), at(second)))
    write(folder / "journal.db", [made[first : first + 1000] for first in range(0, len(made), 1000)], Limits())
    return folder


def parcel(number: int, second: float) -> Parcel:
    return Parcel(
        number, second - 4.0, second, "surface_10lb", "total_mix", 0.005, 1250, 1250, 8, 195_000, 43_000, 2150, 10_750,
        Quality.GOOD, "feeding", controlled=True, simulated=True,
    )  # fmt: skip


def entries(
    folder: Path, *, mix_kg: float = MIX_KG, bags_kg: float = RUBBER_KG + HOPPER_KG + SUPPLY_KG, more: str = ""
) -> Path:
    """What the scale house and the yard know."""
    path = folder / "day.csv"
    loads = "".join(f"ticket,{when(500 + load)},{mix_kg / 5.0},kg,truck,T-{load},\n" for load in range(5))
    path.write_text(
        f"{HEADER}{loads}bag,{when(100)},{bags_kg},kg,yard,L-1,\nsilo_change,{when(1700)},0,kg,,,0\n{more}", "utf-8"
    )
    return path


def run(*words: str | Path) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, ["reconcile", *map(str, words)])
    return result.exit_code, " ".join(result.stdout.split()), result.stderr


def body(*words: str | Path) -> tuple[int, dict[str, Any]]:
    result = CliRunner().invoke(app, ["reconcile", *map(str, words), "--json"])
    told: dict[str, Any] = json.loads(result.stdout)
    return result.exit_code, told


def test_a_day_that_agrees(journal: Path, tmp_path: Path) -> None:
    code, out, err = run(journal, "--entries", entries(tmp_path))
    assert (code, err) == (0, "")
    assert "400 parcels, 110.2 short_ton of mix with rubber. SIMULATED." in out
    assert "Line and drum at the beginning: empty; at the end: empty." in out
    assert "Balance of mix: 0.0 short_ton left over, +- 1.2 (k = 2): closes" in out
    assert "DOES NOT CLOSE" not in out
    assert "Reconciled: no gross error was found" in out
    assert "No waste was entered" in out
    assert "Cannot be checked" not in out


def test_json_says_the_same_in_si(journal: Path, tmp_path: Path) -> None:
    code, told = body(journal, "--entries", entries(tmp_path))
    assert (code, told["agrees"], told["suspects"], told["unchecked"]) == (0, True, [], [])
    feeder = next(one for one in told["reconciled"] if one["name"] == "feeder")
    assert feeder["measured"] == pytest.approx(RUBBER_KG)
    assert feeder["reconciled"] == pytest.approx(RUBBER_KG, rel=1e-3)
    assert feeder["reconciled_uncertainty"] < feeder["uncertainty"]
    assert told["mix_kg"] == pytest.approx(MIX_KG)


def test_a_gross_error_withholds_every_reconciled_value(journal: Path, tmp_path: Path) -> None:
    code, out, _ = run(journal, "--entries", entries(tmp_path, bags_kg=RUBBER_KG + HOPPER_KG + SUPPLY_KG + 50.0))
    assert code == 1
    assert "GROSS ERROR: no value is reconciled while a test fails" in out
    assert "Balance of rubber: 110 lb left over" in out
    assert "Reconciled" not in out
    assert "bags of yard: it reads 110" in out
    assert "feeder: it reads 110" in out
    assert "hopper scale, behind feeder and weigh hopper alike: its span is -9" in out
    assert "Were every tolerance twice as wide, the global test would still fail." in out
    slight = run(journal, "--entries", entries(tmp_path, bags_kg=RUBBER_KG + HOPPER_KG + SUPPLY_KG + 12.0))[1]
    assert "GROSS ERROR" in slight
    assert "twice as wide, the global test would pass." in slight
    told = body(journal, "--entries", entries(tmp_path, mix_kg=0.9 * MIX_KG))[1]
    assert told["reconciled"] is None
    assert "load tickets of truck" in told["suspects"][0]["names"]


def test_without_entries_nothing_can_be_checked_and_it_is_said_why(journal: Path) -> None:
    code, out, _ = run(journal)
    assert code == 1
    assert "Not tested: no balance has all its streams measured" in out
    assert "Cannot be checked" in out
    assert "Enter the period's load tickets." in out
    assert "Enter the bags that were emptied." in out


def test_what_one_balance_alone_can_say(journal: Path, tmp_path: Path) -> None:
    path = tmp_path / "bags.csv"
    path.write_text(f"{HEADER}bag,{when(100)},{RUBBER_KG + HOPPER_KG + SUPPLY_KG},kg,yard,L-1,\n", "utf-8")
    code, out, _ = run(journal, "--entries", path)
    assert code == 0
    assert "1 degree of freedom" in out
    assert "aggregate scale, recycle scale, binder meter, waste: in no balance whose streams are all measured." in out
    assert "load tickets is missing" in out


def test_a_period_that_is_not_closed_is_not_tested(journal: Path, tmp_path: Path) -> None:
    path = entries(tmp_path)
    code, out, _ = run(journal, "--entries", path, "--from", when(800), "--to", when(804))
    assert code == 1
    assert "Not tested, and nothing is reconciled: this is no closed period" in out
    assert "lie outside the period and were left out" in out
    # Steady in between: line and drum hold as much at the end as at the beginning, within what they can hold.
    code, out, _ = run(journal, "--from", when(400), "--to", when(1200))
    assert "at the beginning: running steadily; at the end: running steadily" in out
    assert "line and drum" in out


def test_refusals(journal: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text(f"{HEADER}bag,{when(1)},2000,ton,,,\nbag,yesterday,2000,lb,,,\n", "utf-8")
    code, out, err = run(journal, "--entries", bad)
    assert (code, out) == (2, "")
    assert f"{bad.as_posix()}, line 2: unit 'ton'" in err
    assert f"{bad.as_posix()}, line 3: when 'yesterday'" in err
    assert "Nothing was reconciled." in err
    code, told = body(journal, "--entries", bad)
    assert (code, told["ok"], len(told["problems"])) == (2, False, 2)
    assert set(told["problems"][0]) == {"file", "line", "found", "expected", "remedy"}
    for words, said in (
        ((journal, "--from", "noon"), "--from 'noon': expected a date and time with its zone"),
        ((journal, "--to", when(10)), "no mix was booked in that period"),
        ((journal, "--to", "2001-01-01T00:00:00Z"), "no run before the end of that period"),
        ((journal, "--entries", tmp_path / "none.csv"), "none.csv"),
        ((tmp_path / "nowhere",), "cannot reconcile"),
    ):
        code, out, err = run(*words)
        assert (code, out) == (2, ""), words
        assert said in err
