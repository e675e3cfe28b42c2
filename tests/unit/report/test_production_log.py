"""The production log against a golden file: fields in their order, ratios that come out again, and no gap in time.

Input (`tests/cases/reports/production_log/rows.csv`) is invented. The checks beside the golden file do not rest on
it.
"""

import csv
import io
from decimal import Decimal
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.journal.entry import SIMULATED, Stored
from crumbmeter.ledger.rows import Layout, NamedRow, Row
from crumbmeter.model.quality import Quality
from crumbmeter.model.units import SHORT_TON_KG
from crumbmeter.process.params import DoseBasis, MixParams, StreamKind, StreamParams
from crumbmeter.report.figures import rounded
from crumbmeter.report.files import csv_bytes, parquet_bytes
from crumbmeter.report.log_row import LogRow
from crumbmeter.report.log_times import taken_of
from crumbmeter.report.pdf import pdf
from crumbmeter.report.production_log import FIELDS, LogSite, build, columns, production_log
from crumbmeter.site.zones import time_zone
from tests.booked_parcels import booked
from tests.unit.report.production import FRAME

CASE = Path("tests/cases/reports/production_log")
COLUMNS = (
    "mix_rate_kg_s", "fed_kg_s", "aggregate_flow", "recycle_flow", "binder_flow", "binder_temperature", "mix_temp",
    "wanted_kg_s",
)  # fmt: skip
LAYOUT = Layout(COLUMNS)
MADE = (58.0, 0.3, 46.8, 11.7, 3.05, 154.4, 160.0, 0.3)
IDLE = (0.0, 0.0, 0.0, 0.0, 0.0, 154.4, 60.0, 0.0)


def stream(name: str, kind: StreamKind, *, wet: bool = False) -> StreamParams:
    return StreamParams(
        stream_id=name, kind=kind, rate=0, wet=wet, moisture=0.04 if wet else 0.0,
        binder_content=0.05 if kind is StreamKind.RECYCLE else 0.0, low_flow_kg_s=1.0, belt_length_m=0.0,
        belt_speed=None, belt_running=None, nominal_belt_speed_m_s=1.0, scale_filter_s=0.0, drum_residence_s=0.0,
        drum_stages=1,
    )  # fmt: skip


SITE = LogSite(
    location="Nowhere (invented)",
    additive="crumb rubber",
    brand="",
    zone=time_zone("America/Denver"),
    metric=False,
    streams=(
        (stream("aggregate", StreamKind.AGGREGATE, wet=True), "aggregate_flow"),
        (stream("recycle", StreamKind.RECYCLE), "recycle_flow"),
        (stream("binder", StreamKind.BINDER), "binder_flow"),
    ),
    mixes=(
        MixParams("surface_10lb", "Surface", DoseBasis.TOTAL_MIX, 0.005, 0.055, 1),
        MixParams("by_binder", "Base", DoseBasis.TOTAL_BINDER, 0.08, 0.05, 3),
        MixParams("plain", "Plain", DoseBasis.TOTAL_MIX, 0.0, 0.053, 2),
    ),
    binder_temperature="binder_temperature",
    mix_temperature="mix_temp",
)


def row(
    mono_s: float,
    values: tuple[float | None, ...] = MADE,
    *,
    wall_s: float | None = None,
    mix_id: str = "surface_10lb",
    run: str = "feeding",
    water: float = 0.04,
    qualities: tuple[Quality, ...] | None = None,
    boot: str = "ab" * 16,
    flags: int = SIMULATED,
) -> LogRow:
    held = qualities or tuple(Quality.BAD if value is None else Quality.GOOD for value in values)
    wall_us = round((mono_s if wall_s is None else wall_s) * 1e6)
    stored = Stored("record", round(mono_s) + 7, boot, "row", round(mono_s * 1e6), wall_us, flags, b"", b"")
    return LogRow(NamedRow(LAYOUT, Row(LAYOUT.layout_id, run, values, held), stored), mix_id, {"aggregate": water})


def invented() -> list[LogRow]:
    with (CASE / "rows.csv").open(newline="") as file:
        return [_invented(each) for each in csv.DictReader(file)]


def _invented(told: dict[str, str]) -> LogRow:
    names = (
        "mix_rate_kg_s",
        "fed_kg_s",
        "aggregate_kg_s",
        "recycle_kg_s",
        "binder_kg_s",
        "binder_c",
        "mix_c",
        "wanted_kg_s",
    )
    values = tuple(float(told[name]) if told[name] else None for name in names)
    good = [Quality.BAD if value is None else Quality.GOOD for value in values]
    good[2] = Quality[told["aggregate_quality"].upper()]
    return row(
        float(told["mono_s"]), values, wall_s=float(told["wall_s"]), mix_id=told["mix"], run=told["run"],
        water=float(told["moisture_percent"]) / 100.0, qualities=tuple(good),
    )  # fmt: skip


def written(rows: list[LogRow], interval_s: float = 300.0) -> list[dict[str, str]]:
    file = csv_bytes(production_log(rows, SITE, interval_s)).decode()
    return list(csv.DictReader(io.StringIO(file, newline="")))


def test_the_golden_file() -> None:
    table = production_log(invented(), SITE, 300.0)
    assert csv_bytes(table).decode() == (CASE / "expected.csv").read_bytes().decode()


@pytest.mark.parametrize("metric", [True, False])
def test_header_and_twelve_fields_in_order(metric: bool) -> None:
    """Caltrans, additive provisions: date; location; time captured; mix type and target binder rate; and so on."""
    assert len(FIELDS) == 12
    asked = [name for field in FIELDS for name in field]
    assert [column.name for column in columns(metric=metric)][: len(asked)] == asked


def test_a_file_read_again_gives_the_same_ratios_and_difference() -> None:
    told = [one for one in written(invented(), 60.0) if one["dry aggregate to additive"]]
    assert len(told) == 11
    for one in told:
        dry, binder, fed = (
            Decimal(one[f"{name} [short_ton/h]"]) for name in ("dry aggregate", "binder", "additive rate")
        )
        assert one["dry aggregate to binder"] == str(rounded(dry / binder, 2))
        assert one["dry aggregate to additive"] == str(rounded(dry / fed, 1))
        actual, target = (Decimal(one[f"{name} additive [percent of basis]"]) for name in ("actual", "target"))
        assert Decimal(one["actual less target [percent of basis]"]) == actual - target


def test_dry_rate_from_the_wet_belt() -> None:
    """Moisture is a share of DRY mass (AASHTO T 255): 46.8 kg/s wet at 4 % are 45 kg/s dry."""
    one = written([row(0.0)])[0]
    assert one["dry aggregate [short_ton/h]"] == str(rounded(45.0 * 3600.0 / SHORT_TON_KG, 4))
    assert one["wet aggregate [short_ton/h]"] == str(rounded(46.8 * 3600.0 / SHORT_TON_KG, 4))
    assert one["moisture [percent of dry aggregate]"] == "4.00"


@pytest.mark.parametrize(
    ("mix_id", "fed_kg_s", "wanted_kg_s", "actual", "off"),
    [
        ("surface_10lb", 0.3, 0.3, "0.5000", "0.0000"),
        # 0.3 kg/s wanted at 0.5 % of the total mix stand for 59.7 kg/s of the rest: 0.33 / 60.03 is 0.549725 %.
        ("surface_10lb", 0.33, 0.3, "0.5497", "0.0497"),
        # 8 % of the total binder: 0.24 kg/s wanted stand for 3 kg/s of binder; 0.27 / 3 is 9 %.
        ("by_binder", 0.27, 0.24, "9.0000", "1.0000"),
        ("surface_10lb", 0.3, 0.0, "", ""),
        ("plain", 0.0, 0.0, "0.0000", "0.0000"),
        ("plain", 0.1, 0.0, "", ""),
        ("no such mix", 0.3, 0.3, "", ""),
    ],
)
def test_the_actual_dose_is_that_of_the_mix_which_the_rubber_will_meet(
    mix_id: str, fed_kg_s: float, wanted_kg_s: float, actual: str, off: str
) -> None:
    one = written([row(0.0, (58.0, fed_kg_s, *MADE[2:7], wanted_kg_s), mix_id=mix_id)])[0]
    assert one["actual additive [percent of basis]"] == actual
    assert one["actual less target [percent of basis]"] == off


def test_standing_belts_have_no_ratio() -> None:
    one = written([row(0.0, (58.0, 0.3, 0.0, 0.0, 3.05, 154.4, 160.0, 0.3))])[0]
    assert (one["dry aggregate to binder"], one["dry aggregate to additive"]) == ("", "")
    assert one["actual additive [percent of basis]"] == "0.5000"


def test_what_is_not_known_is_empty_and_says_so() -> None:
    one = written([row(0.0, (58.0, None, None, 11.7, 3.05, None, None, 0.3))])[0]
    empty = (
        "dry aggregate [short_ton/h]",
        "additive rate [short_ton/h]",
        "binder temperature [degF]",
        "dry aggregate to binder",
        "actual additive [percent of basis]",
        "moisture [percent of dry aggregate]",
    )
    assert [one[name] for name in empty] == [""] * 6
    assert (one["quality"], one["binder [short_ton/h]"]) == ("Bad", "12.1034")  # 3.05 * 3600 / 907.18474 = 12.10338


def test_only_simulated_records_are_marked() -> None:
    told = written([row(0.0), row(300.0, flags=0)])
    assert [one["mark"] for one in told] == ["SIMULATE", ""]


def test_a_log_as_a_document_is_marked_once_in_every_form() -> None:
    table = production_log([row(0.0), row(300.0, flags=0)], SITE, 300.0)
    document = build(FRAME, table, 0, 600_000_000)
    assert document.marks == ("SIMULATE",)
    assert csv_bytes(table, document.marks) == csv_bytes(table)
    read = pq.read_table(io.BytesIO(parquet_bytes(table, document)))
    assert read.column("mark").to_pylist() == ["SIMULATE", ""]
    assert len(set(read.column_names)) == len(read.column_names)
    assert pdf(document).startswith(b"%PDF-")


def test_a_batch_plant_logs_weights() -> None:
    batch = booked(1, rubber_g=1500).parcel
    one = written([LogRow(row(0.0).named, "surface_10lb", {}, batch)])[0]
    assert (one["batch dry aggregate [lb]"], one["batch binder [lb]"]) == ("410.61", "27.56")  # 186.25 kg, 12.5 kg
    assert one["dry aggregate to additive"] == "124.1"  # 410.61 / 3.31 lb (1500 g)


def test_an_hour_has_a_record_every_five_minutes() -> None:
    """Ohio DOT CMS 402.07.C: every 5 minutes during production; 60 minutes give at least 12."""
    assert len(written([row(float(second)) for second in range(3601)])) == 13


@pytest.mark.parametrize("step_s", [-7200.0, 3600.0, 0.0])
def test_a_clock_step_leaves_neither_gap_nor_lump(step_s: float) -> None:
    rows = [row(float(second), wall_s=second + (step_s if second > 700 else 0.0)) for second in range(1801)]
    taken = [one.mono_us // 1_000_000 for one in taken_of(rows, 300.0)]
    assert taken == [0, 300, 600, 900, 1200, 1500, 1800]


def test_a_pause_is_not_logged_and_its_ends_are() -> None:
    rows = [row(float(at), IDLE if 100 < at < 2000 else MADE) for at in range(2400)]
    assert [one.mono_us // 1_000_000 for one in taken_of(rows, 300.0)] == [0, 300, 2000, 2300, 2399]
    assert len(list(taken_of(rows, 300.0, idle_too=True))) == 9


def test_a_new_run_of_the_daemon_begins_a_new_stretch() -> None:
    rows = [row(float(at)) for at in range(50)] + [row(float(at), boot="cd" * 16) for at in range(50)]
    assert [one.mono_us // 1_000_000 for one in taken_of(rows, 300.0)] == [0, 49, 0, 49]


@given(
    st.lists(st.floats(0.2, 40.0), min_size=2, max_size=200),
    st.lists(st.booleans(), min_size=200, max_size=200),
    st.floats(45.0, 400.0),
)
def test_no_two_records_of_production_are_further_apart_than_the_interval(
    steps_s: list[float], makes: list[bool], interval_s: float
) -> None:
    at_s, rows = 0.0, []
    for step_s, made in zip(steps_s, makes, strict=False):
        at_s += step_s
        rows.append(row(at_s, MADE if made else IDLE))
    taken = [one.mono_us for one in taken_of(rows, interval_s)]
    assert taken == sorted(set(taken))
    for at in [one.mono_us for one, made in zip(rows, makes, strict=False) if made]:
        before, after = max(one for one in taken if one <= at), min(one for one in taken if one >= at)
        assert after - before <= interval_s * 1e6 + 1
