"""A period out of a real journal: its sums, its hoppers' levels, and how line and drum were at its ends."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from crumbmeter.journal.entry import Appendable
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import boots, events, parcels, period, rows
from crumbmeter.ledger.period import End, Period, Span, read_period
from crumbmeter.ledger.stamped import Stamped
from crumbmeter.model.events import event
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from tests.cores import make_params
from tests.unit.journal.making import BOOT, NOW, small_limits, write

S = 1_000_000
BASE = make_params()
PARAMS = replace(
    BASE,
    drum=replace(BASE.drum, outlet_residence_s=20.0),
    contacts=replace(BASE.contacts, supply_mass=6),
)
"""The supply's weight is read where the small plant reads its auger."""
LAYOUT = rows.Layout(("mix_rate_kg_s", "hopper_mass", "auger_speed"))


def at(second: float) -> Stamped:
    return Stamped(round(second * S), NOW.wall_us + round(second * S))


def parcel(number: int, second: float, *, took_s: float = 4.0, quality: Quality = Quality.GOOD) -> Parcel:
    return Parcel(
        number, second - took_s, second, "surface", "total_mix", 0.005, 1250, 1240, 10, 200_000, 38_760, 1900, 10_000,
        quality, "feeding", controlled=True, simulated=False,
    )  # fmt: skip


def row(rate: float, hopper: float | None, supply: float | None = 500.0) -> rows.Row:
    values = (rate, hopper, supply)
    qualities = tuple(Quality.BAD if value is None else Quality.GOOD for value in values)
    return rows.Row(LAYOUT.layout_id, "feeding", values, qualities)


def shift(
    *, moving: tuple[int, int] = (20, 100), booked: Sequence[int] = range(40, 121, 4), last: int = 140, **changes: float
) -> list[Appendable]:
    """Rows of a second from 0 to `last`, mix at the injection point while `moving`, parcels at the seconds `booked`."""
    made: list[Appendable] = [
        boots.entry(boots.boot(BOOT, "1", "s", clock_synced=True, simulated=False), at(0)),
        rows.layout_entry(LAYOUT, at(0)),
    ]
    for second in range(last + 1):
        rate = 60.0 if moving[0] <= second < moving[1] else 0.0
        made.append(rows.entry(row(rate, 240.0 - second, 500.0 + changes.get("supply_rise", 0.0) * second), at(second)))
        if second in booked:
            made.append(parcels.entry(parcel(len(made), float(second)), at(second)))
    return made


def read(tmp_path: Path, made: list[Appendable], span: Span | None = None) -> Period | None:
    write(tmp_path / "j.db", [made], small_limits())
    with Reader(tmp_path / "j.db") as reader:
        return read_period(reader, PARAMS, span or Span())


def some(found: Period | None) -> Period:
    assert found is not None
    return found


def test_sums_and_levels_of_a_closed_period(tmp_path: Path) -> None:
    found = some(read(tmp_path, shift(supply_rise=0.5)))
    assert found.parcels == 21
    assert found.mix_kg == pytest.approx(21 * 250.0)
    recorded = found.recorded
    assert recorded.aggregate_kg == pytest.approx(21 * 200.0)
    assert recorded.recycle_kg == pytest.approx(21 * 38.76)
    assert recorded.binder_kg == pytest.approx(21 * 10.0)
    assert recorded.rubber_kg == pytest.approx(21 * 1.24)
    assert recorded.weighing_kg == pytest.approx(21 * 0.010)
    # Medians of eleven readings at each end: 5 s in, and 5 s before the end.
    assert recorded.hopper_change_kg == pytest.approx(-130.0)
    assert recorded.supply_change_kg == pytest.approx(65.0)
    assert (found.opened, found.closed, recorded.on_the_way_kg) == (End.EMPTY, End.EMPTY, 0.0)
    assert found.why_not_closed == ()


def test_a_drum_that_stands_full_holds_what_it_may(tmp_path: Path) -> None:
    found = some(read(tmp_path, shift(booked=range(40, 100, 4))))
    assert (found.opened, found.closed) == (End.EMPTY, End.FULL)
    # 15 parcels of 1.24 kg in 4 s each, for line and drum of 4 s and 20 s.
    assert found.recorded.on_the_way_kg == pytest.approx(1.24 / 4.0 * (PARAMS.line.travel_s + 20.0))
    assert found.why_not_closed == ()


def test_a_steady_run_may_be_cut_anywhere_and_a_changing_one_not(tmp_path: Path) -> None:
    span = Span(at(50).wall_us, at(90).wall_us)
    found = some(read(tmp_path, shift(), span))
    assert (found.opened, found.closed) == (End.RUNNING, End.RUNNING)
    assert found.why_not_closed == ()
    ramp = [
        parcels.entry(parcel(900 + number, 52.0 + number, took_s=4.0 - 0.2 * number), at(52.0 + number))
        for number in range(12)
    ]
    found = some(read(tmp_path / "ramp", [*shift(booked=()), *ramp], span))
    assert (found.opened, found.closed) == (End.CHANGING, End.CHANGING)
    assert len(found.why_not_closed) == 2
    assert "running while the rate changed" in found.why_not_closed[0]


def test_a_restart_in_the_period_leaves_mix_out(tmp_path: Path) -> None:
    again = boots.entry(boots.boot("ff" * 16, "1", "s", clock_synced=True, simulated=False), at(60))
    made = shift()
    place = next(index for index, entry in enumerate(made) if getattr(entry, "mono_us", 0) >= 60 * S)
    found = some(read(tmp_path, [*made[:place], again, *made[place:]]))
    assert found.restarts == 1
    assert "started 1 times" in found.why_not_closed[0]


def test_mix_with_bad_inputs_is_counted(tmp_path: Path) -> None:
    bad = parcels.entry(parcel(999, 121.0, quality=Quality.BAD), at(121))
    found = some(read(tmp_path, [*shift(), bad]))
    assert found.bad_kg == pytest.approx(250.0)
    assert "4.5% of the mix was made with a Bad input" in found.why_not_closed[-1]


def test_rubber_that_was_dumped_with_its_mix_is_read_from_the_record(tmp_path: Path) -> None:
    dumps = [
        events.entry(event("drum_dumped", share=0.5, mix_kg=2500.0, rubber_kg=rubber_kg), at(second))
        for second, rubber_kg in ((10.0, 12.5), (131.0, 4.0), (140.0, 900.0))
    ]
    found = some(read(tmp_path, [*shift(), *dumps], Span(before_wall_us=at(135).wall_us)))
    assert found.recorded.dumped_kg == pytest.approx(16.5)
    assert found.recorded.rubber_kg == pytest.approx(21 * 1.24)


def test_a_period_without_mix_is_none(tmp_path: Path) -> None:
    assert read(tmp_path, shift(), Span(at(130).wall_us)) is None


def test_mix_that_no_row_shows_is_not_known(tmp_path: Path) -> None:
    found = some(read(tmp_path, shift(moving=(0, 0))))
    assert (found.opened, found.closed) == (End.UNKNOWN, End.UNKNOWN)
    assert period.END_ROWS == 11
